"""A sight: the slope distance and zenith angle from an instrument to a target."""

from __future__ import annotations

from collections.abc import Iterator
from math import cos, pi, sin

from heightnet.kinds import slips, written
from heightnet.kinds.cause import Alternative, Cause, Evidence, Slip
from heightnet.kinds.records import Records
from heightnet.ledger.thing import Thing

MINUTE = pi / 180 / 60


def _zenith(step: float) -> Slip:
    """The zenith angle misread by a step (radians)."""

    def alternatives(e: Evidence) -> Iterator[Alternative]:
        for side in (step, -step):
            yield Alternative(e.slope_distance * (cos(e.zenith) - cos(e.zenith + side)), 0.5)

    return alternatives


def _distance(e: Evidence) -> Iterator[Alternative]:
    """The slope distance misread by 1 m or 10 m: felt only in a steep sight."""
    for step in (1.0, 10.0):
        if e.slope_distance > 2 * step and abs(cos(e.zenith)) > 1e-3:
            yield from slips.up_or_down(step * abs(cos(e.zenith)), 0.5)


def _target_moved(e: Evidence) -> Iterator[Alternative]:
    if sin(e.zenith):
        yield from slips.up_or_down(0.1, 0.6)
        yield Alternative(0.0, 0.4, spread=0.05)


CAUSES = (
    written.SIGN,
    Cause("section", "a section of the staff or pole not drawn out, or not locked", 0.04, slips.constant("sections")),
    Cause("zenith_1min", "the zenith angle one minute off", 0.08, _zenith(MINUTE)),
    Cause("zenith_10min", "the zenith angle ten minutes off", 0.08, _zenith(10 * MINUTE)),
    Cause("zenith_1deg", "the zenith angle one degree off", 0.06, _zenith(60 * MINUTE)),
    Cause("distance", "the distance of a steep sight misread", 0.04, _distance),
    Cause("target_moved", "the target at another height for this sight", 0.12, _target_moved),
)


def evidence(records: Records, thing: Thing) -> Evidence:
    """About the rise of a sight."""
    row = records.row("shots", thing.row)
    far, zenith = float(row["slope_distance"]), float(row["zenith_angle"])
    rise = far * cos(zenith)
    return Evidence(
        "shot", rise, readings=records.written(rise), sections=records.sections, slope_distance=far, zenith=zenith
    )
