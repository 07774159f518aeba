"""The order in which things were done: by the times recorded with them, else as they stand in their table."""

from __future__ import annotations

from itertools import pairwise, starmap
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from heightnet.arrays import Ints, Names
from heightnet.reduce.moments import holds, moment

if TYPE_CHECKING:
    from heightnet.job.model import Job

LATE, EARLY = "11", "08"  # hours between which a day that goes on may seem to go back
TIMES, ROWS = "times", "rows"


class Order(NamedTuple):
    """The order of n things.

    rank : (n,) from 0; what was done at one time has one rank.
    by : "times" where each has a time that can be set against the others', else "rows": as they stand.
    """

    rank: Ints
    by: str


def in_order(whens: Names) -> Order:
    """The order of what was done at these times; of hours without a date, as if all were of one day, unless they go
    back once on the way from late to early: that is a clock of twelve hours, or a night, and the rows are the order.

    Parameters
    ----------
    whens : (n,) texts, of one table or of several one after another.

    >>> in_order(np.array(["10:20", "9:05", "9:05 am"], dtype=object))
    Order(rank=array([1, 0, 0]), by='times')
    >>> in_order(np.array(["10:20", "9:05", ""], dtype=object))
    Order(rank=array([0, 1, 2]), by='rows')
    >>> in_order(np.array(["10:20", "12:50", "1:35", "2:40"], dtype=object))
    Order(rank=array([0, 1, 2, 3]), by='rows')
    """
    import pandas as pd  # kinds know this module, and a result is shown without pandas

    code, texts = pd.factorize(whens)
    told = [moment(text) for text in texts.tolist()]
    at = [one[1] for one in told if one is not None]
    sorted_at = sorted(set(at))
    if len(at) < len(told) or len({one[0] for one in told if one}) > 1 or any(starmap(holds, pairwise(sorted_at))):
        return Order(np.arange(len(whens)), ROWS)
    place = {text: i for i, text in enumerate(sorted_at)}
    rank = np.array([place[text] for text in at], dtype=np.int64)[code]
    back = np.flatnonzero(np.diff(rank) < 0)
    if len(back) == 1 and rank[-1] < rank[0] and told[0] and told[0][0] == "hour":
        before, after = (sorted_at[rank[i]] for i in (back[0], back[0] + 1))
        if before >= LATE and after < EARLY:
            return Order(np.arange(len(whens)), ROWS)
    return Order(rank, TIMES)


def times(job: Job) -> dict[str, Names]:
    """When each row of setups, targets, shots, tape and staff was done: by table, texts, "" where nothing says it.

    A set-up without a time has that of its first shot that has one, a target that of the first shot to it, a shot or a
    tape reading that of its set-up or stand.
    """
    tables = ("setups", "targets", "shots", "tape", "staff")
    when = {table: job.tables[table]["when"].to_numpy(object) for table in tables}

    def names(table: str, column: str) -> Names:
        return job.tables[table][column].to_numpy(object)

    of_shot = names("shots", "setup")
    when["setups"] = _filled(when["setups"], names("setups", "setup"), of_shot, when["shots"])
    when["shots"] = _filled(when["shots"], of_shot, names("setups", "setup"), when["setups"])
    when["targets"] = _filled(when["targets"], names("targets", "target"), names("shots", "target"), when["shots"])
    kinds, stands = names("tape", "stand_kind"), names("tape", "stand")
    for table, kind in (("setups", "setup"), ("targets", "target"), ("setups", "tripod"), ("targets", "tripod")):
        of_kind = np.where(kinds == kind, stands, "")
        when["tape"] = _filled(when["tape"], of_kind, names(table, kind), when[table])
    return when


def _filled(whens: Names, names: Names, others: Names, others_whens: Names) -> Names:
    """Times; those not recorded are the first recorded with the same name among others."""
    there = np.flatnonzero((others_whens != "") & (others != ""))[::-1]
    if not len(there):
        return whens
    first = dict(zip(others[there].tolist(), others_whens[there].tolist(), strict=True))
    blank = np.flatnonzero(whens == "")
    out = whens.copy()
    out[blank] = [first.get(name, "") for name in names[blank].tolist()]
    return out
