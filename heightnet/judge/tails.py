"""Are stray readings commoner in this job than the normal distribution has them?

In a job of hundreds of readings whose errors have long tails, one reading six standard deviations off is no blunder.
So two accounts of the job are weighed: normal errors and the likeliest blunders, or errors of Student's t with four
degrees of freedom and none.  With tests w of redundancy r, the likeliest blunders S let go, scaled as each account
fits best, and b the blunders' sizes with standard deviations s,

    log ratio = sum_{not S} r [log t4(w) - log n(w)] + sum_S [log t4(b / s) - log(odds D(b) s)]

where D is the density of an estimate of a blunder of any size; of metres one has no usual size, and it is alike on a
logarithmic scale.  A blunder that makes n readings wrong alike would be as many strays, each b / (s sqrt(n)) off.
Where the second account may be the true one, a contradiction is put down to stray readings as far as it is no larger
than strays are.
"""

from __future__ import annotations

from math import lgamma, log, pi
from typing import NamedTuple

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


class Blunder(NamedTuple):
    """log_odds : beforehand; b, s : its size and sd, m; readings : that it makes wrong."""

    log_odds: float
    b: float
    s: float
    readings: int = 1

    def log_strays(self, scale: Floats) -> Floats:
        """Log density of as many strays at these scales (n,), up to what they have in common with a single one."""
        middle = log_stray(np.zeros(1))
        each = log_stray(self.b / self.s / np.sqrt(self.readings) / scale) - middle
        return np.asarray(middle + self.readings * each - np.log(scale))


def long_tails(w: Floats, r: Floats, blunders: list[Blunder]) -> tuple[float, float]:
    """Probability that a job's errors have long tails, and by how many times they then scatter more than stated.

    Parameters
    ----------
    w, r : tests of the classes that are not among the likeliest blunders, and their redundancy numbers.
    blunders : the likeliest, with the stated standard deviations.
    """
    scaled = w[None, :] / SCALES[:, None]
    total = r.sum()
    normal = _log_normal(scaled) @ r - total * np.log(SCALES)
    stray = log_stray(scaled) @ r - total * np.log(SCALES) + sum(one.log_strays(SCALES) for one in blunders)
    cost = sum(one.log_odds + _log_blunder(one.b, one.s) for one in blunders)
    ratio = float(stray.max() - normal.max() - cost) + log(PRIOR / (1 - PRIOR))
    return float(1 / (1 + np.exp(-min(max(ratio, -700.0), 700.0)))), float(SCALES[int(np.argmax(stray))])


def blunder_among_strays(one: Blunder, scale: float) -> float:
    """Probability that an estimate is a blunder's in a job of long tails; ``scale`` as of `long_tails`."""
    blunder = one.log_odds + _log_blunder(one.b, one.s)
    stray = float(one.log_strays(np.array([scale]))[0])
    return float(1 / (1 + np.exp(min(max(stray - blunder, -700.0), 700.0))))
