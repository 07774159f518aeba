"""The judgement of a job from the dense reference: every number it rests on made of equations written down anew.

The search and what is told of it are the product's own (they have tests of their own, `tests.judge.test_search` and
`test_judgement`); u, G, the likelihood of the factors and the classes are not.  Hypotheses, their rates, the grid of
factors and the values from which on something is said are those of the bench that is compared.
"""

from __future__ import annotations

import numpy as np

from heightnet.job.model import Job
from heightnet.judge.bench import Bench, BenchBase, Seen, candidates_of
from heightnet.judge.closing import log_odds_of
from heightnet.judge.large import LargeBench
from heightnet.judge.reduction import classify, log_prior_of
from heightnet.judge.search import Clock
from tests.dense_reference import equations


class DenseBench(Bench):
    """Whole, however large: one neighbourhood."""

    def __init__(self, job: Job, like: BenchBase) -> None:
        self.net, self.family, self.factors = like.net, like.family, like.factors
        rate = like.rate if isinstance(like, LargeBench) else like.family.rate
        written, C = equations(job), like.family.C
        stated = written.solved()
        self._u, self.G = stated.reduced(C)
        self.diagonal = np.diag(self.G).copy()
        self.own = np.asarray(C.power(2).T @ (1 / like.net.sd**2))
        self.classes = classify(self.G, self.own, like.family.rate, like.family.size)
        reps = self.classes.representative
        self.class_rate = self.classes.rates(rate)
        self.candidates = candidates_of(self.family, self.classes, self.diagonal, rate)
        self.free = np.isnan(self.family.size[reps])
        self.closing = like.closing
        over, G, self._fit_of_factors = [], [], []
        log_prior = log_prior_of(self.factors.tape, self.factors.sight)
        for tape, sight, prior in zip(self.factors.tape, self.factors.sight, log_prior, strict=True):
            solved = written.solved(float(tape), float(sight))
            u, g = solved.reduced(C, reps)
            over.append(u)
            G.append(g)
            det = 2 * np.log(np.abs(np.diag(solved._QR[1])) * solved._scale).sum()
            self._fit_of_factors.append(prior - np.log(solved.sd).sum() - 0.5 * (det + solved.chi2))
        self._over, self.G_reps = np.array(over), np.array(G)
        self._redundancy = stated.dof

    @property
    def redundancy(self) -> int:
        return self._redundancy

    def look(self, y: np.ndarray, clock: Clock | None = None) -> Seen:
        assert y is self.net.y
        evidence = np.array(self._fit_of_factors)
        if not self._over.size:
            return Seen(self._u, [], -np.inf, np.zeros(0))
        some = self.asked
        log_odds = log_odds_of(self._over[:, some], self.diagonals[:, some], evidence, self.candidates.some(some))
        look = self._searched(self._over, evidence, log_odds, clock)
        alone = np.zeros(self._over.shape[1])
        alone[look.classes] = look.posterior.each
        return Seen(self._u, [look], log_odds, alone)
