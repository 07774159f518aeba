"""What several jobs can share and have wrong in all of them: equipment, instruments, tapes, observers, by name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy import sparse

from heightnet.arrays import Floats, Ints
from heightnet.kinds.height import thing_of
from heightnet.kinds.kind import by_name
from heightnet.ledger.thing import Thing
from heightnet.network.model import Network


@dataclass(frozen=True)
class Measure:
    """How errors of a kind are told.

    list, unit, factor : the list of facts they stand in, its unit, and how many of that are 1 m, 1 m/m or 1 rad.
    usual : scale of a kind before the archive has its say, m, m/m, rad.  Judgement, not measured.
    matters : size in ``unit``, an error of which must show before a thing is called right.
    """

    list: str
    unit: str
    factor: float
    usual: float
    matters: float


OFFSET = Measure("offsets", "mm", 1e3, usual=5e-4, matters=2.0)
SCALE = Measure("scales", "mm_per_m", 1e3, usual=5e-4, matters=1.0)
INDEX = Measure("indexes", "sec", 180 * 3600 / np.pi, usual=5e-5, matters=10.0)
MEASURES = (OFFSET, SCALE, INDEX)

KINDS = {
    "equipment": OFFSET,
    "instrument": OFFSET,
    "tape": OFFSET,
    "observer": OFFSET,
    "equipment_scale": SCALE,
    "tape_scale": SCALE,
    "index": INDEX,
}
"""Kinds of things' errors.

equipment, instrument, tape, observer : an offset, m, of every height of targets with this equipment; of set-ups with
    this instrument; read with this tape; of set-ups that this person read.  Above 0: recorded too high.
equipment_scale, tape_scale : a share of the height, read off a pole where no tape is named; of the length on the tape.
    It counts from `PIVOT_M`, so that the offset is the error at such a height, where heights are read.
index : the vertical index error of an instrument, rad, seen in single faces.
"""

PIVOT_M = 1.5
VARIES = 0.02  # a thing whose heights vary by less than this share of their mean shows no scale beside its offset


class Shared(NamedTuple):
    """A thing that jobs share, and the days between which it counts as this one.

    since, until : the first and the last day, `datetime.date.toordinal`; None as long as nothing changed before, after.

    >>> prism = Thing("equipment", "P")
    >>> str(Shared(prism)), str(Shared(prism, until=899)), str(Shared(prism, 500, 899))
    ('equipment:P', 'equipment:P|before 900', 'equipment:P|from 500|before 900')
    """

    thing: Thing
    since: int | None = None
    until: int | None = None

    def __str__(self) -> str:
        since = "" if self.since is None else f"|from {self.since}"
        return f"{self.thing}{since}" + ("" if self.until is None else f"|before {self.until + 1}")

    def on(self, day: int | None, changed: Mapping[Shared, int]) -> Shared:
        """As what it counts on a day; ``changed`` gives the days on which things became others.

        On an unknown day what changed is a thing by itself.

        >>> prism = Shared(Thing("equipment", "P"))
        >>> [str(prism.on(day, {prism: 10})) for day in (9, 10, None)]
        ['equipment:P|before 10', 'equipment:P|from 10', 'equipment:P|?']
        """
        shared = self
        while shared in changed:
            if day is None:
                return Shared(self.thing._replace(name=f"{self.thing.name}|?"))
            first = changed[shared]
            shared = shared._replace(since=first) if day >= first else shared._replace(until=first - 1)
        return shared


@dataclass(frozen=True)
class Things:
    """The columns of one job.

    C : (m, t) sparse, in the units of `KINDS`.
    heights : (t,) how many readings, or sights, each touches.
    typical : (t,) root mean square of a column's entries: what a unit of it does to one of them, m.
    """

    things: list[Thing]
    C: sparse.csc_matrix
    heights: Ints
    typical: Floats

    def __len__(self) -> int:
        return len(self.things)


def things_of(net: Network) -> Things:
    """The things that a job names.  What is not named is this job's own: no other job can share it."""
    columns = list(_columns(net))
    rows = [at for _, at, _ in columns]
    count = np.array([len(at) for at in rows], dtype=np.int64)
    column = np.repeat(np.arange(len(columns)), count)
    data = np.concatenate([*(value for *_, value in columns), np.zeros(0)])
    row = np.concatenate([*rows, np.zeros(0, dtype=np.int64)])
    C = sparse.csc_matrix((data, (row, column)), shape=(len(net.y), len(columns)))
    square = np.bincount(column, weights=data**2, minlength=len(columns))
    return Things([thing for thing, *_ in columns], C, count, np.sqrt(square / np.maximum(count, 1)))


def _columns(net: Network) -> Iterator[tuple[Thing, Ints, Floats]]:
    """Thing, observations and entries of every column."""
    readings, first = net.readings, net.rows("height").start
    if len(readings):
        of = readings["stand_kind"].to_numpy(object)
        height, value = readings["height"].to_numpy(float), readings["value"].to_numpy(float)
        thing, tape, observer = thing_of(net.job, readings), *(readings[c].to_numpy(object) for c in ("tape", "by"))
        wanted = (
            ("equipment", thing, (of == "target") & (thing != ""), np.where(tape == "", height, 0.0)),
            ("instrument", thing, (of == "setup") & (thing != ""), None),
            ("tape", tape, tape != "", value),
            ("observer", observer, (of == "setup") & (observer != ""), None),
        )
        for kind, names, where, length in wanted:
            for name, at in by_name(names, where):
                yield Thing(kind, name), first + at, np.ones(len(at))
                if length is None:
                    continue
                read = at[length[at] != 0]
                if len(read) and np.ptp(length[read]) > VARIES * abs(length[read].mean()):
                    yield Thing(f"{kind}_scale", name), first + read, length[read] - PIVOT_M
    shots = net.rows("shot")
    instrument = net.job.setups["instrument"].to_numpy(object)[net.shot_setup]
    arm = net.sights.index_arm
    for name, at in by_name(instrument, (arm != 0) & (instrument != "")):
        yield Thing("index", name), shots.start + at, arm[at]
