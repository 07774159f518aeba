"""What was used one time after the other, or read one above the other: where an error may have begun or ended."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from heightnet.arrays import Floats, Ints, Names
from heightnet.reduce.order import ROWS, TIMES, in_order, times

if TYPE_CHECKING:
    from heightnet.network.model import Network

READINGS = "readings"  # an order by what was read, not by when


class Sequence(NamedTuple):
    """The uses of one thing that may be wrong alike, arrays of one length.

    kind, name : as of the common error.
    rows, pattern : observations, and what a unit of the error does to them.
    rank : moments from 0 in their order; what was done at one moment has one rank.
    called : names of the uses: of stands, or rows of a table; all of one stand are one use.
    when : times of the uses, "" where nothing says it; in an order of readings what was read.
    by : "times", "rows" or "readings", what the order goes by.
    ends : whether what began may have ended again: a joint of a staff touches all that is above it.
    """

    kind: str
    name: str
    rows: Ints
    pattern: Floats
    rank: Ints
    called: Names
    when: Names
    by: str
    ends: bool = True

    @property
    def moments(self) -> list[str]:
        """The name of the first use of each moment."""
        first = np.unique(self.rank, return_index=True)[1]
        return [str(name) for name in self.called[first]]


def dense(rank: Ints) -> Ints:
    """Ranks without gaps."""
    return np.unique(rank, return_inverse=True)[1].ravel().astype(np.int64)


class Uses(NamedTuple):
    """When each stand of a job was first used.

    setups, targets : (n,) ranks, comparable with one another.
    by : "times" or "rows", as of `heightnet.reduce.order.Order`.
    when : texts of the times, by table, "" where nothing says it.
    """

    setups: Ints
    targets: Ints
    by: str
    when: dict[str, Names]


def uses_of(net: Network) -> Uses:
    """By the times recorded, where they part most set-ups; else as the sights stand in their table, stands without one
    last, as they stand."""
    when = times(net.job)
    setups, targets = when["setups"], when["targets"]
    both = in_order(np.concatenate([setups, targets]))
    each = {in_order(setups).by, in_order(targets).by}
    if both.by == TIMES and ROWS not in each and 2 * len(np.unique(both.rank)) > len(setups):
        return Uses(both.rank[: len(net.setup_node)], both.rank[len(net.setup_node) :], TIMES, when)
    shots = len(net.shot_setup)

    def first(of_shot: Ints, count: int) -> Ints:
        at = shots + np.arange(count)
        at[of_shot[::-1]] = np.arange(shots)[::-1]
        return at

    return Uses(first(net.shot_setup, len(net.setup_node)), first(net.shot_target, len(net.target_node)), ROWS, when)


def shot_order(some: Ints, when: Names) -> tuple[Ints, str]:
    """(some,) ranks of sights, and what they go by: their times, or where one lacks, or they do not part the half of
    them, their rows."""
    found = in_order(when[some])
    if 2 * len(np.unique(found.rank)) <= len(some):
        return np.argsort(np.lexsort((some, found.rank))), ROWS
    return found.rank, found.by
