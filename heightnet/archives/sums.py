"""Sums over jobs: what grows with the things of an archive, not with its jobs."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cache
from math import isfinite
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import sparse

from heightnet.archives.things import KINDS, OFFSET, Shared
from heightnet.arrays import Floats, Ints
from heightnet.errors import HeightnetError
from heightnet.ledger.thing import Thing
from heightnet.rows import Record

REDUCED = "heightnet-reduced/2"  # the form of the records
KEPT = 1 << 20  # entries of a sum gathered before equal ones are added up
MOST_BINS = 48  # of a thing's time line


def plain(value: Any) -> Any:
    """Facts as JSON has them, numbers with nine digits: far below what any of it is known to, and sums in another order
    give the same; None where there is no finite one.

    >>> plain({"u": np.array([1 / 3, np.inf]), "jobs": 3})
    {'u': [0.333333333, None], 'jobs': 3}
    """
    if isinstance(value, dict):
        return {key: plain(one) for key, one in value.items()}
    if isinstance(value, list | np.ndarray):
        return [plain(one) for one in value]
    if isinstance(value, float):
        return float(f"{value:.9g}") if isfinite(value) else None
    return value


@dataclass(frozen=True)
class Block:
    """What one job says of its things: score u (t,), information G (t, t), own information, readings; day or None."""

    things: list[Shared]
    u: Floats
    G: Floats
    own: Floats
    heights: Ints
    day: int | None


def block_of(record: Record, changed: Mapping[Shared, int] | None = None) -> Block:
    """The numbers of a record; things that changed as what they were on its day."""
    day = day_of(record)
    things = [Shared(Thing.of(id)).on(day, changed or {}) for id in record["things"]]
    G = np.zeros((len(things), len(things)))
    i, j = _upper(len(things))
    G[i, j] = G[j, i] = record["G"]
    return Block(things, np.array(record["u"]), G, np.array(record["own"]), np.array(record["heights"]), day)


def day_of(record: Record) -> int | None:
    return date.fromisoformat(record["date"]).toordinal() if record["date"] else None


@cache
def _upper(count: int) -> tuple[Ints, Ints]:
    return np.triu_indices(count)


class Information:
    """u and sparse G of all things, summed over jobs, for several sizes of an error that a thing has anew in each job.

    Such an error e ~ N(0, omega^2), one for each offset of each job, turns a job's (u, G) into
    (I + G W)^-1 u and (I + G W)^-1 G with W = diag(omega^2), and adds to the logarithm of the likelihood
    u'W(I + G W)^-1 u / 2 - log|I + G W| / 2.

    Parameters
    ----------
    omega : (k,) m.

    Attributes
    ----------
    at : position of each thing, in order of appearance.
    """

    def __init__(self, omega: Sequence[float]) -> None:
        self.at: dict[Shared, int] = {}
        self.omega = np.array(omega, dtype=float)
        self._constant = np.zeros(len(omega))
        self._rows = np.zeros((len(omega) + 3, 0))  # u, then own information, jobs, heights
        self._G = [sparse.csr_array((0, 0))] * len(omega)
        self._gathered: list[tuple[Ints, Floats, Floats]] = []  # positions (t,), rows (k + 3, t), G (k, t, t)
        self._size = 0

    def add(self, block: Block) -> tuple[Ints, Floats, Floats]:
        """Count a job in; positions of its things, u (k, t) and G (k, t, t) as counted."""
        at = np.array([self.at.setdefault(thing, len(self.at)) for thing in block.things], dtype=np.int64)
        W = np.where([KINDS[shared.thing.kind] is OFFSET for shared in block.things], self.omega[:, None] ** 2, 0.0)
        spread = np.eye(len(at)) + block.G * W[:, None, :]
        part: npt.NDArray[Any] = np.linalg.solve(
            spread, np.broadcast_to(np.column_stack([block.G, block.u]), (*W.shape, len(at) + 1))
        )
        G, u = part[:, :, :-1], part[:, :, -1]
        G = (G + G.transpose(0, 2, 1)) / 2
        self._constant += 0.5 * np.einsum("t,kt,kt->k", block.u, W, u) - 0.5 * np.linalg.slogdet(spread)[1]
        self._gathered.append((at, np.vstack([u, block.own, np.diag(block.G) > 0, block.heights]), G))
        self._size += len(at) ** 2
        if self._size > KEPT:
            self._add_up()
        return at, u, G

    def _add_up(self) -> None:
        if not self._gathered:
            return
        n, each = len(self.at), [at for at, _, _ in self._gathered]
        at, rows = np.concatenate(each), np.hstack([rows for _, rows, _ in self._gathered])
        more = np.array([np.bincount(at, weights=row, minlength=n) for row in rows])
        self._rows = np.pad(self._rows, ((0, 0), (0, n - self._rows.shape[1]))) + more
        i, j = (np.concatenate([turn(at, len(at)) for at in each]) for turn in (np.repeat, np.tile))
        values = np.hstack([G.reshape(len(G), -1) for _, _, G in self._gathered])
        for k, old in enumerate(self._G):
            old.resize((n, n))
            self._G[k] = old + sparse.coo_array((values[k], (i, j)), shape=(n, n)).tocsr()
        self._gathered, self._size = [], 0

    def total(self, k: int = 0) -> tuple[Floats, sparse.csr_array, float]:
        """u (n,) and G (n, n) at omega[k], and what it adds to the logarithm of the likelihood."""
        self._add_up()
        return self._rows[k], self._G[k], self._constant[k]

    @property
    def own(self) -> Floats:
        self._add_up()
        return self._rows[-3]

    @property
    def jobs(self) -> Ints:
        """(n,) jobs in which each thing is seen."""
        self._add_up()
        return self._rows[-2].astype(np.int64)

    @property
    def heights(self) -> Ints:
        self._add_up()
        return self._rows[-1].astype(np.int64)


@dataclass
class TimeLine:
    """One thing's u and its row of G by time: bins of a power of two of days, as wide as `MOST_BINS` ask for.

    The width follows from the days alone, so neither the order of the jobs nor a division of the archive matters.
    """

    width: int = 1
    partners: dict[int, int] = field(default_factory=dict)  # their places in the rows
    bins: dict[int, tuple[list[int], Floats]] = field(default_factory=dict)  # first and last day, jobs; u and row of G

    def add(self, day: int, at: Ints, u: float, row: Floats) -> None:
        """A job's u of this thing, and its row of G at the things ``at``."""
        place = [self.partners.setdefault(i, 1 + len(self.partners)) for i in at.tolist()]
        values = np.zeros(1 + len(self.partners))
        values[0], values[place] = u, row
        self._put(day // self.width, [day, day, 1], values)
        while len(self.bins) > MOST_BINS:
            bins, self.width, self.bins = self.bins, 2 * self.width, {}
            for bin_ in sorted(bins):
                self._put(bin_ // 2, *bins[bin_])

    def _put(self, bin_: int, days: list[int], values: Floats) -> None:
        if bin_ in self.bins:
            (first, last, jobs), old = self.bins[bin_]
            days = [min(first, days[0]), max(last, days[1]), jobs + days[2]]
            values = _widened(values, len(old)) + _widened(old, len(values))
        self.bins[bin_] = days, values

    def table(self) -> tuple[Ints, Floats, Floats, Ints]:
        """partners (p,), u (b,), rows of G (b, p), and first day, last day, jobs (b, 3) of the bins in order."""
        days, values = zip(*(self.bins[bin_] for bin_ in sorted(self.bins)), strict=True)
        full = np.array([_widened(one, 1 + len(self.partners)) for one in values])
        return np.array(list(self.partners)), full[:, 0], full[:, 1:], np.array(days)


def _widened(values: Floats, width: int) -> Floats:
    return values if len(values) >= width else np.pad(values, (0, width - len(values)))


@dataclass
class Tally:
    """Counts of blunders of one kind, person or method: heights, tested, expected, histogram of Bayes factors."""

    heights: float = 0.0
    tested: float = 0.0
    expected: float = 0.0
    bins: dict[int, tuple[float, float]] = field(default_factory=dict)  # count, sum of the factors

    def add(self, entry: Record) -> None:
        self.heights += entry["heights"]
        self.tested += entry["tested"]
        self.expected += entry["expected"]
        self.add_evidence(entry["evidence"])

    def add_evidence(self, evidence: Sequence[Sequence[float]]) -> None:
        for bin_, count, mean in evidence:
            number, total = self.bins.get(int(bin_), (0.0, 0.0))
            self.bins[int(bin_)] = number + count, total + count * mean

    @property
    def factors(self) -> tuple[Floats, Floats]:
        """Counts and mean Bayes factors, by size."""
        count, total = np.array([self.bins[b] for b in sorted(self.bins)]).reshape(-1, 2).T
        return count, total / np.maximum(count, 1e-300)


class Counts:
    """Everything about blunders that is summed over jobs; `add` refuses a record that another version made."""

    def __init__(self) -> None:
        self.jobs = 0
        self.days: Counter[int] = Counter()  # jobs by day
        self.classes: dict[str, Tally] = defaultdict(Tally)  # by what they are made of
        self.by: dict[str, dict[str, Tally]] = {of: defaultdict(Tally) for of in ("observer", "method", "equipment")}
        self.causes: dict[str, float] = defaultdict(float)
        self.stands = dict.fromkeys(("all", "tested", "expected"), 0.0)
        self.stated: dict[str, float] = defaultdict(float)
        self.let_go: dict[Thing, Floats] = defaultdict(lambda: np.zeros(4))  # jobs; sums of (1, e, e^2) / sd^2

    def add(self, record: Record) -> None:
        if record["schema"] != REDUCED:
            text = f"was made by another version of heightnet ({record['schema']}, not {REDUCED}): check the job again."
            raise HeightnetError(f"{record['job']}: its record {text}")
        self.jobs += 1
        if (day := day_of(record)) is not None:
            self.days[day] += 1
        for made_of, evidence in record["evidence"].items():
            self.classes[made_of].add_evidence(evidence)
        for of, names in record["by"].items():
            for name, entry in names.items():
                self.by[of][name].add(entry)
        for sums, more in ((self.causes, "causes"), (self.stands, "stands"), (self.stated, "rates")):
            for key, number in record[more].items():
                sums[key] += number
        for name, (error, sd) in record["let_go"].items():
            self.let_go[Thing.of(name)] += np.array([sd**2, 1, error, error**2]) / sd**2
