"""The recorded separation of a mark: the geoid's height above the ellipsoid."""

from __future__ import annotations

from heightnet.kinds import gnss, slips, written
from heightnet.kinds.cause import Cause, Evidence
from heightnet.kinds.records import Records
from heightnet.ledger.thing import Thing

OTHER_MODEL = 0.10  # how far two geoid models usually differ, m

CAUSES = (
    Cause("other_model", "a separation of another place or of another geoid model", 0.40, slips.usually(OTHER_MODEL)),
    gnss.SIGN,
    written.TRANSPOSED,
)


def evidence(records: Records, thing: Thing) -> Evidence:
    recorded = float(records.mark(thing.name)["separation"])
    return Evidence("separation", recorded, readings=records.written(recorded))
