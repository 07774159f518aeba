"""Jobs too large for one search: the same judgement, as a list of neighbourhoods.

The sparse adjustment gives the test of every hypothesis; classes and what nothing tests are read off the graph.  What
stands out is let go, likeliest first, each conditional on the ones before; then every blunder let go is searched anew
among its rivals, the others being free.  Blunders that do not resemble one another are independent, so that each such
neighbourhood is a small search like a small job's, with u and G of the whole job.  Beyond `WHOLE_UP_TO` observations
they are those of the part of the network around it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.spatial import cKDTree
from scipy.special import expit

from heightnet.adjust import Fit, adjust
from heightnet.adjust.graph import bridges, series_classes
from heightnet.arrays import Floats, Ints
from heightnet.judge.bench import Bench, BenchBase, Look, Seen, candidates_of, freed_of
from heightnet.judge.closing import Closing, formula, log_bayes, log_sum
from heightnet.judge.family import Family, build_family, event_family, finer_spells
from heightnet.judge.reduction import ONE_CLASS, UNTESTABLE, Classes, Factors, factor_grid, log_prior_of, scaled_sd
from heightnet.judge.search import Candidates, Clock, log_gain, search
from heightnet.kinds.kind import DATUM
from heightnet.kinds.registry import code_of
from heightnet.ledger.thing import HAPPENED, OBSERVED, STANDS, TAPED
from heightnet.network.model import Network

ONE_UP_TO = 200  # redundancy up to which a job is one neighbourhood
ONE_OBSERVATIONS = 3_000  # likewise
WHOLE_UP_TO = 20_000  # observations of a job whose neighbourhoods have u and G of all of it
PART = 1_500  # observations of the part of a larger job around a blunder
CORE = 0.5  # of them, the nearest, what is found among which is kept
SAMPLES, SAMPLE = 8, 400  # parts of a large job from which the factors on the sds are found, observations of each
FACTORS_OF_ALL_UP_TO = 5_000  # observations of a job whose factors are found from all of it
FINER = 2.0 ** np.array([-0.25, 0.0, 0.25])
LEAST_FACTOR = 0.01  # probability of a point of the factor grid from which it is kept
LET_GO = 0.5  # probability, by itself and beside what was let go before, from which a blunder is let go
LOOKED_AT = 0.05  # likewise, from which a neighbourhood is searched though nothing in it was let go
PART_FROM = 0.2  # likewise, from which the part of a very large job around it is cut out
EXTRA = 0.005  # likewise, from which a class takes part in a neighbourhood that it resembles
RIVAL = 0.05  # correlation from which one class may take another's blame
RIVAL_ODDS = 9.0  # logarithm: rivals less likely than that against the likeliest are left out
FELT = 0.01  # correlation from which what was let go elsewhere is free beside a neighbourhood
STILL_TESTED = 1e-6  # 1 / m^2: information of a class below which nothing is left to test it
NEAREST = 60  # of what was let go, taken as free beside a class when its rivals are looked for
MOST_LET_GO = 400
AT_ONCE = 32  # right-hand sides
FELT_MOVE = 1e-5  # of an error: an estimate that moves less does not move
LARGE_BUDGET = 1e10  # steps of all searches of a large job
ROUNDS = 3
SURE = 30.0  # logarithm of the Bayes factor of what was let go
PRICED, HAPPENED_AT_MOST = 400, 100  # of what may have happened in the field, those weighed, and those searched
RATE_COUNTS_AS = 1000.0  # observations: how much a stated rate weighs against what the job itself shows
RATE_ROUNDS = 20
WITNESSES = 8
ONE_FINGERPRINT = float(np.sqrt(2 * WITNESSES * (1 - ONE_CLASS)))  # how far apart the tests of one class may lie


class Frame:
    """Observations that are adjusted together, and the classes that lie in them.

    Parameters
    ----------
    A, y, sd, kind : as of a network.
    C : (m, c) representatives of classes; classes : (c,) their labels.
    core : (c,) classes near the middle, what is found among which is kept.
    """

    def __init__(
        self,
        A: sparse.csr_matrix,
        y: Floats,
        sd: Floats,
        kind: npt.NDArray[np.int8],
        C: sparse.csc_matrix,
        classes: Ints,
        core: npt.NDArray[np.bool_],
    ) -> None:
        self.A, self.y, self.sd, self.kind, self.C, self.classes, self.core = A, y, sd, kind, C, classes, core
        self._fits: dict[tuple[float, float], Fit] = {}
        self._tests: dict[tuple[float, float], tuple[Floats, Floats]] = {}

    def fit(self, tape: float, sight: float) -> Fit:
        """The adjustment with these factors on the standard deviations."""
        if (tape, sight) not in self._fits:
            self._fits[tape, sight] = adjust(self.A, self.y, scaled_sd(self.kind, self.sd, tape, sight))
        return self._fits[tape, sight]

    def tests(self, tape: float, sight: float) -> tuple[Floats, Floats]:
        """u and the diagonal of G (c,) of every class."""
        if (tape, sight) not in self._tests:
            self._tests[tape, sight] = self.fit(tape, sight).reduce_diagonal(self.C)
        return self._tests[tape, sight]

    def forget(self) -> None:
        """Let go of what was worked out for other factors than the stated ones."""
        for kept in (self._fits, self._tests):
            for point in [p for p in kept if p != (1.0, 1.0)]:
                del kept[point]  # type: ignore[attr-defined]

    def columns(self, at: list[int], tape: float, sight: float) -> Floats:
        """(c, s) columns of G of some classes."""
        P = scaled_sd(self.kind, self.sd, tape, sight) ** -2.0
        weighted = sparse.csc_matrix(self.C[:, at].multiply(P[:, None]))
        moved = self.A @ self.fit(tape, sight).solve((self.A.T @ weighted).toarray())
        return np.asarray(self.C.T @ (weighted.toarray() - moved * P[:, None]))

    def reduced(self, at: list[int], factors: Factors) -> tuple[Floats, Floats]:
        """u (g, s) and G (g, s, s) of some classes over a grid of factors."""
        points = zip(factors.tape.tolist(), factors.sight.tolist(), strict=True)
        found = [self.fit(tape, sight).reduce(self.C[:, at]) for tape, sight in points]
        return np.array([u for u, _ in found]), np.array([G for _, G in found])

    def log_evidence(self, tape: float, sight: float) -> float:
        """Logarithm of the evidence of two factors, nothing being wrong, up to a constant."""
        fit = self.fit(tape, sight)
        sd = scaled_sd(self.kind, self.sd, tape, sight)
        return -0.5 * (2 * float(np.log(sd / self.sd).sum()) + fit.log_det + fit.chi2)


@dataclass
class LetGo:
    """What was let go at one point of the factor grid, in order, and what that leaves of the others.

    members : positions in a frame.
    u, rest : (c,) u and the diagonal of G with all of them freed.
    log_joint : logarithm of the evidence with them, sizes integrated out one after the other.
    """

    members: list[int]
    u: Floats
    rest: Floats
    log_joint: float

    def odds(self, prior: Candidates) -> Floats:
        """(c,) logarithm of the odds of each class beside them; -inf where they leave nothing of it to test."""
        odds = prior.log_odds + log_bayes(self.u, np.maximum(self.rest, 1e-300), prior)
        return np.where(self.rest > STILL_TESTED, odds, -np.inf)


def let_go(frame: Frame, prior: Candidates, tape: float, sight: float) -> LetGo:
    """The likeliest blunders one after the other, each conditional on those before."""
    u, rest = frame.tests(tape, sight)
    out = LetGo([], u.copy(), rest.copy(), frame.log_evidence(tape, sight))
    freed: list[Floats] = []
    while len(out.members) < MOST_LET_GO:
        odds = np.where(out.rest > 1e-3 * rest, out.odds(prior), -np.inf)
        odds[out.members] = -np.inf
        best = int(np.argmax(np.round(odds, 9))) if len(odds) else -1
        if best < 0 or expit(odds[best]) < LET_GO:
            break
        column = frame.columns([best], tape, sight)[:, 0]
        for before in freed:  # those before it freed
            column = column - before * before[best]
        pivot = float(np.sqrt(max(column[best], 1e-300)))
        column = column / pivot
        out.log_joint += float(odds[best])
        out.u = out.u - column * (out.u[best] / pivot)
        out.rest = np.maximum(out.rest - column**2, 0.0)
        freed.append(column)
        out.members.append(best)
    return out


class LargeBench(BenchBase):
    """As `heightnet.judge.bench.Bench`, for jobs that are judged as many neighbourhoods.

    Rates of blunders and factors on the standard deviations are those that the job itself shows, weighed against the
    stated ones; heights exchanged, readings exchanged and what happened in the field are hypotheses where something
    stands out.
    """

    budget = LARGE_BUDGET

    def __init__(self, net: Network) -> None:
        self.net = net
        self._set_family(build_family(net, swaps=False, events=False))
        self.factors = factor_grid()
        self.factors = self._factors_of_the_job()
        self._set_rates(self._rates_of_the_job())
        suspicious = self._suspicious()
        self._set_family(build_family(net, swaps=suspicious, events=False))
        self._set_rates(self._rates_of_the_job())
        if suspicious and net.edge_count <= WHOLE_UP_TO:
            happened, rate = self._happened(suspicious), self.rate
            finer = finer_spells(happened, net, np.arange(len(happened)))
            happened = self._likely(happened.with_more(finer)) if len(finer) else happened
            if len(happened):
                self._set_family(self.family.with_more(happened))
                self._set_rates(np.concatenate([rate, happened.rate]))

    def _happened(self, suspicious: set[int]) -> Family:
        """Of what may have happened in the field that which would explain something by itself, the likeliest first.

        What touches nothing suspicious is passed over, and of the rest all but those whose score is largest.
        """
        every = event_family(self.net)
        if not len(every):
            return every
        touched = np.zeros(len(self.net.y))
        count, nodes = self.net.edge_count, sorted(suspicious)
        touched[:count] = np.isin(self.net.head[:count], nodes) | np.isin(self.net.tail[:count], nodes)
        P = self.net.sd**-2.0
        score = np.asarray(every.C.T @ (self.fit.v * P)) ** 2 / np.asarray(every.C.power(2).T @ P)
        score[np.asarray(every.C.T @ touched) == 0] = 0.0
        return self._likely(every.some(np.sort(np.argsort(-np.round(score, 9), kind="stable")[:PRICED])), first=True)

    def _likely(self, priced: Family, first: bool = False) -> Family:
        """Those that explain something by themselves, the likeliest of them; first : stands then move as often as all
        of them show, not as often as stated."""
        u, diagonal = self._scaled(*self.fit.reduce_diagonal(priced.C))
        tested = np.flatnonzero(diagonal > UNTESTABLE * np.asarray(priced.C.power(2).T @ self.net.sd**-2.0))
        if not len(tested):
            return priced.some(tested)
        priced, u, diagonal = priced.some(tested), u[tested], diagonal[tested]
        n = len(priced)
        alone = Classes(np.arange(n), np.ones(n), np.arange(n), np.ones(n))
        prior = candidates_of(priced, alone, diagonal, priced.rate)
        bayes = log_bayes(u, diagonal, prior)
        fewer = np.ones(n)
        if first and (moves := priced.of("moved")).any():
            fewer[moves] = self._moves(priced.some(np.flatnonzero(moves)), bayes[moves])
        priced = replace(priced, rate=priced.rate * fewer)
        odds = prior.log_odds + np.log(fewer) + bayes
        kept = np.flatnonzero(expit(odds) >= EXTRA)
        likeliest = kept[np.argsort(-np.round(odds[kept], 6), kind="stable")[:HAPPENED_AT_MOST]]
        return priced.some(np.sort(likeliest))

    def _moves(self, moves: Family, log_bayes: Floats) -> float:
        """How often stands move in this job, in terms of what is stated, as of other blunders (`_rates_of_the_job`)."""
        rates, net = self.net.job.settings.rates, self.net
        stated = rates.moved + rates.moved_before + rates.settled
        stands = sum(int(np.sum(np.bincount(of_shot) > 1)) for of_shot in (net.shot_setup, net.shot_target))
        bayes, share = np.exp(np.minimum(log_bayes, SURE)), 1.0
        for _ in range(RATE_ROUNDS):
            odds = np.bincount(moves.node, weights=moves.rate * share * bayes)  # one move explains a stand
            shown = (RATE_COUNTS_AS * stated + float((odds / (1 + odds)).sum())) / (RATE_COUNTS_AS + stands)
            share = min(1.0, shown / stated)
        return share

    def beside(self, more: Family, log_odds: Floats) -> LargeBench:
        """This bench with more hypotheses, whose logarithms of the odds beforehand are larger by so much than their
        rates have them; rates and factors are those that the job showed without, and so is whether it closes."""
        out = LargeBench.__new__(LargeBench)
        out.net, out.factors, out.fit, out._fits, out.closing = (
            self.net,
            self.factors,
            self.fit,
            self._fits,
            self.closing,
        )
        out._set_family(self.family.with_more(more))
        out._set_rates(np.concatenate([self.rate, more.rate]))
        odds = out.candidates.log_odds.copy()
        label = out.classes.label[len(self.family) :]
        odds[label[label >= 0]] += log_odds[label >= 0]
        out.candidates = replace(out.candidates, log_odds=odds)
        return out

    # ---- classes from the graph ----

    def _set_family(self, family: Family) -> None:
        P = self.net.sd**-2.0
        self.family = family
        self.own = np.asarray(family.C.power(2).T @ P)
        self._edge_of = self._representing_observation()
        self.diagonal = self._information(P)
        self.classes = self._classes()
        reps = self.classes.representative
        self.free = np.isnan(family.size[reps])
        self._set_rates(family.rate)

    def _set_rates(self, rate: Floats) -> None:
        self.rate = rate
        self.class_rate = self.classes.rates(rate)
        self.candidates = candidates_of(self.family, self.classes, self.diagonal, rate)
        lasting = ~self.family.of(*HAPPENED) & self.classes.tested
        self.asked = np.unique(self.classes.label[lasting])

    def _representing_observation(self) -> Ints:
        """(h,) an observation whose row is the hypothesis' pattern, the only one or one of parallel ones; else -1."""
        family = self.family
        out = family.observation.copy()
        several = np.flatnonzero((out < 0) & family.of(*STANDS))
        out[several] = family.C.indices[family.C.indptr[several]]
        return out

    def _information(self, P: Floats) -> Floats:
        """Diagonal of G: p r for one observation; for parallel ones sum p - (sum p)^2 q, with q = a N^-1 a'."""
        at = self._edge_of
        simple = at >= 0
        diagonal = np.zeros(len(at))
        q = (1 - self.fit.r[at[simple]]) / P[at[simple]]
        diagonal[simple] = self.own[simple] - self.own[simple] ** 2 * q
        one = simple & (self.family.observation >= 0)
        diagonal[one] = P[at[one]] * self.fit.r[at[one]]
        rest = np.flatnonzero(~simple)
        if len(rest):
            diagonal[rest] = self.fit.reduce_diagonal(self.family.C[:, rest])[1]
        return np.maximum(diagonal, 0.0)

    def _classes(self) -> Classes:
        """What nothing tests, and what nothing tells apart, from the graph with parallel readings drawn as one."""
        net, family = self.net, self.family
        held = np.arange(len(net.nodes))
        held[net.held] = DATUM
        drawn = np.flatnonzero((self._edge_of >= 0) & family.of(*STANDS, *OBSERVED))
        edge = self._edge_of[drawn]
        i, j = held[net.tail[edge]], held[net.head[edge]]
        is_bridge, series = bridges(i, j, len(held)), series_classes(i, j, len(held))
        label = np.full(len(family), -1, dtype=np.int64)
        label[drawn] = np.where(is_bridge, -1, series)
        redundancy = np.clip(self.diagonal / np.where(self.own > 0, self.own, 1.0), 0.0, 1.0)
        redundancy[drawn[is_bridge]] = 0.0
        other = np.setdiff1d(np.flatnonzero(redundancy > UNTESTABLE), drawn)
        label[other] = label.max(initial=-1) + 1 + np.arange(len(other))
        self._merge_others(label, drawn, other)
        redundancy[label < 0] = 0.0
        tested = np.flatnonzero(label >= 0)
        order = tested[np.lexsort((tested, -family.rate[tested], self._edge_of[tested] < 0, label[tested]))]
        unique, first, inverse = np.unique(label[order], return_index=True, return_inverse=True)
        label[order] = inverse
        representative = order[first] if len(unique) else order
        return Classes(label, self._signs(label, representative), representative, redundancy)

    def _merge_others(self, label: Ints, drawn: Ints, other: Ints) -> None:
        """What is no single edge of the graph gets the label of what nothing tells from it.

        The tests of one class are the same but for sign, whatever was observed: `WITNESSES` sets of noise tell.
        """
        other = other[np.isnan(self.family.size[other])]
        if not len(other):
            return
        labels, first = np.unique(label[drawn], return_index=True)
        known = drawn[first[labels >= 0]]
        Z = np.random.default_rng(1).standard_normal((len(self.net.y), WITNESSES)) / self.net.sd[:, None]
        v = Z - (self.net.A @ self.fit.solve(self.net.A.T @ Z)) / self.net.sd[:, None] ** 2
        every = np.concatenate([known, other])
        w = np.asarray(self.family.C[:, every].T @ v) / np.sqrt(self.diagonal[every])[:, None]
        alike = cKDTree(w).query_ball_point(np.concatenate([w[len(known) :], -w[len(known) :]]), ONE_FINGERPRINT)
        for i, h in enumerate(other.tolist()):
            label[h] = label[every[min(alike[i] + alike[len(other) + i])]]

    def _signs(self, label: Ints, representative: Ints) -> Floats:
        """Whether an error of each hypothesis looks like its representative's or like the opposite: as the job's u say.

        The u of one class are the same but for scale and sign, whatever was observed.
        """
        u = np.asarray(self.family.C.T @ (self.fit.v / self.net.sd**2))
        sign = np.ones(len(label))
        tested = label >= 0
        sign[tested] = np.where(u[tested] * u[representative[label[tested]]] < 0, -1.0, 1.0)
        return sign

    # ---- what the job says of its own scatter, and of how often its crews slip ----

    @property
    def redundancy(self) -> int:
        return int(self.fit.dof)

    @property
    def _factors_of_all(self) -> bool:
        return self.net.edge_count <= FACTORS_OF_ALL_UP_TO

    def _factors_of_the_job(self) -> Factors:
        """The factor grid weighed by what the job shows once its likeliest blunders are let go."""
        grid = factor_grid()
        if self._factors_of_all:
            frames = [self._frame(self.net.y)]
        else:
            frames = [self._part_around(edge, self.fit.v, SAMPLE) for edge in self._usual_edges()]
        rough = self._weighed(frames, grid)
        best = int(np.argmax(np.round(rough, 6)))
        # so many observations know their scatter better than the usual grid has it
        tape, sight = (f.ravel() for f in np.meshgrid(FINER * grid.tape[best], FINER * grid.sight[best], indexing="ij"))
        finer = Factors(tape, sight, log_prior_of(tape, sight))
        return finer.weighed(self._weighed(frames, finer), LEAST_FACTOR)

    def _weighed(self, frames: list[Frame], grid: Factors) -> Floats:
        """(g,) logarithm of the evidence of each pair of factors, the likeliest blunders let go."""
        out = grid.log_prior.copy()
        for frame in frames:
            prior = self.candidates.some(frame.classes)
            points = zip(grid.tape.tolist(), grid.sight.tolist(), strict=True)
            out += [let_go(frame, prior, tape, sight).log_joint for tape, sight in points]
            frame.forget()
        return out

    def _usual_edges(self) -> list[int]:
        """Single observations whose tests are the most usual, spread over the job."""
        u = np.asarray(self.family.C.T @ (self.fit.v / self.net.sd**2))
        w = self.classes.tests(u, self.diagonal)[2]
        single = np.flatnonzero((self._edge_of >= 0) & self.classes.tested & (self._edge_of < self.net.edge_count))
        usual = single[np.argsort(np.abs(w[single]), kind="stable")]
        at = np.unique(len(usual) * np.arange(1, SAMPLES + 1) // (2 * SAMPLES + 2))
        return [int(self._edge_of[h]) for h in usual[at]] if len(usual) else []

    def _scaled(self, u: Floats, diagonal: Floats) -> tuple[Floats, Floats]:
        """u and the diagonal of G as if all sds were larger by the smaller of the factors that the job shows."""
        tape, sight = self.factors_of([])
        calm = min(1.0, min(tape, sight) ** -2.0)
        return calm * u, calm * diagonal

    def _rates_of_the_job(self) -> Floats:
        """(h,) rates of each kind of blunder that the stated ones and this job's own tests make likeliest.

        A large job shows how often its crews slip.  The stated rate counts as much as `RATE_COUNTS_AS` observations;
        found by alternating between the blunders the rates make likely and the rates these blunders make likely.
        """
        family, label = self.family, self.classes.label
        tested = self.classes.tested
        bayes = np.append(log_bayes(*self._cleared(), self.candidates), 0.0)[label]
        bayes = np.exp(np.where(tested, np.minimum(bayes, SURE), 0.0))
        kinds = [(of, at) for kind in (*TAPED, *OBSERVED)
                 if len(at := np.flatnonzero(tested & (of := family.of(kind))))]  # fmt: skip
        rate = family.rate.copy()
        for _ in range(RATE_ROUNDS):
            odds = np.where(tested, rate / (1 - rate) * bayes, 0.0)
            of_class = np.bincount(label + 1, odds)  # whom nothing tells apart share one blunder
            wrong = odds / (1 + of_class[label + 1])
            for of_kind, at in kinds:
                stated = float(family.rate[of_kind].min())  # without what a record shows by itself
                shown = (RATE_COUNTS_AS * stated + wrong[at].sum()) / (RATE_COUNTS_AS + len(at))
                rate[of_kind] = np.minimum(shown / stated * family.rate[of_kind], 0.5)
        return rate

    def _cleared(self) -> tuple[Floats, Floats]:
        """u and the diagonal of G (c,) by the factors that the job shows, with the clear blunders let go, because they
        make others look wrong; of these themselves as they were found."""
        reps = self.classes.representative
        if self.net.edge_count <= WHOLE_UP_TO:
            frame = self._frame(self.net.y)
            gone = let_go(frame, self.candidates, *self._point)
            u, diagonal = frame.tests(*self._point)
            gone.u[gone.members], gone.rest[gone.members] = u[gone.members], diagonal[gone.members]
            return gone.u, np.maximum(gone.rest, 0.0)
        found: list[int] = []
        v, first = self.fit.v, np.zeros(len(reps))
        for _ in range(ROUNDS):  # of what stands out, what stands out most among its neighbours
            u = np.asarray(self.family.C.T @ (v / self.net.sd**2))[reps]
            fresh = self._standing_out(u / np.sqrt(np.maximum(self.diagonal[reps], 1e-300)), found)
            if not len(fresh):
                break
            found += fresh.tolist()
            first[fresh] = u[fresh]
            b = u[fresh] / self.diagonal[reps[fresh]]
            v = self.fit.residuals_without(self.family.C[:, reps[fresh]] @ b, v)
        u = np.asarray(self.family.C.T @ (v / self.net.sd**2))[reps]
        u[found] = first[found]
        return self._scaled(u, self.diagonal[reps])

    def _standing_out(self, w: Floats, found: list[int]) -> Ints:
        """Classes whose |w| is beyond the critical value and the largest of all that share a place with them."""
        reps, net = self.classes.representative, self.net
        size = np.abs(w)
        size[found] = 0.0
        out = np.flatnonzero((size > self.closing.k * min(self.factors_of([]))) & (self._edge_of[reps] >= 0))
        edge = self._edge_of[reps[out]]
        largest = np.zeros(len(net.nodes))
        ends = net.tail[edge], net.head[edge]
        for end in ends:
            np.maximum.at(largest, end, size[out])
        largest[[DATUM, *net.held.tolist()]] = 0.0
        return out[(size[out] >= largest[ends[0]]) & (size[out] >= largest[ends[1]])]

    def _suspicious(self) -> set[int]:
        """Nodes of stands, and of levels, whose heights may be wrong: swaps and exchanges there are hypotheses."""
        u = np.asarray(self.family.C.T @ (self.fit.v / self.net.sd**2))
        alone, label = expit(self._alone(u)), self.classes.label
        asked = (label >= 0) & (np.append(alone, 0.0)[label] >= EXTRA) & ~self.family.of("group")
        rows = np.unique(self.family.C[:, np.flatnonzero(asked)].indices)
        return set(self.net.head[rows[rows < self.net.edge_count]].tolist())

    # ---- does it close? ----

    @cached_property
    def closing(self) -> Closing:  # type: ignore[override]
        some = self.asked
        information = self.diagonal[self.classes.representative[some]]
        false_alarm = self.net.job.settings.test.false_alarm
        return formula(information, self.candidates.some(some), self.free[some], false_alarm)

    def _log_odds(self, y: Floats, u: Floats) -> float:
        """log O by the factors that the job shows; of very many observations by the least of them."""
        some = self.asked
        if not len(some):
            return -np.inf
        if not self._factors_of_all:
            return float(log_sum(self._alone(u)[some], axis=0))
        frame, factors = self._frame(y), self.factors
        points = zip(factors.tape.tolist(), factors.sight.tolist(), strict=True)
        odds = [self.candidates.log_odds + log_bayes(*frame.tests(*p), self.candidates) for p in points]
        singles = [log_sum(one[some], 0) for one in odds]
        return float(log_sum(factors.log_prior + np.array(singles), axis=0))

    # ---- neighbourhoods ----

    def look(self, y: Floats, clock: Clock | None = None) -> Seen:
        """Judge observations y (m,); rates and factors are those that the job's own showed."""
        net, reps = self.net, self.classes.representative
        v = self.fit.v if y is net.y else y - net.A @ self.fit.solve(net.A.T @ (y / net.sd**2))
        u = np.asarray(self.family.C.T @ (v / net.sd**2))
        seen = Seen(u, [], self._log_odds(y, u), expit(self._alone(u)))
        at, free = reps[self.asked], self.free[self.asked]
        w = np.abs(u[at]) / np.sqrt(np.maximum(self.diagonal[at], 1e-300))
        if not self.closing.said(float(w[free].max(initial=0.0)), seen.log_odds):
            return seen
        clock = clock or Clock(self.budget)
        if net.edge_count <= WHOLE_UP_TO:
            looks, rest = self._neighbourhoods(self._frame(y), clock)
            return replace(seen, looks=looks, alone=expit(rest.odds(self.candidates)), left=self._largest(rest))
        return self._by_parts(seen, v, clock)

    def _alone(self, u: Floats) -> Floats:
        """(c,) logarithm of the odds of each class, were it the only candidate."""
        reps = self.classes.representative
        return self.candidates.log_odds + log_bayes(*self._scaled(u[reps], self.diagonal[reps]), self.candidates)

    def _largest(self, rest: LetGo) -> float:
        free = self.free & (rest.rest > STILL_TESTED) & np.isin(np.arange(len(self.free)), self.asked)
        w = np.abs(rest.u[free]) / np.sqrt(rest.rest[free])
        return float(w.max(initial=0.0))

    def _frame(self, y: Floats) -> Frame:
        """All of the job."""
        net, reps = self.net, self.classes.representative
        every = np.ones(len(reps), dtype=bool)
        frame = Frame(net.A, y, net.sd, net.kind, self.family.C[:, reps], np.arange(len(reps)), every)
        if y is net.y:
            frame._fits = self._fits
            frame._fits[1.0, 1.0] = self.fit
            u = np.asarray(frame.C.T @ (self.fit.v / net.sd**2))
            frame._tests[1.0, 1.0] = u, self.diagonal[reps]
        return frame

    @property
    def _point(self) -> tuple[float, float]:
        """The likeliest factors."""
        g = int(np.argmax(np.round(self.factors.log_prior, 9)))
        return float(self.factors.tape[g]), float(self.factors.sight[g])

    def _neighbourhoods(self, frame: Frame, clock: Clock) -> tuple[list[Look], LetGo]:
        """The neighbourhoods of a frame, searched, and what the likeliest blunders leave of every class."""
        prior = self.candidates.some(frame.classes)
        rest = let_go(frame, prior, *self._point)
        looks: list[Look] = []
        for _ in range(ROUNDS):
            members = rest.members
            groups, columns, active = self._gathered(frame, prior, rest)
            looks, best = [], []
            for some in groups:
                look, found = self._searched(frame, prior, some, members, columns, active, clock)
                looks.append(look)
                best += found
            if set(best) == set(members):
                break
            rest = self._without(frame, best)
            if clock.struck:
                break
        return looks, rest

    def _without(self, frame: Frame, members: list[int]) -> LetGo:
        """What these, freed, leave of every class."""
        u, diagonal = frame.tests(*self._point)
        if members:
            u, diagonal = freed_of(u, diagonal, frame.columns(members, *self._point), members)
        return LetGo(members, u, np.maximum(diagonal, 0.0), 0.0)

    def _gathered(
        self, frame: Frame, prior: Candidates, rest: LetGo
    ) -> tuple[list[list[int]], dict[int, Floats], LetGo]:
        """Classes gathered into neighbourhoods: what was let go or is likely, with its rivals, where they resemble."""
        u, diagonal = frame.tests(*self._point)
        scale = 1 / np.sqrt(np.maximum(diagonal, 1e-300))
        odds = rest.odds(prior)
        odds[rest.members] = -np.inf
        extras = np.flatnonzero(expit(odds) >= EXTRA)
        seeds = [int(c) for c in extras if expit(odds[c]) >= LOOKED_AT]
        middle = [*rest.members, *seeds]
        found = frame.columns(middle, *self._point) if middle else np.zeros((len(u), 0))
        columns = {c: found[:, i] for i, c in enumerate(middle)}
        rivals: dict[int, set[int]] = {}
        for c in middle:
            rho = columns[c] * scale * scale[c]
            alike = np.flatnonzero(np.abs(rho) >= RIVAL)
            others = [m for m in rest.members if m != c]
            near = sorted(others, key=lambda m: -abs(rho[m]))[:NEAREST]
            across = np.column_stack([columns[m] for m in near]) if near else np.zeros((len(u), 0))
            some = np.concatenate([alike, near]).astype(np.int64)
            at = list(range(len(alike), len(some)))
            own_u, own_rest = freed_of(u[some], diagonal[some], across[some], at)
            bare = LetGo([], own_u[: len(alike)], np.maximum(own_rest[: len(alike)], 0.0), 0.0)
            beside = bare.odds(prior.some(alike))
            beside[np.isin(alike, near)] = -np.inf
            own = beside[alike == c].max(initial=-np.inf)
            rivals[c] = {int(j) for j, o in zip(alike, beside, strict=True) if o >= own - RIVAL_ODDS}
            rivals[c] |= {int(j) for j in alike if j in set(extras.tolist())} | {c}
        return _joined(middle, rivals, columns, scale), columns, rest

    def _searched(
        self, frame: Frame, prior: Candidates, some: list[int], members: list[int], columns: dict[int, Floats],
        rest: LetGo, clock: Clock,
    ) -> tuple[Look, list[int]]:  # fmt: skip
        """One neighbourhood searched, what was let go elsewhere being free beside it; and its likeliest set."""
        scale = 1 / np.sqrt(np.maximum(np.abs(frame.tests(*self._point)[1]), 1e-300))
        elsewhere = [
            m for m in members if m not in set(some)
            and np.abs(columns[m][some] * scale[some] * scale[m]).max(initial=0.0) > FELT
        ]  # fmt: skip
        u, G = frame.reduced([*some, *elsewhere], self.factors)
        own, others = slice(0, len(some)), list(range(len(some), u.shape[1]))
        if others:
            inside = G[:, others][:, :, others] * (1 + 1e-9 * np.eye(len(others)))
            beside = G[:, others][:, :, own]
            solved = np.linalg.solve(inside, np.concatenate([beside, u[:, others, None]], axis=2))
            u = u[:, own] - np.einsum("gsc,gs->gc", beside, solved[:, :, -1])
            G = G[:, own, own] - np.einsum("gsc,gsd->gcd", beside, solved[:, :, :-1])
        own_prior = prior.some(np.array(some))
        evidence = self.factors.log_prior
        if self._factors_of_all:  # they were weighed with these blunders let go; the search lets them go again
            evidence = evidence - log_gain([i for i, c in enumerate(some) if c in set(members)], u, G, own_prior)
            evidence = evidence - log_sum(evidence, axis=0)
        posterior = search(u, G, evidence, own_prior, self.closing.k, self.base, clock)
        look = Look(frame.classes[some], u, G, evidence, own_prior, self.base, posterior)
        return look, [some[i] for i in posterior.sets[0]]

    # ---- very large jobs: the part of the network around a blunder ----

    def _by_parts(self, seen: Seen, v: Floats, clock: Clock) -> Seen:
        """Neighbourhoods in the parts of the network around what stands out, largest test first."""
        net, reps = self.net, self.classes.representative
        looked, weighed = np.zeros(len(reps), dtype=bool), np.zeros(len(reps), dtype=bool)
        looks: list[Look] = []
        u = seen.u
        while True:
            odds = self._alone(u)
            asked = np.flatnonzero((expit(odds) >= PART_FROM) & ~looked & (self._edge_of[reps] >= 0))
            order = asked[np.argsort(-np.round(odds[asked], 6), kind="stable")]
            members: list[int] = []
            errors: list[float] = []
            later: set[int] = set()  # reaching into a part looked at before: once what was found there is let go
            for c in order.tolist():
                if looked[c] or c in later:
                    continue
                if clock.struck and looks:
                    break
                frame = self._part_around(int(self._edge_of[reps[c]]), v, PART)
                fresh = frame.core & ~looked[frame.classes]
                found, _ = self._neighbourhoods(frame, clock)
                looked[frame.classes[fresh]] = True
                looked[c] = True
                for look in found:
                    if fresh[np.isin(frame.classes, look.classes[list(look.posterior.sets[0]) or [0]])].all():
                        looks.append(look)
                        best = list(look.posterior.sets[0])
                        g = look.likeliest
                        b = np.linalg.solve(look.G[g][np.ix_(best, best)], look.u[g][best]) if best else np.zeros(0)
                        members += reps[look.classes[best]].tolist()
                        errors += b.tolist()
                        weighed[look.classes] = True
                    else:
                        later.update(look.classes.tolist())
            looked[[c for c in later if not weighed[c]]] = False
            if not members:
                break
            v = self.fit.residuals_without(self.family.C[:, members] @ np.array(errors), v)
            u = np.asarray(self.family.C.T @ (v / net.sd**2))
            if clock.struck:
                break
        scaled_u, scaled = self._scaled(u[reps], self.diagonal[reps])
        left, alone = LetGo([], scaled_u, scaled, 0.0), expit(self._alone(u))
        unlooked = 0.0
        if clock.struck:
            passed_over = float(alone[(alone >= PART_FROM) & ~looked & (self._edge_of[reps] >= 0)].sum())
            unlooked = passed_over / (passed_over + sum(float(look.posterior.each.sum()) for look in looks))
        return replace(seen, looks=looks, alone=alone, left=self._largest(left), unlooked=unlooked)

    @cached_property
    def _edges_at(self) -> sparse.csr_matrix:
        """Observations at each node (nodes, edges)."""
        count = self.net.edge_count
        ends = np.concatenate([self.net.tail[:count], self.net.head[:count]])
        shape = (len(self.net.nodes), count)
        return sparse.csr_matrix((np.ones(2 * count, np.int8), (ends, np.tile(np.arange(count), 2))), shape=shape)

    @cached_property
    def _class_of_edge(self) -> Ints:
        """(edges,) class of what lies on each observation, -1 for none."""
        out = np.full(len(self.net.y), -1, dtype=np.int64)
        simple = np.flatnonzero(self._edge_of >= 0)
        out[self._edge_of[simple]] = self.classes.label[simple]
        return out[: self.net.edge_count]

    @cached_property
    def _rows_of_reps(self) -> sparse.csr_matrix:
        return self.family.C[:, self.classes.representative].tocsr()

    @cached_property
    def _touches(self) -> Ints:
        """(c,) how many observations each class's representative touches; none are counted for common errors."""
        reps = self.classes.representative
        return np.where(self.family.kind[reps] == "group", -1, np.diff(self.family.C.indptr)[reps])

    def around(self, edge: int, size: int) -> Ints:
        """Observations nearest to one, nearest first; those that hang on the datum lead no further.

        What nothing tells apart lies in one loop: whole classes are taken, so that a long line stays closed.
        """
        stop = {DATUM, *self.net.held.tolist()}
        at, net = self._edges_at, self.net
        found: dict[int, None] = {edge: None}
        seen, front = set(stop), [int(net.tail[edge]), int(net.head[edge])]
        while front and len(found) < size:
            following: list[int] = []
            for node in front:
                if node in seen:
                    continue
                seen.add(node)
                for e in at.indices[at.indptr[node] : at.indptr[node + 1]].tolist():
                    if e not in found:
                        found[e] = None
                        following += [int(net.tail[e]), int(net.head[e])]
            front = following
        near = np.array(list(found), dtype=np.int64)
        labels = np.unique(self._class_of_edge[near])
        whole = np.flatnonzero(np.isin(self._class_of_edge, labels[labels >= 0]))
        return np.concatenate([near, np.setdiff1d(whole, near)])

    def _part_around(self, edge: int, y: Floats, size: int) -> Frame:
        """A part of the network; what the whole of it knows of refraction and index errors goes in as knowledge.

        Parameters
        ----------
        y : (m,) residuals, taken as observations about the adjusted heights.
        """
        # everything here is as long as the part, never as the whole
        near = self.around(edge, size)
        core = near[: max(1, int(min(len(near), size) * CORE))] if len(near) >= size else near
        edges = np.sort(near)
        net, column = self.net, self.net.nodes.column
        nodes = np.unique(np.concatenate([net.tail[edges], net.head[edges]]))
        columns = np.sort(column[nodes[column[nodes] >= 0]])
        anchored = bool(np.any(column[nodes] < 0))
        rows = net.A[edges].tocoo()
        nuisance = np.setdiff1d(rows.col, columns)
        knowledge, expected, knowledge_sd = self._knowledge(nuisance, y)
        unknowns = np.concatenate([columns if anchored else columns[1:], nuisance])  # rising: nuisances stand last
        extra = len(nuisance)
        at = np.searchsorted(unknowns, rows.col)
        used = at < len(unknowns)
        used[used] = unknowns[at[used]] == rows.col[used]
        A = sparse.csr_matrix(
            (np.concatenate([rows.data[used], knowledge.data]),
             (np.concatenate([rows.row[used], len(edges) + knowledge.row]),
              np.concatenate([at[used], len(unknowns) - extra + knowledge.col]))),
            shape=(len(edges) + extra, len(unknowns)),
        )  # fmt: skip
        touched, count = np.unique(self._rows_of_reps[edges].indices, return_counts=True)
        inside = touched[count == self._touches[touched]].astype(np.int64)
        C = self.family.C[:, self.classes.representative[inside]]
        C = sparse.csc_matrix((C.data, np.searchsorted(edges, C.indices), C.indptr), shape=(A.shape[0], len(inside)))
        sd = np.concatenate([net.sd[edges], knowledge_sd])
        kind = np.concatenate([net.kind[edges], np.full(extra, code_of("refraction"), dtype=np.int8)])
        middle = np.isin(self._edge_of[self.classes.representative[inside]], core)
        frame = Frame(A, np.concatenate([y[edges], expected]), sd, kind, C, inside, middle)
        own = frame.tests(1.0, 1.0)[1] / np.maximum(np.asarray(C.power(2).T @ sd**-2.0), 1e-300)
        tested = own > UNTESTABLE
        return Frame(A, frame.y, sd, kind, C[:, tested], inside[tested], middle[tested])

    def _knowledge(self, nuisance: Ints, y: Floats) -> tuple[sparse.coo_matrix, Floats, Floats]:
        """What is known of some nuisances beforehand: rows (k, k), right-hand side and standard deviations (k,).

        A separation that hangs on a neighbour's is known from that one where it is there; the others as the whole
        network finds them, about their adjusted values.
        """
        net, count = self.net, len(nuisance)
        if not len(net.separations):
            own = np.arange(count)
            itself = sparse.coo_matrix((np.ones(count), (own, own)), shape=(count, count))
            return itself, np.zeros(count), self.fit.sd_x[nuisance]
        own = net.edge_count + nuisance - net.heights
        rows = net.A[own]
        inside = np.isin(rows.indices, nuisance)
        entries = np.diff(rows.indptr)
        hangs = (entries > 1) & (np.bincount(np.repeat(np.arange(count), entries)[inside], minlength=count) == entries)
        row, column = np.repeat(np.arange(count), entries), rows.indices
        kept = hangs[row]
        alone = np.flatnonzero(~hangs)
        matrix = sparse.coo_matrix(
            (np.concatenate([rows.data[kept], np.ones(len(alone))]),
             (np.concatenate([row[kept], alone]),
              np.concatenate([np.searchsorted(nuisance, column[kept]), alone]))),
            shape=(count, count),
        )  # fmt: skip
        return matrix, np.where(hangs, y[own], 0.0), np.where(hangs, net.sd[own], self.fit.sd_x[nuisance])

    # ---- what follows ----

    def seen_at_stated(self, Z: Floats) -> tuple[Floats, Floats]:
        """u (c, n) and the diagonal of G (c,) of the classes for columns of noise Z (m, n), in units of the sds."""
        net = self.net
        v = Z * net.sd[:, None]
        v = v - net.A @ self.fit.solve(net.A.T @ (Z / net.sd[:, None]))
        reps = self.classes.representative
        return np.asarray(self.family.C[:, reps].T @ (v / net.sd[:, None] ** 2)), self.diagonal[reps]

    def columns_at_stated(self, classes: Ints) -> Floats:
        """(c, s) columns of G of some classes."""
        return self._frame(self.net.y).columns(classes.tolist(), 1.0, 1.0)

    def freed(self, u: Floats, members: Ints) -> tuple[Floats, Floats, Floats]:
        label, reps = self.classes.label, self.classes.representative
        if not len(members):
            return u.copy(), self.diagonal.copy(), np.zeros((0, 0))
        if self.net.edge_count > WHOLE_UP_TO:  # beside one another only: elsewhere they take nothing away
            G = self.fit.reduce(self.family.C[:, members])[1]
            b = np.linalg.solve(G + 1e-9 * np.diag(np.diag(G)), u[members])
            change = self.family.C[:, members] @ b
            v = self.fit.solve(self.net.A.T @ (change / self.net.sd**2))
            left = u - np.asarray(self.family.C.T @ ((change - self.net.A @ v) / self.net.sd**2))
            return left, self.diagonal.copy(), G
        at = label[members].tolist()
        columns = self._frame(self.net.y).columns(at, 1.0, 1.0)
        left, rest = freed_of(u[reps], self.diagonal[reps], columns, at)
        tested = self.classes.tested
        scale = np.sqrt(self.diagonal[tested] / np.maximum(self.diagonal[reps][label[tested]], 1e-300))
        out_u, out = u.copy(), self.diagonal.copy()
        out_u[tested] = left[label[tested]] * scale * self.classes.sign[tested]
        out[tested] = rest[label[tested]] * scale**2
        return out_u, out, columns[at]

    def moved(self, g: int, hypotheses: Ints) -> sparse.csr_array:  # type: ignore[override]
        """(n, s) sparse: an error of one moves few of so many estimates by anything that is felt."""
        tape, sight = float(self.factors.tape[g]), float(self.factors.sight[g])
        P = scaled_sd(self.net.kind, self.net.sd, tape, sight) ** -2.0
        blocks = []
        for some in np.array_split(hypotheses, 1 + len(hypotheses) // AT_ONCE):
            found = self.fit_at(g).solve((self.net.A.T @ self.family.C[:, some].multiply(P[:, None])).toarray())
            found[np.abs(found) < FELT_MOVE] = 0.0
            blocks.append(sparse.csr_array(found))
        return sparse.hstack(blocks, format="csr")

    def inflation(self, looks: list[Look]) -> Floats:
        """(h,) by how much the standard deviation of each hypothesis' estimate grows with the factors of the job."""
        out = np.ones(len(self.family))
        tested, reps = self.classes.tested, self.classes.representative
        if self.net.edge_count > WHOLE_UP_TO:
            out[tested] = float(np.mean(self.factors_of(looks)))
            return out
        grown = self._frame(self.net.y).tests(*self._point)[1]
        of_class = np.sqrt(self.diagonal[reps] / np.maximum(grown, 1e-300))
        out[tested] = of_class[self.classes.label[tested]]
        return out


def _joined(
    middle: list[int], rivals: dict[int, set[int]], columns: dict[int, Floats], scale: Floats
) -> list[list[int]]:
    """Neighbourhoods: middles that resemble one another or share a rival, with all their rivals; rising."""
    left, out = list(middle), []
    while left:
        group, front = set(), [left.pop(0)]
        while front:
            c = front.pop()
            group |= rivals[c]
            near = [
                m for m in left
                if rivals[m] & rivals[c] or abs(columns[c][m] * scale[c] * scale[m]) >= RIVAL
            ]  # fmt: skip
            left = [m for m in left if m not in near]
            front += near
        out.append(sorted(group))
    return out


def bench_for(net: Network, events: bool = True) -> BenchBase:
    """The bench that a network is judged on: one neighbourhood, or many where there would be too much in it."""
    redundancy = len(net.y) - net.A.shape[1]
    if redundancy > ONE_UP_TO or net.edge_count > ONE_OBSERVATIONS:
        return LargeBench(net)
    return Bench(net, family=build_family(net, events=events))
