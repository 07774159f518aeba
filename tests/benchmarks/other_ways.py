"""What a user would otherwise do to find a wrong height; each way returns the classes of hypotheses it accuses.

They see observations, so each accuses observations; an observation stands for the class of "this observation alone is
wrong".  Nuisance knowledge (refraction, index error) is never accused.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import statsmodels.api as sm

from heightnet.judge.bench import Bench
from heightnet.judge.judgement import Judgement

Floats = npt.NDArray[np.float64]

BEYOND = 3.0  # standard deviations beyond which an observation is called wrong
HUBER = 1.345
AT_MOST = 8


class Observer:
    """A network as least squares of whitened observations."""

    def __init__(self, bench: Bench) -> None:
        self.sd = bench.net.sd
        self.A = bench.net.A.toarray() / self.sd[:, None]
        self.label = np.full(len(self.sd), -1)
        single = bench.family.observation >= 0
        self.label[bench.family.observation[single]] = bench.classes.label[single]

    def residuals(self, z: Floats, weight: Floats) -> Floats:
        """Residuals in standard deviations of a weighted adjustment."""
        WA = self.A * weight[:, None]
        return z - self.A @ np.linalg.lstsq(WA.T @ self.A, WA.T @ z, rcond=1e-13)[0]

    def classes(self, at: npt.NDArray[np.bool_]) -> set[int]:
        return {int(c) for c in self.label[at] if c >= 0}


def largest_residual(o: Observer, z: Floats, v: Judgement) -> set[int]:
    """Strike the observation with the largest residual in mm if it is beyond three of its sds, adjust again, repeat."""
    weight = np.ones(len(z))
    out: set[int] = set()
    for _ in range(AT_MOST):
        r = np.abs(o.residuals(z, weight)) * (weight > 0) * (o.label >= 0)
        worst = int(np.argmax(r * o.sd))
        if r[worst] <= BEYOND:
            break
        out.add(int(o.label[worst]))
        weight[worst] = 0.0
    return out


def one_at_a_time(o: Observer, z: Floats, v: Judgement) -> set[int]:
    """Free the largest test of the whole family beyond its critical value, adjust again, repeat; step back."""
    return {int(v.bench.classes.label[h]) for h in v.one_at_a_time}


def huber(o: Observer, z: Floats, v: Judgement) -> set[int]:
    """Huber's estimate by reweighting; what lies beyond three sds of it."""
    weight = np.ones(len(z))
    for _ in range(40):
        r = o.residuals(z, weight)
        weight = np.minimum(1.0, HUBER / np.maximum(np.abs(r), 1e-9))
    return o.classes(np.abs(r) > BEYOND)


def studentised(o: Observer, z: Floats, v: Judgement) -> set[int]:
    """statsmodels' externally studentised residuals with Bonferroni at 5 %."""
    with np.errstate(all="ignore"):
        p = sm.OLS(z, o.A).fit().outlier_test(method="bonf", alpha=0.05)[:, 2]
    return o.classes(p < 0.05)


OTHER_WAYS: dict[str, Callable[[Observer, Floats, Judgement], set[int]]] = {
    "largest residual": largest_residual,
    "one at a time": one_at_a_time,
    "Huber": huber,
    "studentised": studentised,
}
