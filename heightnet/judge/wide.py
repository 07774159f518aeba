"""Jobs too large for one search: every test from the sparse core, explanations neighbourhood by neighbourhood.

The sparse adjustment gives the redundancy of every observation, and with it u and the diagonal of G of every
hypothesis that lives on one observation or on the parallel readings of one stand, without a solve for each.  Classes
and what nothing tests are read off the graph.  A blunder is seen a few sights away at most, so what the tests point at
is judged in the part of the network around it, cut out and searched like a small job of its own; what the cut leaves
out would only have added a little redundancy at its rim.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.special import expit

from heightnet.adjust import Fit
from heightnet.adjust.graph import bridges, series_classes
from heightnet.judge.assess import WORTH_NAMING, Bench, Explanation, Subject, Verdicts, decide, subjects
from heightnet.judge.critical import sidak_value
from heightnet.judge.family import HEIGHTS, ONE_OBSERVATION, Family, build_family
from heightnet.judge.reduction import UNTESTABLE, Classes, Factors, factor_grid
from heightnet.judge.search import Candidates
from heightnet.network.model import DATUM, Kind, Network

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

WIDE_FROM = 800  # observations from which a job is judged by neighbourhoods
CLEAR = 0.99  # probability, taken alone, of the blunders that are looked for and let go first
NEIGHBOURHOOD = 160  # observations of one
RIM = 0.5  # part of a neighbourhood, nearest its middle, whose verdicts are kept
LOOKED_AT = 0.2  # probability, taken alone, from which a neighbourhood is judged closely
GROUPS_AT_MOST = 4  # common errors that are freed, one after the other, before the neighbourhoods are looked at
SAMPLES = 8  # neighbourhoods from which the factors on the standard deviations are estimated
LEAST_FACTOR = 0.01  # probability of a point of the factor grid from which it is kept
RATE_COUNTS_AS = 1000.0  # observations: how much a stated rate weighs against what the job itself shows
RATE_ROUNDS = 20


class WideBench:
    """As `heightnet.judge.assess.Bench`, for large networks."""

    def __init__(self, net: Network, fit: Fit) -> None:
        self.net, self.fit = net, fit
        self.family: Family = build_family(net, swaps=False)
        family, P = self.family, 1 / net.sd**2
        squared = family.C.power(2)
        self.own: Floats = np.asarray(squared.T @ P)
        self.edge_of = self._representing_observation()
        self.diagonal = self._information(P)
        self.classes: Classes = self._classes()
        false_alarm = net.job.settings.test.false_alarm
        self.critical = sidak_value(len(self.classes.representative), false_alarm), "formula"

    def _representing_observation(self) -> Ints:
        """(h,) an observation whose row is the hypothesis' pattern, the only one or one of parallel ones; else -1."""
        family = self.family
        out = family.observation.copy()
        several = np.flatnonzero((out < 0) & family.of(*HEIGHTS))
        out[several] = family.C.indices[family.C.indptr[several]]
        return out

    def _information(self, P: Floats) -> Floats:
        """Diagonal of G: p r for one observation; for parallel ones sum p - (sum p)^2 q, with q = a N^-1 a'."""
        at = self.edge_of
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
        heights = family.of(*HEIGHTS)
        drawn = np.flatnonzero((self.edge_of >= 0) & (heights | family.of(*ONE_OBSERVATION)))
        edge = self.edge_of[drawn]
        i, j = held[net.tail[edge]], held[net.head[edge]]
        is_bridge, series = bridges(i, j, len(held)), series_classes(i, j, len(held))
        label = np.full(len(family), -1, dtype=np.int64)
        label[drawn] = np.where(is_bridge, -1, series)
        redundancy = np.clip(self.diagonal / self.own, 0.0, 1.0)
        redundancy[drawn[is_bridge]] = 0.0
        other = np.setdiff1d(np.flatnonzero(redundancy > UNTESTABLE), drawn)
        label[other] = label.max(initial=-1) + 1 + np.arange(len(other))
        redundancy[label < 0] = 0.0
        tested = np.flatnonzero(label >= 0)
        order = tested[np.lexsort((tested, -family.rate[tested], label[tested]))]
        unique, first, inverse = np.unique(label[order], return_index=True, return_inverse=True)
        label[order] = inverse
        representative = order[first] if len(unique) else order
        return Classes(label, self._signs(label, representative), representative, redundancy)

    def _signs(self, label: Ints, representative: Ints) -> Floats:
        """Whether an error of each hypothesis looks like its representative's or like the opposite: as the job's u say.

        The u of one class are the same but for scale and sign, whatever was observed.
        """
        u = np.asarray(self.family.C.T @ (self.fit.v / self.net.sd**2))
        sign = np.ones(len(label))
        tested = label >= 0
        sign[tested] = np.where(u[tested] * u[representative[label[tested]]] < 0, -1.0, 1.0)
        return sign

    def attributable(self) -> Floats:
        """(h,) inf where nothing tells a hypothesis from another, else NaN: not computed for large jobs."""
        label, tested = self.classes.label, self.classes.tested
        shared = np.bincount(label[tested], minlength=1)[np.maximum(label, 0)] > 1
        return np.where(tested & ~shared, np.nan, np.inf)

    def near(self, h: int) -> Ints:
        """Hypotheses that nothing tells from h."""
        label = self.classes.label
        if label[h] < 0:
            return np.zeros(0, dtype=np.int64)
        order, starts = self._by_class
        alike = order[starts[label[h]] : starts[label[h] + 1]]
        return alike[alike != h]

    @cached_property
    def _by_class(self) -> tuple[Ints, Ints]:
        """Hypotheses in the order of their classes, and where each class begins."""
        order = np.argsort(self.classes.label, kind="stable")
        classes = np.arange(len(self.classes.representative) + 1)
        return order, np.searchsorted(self.classes.label[order], classes)

    def judge(self) -> WideVerdicts:
        return WideVerdicts(self)

    # ---- neighbourhoods ----

    @cached_property
    def _edges_at(self) -> sparse.csr_matrix:
        """Observations at each node (nodes, edges); those that hang on the datum lead no further."""
        count = self.net.edge_count
        ends = np.concatenate([self.net.tail[:count], self.net.head[:count]])
        edge = np.tile(np.arange(count), 2)
        shape = (len(self.net.nodes), count)
        return sparse.csr_matrix((np.ones(2 * count, np.int8), (ends, edge)), shape=shape)

    @cached_property
    def _rows_of_C(self) -> sparse.csr_matrix:
        return self.family.C.tocsr()

    @cached_property
    def _members(self) -> Ints:
        """(h,) how many observations each hypothesis touches; none are counted for groups, which no part holds."""
        return np.where(self.family.of("group"), -1, np.diff(self.family.C.indptr))

    def around(self, edge: int) -> tuple[Ints, Ints]:
        """Observations nearest to one, in order of nearness, and those of them whose verdicts can be trusted."""
        stop = {DATUM, *self.net.held.tolist()}
        at, net = self._edges_at, self.net
        found: dict[int, None] = {edge: None}
        seen, front = set(stop), [int(net.tail[edge]), int(net.head[edge])]
        while front and len(found) < NEIGHBOURHOOD:
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
        order = np.array(list(found), dtype=np.int64)
        complete = not front
        inner = order if complete else order[: max(1, int(len(order) * RIM))]
        return np.sort(order), inner

    def cut_out(self, edges: Ints, y: Floats, rate: Floats, factors: Factors | None = None) -> tuple[Bench, Ints]:
        """A small bench of some observations (rising), and the positions of its hypotheses in the whole family.

        What the whole network knows of refraction and index errors goes in as knowledge beforehand.

        Parameters
        ----------
        y : (m,) observations; rate : (h,) prior rates; factors : on the standard deviations, by default the usual grid.
        """
        # everything here is as long as the part, never as the whole: it is done for each neighbourhood
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
        touched, count = np.unique(self._rows_of_C[edges].indices, return_counts=True)
        inside = touched[count == self._members[touched]].astype(np.int64)
        C = self.family.C[:, inside]
        C = sparse.csc_matrix((C.data, np.searchsorted(edges, C.indices), C.indptr), shape=(A.shape[0], len(inside)))
        obs = self.family.observation[inside]
        family = Family(
            self.family.ids[inside], self.family.kind[inside], self.family.node[inside],
            np.where(obs >= 0, np.searchsorted(edges, obs), -1), rate[inside], self.family.size[inside], C,
        )  # fmt: skip
        local = replace(
            net,
            A=A,
            y=np.concatenate([y[edges], expected]),
            sd=np.concatenate([net.sd[edges], knowledge_sd]),
            kind=np.concatenate([net.kind[edges], np.full(extra, int(Kind.REFRACTION), dtype=np.int8)]),
            head=net.head[edges],
            tail=net.tail[edges],
        )
        return Bench(local, family=family, factors=factors or True, critical=self.critical[0]), inside

    def _knowledge(self, nuisance: Ints, y: Floats) -> tuple[sparse.coo_matrix, Floats, Floats]:
        """What is known of some nuisances beforehand: rows (k, k), right-hand side and standard deviations (k,).

        A separation that hangs on a neighbour's is known from that one where it is there; the others as the whole
        network finds them, about their adjusted values.
        """
        net, count = self.net, len(nuisance)
        if not len(net.separations):
            own = np.arange(count)
            return sparse.coo_matrix((np.ones(count), (own, own))), np.zeros(count), self.fit.sd_x[nuisance]
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


@dataclass(frozen=True)
class _Found:
    """What a neighbourhood's search kept, in positions of the whole family."""

    members: Ints
    error: Floats
    covariance: Floats
    probability: float


class WideVerdicts:
    """As `heightnet.judge.assess.Verdicts`, gathered from the neighbourhoods.

    decided : "suspect" or "either" by subject, as `decide` gives it.
    """

    error: Floats
    error_sd: Floats
    w: Floats

    def __init__(self, bench: WideBench) -> None:
        self.bench = bench
        tested = bench.classes.tested
        self.decided: dict[tuple[str, int], str] = {}
        self.probability = np.zeros(len(tested))
        self._found: list[_Found] = []
        self._v = bench.fit.v.copy()
        self._test()
        plain = self.error, self.error_sd, self.w
        self.rate: Floats = bench.family.rate
        self._grid = self._factors_of_the_job()
        self._free_groups()
        self.rate = self._rates_of_the_job()
        self._look_closely(CLEAR, np.zeros(bench.net.edge_count, dtype=bool))
        self.rate = self._rates_of_the_job()
        self._settle(self._alone())
        looked = np.zeros(bench.net.edge_count, dtype=bool)
        while self._look_closely(LOOKED_AT, looked):
            pass
        self.class_probability = self._of_classes()
        self._let_go_tests = self.error, self.error_sd, self.w
        self.error, self.error_sd, self.w = plain

    def _test(self) -> None:
        """u, error, its sd and w of every hypothesis from the present residuals."""
        bench = self.bench
        self.u = np.asarray(bench.family.C.T @ (self._v / bench.net.sd**2))
        self.error, self.error_sd, self.w = bench.classes.tests(self.u, bench.diagonal)

    def _log_bayes(self) -> Floats:
        """(h,) log of how much better each hypothesis, by itself, explains the job than no blunder does.

        The tests are taken as the job's own standard deviations have them, were tapes and sights both off by the
        smaller of their factors.
        """
        bench = self.bench
        calm = min(1.0, min(self._factor) ** -2)
        u, information = calm * self.u, calm * bench.diagonal
        prior = Candidates.of(bench.family.rate, bench.family.size)
        out = np.full(len(u), -np.inf)
        for t in range(prior.taus.shape[1]):
            tau2 = prior.taus[:, t] ** 2
            gain = 0.5 * u**2 / (information + 1 / tau2) - 0.5 * np.log1p(tau2 * information)
            out = np.logaddexp(out, prior.weight[:, t] + gain)
        return out

    def _alone(self) -> Floats:
        """(h,) probability that each hypothesis is a blunder, were its class the only candidate."""
        family, label = self.bench.family, self.bench.classes.label
        tested = np.flatnonzero(label >= 0)
        rate = self.rate[tested]
        of_class = np.bincount(label[tested], weights=rate)
        bayes = self._log_bayes()[self.bench.classes.representative]
        log_odds = np.log(of_class / np.maximum(1 - of_class, 1e-3)) + bayes
        out = np.zeros(len(family))
        out[tested] = expit(log_odds)[label[tested]] * rate / of_class[label[tested]]
        return out

    def _rates_of_the_job(self) -> Floats:
        """(h,) rates of each kind of blunder that the stated ones and this job's own tests make likeliest.

        A large job shows how often its crews slip.  The stated rate counts as much as `RATE_COUNTS_AS` observations;
        found by alternating between the blunders the rates make likely and the rates these blunders make likely.
        """
        family, tested = self.bench.family, self.bench.classes.tested
        rate = family.rate.copy()
        bayes = self._log_bayes()
        for kind in (*HEIGHTS, "reading", *ONE_OBSERVATION):
            of_kind = family.of(kind)
            at = np.flatnonzero(tested & of_kind)
            if not len(at):
                continue
            stated = present = float(family.rate[at[0]])
            for _ in range(RATE_ROUNDS):
                wrong = expit(np.log(present / (1 - present)) + bayes[at]).sum()
                present = float((RATE_COUNTS_AS * stated + wrong) / (RATE_COUNTS_AS + len(at)))
            rate[of_kind] = present
        return rate

    def _factors_of_the_job(self) -> Factors:
        """The factor grid weighed by what a few neighbourhoods, where nothing is unusual, say of the scatter."""
        bench, whole = self.bench, factor_grid()
        self._factor = (1.0, 1.0)
        single = np.flatnonzero((bench.edge_of >= 0) & bench.classes.tested & (bench.edge_of < bench.net.edge_count))
        if not len(single):
            return whole
        usual = single[np.argsort(np.abs(self.w[single]), kind="stable")]
        log_weight = whole.log_prior.copy()
        for h in usual[np.unique(len(usual) * np.arange(1, SAMPLES + 1) // (2 * SAMPLES + 2))].tolist():
            edges, _ = bench.around(int(bench.edge_of[h]))
            small, _ = bench.cut_out(edges, self._v, bench.family.rate)
            log_weight += np.log(np.maximum(small.judge().posterior.grid, 1e-12)) - whole.log_prior
        grid = whole.weighed(log_weight, LEAST_FACTOR)
        weight = np.exp(grid.log_prior)
        self._factor = float(np.exp(weight @ np.log(grid.tape))), float(np.exp(weight @ np.log(grid.sight)))
        return grid

    def _let_go(self, members: Ints, error: Floats) -> None:
        """Residuals with these errors taken out of the observations and everything adjusted again."""
        self._v = self.bench.fit.residuals_without(self.bench.family.C[:, members] @ error, self._v)
        self._test()

    def _free_groups(self) -> None:
        """Common errors first: each pulls at thousands of heights."""
        family = self.bench.family
        groups = np.flatnonzero(family.of("group") & (self.bench.classes.label >= 0))
        for _ in range(GROUPS_AT_MOST):
            if not len(groups):
                return
            w = np.abs(np.nan_to_num(self.w[groups]))
            h = int(groups[np.argmax(w)])
            single = np.abs(np.nan_to_num(self.w[~family.of("group")])).max(initial=0.0)
            p = float(self._alone()[h])
            if p < 0.5 or w.max() < single:  # a single large blunder explains it better
                return
            one = np.array([h])
            error = np.array([self.error[h]])
            self._found.append(_Found(one, error, np.array([[self.error_sd[h] ** 2]]), p))
            self.probability[h] = p
            self.decided["other", h] = "suspect"
            self._let_go(one, error)

    def _settle(self, probability: Floats) -> None:
        """Take over the probabilities of what was not found; what the clear blunders put in question is open anew."""
        family = self.bench.family
        found = np.zeros(len(probability), dtype=bool)
        for f in self._found:
            found[f.members] = True
        self.probability[~found] = probability[~found]
        stands = set(family.node[found & family.of(*HEIGHTS, "reading")].tolist())
        others = set(np.flatnonzero(found).tolist())
        kept = {"stand": stands, "other": others}
        self.decided = {key: verdict for key, verdict in self.decided.items() if key[1] in kept[key[0]]}

    def _look_closely(self, least: float, looked: npt.NDArray[np.bool_]) -> bool:
        """Judge the neighbourhood of whatever is, taken alone, at least so likely, largest test first.

        Parameters
        ----------
        looked : (observations,) what was judged already; what is judged now is added.

        Returns
        -------
        whether a blunder was found and let go, so that another may show now.
        """
        bench = self.bench
        edge_of, label = bench.edge_of, bench.classes.label
        # the present residuals are observations about adjusted heights, refraction and index errors
        y = self._v.copy()
        tested = label >= 0
        alone = self._alone()
        of_class = np.bincount(label[tested], weights=alone[tested], minlength=1)[np.maximum(label, 0)]
        found_already = np.concatenate([np.zeros(0, dtype=np.int64), *(f.members for f in self._found)])
        out = tested & (of_class >= least) & (edge_of >= 0) & (edge_of < len(looked))
        out &= ~np.isin(label, label[found_already])
        standing_out = np.flatnonzero(out)
        w = np.abs(np.nan_to_num(self.w))
        members, errors = [], []
        for h in standing_out[np.argsort(-w[standing_out], kind="stable")].tolist():
            if looked[edge_of[h]]:
                continue
            edges, inner = bench.around(int(edge_of[h]))
            small, inside = bench.cut_out(edges, y, self.rate, self._grid)
            verdicts = small.judge()
            fresh = inner[~looked[inner]]
            looked[fresh] = True
            found = self._keep(small, verdicts, inside, fresh)
            members += found[0]
            errors += found[1]
        if members:
            self._let_go(np.array(members), np.array(errors))
        return bool(members)

    def _keep(self, small: Bench, verdicts: Verdicts, inside: Ints, fresh: Ints) -> tuple[list[int], list[float]]:
        """Take over what a neighbourhood says of the observations not looked at before."""
        let_go = np.concatenate([np.zeros(0, dtype=np.int64), *(f.members for f in self._found)])
        # what was let go before has nothing left in the residuals, and keeps the probability it was found with
        new = np.isin(self.bench.edge_of[inside], fresh) & ~np.isin(inside, let_go)
        self.probability[inside[new]] = verdicts.probability[new]
        best = verdicts.explanations[0]
        at = np.flatnonzero(new[best.members])
        things = subjects(small.family, small.net)
        decided = decide(verdicts, things)
        for thing in things:
            if thing.key in decided and new[list(thing.hypotheses)].any():
                kind, key = thing.key
                self.decided[(kind, key) if kind == "stand" else ("other", int(inside[key]))] = decided[thing.key]
        if not len(at):
            return [], []
        members = inside[best.members[at]]
        if verdicts.any_of(best.members[at]) >= 0.5:
            covariance = best.covariance[np.ix_(at, at)]
            self._found.append(_Found(members, best.error[at], covariance, best.probability))
            return members.tolist(), best.error[at].tolist()
        return [], []

    # ---- the same questions as of a small job ----

    def _of_classes(self) -> Floats:
        tested = self.bench.classes.tested
        return np.minimum(np.bincount(self.bench.classes.label[tested], weights=self.probability[tested]), 1.0)

    @cached_property
    def explanations(self) -> tuple[Explanation, ...]:
        """One: everything that the neighbourhoods found, together."""
        if not self._found:
            return (Explanation(1.0, np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros((0, 0))),)
        members = np.concatenate([f.members for f in self._found])
        covariance = sparse.block_diag([f.covariance for f in self._found]).toarray()
        probability = float(np.prod([f.probability for f in self._found]))
        return (
            Explanation(max(probability, 1e-12), members, np.concatenate([f.error for f in self._found]), covariance),
        )

    @cached_property
    def freed(self) -> tuple[Floats, Floats, Floats]:
        """Error, sd and w of each hypothesis with what was found let go; what was found has its own estimate."""
        error, sd, w = (x.copy() for x in self._let_go_tests)
        best = self.explanations[0]
        own = np.sqrt(np.diag(best.covariance)) if len(best.members) else np.zeros(0)
        error[best.members], sd[best.members], w[best.members] = best.error, own, best.error / own
        return error, sd, w

    @cached_property
    def stand_chance(self) -> Floats:
        """(nodes,) probability that the height of each stand is wrong, one way or another."""
        family = self.bench.family
        at = family.of(*HEIGHTS, "reading")
        with np.errstate(divide="ignore"):
            sound = np.log1p(-np.minimum(self.probability[at], 1.0))
        return -np.expm1(np.bincount(family.node[at], weights=sound, minlength=len(self.bench.net.nodes)))

    @cached_property
    def things(self) -> list[Subject]:
        """What is accused, and the stands that deserve a second look; nothing is said of the others one by one."""
        family = self.bench.family
        asked = self.stand_chance >= WORTH_NAMING
        accused = np.array([key for kind, key in self.decided if kind == "stand"], dtype=np.int64)
        asked[accused] = True
        at = np.flatnonzero(family.of(*HEIGHTS, "reading"))
        others = [key for kind, key in self.decided if kind == "other"]
        return subjects(family, self.bench.net, [*at[asked[family.node[at]]].tolist(), *others])

    @property
    def best_subset(self) -> Ints:
        return self.explanations[0].members

    @property
    def factors(self) -> tuple[float | None, float | None]:
        return self._factor

    def any_of(self, hypotheses: tuple[int, ...]) -> float:
        return float(1 - np.prod(1 - self.probability[list(hypotheses)]))

    @property
    def largest(self) -> int:
        w = np.abs(np.nan_to_num(self.w))
        return int(np.argmax(w.round(9))) if len(w) and w.max() > 0 else -1

    @property
    def one_at_a_time(self) -> Ints:
        return self.explanations[0].members


def bench_for(net: Network, fit: Fit, family: Family | None = None) -> Bench | WideBench:
    """The bench that a network of its size is judged on; a family of one's own is for small ones only."""
    return WideBench(net, fit) if net.edge_count >= WIDE_FROM else Bench(net, family=family)
