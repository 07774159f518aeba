"""The recorded separation of a mark: the geoid's height above the ellipsoid."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from heightnet.kinds import gnss, slips, written
from heightnet.kinds.cause import Cause, Evidence
from heightnet.kinds.kind import DATUM, Group, Kind, Shared, Words
from heightnet.kinds.records import Records
from heightnet.ledger.thing import Thing

if TYPE_CHECKING:
    from heightnet.judge.family import Builder
    from heightnet.network.model import Network

OTHER_MODEL = 0.10  # how far two geoid models usually differ, m

CAUSES = (
    Cause("other_model", "a separation of another place or of another geoid model", 0.40, slips.usually(OTHER_MODEL)),
    gnss.SIGN,
    written.TRANSPOSED,
)


def evidence(records: Records, thing: Thing) -> Evidence:
    recorded = float(records.mark(thing.name)["separation"])
    return Evidence("separation", recorded, readings=records.written(recorded))


def alone(family: Builder, net: Network) -> None:
    """Each mark's separation: wrong by b, it spoils every satellite row to its mark by -b."""
    rows = net.rows("gnss")
    at = np.arange(rows.start, rows.stop)
    start, end = (np.where(node == DATUM, -1, net.nodes.mark[node]) for node in (net.tail[rows], net.head[rows]))
    row = np.concatenate([at, at])
    mark = np.concatenate([end, start])
    sign = np.repeat([-1.0, 1.0], len(at))
    kept = (mark >= 0) & np.tile(start != end, 2)
    order = np.argsort(mark[kept], kind="stable")
    row, mark, sign = row[kept][order], mark[kept][order], sign[kept][order]
    if not len(row):
        return
    marks, first = np.unique(mark, return_index=True)
    rate = net.job.settings.rates.separation
    for node, these, signs in zip(marks.tolist(), np.split(row, first[1:]), np.split(sign, first[1:]), strict=True):
        family.pattern(Thing("separation", str(net.nodes.name[node])), these, signs, node, rate)


def common(net: Network) -> Iterator[Group]:
    """All separations too high by b make every height of one antenna too low by b."""
    rows = net.rows("gnss")
    at = np.flatnonzero(net.tail[rows] == DATUM)
    yield "separations", "the whole job", rows.start + at, -np.ones(len(at)), np.nan


KIND = Kind(
    "separation", ("separation",), CAUSES, evidence, alone=alone, common=common,
    words={"separation": Words("separation")},
    shared={
        "separations": Shared(
            "every separation", "an antenna of another model on a known mark, its height taped in parts"
        ),
    },
)  # fmt: skip
