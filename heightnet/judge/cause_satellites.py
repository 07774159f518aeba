"""The ways a satellite rise or height, or the separation under it, comes to be wrong; built like the other causes."""

from __future__ import annotations

from collections.abc import Iterator

from heightnet.judge.cause_levels import LevelCause, LevelEvidence, OfLevel, transposed
from heightnet.judge.cause_model import Alternative, Cause

POOR_SOLUTION = 0.10  # how far off a satellite solution that is no good usually is, m
OTHER_MODEL = 0.10  # how far two geoid models usually differ, m


def _solution(e: LevelEvidence) -> Iterator[Alternative]:
    if e.kind == "gnss":
        yield Alternative(e.recorded, spread=POOR_SOLUTION)


def _phase(side: float) -> OfLevel:
    """The offset of either antenna's phase centre left out of a solution (side 1), or applied twice (side -1)."""

    def alternatives(e: LevelEvidence) -> Iterator[Alternative]:
        for phase in e.phases:
            yield Alternative(e.recorded - side * phase, 1.0 / len(e.phases))

    return alternatives


def _sign(e: LevelEvidence) -> Iterator[Alternative]:
    """A rise booked from the wrong end, or a geoid below the ellipsoid booked above it."""
    if e.recorded:
        yield Alternative(-e.recorded)


def _other_model(e: LevelEvidence) -> Iterator[Alternative]:
    if e.kind == "separation":
        yield Alternative(e.recorded, spread=OTHER_MODEL)


SATELLITE_CAUSES: tuple[LevelCause, ...] = (
    Cause("solution", "the satellite solution: reflections, few satellites or ambiguities", 0.40, _solution),
    Cause("phase_left_out", "a phase-centre offset left out of this solution", 0.08, _phase(1.0)),
    Cause("phase_twice", "a phase-centre offset applied twice in this solution", 0.08, _phase(-1.0)),
    Cause("other_model", "a separation of another place or of another geoid model", 0.40, _other_model),
    Cause("sign", "the wrong sign", 0.08, _sign),
    Cause("transposed", "two neighbouring digits changed places", 0.10, transposed),
)
