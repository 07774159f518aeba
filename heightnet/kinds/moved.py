"""A stand that sank, rose or was knocked between two of its sights, taped before or afterwards; or sank slowly all the
while."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from heightnet.arrays import Ints
from heightnet.kinds import slips
from heightnet.kinds.cause import Cause, Evidence
from heightnet.kinds.kind import Kind, Shared, Words
from heightnet.kinds.records import Records
from heightnet.ledger.thing import Thing

if TYPE_CHECKING:
    from heightnet.judge.family import Builder
    from heightnet.judge.places import Places
    from heightnet.kinds.sequence import Sequence
    from heightnet.network.model import Network

SANK, KNOCKED = 0.010, 0.060  # how far a stand usually sinks, and is usually knocked, m
SLOWLY = 2  # moments between sights from which a slow settling is told from a sudden one
MOMENTS = 20  # between which it may have moved: of more, every so many

CAUSES = (
    Cause("sank", "the stand sank or was pressed down between two sights", 0.6, slips.usually(SANK), of=("at once",)),
    Cause("knocked", "the stand was knocked between two sights", 0.4, slips.usually(KNOCKED), of=("at once",)),
    Cause("settled", "the stand settled in soft ground, or a clamp gave way", 1.0, slips.usually(SANK), of=("slowly",)),
)


def events(family: Builder, net: Network) -> None:
    """Later sights wrong (the height was taped before), or earlier ones (it was taped afterwards); of three and more
    sights also each more than the one before, where the stand settled slowly: this is called by its second sight and
    its last.

    The size is how far the stand sank in all: an instrument that sank sees everything higher, a target that sank is
    lower.
    """
    from heightnet.kinds.sequence import dense, shot_order
    from heightnet.reduce.order import times

    rates, shots = net.job.settings.rates, net.rows("shot").start
    when, row = times(net.job)["shots"], net.job.shots["row"].to_numpy()
    for kind, name, node, some in _stands(net):
        rank = dense(shot_order(some, when)[0])
        last = int(rank.max())
        if not last:
            continue
        sign = 1.0 if kind == "setup" else -1.0
        moments = np.unique(np.linspace(1, last, min(last, MOMENTS)).round()).astype(int).tolist()
        for k in moments:
            later = rank >= k
            first = str(row[some[np.flatnonzero(rank == k)[0]]])
            before = str(row[some[np.flatnonzero(rank == k - 1)[-1]]])
            for thing, inside, way, rate in (
                (Thing.several("moved", kind, name, first, ""), later, sign, rates.moved),
                (Thing.several("moved", kind, name, "", before), ~later, -sign, rates.moved_before),
            ):
                at = shots + some[inside]
                family.pattern(thing, at, np.full(len(at), way), node, rate / len(moments))
        if last >= SLOWLY:
            ends = (str(row[some[np.flatnonzero(rank == k)[0]]]) for k in (1, last))
            later = np.flatnonzero(rank)
            thing = Thing.several("moved", kind, name, *ends)
            family.pattern(thing, shots + some[later], sign * rank[later] / last, node, rates.settled)


def sights_of(net: Network, kind: str, name: str) -> Sequence:
    """The sights from a set-up or to a target, one after the other; they are called by their rows."""
    from heightnet.kinds.sequence import Sequence, dense, shot_order
    from heightnet.reduce.order import times

    when, row = times(net.job)["shots"], net.job.shots["row"].to_numpy()
    some = next(some for of, called, _, some in _stands(net) if (of, called) == (kind, name))
    rank, by = shot_order(some, when)
    at, called = net.rows("shot").start + some, row[some].astype(str).astype(object)
    return Sequence(kind, name, at, np.ones(len(some)), dense(rank), called, when[some], by)


def _stands(net: Network) -> Iterator[tuple[str, str, int, Ints]]:
    """Kind, name, node and sights of each set-up and target with several."""
    for kind, of_shot, nodes, names in (
        ("setup", net.shot_setup, net.setup_node, net.job.setups["setup"].to_numpy(object)),
        ("target", net.shot_target, net.target_node, net.job.targets["target"].to_numpy(object)),
    ):
        order = np.argsort(of_shot, kind="stable")
        for some in np.split(order, np.flatnonzero(np.diff(of_shot[order])) + 1):
            if len(some) > 1:
                at = int(of_shot[some[0]])
                yield kind, str(names[at]), int(nodes[at]), some


def evidence(records: Records, thing: Thing) -> Evidence:
    return Evidence("moved", 0.0, of="slowly" if all(thing.names[2:4]) else "at once")


def lies(places: Places, h: int) -> Iterator[tuple[str, int]]:
    """At its set-up or target."""
    stand = int(places.family.node[h])
    kind = places.family.thing(h).names[0]
    yield from ((kind, s) for s in (places.setups_at(stand) if kind == "setup" else places.targets_at(stand)))


KIND = Kind(
    "moved", ("moved",), CAUSES, evidence, events=events, lies=lies, sizes=(0.35, 0.40, 0.24, 0.01),
    words={"moved": Words("stand that moved", "stands that moved")},
    shared={"moved": Shared("{name}", "the first sight of the stand repeated before it is taken down")},
)  # fmt: skip
