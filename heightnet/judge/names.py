"""A wrong name: a stand that stood on another mark than booked, a sight that went to another target, a known mark that
was another in the field.

Where the stand of a recorded height h over mark X is in question, it may have stood on mark Y.  Then h is H_X - H_Y too
high: a size that the rest of the job knows, and the distances of its sights tell the marks apart as well.  With the
height let go (estimate b, information G), the size is

    mean H_X - H_Y,   variance sd(h)^2 + var(Z - H_Y) - 1 / G

and the odds are those beforehand, shared among the marks it could be, times the product over its sights of

    [.98 N(s - s_Y; 5 cm) + .02 / 500 m] / [.98 N(s - s_X; 5 cm) + .02 / 500 m].

Of a known mark that was Y wherever the job used it, the size is its listed height less H_Y, and all sights from and to
it tell.

Sizes rest on the observations, so that these hypotheses have no part in asking whether the job closes, or in what is
promised: they refine what is said.  Distances between marks are those of coordinates, or of other sights between them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cached_property
from math import exp, hypot, log, pi, sqrt
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import sparse

from heightnet.judge.bench import Bench, BenchBase
from heightnet.judge.family import Family, finer_spells
from heightnet.judge.judgement import UNEXPLAINED, Judgement
from heightnet.judge.large import WHOLE_UP_TO, LargeBench
from heightnet.judge.search import Clock
from heightnet.ledger.thing import MISNAMED, Thing
from heightnet.network.model import Network

ACTIVE = 0.02  # probability of a stand or sight from which its name is asked about
CANDIDATES = 3  # names tried for each, the likeliest
AS_GOOD_AS_SD_M, FAR_M, LOST = 0.05, 500.0, 0.02  # how well distances agree; any at all; how often they are wrong
LEAST_SD_M = 0.0002
NO_DIFFERENCE = 3.0  # sds: of a name that changes heights by less nothing is said
NOT_TRIED = -12.0  # logarithm of odds against the likeliest name below which another is none


def judged_by(bench: BenchBase, clock: Clock | None = None) -> Judgement:
    """The judgement of a job, with the wrong names that it may have among its hypotheses."""
    first = Judgement(bench, clock=clock)
    if not first.said:
        return first
    # what no few errors explain no other name explains: its size is the one that the error would have anyway
    found = [] if first.state == UNEXPLAINED else list(_names(first))
    if isinstance(bench, LargeBench):
        if not found or bench.net.edge_count > WHOLE_UP_TO:
            return first
        log_odds = np.array([name.log_odds for name in found])
        return Judgement(bench.beside(_family_of(found, bench), log_odds), clock=clock)
    assert isinstance(bench, Bench)
    likely = np.flatnonzero(first.probability >= ACTIVE)
    finer = finer_spells(bench.family, bench.net, likely)
    return Judgement(Named(bench, found, finer), clock=clock) if found or len(finer) else first


class Name(NamedTuple):
    """A name that a stand or sight may have in truth.

    like : hypothesis of the stand's height, or of the sight.
    mean, sd : size of the error if it has that name, m.
    rate : beforehand; log_odds : of the distances, this name against the booked one.
    """

    thing: Thing
    like: int
    mean: float
    sd: float
    rate: float
    log_odds: float


class Named(Bench):
    """A bench with names and more moments of what happened among its hypotheses; whether the job closes, and what is
    promised, are as without them."""

    def __init__(self, before: Bench, names: list[Name], finer: Family) -> None:
        family = before.family.with_more(_family_of(names, before)).with_more(finer)
        super().__init__(before.net, factors=before.factors, family=family)
        self.before, self.closing, self.asked = before, before.closing, before.asked
        log_odds = self.candidates.log_odds.copy()
        of_each = self.classes.label[len(before.family) :][: len(names)]
        log_odds[of_each] += [name.log_odds for name in names]
        self.candidates = replace(self.candidates, log_odds=log_odds)


def _family_of(names: list[Name], bench: BenchBase) -> Family:
    """Names as hypotheses."""
    return replace(
        bench.family.some(np.array([name.like for name in names], dtype=np.int64)),
        ids=np.array([str(name.thing) for name in names], dtype=object),
        kind=np.full(len(names), MISNAMED, dtype=object),
        observation=np.full(len(names), -1),
        rate=np.array([name.rate for name in names]),
        size=np.array([name.mean for name in names]),
        size_sd=np.array([name.sd for name in names]),
    )


def _names(judgement: Judgement) -> Iterator[Name]:
    """The likeliest names of everything that is in question."""
    bench, distances = judgement.bench, _Distances(judgement.bench.net)
    in_question = np.flatnonzero(judgement.probability >= ACTIVE)
    for h in in_question.tolist():
        asked = _asked(bench, h)
        if asked is None:
            continue
        free = _Free(judgement, h, asked.end)
        found = [_name(bench, h, asked, of, distances, free) for of in asked.others]
        tried = [one for one in found if one is not None]
        share = asked.rate / max(1, len(tried))
        b, s = free.b, free.G**-0.5
        fits = [
            name.log_odds - 0.5 * (b - name.mean) ** 2 / (name.sd**2 + s**2) - log(hypot(name.sd, s)) for name in tried
        ]
        likeliest = sorted(range(len(tried)), key=lambda i: (-round(fits[i], 9), i))[:CANDIDATES]
        yield from (tried[i]._replace(rate=share) for i in likeliest if fits[i] > fits[likeliest[0]] + NOT_TRIED)


class _Asked(NamedTuple):
    """What is asked about one stand or sight.

    end : node that the height or sight ties to the named one; booked : the node it is booked to.
    others : names it may have instead, with their nodes and the marks they are on.
    sights : marks at the far end of its sights, and their lengths, m.
    sign : of the error that the booked node's height less the other's makes.
    listed : height of the booked node that the error is set against, m; NaN for what the job makes of it.
    """

    kind: str
    what: tuple[str, ...]
    end: int
    booked: int
    others: list[tuple[str, int, int]]
    sights: list[tuple[int, float, int]]
    sign: float
    rate: float
    listed: float = np.nan


def _asked(bench: BenchBase, h: int) -> _Asked | None:
    net, family = bench.net, bench.family
    kind, rates = str(family.kind[h]), net.job.settings.rates
    if kind in ("setup", "target"):
        node = int(family.node[h])
        booked = int(net.nodes.mark[node])
        if booked < 0:
            return None
        marks = np.flatnonzero((net.nodes.kind == "mark") & np.isfinite(net.nodes.height)).tolist()
        others = [(str(net.nodes.name[m]), m, m) for m in marks if m != booked]
        rate = rates.named_setup if kind == "setup" else rates.named_target
        sights = _sights_of(net, kind, node)
        return _Asked(kind, (family.thing(h).name,), node, booked, others, sights, 1.0, rate)
    if kind == "shot":
        shot = int(family.observation[h]) - net.rows("shot").start
        target = int(net.shot_target[shot])
        if np.sum(net.shot_target == target) < 2:  # the name of the target itself
            return None
        names = net.job.targets["target"].to_numpy(object)
        nodes = [(str(names[t]), int(net.target_node[t])) for t in range(len(names)) if t != target]
        others = [(name, node, int(net.nodes.mark[node])) for name, node in nodes if net.nodes.mark[node] >= 0]
        setup, booked = int(net.setup_node[net.shot_setup[shot]]), int(net.target_node[target])
        far = int(net.nodes.mark[setup])
        sights = [(far, float(net.sights.horizontal[shot]), shot)] if far >= 0 else []
        thing = family.thing(h)
        return _Asked("shot", (thing.file, str(thing.row)), setup, booked, others, sights, -1.0, rates.named_target)
    if kind == "known" and family.observation[h] >= 0:
        booked, name = int(family.node[h]), family.thing(h).name
        known = _known(net)
        others = [(str(net.nodes.name[m]), m, m) for m in np.flatnonzero(known).tolist() if m != booked]
        stands = np.flatnonzero(net.nodes.mark == booked).tolist()
        sights = [one for node in stands for of in ("setup", "target") for one in _sights_of(net, of, node)]
        listed = float(net.job.marks["height"].to_numpy()[net.job.marks["mark"].tolist().index(name)])
        return _Asked("known", (name,), booked, booked, others, sights, 1.0, rates.named_known, listed)
    return None


def _known(net: Network) -> npt.NDArray[np.bool_]:
    """(nodes,) True for marks of known height."""
    out = np.zeros(len(net.nodes), dtype=bool)
    out[net.held] = True
    out[net.head[net.rows("known")]] = True
    return out


def _sights_of(net: Network, kind: str, node: int) -> list[tuple[int, float, int]]:
    """Marks that the sights from or to a stand tie it to, with lengths and positions of the sights."""
    own, other = (net.setup_node[net.shot_setup], net.target_node[net.shot_target])[:: 1 if kind == "setup" else -1]
    shots = np.flatnonzero((own == node) & (net.nodes.mark[other] >= 0))
    return [(int(net.nodes.mark[other[i]]), float(net.sights.horizontal[i]), int(i)) for i in shots]


def _name(
    bench: BenchBase, h: int, asked: _Asked, of: tuple[str, int, int], distances: _Distances, free: _Free
) -> Name | None:
    """One name that a stand or sight may have; None where nothing could tell it."""
    name, node, mark = of
    own = {shot for _, _, shot in asked.sights}
    booked_mark = asked.booked if asked.kind != "shot" else int(bench.net.nodes.mark[asked.booked])
    if any(far == mark for far, _, _ in asked.sights):
        return None
    tested, log_odds = False, 0.0
    for far, s, _ in asked.sights:
        there, here = (distances.between(far, at, own) for at in (mark, booked_mark))
        tested |= there is not None
        log_odds += log(_density(s, there)) - log(_density(s, here))
    if not tested and not distances.known[mark]:
        return None
    s = free.G**-0.5
    booked_height = asked.listed if np.isfinite(asked.listed) else free.height(asked.booked)
    mean = asked.sign * (booked_height - free.height(node))
    variance = 1 / float(bench.own[h]) + free.variance(node) - s**2
    sd = sqrt(max(variance, LEAST_SD_M**2))
    if not np.isfinite(mean) or abs(mean) < NO_DIFFERENCE * hypot(sd, s):
        return None
    return Name(Thing.several(MISNAMED, asked.kind, *asked.what, name), h, mean, sd, 0.0, log_odds)


def _density(s: float, distance: float | None) -> float:
    """Of a sight's length where the distance between the marks is this, or not known."""
    if distance is None:
        return 1 / FAR_M
    z = (s - distance) / AS_GOOD_AS_SD_M
    return (1 - LOST) * exp(-0.5 * min(z * z, 1400.0)) / (AS_GOOD_AS_SD_M * sqrt(2 * pi)) + LOST / FAR_M


class _Free:
    """The adjustment with one hypothesis let go, about one end of what it is about."""

    def __init__(self, judgement: Judgement, h: int, end: int) -> None:
        bench = judgement.bench
        self.nodes, self.G = bench.net.nodes, float(bench.diagonal[h])
        self.b = float(judgement.u[h]) / self.G
        fit = bench.fit
        moved = bench.moved(bench.base, np.array([h]))
        self.moved = (moved.toarray() if isinstance(moved, sparse.csr_array) else moved)[:, 0]
        self.x, self.variance_x = fit.x - self.moved * self.b, fit.sd_x**2
        self.end = int(self.nodes.column[end])
        unit = np.zeros(len(self.x))
        unit[self.end] = 1.0
        self.with_end = fit.solve(unit)

    def height(self, node: int) -> float:
        column = int(self.nodes.column[node])
        return float(self.nodes.height[node]) + (float(self.x[column]) if column >= 0 else 0.0)

    def variance(self, node: int) -> float:
        """Of the difference of heights of the end and another node."""
        column, end = int(self.nodes.column[node]), self.end
        if column < 0:
            return float(self.variance_x[end] + self.moved[end] ** 2 / self.G)
        apart = self.variance_x[end] + self.variance_x[column] - 2 * self.with_end[column]
        return float(apart + (self.moved[end] - self.moved[column]) ** 2 / self.G)


class _Distances:
    """Horizontal distances between marks."""

    def __init__(self, net: Network) -> None:
        self.net = net

    @cached_property
    def known(self) -> npt.NDArray[np.bool_]:
        return _known(self.net)

    @cached_property
    def _places(self) -> dict[int, tuple[float, float]]:
        marks = self.net.job.marks
        columns = (marks[column].tolist() for column in ("mark", "east", "north"))
        at = {name: (e, n) for name, e, n in zip(*columns, strict=True) if np.isfinite(e) and np.isfinite(n)}
        nodes = np.flatnonzero(self.net.nodes.kind == "mark").tolist()
        return {m: at[name] for m in nodes if (name := str(self.net.nodes.name[m])) in at}

    @cached_property
    def _sighted(self) -> dict[frozenset[int], list[tuple[int, float]]]:
        net = self.net
        of_setup, of_target = net.nodes.mark[net.setup_node], net.nodes.mark[net.target_node]
        columns = of_setup[net.shot_setup], of_target[net.shot_target], net.sights.horizontal
        out: dict[frozenset[int], list[tuple[int, float]]] = {}
        for i, (a, b, s) in enumerate(zip(*(column.tolist() for column in columns), strict=True)):
            if a >= 0 and b >= 0:
                out.setdefault(frozenset((a, b)), []).append((i, s))
        return out

    def between(self, one: int, other: int, without: set[int]) -> float | None:
        """By coordinates, else by the first other sight between them; None where neither is there."""
        if one in self._places and other in self._places:
            (e, n), (east, north) = self._places[one], self._places[other]
            return hypot(east - e, north - n)
        return next((s for i, s in self._sighted.get(frozenset((one, other)), []) if i not in without), None)
