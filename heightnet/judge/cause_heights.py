"""The ways an instrument or target height comes to be recorded wrong.

To add a cause: write a function that takes the evidence (and one of its readings) and yields what the true height would
have been, and put a line into ``HEIGHT_CAUSES``.  Three kinds of function are wrapped there:

- ``slip``: one reading was misread or miswritten; several agreeing readings make it unlikely;
- ``alike``: whatever went wrong hit all readings of the stand alike (wrong point, hook, slant);
- ``whole``: it has to do with the height, not with a reading (swap, carried over, zero).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache
from math import sqrt

from heightnet.job.tapes import INCH, SCALES, read_tape
from heightnet.judge.cause_model import Alternative, Cause, normal_density
from heightnet.reduce.tape import slant_to_vertical

FOOT = 12 * INCH

# Nobody reads a tape more coarsely than this: where the text is shorter, zeros were not written.
COARSEST = {"m": 0.01, "mm": 0.001, "ft": 0.01 * FOOT, "ftUS": 0.01 * FOOT, "ftin": INCH / 8}

# Where the equipment table is silent: sizes that common practice would expect, and how widely they vary.
USUAL_RADII = ((0.06, 0.25, 0.02), (0.10, 0.50, 0.02), (0.16, 0.25, 0.03))  # radius, share, sd
USUAL_HEAD = (0.24, 0.02)  # trunnion axis above the tripod head
USUAL_POINT = (0.16, 0.04)  # any other point above or below the usual one
USUAL_HOOK = (0.03, 0.01)
SETTLED = (0.006, 0.004)  # how far a tripod usually sinks, where it does
SAME_AS_BEFORE, ZERO = "previous", "zero"  # causes that say nothing of the size
SWAP = "swap"
COPIED = 0.05  # chance that a second reading repeats the slip of the first
SPECIAL_POINTS = ("axis", "hook", "section", "foot", "phase")  # rows of the equipment table that no tape is held to

POPULATION = {"setup": (1.55, 0.10), "tripod": (1.40, 0.20), "target": (1.60, 0.30)}


@dataclass(frozen=True)
class MeasuringPoint:
    """A point of the equipment: name, radius and offset up to the axis or centre (m), the one usually used."""

    name: str
    radius: float = 0.0
    offset: float = 0.0
    usual: bool = False


@dataclass(frozen=True)
class Reading:
    """One reading behind a height.

    text, scale : as read; "m", "mm", "ft", "ftUS" or "ftin"; parts joined with " + ".
    kind : "booked", "vertical", "slant" or "parts".
    value : the length read, m.
    radius, offset : of the point the tape was held to, m; point its name.
    parts : lengths of the parts, m.
    """

    text: str
    value: float
    scale: str = "m"
    kind: str = "vertical"
    radius: float = 0.0
    offset: float = 0.0
    point: str = ""
    parts: tuple[float, ...] = ()

    @classmethod
    def booked(cls, height: float, scale: str = "m") -> Reading:
        """A height booked without its reading.

        >>> Reading.booked(1.58).text, Reading.booked(1.58496, "ft").text
        ('1.580', '5.20')
        """
        number = height / SCALES[scale]
        decimals = {"m": 3, "mm": 0}.get(scale, 2)
        while decimals < 5 and abs(round(number, decimals) - number) > 2e-5:
            decimals += 1
        return cls(f"{number:.{decimals}f}", height, scale, "booked")

    @cached_property
    def unit(self) -> float:
        """The unit the reading was made to, as its text shows, m; of parts the coarsest.

        >>> Reading("1.586", 1.586).unit, round(Reading("5' 2 7/16\\"", 1.5859, "ftin").unit / 0.0254, 4)
        (0.001, 0.0625)
        """
        return max(self._steps)

    @property
    def rounding(self) -> float:
        """The most that rounding can put into the height, m: half a unit, of each part, grown on the way upright.

        >>> Reading("1.586", 1.586).rounding, Reading("1.343 + 0.243", 1.586, kind="parts").rounding
        (0.0005, 0.001)
        """
        return sum(self._steps) / 2 * self._steepness

    @property
    def rounding_variance(self) -> float:
        """Variance of what rounding puts into the height, m^2."""
        return float(sum(step**2 for step in self._steps)) / 12 * self._steepness**2

    @cached_property
    def _steps(self) -> tuple[float, ...]:
        return tuple(_unit(text, self.scale) for text in self.text.split(" + "))

    @property
    def _steepness(self) -> float:
        """How much a slant's error grows on the way to the vertical: s / sqrt(s^2 - r^2)."""
        return self.value / (self.height - self.offset) if self.kind == "slant" else 1.0

    @cached_property
    def height(self) -> float:
        return self.reduced(self.value)

    def reduced(self, value: float) -> float:
        """The height, had the tape read ``value``; NaN where a slant would be shorter than its radius."""
        return _reduce(value, self.radius if self.kind == "slant" else 0.0, self.offset)

    @property
    def metric(self) -> bool:
        return self.scale in ("m", "mm")


@dataclass(frozen=True)
class HeightEvidence:
    """What is known about a height that is probably wrong; lengths in metres.

    role : "setup", "target" or "tripod".
    recorded, error, error_sd : the height as recorded, and how much too high the rest of the job finds it.
    readings : those it comes from, or the one reading in question.
    points : measuring points of its equipment; () where the equipment table has none.
    previous : height of the set-up before with the same instrument.
    partners : the heights at the other ends of its sights, by name.
    population : mean and standard deviation of such heights.
    hooks, sections, usual_parts : sizes of tape hooks, of pole sections, of parts that other stands have.
    antenna : a satellite antenna's height, to its reference point.
    later : one reading, made after others of the same stand.
    """

    role: str
    recorded: float
    error: float
    error_sd: float
    readings: tuple[Reading, ...]
    points: tuple[MeasuringPoint, ...] = ()
    previous: float | None = None
    partners: tuple[tuple[str, float], ...] = ()
    population: tuple[float, float] = POPULATION["setup"]
    hooks: tuple[float, ...] = ()
    sections: tuple[float, ...] = ()
    usual_parts: tuple[float, ...] = ()
    antenna: bool = False
    later: bool = False

    @property
    def unit(self) -> float:
        return min((r.unit for r in self.readings), default=0.001)

    @cached_property
    def held(self) -> tuple[MeasuringPoint, ...]:
        """The points that a tape can be held to."""
        return tuple(p for p in self.points if not p.name.lower().startswith(SPECIAL_POINTS))

    @cached_property
    def usual(self) -> MeasuringPoint:
        """The point usually used; the axis itself where none is named."""
        return next((p for p in self.held if p.usual), MeasuringPoint(""))

    @cached_property
    def axis_above_head(self) -> float | None:
        """Height of the axis or centre above the head of the stand, where the equipment table gives it."""
        at_head = [p.offset for p in self.points if p.name.lower() == "axis" or _is_head(p)]
        return at_head[-1] if at_head else None


HeightCause = Cause[HeightEvidence]
OfReading = Callable[[HeightEvidence, Reading], Iterable[Alternative]]
OfHeight = Callable[[HeightEvidence], Iterable[Alternative]]


def slip(of_reading: OfReading) -> OfHeight:
    """Alternatives of a height whose cause is a slip in one reading, repeated in its others if there are any."""

    def alternatives(e: HeightEvidence) -> Iterator[Alternative]:
        share = COPIED ** (len(e.readings) - 1) / max(len(e.readings), 1)
        for reading in e.readings:
            for one in of_reading(e, reading):
                yield one._replace(true=e.recorded - (reading.height - one.true), share=one.share * share)

    return alternatives


def alike(of_reading: OfReading) -> OfHeight:
    """Alternatives of a height whose cause hit all its readings; none unless each of them allows it."""

    def alternatives(e: HeightEvidence) -> Iterator[Alternative]:
        if len(e.readings) == 1:
            reading = e.readings[0]
            shift = e.recorded - reading.height
            for one in of_reading(e, reading):
                yield one._replace(true=one.true + shift)
            return
        each = [list(of_reading(e, reading)) for reading in e.readings]
        if len({len(found) for found in each}) != 1:
            return
        for ones in zip(*each, strict=True):
            errors = [r.height - one.true for r, one in zip(e.readings, ones, strict=True)]
            yield ones[0]._replace(true=e.recorded - sum(errors) / len(errors))

    return alternatives


# slants


def _slant_not_reduced(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    if r.kind not in ("vertical", "booked"):
        return
    offset = e.usual.offset if r.kind == "booked" else r.offset
    for radius, share, sd in radii(e, r):
        x = r.height - offset
        upright = _upright(x, radius)
        if upright:
            yield Alternative(upright + offset, share, x / upright, radius / upright * sd)


def _slant_reduced_twice(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    if e.antenna:  # there it is the controller that reduces
        return
    if r.kind == "slant":
        yield Alternative(r.value + r.offset)
    elif r.kind == "booked" and (x := r.height - e.usual.offset) > 0:
        for radius, share, sd in radii(e, r):
            slant = sqrt(x**2 + radius**2)
            yield Alternative(slant + e.usual.offset, share, x / slant, radius / slant * sd)


def radii(e: HeightEvidence, r: Reading) -> Iterator[tuple[float, float, float]]:
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


# scales


def _feet_as_metres(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    if r.metric:
        yield Alternative(r.reduced(r.value * FOOT), slope=FOOT)


def _metres_as_feet(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    if not r.metric or r.kind == "booked":
        yield Alternative(r.reduced(r.value / FOOT), 0.1 if r.metric else 1.0, 1 / FOOT)


def _inches_as_decimal(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    """5' 2" booked as 5.2 ft: with f the fraction of a foot, 10 f were inches.  5.10 and 5.11 were 10 and 11 inches."""
    number = _decimal(r.text)
    if r.scale not in ("ft", "ftUS") or r.kind == "parts" or number is None:
        return
    feet, fraction = number
    tenfold = 10 * float(f"0.{fraction}")
    inches = [(tenfold, 1.0 if len(fraction) == 1 else 0.2, 5 / 6)] if _is_inch(tenfold) else []
    if len(fraction) == 2 and float(fraction) < 12:
        inches.append((float(fraction), 1.0 if float(fraction) >= 10 else 0.2, 1.0))
    for count, share, slope in inches:
        yield Alternative(r.reduced(feet * FOOT + count * INCH), share, slope)


def _decimal_as_inches(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    """5.2 ft read as 5' 2": t inches were t tenths of a foot.  Also 5.10 and 5.11 as 5' 10" and 5' 11"."""
    if r.scale != "ftin" or r.kind == "parts":
        return
    feet, inches = _feet_inches(r.value)
    if inches >= 10:
        if _is_inch(inches, 1):
            yield Alternative(r.reduced((feet + inches / 100) * FOOT), 0.2)
    elif _is_inch(inches):
        yield Alternative(r.reduced((feet + inches / 10) * FOOT), 0.8, 1.2)


# digits


def _transposed(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    """Two neighbouring digits changed places; feet and inches too."""
    if r.scale == "ftin":
        feet, inches = _feet_inches(r.value)
        if r.kind != "parts" and _is_inch(inches, 1) and round(inches) != feet:
            yield Alternative(r.reduced(inches * FOOT + feet * INCH), 0.5)
        return
    changes = [change for text in r.text.split(" + ") for change in digit_swaps(text, SCALES[r.scale])]
    for change in changes:
        yield Alternative(r.reduced(r.value + change), 1.0 / len(changes))


def digit_swaps(text: str, unit: float) -> list[float]:
    """What a number would change by if two neighbouring digits changed places, in m.

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


def misread(step: float, scales: tuple[str, ...]) -> OfReading:
    """A reading one step of its scale off; a booked metric height may come from a feet tape, seldom."""

    def alternatives(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
        if r.scale in scales:
            share = 0.5
        elif r.kind == "booked" and r.metric:
            share = 0.05
        else:
            return
        for true in (r.value - step, r.value + step):
            if (height := r.reduced(true)) == height:
                yield Alternative(height, share)

    return alternatives


# what the tape was held to


def _hook(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    sizes = [(hook, 1.0 / len(e.hooks), 0.0) for hook in e.hooks] or [(USUAL_HOOK[0], 1.0, USUAL_HOOK[1])]
    for size, share, sd in sizes:
        yield Alternative(r.height - size, 0.7 * share, spread=sd)
        yield Alternative(r.height + size, 0.3 * share, spread=sd)


def _other_point(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    """The tape was held to another point than the one it was reduced for."""
    if r.kind == "parts":
        return
    if not e.held:
        if not e.points:
            size, sd = USUAL_POINT
            for true in (r.height - size, r.height + size):
                yield Alternative(true, 0.5, spread=sd, detail="another point of the equipment")
        return
    used = e.usual if r.kind == "booked" else MeasuringPoint(r.point, r.radius, r.offset)
    to_axis = r.kind != "booked" and not r.point and not r.offset
    others = [p for p in e.held if p.name != used.name and not _is_head(p) and not (to_axis and p.usual)]
    for other in others:
        detail = f"the {other.name}" + (f" instead of the {used.name}" if used.name else "")
        share = 1.0 / len(others)
        if r.kind == "booked":
            read = sqrt((r.value - used.offset) ** 2 + used.radius**2)
            yield from _held_to(other, read, 0.7 * share, detail)
            read = sqrt((r.value - other.offset) ** 2 + other.radius**2)
            yield from _held_to(used, read, 0.3 * share, f"the {used.name or 'axis'} instead of the {other.name}")
        elif r.kind == "slant" or not other.radius:
            yield from _held_to(other, r.value, share, detail)
        else:  # booked as vertical: the tape hung upright at the other point, or slanted to it
            yield from _held_to(MeasuringPoint("", 0.0, other.offset), r.value, 0.5 * share, detail)
            yield from _held_to(other, r.value, 0.5 * share, detail)


def _held_to(point: MeasuringPoint, read: float, share: float, detail: str) -> Iterator[Alternative]:
    true = _reduce(read, point.radius, point.offset)
    if true == true:
        yield Alternative(true, share, detail=detail)


def _tripod_head(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    if r.kind == "parts":  # a part left out, then
        return
    if e.axis_above_head is not None:
        yield Alternative(r.height + e.axis_above_head, 0.5 if r.kind == "slant" else 1.0)
        if r.kind == "slant":  # held upright, and reduced as the slant it was not
            yield Alternative(r.value + e.axis_above_head, 0.5)
    elif e.role == "setup" and not e.antenna:
        yield Alternative(r.height + USUAL_HEAD[0], 0.5 if e.points else 1.0, spread=USUAL_HEAD[1])


def _section(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    for size in e.sections:
        for true in (r.height - size, r.height + size):
            yield Alternative(true, 0.5 / len(e.sections))


# offsets and parts


def _offset_twice(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    if offset := e.usual.offset if r.kind == "booked" else r.offset:
        yield Alternative(r.height - offset)


def _offset_left_out(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    if e.usual.offset and (r.kind == "booked" or not (r.point or r.offset)):
        yield Alternative(r.height + e.usual.offset)


def _offset_sign(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    if r.kind == "booked":  # taken off by hand where it had to be added
        if e.usual.offset:
            yield Alternative(r.height + 2 * e.usual.offset)
    elif r.offset:  # the sign in the table is wrong
        yield Alternative(r.height - 2 * r.offset)


def _part_left_out(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    if r.kind == "parts":
        sizes = e.usual_parts or ((e.axis_above_head,) if e.axis_above_head else ())
        for size in sizes:
            yield Alternative(r.height + size, 1.0 / len(sizes))


def _part_twice(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    for size in r.parts:
        yield Alternative(r.height - size, 1.0 / len(r.parts))


# the height as a whole


def _swap(e: HeightEvidence) -> Iterator[Alternative]:
    """What is recorded here must then be a height usual at the other end, as far as what is recorded there is."""
    other = normal_density(*POPULATION["setup" if e.role == "target" else "target"])
    here = other(e.recorded)
    for name, height in e.partners:
        yield Alternative(height, min(1.0, here / max(other(height), 1e-12)) / len(e.partners), detail=name)


def _previous(e: HeightEvidence) -> Iterator[Alternative]:
    if e.previous is not None and abs(e.recorded - e.previous) < e.unit / 10:
        yield Alternative(0.0, sized=False)


def _zero(e: HeightEvidence) -> Iterator[Alternative]:
    if abs(e.recorded) < 1e-9:
        yield Alternative(0.0, sized=False)


def _sign(e: HeightEvidence) -> Iterator[Alternative]:
    yield Alternative(-e.recorded)


HEIGHT_CAUSES: tuple[HeightCause, ...] = (
    Cause("slant_not_reduced", "a slant reading used as if it were vertical", 0.10, alike(_slant_not_reduced)),
    Cause("slant_reduced_twice", "a vertical reading reduced as if it were slant", 0.02, alike(_slant_reduced_twice)),
    Cause("feet_as_metres", "a reading in feet taken as metres", 0.02, slip(_feet_as_metres)),
    Cause("metres_as_feet", "a reading in metres taken as feet", 0.02, slip(_metres_as_feet)),
    Cause("inches_as_decimal", "feet and inches booked as decimal feet", 0.06, slip(_inches_as_decimal)),
    Cause(
        "decimal_as_inches", "decimal feet read as feet and inches (tenths as inches)", 0.06, slip(_decimal_as_inches)
    ),
    Cause("transposed", "two neighbouring digits changed places", 0.08, slip(_transposed)),
    Cause("misread_1cm", "a reading one centimetre off", 0.09, slip(misread(0.01, ("m", "mm")))),
    Cause("misread_1dm", "a reading one decimetre off", 0.09, slip(misread(0.1, ("m", "mm")))),
    Cause("misread_1m", "a reading one metre off", 0.03, slip(misread(1.0, ("m", "mm")))),
    Cause("misread_1in", "a reading one inch off", 0.09, slip(misread(INCH, ("ftin",)))),
    Cause("misread_tenth_ft", "a reading a tenth of a foot off", 0.09, slip(misread(0.1 * FOOT, ("ft", "ftUS")))),
    Cause("misread_1ft", "a reading one foot off", 0.06, slip(misread(FOOT, ("ft", "ftUS", "ftin")))),
    Cause("hook", "the tape's end or hook counted in, or left out", 0.05, alike(_hook)),
    Cause(SWAP, "instrument and target height of the sight to {detail} in each other's place", 0.05, _swap),
    Cause(SAME_AS_BEFORE, "the height of the set-up before carried over", 0.05, _previous),
    Cause("other_point", "the tape held to {detail}", 0.10, alike(_other_point)),
    Cause(ZERO, "no height entered: it was left at zero", 0.02, _zero),
    Cause("tripod_head", "the tape held to the tripod head, not to the {axis}", 0.06, alike(_tripod_head)),
    Cause("sign", "the height with the wrong sign", 0.01, _sign),
    Cause("offset_twice", "the offset of the measuring point applied twice", 0.03, alike(_offset_twice)),
    Cause("offset_left_out", "the offset of the measuring point left out", 0.03, alike(_offset_left_out)),
    Cause("offset_sign", "the offset of the measuring point with the wrong sign", 0.01, alike(_offset_sign)),
    Cause("part_left_out", "a part of the measurement left out", 0.03, alike(_part_left_out)),
    Cause("part_twice", "a part of the measurement counted twice", 0.03, alike(_part_twice)),
    Cause("section", "a pole section drawn out too far or not far enough", 0.05, alike(_section)),
)


def _settled(e: HeightEvidence) -> Iterator[Alternative]:
    """A tripod sinks: the later reading is lower, by millimetres."""
    yield Alternative(e.recorded + SETTLED[0], spread=SETTLED[1])


LATER_CAUSE = Cause("settled", "the stand settled since the reading before", 0.15, _settled)
"""Weighed besides the others for a reading that was made after another one of its stand."""


def _reduce(read: float, radius: float, offset: float) -> float:
    return read + offset if not radius else (_upright(read, radius) or float("nan")) + offset


def _upright(slant: float, radius: float) -> float:
    """Height of a slant's upright side; 0 where the slant is not longer than its radius."""
    return slant_to_vertical(slant, radius) if slant > radius else 0.0


def _is_head(point: MeasuringPoint) -> bool:
    return "head" in point.name.lower()


@lru_cache(maxsize=10_000)
def _unit(text: str, scale: str) -> float:
    try:
        return min(COARSEST[scale], read_tape(text, scale).unit)
    except ValueError:  # a booked height that no tape could have: zero, or negative
        return COARSEST[scale] / 10


def _decimal(text: str) -> tuple[int, str] | None:
    """Whole number and digits behind the point."""
    number = re.search(r"(\d+)[.,](\d+)", text)
    return (int(number.group(1)), number.group(2)) if number else None


def _feet_inches(value: float) -> tuple[int, float]:
    inches = round(value / INCH, 6)
    return int(inches // 12), inches % 12


def _is_inch(inches: float, parts: int = 4) -> bool:
    """A whole number of quarter inches, or of 1 / parts."""
    return abs(inches * parts - round(inches * parts)) < 1e-6
