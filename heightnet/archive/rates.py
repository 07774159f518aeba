"""How often things go wrong: rates with what is uncertain of them, from the evidence of many jobs.

Each hypothesis that something tests enters with its Bayes factor B, how much better its blunder explains its job than
none does.  The rate p of a kind maximises

    sum log(1 - p + p B) + log p + (1/p0 - 1) log(1 - p),

the likelihood of a mixture in which each hypothesis is a blunder or none, and one blunder in 1/p0 more, p0 being the
rate assumed so far: where nothing is learnt, it stays.  It is the fixed point of the EM algorithm that counts expected
blunders.  A height that nothing tests has B = 1 and adds nothing, neither to the blunders nor to the heights; one that
is tested weakly adds little.  The interval is that of the beta distribution with this mean and with the variance that
the curvature of the sum gives.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import betaincinv, gammaincinv

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Rate:
    """A rate, the shape (a, b) of its beta distribution, and how many blunders are expected among what was tested."""

    rate: float
    a: float
    b: float
    expected: float

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        tail = (1 - level) / 2
        return float(betaincinv(self.a, self.b, tail)), float(betaincinv(self.a, self.b, 1 - tail))


def estimate_rate(count: Floats, factor: Floats, assumed: float) -> Rate:
    """The rate of which these Bayes factors, each met so often, speak.

    With certain evidence it is counting, one blunder in 1/p0 = 50 added to 3 in 100:

    >>> found = estimate_rate(np.array([97.0, 3.0]), np.array([0.0, 1e12]), 0.02)
    >>> round(found.rate, 4), round(found.expected, 2)
    (0.0267, 3.0)
    """
    more = factor - 1

    def slope(p: float) -> float:
        return float(np.sum(count * more / (1 + p * more)) + 1 / p - (1 / assumed - 1) / (1 - p))

    p = float(brentq(slope, 1e-12, 1 - 1e-12, xtol=1e-15))
    curvature = np.sum(count * (more / (1 + p * more)) ** 2) + 1 / p**2 + (1 / assumed - 1) / (1 - p) ** 2
    size = max(p * (1 - p) * curvature - 1, 1e-3)
    expected = float(np.sum(count * p * factor / (1 + p * more)))
    return Rate(p, p * size, (1 - p) * size, expected)


def count_interval(expected: float, level: float = 0.95) -> tuple[float, float]:
    """Interval of a Poisson mean of which so many were counted: gamma with shape count + 1/2 (Jeffreys' prior).

    >>> tuple(round(x, 2) for x in count_interval(0.0))
    (0.0, 2.51)
    """
    tail = (1 - level) / 2
    return float(gammaincinv(expected + 0.5, tail)), float(gammaincinv(expected + 0.5, 1 - tail))
