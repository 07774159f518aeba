"""What happens in the field, put into the field book of a job: one event a job, with everything that it made wrong.

``happened(name, book, rng, sds)`` draws an event for a job without errors.  Which rows it befalls, when it
begins and which way it goes are drawn; its size is so many standard deviations of its own estimate, or what the event
itself makes it (a wrong name, a slant left unreduced).  Sizes owe nothing to what the program expects of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.adjust import adjust
from heightnet.job.model import Job
from heightnet.network.model import Network
from tests.noise import recorded
from tests.shapes import LISTS, SIDE_MARK_M

Floats = npt.NDArray[np.float64]
Rows = frozenset[int]
LEAST_SDS = 8.0  # of an event that makes its own size: below it is nothing that must be found
LEAST_SDS_OF_A_NAME = 20.0
SPELL_WITHIN = 2  # uses by which a spell that is told may differ from the true one
SEVERAL = 3  # members of a spell, and of what is left of its group
HALF_M = (0.03, 0.15)


@dataclass(frozen=True)
class Event:
    """What happened.

    pattern : (m, p) what a unit of each of its slips does to every observation.
    size : (p,) of the slips, m; NaN where `write` makes it.
    sds : (p,) the same in standard deviations of their own estimates.
    kinds : of hypotheses that say what happened, not only to what.
    says : a name that such a hypothesis must hold.
    also : other observations by which it is as well described: a settling began at any of the sights.
    loose : of a spell, whose ends nothing tells to one use, by how many observations one that is told may differ.
    write : what it did to names, or to heights that are copies of others, in the tables.
    unnamed : marks that have lost their meaning; the first is the name that reading the book should ask about.
    """

    pattern: Floats
    size: Floats
    sds: Floats
    kinds: tuple[str, ...] = ()
    says: str = ""
    also: tuple[Rows, ...] = ()
    loose: int = 0
    write: Callable[[Job], Job] = field(default=lambda job: job)
    unnamed: tuple[str, ...] = ()

    @property
    def touched(self) -> list[Rows]:
        """Observations that each slip made wrong."""
        return [frozenset(np.flatnonzero(column).tolist()) for column in self.pattern.T]

    @property
    def wrong(self) -> Rows:
        return frozenset().union(*self.touched, *self.also)

    def booked(self, net: Network, e: Floats) -> Job:
        """The job of a network as it came home, with errors of observation e (m,)."""
        return self.write(recorded(net, e + self.pattern @ np.nan_to_num(self.size)))


class Book:
    """The rows of the network of a job without errors, with what was recorded about them."""

    def __init__(self, net: Network) -> None:
        self.net, self.job = net, net.job
        self.fit = adjust(net.A, net.y, net.sd)
        self.heights = {kind: self._heights(kind) for kind in ("setup", "target")}
        first = net.rows("shot").start
        self.shots = self.job.shots.set_index(first + np.arange(len(self.job.shots)))
        rows = net.rows("known")
        self.known = np.arange(rows.start, rows.stop)

    def _heights(self, kind: str) -> pd.DataFrame:
        """Stands of a kind by the row of their height, in the order of time."""
        readings = self.net.readings
        own = np.flatnonzero((readings["stand_kind"] == kind).to_numpy())
        frame = self.job.tables[f"{kind}s"].set_index(kind, drop=False).loc[readings["stand"].iloc[own]]
        frame = frame.assign(above=readings["height"].to_numpy(float)[own])
        return frame.set_index(self.net.rows("height").start + own).sort_values("when", kind="stable")

    def column(self, rows: npt.ArrayLike, values: npt.ArrayLike = 1.0) -> Floats:
        out = np.zeros(len(self.net.y))
        out[np.asarray(rows, dtype=np.int64)] = values
        return out

    def sd(self, pattern: Floats) -> Floats:
        """(p,) standard deviations of the sizes of patterns (m, p), each by itself, by least squares; inf: untested."""
        weighted = pattern / self.net.sd[:, None] ** 2
        moved = self.fit.solve(self.net.A.T @ weighted)
        left = np.einsum("mp,mp->p", pattern, weighted) - np.einsum("np,np->p", self.net.A.T @ weighted, moved)
        own = np.einsum("mp,mp->p", pattern, weighted)
        return np.asarray(np.where(left > 1e-6 * own, 1 / np.sqrt(np.maximum(left, 1e-12 * own)), np.inf))

    def of_sds(self, columns: list[Floats], sds: float, rng: np.random.Generator, **more: object) -> Event:
        """An event of a stated size."""
        pattern = np.column_stack(columns)
        signs = rng.choice((-1.0, 1.0), len(columns))
        return Event(pattern, sds * signs * self.sd(pattern), sds * signs, **more)  # type: ignore[arg-type]

    def as_it_is(self, columns: list[Floats], sizes: npt.ArrayLike, **more: object) -> Event:
        """An event that makes its own size."""
        pattern, size = np.column_stack(columns), np.atleast_1d(np.asarray(sizes, dtype=float))
        return Event(pattern, size, size / self.sd(pattern), **more)  # type: ignore[arg-type]


Planter = Callable[[Book, np.random.Generator, float], Event]


# ---- one slip repeated ----


def spell(book: Book, rng: np.random.Generator, sds: float, between: bool = False) -> Event:
    """A pole's heights booked wrong from a moment of the day on, or until one; or extended and put back."""
    pole = rng.choice(sorted(set(book.heights["target"]["equipment"])))
    rows = book.heights["target"].groupby("equipment").groups[pole].to_numpy()
    n = len(rows)
    if between:
        first = int(rng.integers(1, n - 2 * SEVERAL))
        part = slice(first, int(rng.integers(first + SEVERAL, n - 1)))
    else:
        k = int(rng.integers(n // 3, n - n // 3 + 1))
        part = slice(k, n) if rng.uniform() < 0.5 else slice(0, k)
    return book.of_sds([book.column(rows[part])], sds, rng, kinds=("spell",), loose=SPELL_WITHIN)


def index(book: Book, rng: np.random.Generator, sds: float) -> Event:
    """An instrument whose vertical index changed between two of its set-ups; which of the two was assumed is told by
    nothing but what is known of it beforehand."""
    setups = list(dict.fromkeys(book.shots.sort_values("when", kind="stable")["setup"]))
    late = book.shots["setup"].isin(setups[int(rng.integers(2, len(setups) - 2)) :])
    later, earlier = (book.shots.index[some].to_numpy() for some in (late, ~late))
    arm = book.net.sights.index_arm[later - book.net.rows("shot").start]
    within = SPELL_WITHIN * int(book.shots.groupby("setup").size().max())
    scale = np.sqrt(np.mean(arm**2))
    other = (frozenset(earlier.tolist()),)
    return book.of_sds([book.column(later, arm / scale)], sds, rng, kinds=("spell",), also=other, loose=within)


def joint(book: Book, rng: np.random.Generator, sds: float) -> Event:
    """A joint of the staff that was not seated: all that was read above it is wrong alike."""
    reading = book.job.staff["reading"].to_numpy(float)
    above = np.flatnonzero(reading > rng.uniform(1.1, np.sort(reading)[-SEVERAL]))
    column = book.column(book.net.rows("staff").start + above)
    return book.of_sds([column], sds, rng, kinds=("spell",), loose=SPELL_WITHIN)


def _alike(book: Book, *of: str) -> Iterator[Floats]:
    """Target heights that share some columns, where others of their equipment do not."""
    frame = book.heights["target"]
    whole = frame.groupby("equipment").size()
    for (equipment, *_), rows in frame.groupby(["equipment", *of]).groups.items():
        if 2 <= len(rows) < whole[equipment]:
            column = book.column(rows)
            if np.isfinite(book.sd(column[:, None])[0]):
                yield column


def at_marks(book: Book, rng: np.random.Generator, sds: float, count: int) -> Event:
    """The same pole set wrong, or held to the wrong point, at one mark or at two."""
    found = list(_alike(book, "mark"))
    chosen = [found[i] for i in rng.permutation(len(found))[:count]]
    return book.of_sds(chosen, sds, rng, kinds=("local",))


def by_observer(book: Book, rng: np.random.Generator, sds: float) -> Event:
    """A pole read wrong by one of those who hold it."""
    found = list(_alike(book, "observer"))
    return book.of_sds([found[rng.integers(len(found))]], sds, rng, kinds=("local",))


# ---- something moved ----


def sunk(book: Book, rng: np.random.Generator, sds: float) -> Event:
    """An instrument that stood lower from one of its sights on."""
    return _moved(book, rng, sds, "setup")


def knocked(book: Book, rng: np.random.Generator, sds: float) -> Event:
    """A target that was knocked between two of the sights to it."""
    return _moved(book, rng, sds, "target")


def _moved(book: Book, rng: np.random.Generator, sds: float, stand: str) -> Event:
    groups = [rows for rows in book.shots.groupby(stand).groups.values() if len(rows) >= SEVERAL]
    rows = groups[rng.integers(len(groups))]
    return book.of_sds([book.column(rows[rng.integers(1, len(rows)) :])], sds, rng, kinds=("moved",))


def settling(book: Book, rng: np.random.Generator, sds: float) -> Event:
    """An instrument that sank slowly, the further the longer it stood."""
    groups = [rows for rows in book.shots.groupby("setup").groups.values() if len(rows) >= SEVERAL]
    rows = groups[rng.integers(len(groups))]
    later = tuple(frozenset(rows[k:].tolist()) for k in range(1, len(rows)))
    column = book.column(rows, np.linspace(0.0, 1.0, len(rows)))
    return book.of_sds([column], sds, rng, kinds=("moved",), also=later)


# ---- a wrong name ----


def misnamed(
    book: Book, rng: np.random.Generator, sds: float, stand: str = "target", known: bool | None = None,
    placed: bool = True,
) -> Event:  # fmt: skip
    """A target, or a set-up, booked over one of the marks near the one it stood over.

    known : whether the height of the mark where it stood is known; placed : whether the marks have coordinates.
    """
    net, table = book.net, f"{stand}s"
    frame, marks = book.heights[stand], net.job.marks.set_index("mark")
    true = {str(n): float(h) for n, h, k in zip(net.nodes.name, net.nodes.height, net.nodes.kind, strict=True)
            if k == "mark"}  # fmt: skip
    sd = dict(zip(frame.index, book.sd(np.column_stack([book.column([r]) for r in frame.index])), strict=True))
    able = []
    for row, at in frame["mark"].items():
        apart = np.hypot(marks["east"] - marks["east"][at], marks["north"] - marks["north"][at]).sort_values()
        if known is None or np.isfinite(marks["height"][at]) == known:
            able += [(row, m) for m in apart.index[1:5] if abs(true[m] - true[at]) > LEAST_SDS_OF_A_NAME * sd[row]]
    row, wrong = able[rng.integers(len(able))]
    name, at = frame[stand][row], frame["mark"][row]

    def write(job: Job) -> Job:
        stands, listed = job.tables[table], job.marks
        if not placed:
            listed = listed.assign(east=np.nan, north=np.nan)
        booked = stands.assign(mark=stands["mark"].where(stands[stand] != name, wrong))
        return job.with_tables(**{table: booked, "marks": listed})

    far = (true[wrong] - true[at]) / sd[row]
    pattern = book.column(frame.index[frame[stand] == name].tolist())[:, None]  # all readings of the stand
    return Event(pattern, np.array([np.nan]), np.array([far]), ("misnamed",), str(at), write=write)


def other_target(book: Book, rng: np.random.Generator, sds: float) -> Event:
    """A sight booked to another target that stood at the time."""
    net, shots = book.net, book.job.shots
    height = dict(zip(net.job.targets["target"], net.nodes.height[net.target_node], strict=True))
    each = book.sd(np.column_stack([book.column([row]) for row in book.shots.index]))
    sd = dict(zip(book.shots.index, each, strict=True))
    while True:
        row = int(rng.choice(book.shots.index))
        right = book.shots["target"][row]
        there = book.shots[book.shots["setup"] == book.shots["setup"][row]]["target"]
        wrong = str(rng.choice(there[there != right]))
        far = (height[wrong] - height[right]) / sd[row]
        if abs(far) > LEAST_SDS_OF_A_NAME and np.isfinite(far):
            break
    position = row - book.shots.index[0]

    def write(job: Job) -> Job:
        return job.with_tables(shots=job.shots.assign(target=np.where(np.arange(len(shots)) == position, wrong,
                                                                      job.shots["target"])))  # fmt: skip

    pattern = book.column([row])[:, None]
    return Event(pattern, np.array([np.nan]), np.array([far]), ("misnamed",), str(right), write=write)


def repeated_turning_point(book: Book, rng: np.random.Generator, sds: float) -> Event:
    """A staff book in which one run gives the same name to two turning points."""
    net, staff = book.net, book.job.staff
    run = rng.choice(sorted(set(staff["run"])))
    of_run = staff[staff["run"] == run]
    points = [p for p in dict.fromkeys(of_run["mark"]) if p not in set(net.job.marks["mark"])]
    true = dict(zip(net.nodes.name, net.nodes.height, strict=True))
    first = net.rows("staff").start
    while True:
        i, j = sorted(rng.choice(len(points), 2, replace=False))
        one, other = points[i], points[j]
        rows = [frozenset((first + np.flatnonzero((staff["mark"] == p).to_numpy())).tolist()) for p in (one, other)]
        if j - i > 1 and abs(true[one] - true[other]) > LEAST_SDS * net.sd[first]:
            break

    def write(job: Job) -> Job:
        second = job.staff["mark"] == other
        return job.with_tables(staff=job.staff.assign(
            mark=job.staff["mark"].mask(second, one), name=job.staff["name"].mask(second, one)))  # fmt: skip

    pattern = book.column(sorted(rows[1]))[:, None]
    return Event(pattern, np.array([np.nan]), np.array([(true[one] - true[other]) / net.sd[first]]), ("misnamed",),
                 also=(rows[0],), write=write, unnamed=(str(one), str(other)))  # fmt: skip


# ---- known heights of one list ----


def old_list(book: Book, rng: np.random.Generator, sds: float, count: int) -> Event:
    """All known heights of a list of so many marks wrong alike."""
    first = sum(LISTS[: LISTS.index(count)])
    name = f"list {LISTS.index(count) + 1}"
    return book.of_sds([book.column(book.known[first : first + count])], sds, rng, kinds=("source",), says=name)


# ---- slips of one stand that make their own size ----


def slant_on_a_low_tripod(book: Book, rng: np.random.Generator, sds: float) -> Event:
    """A slant to the side mark of an instrument on a low tripod, booked as if it were upright."""
    above = book.heights["setup"].query("above < 1")["above"]
    row = rng.choice(above.index)
    return book.as_it_is([book.column([row])], np.hypot(above[row], SIDE_MARK_M) - above[row])


def reduced_already(book: Book, rng: np.random.Generator, sds: float) -> Event:
    """Slants that some software had made upright before they were booked as slants, all day."""
    above = book.heights["setup"]["above"]
    error = np.sqrt(above**2 - SIDE_MARK_M**2) - above
    return book.as_it_is([book.column(above.index, error / error.mean())], error.mean())


def carried_over(book: Book, rng: np.random.Generator, sds: float, earlier: bool = False) -> Event:
    """The height of the set-up before left in the book; or that of an earlier occupation of the same mark."""
    frame = book.heights["setup"]
    before = frame.groupby("mark")["setup"].shift() if earlier else frame["setup"].shift()
    rows = [row for row in frame.index[before.notna()] if np.isfinite(book.sd(book.column([row])[:, None])[0])]
    above = frame.set_index("setup")["above"]
    error = {row: above[before[row]] - frame["above"][row] for row in rows}
    large = [r for r in rows if abs(error[r]) > LEAST_SDS * book.sd(book.column([r])[:, None])[0]]
    row = rng.choice(large)
    event = book.as_it_is([book.column([row])], error[row])
    return _copied(event, "setup", str(frame["setup"][row]), "setup", str(before[row]))


def _copied(event: Event, to: str, stand: str, of: str, other: str) -> Event:
    """The event with one height booked as the very number that is booked for another stand."""

    def write(job: Job) -> Job:
        source, after = job.tables[f"{of}s"], event.write(job)
        booked = float(source.loc[source[of] == other, "height"].iloc[0])
        frame = after.tables[f"{to}s"]
        return after.with_tables(**{f"{to}s": frame.assign(height=frame["height"].where(frame[to] != stand, booked))})

    nothing = np.full(len(event.size), np.nan)  # the book has it by then
    return Event(event.pattern, nothing, event.sds, event.kinds, event.says, write=write)


def exchanged_in_a_row(book: Book, rng: np.random.Generator, sds: float) -> Event:
    """Of a flat book one row has HI and HT in each other's place; its set-up's other rows have HI right."""
    target = int(rng.choice(book.heights["target"].index))
    name = book.heights["target"]["target"][target]
    setup = str(book.job.shots.set_index("target")["setup"][name])
    of_setup, of_target = (book.heights[k].set_index(k)["above"][n] for k, n in (("setup", setup), ("target", name)))
    event = book.as_it_is([book.column([target])], of_setup - of_target)
    return _copied(event, "target", str(name), "setup", setup)


def exchanged_at_a_setup(book: Book, rng: np.random.Generator, sds: float) -> Event:
    """HI and HT in each other's place in all rows of one set-up."""
    setup = book.heights["setup"].query("above > 1").sample(1, random_state=rng)
    seen = set(book.job.shots.loc[book.job.shots["setup"] == setup["setup"].iloc[0], "target"])
    targets = book.heights["target"][book.heights["target"]["target"].isin(seen)]
    column = book.column(targets.index, -1.0) + book.column(setup.index)
    event = book.as_it_is([column], targets["above"].mean() - setup["above"].iloc[0], kinds=("swap",))
    hi, ht = str(setup["setup"].iloc[0]), str(targets["target"].iloc[0])
    for target in targets["target"]:
        event = _copied(event, "target", str(target), "setup", hi)
    return _copied(event, "setup", hi, "target", ht)


def half(book: Book, rng: np.random.Generator, sds: float) -> Event:
    """Half of all heights wrong, each by its own."""
    rows = np.concatenate([book.heights[kind].index.to_numpy() for kind in ("setup", "target")])
    chosen = rng.choice(rows, len(rows) // 2, replace=False)
    columns = [book.column([row]) for row in chosen]
    return book.as_it_is(columns, rng.uniform(*HALF_M, len(columns)) * rng.choice((-1, 1), len(columns)))


EVENTS: dict[str, Planter] = {
    "pole by half-day": spell,
    "pole extended and put back": partial(spell, between=True),
    "index after a knock": index,
    "staff joint": joint,
    "prism at one mark": partial(at_marks, count=1),
    "prism at two marks": partial(at_marks, count=2),
    "prism with one observer": by_observer,
    "sunk instrument": sunk,
    "knocked target": knocked,
    "slow settling": settling,
    "target of a known mark misnamed": partial(misnamed, known=True),
    "target of a known mark misnamed, no coordinates": partial(misnamed, known=True, placed=False),
    "target of an unknown mark misnamed": partial(misnamed, known=False),
    "target of an unknown mark misnamed, no coordinates": partial(misnamed, known=False, placed=False),
    "set-up over another mark": partial(misnamed, stand="setup"),
    "set-up over another mark, no coordinates": partial(misnamed, stand="setup", placed=False),
    "sight booked to another target": other_target,
    "repeated turning-point name": repeated_turning_point,
    "old list of two marks": partial(old_list, count=2),
    "old list of three marks": partial(old_list, count=3),
    "slant on a low tripod": slant_on_a_low_tripod,
    "slant reduced already": reduced_already,
    "height of the set-up before": carried_over,
    "height of an earlier occupation": partial(carried_over, earlier=True),
    "HI and HT exchanged in a row": exchanged_in_a_row,
    "HI and HT exchanged at a set-up": exchanged_at_a_setup,
    "half of the heights": half,
}


def happened(name: str, book: Book, rng: np.random.Generator, sds: float = np.nan) -> Event:
    """An event of a kind that something in the job tests; its size is ``sds`` where it does not make its own."""
    while True:
        event = EVENTS[name](book, rng, sds)
        if not np.isinf(event.size).any() and (np.abs(event.sds) >= 1).any():
            return event
