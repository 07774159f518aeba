"""What it usually is when everything of one kind is wrong alike: a tape, a prism or pole, all slants of one party."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import exp, hypot, inf

from heightnet.judge.cause_antennas import phase_of
from heightnet.judge.cause_heights import (
    FOOT,
    SPECIAL_POINTS,
    USUAL_HEAD,
    USUAL_HOOK,
    USUAL_POINT,
    MeasuringPoint,
)
from heightnet.judge.cause_model import Alternative, Cause

USUAL_HEIGHT = 1.5  # of an antenna, m
USUAL_SESSION, USUAL_DATUM = 0.03, 0.3  # m, how large such errors usually are
WORN = 0.010  # m: a worn point, a shoe, a centre height wrong in the table

LARGEST = {
    "collimation": 2e-3,  # radians, 20 mm at 10 m: a twentieth of it is what a level is adjusted for
    "index": 5e-3,  # radians, some 17 minutes: both faces of one sight would differ by twice that
    "refraction": 5.0,  # of the coefficient, usually .13; over hot or icy ground it has been seen from about -4 to 4
    "tape_scale": 0.03,  # of the length: tapes are replaced at a tenth of that
    "tape": 1.0,  # m: read from its first metre mark at most
}
"""The greatest size that a common error can have, in its own unit, by common practice; others may have any."""


@dataclass(frozen=True)
class GroupEvidence:
    """What is known about a common error; lengths in metres.

    kind, name : as in ``group:KIND:NAME``.
    error, error_sd : its size at the members (root mean square), recorded too high is positive.
    pattern : size at the members if the group's own cause held in full: r^2 / 2h for unreduced slants, the mean height
        for the scale of a tape, the mean distance for a collimation or an index; the mean separation for separations.
        Where it is 0, not known, any size is possible.
    points, hooks, sections : of the equipment, as for one height.
    antenna : it is an antenna's.
    """

    kind: str
    name: str
    error: float
    error_sd: float
    pattern: float = 0.0
    points: tuple[MeasuringPoint, ...] = ()
    hooks: tuple[float, ...] = ()
    sections: tuple[float, ...] = ()
    antenna: bool = False

    @property
    def of_thing(self) -> bool:
        return self.kind in ("instrument", "equipment", "antenna_observer")

    @property
    def likely(self) -> float:
        """1 for a size that the group's own error can have, and less the further the estimate lies beyond: how much
        better the estimate itself would explain the job than the greatest size does."""
        beyond = abs(self.error) - (LARGEST.get(self.kind, inf) * self.pattern or inf)
        return exp(-0.5 * (beyond / self.error_sd) ** 2) if beyond > 0 else 1.0


# The recorded value is taken as 0, so that an alternative's ``true`` is minus the error it makes.


def _other_point(e: GroupEvidence) -> Iterator[Alternative]:
    if not e.of_thing:
        return
    held = [p for p in e.points if not p.name.lower().startswith(SPECIAL_POINTS)]
    usual = next((p for p in held if p.usual), MeasuringPoint(""))
    others = [p for p in held if p.name != usual.name]
    for other in others:
        step, tail = other.offset - usual.offset, f" instead of the {usual.name}" if usual.name else ""
        yield Alternative(step, 0.7 / len(others), detail=f"the {other.name}{tail}")
        back = f"the {usual.name or 'axis'} instead of the {other.name}"
        yield Alternative(-step, 0.3 / len(others), detail=back)
    if not e.points:
        for step in (USUAL_POINT[0], -USUAL_POINT[0]):
            yield Alternative(step, 0.5, spread=USUAL_POINT[1], detail="another point of the equipment")


def _tripod_head(e: GroupEvidence) -> Iterator[Alternative]:
    if not e.of_thing:
        return
    axis = [p.offset for p in e.points if p.name.lower() == "axis" or "head" in p.name.lower()]
    if axis:
        yield Alternative(axis[-1])
    elif e.kind == "instrument" and not e.antenna:
        yield Alternative(USUAL_HEAD[0], spread=USUAL_HEAD[1])


def _centre(e: GroupEvidence) -> Iterator[Alternative]:
    if e.kind == "equipment":
        yield Alternative(0.0, spread=WORN)


def _axis(e: GroupEvidence) -> Iterator[Alternative]:
    if e.kind == "instrument":
        yield Alternative(0.0, spread=WORN)


def _section(e: GroupEvidence) -> Iterator[Alternative]:
    if e.of_thing:
        for size in e.sections:
            yield Alternative(size, 0.5 / len(e.sections))
            yield Alternative(-size, 0.5 / len(e.sections))


def _hook(e: GroupEvidence) -> Iterator[Alternative]:
    if e.kind == "tape":
        for size, sd in [(hook, 0.0) for hook in e.hooks] or [USUAL_HOOK]:
            share = 1.0 / max(len(e.hooks), 1)
            yield Alternative(-size, 0.7 * share, spread=sd)
            yield Alternative(size, 0.3 * share, spread=sd)


def _cut(e: GroupEvidence) -> Iterator[Alternative]:
    if e.kind == "tape":
        for step in (0.1, 0.01, 0.1 * FOOT, FOOT):
            yield Alternative(-step, 0.25)


def _end(e: GroupEvidence) -> Iterator[Alternative]:
    if e.kind == "tape":
        yield Alternative(0.0, e.likely, spread=0.005)


def _scale(e: GroupEvidence) -> Iterator[Alternative]:
    if e.kind == "tape_scale":
        yield Alternative(0.0, e.likely, spread=0.003 * e.pattern)


def _scale_feet(e: GroupEvidence) -> Iterator[Alternative]:
    if e.kind == "tape_scale":
        yield Alternative(-(1 - FOOT) * e.pattern)
        yield Alternative((1 / FOOT - 1) * e.pattern)


def _slants(e: GroupEvidence) -> Iterator[Alternative]:
    if e.kind.startswith("slant_"):
        yield Alternative(-e.pattern)


def _slants_twice(e: GroupEvidence) -> Iterator[Alternative]:
    if e.kind.startswith("slant_"):
        yield Alternative(e.pattern)


def _phase(side: float) -> Callable[[GroupEvidence], Iterator[Alternative]]:
    """Left out: the heights look too low by it (side 1); applied twice: too high (side -1)."""

    def alternatives(e: GroupEvidence) -> Iterator[Alternative]:
        if e.antenna and (phase := phase_of(e.points)) is not None:
            yield Alternative(side * phase[0], spread=phase[1])

    return alternatives


def _controller(e: GroupEvidence) -> Iterator[Alternative]:
    """Every slant reduced by the controller and again: r^2 / 2h too low, and the offset to the point once too often."""
    if e.antenna:
        held = [p for p in e.points if p.radius and not p.name.lower().startswith(SPECIAL_POINTS)]
        for point in held:
            fall = point.radius**2 / (2 * USUAL_HEIGHT)
            yield Alternative(fall - point.offset, 0.7 / len(held), spread=fall / 4)
            yield Alternative(fall, 0.3 / len(held), spread=fall / 4)


def _session(e: GroupEvidence) -> Iterator[Alternative]:
    if e.kind == "gnss_session":
        yield Alternative(0.0, spread=USUAL_SESSION)


def _datum(e: GroupEvidence) -> Iterator[Alternative]:
    if e.kind == "separations":
        yield Alternative(0.0, spread=USUAL_DATUM)


def _separation_sign(e: GroupEvidence) -> Iterator[Alternative]:
    if e.kind == "separations":
        yield Alternative(-2 * e.pattern)


ITSELF = {
    "index": ("index", "a vertical index error larger than assumed"),
    "refraction": ("air", "air that bends sights otherwise than assumed"),
    "collimation": ("level", "a level out of adjustment"),
}
SAID_ITSELF = frozenset(key for key, _ in ITSELF.values())  # causes that only say again what the common error is


def _of_kind(kind: str) -> Cause[GroupEvidence]:
    key, text = ITSELF[kind]

    def alternatives(e: GroupEvidence) -> Iterator[Alternative]:
        if e.kind == kind:
            yield Alternative(0.0, e.likely, sized=False)

    return Cause(key, text, 1.0, alternatives)


GROUP_CAUSES: tuple[Cause[GroupEvidence], ...] = (
    Cause("other_point", "the tape held to {detail}, every time", 0.30, _other_point),
    Cause("tripod_head", "the tape held to the tripod head, every time", 0.10, _tripod_head),
    Cause("centre", "the height of the target's centre: its pole worn or shod, or its constant wrong", 0.20, _centre),
    Cause("axis", "the height of the instrument's axis: its constant wrong", 0.10, _axis),
    Cause("section", "a pole section drawn out too far or not far enough, every time", 0.10, _section),
    Cause("hook", "the tape's hook counted in, or left out, every time", 0.20, _hook),
    Cause("cut", "the tape read from its first mark, not from its end", 0.15, _cut),
    Cause("end", "the tape's end worn, bent or mended", 0.20, _end),
    Cause("scale", "the tape too long or too short", 0.20, _scale),
    Cause("scale_feet", "the tape's feet and metres taken for each other", 0.20, _scale_feet),
    Cause("slants", "slant readings used as if they were vertical", 0.60, _slants),
    Cause("slants_twice", "vertical readings reduced as if they were slant", 0.10, _slants_twice),
    Cause("phase_left_out", "the phase-centre offset left out, every time", 0.10, _phase(1.0)),
    Cause("phase_twice", "the phase-centre offset applied twice, every time", 0.10, _phase(-1.0)),
    Cause("controller", "slants that the field controller had reduced already, reduced again", 0.10, _controller),
    Cause("session", "the session's own error: its reference station, or the air", 0.40, _session),
    Cause("datum", "separations of another height datum than the known marks", 0.40, _datum),
    Cause("separation_sign", "the sign of the separations: the geoid lies on the other side", 0.20, _separation_sign),
    *map(_of_kind, ITSELF),
)


def possible(e: GroupEvidence) -> float:
    """From 0 to 1: whether a common error can have the size found, be it by its own nature or by a usual slip.

    >>> possible(GroupEvidence("collimation", "the level", 0.03, 0.002, pattern=40.0))
    1.0
    >>> possible(GroupEvidence("collimation", "the level", 0.48, 0.002, pattern=40.0)) < 1e-9
    True
    """
    found = e.likely
    for cause in GROUP_CAUSES:
        for one in cause.alternatives(e):
            if one.sized and one.true:
                sd = hypot(e.error_sd, one.spread)
                found = max(found, exp(-0.5 * min(((e.error + one.true) / sd) ** 2, 1400.0)))
    return found
