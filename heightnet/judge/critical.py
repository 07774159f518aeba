"""How large a test must be to mean something, and how large an error must be to be found and rightly named."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri, stdtrit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

DRAWS = 40_000
SIMULATE_UP_TO = 4e9  # draws x classes x redundancy; beyond it the formula, within .05 of the simulation
RIGHTLY_NAMED = 0.95
LARGEST_DELTA = 1e4


def sidak_value(classes: int, false_alarm: float) -> float:
    """The critical value of so many independent tests (Sidak).

    >>> round(sidak_value(1, 0.01), 3), round(sidak_value(11, 0.01), 2)
    (2.576, 3.32)
    """
    return float(-ndtri(-np.expm1(np.log1p(-false_alarm) / classes) / 2)) if classes else float("inf")


def critical_value(tests: Floats, false_alarm: float, seed: int = 20240229) -> tuple[float, str]:
    """Value that the largest |w| of a job with no blunder exceeds with probability ``false_alarm``.

    Parameters
    ----------
    tests : (r, c) columns h such that w = h'z for standard normal z: one for each class that nothing merges.

    Returns
    -------
    The value, and "simulation" or "formula" (Sidak: independent tests).

    One class alone is the two-sided normal point:

    >>> round(critical_value(np.ones((1, 1)), 0.01)[0], 3)
    2.576
    """
    r, c = tests.shape
    sidak = sidak_value(c, false_alarm)
    if c <= 1 or float(DRAWS) * r * c > SIMULATE_UP_TO:
        return sidak, "formula"
    rng = np.random.default_rng(seed)
    light = tests.astype(np.float32)
    largest = [np.abs(rng.standard_normal((DRAWS // 20, r), dtype=np.float32) @ light).max(axis=1) for _ in range(20)]
    return float(np.quantile(np.concatenate(largest), 1 - false_alarm)), "simulation"


def tau_critical(dof: int, alpha: float) -> float | None:
    """Value that |w| over the root of the variance factor exceeds with probability ``alpha``, one test, two-sided.

    For a job that does not trust its assumed standard deviations: tau = sqrt(dof) t / sqrt(dof - 1 + t^2) with t of
    Student's distribution with dof - 1 degrees of freedom (Pope 1976, NOAA TR NOS 65 NGS 1).  None where dof is 1 or
    less: the ratio is then always 1 and tests nothing.

    >>> round(tau_critical(9, 0.05), 3), tau_critical(1, 0.05)
    (1.896, None)
    """
    if dof <= 1:
        return None
    t = float(stdtrit(dof - 1, 1 - alpha / 2))
    return float(np.sqrt(dof) * t / np.sqrt(dof - 1 + t**2))


def detectable_delta(alpha: float, power: float) -> float:
    """Size of an error in units of its own standard deviation that a two-sided test at ``alpha`` finds with ``power``.

    delta0 of Baarda 1968: 4.13 at alpha 0.1 % and power 80 %.

    >>> round(detectable_delta(0.001, 0.80), 3)
    4.132
    """
    z = -ndtri(alpha / 2)
    return float(brentq(lambda d: ndtr(d - z) + ndtr(-d - z) - power, 0.0, 60.0, xtol=1e-12))


def confusion(delta: Floats, rho: Floats) -> Floats:
    """P(|w_j| > |w_i|) when hypothesis i is true and its test has mean delta, the tests' correlation being rho.

    From P(|w_i| > |w_j|) = Phi(a) Phi(c) + Phi(-a) Phi(-c), a, c = delta sqrt((1 -+ rho) / 2): the sum and the
    difference of two unit normal variables are independent.

    >>> float(confusion(np.array(0.0), np.array(0.3)))
    0.5
    """
    a, c = delta * np.sqrt((1 - rho) / 2), delta * np.sqrt((1 + rho) / 2)
    return 1 - (ndtr(a) * ndtr(c) + ndtr(-a) * ndtr(-c))


def attributable_delta(rho: Floats, rival: npt.NDArray[np.bool_]) -> Floats:
    """Smallest delta at which a hypothesis is the largest test with probability 0.95 or more; inf where none is.

    Parameters
    ----------
    rho : (h, c) correlation of each hypothesis with each class.
    rival : (h, c) which classes would accuse someone else.
    """
    rho = np.clip(rho, -1.0, 1.0)

    def wrong(delta: Floats) -> Floats:
        return np.where(rival, confusion(delta[:, None], rho), 0.0).sum(axis=1)

    count = len(rho)
    low, high = np.zeros(count), np.full(count, LARGEST_DELTA)
    never = wrong(high) > 1 - RIGHTLY_NAMED
    for _ in range(45):
        middle = np.where(low > 0, np.sqrt(np.maximum(low, 1e-3) * high), high / 100)
        enough = wrong(middle) <= 1 - RIGHTLY_NAMED
        high = np.where(enough, middle, high)
        low = np.where(enough, low, middle)
        if np.all(high - low < 1e-4 * high):
            break
    return np.where(never, np.inf, high)
