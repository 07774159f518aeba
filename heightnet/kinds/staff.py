"""A reading of a levelling staff, and a backsight and a foresight in each other's place."""

from __future__ import annotations

from heightnet.kinds import slips, written
from heightnet.kinds.cause import Cause, Evidence
from heightnet.kinds.records import Records
from heightnet.ledger.thing import Thing

SPAN = (0.0, 5.0)  # between which a staff is read, m
MOVED = 0.015  # how far a turning point moves between its two sights, m

CAUSES = (
    *written.CAUSES,
    Cause("exchanged", written.EXCHANGED, 0.06, slips.exchanged),
    *written.STAFF,
    Cause("turning_point", "the turning point moved between its two sights", 0.06,
          lambda e: slips.usually(MOVED)(e) if e.turning else ()),
)  # fmt: skip


def evidence(records: Records, thing: Thing) -> Evidence:
    row = records.row("staff", thing.row)
    beside = records.beside[row["level_setup"], row["run"]]
    recorded = float(row["reading"])
    return Evidence(
        "staff",
        recorded,
        readings=records.written(recorded),
        sections=records.sections,
        feet=records.feet,
        partners=tuple((mark, reading) for sight, mark, reading in beside if sight != row["sight"]),
        span=SPAN,
        turning=row["mark"] not in records.marks,
    )
