"""What people do wrong with a tape, a staff, a number: each slip once, for whichever kind of value it befalls.

A slip takes the evidence and yields the errors it would have made (`heightnet.kinds.cause.Alternative`).  Those of one
reading are decorated: ``one_reading`` was misread or miswritten, so that several that agree make it unlikely;
``every_reading`` suffered alike from a wrong point, a hook, a slant.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from functools import wraps
from math import sqrt

from heightnet.job.tapes import INCH, SCALES
from heightnet.kinds.cause import POPULATION, Alternative, Evidence, Slip, normal_density
from heightnet.reduce.reading import FOOT, MeasuringPoint, Reading, held_to, upright

# Where the equipment table is silent: sizes that common practice would expect, and how widely they vary (m).
USUAL_RADII = ((0.06, 0.25, 0.02), (0.10, 0.50, 0.02), (0.16, 0.25, 0.03))  # radius, share, sd
USUAL_HEAD = (0.24, 0.02)  # trunnion axis above the tripod head
USUAL_POINT = (0.16, 0.04)  # any other point above or below the usual one
USUAL_PHASE = (0.075, 0.025)  # phase centre above the reference point
USUAL_HEIGHT = 1.5  # of an antenna

COPIED = 0.05  # chance that a second reading repeats the slip of the first
SHORT_M, SHORT_SHARE = 1.0, 2.0  # stands below it are short: a slant is left unreduced there so much oftener
SELDOM = 0.1  # how much rarer a slip of feet is where a metric height is booked, which may come from a tape in feet
AXIS_WORDS = {"setup": "trunnion axis", "target": "target's centre"}

Alternatives = Iterable[Alternative]
OfReading = Callable[[Evidence, Reading], Alternatives]


def one_reading(slip: OfReading) -> Slip:
    """A slip in one reading, repeated in the others if there are any."""

    @wraps(slip)
    def alternatives(e: Evidence) -> Iterator[Alternative]:
        share = COPIED ** (len(e.readings) - 1) / max(len(e.readings), 1)
        for reading in e.readings:
            yield from (one._replace(share=one.share * share) for one in slip(e, reading))

    return alternatives


def every_reading(slip: OfReading) -> Slip:
    """A slip that befell all readings; none unless each of them allows it."""

    @wraps(slip)
    def alternatives(e: Evidence) -> Iterator[Alternative]:
        each = [list(slip(e, reading)) for reading in e.readings]
        if len({len(found) for found in each}) == 1:
            for ones in zip(*each, strict=True):
                yield ones[0]._replace(error=sum(one.error for one in ones) / len(ones))

    return alternatives


# any value


def usually(spread: float, error: float = 0.0) -> Slip:
    """An error that is usually about so large."""
    return lambda e: [Alternative(error, spread=spread)]


def up_or_down(size: float, share: float = 1.0, spread: float = 0.0, detail: str = "") -> Iterator[Alternative]:
    for error in (size, -size):
        yield Alternative(error, share / 2, spread=spread, detail=detail)


def constant(name: str, usual: tuple[float, float] | None = None, added: float = 0.5) -> Slip:
    """The size of a hook, section or foot too much (in this share of cases) or too little: each size that the equipment
    table has, or where it has none the usual one with its sd."""

    def alternatives(e: Evidence) -> Iterator[Alternative]:
        sizes = [(size, 0.0) for size in getattr(e, name)] or ([usual] if usual else [])
        for size, sd in sizes:
            yield Alternative(size, added / len(sizes), spread=sd)
            yield Alternative(-size, (1 - added) / len(sizes), spread=sd)

    return alternatives


def wrong_sign(e: Evidence) -> Alternatives:
    return [Alternative(2 * e.recorded)] if e.recorded else []


def outer_wire(e: Evidence) -> Iterator[Alternative]:
    """One of two wires misread: half of it in their mean."""
    for step in (1.0, 0.1, 0.01) if e.of_wires else ():
        yield from up_or_down(step / 2, 1 / 3)


def minus_lost(e: Evidence) -> Iterator[Alternative]:
    """A staff held upside down, at a soffit, is booked with a minus; rarer where no other reading has one."""
    if e.recorded:
        yield Alternative(2 * e.recorded, 1.0 if e.inverted else SELDOM, mirrored=True)


def same_as_before(e: Evidence) -> Alternatives:
    same = e.previous is not None and abs(e.recorded - e.previous) < e.unit / 10
    return [Alternative(0.0, sized=False)] if same else []


def same_as_earlier(e: Evidence) -> Alternatives:
    same = any(abs(e.recorded - height) < e.unit / 10 for height in e.earlier)
    return [Alternative(0.0, sized=False)] if same else []


def same_as_default(e: Evidence) -> Iterator[Alternative]:
    """What half of the other stands have is no default, but a height."""
    for value, part in e.defaults:
        if part < 0.5 and abs(e.recorded - value) < e.unit / 10:
            yield Alternative(0.0, 1 - part, sized=False)
            return


def left_at_zero(e: Evidence) -> Alternatives:
    return [Alternative(0.0, sized=False)] if abs(e.recorded) < 1e-9 else []


def swapped(e: Evidence) -> Iterator[Alternative]:
    """What is recorded here must then be a height usual at the other end, as far as what is recorded there is."""
    other = normal_density(*POPULATION["setup" if e.kind == "target" else "target"])
    here = other(e.recorded)
    for name, height in e.partners:
        share = min(1.0, here / max(other(height), 1e-12)) / len(e.partners)
        yield Alternative(e.recorded - height, share, detail=name)


def swapped_with_all(e: Evidence) -> Iterator[Alternative]:
    """Instrument height and the one target height of all sights exchanged: rises are wrong by twice the difference."""
    heights = [height for _, height in e.partners]
    if e.kind == "setup" and len(heights) > 1 and max(heights) - min(heights) < e.unit:
        yield Alternative(2 * (e.recorded - heights[0]))


def exchanged_in_the_list(e: Evidence) -> Iterator[Alternative]:
    """Two heights of the list in each other's place."""
    for name, height in e.partners:
        yield Alternative(e.recorded - height, 1.0 / len(e.partners), detail=name)


def exchanged(e: Evidence) -> Iterator[Alternative]:
    """Two readings in each other's place: the rise is wrong by twice their difference, put down to one of them."""
    for _, partner in e.partners:
        yield Alternative(2 * (e.recorded - partner), 1.0 / len(e.partners))


def joint(size: float, sd: float, usual_section: float) -> Slip:
    """A gap in the joint above the lowest section lifts all graduations above it: they read too little."""
    return lambda e: [Alternative(-size, spread=sd)] if e.recorded > min(e.sections, default=usual_section) else []


# digits and scales


def misread(step: float, scales: tuple[str, ...]) -> Slip:
    """A reading one step of its scale off; a booked metric height may come from a tape in feet, seldom."""

    @one_reading
    def alternatives(e: Evidence, r: Reading) -> Iterator[Alternative]:
        share = 1.0 if r.scale in scales else SELDOM if r.kind == "booked" and r.metric else 0.0
        for true in (r.value - step, r.value + step) if share else ():
            if (height := r.reduced(true)) == height:
                yield Alternative(r.height - height, share / 2)

    return alternatives


@one_reading
def transposed(e: Evidence, r: Reading) -> Iterator[Alternative]:
    """Two neighbouring digits changed places; feet and inches too."""
    if r.scale == "ftin":
        feet, inches = _feet_inches(r.value)
        if r.kind != "parts" and _is_inch(inches, 1) and round(inches) != feet:
            yield Alternative(r.height - r.reduced(inches * FOOT + feet * INCH), 0.5)
        return
    changes = [change for text in r.text.split(" + ") for change in digit_swaps(text, SCALES[r.scale])]
    for change in changes:
        true = r.reduced(r.value + (change if r.value >= 0 else -change))
        yield Alternative(r.height - true, 1.0 / len(changes))


def digit_swaps(text: str, unit: float) -> list[float]:
    """What a number would grow by if two neighbouring digits changed places, in m.

    >>> [round(x, 3) for x in digit_swaps("1.586", 1.0)]
    [3.6, 0.27, -0.018]
    """
    number = re.search(r"\d*[.,]?\d+", text)
    if number is None:
        return []
    whole, _, fraction = number.group().replace(",", ".").partition(".")
    digits = [int(d) for d in whole + fraction]
    top = len(whole) - 1
    pairs = zip(digits, digits[1:], range(top, top - len(digits), -1), strict=False)
    return [(b - a) * 9 * 10.0 ** (place - 1) * unit for a, b, place in pairs if a != b]


@one_reading
def zero_dropped(e: Evidence, r: Reading) -> Iterator[Alternative]:
    """1.056 written as 1.56: a zero after the point left out, so that one figure less than usual is written."""
    number = re.fullmatch(r"(-?\d*)\.(\d+?)0*", r.text)
    if number is None or not len(number[2]) < e.figures:
        return
    whole, fraction = number.groups()
    true = [float(f"{whole}.{fraction[:i]}0{fraction[i:]}") * SCALES[r.scale] for i in range(len(fraction))]
    for value in true:
        yield Alternative(r.height - r.reduced(value), 1.0 / len(true))


@one_reading
def feet_as_metres(e: Evidence, r: Reading) -> Iterator[Alternative]:
    if r.metric:
        yield Alternative(r.height - r.reduced(r.value * FOOT), slope=FOOT)


@one_reading
def metres_as_feet(e: Evidence, r: Reading) -> Iterator[Alternative]:
    if not r.metric or r.kind == "booked":
        foot = FOOT if r.metric else SCALES[r.scale]
        yield Alternative(r.height - r.reduced(r.value / foot), SELDOM if r.metric else 1.0, 1 / foot)


@one_reading
def inches_as_decimal(e: Evidence, r: Reading) -> Iterator[Alternative]:
    """5' 2" booked as 5.2 ft: with f the fraction of a foot, 10 f were inches.  5.10 and 5.11 were 10 and 11 inches."""
    if r.scale in ("ft", "ftUS") and r.kind != "parts":
        yield from _tenths_were_inches(r, r.text)


@one_reading
def inches_converted(e: Evidence, r: Reading) -> Iterator[Alternative]:
    """5' 2" taken for 5.2 ft and booked as 1.585 m: only heights that are a whole number of such feet, as written."""
    feet = round(r.value / FOOT, 2)
    if r.kind == "booked" and r.metric and abs(feet * FOOT - r.value) <= 0.6 * r.unit:
        text = f"{feet:.2f}"
        yield from _tenths_were_inches(r, text[:-1] if text.endswith("0") and not text.endswith("10") else text)


def _tenths_were_inches(r: Reading, text: str) -> Iterator[Alternative]:
    number = re.search(r"(\d+)[.,](\d+)", text)
    if number is None:
        return
    feet, fraction = int(number.group(1)), number.group(2)
    tenfold = 10 * float(f"0.{fraction}")
    inches = [(tenfold, 1.0 if len(fraction) == 1 else 0.2, 5 / 6)] if _is_inch(tenfold) else []
    if len(fraction) == 2 and float(fraction) < 12:
        inches.append((float(fraction), 1.0 if float(fraction) >= 10 else 0.2, 1.0))
    for count, share, slope in inches:
        yield Alternative(r.height - r.reduced(feet * FOOT + count * INCH), share, slope)


@one_reading
def decimal_as_inches(e: Evidence, r: Reading) -> Iterator[Alternative]:
    """5.2 ft read as 5' 2": t inches were t tenths of a foot.  Also 5.10 and 5.11 as 5' 10" and 5' 11"."""
    if r.scale != "ftin" or r.kind == "parts":
        return
    feet, inches = _feet_inches(r.value)
    if inches >= 10:
        if _is_inch(inches, 1):
            yield Alternative(r.height - r.reduced((feet + inches / 100) * FOOT), 0.2)
    elif _is_inch(inches):
        yield Alternative(r.height - r.reduced((feet + inches / 10) * FOOT), 0.8, 1.2)


def _feet_inches(value: float) -> tuple[int, float]:
    inches = round(value / INCH, 6)
    return int(inches // 12), inches % 12


def _is_inch(inches: float, parts: int = 4) -> bool:
    """A whole number of quarter inches, or of 1 / parts."""
    return abs(inches * parts - round(inches * parts)) < 1e-6


# slants


@every_reading
def slant_not_reduced(e: Evidence, r: Reading) -> Iterator[Alternative]:
    if r.kind not in ("vertical", "booked"):
        return
    x = r.height - (e.usual.offset if r.kind == "booked" else r.offset)
    for radius, share, sd in _radii(e, r):
        if true := upright(x, radius):
            often = SHORT_SHARE if true < SHORT_M else 1.0
            yield Alternative(x - true, often * share, x / true, radius / true * sd)


@every_reading
def reduced_by_software(e: Evidence, r: Reading) -> Iterator[Alternative]:
    """Reduced to the axis before it was read off, radius and offset; without an offset it is `slant_reduced_twice`."""
    if r.kind == "slant" and r.offset and not e.antenna:
        yield Alternative(r.height - r.value)


@every_reading
def slant_reduced_twice(e: Evidence, r: Reading) -> Iterator[Alternative]:
    if e.antenna:  # there it is the controller that reduces
        return
    if r.kind == "slant":
        yield Alternative(r.height - (r.value + r.offset))
    else:
        yield from (one for one, _ in _reduced_by_hand(e, r))


@every_reading
def reduced_by_controller(e: Evidence, r: Reading) -> Iterator[Alternative]:
    """A slant that the controller had made vertical, to the reference point or to the point itself, reduced again."""
    once = [(Alternative(r.height - r.value - r.offset), r.offset)] if r.kind == "slant" else _reduced_by_hand(e, r)
    for one, offset in once:
        yield one._replace(error=one.error + offset, share=one.share * (0.7 if offset else 1.0))
        if offset:
            yield one._replace(share=one.share * 0.3)


def _reduced_by_hand(e: Evidence, r: Reading) -> Iterator[tuple[Alternative, float]]:
    """A booked height that was no slant, reduced before it was booked; with the offset added to it."""
    x = r.height - e.usual.offset
    for radius, share, sd in _radii(e, r) if r.kind == "booked" and x > 0 else ():
        true = sqrt(x**2 + radius**2)
        yield Alternative(x - true, share, x / true, radius / true * sd), e.usual.offset


def _radii(e: Evidence, r: Reading) -> Iterator[tuple[float, float, float]]:
    """Radii that a slant could have had: the reading's own, else the usual point's, else those of practice."""
    own = r.radius or (e.usual.radius if r.kind == "booked" or not r.point else 0.0)
    if own:
        yield own, 1.0, 0.0
        return
    known = {p.radius for p in e.held if p.radius}
    for radius in sorted(known):
        yield radius, 1.0 / len(known), 0.0
    if not e.points:
        yield from USUAL_RADII


# what the tape was held to


@every_reading
def other_point(e: Evidence, r: Reading) -> Iterator[Alternative]:
    """The tape was held to another point than the one it was reduced for."""
    if r.kind == "parts":
        return
    if not e.points:
        yield from _any_point()
    used = e.usual if r.kind == "booked" else MeasuringPoint(r.point, r.radius, r.offset)
    to_axis = r.kind != "booked" and not r.point and not r.offset
    others = [p for p in e.held if p.name != used.name and not p.at_head and not (to_axis and p.usual)]
    for other in others:
        detail, share = _instead(other, used), 1.0 / len(others)
        if r.kind == "booked":
            read = sqrt((r.value - used.offset) ** 2 + used.radius**2)
            yield from _held(r, other, read, 0.7 * share, detail)
            read = sqrt((r.value - other.offset) ** 2 + other.radius**2)
            yield from _held(r, used, read, 0.3 * share, f"the {used.name or 'axis'} instead of the {other.name}")
        elif r.kind == "slant" or not other.radius:
            yield from _held(r, other, r.value, share, detail)
        else:  # booked as vertical: the tape hung upright at the other point, or slanted to it
            yield from _held(r, MeasuringPoint("", 0.0, other.offset), r.value, 0.5 * share, detail)
            yield from _held(r, other, r.value, 0.5 * share, detail)


def other_point_always(e: Evidence) -> Iterator[Alternative]:
    """The same for everything that a thing measured; its readings do not matter."""
    others = [p for p in e.held if p.name != e.usual.name]
    for other in others:
        step = other.offset - e.usual.offset
        yield Alternative(-step, 0.7 / len(others), detail=_instead(other, e.usual))
        back = f"the {e.usual.name or 'axis'} instead of the {other.name}"
        yield Alternative(step, 0.3 / len(others), detail=back)
    if not e.points:
        yield from _any_point()


def _any_point() -> Iterator[Alternative]:
    return up_or_down(USUAL_POINT[0], spread=USUAL_POINT[1], detail="another point of the equipment")


def _instead(other: MeasuringPoint, used: MeasuringPoint) -> str:
    return f"the {other.name}" + (f" instead of the {used.name}" if used.name else "")


def _held(r: Reading, point: MeasuringPoint, read: float, share: float, detail: str) -> Iterator[Alternative]:
    true = held_to(read, point.radius, point.offset)
    if true == true:
        yield Alternative(r.height - true, share, detail=detail)


@every_reading
def tripod_head(e: Evidence, r: Reading) -> Iterator[Alternative]:
    if r.kind == "parts":  # a part left out, then
        return
    words = "reference point" if e.antenna else AXIS_WORDS.get(e.kind, "axis")
    if e.axis_above_head is not None:
        yield Alternative(-e.axis_above_head, 0.5 if r.kind == "slant" else 1.0, detail=words)
        if r.kind == "slant":  # held upright, and reduced as the slant it was not
            yield Alternative(r.height - r.value - e.axis_above_head, 0.5, detail=words)
    elif e.kind == "setup" and not e.antenna:
        yield Alternative(-USUAL_HEAD[0], 0.5 if e.points else 1.0, spread=USUAL_HEAD[1], detail=words)


def other_axis(e: Evidence) -> Iterator[Alternative]:
    """What stood on the tripod changed places with what else did, and the height of its axis stayed as it was."""
    for name, higher in e.axes:
        for error in (higher, -higher) if e.kind == "tripod" else (higher,):
            yield Alternative(error, 1.0 / len(e.axes) / (2 if e.kind == "tripod" else 1), detail=name)


def tripod_head_always(e: Evidence) -> Iterator[Alternative]:
    if e.axis_above_head is not None:
        yield Alternative(-e.axis_above_head)
    elif e.of == "instrument" and not e.antenna:
        yield Alternative(-USUAL_HEAD[0], spread=USUAL_HEAD[1])


# offsets and parts


@every_reading
def offset_twice(e: Evidence, r: Reading) -> Iterator[Alternative]:
    if offset := e.usual.offset if r.kind == "booked" else r.offset:
        yield Alternative(offset)


@every_reading
def offset_left_out(e: Evidence, r: Reading) -> Iterator[Alternative]:
    if e.usual.offset and (r.kind == "booked" or not (r.point or r.offset)):
        yield Alternative(-e.usual.offset)


@every_reading
def offset_sign(e: Evidence, r: Reading) -> Iterator[Alternative]:
    if r.kind == "booked":  # taken off by hand where it had to be added
        if e.usual.offset:
            yield Alternative(-2 * e.usual.offset)
    elif r.offset:  # the sign in the table is wrong
        yield Alternative(2 * r.offset)


@every_reading
def part_left_out(e: Evidence, r: Reading) -> Iterator[Alternative]:
    if r.kind == "parts":
        sizes = e.usual_parts or ((e.axis_above_head,) if e.axis_above_head else ())
        for size in sizes:
            yield Alternative(-size, 1.0 / len(sizes))


@every_reading
def part_twice(e: Evidence, r: Reading) -> Iterator[Alternative]:
    for size in r.parts:
        yield Alternative(size, 1.0 / len(r.parts))


# antennas


def phase_centre(times: float) -> Slip:
    """The offset of an antenna's phase centre left out (1), or applied twice (-1)."""

    def alternatives(e: Evidence) -> Iterator[Alternative]:
        own = phase_of(e.points) if e.antenna else None
        phases = e.phases or ([(-own[0], own[1])] if own else [])
        for error, sd in phases:
            yield Alternative(times * error, 1.0 / len(phases), spread=sd)

    return alternatives


def phase_of(points: tuple[MeasuringPoint, ...]) -> tuple[float, float] | None:
    """Phase centre above the reference point and its sd, m: of the row 'phase centre', whose offset leads down to it.

    Common practice where no point of the antenna is listed; None where some are, but not this one.

    >>> phase_of((MeasuringPoint("phase centre", 0.0, -0.062), MeasuringPoint("rim", 0.14, 0.03)))
    (0.062, 0.0)
    """
    if not points:
        return USUAL_PHASE
    return next(((-p.offset, 0.0) for p in points if p.name.lower().startswith("phase") and p.offset), None)


def controller_always(e: Evidence) -> Iterator[Alternative]:
    """Every slant reduced by the controller and again: r^2 / 2h too low, and the offset to the point once too often."""
    held = [p for p in e.held if p.radius]
    for point in held:
        fall = point.radius**2 / (2 * USUAL_HEIGHT)
        yield Alternative(point.offset - fall, 0.7 / len(held), spread=fall / 4)
        yield Alternative(-fall, 0.3 / len(held), spread=fall / 4)
