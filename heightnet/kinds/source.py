"""Known heights of one source or epoch, wrong together: an old list, another datum."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from heightnet.kinds import slips
from heightnet.kinds.cause import Cause, Evidence
from heightnet.kinds.kind import Kind, Shared, Words, by_name
from heightnet.kinds.known import patterns
from heightnet.kinds.records import Records
from heightnet.ledger.thing import Thing

if TYPE_CHECKING:
    from heightnet.judge.family import Builder
    from heightnet.network.model import Network

OTHER_LIST = 0.100  # how far apart lists of heights usually are, m

CAUSES = (
    Cause("old_list", "an older list of heights, or one in another system", 1.0, slips.usually(OTHER_LIST)),
)  # fmt: skip


def events(family: Builder, net: Network) -> None:
    """Two and more known marks with the same source in the job's marks; those without one, where others have one."""
    marks = net.job.marks
    source, names = marks["source"].to_numpy(object), marks["mark"].to_numpy(object)
    of_mark = patterns(net)
    known = np.array([name in of_mark for name in names], dtype=bool)
    for name, at in by_name(source, known) if (source[known] != "").any() else ():
        if len(at) < 2:
            continue
        parts = [of_mark[mark] for mark in names[at]]
        rows = np.concatenate([rows for rows, _ in parts])
        values = np.concatenate([values for _, values in parts])
        where, code = np.unique(rows, return_inverse=True)
        total = np.bincount(code.ravel(), weights=values)  # between two marks held both errors may go out of a row
        kept = total != 0
        if kept.any():
            family.pattern(Thing("source", name), where[kept], total[kept], -1, net.job.settings.rates.source)


def evidence(records: Records, thing: Thing) -> Evidence:
    return Evidence("source", 0.0)


KIND = Kind(
    "source", ("source",), CAUSES, evidence, events=events,
    words={"source": Words("source of known heights", "sources of known heights")},
    shared={
        "source": Shared(
            "every known height of {name}", "a sight or a levelled difference to a known mark of another source",
            "every known height without a source",
        ),
    },
)  # fmt: skip
