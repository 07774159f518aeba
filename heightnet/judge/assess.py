"""The judgement of a job: every hypothesis tested, the likeliest explanations, what could hide."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.sparse import csgraph

from heightnet.adjust import Fit, adjust
from heightnet.judge.critical import attributable_delta, critical_value, detectable_delta
from heightnet.judge.family import HEIGHTS, Family, build_family
from heightnet.judge.reduction import (
    NEARLY_ONE_CLASS,
    Classes,
    Factors,
    Reduction,
    classify,
    factor_grid,
)
from heightnet.judge.search import Candidates, Posterior, fixed_size_sd, search
from heightnet.judge.stepwise import one_at_a_time
from heightnet.network.model import Network

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

WRONG = 0.5  # a probability from here on is a suspect
TIE = 1e-6  # of two that nothing tells apart, equally likely, neither is the suspect
WORTH_NAMING = 0.05  # of the rivals of an undecided blunder
RIVAL = 0.5  # correlation of two tests from which one may take the blame for the other
STILL_TESTED = 1e-3  # part of a hypothesis' information that must be left once others are freed


@dataclass(frozen=True)
class Explanation:
    """One set of blunders and what follows if it is the truth.

    members : representative hypothesis of each class in the set.
    error, covariance : their sizes, m, with the standard deviations as assumed.
    """

    probability: float
    members: Ints
    error: Floats
    covariance: Floats


class Bench:
    """Everything about a job's network that does not depend on the numbers observed; see `judge`.

    Building it costs the linear algebra, judging a set of observations with it is cheap: simulations judge thousands.

    Parameters
    ----------
    groups : whether common errors are in the family.
    factors : whether the standard deviations may be wrong by a factor; or the grid of such factors.
    family : the hypotheses, by default all of the network's.
    critical : critical value of the largest |w|, where it is known beforehand.
    """

    def __init__(
        self,
        net: Network,
        *,
        groups: bool = True,
        factors: bool | Factors = True,
        family: Family | None = None,
        critical: float | None = None,
    ) -> None:
        self.net = net
        self._critical = critical
        self.family = family or build_family(net, groups=groups)
        grid = factors if isinstance(factors, Factors) else factor_grid(factors)
        self.reduction = Reduction(net.A, net.sd, net.kind, self.family.C, grid)
        self.base = self.reduction.factors.base
        self.G = self.reduction.G
        self.own = self.reduction.own
        self.diagonal = np.diag(self.G).copy()
        self.classes: Classes = classify(self.G, self.own, self.family.rate, self.family.size)
        reps = self.classes.representative
        self.G_reps = self.reduction.over_grid(reps)
        # chance that any member of a class is a blunder
        self.class_rate = np.array(
            [1 - np.prod(1 - self.family.rate[self.classes.members(c)]) for c in range(len(reps))]
        )
        self.share = self.classes.shares(self.family.rate)
        self.candidates = Candidates.of(self.class_rate, self.family.size[reps])

    @property
    def factors(self) -> Factors:
        return self.reduction.factors

    @cached_property
    def critical(self) -> tuple[float, str]:
        """Critical value of the largest |w| of the whole family, classes merged, and how it was found."""
        if self._critical is not None:
            return self._critical, "formula"
        reps = self.classes.representative
        own = np.isnan(self.family.size[reps])  # a swap only repeats tests that stand for themselves
        at = reps[own]
        tests = self.reduction.M[:, at] / np.sqrt(self.diagonal[at])
        return critical_value(tests, self.net.job.settings.test.false_alarm)

    def near(self, h: int) -> Ints:
        """Hypotheses that cannot, or practically cannot, be told from h (not h itself)."""
        label = self.classes.label
        if label[h] < 0:
            return np.zeros(0, dtype=np.int64)
        scale = np.sqrt(self.diagonal[h] * np.where(label >= 0, self.diagonal, np.inf))
        alike = np.flatnonzero((np.abs(self.G[h]) / scale > NEARLY_ONE_CLASS) & (label >= 0))
        return alike[alike != h]

    def attributable(self) -> Floats:
        """(h,) smallest error of each height that its own test would accuse, m; see `Reliability`."""
        family, classes, tested = self.family, self.classes, self.classes.tested
        of_height = family.of(*HEIGHTS)
        out = np.where(of_height & ~tested, np.inf, np.nan)
        asked = np.flatnonzero(of_height & tested)
        if len(asked):
            sd = 1 / np.sqrt(np.where(tested, self.diagonal, 1.0))
            reps, own = classes.representative, classes.label[asked]
            rho = self.G[np.ix_(asked, reps)] * sd[asked][:, None] * sd[reps][None, :]
            rival = family.node[asked][:, None] != np.where(_of_stand(family), family.node, -2)[reps][None, :]
            rival[np.arange(len(asked)), own] = False
            delta = attributable_delta(rho, rival)
            delta[_foreign_members(self)[own]] = np.inf
            out[asked] = delta * sd[asked]
        return out

    def judge(self, y: Floats | None = None) -> Verdicts:
        """Judge observations y (m,), by default those of the job."""
        return Verdicts(self, self.net.y if y is None else y)


class Verdicts:
    """What one set of observations says; arrays have one entry a hypothesis, lengths in m.

    u, w, error, error_sd : reduced score, test, estimate (> 0: recorded too high) and its standard deviation; NaN where
        nothing tests the hypothesis.
    probability : that the hypothesis is among the blunders.
    """

    def __init__(self, bench: Bench, y: Floats) -> None:
        self.bench, self.y = bench, y
        self.u, u_grid, log_evidence = bench.reduction.see(y)
        tested = bench.classes.tested
        self.error, self.error_sd, self.w = bench.classes.tests(self.u, bench.diagonal)
        k, _ = bench.critical
        self.posterior: Posterior = search(u_grid, bench.G_reps, log_evidence, bench.candidates, k, bench.base)
        self.class_probability = self.posterior.each
        self.probability = np.zeros(len(tested))
        self.probability[tested] = self.class_probability[bench.classes.label[tested]] * bench.share[tested]

    @cached_property
    def explanations(self) -> tuple[Explanation, ...]:
        """Every set within 20 : 1 of the likeliest."""
        reps = self.bench.classes.representative
        shown = zip(self.posterior.sets, self.posterior.probability, strict=True)
        out = []
        for s, p in list(shown)[: self.posterior.shown]:
            members = reps[list(s)]
            error, covariance = self.estimate(members)
            out.append(Explanation(float(p), members, error, covariance))
        return tuple(out)

    @cached_property
    def freed(self) -> tuple[Floats, Floats, Floats]:
        """Error, its sd and w of each hypothesis (h,) with the likeliest explanation freed beside it.

        A large blunder pulls at the tests of everything near it; these are the tests once it has been let go.  Members
        of the explanation have their joint estimates; a hypothesis that nothing tests any more keeps its test alone.
        """
        members = self.explanations[0].members
        error, sd, w = self.error.copy(), self.error_sd.copy(), self.w.copy()
        if not len(members):
            return error, sd, w
        b, covariance = self.estimate(members)
        G = self.bench.G
        across = G[:, members]
        rest = self.bench.diagonal - np.einsum(
            "hs,hs->h", across, np.linalg.solve(G[np.ix_(members, members)], across.T).T
        )
        left = self.u - across @ b
        tested = (self.bench.classes.label >= 0) & (rest > STILL_TESTED * self.bench.diagonal)
        error[tested] = left[tested] / rest[tested]
        sd[tested] = 1 / np.sqrt(rest[tested])
        w[tested] = left[tested] / np.sqrt(rest[tested])
        own_sd = np.sqrt(np.diag(covariance))
        error[members], sd[members], w[members] = b, own_sd, b / own_sd
        return error, sd, w

    def estimate(self, members: Ints) -> tuple[Floats, Floats]:
        """Sizes and covariance of hypotheses freed together; a fixed size counts as an observation of it."""
        G = self.bench.G[np.ix_(members, members)]
        size = self.bench.family.size[members]
        fixed = np.isfinite(size)
        precision = np.where(fixed, 1 / fixed_size_sd(np.where(fixed, size, 1.0)) ** 2, 1.0)
        covariance = np.linalg.inv(G + np.diag(precision)) if len(members) else np.zeros((0, 0))
        return covariance @ (self.u[members] + np.where(fixed, size, 0.0) * precision), covariance

    def any_of(self, hypotheses: Iterable[int]) -> float:
        """Probability that at least one of these hypotheses is among the blunders."""
        label, share = self.bench.classes.label, self.bench.share
        part: dict[int, float] = {}
        for h in hypotheses:
            if label[h] >= 0:
                part[int(label[h])] = part.get(int(label[h]), 0.0) + float(share[h])
        if not part:
            return 0.0
        total = 0.0
        for s, p in zip(self.posterior.sets, self.posterior.probability, strict=True):
            clean = 1.0
            for c in s:
                clean *= 1 - part.get(c, 0.0)
            total += p * (1 - clean)
        return min(1.0, float(total))

    @cached_property
    def things(self) -> list[Subject]:
        """Everything that can be wrong."""
        return subjects(self.bench.family, self.bench.net)

    @cached_property
    def decided(self) -> dict[tuple[str, int], str]:
        """What is probably wrong, and the rivals of what is undecided; see `decide`."""
        return decide(self, self.things)

    @cached_property
    def stand_chance(self) -> Floats:
        """(nodes,) probability that the height of each stand is wrong, one way or another."""
        out = np.zeros(len(self.bench.net.nodes))
        for thing in self.things:
            kind, node = thing.key
            if kind == "stand":
                out[node] = self.any_of(thing.hypotheses)
        return out

    @property
    def best_subset(self) -> Ints:
        """Hypotheses that the penalised best-subset rule would accuse."""
        return self.bench.classes.representative[list(self.posterior.best_subset)]

    @property
    def factors(self) -> tuple[float | None, float | None]:
        """How many times larger than assumed the sds of tapes, and of sights and levels, probably are."""
        grid, factors = self.posterior.grid, self.bench.factors
        return float(np.exp(grid @ np.log(factors.tape))), float(np.exp(grid @ np.log(factors.sight)))

    @property
    def largest(self) -> int:
        """The hypothesis of any size with the largest |w|, -1 where nothing can be tested."""
        w = np.where(np.isnan(self.bench.family.size), np.abs(np.nan_to_num(self.w, nan=0.0)), 0.0)
        return int(np.argmax(w.round(9))) if len(w) and w.max() > 0 else -1

    @cached_property
    def one_at_a_time(self) -> Ints:
        """Hypotheses that freeing the largest test, one after the other, would accuse."""
        reps = self.bench.classes.representative
        k, _ = self.bench.critical
        chosen = one_at_a_time(self.u[reps], self.bench.G[np.ix_(reps, reps)], k)
        return reps[list(chosen)]


@dataclass(frozen=True)
class Subject:
    """A thing that can be wrong: a stand's height with all hypotheses about it, or one other hypothesis.

    key : ("stand", node) or ("other", hypothesis).
    hypotheses : positions in the family.
    """

    key: tuple[str, int]
    hypotheses: tuple[int, ...]


def subjects(family: Family, net: Network, among: Iterable[int] | None = None) -> list[Subject]:
    """Hypotheses, by default all, gathered by what a person would point at."""
    gathered: dict[tuple[str, int], list[int]] = {}
    for h in range(len(family)) if among is None else among:
        kind, node = family.kind[h], int(family.node[h])
        if kind in (*HEIGHTS, "reading"):
            gathered.setdefault(("stand", node), []).append(h)
        elif kind == "swap":
            stands = {int(net.head[o]) for o in family.members(h)}
            for stand in stands:
                gathered.setdefault(("stand", stand), []).append(h)
        else:
            gathered[("other", h)] = [h]
    return [Subject(key, tuple(hs)) for key, hs in gathered.items()]


def decide(verdicts: Verdicts, things: list[Subject]) -> dict[tuple[str, int], str]:
    """ "suspect" for what is probably wrong; "either" for rivals of which one probably is, but not clearly which.

    Rivals are classes whose tests resemble one another, so that one takes the blame where another does not.  Unlikely
    blunders that have nothing to do with each other do not add up to an accusation, however many they are.
    """
    chance = {t.key: verdicts.any_of(t.hypotheses) for t in things if _counts(verdicts, t)}
    found = {key: "suspect" for key, p in chance.items() if p > WRONG + TIE}
    label = verdicts.bench.classes.label
    settled = {int(label[h]) for t in things if t.key in found for h in t.hypotheses if label[h] >= 0}
    p = verdicts.class_probability
    open_classes = np.array([c for c in np.flatnonzero(p >= WORTH_NAMING) if c not in settled], dtype=np.int64)
    for rivals in _rivals(verdicts.bench, open_classes):
        if _any_class(verdicts.posterior, rivals) < WRONG:
            continue
        for thing in things:
            blamed = any(int(label[h]) in rivals for h in thing.hypotheses)
            if blamed and thing.key not in found and chance.get(thing.key, 0.0) >= WORTH_NAMING:
                found[thing.key] = "either"
    return found


def _rivals(bench: Bench, classes: Ints) -> list[set[int]]:
    """Classes grouped by the resemblance of their tests."""
    reps = bench.classes.representative[classes]
    sd = 1 / np.sqrt(bench.diagonal[reps])
    alike = np.abs(bench.G[np.ix_(reps, reps)] * sd[:, None] * sd[None, :]) >= RIVAL
    _, group = csgraph.connected_components(sparse.csr_matrix(alike), directed=False)
    return [set(classes[group == g].tolist()) for g in range(int(group.max(initial=-1)) + 1)]


def _any_class(posterior: Posterior, classes: set[int]) -> float:
    """Probability that at least one of these classes is among the blunders."""
    return sum(float(p) for s, p in zip(posterior.sets, posterior.probability, strict=True) if classes & set(s))


def _counts(verdicts: Verdicts, thing: Subject) -> bool:
    label = verdicts.bench.classes.label
    p = verdicts.class_probability
    return any(label[h] >= 0 and p[label[h]] > 0.01 for h in thing.hypotheses)


@dataclass(frozen=True)
class Reliability:
    """What errors the job would find and rightly name; (h,) arrays, m, inf where nothing limits them.

    detectable : smallest error found with the set power at the set level.
    attributable : smallest error that its own test would accuse with probability 0.95 or more; NaN where not asked for.
    """

    delta0: float
    detectable: Floats
    attributable: Floats


class Reliable(Protocol):
    """What `reliability` needs to know of a bench, small or wide."""

    net: Network
    classes: Classes
    diagonal: Floats

    def attributable(self) -> Floats: ...


def reliability(bench: Reliable) -> Reliability:
    """Detectable sizes of all hypotheses, attributable ones of heights."""
    test = bench.net.job.settings.test
    delta0 = detectable_delta(test.alpha, test.power)
    tested = bench.classes.tested
    detectable = np.where(tested, delta0 / np.sqrt(np.where(tested, np.maximum(bench.diagonal, 1e-300), 1.0)), np.inf)
    return Reliability(delta0, detectable, np.maximum(bench.attributable(), detectable))


def _of_stand(family: Family) -> npt.NDArray[np.bool_]:
    return family.of(*HEIGHTS, "reading", "swap")


def _foreign_members(bench: Bench) -> npt.NDArray[np.bool_]:
    """(c,) whether a class holds hypotheses about more than one thing."""
    family, label = bench.family, bench.classes.label
    thing = np.where(_of_stand(family), family.node, -2 - np.arange(len(family)))
    out = np.zeros(len(bench.classes.representative), dtype=bool)
    for c in range(len(out)):
        out[c] = len(set(thing[label == c].tolist())) > 1
    return out


def fit_of(net: Network) -> Fit:
    """The adjustment of the job with nothing freed."""
    return adjust(net.A, net.y, net.sd)
