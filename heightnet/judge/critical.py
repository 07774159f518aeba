"""How large a test must be to mean something."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri, stdtrit


def sidak_value(classes: int, false_alarm: float) -> float:
    """The critical value of so many independent tests (Sidak).

    >>> round(sidak_value(1, 0.01), 3), round(sidak_value(11, 0.01), 2)
    (2.576, 3.32)
    """
    return float(-ndtri(-np.expm1(np.log1p(-false_alarm) / classes) / 2)) if classes else float("inf")


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
