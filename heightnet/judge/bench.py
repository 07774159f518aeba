"""A network ready to be judged: everything that does not depend on the numbers observed.

Building it costs the linear algebra; judging a set of observations with it is cheap, so that simulations judge
thousands.  A job is judged as a list of neighbourhoods (`Look`).  A job of usual size is one of them, and this module
has its bench; `heightnet.judge.large` has that of a job of many.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.special import ndtri

from heightnet.adjust import Fit, adjust
from heightnet.arrays import Floats, Ints
from heightnet.judge.closing import NOTHING, Closing, calibrate, log_bayes, log_odds_of, log_sum
from heightnet.judge.critical import sidak_value
from heightnet.judge.family import Family, build_family
from heightnet.judge.naming import Naming
from heightnet.judge.places import Places
from heightnet.judge.reduction import Classes, Factors, Reduction, classify, factor_grid, scaled_sd
from heightnet.judge.search import BUDGET, MATTERS, Candidates, Clock, Posterior, log_gain, search
from heightnet.ledger.thing import EVENTS, PARTS
from heightnet.network.misclosures import misclosures
from heightnet.network.model import Network

ROUNDS = 2  # of asking which moments of events come near what was found without them
ALONE = 3  # moments of events looked at whatever else explains the job
STILL_TESTED = 1e-6  # part of a class's information that must be left beside a set


@dataclass(frozen=True)
class Look:
    """One neighbourhood searched.

    classes : (c,) the classes weighed in it.
    u, G : (g, c), (g, c, c) of their representatives over the factor grid; evidence : (g,) of the factors alone.
    prior : what the search took them to be beforehand.
    """

    classes: Ints
    u: Floats
    G: Floats
    evidence: Floats
    prior: Candidates
    base: int
    posterior: Posterior

    @cached_property
    def rho(self) -> Floats:
        """(c, c) correlation of the tests at the stated standard deviations."""
        G = self.G[self.base]
        scale = 1 / np.sqrt(np.diag(G))
        return np.asarray(G * scale[:, None] * scale[None, :])

    @cached_property
    def position(self) -> dict[int, int]:
        """Where each class stands in the arrays."""
        return {int(c): i for i, c in enumerate(self.classes)}

    def members_of(self, position: int) -> Floats:
        """(sets,) 1 where a set holds this class."""
        return np.asarray(self._membership[:, [position]].toarray()).ravel()

    @cached_property
    def _membership(self) -> sparse.csc_matrix:
        sets = self.posterior.sets
        rows = np.repeat(np.arange(len(sets)), [len(s) for s in sets])
        columns = np.array([c for s in sets for c in s], dtype=np.int64)
        return sparse.csc_matrix((np.ones(len(rows)), (rows, columns)), shape=(len(sets), len(self.classes)))

    @property
    def likeliest(self) -> int:
        """Point of the factor grid that the search makes likeliest."""
        return int(np.argmax(np.round(self.posterior.grid, 12)))


@dataclass(frozen=True)
class Seen:
    """What a bench makes of a set of observations.

    u : (h,) reduced scores at the stated standard deviations.
    looks : the neighbourhoods searched.
    log_odds : log O, see `heightnet.judge.closing`.
    alone : (c,) probability of each class by itself, for classes that no neighbourhood weighs.
    left : largest |w| that remains outside the neighbourhoods once the likeliest blunders are free, at the likeliest
        factors; 0 where they hold everything.
    unlooked : about the share of what may be wrong that lies where nobody looked, because the clock had struck.
    """

    u: Floats
    looks: list[Look]
    log_odds: float
    alone: Floats
    left: float = 0.0
    unlooked: float = 0.0


class BenchBase(ABC):
    """What judging needs to know of a network.

    Attributes
    ----------
    net, family : the network and every hypothesis about it.
    classes : hypotheses that nothing tells apart.
    diagonal, own : (h,) reduced and whole information of each hypothesis.
    class_rate : (c,) chance beforehand that any member of a class is a blunder; candidates : the same for the search.
    free : (c,) classes of free size, whose tests take part in the largest.
    factors : grid of factors on the standard deviations; its base is nearest to the stated ones.
    asked : (a,) classes that are asked whether anything is wrong, those with a slip or a whole common error in them;
        closing : from where on something is said.
    budget : steps that its searches may take together.
    """

    net: Network
    family: Family
    classes: Classes
    diagonal: Floats
    own: Floats
    class_rate: Floats
    candidates: Candidates
    free: npt.NDArray[np.bool_]
    factors: Factors
    asked: Ints
    closing: Closing
    budget: float = BUDGET

    @property
    @abstractmethod
    def redundancy(self) -> int:
        """Of the job."""

    @abstractmethod
    def look(self, y: Floats, clock: Clock | None = None) -> Seen:
        """Judge observations y (m,)."""

    @abstractmethod
    def freed(self, u: Floats, members: Ints) -> tuple[Floats, Floats, Floats]:
        """With some hypotheses freed, at the stated sds: u and the diagonal of G (h,); G (s, s) of these."""

    @abstractmethod
    def inflation(self, looks: list[Look]) -> Floats:
        """(h,) by how much the standard deviation of each hypothesis' estimate grows with the factors of the job."""

    @property
    def base(self) -> int:
        return self.factors.base

    @property
    def delta(self) -> float:
        """An error of so many sds of its own test is found with ``test.power``: an upper bound, as the test has it.

        Where nothing is tested yet, of the one test that a further measurement would bring.
        """
        test, k = self.net.job.settings.test, self.closing.k
        return (k if np.isfinite(k) else sidak_value(1, test.false_alarm)) + float(ndtri(test.power))

    @cached_property
    def places(self) -> Places:
        return Places(self.net, self.family)

    @cached_property
    def naming(self) -> Naming:
        return Naming(self.net, self.family)

    @cached_property
    def fit(self) -> Fit:
        """The adjustment of the network's own observations with the standard deviations as stated."""
        return adjust(self.net.A, self.net.y, self.net.sd)

    @cached_property
    def _fits(self) -> dict[tuple[float, float], Fit]:
        return {}

    def fit_at(self, g: int) -> Fit:
        """The adjustment of the network's own observations at one point of the factor grid."""
        tape, sight = float(self.factors.tape[g]), float(self.factors.sight[g])
        if (tape, sight) == (1.0, 1.0):
            return self.fit
        if (tape, sight) not in self._fits:
            sd = scaled_sd(self.net.kind, self.net.sd, tape, sight)
            self._fits[tape, sight] = adjust(self.net.A, self.net.y, sd)
        return self._fits[tape, sight]

    @cached_property
    def _moved(self) -> dict[tuple[int, int], Floats]:
        return {}

    def moved(self, g: int, hypotheses: Ints) -> Floats:
        """(n, s) how a unit error of each hypothesis moves the estimates at one point of the factor grid."""
        asked = [h for h in dict.fromkeys(hypotheses.tolist()) if (g, h) not in self._moved]
        if asked:
            tape, sight = float(self.factors.tape[g]), float(self.factors.sight[g])
            P = scaled_sd(self.net.kind, self.net.sd, tape, sight) ** -2.0
            B = (self.net.A.T @ self.family.C[:, asked].multiply(P[:, None])).toarray()
            found = self.fit_at(g).solve(B)
            self._moved.update(((g, h), found[:, i]) for i, h in enumerate(asked))
        columns = [self._moved[g, h] for h in hypotheses.tolist()]
        return np.column_stack(columns) if columns else np.zeros((self.net.A.shape[1], 0))

    def adjusted(self, g: int, y: Floats) -> Floats:
        """(n,) estimates from observations y (m,) at one point of the factor grid."""
        fit = self.fit_at(g)
        if y is self.net.y:
            return fit.x
        tape, sight = float(self.factors.tape[g]), float(self.factors.sight[g])
        return fit.solve(self.net.A.T @ (y / scaled_sd(self.net.kind, self.net.sd, tape, sight) ** 2))

    def factors_of(self, looks: list[Look]) -> tuple[float, float]:
        """How many times larger than stated the sds of tapes, and of sights and levels, probably are."""
        grid = self.grid_of(looks)
        return float(np.exp(grid @ np.log(self.factors.tape))), float(np.exp(grid @ np.log(self.factors.sight)))

    def grid_of(self, looks: list[Look]) -> Floats:
        """(g,) probability of each point of the factor grid."""
        if len(looks) == 1:
            return looks[0].posterior.grid
        return np.exp(self.factors.log_prior - log_sum(self.factors.log_prior, 0))


class Bench(BenchBase):
    """A network of usual size, judged as one neighbourhood.

    Parameters
    ----------
    groups : whether common errors are in the family.
    factors : whether the standard deviations may be wrong by a factor; or the grid of such factors.
    family : the hypotheses, by default all of the network's.
    """

    def __init__(
        self, net: Network, *, groups: bool = True, factors: bool | Factors = True, family: Family | None = None
    ) -> None:
        self.net = net
        self.family = family or build_family(net, groups=groups)
        self.factors = factors if isinstance(factors, Factors) else factor_grid(factors)
        self.reduction = Reduction(misclosures(net), net.sd, net.kind, self.family.C, self.factors)
        self.G = self.reduction.G
        self.own = self.reduction.own
        self.diagonal = np.diag(self.G).copy()
        self.classes = classify(self.G, self.own, self.family.rate, self.family.size)
        reps = self.classes.representative
        self.G_reps = self.reduction.over_grid(reps)
        self.class_rate = self.classes.rates(self.family.rate)
        self.candidates = candidates_of(self.family, self.classes, self.diagonal, self.family.rate)
        self.free = np.isnan(self.family.size[reps])

    @property
    def redundancy(self) -> int:
        return self.reduction.redundancy

    @cached_property
    def asked(self) -> Ints:  # type: ignore[override]
        tested = self.classes.tested
        lasting = ~self.family.of(*PARTS, *EVENTS)[tested]
        return np.flatnonzero(np.bincount(self.classes.label[tested], weights=lasting, minlength=len(self.free)))

    @cached_property
    def closing(self) -> Closing:  # type: ignore[override]
        if not len(self.classes.representative):
            return NOTHING
        return calibrate(self.reduction, self.diagonals, self.asked, self.candidates, self.free, self.net)

    @cached_property
    def diagonals(self) -> Floats:
        """(g, c) diagonals of G of the classes over the factor grid."""
        return np.einsum("gcc->gc", self.G_reps).copy()

    def look(self, y: Floats, clock: Clock | None = None) -> Seen:
        u, over, evidence = self.reduction.see(y)
        if not over.size:
            return Seen(u, [], -np.inf, np.zeros(0))
        some = self.asked
        log_odds = log_odds_of(over[:, some], self.diagonals[:, some], evidence, self.candidates.some(some))
        look = self._searched(over, evidence, log_odds, clock)
        alone = np.zeros(over.shape[1])
        alone[look.classes] = look.posterior.each
        return Seen(u, [look], log_odds, alone)

    def _searched(self, over: Floats, evidence: Floats, log_odds: float, clock: Clock | None) -> Look:
        """The one neighbourhood, searched without parts and moments of common errors; where something is said, with
        those of them that come near what that finds as well."""
        taken, asked = np.isin(np.arange(over.shape[1]), self.asked), self.asked
        w = np.abs(over[self.base, asked]) / np.sqrt(self.diagonals[self.base, asked])
        said = self.closing.said(float(w[self.free[asked]].max(initial=0.0)), log_odds)
        look = self._look_at(np.flatnonzero(taken), over, evidence, clock)
        for _ in range((1 if look.posterior.stopped else ROUNDS) if said else 0):
            more = near(look, np.flatnonzero(~taken), over, self.G_reps, self.candidates)
            if not len(more):
                break
            taken[more] = True
            look = self._look_at(np.flatnonzero(taken), over, evidence, clock)
        return look

    def _look_at(self, some: Ints, over: Floats, evidence: Floats, clock: Clock | None) -> Look:
        u, G, prior = over[:, some], self.G_reps[:, some[:, None], some[None, :]], self.candidates.some(some)
        posterior = search(u, G, evidence, prior, self.closing.k, self.base, clock)
        return Look(some, u, G, evidence, prior, self.base, posterior)

    def freed(self, u: Floats, members: Ints) -> tuple[Floats, Floats, Floats]:
        across = self.G[:, members]
        return *freed_of(u, self.diagonal, across, members.tolist()), across[members]

    def inflation(self, looks: list[Look]) -> Floats:
        out = np.ones(len(self.family))
        if looks:
            tested = self.classes.tested
            mean = self.grid_of(looks) @ (1 / self.diagonals)
            out[tested] = np.sqrt(mean * self.diagonals[self.base])[self.classes.label[tested]]
        return out


def near(look: Look, others: Ints, over: Floats, G: Floats, prior: Candidates) -> Ints:
    """Classes that are not in a neighbourhood and would have come near the best that was found in it, beside a set of
    some weight, in the place of one of its members, or of all of them; and the likeliest in the place of all, which may
    lack a moment to explain what many single errors do.

    Parameters
    ----------
    others : (o,) the classes asked about.
    over, G : (g, c) and (g, c, c) of all classes over the factor grid.
    """
    if not len(others):
        return others
    g, posterior = look.likeliest, look.posterior
    shown = posterior.sets[: posterior.shown]
    beside = {(), *shown, *(s[:i] + s[i + 1 :] for s in shown for i in range(len(s)))}
    weight = {s: float(log_gain(list(s), look.u, look.G, look.prior)[g]) for s in beside}  # against nothing wrong
    best = max(weight[s] for s in shown)
    reached = alone = np.full(len(others), -np.inf)
    some = prior.some(others)
    for s in sorted(beside):
        members = look.classes[list(s)]
        at = np.r_[members, others]
        across = G[g][np.ix_(at, members)]
        left, rest = freed_of(over[g, at], G[g, at, at], across, list(range(len(members))))
        left, rest = left[len(members) :], rest[len(members) :]
        gain = some.log_odds + log_bayes(left, np.maximum(rest, 1e-300), some)
        gain = np.where(rest > STILL_TESTED * G[g, others, others], gain, -np.inf)
        reached = np.maximum(reached, weight[s] + gain)
        alone = gain if not s else alone
    enough = reached >= max(best, float(reached.max())) - MATTERS
    enough[np.argsort(-np.round(alone, 9), kind="stable")[:ALONE]] = True
    return others[enough & np.isfinite(reached)]


def candidates_of(family: Family, classes: Classes, diagonal: Floats, rate: Floats) -> Candidates:
    """The classes as a search chooses from them.

    Parameters
    ----------
    diagonal, rate : (h,) information and chance beforehand of every hypothesis.
    """
    reps, scales = classes.representative, classes.scales(diagonal, rate, family.limit)
    return Candidates.of(classes.rates(rate), family.size[reps], scales, family.size_sd[reps], family.sizes[reps])


def freed_of(u: Floats, diagonal: Floats, across: Floats, some: list[int]) -> tuple[Floats, Floats]:
    """u and the diagonal of G of every hypothesis with some of them freed beside it.

    Parameters
    ----------
    across : (h, s) columns of G of these.
    """
    if not some:
        return u.copy(), diagonal.copy()
    inside = across[some].copy()
    inside[np.diag_indices(len(inside))] *= 1 + 1e-9
    solved = np.linalg.solve(inside, np.column_stack([across.T, u[some]]))
    return u - across @ solved[:, -1], diagonal - np.einsum("hs,sh->h", across, solved[:, :-1])
