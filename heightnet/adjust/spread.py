"""How far repeated measurements lie apart, beside what their standard deviations let expect."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.special import chdtri

from heightnet.arrays import Floats, Ints

LIMIT = 4.0  # of 16,000 normal residuals one is beyond
NORMAL = 1.4826  # standard deviation of a normal law for each unit of the median of absolute values


class Spread(NamedTuple):
    """factor : standard deviation of the measurements over the stated one; NaN where it cannot be estimated.

    dof : degrees of freedom.
    sets : sets of measurements of one thing that it rests on, those left out not among them.
    left_out : sets with a residual of more than `LIMIT` sds.
    alike : most of what is spare is the same to the last digit: copied, or written too coarsely to say anything.
    """

    factor: float
    dof: int
    sets: int
    left_out: int = 0
    alike: bool = False

    def between(self, chance: float) -> tuple[float, float]:
        """The factors between which the true one lies with this chance.

        (n - u) s^2 / sigma^2 follows chi-square with n - u degrees of freedom, so that sigma / s lies between the
        roots of dof over the two quantiles (standard statistics).

        >>> [round(x, 3) for x in Spread(1.0, 10, 10).between(0.95)]
        [0.699, 1.755]
        """
        tails = (1 - chance) / 2, (1 + chance) / 2  # chdtri: what lies above
        low, high = (self.factor * float(np.sqrt(self.dof / chdtri(self.dof, tail))) for tail in tails)
        return low, high


def spread(value: Floats, sd: Floats, thing: Ints, arm: Floats | None = None, by: Ints | None = None) -> Spread:
    """The factor on the standard deviations of measurements, from those of the same thing.

    value = thing + arm * error of by + e, e of standard deviation factor * sd: factor^2 is the weighted sum of squared
    residuals over (measurements - things - errors that can be found).  For pairs this is the mean of d^2 / 2 (variance
    of pairs; standard statistics).  Things with one measurement drop out.  A set with a residual beyond `LIMIT` times
    what their median lets expect, or times the stated sd where that is more, is left out first: few residuals give a
    poor median.  The first residuals are taken from medians of the errors, so that one blunder does not hide itself.

    Parameters
    ----------
    value, sd : (n,) what was measured, in any unit, and its stated standard deviation.
    thing : (n,) numbers; of -1 nothing is unknown but the error.
    arm : (n,) what one error that measurements share does to each; none by default.
    by : (n,) which error that is, numbers.
    """
    value, sd, thing, arm, by = _repeated(value, sd, thing, arm, by)
    if not len(value):
        return Spread(np.nan, 0, 0)
    w = sd**-2.0
    x, a, held = _centred(value, w, thing), _centred(arm, w, thing), _share(w, thing)
    a[np.abs(a) <= 1e-9 * max(float(np.abs(arm).max()), 1e-300)] = 0.0  # rounding
    rough = (x - a * _by_median(x, a, w, thing, by)[by]) / sd / np.sqrt(1 - held)
    limit = LIMIT * max(NORMAL * float(np.median(np.abs(rough))), 1.0)
    off = np.unique(_set_of(thing)[np.abs(rough) > limit])
    keep = ~np.isin(_set_of(thing), off)
    x, a, w, thing, by = x[keep], a[keep], w[keep], thing[keep], by[keep]
    across, through = (np.bincount(by, weights=w * part) for part in (a * x, a * a))
    error = np.divide(across, through, out=np.zeros_like(across), where=through > 0)
    residual = x - a * error[by] if len(x) else x
    sets = len(np.unique(_set_of(thing)))
    dof = len(x) - len(np.unique(thing[thing >= 0])) - int((through > 0).sum())
    alike = bool(len(x)) and bool((np.abs(x) <= 1e-9).mean() > 0.5)
    if dof < 1 or alike:
        return Spread(np.nan, max(dof, 0), sets, len(off), alike)
    return Spread(float(np.sqrt((w * residual**2).sum() / dof)), dof, sets, len(off))


def _repeated(value: Floats, sd: Floats, thing: Ints, arm: Floats | None, by: Ints | None):  # type: ignore[no-untyped-def]
    """What says something of another measurement, and the errors numbered from 0."""
    many = np.bincount(np.maximum(thing, 0), minlength=1)
    keep = (thing < 0) | (many[np.maximum(thing, 0)] > 1)
    arm = np.zeros(len(value)) if arm is None else arm
    by = np.zeros(len(value), dtype=np.int64) if by is None else by
    numbered = np.unique(by[keep], return_inverse=True)[1]
    return value[keep], sd[keep], thing[keep], arm[keep], numbered


def _centred(value: Floats, w: Floats, thing: Ints) -> Floats:
    """Less the weighted mean of each thing."""
    at = np.maximum(thing, 0)
    total, mean = np.bincount(at, weights=w), np.bincount(at, weights=w * value)
    return np.where(thing >= 0, value - (mean / np.where(total > 0, total, 1.0))[at], value)


def _share(w: Floats, thing: Ints) -> Floats:
    """The part of each measurement in the mean of its thing."""
    at = np.maximum(thing, 0)
    return np.where(thing >= 0, w / np.bincount(at, weights=w)[at], 0.0)


def _set_of(thing: Ints) -> Ints:
    """Things by number; a measurement of none is a set by itself."""
    return np.where(thing >= 0, thing, -1 - np.arange(len(thing)))


def _by_median(x: Floats, a: Floats, w: Floats, thing: Ints, by: Ints) -> Floats:
    """Each error as the median of what the sets say of it one by one."""
    sets, at = np.unique(_set_of(thing), return_inverse=True)
    through = np.bincount(at, weights=w * a * a)
    own = np.bincount(at, weights=w * a * x) / np.where(through > 0, through, 1.0)
    of = np.zeros(len(sets), dtype=np.int64)
    of[at] = by
    return np.array([
        float(np.median(own[(of == one) & (through > 0)])) if ((of == one) & (through > 0)).any() else 0.0
        for one in range(int(by.max()) + 1)
    ])  # fmt: skip
