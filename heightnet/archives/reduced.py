"""What one checked job leaves behind for the archive: its reduced (u, G) of all that other jobs can share with it.

With the job's unknowns eliminated (`heightnet.judge.reduction`) the errors b of its equipment, tapes and observers are
seen as u ~ N(G b, G).  Sums of u and of G over jobs are all that estimates over many jobs need.

One gross error must not poison them.  So blunders are searched for once more with the common errors free beside them:
then what is found does not depend on how large a common error is, and letting it go pulls no estimate towards 0.
Everything with a chance of `LET_GO` or more is freed.  Standard deviations are taken with the factors that the job
itself makes likely, their squares averaged over the grid, so that the variances are the expected ones; in the search
for blunders never as smaller than stated.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse
from scipy.special import expit, logsumexp

from heightnet.archives.evidence import WORTH_A_LOOK, causes_of, chances, evidence_of, gathered, stands_of
from heightnet.archives.sums import REDUCED, plain
from heightnet.archives.things import Things, things_of
from heightnet.arrays import Floats, Ints
from heightnet.judge.bench import Bench, BenchBase
from heightnet.judge.closing import log_bayes
from heightnet.judge.judgement import LIKELY, UNEXPLAINED, Judgement
from heightnet.judge.search import Candidates, search
from heightnet.ledger.thing import HAPPENED, ids_of
from heightnet.network.model import Network
from heightnet.rows import Record
from heightnet.tasks.next import DAY

LET_GO = 0.1  # chance of being a blunder from which a thing is freed
MAY_HAVE_HAPPENED = 0.02  # probability from which what happened in the field stands beside the slips
LOOKED_AT = 40  # classes, the largest first
SEVERAL_M, SINGLE_M = 0.030, 0.005  # sd of a common error of several heights, of one, while blunders are looked for
LEFT = 1e-6  # part of a thing's own information under which nothing in the job shows it
LOST = 1e-3  # part of what the job knew of a thing under which it is gone once blunders are freed
HUGE_LOG = 300.0  # of a Bayes factor; beyond it they overflow, and nothing is surer


def reduced_job(judgement: Judgement, result: Mapping[str, Any] | None = None) -> Record:
    """The record of a job, JSON-able, a few kB.

    Parameters
    ----------
    judgement : of the job, as `check` has it.
    result : the content of its results.json, for the causes; without it they are not counted.

    Returns
    -------
    schema : the form of this record.
    job, date : name, and the median day on which it was measured (ISO), None where no ``when`` holds one.
    things, heights : ``kind:name`` of each thing (kinds: `heightnet.archives.things.KINDS`), readings it touches.
    own, u, G : (t,) information were everything else known, (t,) score, upper triangle of (t, t) row by row; m, rad.
    freed : ids of the blunders let go.
    let_go : things that nothing tells from what was let go: {name: [error, sd]} as the job alone sees it.
    rates : the prior rates it was judged with.
    evidence : what the job says of each class of blunders that something tests, by how many of each kind of ``[rates]``
        it holds ("shot:1 target:1"), as a histogram of logarithms of Bayes factors: [[bin, count, mean factor], ...].
    by : "observer", "method", "equipment": {name: {heights, tested, expected, evidence}}, stands by who read them, how,
        and of what they are the height; ``expected``: number of blunders, posterior.
    causes : expected number of wrong heights by cause, "none" where none of the usual causes fits.
    stands : {all, tested, expected} of the job.
    """
    if judgement.state == UNEXPLAINED:
        return _of_nothing(judgement)
    judgement = _of_slips(judgement)
    bench, net = judgement.bench, judgement.bench.net
    things = things_of(net)
    seen = _seen(bench, judgement, things) if isinstance(bench, Bench) else _seen_widely(bench, judgement, things)
    chance = chances(bench, seen.log_bayes, seen.searched)
    stands = stands_of(net, bench.family, chance)
    u, G, let_go = seen.cleaned(things)
    return {
        **_of_job(net, things, seen.own),
        "u": plain(u),
        "G": plain(G[np.triu_indices(len(things))]),
        "freed": [str(bench.family.ids[h]) for h in seen.freed],
        "let_go": let_go,
        "evidence": evidence_of(bench, chance),
        "by": {of: gathered(stands, of) for of in ("observer", "method", "equipment")},
        "causes": causes_of(result, bench.family, chance) if result else {},
        "stands": {"all": len(stands), "tested": sum(s.tested for s in stands),
                   "expected": round(sum(s.chance for s in stands), 6)},
    }  # fmt: skip


def _of_job(net: Network, things: Things, own: Floats) -> Record:
    """What a record says whatever is wrong in the job."""
    return {
        "schema": REDUCED,
        "job": net.job.name,
        "date": median_day(net.job),
        "things": list(map(str, things.things)),
        "heights": things.heights.tolist(),
        "own": plain(own),
        "rates": {kind: float(rate) for kind, rate in vars(net.job.settings.rates).items()},
    }


def _of_nothing(judgement: Judgement) -> Record:
    """The record of a job that no few errors explain: of what others share with it it tells nothing."""
    net = judgement.bench.net
    things = things_of(net)
    n = len(things)
    return {
        **_of_job(net, things, _own(things, net)), "u": [0.0] * n, "G": [0.0] * (n * (n + 1) // 2),
        "freed": [], "let_go": {}, "evidence": {}, "by": {"observer": {}, "method": {}, "equipment": {}}, "causes": {},
        "stands": {"all": int(len(net.setup_node) + len(net.target_node)), "tested": 0, "expected": 0.0},
    }  # fmt: skip


@dataclass(frozen=True)
class _Seen:
    """What a job knows of its things, u (t,) and G (t, t), before and after ``freed`` was let go, and the classes.

    freed : hypotheses; log_bayes : (c,) logarithm of how much better a class's blunder explains the job than none, by
        itself; searched : (c,) its probability where a search gave one, else NaN.
    """

    own: Floats
    u: Floats
    G: Floats
    left_u: Floats
    left_G: Floats
    freed: Ints
    log_bayes: Floats
    searched: Floats

    def cleaned(self, things: Things) -> tuple[Floats, Floats, dict[str, list[float]]]:
        """u and G once blunders are freed, exactly 0 where nothing is known, and the things lost in freeing them."""
        before, after = np.diag(self.G), np.diag(self.left_G)
        known = after > LEFT * self.own
        lost = (before > LEFT * self.own) & (after <= LOST * before)
        let_go = {
            str(things.things[i]): plain([self.u[i] / before[i], before[i] ** -0.5])
            for i in np.flatnonzero(lost).tolist()
        }
        known &= ~lost
        return np.where(known, self.left_u, 0.0), np.where(np.outer(known, known), self.left_G, 0.0), let_go


def _of_slips(judgement: Judgement) -> Judgement:
    """The job judged with what may have happened in the field as it stands, and nothing else of that kind: an archive
    asks of slips, one by one, and of what is wrong in all of a job."""
    bench = judgement.bench
    if not isinstance(bench, Bench):
        return judgement
    may = ~bench.family.of(*HAPPENED) | (judgement.probability >= MAY_HAVE_HAPPENED)
    some = Bench(bench.net, factors=bench.factors, family=bench.family.some(np.flatnonzero(may)))
    some.closing, some.asked = bench.closing, np.arange(len(some.free))
    return Judgement(some, judgement.y)


def _seen(bench: Bench, judgement: Judgement, things: Things) -> _Seen:
    """By the dense reduction of a job of usual size."""
    reduction, classes = bench.reduction, bench.classes
    u_t, G_t, across = reduction.beside(things.C, judgement.y)
    u_plain, evidence = reduction.see(judgement.y)[1:]

    # the classes with the common errors free beside them, as far as such errors usually go
    spread = np.where(things.heights > 1, SEVERAL_M, SINGLE_M) / np.where(things.typical > 0, things.typical, 1.0)
    P = np.linalg.inv(G_t + np.diag(spread**-2.0))
    gain = np.einsum("gst,gtc->gsc", P, across)
    u = u_plain - np.einsum("gsc,gs->gc", gain, u_t)
    G = bench.G_reps - np.einsum("gsc,gsd->gcd", gain, across)
    log_det = np.linalg.slogdet(np.eye(len(things)) + G_t * np.outer(spread, spread))[1]
    evidence = evidence - 0.5 * log_det + 0.5 * np.einsum("gs,gst,gt->g", u_t, P, u_t)

    common = np.isin(bench.family.ids[classes.representative], ids_of("group", things.things))
    # that standard deviations were overstated must not make blunders of what are none
    careful = (bench.factors.tape >= 1) & (bench.factors.sight >= 1)
    chosen, each, weight = _likely(bench, judgement, u[careful], G[careful], evidence[careful], common)
    freed = chosen[each >= LET_GO]
    settled = chosen[each >= LIKELY]
    of_group = bench.family.kind[classes.representative] == "group"
    best = np.array(_likeliest(judgement), dtype=np.int64)
    prior = bench.candidates
    by_factors = np.where(
        of_group[None, :],
        _log_bayes_beside(u_plain[careful], bench.G_reps[careful], prior, best),
        _log_bayes_beside(u[careful], G[careful], prior, settled),
    )
    of_class = _over_grid(by_factors, weight)
    weight = _weights(u[:, freed], G[:, freed[:, None], freed[None, :]], evidence)
    tape, sight = (float(np.sqrt(weight @ f**2)) for f in (bench.factors.tape, bench.factors.sight))
    let_go = classes.representative[freed]
    columns = sparse.hstack([things.C, bench.family.C[:, let_go]], format="csc")
    before, after = _freed(*reduction.at(tape, sight, columns, judgement.y), len(things))
    searched = np.where(of_group & (judgement.class_probability >= WORTH_A_LOOK), judgement.class_probability, np.nan)
    searched[chosen] = each
    own = _own(things, bench.net)
    return _Seen(own, *before, *after, let_go, of_class, searched)


def _likeliest(judgement: Judgement) -> tuple[int, ...]:
    """The likeliest set of blunders, as classes."""
    return judgement.looks[0].posterior.sets[0] if judgement.looks else ()


def _freed(u: Floats, G: Floats, count: int) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """u and G of the first ``count`` columns, as they are and with the others freed."""
    before = u[:count], G[:count, :count]
    part = np.linalg.solve(_firm(G[count:, count:]), np.column_stack([G[count:, :count], u[count:]]))
    return before, (before[0] - G[:count, count:] @ part[:, -1], before[1] - G[:count, count:] @ part[:, :-1])


def _firm(G: Floats) -> Floats:
    """(..., f, f) a little more on the diagonals, so that what is freed twice over can be solved for."""
    return G * (1 + 1e-9 * np.eye(G.shape[-1]))


def _likely(
    bench: Bench, judgement: Judgement, u: Floats, G: Floats, evidence: Floats, common: npt.NDArray[np.bool_]
) -> tuple[Ints, Floats, Floats]:
    """Classes that may be blunders, the chance of each, and the probability of each point of the factor grid."""
    weight = np.exp(evidence - logsumexp(evidence))
    # a gross blunder makes everything near it look wrong: it is let go before the others are looked at
    before = np.array([c for c in _likeliest(judgement) if not common[c]], dtype=np.int64)
    beside = _over_grid(_log_bayes_beside(u, G, bench.candidates, before), weight)
    alone = expit(bench.candidates.log_odds + beside)
    chance = np.maximum(alone, judgement.class_probability)
    chance[before] = 1.0
    chance[common] = 0.0
    chosen = np.argsort(-chance, kind="stable")[:LOOKED_AT]
    chosen = np.sort(chosen[chance[chosen] >= WORTH_A_LOOK])
    if not len(chosen):
        return chosen, np.zeros(0), weight
    some = bench.candidates.some(chosen)
    block = G[:, chosen[:, None], chosen[None, :]]
    # the factors stand in rising order, and 1 is the least
    posterior = search(u[:, chosen], block, evidence, some, bench.closing.k, base=0)
    return chosen, posterior.each, posterior.grid


def _weights(u: Floats, G: Floats, evidence: Floats) -> Floats:
    """(g,) probability of each point of the grid with classes of u (g, f) and G (g, f, f) freed."""
    G = _firm(G)
    gain = np.einsum("gf,gf->g", u, np.linalg.solve(G, u[:, :, None])[:, :, 0]) - np.linalg.slogdet(G)[1]
    total = evidence + 0.5 * gain
    return np.asarray(np.exp(total - logsumexp(total)))


def _over_grid(log_bayes: Floats, weight: Floats) -> Floats:
    """(c,) logarithm of the mean over the grid."""
    log_weight = np.log(np.maximum(weight, 1e-300))
    return np.asarray(logsumexp(np.minimum(log_bayes, HUGE_LOG) + log_weight[:, None], axis=0))


def _seen_widely(bench: BenchBase, judgement: Judgement, things: Things) -> _Seen:
    """By the sparse adjustment of a large job; what its neighbourhoods found is freed."""
    family, classes = bench.family, bench.classes
    doubtful = np.flatnonzero((judgement.probability >= LET_GO) & (family.kind != "group") & classes.tested)
    freed = classes.representative[np.unique(classes.label[doubtful])]
    u, G = bench.fit.reduce(sparse.hstack([things.C, family.C[:, freed]], format="csc"))
    count = len(things)
    before, after = _freed(u, G, count)
    chi2 = bench.fit.chi2 - float(u[count:] @ np.linalg.solve(_firm(G[count:, count:]), u[count:]))
    scale = max(bench.fit.dof - len(freed), 1) / max(chi2, 1e-300)  # 1 / variance factor
    beside = bench.freed(judgement.u, judgement.explanations[0].members)[:2]
    u_beside, G_beside = (scale * x[classes.representative] for x in beside)
    by_itself = log_bayes(u_beside, G_beside, bench.candidates)
    searched = np.full(len(by_itself), np.nan)
    own, u, G, left_u, left_G = (scale * x for x in (_own(things, bench.net), *before, *after))
    return _Seen(own, u, G, left_u, left_G, freed, by_itself, searched)


def _own(things: Things, net: Network) -> Floats:
    """(t,) diagonal of C'PC."""
    return np.asarray(things.C.power(2).T @ net.sd**-2.0)


def _log_bayes_beside(u: Floats, G: Floats, prior: Candidates, settled: Ints) -> Floats:
    """(g, c) logarithm of how much better than none a blunder of each class explains the job, with what is settled let
    go beside it, and beside a settled one the other settled ones."""
    diagonal = np.einsum("gcc->gc", G)
    left_u, left = u.copy(), diagonal.copy()

    def let_go(of: Any, some: Ints) -> None:
        beside = G[:, some][:, :, of]
        right = np.concatenate([beside, u[:, some, None]], axis=2)
        part = np.linalg.solve(_firm(G[:, some[:, None], some[None, :]]), right)
        left_u[:, of] = u[:, of] - np.einsum("gsc,gs->gc", beside, part[:, :, -1])
        left[:, of] = diagonal[:, of] - np.einsum("gsc,gsc->gc", beside, part[:, :, :-1])

    let_go(np.setdiff1d(np.arange(u.shape[1]), settled), settled)
    for one in settled.tolist():
        let_go(np.array([one]), settled[settled != one])
    tiny = left < LEFT * diagonal
    return log_bayes(np.where(tiny, 0.0, left_u), np.where(tiny, 0.0, left), prior)


def median_day(job: Any) -> str | None:
    """The median of the days that stand in the job's ``when`` columns, ISO."""
    texts = pd.concat([job.tables[table]["when"] for table in ("setups", "targets", "shots", "tape", "staff")])
    days = pd.to_datetime(texts.str.extract(DAY, expand=False), format="%Y-%m-%d", errors="coerce")  # no 30 February
    return None if days.isna().all() else days.median().date().isoformat()
