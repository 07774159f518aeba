"""A levelled difference between two marks."""

from __future__ import annotations

from heightnet.kinds import slips, written
from heightnet.kinds.cause import Cause, Evidence
from heightnet.kinds.records import Records
from heightnet.ledger.thing import Thing

CAUSES = (
    *written.CAUSES,
    written.SIGN,
    Cause("exchanged", written.EXCHANGED, 0.06, slips.wrong_sign),
    *written.STAFF,
)


def evidence(records: Records, thing: Thing) -> Evidence:
    recorded = float(records.row("levels", thing.row)["rise"])
    return Evidence("level", recorded, readings=records.written(recorded), sections=records.sections, feet=records.feet)
