"""A kind of one's own in one file: readings of a hydrostatic hose between two marks, as DEVELOPERS.md tells it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from heightnet.kinds import slips, written
from heightnet.kinds.cause import Cause, Evidence
from heightnet.kinds.kind import Edges, Kind, Words
from heightnet.kinds.records import Records
from heightnet.ledger import ranges
from heightnet.ledger.record import NUMBER, Fact
from heightnet.ledger.recorded import Column, Table
from heightnet.ledger.thing import Thing

if TYPE_CHECKING:
    from heightnet.network.build import Ties

BUBBLE = (0.012, 0.004)  # how much too high a reading is with air in the hose, and its sd, m

RECORDED = Table(
    "water",
    "Rises read at the two ends of a hose filled with water.",
    (
        Column("from_mark", "name", "At this mark.", required=True, also=("from",)),
        Column("to_mark", "name", "At that mark.", required=True, also=("to",)),
        Column("rise", "length", "Of to_mark above from_mark.", required=True, within=ranges.RISE_M),
        Column("sd_mm", "mm", "Standard deviation.", required=True, within=ranges.SD_MM),
    ),
)


def edges(ties: Ties) -> Edges:
    """H_to - H_from = rise."""
    water = ties.job.tables["water"]
    ends = (ties.mark_node(water[column]) for column in ("from_mark", "to_mark"))
    return Edges(*ends, *(water[column].to_numpy(float) for column in ("rise", "sd")), np.arange(len(water)))


def evidence(records: Records, thing: Thing) -> Evidence:
    rise = float(records.row("water", thing.row)["rise"])
    return Evidence("water", rise, readings=records.written(rise))


KIND = Kind(
    "water",
    ("water",),
    causes=(*written.CAUSES, Cause("bubble", "air in the hose", 0.20, slips.usually(BUBBLE[1], BUBBLE[0]))),
    evidence=evidence,
    table="water",
    recorded=RECORDED,
    marks=("from_mark", "to_mark"),
    edges=edges,
    rate="level",
    at_marks=("tail", "head"),
    record=(
        Fact("from_mark", "text", "", "From"),
        Fact("to_mark", "text", "", "To"),
        Fact("rise_m", NUMBER, "by the hose", "Rise"),
    ),
    line=("from_mark", "to_mark", ""),
    words={"water": Words("water reading", row="{from_mark} to {to_mark}", cell="water")},
)
