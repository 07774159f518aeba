"""A cause of a wrong value: what it is called, how often it happens, and the slip that makes it.

A slip (`heightnet.kinds.slips`) is one function from the evidence about a value to the errors it would have made.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import KW_ONLY, dataclass, replace
from functools import cached_property
from math import exp, nan, pi, sqrt
from typing import NamedTuple

from heightnet.reduce.reading import MeasuringPoint, Reading

SPECIAL_POINTS = ("axis", "hook", "section", "foot", "phase")  # rows of the equipment table that no tape is held to
POPULATION = {"setup": (1.55, 0.10), "tripod": (1.40, 0.20), "target": (1.60, 0.30)}  # mean and sd of heights, m
ANYWHERE = 0.2  # density of values that may be any, per m: those of a staff of 5 m
SAME_AS_BEFORE, ZERO, SWAP = "previous", "zero", "swap"  # causes that are spoken of elsewhere too
LEFT_IN = (SAME_AS_BEFORE, "earlier", "default")  # a height that was there before this one was taped


@dataclass(frozen=True)
class Evidence:
    """What is known about a value that is probably wrong; lengths in metres, angles in radians.

    kind : of the thing, "setup" or "staff" say; of a reading that of its stand; "group" of what is common to many.
    recorded, error, error_sd : the value, and how much too high the rest of the job finds it; of a group 0, and the
        size at the members (root mean square).
    readings : as written: those a height comes from, or the one in question; () of a group.
    of : of a group its own kind.
    points : measuring points of its equipment; () where the equipment table has none.
    hooks, sections, feet : sizes of tape hooks, of sections of poles and staves, of the foot of a staff.
    usual_parts : sizes of parts that other stands have.
    previous : height of the set-up before with the same instrument.
    earlier : heights of stands of its kind that stood over the same mark before.
    defaults : values that a form or a habit fills in, each with the part of the other stands that have it.
    axes : by name of what else stood on its tripod, how much higher its axis is above the head of the stand.
    partners : by name what it may have been exchanged for: heights at the other ends of its sights, readings at the
        other sights of its level set-up.
    population : mean and standard deviation of such values; None where any is as usual as another.
    span : between which a true value lies.
    slope_distance, zenith : of a sight.
    phases : errors that the phase centres of antennas make where they are left out, each with its sd.
    pattern : of a group, the size at the members if its own cause held in full: r^2 / 2h for unreduced slants, the
        mean height for the scale of a tape, the mean distance for a collimation or an index; the mean separation for
        separations.  Where it is 0, not known, any size is possible.
    antenna : of a satellite antenna, to its reference point.
    later : one reading, made after others of the same stand.
    turning : a staff reading at a change point.
    of_wires : the mean of the two outer wires of a sight to a staff.
    inverted : of a book in which staves were held upside down, too: readings with a minus.
    figures : after the point, to which such values are written; 0 where it does not matter.
    """

    kind: str
    recorded: float
    error: float = nan
    error_sd: float = nan
    readings: tuple[Reading, ...] = ()
    _: KW_ONLY
    of: str = ""
    points: tuple[MeasuringPoint, ...] = ()
    hooks: tuple[float, ...] = ()
    sections: tuple[float, ...] = ()
    feet: tuple[float, ...] = ()
    usual_parts: tuple[float, ...] = ()
    previous: float | None = None
    earlier: tuple[float, ...] = ()
    defaults: tuple[tuple[float, float], ...] = ()
    axes: tuple[tuple[str, float], ...] = ()
    partners: tuple[tuple[str, float], ...] = ()
    population: tuple[float, float] | None = None
    span: tuple[float, float] | None = None
    slope_distance: float = 0.0
    zenith: float = pi / 2
    phases: tuple[tuple[float, float], ...] = ()
    pattern: float = 0.0
    antenna: bool = False
    later: bool = False
    turning: bool = False
    of_wires: bool = False
    inverted: bool = False
    figures: int = 0

    def found(self, error: float, error_sd: float, pattern: float = 0.0) -> Evidence:
        """The same with the error that the rest of the job finds."""
        return replace(self, error=error, error_sd=error_sd, pattern=self.pattern or pattern)

    @property
    def unit(self) -> float:
        """The finest unit that was read to."""
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
        return axis_above_head(self.points)

    @cached_property
    def density(self) -> Callable[[float], float]:
        """Of true values, per metre."""
        population = self.population or POPULATION.get(self.kind)
        if population:
            return normal_density(*population)
        return lambda value: ANYWHERE if self.possible(value) else 1e-3 * ANYWHERE

    def possible(self, value: float) -> bool:
        """Whether a true value can be: a reading of a staff lies on the staff."""
        return self.span is None or self.span[0] <= value <= self.span[1]


def axis_above_head(points: Iterable[MeasuringPoint]) -> float | None:
    """Of the equipment with these points, where one of them gives it.

    >>> axis_above_head((MeasuringPoint("side mark", 0.1), MeasuringPoint("axis", 0.0, 0.243)))
    0.243
    """
    at_head = [p.offset for p in points if p.name.lower() == "axis" or p.at_head]
    return at_head[-1] if at_head else None


class Alternative(NamedTuple):
    """A variant of a cause, and the error it makes.

    error : h - h*, recorded less true, m.
    share : share of the cause's prior that this variant has (one digit pair of several, up or down).
    slope : |dh*/dh|, how the true value changes with the recorded one.
    spread : the cause's own standard deviation, m: a constant that is only roughly known, or where ``error`` is 0, how
        large such an error usually is, up or down.
    sized : False where the cause allows any size; ``error`` is then not used.
    detail : a name that goes into the text, and makes this variant a cause of its own.
    mirrored : the true value lies as far on the other side of 0: a staff held upside down.
    """

    error: float
    share: float = 1.0
    slope: float = 1.0
    spread: float = 0.0
    sized: bool = True
    detail: str = ""
    mirrored: bool = False


Slip = Callable[[Evidence], Iterable[Alternative]]


@dataclass(frozen=True)
class Cause:
    """A way to record a wrong value.

    key : name in results.json.
    text : plain words, no numbers; ``{detail}`` is the alternative's.
    prior : how often, relative to the others.  Judgement, not measured: no published frequencies are known.
    slip : from the evidence to the errors it would have made; nothing where it is impossible.
    only : what the evidence must have for the cause to be on the list at all, "antenna" or "later".
    of : the groups that it concerns; () for all.
    """

    key: str
    text: str
    prior: float
    slip: Slip
    only: str = ""
    of: tuple[str, ...] = ()

    def alternatives(self, e: Evidence) -> Iterable[Alternative]:
        return self.slip(e) if not self.of or e.of in self.of else ()


def listed(causes: Iterable[Cause], e: Evidence) -> list[Cause]:
    """Those that are on the list for such a value."""
    return [cause for cause in causes if not cause.only or getattr(e, cause.only)]


def normal_density(mean: float, sd: float) -> Callable[[float], float]:
    """A population of heights: normal, with one in thirty spread four times as wide (a low or high set-up).

    >>> f = normal_density(1.55, 0.10)
    >>> round(f(1.55), 2), f(0.65) > 1e-6
    (3.89, True)
    """
    variance, wide = sd**2, (4 * sd) ** 2

    def density(h: float) -> float:
        z = (h - mean) ** 2
        return (0.9667 * exp(-0.5 * z / variance) + 0.0333 / 4 * exp(-0.5 * z / wide)) / (sd * sqrt(2 * pi))

    return density
