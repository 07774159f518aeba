"""The ways a staff reading, a levelled difference, a sight or a known height comes to be wrong.

Built like the causes of heights: a function from the evidence to what would have been true, and a line in
``LEVEL_CAUSES``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import cos, pi, sin

from heightnet.job.tapes import SCALES
from heightnet.judge.cause_heights import FOOT, Reading, digit_swaps
from heightnet.judge.cause_model import Alternative, Cause

# Where the equipment table is silent: sizes that common practice would expect, and how widely they vary (m).
USUAL_SECTION = (1.2, 0.2)
USUAL_FOOT = (0.010, 0.008)
SETTLED = 0.030  # how far a known mark is usually disturbed
MOVED = 0.015  # how far a turning point moves between its two sights

STAFF_TO = 5.0  # readings of a staff lie between 0 and 5 m


@dataclass(frozen=True)
class LevelEvidence:
    """What is known about a value that is probably wrong; lengths in metres, angles in radians.

    kind : "staff" (a reading), "level" (a rise), "shot" (the rise of a sight) or "known" (a mark's height); "gnss" and
        "separation" have a list of their own.
    recorded, error, error_sd : the value, and how much too high the rest of the job finds it.
    scale : "m", "ft" or "ftUS", in which it was written; text the value as written, "" for the usual decimals.
    partners : readings at the other sights of the same level set-up, for a staff reading.
    sections, feet : sizes of the staff's sections and of its foot or shoe, where the equipment table has them.
    slope_distance, zenith : of a sight.
    turning : True for a reading at a change point.
    phases : of satellite rises and heights, the phase centre above the reference point at `to`, minus that at `from`.
    """

    kind: str
    recorded: float
    error: float
    error_sd: float
    scale: str = "m"
    text: str = ""
    partners: tuple[float, ...] = ()
    sections: tuple[float, ...] = ()
    feet: tuple[float, ...] = ()
    slope_distance: float = 0.0
    zenith: float = pi / 2
    turning: bool = False
    phases: tuple[float, ...] = ()

    @property
    def as_read(self) -> Reading:
        read = Reading.booked(self.recorded, self.scale)
        return Reading(self.text, self.recorded, self.scale, "booked") if self.text else read


LevelCause = Cause[LevelEvidence]
OfLevel = Callable[[LevelEvidence], Iterator[Alternative]]


def _both(e: LevelEvidence, size: float, share: float = 1.0, spread: float = 0.0) -> Iterator[Alternative]:
    for true in (e.recorded - size, e.recorded + size):
        yield Alternative(true, share / 2, spread=spread)


def _misread(step: float, metric: bool) -> OfLevel:
    def alternatives(e: LevelEvidence) -> Iterator[Alternative]:
        if e.kind != "shot" and (e.scale == "m") == metric:
            yield from _both(e, step)

    return alternatives


def transposed(e: LevelEvidence) -> Iterator[Alternative]:
    if e.kind != "shot":
        changes = digit_swaps(e.as_read.text, SCALES[e.scale])
        for change in changes:
            yield Alternative(e.recorded + (change if e.recorded >= 0 else -change), 1.0 / len(changes))


def _sign(e: LevelEvidence) -> Iterator[Alternative]:
    if e.kind in ("level", "shot"):
        yield Alternative(-e.recorded)


def _exchanged(e: LevelEvidence) -> Iterator[Alternative]:
    """Two readings in each other's place: the rise is wrong by twice their difference, put down to one of them."""
    if e.kind == "level":
        yield Alternative(-e.recorded)
    elif e.kind == "staff":
        for partner in e.partners:
            yield Alternative(2 * partner - e.recorded, 1.0 / len(e.partners))


def _section(e: LevelEvidence) -> Iterator[Alternative]:
    if e.kind == "known":
        return
    for size in e.sections:
        yield from _both(e, size, 1.0 / len(e.sections))
    if not e.sections and e.kind != "shot":
        yield from _both(e, USUAL_SECTION[0], spread=USUAL_SECTION[1])


def _foot(e: LevelEvidence) -> Iterator[Alternative]:
    if e.kind not in ("staff", "level"):
        return
    for size in e.feet:
        yield from _both(e, size, 1.0 / len(e.feet))
    if not e.feet:
        yield from _both(e, USUAL_FOOT[0], spread=USUAL_FOOT[1])


def _feet_as_metres(e: LevelEvidence) -> Iterator[Alternative]:
    if e.kind != "shot" and e.scale == "m":
        yield Alternative(e.recorded * FOOT, slope=FOOT)


def _metres_as_feet(e: LevelEvidence) -> Iterator[Alternative]:
    if e.kind != "shot" and e.scale != "m":
        yield Alternative(e.recorded / SCALES[e.scale], slope=1 / SCALES[e.scale])


def _turning_point(e: LevelEvidence) -> Iterator[Alternative]:
    if e.turning:
        yield Alternative(e.recorded, spread=MOVED)


def _disturbed(e: LevelEvidence) -> Iterator[Alternative]:
    if e.kind == "known":
        yield Alternative(e.recorded, spread=SETTLED)


def _angle(step: float) -> OfLevel:
    """The zenith angle of a sight misread by a step (radians)."""

    def alternatives(e: LevelEvidence) -> Iterator[Alternative]:
        if e.kind == "shot":
            for side in (step, -step):
                change = e.slope_distance * (cos(e.zenith + side) - cos(e.zenith))
                yield Alternative(e.recorded + change, 0.5)

    return alternatives


def _distance(e: LevelEvidence) -> Iterator[Alternative]:
    """The slope distance misread by 1 m or 10 m: felt only in a steep sight."""
    if e.kind == "shot":
        for step in (1.0, 10.0):
            if e.slope_distance > 2 * step and abs(cos(e.zenith)) > 1e-3:
                yield from _both(e, step * abs(cos(e.zenith)), 0.5)


def _target_moved(e: LevelEvidence) -> Iterator[Alternative]:
    if e.kind == "shot" and sin(e.zenith):
        yield from _both(e, 0.1, 0.6)
        yield Alternative(e.recorded, 0.4, spread=0.05)


MINUTE = pi / 180 / 60

LEVEL_CAUSES: tuple[LevelCause, ...] = (
    Cause("misread_1m", "a reading one metre off", 0.12, _misread(1.0, True)),
    Cause("misread_1dm", "a reading one decimetre off", 0.12, _misread(0.1, True)),
    Cause("misread_1cm", "a reading one centimetre off", 0.12, _misread(0.01, True)),
    Cause("misread_1ft", "a reading one foot off", 0.12, _misread(FOOT, False)),
    Cause("misread_tenth_ft", "a reading a tenth of a foot off", 0.12, _misread(0.1 * FOOT, False)),
    Cause("misread_hundredth_ft", "a reading a hundredth of a foot off", 0.06, _misread(0.01 * FOOT, False)),
    Cause("transposed", "two neighbouring digits changed places", 0.10, transposed),
    Cause("sign", "the sign of the rise wrong", 0.06, _sign),
    Cause("exchanged", "backsight and foresight in each other's place", 0.06, _exchanged),
    Cause("section", "a section of the staff or pole not drawn out, or not locked", 0.04, _section),
    Cause("staff_foot", "the foot of the staff: its zero, a shoe, or dirt under it", 0.05, _foot),
    Cause("feet_as_metres", "feet in a metre book", 0.02, _feet_as_metres),
    Cause("metres_as_feet", "metres in a feet book", 0.02, _metres_as_feet),
    Cause("turning_point", "the turning point moved between its two sights", 0.06, _turning_point),
    Cause("disturbed", "the known mark disturbed since its height was found", 0.30, _disturbed),
    Cause("zenith_1min", "the zenith angle one minute off", 0.08, _angle(MINUTE)),
    Cause("zenith_10min", "the zenith angle ten minutes off", 0.08, _angle(10 * MINUTE)),
    Cause("zenith_1deg", "the zenith angle one degree off", 0.06, _angle(60 * MINUTE)),
    Cause("distance", "the distance of a steep sight misread", 0.04, _distance),
    Cause("target_moved", "the target at another height for this sight", 0.12, _target_moved),
)


def level_density(e: LevelEvidence) -> Callable[[float], float]:
    """Of true values: those of a staff lie on the staff, all others are alike."""
    return lambda value: 1 / STAFF_TO if on_staff(e, value) else 1e-3 / STAFF_TO


def on_staff(e: LevelEvidence, value: float) -> bool:
    """Whether a true value can be: a reading of a staff lies on the staff."""
    return e.kind != "staff" or 0 <= value <= STAFF_TO
