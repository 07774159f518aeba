"""The ways the height of a satellite antenna comes to be wrong besides those of every height.

Built like the causes of heights, and weighed together with them where the stand carries an antenna.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import sqrt

from heightnet.judge.cause_heights import HeightCause, HeightEvidence, MeasuringPoint, Reading, alike, radii
from heightnet.judge.cause_model import Alternative, Cause

USUAL_PHASE = (0.075, 0.025)  # phase centre above the reference point where the equipment table is silent, and its sd


def phase_of(points: tuple[MeasuringPoint, ...]) -> tuple[float, float] | None:
    """Phase centre above the reference point and its sd, m: of the row 'phase centre', whose offset leads down to it.

    Common practice where no point of the antenna is listed; None where some are, but not this one.

    >>> phase_of((MeasuringPoint("phase centre", 0.0, -0.062), MeasuringPoint("rim", 0.14, 0.03)))
    (0.062, 0.0)
    """
    if not points:
        return USUAL_PHASE
    return next(((-p.offset, 0.0) for p in points if p.name.lower().startswith("phase") and p.offset), None)


def _controller(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    """A slant that the controller had made vertical, to the reference point or to the point itself, reduced again."""
    if r.kind == "slant":
        yield Alternative(r.value, 0.7 if r.offset else 1.0)
        if r.offset:
            yield Alternative(r.value + r.offset, 0.3)
    elif r.kind == "booked" and (x := r.height - e.usual.offset) > 0:
        for radius, share, sd in radii(e, r):
            upright = sqrt(x**2 + radius**2)
            slope, spread = x / upright, radius / upright * sd
            yield Alternative(upright, (0.7 if e.usual.offset else 1.0) * share, slope, spread)
            if e.usual.offset:
                yield Alternative(upright + e.usual.offset, 0.3 * share, slope, spread)


def _phase_left_out(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    """The solution is of the phase centre, so that the reference point is found too high and its height too low."""
    if (phase := phase_of(e.points)) is not None:
        yield Alternative(r.height + phase[0], spread=phase[1])


def _phase_twice(e: HeightEvidence, r: Reading) -> Iterator[Alternative]:
    """Booked to the phase centre and taken off again with the solution; or taken off twice there."""
    if (phase := phase_of(e.points)) is not None:
        yield Alternative(r.height - phase[0], spread=phase[1])


ANTENNA_CAUSES: tuple[HeightCause, ...] = (
    Cause(
        "controller", "a slant that the controller had made vertical already, reduced again", 0.06, alike(_controller)
    ),
    Cause(
        "phase_left_out",
        "the phase-centre offset of the antenna left out: the solution is of its phase centre",
        0.04,
        alike(_phase_left_out),
    ),
    Cause(
        "phase_twice",
        "the phase-centre offset of the antenna applied twice, in the height and in the solution",
        0.04,
        alike(_phase_twice),
    ),
)
