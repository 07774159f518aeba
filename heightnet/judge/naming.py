"""A name needs evidence: how well each hypothesis explains the misclosures, prior rates left out.

Between classes that is what the search found, divided by the prior odds.  Inside a class every member makes the same
misclosures; only the size that each would need tells them apart, by how well it suits a usual slip in that very value.
With b the size and s its standard deviation, D the unit of reading, and f the density of true values,

    L = (1 - kappa) mean_tau N(b; 0, s^2 + tau^2)
        + kappa sum_i p_i f(true_i) / f(recorded) N(b; b_i, s^2 + s_i^2 + D^2 / 12)

where p_i are the nominal shares of the causes.  kappa keeps a cause that is possible for one member only from
convicting it of an error that no listed cause made.  A common error has the first term alone, and none where its size
is impossible.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import cached_property
from math import exp, pi, sqrt

import numpy as np
import numpy.typing as npt

from heightnet.judge.cause_groups import possible
from heightnet.judge.cause_heights import SAME_AS_BEFORE, SWAP, ZERO
from heightnet.judge.cause_levels import LEVEL_CAUSES, level_density
from heightnet.judge.cause_model import Alternative, Cause, normal_density
from heightnet.judge.causes import Records, height_causes
from heightnet.judge.family import HEIGHTS, Family
from heightnet.judge.search import TAUS_M
from heightnet.network.model import Network

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

KAPPA = 0.5
DENSITY_FLOOR = 0.02  # of true values, per m: a height far from the usual is rare, not impossible
CARRIED_OVER = (
    6.0,
    0.12,
)  # a height that is that of the set-up before: how much likelier, and how far off it then is, m
LEFT_AT_ZERO = 100.0
CONVICTS_FROM_M = 0.010  # an error smaller than this is laid at nobody's door by a cause that others cannot have
EVIDENCE = 10.0  # how many times better than any rival what is named must explain the job
BROAD_ONLY = ("shot", "gnss", "separation", "swap", "exchange")


class Evidence:
    """Likelihoods of the members of classes, from what the job recorded."""

    def __init__(self, net: Network, family: Family) -> None:
        self.net, self.family = net, family

    @cached_property
    def records(self) -> Records:
        return Records(self.net.job, self.net.readings)

    def of(self, h: int, b: float, s: float) -> float:
        """L of one hypothesis whose estimate is b with standard deviation s (m); a density, 1 / m."""
        kind, id_ = str(self.family.kind[h]), str(self.family.ids[h])
        broad = broad_density(b, s)
        if kind == "group":
            return broad * possible(self.records.group(id_, b, s, float(self.family.unit[h])))
        if kind in BROAD_ONLY:
            return broad
        if kind in (*HEIGHTS, "reading"):
            e = self.records.height(id_, b, s)
            causes = height_causes(e)
            usual = with_floor(normal_density(*e.population))
            return (1 - KAPPA) * broad + KAPPA * _by_causes(causes, e.recorded, b, s, e.unit, usual)
        level = self.records.level(id_, b, s)
        listed = [(cause, cause.alternatives(level)) for cause in LEVEL_CAUSES]
        usual = with_floor(level_density(level))
        by_causes = _by_causes(listed, level.recorded, b, s, level.as_read.unit, usual)
        return (1 - KAPPA) * broad + KAPPA * by_causes


def broad_density(b: float, s: float) -> float:
    """Density of an estimate of an error of any size.

    >>> round(broad_density(0.0, 0.001))
    20
    """
    return sum(_normal(b, s**2 + tau**2) for tau in TAUS_M) / len(TAUS_M)


def with_floor(density: Callable[[float], float]) -> Callable[[float], float]:
    return lambda value: density(value) + DENSITY_FLOOR


def _by_causes(
    causes: Iterable[tuple[Cause, Iterable[Alternative]]],
    recorded: float,
    b: float,
    s: float,
    unit: float,
    usual: Callable[[float], float],
) -> float:
    variance = s**2 + unit**2 / 12
    here, total, nominal = usual(recorded), 0.0, 0.0
    for cause, alternatives in causes:
        nominal += cause.prior
        if cause.key == SWAP:  # a hypothesis of its own: it makes two heights wrong
            continue
        for one in alternatives:
            if one.sized:
                value = (
                    usual(one.true) / here * one.slope * _normal(b - (recorded - one.true), variance + one.spread**2)
                )
            elif cause.key == SAME_AS_BEFORE:
                value = CARRIED_OVER[0] * _normal(b, s**2 + CARRIED_OVER[1] ** 2)
            elif cause.key == ZERO:
                value = LEFT_AT_ZERO * usual(recorded - b)
            else:
                continue
            if value > 0:  # NaN too: a slant shorter than its radius
                total += cause.prior * one.share * value
    return total / nominal


def _normal(x: float, variance: float) -> float:
    return exp(-0.5 * min(x * x / variance, 1400.0)) / sqrt(2 * pi * variance)
