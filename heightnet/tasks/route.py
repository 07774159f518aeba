"""The way of a plan: its places in the order of a good walk, and what walking it takes.

A measurement is made at the mark of its set-up; a level tie is begun at whichever of its marks is on the way.  The way
of the pole, and the way along a levelled line and back, are in a measurement's own minutes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise, permutations
from math import factorial
from random import Random

import numpy as np

from heightnet.arrays import Floats, Ints
from heightnet.errors import WrongSettings
from heightnet.job.model import Job
from heightnet.job.problems import nearest
from heightnet.rows import Record
from heightnet.tasks.design import EPS, TRIES, Design
from heightnet.tasks.measurements import WALKING

EXACT = 8  # stops up to which every order is tried
SEED = 1  # of the annealing: one job has one route
WARMTH = (0.2, 0.05)  # of the mean way, with which the annealing begins each time
COOLED = 0.1  # part by which it cools in a round
ROUNDS, TRIED = 25, 200  # rounds without a better walk, after which it ends; orders tried in each
WEIGHED_UP_TO = 40  # measurements up to which it is weighed what each is worth beside its way
NEAR = 1e-6  # m, by which two walks may differ that are one


@dataclass(frozen=True)
class Ground:
    """Where the marks lie, and how one walks.

    at : east and north of each mark that has them, m.
    walking : minutes a kilometre.
    start : mark at which the walk begins; "" for whichever makes it shortest.
    """

    at: dict[str, tuple[float, float]]
    walking: float = WALKING
    start: str = ""
    _orders: dict[tuple[frozenset[str], str], list[str]] = field(default_factory=dict, repr=False, compare=False)

    @classmethod
    def of(cls, job: Job, walking: float, start: str | None) -> Ground:
        """Raises WrongSettings where nobody knows where the start is."""
        marks = job.marks[job.marks["east"].notna() & job.marks["north"].notna()]
        at = {
            str(mark): (float(east), float(north))
            for mark, east, north in zip(marks["mark"], marks["east"], marks["north"], strict=True)
        }
        if start and start not in at:
            known = start in set(job.marks["mark"])
            cause = "That mark has none." if known else nearest(start, at)
            raise WrongSettings(
                f"start: read {start}, expected a mark with east and north in the table marks. {cause}".rstrip()
            )
        return cls(at, walking, start or "")

    def metres(self, one: str, other: str) -> float | None:
        """Straight from one mark to another; None where it is not known where one of them is."""
        if one not in self.at or other not in self.at:
            return None
        return float(np.hypot(*np.subtract(self.at[one], self.at[other])))

    def order(self, stops: Iterable[str], after: str = "") -> list[str]:
        """Marks in the order of a short walk from ``after``, else from the start; those without a place come last."""
        wanted, begin = dict.fromkeys(stops), after if after in self.at else self.start
        placed = [mark for mark in wanted if mark in self.at and mark != begin]
        key = frozenset(placed), begin
        if key not in self._orders:
            at = np.array([self.at[mark] for mark in sorted(placed)]).reshape(-1, 2)
            apart = np.hypot(*(at[:, None] - at[None]).T)
            first = np.hypot(*(at - self.at[begin]).T) if begin else np.zeros(len(at))
            self._orders[key] = [sorted(placed)[i] for i in shortest(apart, first)]
        here = [begin] if begin in wanted else []
        return [*here, *self._orders[key], *(mark for mark in wanted if mark not in self.at)]

    def legs(self, order: Sequence[str]) -> list[float | None]:
        """(stops,) metres from the stop before, of the first from the start; None where that is not known."""
        return [None if one is None else self.metres(one, other) for one, other in self._steps(order)]

    def minutes(self, order: Sequence[str]) -> float:
        """What walking so takes, as far as it is known where the marks are."""
        return sum(metres or 0.0 for metres in self.legs(order)) / 1000 * self.walking

    def told(self, order: Sequence[str]) -> Record:
        """The facts of a way: what a kilometre takes, and the whole; None where no place is known."""
        known = any(mark in self.at for mark in order)
        return {
            "walking_min_km": self.walking,
            "start": self.start or None,
            "unplaced": [mark for mark in order if mark not in self.at],
            "walking_min": self.minutes(order) if known else None,
        }

    def _steps(self, order: Sequence[str]) -> list[tuple[str | None, str]]:
        """Each stop with the one before it; None of the first where no start is given."""
        return [(one or None, other) for one, other in pairwise([self.start, *order])]


@dataclass(frozen=True)
class Work:
    """Something that a plan has done.

    ends : the marks it may begin at; none of what is done in the office.
    first : it comes before what is not.
    """

    ends: tuple[str, ...]
    first: bool = False


def walk(ground: Ground, works: Sequence[Work]) -> tuple[list[str], list[str]]:
    """The stops in the order of the walk, and the stop at which each is done, "" of what is done in the office."""
    at = places([work.ends for work in works], ground)
    first = dict.fromkeys(mark for mark, work in zip(at, works, strict=True) if mark and work.first)
    begun = ground.order(first)
    then = dict.fromkeys(mark for mark in at if mark and mark not in first)
    return [*begun, *ground.order(then, begun[-1] if begun else "")], at


def timetable(
    steps: Sequence[Record], at: Sequence[str], stops: Sequence[str], ground: Ground
) -> tuple[list[Record], list[Record]]:
    """Steps as they follow on the way, with the minutes so far, and the stops with what is done at each.

    at : the stop at which each step is made, "" in the office, which comes first.
    """
    done: list[Record] = []
    route: list[Record] = []
    spent = 0.0
    for stop, metres in [("", None), *zip(stops, ground.legs(stops), strict=True)]:
        way = None if metres is None else metres / 1000 * ground.walking
        spent += way or 0.0
        here = [step for step, mark in zip(steps, at, strict=True) if mark == stop]
        here.sort(key=lambda step: not step["separates"])
        first = len(done) + 1
        for step in here:
            spent += step["minutes"]
            done.append({**_from(step, stop), "order": len(done) + 1, "at": stop or None, "minutes_so_far": spent})
        if stop:
            numbers = list(range(first, len(done) + 1))
            route.append({"order": len(route) + 1, "mark": stop, "steps": numbers, "metres": metres, "minutes": way})
    return done, route


def _from(step: Record, stop: str) -> Record:
    """A level tie told from the stop at which it begins."""
    if step["kind"] != "level_tie" or step["mark"] != stop:
        return step
    separates = [
        {**one, "outcomes": [{**o, "expected_mm": -o["expected_mm"]} for o in reversed(one["outcomes"])]}
        for one in step["separates"]
    ]
    return {**step, "from_mark": stop, "mark": step["from_mark"], "separates": separates}


def on_foot(
    design: Design, works: Sequence[Work], budget: float, ground: Ground, beside: Sequence[Work] = ()
) -> tuple[list[int], list[int]]:
    """The measurements to make, the way between them counted, and those that fall away because of the way.

    works : (p,) of each candidate where it is made; beside : what is done in any case, its minutes taken off.

    Chosen without the way, then what brings least for its minutes and the way to it is left out until the rest fits;
    what can be made where one is anyway takes its place.
    """
    wanted = _nearer(design, design.best(budget), works, ground, beside)
    chosen = list(wanted)
    while chosen and design.cost(chosen) + _way(ground, works, beside, chosen) > budget + EPS:
        stops, at = walk(ground, [*beside, *(works[p] for p in chosen)])
        while chosen and design.cost(chosen) + ground.minutes(stops) > budget + EPS:
            out = _least(design, chosen, stops, at, ground)
            mark = at.pop(len(beside) + out)
            del chosen[out]
            if mark not in at:
                stops.remove(mark)
    if len(chosen) < len(wanted):
        on_way = set(walk(ground, [*beside, *(works[p] for p in chosen)])[0])
        away = {p for p, work in enumerate(works) if not on_way.intersection(work.ends)}
        chosen = design.greedy(budget - _way(ground, works, beside, chosen), chosen, away)
        while design.cost(chosen) + _way(ground, works, beside, chosen) > budget + EPS:
            chosen.pop()  # what comes first can turn the way round
    return chosen, [p for p in wanted if p not in chosen]


def _way(ground: Ground, works: Sequence[Work], beside: Sequence[Work], chosen: Sequence[int]) -> float:
    """Minutes of walking."""
    return ground.minutes(walk(ground, [*beside, *(works[p] for p in chosen)])[0])


def _least(design: Design, chosen: list[int], stops: list[str], at: list[str], ground: Ground) -> int:
    """Which of these brings least for its minutes and the way that it takes by itself.

    at : where each is done, what is done in any case before them.
    """
    if len(chosen) > WEIGHED_UP_TO:
        return len(chosen) - 1  # they stand in the order of what they bring
    whole, length = design.shortfall(chosen), ground.minutes(stops)
    alone, own = Counter(at), at[len(at) - len(chosen) :]

    def worth(i: int) -> float:
        rest = [mark for mark in stops if mark != own[i] or alone[mark] > 1]
        lost = design.shortfall([p for p in chosen if p != chosen[i]]) - whole
        return lost / (float(design.minutes[chosen[i]]) + length - ground.minutes(rest))

    return min(range(len(chosen)), key=worth)


def _nearer(
    design: Design, chosen: list[int], works: Sequence[Work], ground: Ground, beside: Sequence[Work]
) -> list[int]:
    """The same where of measurements that do as much for as many minutes those are made where one is anyway."""
    if len(chosen) > WEIGHED_UP_TO or not ground.at:
        return chosen
    out = list(chosen)
    whole, length = design.shortfall(out) + EPS, _way(ground, works, beside, out)
    for i, p in enumerate(chosen):
        stops = set(walk(ground, [*beside, *(works[q] for q in out if q != p)])[0])
        alike = np.abs(design.f @ design.f[p]) / np.maximum(np.linalg.norm(design.f, axis=1), NEAR)
        for q in np.argsort(-alike, kind="stable")[:TRIES].tolist():
            dearer = design.minutes[q] > design.minutes[p] + EPS
            if q in out or dearer or not stops.intersection(works[q].ends):
                continue
            trial = [*out[:i], q, *out[i + 1 :]]
            if design.shortfall(trial) <= whole and (less := _way(ground, works, beside, trial)) < length - EPS:
                out, length = trial, less
                break
    return out


def places(ends: Sequence[tuple[str, ...]], ground: Ground) -> list[str]:
    """(measurements,) the mark at which each is made: of several that it may begin at one that others need as well,
    else the one that is nearest to another stop.

    >>> places([("A", "B"), ("B", "C"), ("D",), ()], Ground({}))
    ['B', 'B', 'D', '']
    """
    stops = {marks[0] for marks in ends if len(marks) == 1}
    free = [set(marks) for marks in ends if len(marks) > 1]
    order = list(dict.fromkeys(mark for marks in ends for mark in marks))
    while left := [marks for marks in free if not marks & stops]:
        shared = Counter(mark for marks in left for mark in marks)
        stops.add(max(order, key=lambda mark: shared[mark]))  # of equal ones the first
    at = [next((mark for mark in marks if mark in stops), "") for marks in ends]
    alone = Counter(at)
    for i, marks in enumerate(ends):
        others = stops - {at[i]}
        if len(marks) > 1 and alone[at[i]] == 1 and others and set(marks) <= ground.at.keys():
            at[i] = min(marks, key=lambda mark: min(ground.metres(mark, other) or 0.0 for other in others))
            stops = others | {at[i]}
    return at


def shortest(apart: Floats, first: Floats) -> list[int]:
    """A short open walk through all of some places.

    Parameters
    ----------
    apart : (n, n) from each to each; first : (n,) to each from where the walk begins, 0 where it may begin anywhere.

    Up to `EXACT` places the shortest of all, beyond that a good one: greedy, then simulated annealing (networkx).
    """
    n = len(first)
    if n <= EXACT:
        orders = _every_order(n)
        length = first[orders[:, 0]] if n else np.zeros(1)
        length = length + apart[orders[:, :-1], orders[:, 1:]].sum(axis=1)
        return [int(i) for i in orders[int(np.argmax(length <= length.min() + NEAR))]]
    return _annealed(apart, first)


@cache
def _every_order(n: int) -> Ints:
    return np.array(list(permutations(range(n))), dtype=np.int64).reshape(factorial(n), n)


def _annealed(apart: Floats, first: Floats) -> list[int]:
    """A closed walk by way of the beginning, node n, to which the way back takes nothing."""
    import networkx as nx
    from networkx.algorithms import approximation

    n = len(first)
    graph = nx.DiGraph()
    graph.add_weighted_edges_from((i, j, float(apart[i, j])) for i in range(n) for j in range(n) if i != j)
    graph.add_weighted_edges_from((n, i, float(first[i])) for i in range(n))
    graph.add_weighted_edges_from((i, n, 0.0) for i in range(n))
    walk = approximation.greedy_tsp(graph, source=n)
    for warmth in WARMTH:
        walk = approximation.simulated_annealing_tsp(
            graph, walk, source=n, temp=warmth * float(apart.mean()), move=turned,
            max_iterations=ROUNDS, N_inner=TRIED, alpha=COOLED, seed=SEED,
        )  # fmt: skip
    return [int(i) for i in walk[1:-1]]


def turned(walk: list[int], seed: Random) -> list[int]:
    """The same walk with a stretch of it gone the other way round; a new list, for the annealing keeps the old one."""
    one, other = sorted(seed.sample(range(1, len(walk) - 1), 2))
    return [*walk[:one], *walk[one : other + 1][::-1], *walk[other + 1 :]]
