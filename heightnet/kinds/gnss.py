"""A satellite rise between two antennas, or the height of one."""

from __future__ import annotations

from heightnet.kinds import slips, written
from heightnet.kinds.cause import Cause, Evidence
from heightnet.kinds.records import Records
from heightnet.ledger.thing import Thing

POOR_SOLUTION = 0.10  # how far off a satellite solution that is no good usually is, m

SIGN = Cause("sign", "the wrong sign", 0.08, slips.wrong_sign)  # of a rise from the wrong end too
CAUSES = (
    Cause("solution", "the satellite solution: reflections, few satellites or ambiguities", 0.40,
          slips.usually(POOR_SOLUTION)),
    Cause("phase_left_out", "a phase-centre offset left out of this solution", 0.08, slips.phase_centre(1)),
    Cause("phase_twice", "a phase-centre offset applied twice in this solution", 0.08, slips.phase_centre(-1)),
    SIGN,
    written.TRANSPOSED,
)  # fmt: skip


def evidence(records: Records, thing: Thing) -> Evidence:
    """About a rise or a height, with the phase centres of its antennas: at its end it is too high by them."""
    row = records.row("gnss", thing.row)
    phases = []
    for column, side in (("to_setup", 1.0), ("from_setup", -1.0)):
        points = records.points(records.equipment_of("setup", row[column])) if row[column] else ()
        if points and (phase := slips.phase_of(points)) is not None:
            phases.append((side * phase[0], 0.0))
    recorded = float(row["rise"] if row["from_setup"] else row["height"])
    return Evidence("gnss", recorded, readings=records.written(recorded), phases=tuple(phases))
