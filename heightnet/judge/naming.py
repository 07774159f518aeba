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

from functools import cached_property
from math import exp, pi, sqrt

from heightnet.judge.causes import evidence_about
from heightnet.judge.family import Family
from heightnet.judge.search import TAUS_M
from heightnet.kinds.cause import LEFT_IN, SWAP, ZERO, Evidence, listed
from heightnet.kinds.group import possible
from heightnet.kinds.records import Records
from heightnet.kinds.registry import of_blunder
from heightnet.ledger.thing import EXCHANGED
from heightnet.network.model import Network

KAPPA = 0.5
DENSITY_FLOOR = 0.02  # of true values, per m: a height far from the usual is rare, not impossible
CARRIED_OVER = (
    6.0,
    0.12,
)  # a height that is that of the set-up before: how much likelier, and how far off it then is, m
LEFT_AT_ZERO = 100.0
CONVICTS_FROM_M = 0.010  # an error smaller than this is laid at nobody's door by a cause that others cannot have
EVIDENCE = 10.0  # how many times better than any rival what is named must explain the job
PUT_UPS = ("group", "spell", "local")  # several put-ups wrong alike
BROAD_ONLY = ("shot", "gnss", "separation", "moved", "source")


class Naming:
    """Likelihoods of the members of classes, from what the job recorded."""

    def __init__(self, net: Network, family: Family) -> None:
        self.net, self.family = net, family

    @cached_property
    def records(self) -> Records:
        return Records(self.net.job, self.net.readings)

    def of(self, h: int, b: float, s: float) -> float:
        """L of one hypothesis whose estimate is b with standard deviation s (m); a density, 1 / m."""
        kind, broad = str(self.family.kind[h]), broad_density(b, s)
        if kind in BROAD_ONLY or kind in EXCHANGED:
            return broad
        e = evidence_about(self.records, str(self.family.ids[h])).found(b, s, float(self.family.unit[h]))
        if e.kind in PUT_UPS:
            return broad * possible(e)
        return (1 - KAPPA) * broad + KAPPA * _by_causes(e)


def broad_density(b: float, s: float) -> float:
    """Density of an estimate of an error of any size.

    >>> round(broad_density(0.0, 0.001))
    20
    """
    return sum(_normal(b, s**2 + tau**2) for tau in TAUS_M) / len(TAUS_M)


def _by_causes(e: Evidence) -> float:
    here, variance = e.density(e.recorded) + DENSITY_FLOOR, e.error_sd**2 + e.unit**2 / 12
    kind, total = of_blunder(e.kind), 0.0
    causes = listed(kind.causes, e)
    for cause in causes:
        if cause.key == SWAP:  # a hypothesis of its own: it makes two heights wrong
            continue
        for one in cause.alternatives(e):
            if one.sized:
                true = e.recorded - one.error
                usual = (e.density(-true if one.mirrored else true) + DENSITY_FLOOR) / here
                value = usual * one.slope * _normal(e.error - one.error, variance + one.spread**2)
            elif cause.key in LEFT_IN:
                value = CARRIED_OVER[0] * _normal(e.error, e.error_sd**2 + CARRIED_OVER[1] ** 2)
            elif cause.key == ZERO:
                value = LEFT_AT_ZERO * (e.density(e.recorded - e.error) + DENSITY_FLOOR)
            else:
                continue
            if value > 0:  # NaN too: a slant shorter than its radius
                total += cause.prior * one.share * value
    return total / (kind.nominal or sum(cause.prior for cause in causes))


def _normal(x: float, variance: float) -> float:
    return exp(-0.5 * min(x * x / variance, 1400.0)) / sqrt(2 * pi * variance)
