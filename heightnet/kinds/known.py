"""The known height of a mark."""

from __future__ import annotations

from heightnet.kinds import slips, written
from heightnet.kinds.cause import Cause, Evidence
from heightnet.kinds.records import Records
from heightnet.ledger.thing import Thing

DISTURBED = 0.030  # how far a known mark is usually disturbed, m

CAUSES = (
    *written.CAUSES,
    Cause("disturbed", "the known mark disturbed since its height was found", 0.30, slips.usually(DISTURBED)),
)


def evidence(records: Records, thing: Thing) -> Evidence:
    recorded = float(records.mark(thing.name)["height"])
    return Evidence("known", recorded, readings=records.written(recorded))
