"""Sums over jobs: what grows with the things of an archive, not with its jobs."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import sparse

from heightnet.archive.things import OFFSETS
from heightnet.ledger.thing import Thing
from heightnet.rows import Record

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

REDUCED = "heightnet-reduced/2"  # the form of the records
KEPT = 1 << 20  # entries of a sum gathered before equal ones are added up
MOST_BINS = 48  # of a thing's time line
ROOM = 8

Split = tuple[int, str, str]
"""A day from which a thing counts as another, and the names of what it was and what it is."""


@dataclass(frozen=True)
class Block:
    """What one job says of its things: names, score u (t,), information G (t, t), own information; day or None."""

    names: list[str]
    u: Floats
    G: Floats
    own: Floats
    heights: list[int]
    day: int | None


def block_of(record: Mapping[str, Any], splits: Mapping[str, Sequence[Split]] | None = None) -> Block:
    """The numbers of a record; things that changed under the name of their day."""
    names, count = list(record["things"]), len(record["things"])
    G = np.zeros((count, count))
    i, j = _upper(count)
    G[i, j] = G[j, i] = record["G"]
    day = date.fromisoformat(record["date"]).toordinal() if record["date"] else None
    if splits:
        names = [split_name(name, day, splits) for name in names]
    block = Block(names, np.array(record["u"]), G, np.array(record["own"]), list(record["heights"]), day)
    return block if len(set(names)) == count else _merged(block)


@cache
def _upper(count: int) -> tuple[Ints, Ints]:
    return np.triu_indices(count)


def _merged(block: Block) -> Block:
    """Things of one name, two people of the same initials, as the one thing they are called."""
    names = list(dict.fromkeys(block.names))
    S = np.array([[float(one == name) for one in block.names] for name in names])
    heights = (S @ block.heights).astype(int).tolist()
    return Block(names, S @ block.u, S @ block.G @ S.T, S @ block.own, heights, block.day)


def split_name(name: str, day: int | None, splits: Mapping[str, Sequence[Split]]) -> str:
    """The name under which a thing counts on a day; on an unknown day, that of a thing by itself.

    >>> split_name("equipment:P", 12, {"equipment:P": [(10, "equipment:P|-10", "equipment:P|10-")]})
    'equipment:P|10-'
    """
    while name in splits:
        if day is None:
            return f"{name}|?"
        first, before, after = splits[name][0]
        name = after if day >= first else before
    return name


class Index:
    """Positions of names, in order of appearance."""

    def __init__(self) -> None:
        self.at: dict[str, int] = {}

    def __len__(self) -> int:
        return len(self.at)

    def of(self, names: Sequence[str]) -> Ints:
        return np.array([self.at.setdefault(name, len(self.at)) for name in names], dtype=np.int64)


class Information:
    """u and sparse G of all things, summed over jobs, for several sizes of an error that a thing has anew in each job.

    Such an error e ~ N(0, omega^2), one for each offset of each job, turns a job's (u, G) into
    (I + G W)^-1 u and (I + G W)^-1 G with W = diag(omega^2), and adds to the logarithm of the likelihood
    u'W(I + G W)^-1 u / 2 - log|I + G W| / 2.

    Parameters
    ----------
    omega : (k,) m.
    """

    def __init__(self, index: Index, omega: Floats) -> None:
        self.index, self.omega = index, np.asarray(omega, dtype=float)
        self.constant = np.zeros(len(self.omega))
        self._u = np.zeros((len(self.omega), 0))
        self._own = np.zeros(0)
        self._jobs = np.zeros(0)
        self._heights = np.zeros(0)
        self._i: list[Ints] = []
        self._j: list[Ints] = []
        self._v: list[Floats] = []
        self._size = 0
        self._sums: list[sparse.csr_array] = []

    def add(self, block: Block) -> tuple[Ints, npt.NDArray[Any], npt.NDArray[Any]]:
        """Count a job in; positions of its things, u (k, t) and G (k, t, t) as counted."""
        at = self.index.of(block.names)
        self._grow()
        count = len(at)
        W = np.where([Thing.of(n).kind in OFFSETS for n in block.names], self.omega[:, None] ** 2, 0.0)
        spread = np.eye(count) + block.G[None] * W[:, None, :]
        part = np.linalg.solve(spread, np.broadcast_to(np.column_stack([block.G, block.u]), (len(W), count, count + 1)))
        G, u = part[:, :, :-1], part[:, :, -1]
        G = (G + G.transpose(0, 2, 1)) / 2
        self.constant += 0.5 * np.einsum("t,kt,kt->k", block.u, W, u) - 0.5 * np.linalg.slogdet(spread)[1]
        for k in range(len(W)):
            np.add.at(self._u[k], at, u[k])
        np.add.at(self._own, at, block.own)
        seen = np.diag(block.G) > 0
        np.add.at(self._jobs, at, seen)
        np.add.at(self._heights, at, block.heights)
        self._i.append(np.repeat(at, count))
        self._j.append(np.tile(at, count))
        self._v.append(G.reshape(len(W), -1))
        self._size += count * count
        if self._size > KEPT:
            self._compress()
        return at, u, G

    def _grow(self) -> None:
        missing = len(self.index) - len(self._own)
        if missing > 0:
            more = max(missing, len(self._own))
            self._u = np.pad(self._u, ((0, 0), (0, more)))
            own, jobs, heights = (np.pad(x, (0, more)) for x in (self._own, self._jobs, self._heights))
            self._own, self._jobs, self._heights = own, jobs, heights

    def _compress(self) -> None:
        n = len(self.index)
        i, j = np.concatenate([*self._i, np.zeros(0, np.int64)]), np.concatenate([*self._j, np.zeros(0, np.int64)])
        v = np.concatenate([*self._v, np.zeros((len(self.omega), 0))], axis=1)
        for k in range(len(self.omega)):
            more = sparse.coo_array((v[k], (i, j)), shape=(n, n)).tocsr()
            if k < len(self._sums):
                old = self._sums[k]
                old.resize((n, n))
                self._sums[k] = old + more
            else:
                self._sums.append(more)
        self._i, self._j, self._v, self._size = [], [], [], 0

    def total(self, k: int = 0) -> tuple[Floats, sparse.csr_array]:
        """u (n,) and G (n, n) at omega[k]."""
        self._compress()
        return self._u[k, : len(self.index)], self._sums[k]

    @property
    def own(self) -> Floats:
        return self._own[: len(self.index)]

    @property
    def jobs(self) -> Ints:
        """(n,) jobs in which each thing is seen."""
        return self._jobs[: len(self.index)].astype(np.int64)

    @property
    def heights(self) -> Ints:
        return self._heights[: len(self.index)].astype(np.int64)


@dataclass
class TimeLine:
    """One thing's u and its row of G by time: bins of a power of two of days, as wide as `MOST_BINS` ask for.

    The width follows from the days alone, so neither the order of the jobs nor a division of the archive matters.
    """

    width: int = 1
    partners: dict[int, int] = field(default_factory=dict)
    rows: dict[int, Floats] = field(default_factory=dict)
    days: dict[int, list[int]] = field(default_factory=dict)  # first and last day, number of jobs

    def add(self, day: int, at: Ints, u: float, row: Floats) -> None:
        """A job's u of this thing, and its row of G at the things ``at``."""
        place = [self.partners.setdefault(int(i), len(self.partners)) + 1 for i in at]
        values = np.zeros(1 + max(ROOM, 1 << len(self.partners).bit_length()))
        values[0], values[place] = u, row
        self._put(day // self.width, values, [day, day, 1])
        while len(self.rows) > MOST_BINS:
            self._widen()

    def _put(self, bin_: int, values: Floats, days: list[int]) -> None:
        old = self.rows.get(bin_)
        if old is None:
            self.rows[bin_], self.days[bin_] = values, days
            return
        if len(old) < len(values):
            old = np.pad(old, (0, len(values) - len(old)))
        old[: len(values)] += values
        seen = self.days[bin_]
        self.rows[bin_] = old
        self.days[bin_] = [min(seen[0], days[0]), max(seen[1], days[1]), seen[2] + days[2]]

    def _widen(self) -> None:
        rows, days = self.rows, self.days
        self.width, self.rows, self.days = 2 * self.width, {}, {}
        for bin_ in sorted(rows):
            self._put(bin_ // 2, rows[bin_], days[bin_])

    def table(self) -> tuple[Ints, Floats, Floats, Ints]:
        """partners (p,), u (b,), rows of G (b, p), and first day, last day, jobs (b, 3) of the bins in order."""
        order = sorted(self.rows)
        count = len(self.partners)
        full = np.zeros((len(order), 1 + count))
        for i, bin_ in enumerate(order):
            row = self.rows[bin_][: 1 + count]
            full[i, : len(row)] = row
        partners = np.array(list(self.partners), dtype=np.int64)
        return partners, full[:, 0], full[:, 1:], np.array([self.days[b] for b in order], dtype=np.int64)


@dataclass
class Tally:
    """Counts of blunders of one kind, person or method: heights, tested, expected, histogram of Bayes factors."""

    heights: float = 0.0
    tested: float = 0.0
    expected: float = 0.0
    bins: dict[int, list[float]] = field(default_factory=dict)

    def add(self, entry: Mapping[str, Any]) -> None:
        self.heights += entry["heights"]
        self.tested += entry["tested"]
        self.expected += entry["expected"]
        self.add_evidence(entry["evidence"])

    def add_evidence(self, evidence: Sequence[Sequence[float]]) -> None:
        for bin_, count, mean in evidence:
            seen = self.bins.setdefault(int(bin_), [0.0, 0.0])
            seen[0] += count
            seen[1] += count * mean

    @property
    def factors(self) -> tuple[Floats, Floats]:
        """Counts and mean Bayes factors, by size."""
        rows = np.array([self.bins[b] for b in sorted(self.bins)]).reshape(-1, 2)
        return rows[:, 0], rows[:, 1] / np.maximum(rows[:, 0], 1e-300)


class Counts:
    """Everything about blunders that is summed over jobs."""

    def __init__(self) -> None:
        self.jobs = self.dated = 0
        self.first: int | None = None
        self.last: int | None = None
        self.classes: dict[str, Tally] = defaultdict(Tally)  # by what they are made of
        self.by: dict[str, dict[str, Tally]] = {of: defaultdict(Tally) for of in ("observer", "method", "equipment")}
        self.causes: dict[str, float] = defaultdict(float)
        self.stands: dict[str, float] = defaultdict(float)
        self.stated: dict[str, float] = defaultdict(float)
        self.let_go: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0, 0.0, 0.0])

    def add(self, record: Mapping[str, Any]) -> None:
        self.jobs += 1
        if record["date"]:
            day = date.fromisoformat(record["date"]).toordinal()
            self.dated += 1
            self.first = day if self.first is None else min(self.first, day)
            self.last = day if self.last is None else max(self.last, day)
        for made_of, evidence in record["evidence"].items():
            self.classes[made_of].add_evidence(evidence)
        for of, names in record["by"].items():
            for name, entry in names.items():
                self.by[of][name].add(entry)
        for cause, count in record["causes"].items():
            self.causes[cause] += count
        for key, count in record["stands"].items():
            self.stands[key] += count
        for kind, rate in record["rates"].items():
            self.stated[kind] += rate
        for name, (error, sd) in record["let_go"].items():
            total = self.let_go[name]
            total[0] += 1
            for power in range(3):
                total[1 + power] += error**power / sd**2


def mapped(records: Callable[[], Iterator[Record]], shown: Callable[[str], str]) -> Callable[[], Iterator[Record]]:
    """The records with observers' names replaced."""

    def one(record: Record) -> Record:
        def name(id: str) -> str:
            thing = Thing.of(id)
            return str(thing._replace(name=shown(thing.name))) if thing.kind == "observer" else id

        by = dict(record["by"])
        observers: dict[str, Tally] = defaultdict(Tally)
        for who, entry in by["observer"].items():
            observers[shown(who)].add(entry)
        by["observer"] = {
            who: {"heights": t.heights, "tested": t.tested, "expected": t.expected,
                  "evidence": [[b, n, s / n] for b, (n, s) in sorted(t.bins.items())]}
            for who, t in observers.items()
        }  # fmt: skip
        things = [name(thing) for thing in record["things"]]
        return {**record, "things": things, "by": by, "let_go": {name(t): v for t, v in record["let_go"].items()}}

    return lambda: map(one, records())
