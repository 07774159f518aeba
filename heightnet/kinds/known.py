"""The known height of a mark."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from heightnet.arrays import Floats, Ints
from heightnet.kinds import slips, written
from heightnet.kinds.cause import Cause, Evidence
from heightnet.kinds.kind import DATUM, OUTSIDE, Edges, Kind, Words
from heightnet.kinds.records import Records
from heightnet.ledger.thing import Thing, ids_of

if TYPE_CHECKING:
    from heightnet.judge.family import Builder
    from heightnet.network.build import Ties
    from heightnet.network.model import Network

DISTURBED = 0.030  # how far a known mark is usually disturbed, m
BETWEEN_BOLTS = 0.150  # how far apart in height bolts of one benchmark usually are, m

CAUSES = (
    *written.CAUSES,
    Cause("disturbed", "the known mark disturbed since its height was found", 0.30, slips.usually(DISTURBED)),
    Cause("exchanged", "its height and that of {detail} exchanged in the list", 0.06, slips.exchanged_in_the_list),
    Cause("bolt", "another bolt of the benchmark used than the one of this height", 0.06, slips.usually(BETWEEN_BOLTS)),
)


def evidence(records: Records, thing: Thing) -> Evidence:
    recorded = float(records.mark(thing.name)["height"])
    return Evidence("known", recorded, readings=records.written(recorded), partners=records.other_marks(thing.name))


def edges(ties: Ties) -> Edges:
    """H = value, where it is not held exactly."""
    marks = ties.job.marks
    sd = marks["sd"].fillna(ties.job.settings.precision.known_mm / 1000).to_numpy(float)
    known = np.flatnonzero(marks["height"].notna().to_numpy() & (sd > 0))
    height = marks["height"].to_numpy(float)[known]
    return Edges(np.full(len(known), DATUM), ties.mark_node(marks["mark"])[known], height, sd[known], known)


def alone(family: Builder, net: Network) -> None:
    """Each known mark: its observation, or where it is held exactly, whatever stands on it."""
    rate = net.job.settings.rates.known
    rows = net.rows("known")
    node = net.head[rows]
    family.singles(
        "known", ids_of("known", net.nodes.name[node].tolist()), np.arange(rows.start, rows.stop), node, rate
    )
    for node in net.held.tolist():
        family.pattern(Thing("known", str(net.nodes.name[node])), *_held(net, node), node, rate)


def _held(net: Network, node: int) -> tuple[Ints, Floats]:
    """Observations that touch a mark held exactly, and what a unit error of its height does to them."""
    edges = slice(0, net.edge_count)
    touching = np.flatnonzero((net.tail[edges] == node) | (net.head[edges] == node))
    return touching, np.where(net.head[touching] == node, -1.0, 1.0)


def patterns(net: Network) -> dict[str, tuple[Ints, Floats]]:
    """Observations that an error of each known mark touches, and what a unit of it does to them."""
    rows, names = net.rows("known"), net.nodes.name
    at = np.arange(rows.start, rows.stop)
    single = {str(name): (at[i : i + 1], np.ones(1)) for i, name in enumerate(names[net.head[rows]])}
    return single | {str(names[node]): _held(net, node) for node in net.held.tolist()}


KIND = Kind(
    "known", ("known",), CAUSES, evidence, table="marks", edges=edges, scatter=OUTSIDE, alone=alone,
    words={"known": Words("known height")}, nominal=written.NOMINAL,
)  # fmt: skip
