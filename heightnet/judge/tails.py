"""Are stray readings commoner in this job than the normal distribution has them?

In a job of hundreds of readings whose errors have long tails, one reading six standard deviations off is no blunder.
So two accounts of the job are weighed: normal errors and the likeliest blunders, or errors of Student's t with four
degrees of freedom and none.  With tests w of redundancy r, the likeliest blunders S let go, scaled as each account
fits best, and b the blunders' sizes with standard deviations s,

    log ratio = sum_{not S} r [log t4(w) - log n(w)] + sum_S [log t4(b / s) - log(odds D(b) s)]

where D is the density of an estimate of a blunder of any size; of metres one has no usual size, and it is alike on a
logarithmic scale.  Where the second account may be the true one, a
contradiction is put down to a stray reading as far as it is no larger than strays are.
"""

from __future__ import annotations

from math import lgamma, log, pi

import numpy as np

from heightnet.arrays import Floats
from heightnet.judge.naming import broad_density

DEGREES = 4.0
PRIOR = 0.01  # that a job is one of those: judgement, not measured; 0.1 would cost a seventh of the names at 10 sds
SCALES = 2.0 ** np.arange(-1.5, 2.01, 0.25)  # of the stated standard deviations
BEYOND = 0.02 / (2 * log(10.0))  # over b: density of blunders of metres, one in fifty of them in each tenfold of size
_CONSTANT = lgamma((DEGREES + 1) / 2) - lgamma(DEGREES / 2) - 0.5 * log((DEGREES - 2) * pi)


def log_stray(w: Floats) -> Floats:
    """Log density of Student's t with four degrees of freedom and unit variance.

    >>> round(float(np.exp(log_stray(np.array(0.0)))), 4)
    0.5303
    """
    return np.asarray(_CONSTANT - (DEGREES + 1) / 2 * np.log1p(w**2 / (DEGREES - 2)))


def _log_normal(w: Floats) -> Floats:
    return np.asarray(-0.5 * (w**2 + log(2 * pi)))


def _log_blunder(b: float, s: float) -> float:
    """Log density of an estimate b +- s (m) of a blunder of any size, in units of s.

    >>> round(_log_blunder(0.1, 0.002), 1), round(_log_blunder(10.0, 0.002), 1)
    (-6.7, -14.0)
    """
    return log(max(broad_density(b, s), BEYOND / max(abs(b), 1.0)) * s)


def long_tails(w: Floats, r: Floats, blunders: list[tuple[float, float, float]]) -> tuple[float, float]:
    """Probability that a job's errors have long tails, and by how many times they then scatter more than stated.

    Parameters
    ----------
    w, r : tests of the classes that are not among the likeliest blunders, and their redundancy numbers.
    blunders : log odds, b and s (m) of each of the likeliest blunders, with the stated standard deviations.
    """
    scaled = w[None, :] / SCALES[:, None]
    sizes = np.array([b / s for _, b, s in blunders])[None, :] / SCALES[:, None]
    total = r.sum()
    normal = _log_normal(scaled) @ r - total * np.log(SCALES)
    stray = log_stray(scaled) @ r - total * np.log(SCALES) + (log_stray(sizes) - np.log(SCALES)[:, None]).sum(axis=1)
    cost = sum(odds + _log_blunder(b, s) for odds, b, s in blunders)
    ratio = float(stray.max() - normal.max() - cost) + log(PRIOR / (1 - PRIOR))
    return float(1 / (1 + np.exp(-min(max(ratio, -700.0), 700.0)))), float(SCALES[int(np.argmax(stray))])


def blunder_among_strays(log_odds: float, b: float, s: float, scale: float) -> float:
    """Probability that an estimate b +- s (m) is a blunder's in a job of long tails; ``scale`` as of `long_tails`."""
    blunder = log_odds + _log_blunder(b, s)
    stray = float(log_stray(np.array(b / s / scale))) - log(scale)
    return float(1 / (1 + np.exp(min(max(stray - blunder, -700.0), 700.0))))
