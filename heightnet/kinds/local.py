"""Equipment that is wrong at one mark or with one observer, every target over one mark, and every reading of a stand
that was held to one point of it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from heightnet.arrays import Ints
from heightnet.kinds import group, slips
from heightnet.kinds.cause import Cause, Evidence
from heightnet.kinds.height import of_readings, stand_labels, thing_of
from heightnet.kinds.kind import Kind, Shared, Words, by_name
from heightnet.kinds.records import Records
from heightnet.ledger.thing import NOT_NAMED, Thing

if TYPE_CHECKING:
    from heightnet.judge.family import Builder
    from heightnet.network.model import Network

LEAST = 2  # stands, or readings of one, that have it wrong together

AT_MARK, WITH_OBSERVER, OVER_MARK = "equipment_at_mark", "equipment_with_observer", "targets_over_mark"
TO_POINT = "readings_to_point"
CAUSES = (
    Cause("other_point", "the tape held to {detail}, each time", 0.40, slips.other_point_always),
    Cause("section", "a section of the pole drawn out or put back", 0.20, slips.constant("sections")),
    Cause("under", "something under the point of the pole, or the mark itself moved", 0.20, slips.usually(0.02)),
)
AXIS, IN_PARTS = "the axis", "the axis in parts"


def events(family: Builder, net: Network) -> None:
    """Two and more stands of some equipment at one mark or by one observer; others of it are elsewhere."""
    readings, rows = net.readings, net.rows("height")
    if not len(readings):
        return
    points(family, net)
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


def points(family: Builder, net: Network) -> None:
    """All readings of a stand to one of its measuring points, where it has several such and others besides.

    One reading to a point is a reading alone, all to the only point are the stand's height.  Parts are a way of their
    own.
    """
    import pandas as pd

    readings, rows = net.readings, net.rows("height")
    node = net.head[rows]
    held = np.array([way_of(*one) for one in zip(readings["point"], readings["kind"], strict=True)], dtype=object)
    code, names = pd.factorize(held)
    way, at, count = np.unique(node * max(len(names), 1) + code, return_inverse=True, return_counts=True)
    stand = way // max(len(names), 1)
    some = np.flatnonzero((count >= LEAST) & (count < np.bincount(node, minlength=len(net.nodes))[stand]))
    order, first = np.argsort(at.ravel(), kind="stable"), np.cumsum(count) - count
    for w, kind, label in zip(some.tolist(), *stand_labels(net, stand[some]), strict=True):
        these = order[first[w] : first[w] + count[w]]
        thing = Thing.several("local", TO_POINT, str(kind), str(label), str(held[these[0]]))
        ones = np.ones(len(these))
        family.pattern(thing, rows.start + these, ones, int(stand[w]), net.job.settings.rates.reading)


def _parts(
    family: Builder, kind: str, name: str, at: Ints, node: Ints, places: npt.NDArray[np.object_], rate: float
) -> None:
    parts = [(place, some) for place, some in by_name(places, places != "")]
    for place, some in parts:
        if len(set(node[some].tolist())) >= LEAST and len(some) < len(at):
            thing = Thing.several("local", kind, name, place)
            family.shared(thing, at[some], np.ones(len(some)), rate / len(parts))


def evidence(records: Records, thing: Thing) -> Evidence:
    """As of all heights of the equipment; of readings to one point as of these."""
    kind, name, *of = thing.names
    if kind == TO_POINT:
        stand, point = of
        held = records.column["point"], records.column["kind"]
        found = [i for i in records.positions(name, stand) if way_of(held[0][i], held[1][i]) == point]
        return replace(of_readings(records, name, stand, found), partners=())  # in its own place at the other points
    of_all = group.evidence(records, Thing.both("group", "equipment", NOT_NAMED if kind == OVER_MARK else name))
    return replace(of_all, kind="local")


def way_of(point: str, kind: str) -> str:
    return IN_PARTS if kind == "parts" else point or AXIS


ANOTHER_POINT = "one of these targets measured to another point, or a sight there to a pole of fixed height"

KIND = Kind(
    "local", ("local",), CAUSES, evidence, events=events,
    words={"local": Words("error of several targets alike", "errors of several targets alike")},
    shared={
        AT_MARK: Shared("every target height of {name} at mark {place}", ANOTHER_POINT),
        WITH_OBSERVER: Shared(
            "every target height of {name} by {place}", "one of these targets measured again by somebody else"
        ),
        OVER_MARK: Shared("every target height over mark {name}", ANOTHER_POINT),
        TO_POINT: Shared("every reading to {place}", "one more reading there to another point, or in parts"),
    },
)  # fmt: skip
