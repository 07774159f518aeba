"""Does the job close?  Asked before asking what is wrong, at one calibrated level.

Two statistics of the misclosures t see different blunders best: the largest test, max |w| over the classes of free
size, and the odds that one class is wrong, averaged over the factors on the standard deviations,

    O(t) = sum_g e^ev_g sum_c odds_c BF_cg / sum_g e^ev_g.

Both are calibrated together by observing the job's own geometry without a blunder thousands of times: something is said
if either exceeds its value, and of clean jobs that is so in the share ``test.false_alarm``.  The values depend on
geometry and recorded sizes only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from heightnet.arrays import Floats, Ints
from heightnet.judge.critical import sidak_value
from heightnet.judge.reduction import Reduction
from heightnet.judge.search import Candidates
from heightnet.network.model import Network

DRAWS_OVER = 100.0  # draws are as many as this over the false alarm, so that so many lie beyond the value
FEWEST, MOST = 4_000, 40_000
AT_ONCE = 1_000
SEED = 20240229
LIGHT = 1e-3  # of a draw's weight: points of the factor grid below it are left out of that draw
LARGEST_EXPONENT = np.float32(80.0)
FORMULA_LEVEL = 0.65  # of the false alarm: level of each statistic by itself, as simulation finds it
BINS_PER_E = 20.0  # classes whose information agrees within a factor of e^(1/20) are taken as equal


@dataclass(frozen=True)
class Closing:
    """From where on something is said.

    k : critical value of the largest |w|; theta : of the logarithm of the odds.
    level : share of clean jobs beyond either value alone.
    by : "simulation" or "formula".
    """

    k: float
    theta: float
    level: float
    by: str

    def said(self, largest: float, log_odds: float) -> bool:
        """Whether a job with these two statistics contradicts itself."""
        return bool(largest > self.k or log_odds > self.theta)


NOTHING = Closing(float("inf"), float("inf"), 0.0, "none")
"""Where nothing can contradict anything."""


def log_bayes(u: Floats, G: Floats, prior: Candidates) -> Floats:
    """(..., c) logarithm of the Bayes factor of each class wrong by itself, its size integrated out.

    For sizes N(mean, tau^2): 1/2 [(u + mean / tau^2)^2 / (G + 1 / tau^2) - mean^2 / tau^2 - log(1 + tau^2 G)], averaged
    over the taus with their weights.

    Parameters
    ----------
    u, G : (..., c), (c,) or of equal shape.
    """
    total = np.full(np.broadcast_shapes(u.shape, G.shape), -np.inf)
    for t in range(prior.taus.shape[1]):
        precision = prior.taus[:, t] ** -2.0
        exponent = (u + prior.mean * precision) ** 2 / (G + precision) - prior.mean**2 * precision
        total = np.logaddexp(total, prior.weight[:, t] + 0.5 * (exponent - np.log1p(G / precision)))
    return total


def log_sum(values: Floats, axis: int) -> Floats:
    """Logarithm of a sum of exponentials."""
    top = values.max(axis=axis, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    return np.asarray(np.log(np.exp(values - top).sum(axis=axis)) + np.squeeze(top, axis))


def log_odds_of(u: Floats, G: Floats, evidence: Floats, prior: Candidates) -> float:
    """log O of one job from u (g, c), the diagonals of G (g, c) and the log evidence (g,) of the factors."""
    singles = log_sum(prior.log_odds + log_bayes(u, G, prior), axis=1)
    return float(log_sum(evidence + singles, axis=0) - log_sum(evidence, axis=0))


class Odds:
    """Sums of odds over many draws at once, for speed without logarithms: exponents are small where all is well."""

    def __init__(self, G: Floats, prior: Candidates) -> None:
        """G : (c,) at one point of the factor grid."""
        precision = prior.taus.T**-2.0
        self._pull = prior.mean * precision  # (tau, c)
        self._half = 0.5 / (G + precision)
        self._rest = prior.log_odds + prior.weight.T - 0.5 * (prior.mean**2 * precision + np.log1p(G / precision))
        self._scale = G[:, None] ** -0.5
        self._plain = not np.any(prior.mean)

    def log_each(self, u: Floats, some: Ints) -> npt.NDArray[np.float32]:
        """(some, draws) logarithm of the odds of some classes from u (some, draws), of any size."""
        exponents = np.empty((len(self._half), *u.shape), dtype=np.float32)
        for t, (pull, half, rest) in enumerate(zip(self._pull, self._half, self._rest, strict=True)):
            exponents[t] = (u + pull[some][:, None]) ** 2 * half[some][:, None] + rest[some][:, None]
        top = exponents.max(axis=0)
        exponents -= top
        return np.asarray(top + np.log(np.exp(exponents).sum(axis=0)))

    def each(self, u: Floats) -> npt.NDArray[np.float32]:
        """(c, draws) odds of each class from u (c, draws), to six digits."""
        w = (u * self._scale).astype(np.float32)  # tests: numbers that single precision holds well
        total = np.zeros_like(w)
        square = w * w
        for pull, half, rest in zip(self._pull, self._half, self._rest, strict=True):
            if not self._plain:
                square = (w + (pull[:, None] * self._scale).astype(np.float32)) ** 2
            exponent = square * (half[:, None] / self._scale**2).astype(np.float32) + rest[:, None].astype(np.float32)
            total += np.exp(np.minimum(exponent, LARGEST_EXPONENT))
        return total


def canonical_order(net: Network) -> Ints:
    """(m,) positions of the observations in an order that does not depend on the order of rows in the files."""
    names = net.nodes.name
    ends = [np.where(at >= 0, names[np.maximum(at, 0)], "").astype(str) for at in (net.tail, net.head)]
    # parallel rows that agree in all of this are as good as exchanged
    keys = (np.arange(len(net.y)), net.sd, net.rise, ends[1], ends[0], net.kind)
    return np.lexsort(keys).astype(np.int64)


def draws_for(false_alarm: float) -> int:
    return int(np.clip(round(DRAWS_OVER / false_alarm), FEWEST, MOST))


def level_of(largest: Floats, log_odds: Floats, false_alarm: float) -> tuple[float, float, float]:
    """k, theta and the level q at which, of these clean draws, the share ``false_alarm`` exceeds either value.

    q lies between a third of it and all of it, as the two statistics agree less or more.
    """
    by_w, by_o = np.sort(largest), np.sort(log_odds)

    def values(q: float) -> tuple[float, float]:
        return float(np.quantile(by_w, 1 - q)), float(np.quantile(by_o, 1 - q))

    low, high = false_alarm / 3, false_alarm
    for _ in range(30):
        q = (low + high) / 2
        k, theta = values(q)
        if np.mean((largest > k) | (log_odds > theta)) > false_alarm:
            high = q
        else:
            low = q
    k, theta = values(low)
    return k, theta, low


def calibrate(
    reduction: Reduction, G: Floats, asked: Ints, prior: Candidates, free: npt.NDArray[np.bool_], net: Network
) -> Closing:
    """The values of one network, by observing it without a blunder.

    Parameters
    ----------
    reduction : looking at the class representatives (`Reduction.over_grid`).
    G : (g, c) diagonals over the factor grid.
    asked : (a,) the classes whose odds and tests are looked at.
    free : (c,) classes of free size, whose tests take part in the largest.
    """
    false_alarm = net.job.settings.test.false_alarm
    count = draws_for(false_alarm)
    rng = np.random.default_rng(SEED)
    order = canonical_order(net)
    odds = [Odds(diagonal, prior.some(asked)) for diagonal in G[:, asked]]
    scale, free = 1 / np.sqrt(G[reduction.factors.base, asked]), free[asked]
    largest, log_odds = [], []
    for start in range(0, count, AT_ONCE):
        Z = np.empty((len(order), min(AT_ONCE, count - start)))
        Z[order] = rng.standard_normal(Z.shape)
        T = reduction.K.T @ Z
        evidence = reduction.evidence(T)
        weight = np.exp(evidence - evidence.max(axis=0))
        weight /= weight.sum(axis=0)
        total = np.zeros(Z.shape[1])
        for g, of_class in enumerate(odds):
            some = np.flatnonzero(weight[g] > LIGHT)
            if len(some):
                u = reduction.through(g, T[:, some], asked)
                total[some] += weight[g, some] * of_class.each(u).sum(axis=0)
        log_odds.append(np.log(total))
        w = np.abs(reduction.through(reduction.factors.base, T, asked)) * scale[:, None]
        largest.append(w[free].max(axis=0, initial=0.0))
    k, theta, level = level_of(np.concatenate(largest), np.concatenate(log_odds), false_alarm)
    return Closing(k, theta, level, "simulation")


def formula(G: Floats, prior: Candidates, free: npt.NDArray[np.bool_], false_alarm: float) -> Closing:
    """The values of a network too large to be simulated.

    k : of so many independent tests (Sidak).  theta : a sum of very unequal odds is large because one of them is, on
    top of what the others come to: with T where one exceeds T with probability q,
    theta = log(T + E[sum; each below T]).

    Parameters
    ----------
    G : (c,) information of the classes at the stated standard deviations.
    """
    q = FORMULA_LEVEL * false_alarm
    bins = np.column_stack([np.round(prior.log_odds, 6), np.round(BINS_PER_E * np.log(G))])[free]
    if not len(bins):
        return NOTHING
    kinds, first, count = np.unique(bins, axis=0, return_index=True, return_counts=True)
    at = np.flatnonzero(free)[first]
    some, information = prior.some(at), np.exp(kinds[:, 1] / BINS_PER_E)

    def tests_at(log_value: float) -> Floats:
        """|w| from which on the odds of each class exceed a value."""
        low, high = np.zeros(len(at)), np.full(len(at), 60.0)
        for _ in range(50):
            middle = (low + high) / 2
            below = some.log_odds + log_bayes(middle * np.sqrt(information), information, some) < log_value
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return high

    low, high = -20.0, 60.0
    for _ in range(50):
        middle = (low + high) / 2
        exceeds = float(count @ (2 * ndtr(-tests_at(middle))))
        low, high = (middle, high) if exceeds > q else (low, middle)
    z = tests_at(high)[:, None]
    left = (1 + some.taus**2 * information[:, None]) ** -0.5
    expected = (np.exp(some.weight) * (2 * ndtr(z * left) - 1)).sum(axis=1) * np.exp(some.log_odds)
    theta = float(np.log(np.exp(high) + count @ expected))
    return Closing(sidak_value(int(free.sum()), q), theta, q, "formula")
