"""How often things go wrong: rates with what is uncertain of them, from the evidence of many jobs.

Each class of blunders that something tests enters with its Bayes factor B, how much better it explains its job that one
of the class is wrong than that none is.  With c_k members of kind k the chance of that is r = 1 - prod (1 - p_k)^c_k,
and the rates p_k maximise

    sum log(1 - r + r B) + sum_k log p_k + (1/p0_k - 1) log(1 - p_k),

the likelihood of a mixture, and one blunder in 1/p0 more of each kind, p0 being the rate assumed so far: where nothing
is learnt, it stays.  It is where the EM algorithm that counts expected blunders comes to rest.  A height that nothing
tests has B = 1 and adds nothing, neither to the blunders nor to the heights; one that is tested weakly adds little.
The interval is that of the beta distribution with this mean and with the variance that the curvature of the sum gives.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import betaincinv, gammaincinv

from heightnet.arrays import Floats

CYCLES = 100
LEAST_FACTOR = 1e-300  # of a Bayes factor: where the rates tried make a blunder certain, something must be left


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


def estimate_rates(made_of: Floats, count: Floats, factor: Floats, assumed: Floats) -> list[Rate]:
    """The rates of which these Bayes factors (n,), each met ``count`` times, speak.

    Parameters
    ----------
    made_of : (n, k) members of each kind in the class behind each factor.
    assumed : (k,) rates so far.
    """
    factor = np.maximum(factor, LEAST_FACTOR)
    more = factor - 1
    p = np.array(assumed, dtype=float)

    def slopes(p: Floats) -> Floats:
        """(n, k) derivative of the logarithm of each class's likelihood."""
        none = np.exp(made_of @ np.log1p(-p))
        return (more * none / (none + (1 - none) * factor))[:, None] * made_of / (1 - p)

    def slope(value: float, k: int) -> float:
        p[k] = value
        own = 1 / value - (1 / assumed[k] - 1) / (1 - value)
        return float(count @ slopes(p)[:, k] + own)

    for _ in range(CYCLES):
        before = p.copy()
        for k in range(len(p)):
            p[k] = brentq(slope, 1e-9, 1 - 1e-9, args=(k,), xtol=1e-13)
        if np.all(np.abs(p - before) <= 1e-6 * before):
            break
    each = slopes(p)
    curvature = each.T @ (count[:, None] * each) + np.diag(1 / p**2 + (1 / assumed - 1) / (1 - p) ** 2)
    variance = np.diag(np.linalg.inv(curvature))
    r = -np.expm1(made_of @ np.log1p(-p))
    wrong = count * r * factor / (1 - r + r * factor)
    expected = (wrong / np.maximum(made_of @ p, 1e-300)) @ made_of * p
    size = np.maximum(p * (1 - p) / variance - 1, 1e-3)
    return [
        Rate(float(x), float(x * n), float((1 - x) * n), float(e)) for x, n, e in zip(p, size, expected, strict=True)
    ]


def estimate_rate(count: Floats, factor: Floats, assumed: float) -> Rate:
    """The rate of one kind, each of whose members is a class by itself.

    With certain evidence it is counting, one blunder in 1/p0 = 50 added to 3 in 100:

    >>> found = estimate_rate(np.array([97.0, 3.0]), np.array([0.0, 1e12]), 0.02)
    >>> round(found.rate, 4), round(found.expected, 2)
    (0.0267, 3.0)
    """
    return estimate_rates(np.ones((len(count), 1)), count, factor, np.array([assumed]))[0]


def count_interval(expected: float, level: float = 0.95) -> tuple[float, float]:
    """Interval of a Poisson mean of which so many were counted: gamma with shape count + 1/2 (Jeffreys' prior).

    >>> tuple(round(x, 2) for x in count_interval(0.0))
    (0.0, 2.51)
    """
    tail = (1 - level) / 2
    return float(gammaincinv(expected + 0.5, tail)), float(gammaincinv(expected + 0.5, 1 - tail))
