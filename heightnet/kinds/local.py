"""Equipment that is wrong at one mark or with one observer, and every target over one mark."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from heightnet.arrays import Ints
from heightnet.kinds import group
from heightnet.kinds.cause import Evidence
from heightnet.kinds.height import thing_of
from heightnet.kinds.kind import Kind, Shared, Words, by_name
from heightnet.kinds.records import Records
from heightnet.ledger.thing import NOT_NAMED, Thing

if TYPE_CHECKING:
    from heightnet.judge.family import Builder
    from heightnet.network.model import Network

LEAST = 2  # stands that have it wrong together

AT_MARK, WITH_OBSERVER, OVER_MARK = "equipment_at_mark", "equipment_with_observer", "targets_over_mark"


def events(family: Builder, net: Network) -> None:
    """Two and more stands of some equipment at one mark or by one observer; others of it are elsewhere."""
    readings, rows = net.readings, net.rows("height")
    if not len(readings):
        return
    node = net.head[rows]
    mark = np.where(net.nodes.mark[node] >= 0, net.nodes.name[net.nodes.mark[node]], "").astype(object)
    observer, thing = readings["by"].to_numpy(object), thing_of(net.job, net.readings)
    targets = readings["stand_kind"].to_numpy(object) == "target"
    rate = net.job.settings.rates.local
    for kind, places in ((AT_MARK, mark), (WITH_OBSERVER, observer)):
        for name, at in by_name(thing, targets & (thing != "")):
            _parts(family, kind, name, rows.start + at, node[at], places[at], rate)
    over = [(name, at) for name, at in by_name(mark, targets & (mark != "")) if len(set(node[at].tolist())) >= LEAST]
    for name, at in over:
        of = set(thing[at].tolist())
        if len(of) > 1 or of == {""}:
            share = rate / max(1, len(net.setup_node))
            family.shared(Thing.several("local", OVER_MARK, name), rows.start + at, np.ones(len(at)), share)


def _parts(
    family: Builder, kind: str, name: str, at: Ints, node: Ints, places: npt.NDArray[np.object_], rate: float
) -> None:
    parts = [(place, some) for place, some in by_name(places, places != "")]
    for place, some in parts:
        if len(set(node[some].tolist())) >= LEAST and len(some) < len(at):
            thing = Thing.several("local", kind, name, place)
            family.shared(thing, at[some], np.ones(len(some)), rate / len(parts))


def evidence(records: Records, thing: Thing) -> Evidence:
    """As of all heights of the equipment."""
    kind, name, *_ = thing.names
    return group.evidence(records, Thing.both("group", "equipment", NOT_NAMED if kind == OVER_MARK else name))


ANOTHER_POINT = "one of these targets measured to another point, or a sight there to a pole of fixed height"

KIND = Kind(
    "local", ("local",), group.CAUSES, evidence, events=events,
    words={"local": Words("error of several targets alike", "errors of several targets alike")},
    shared={
        AT_MARK: Shared("every target height of {name} at mark {place}", ANOTHER_POINT),
        WITH_OBSERVER: Shared(
            "every target height of {name} by {place}", "one of these targets measured again by somebody else"
        ),
        OVER_MARK: Shared("every target height over mark {name}", ANOTHER_POINT),
    },
)  # fmt: skip
