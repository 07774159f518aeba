"""Weighted least squares of sparse rows, with the reliability of every observation."""

from __future__ import annotations

from typing import Any

import numpy as np
import scipy.sparse as sp

from heightnet.adjust.defects import require_datum, ties
from heightnet.adjust.dense import DenseFactor
from heightnet.adjust.errors import SelfCheckFailed
from heightnet.adjust.sparse import SparseFactor

DENSE_UP_TO = 200
"""Unknowns up to which a dense QR factorisation is used; beyond it the sparse one is faster."""

DENSE_NUMBERS = 1_000_000
"""Entries up to which the design matrix is made dense for that, whatever the number of unknowns."""


class Fit:
    """What `adjust` found.

    Attributes
    ----------
    x : (n,) estimates.
    sd_x : (n,) their standard deviations, from the standard deviations of the observations as given.
    v : (m,) residuals ``y - A x``.
    r : (m,) redundancy numbers in [0, 1]; they sum to ``dof``.
    chi2 : ``v'Pv``, P the weights ``1 / sd**2``.
    dof : ``m - n``.
    variance_factor : ``chi2 / dof``, nan where ``dof`` is 0.
    log_det : natural logarithm of the determinant of ``A'PA``.
    """

    def __init__(self, A: sp.csr_array, y: np.ndarray, sd: np.ndarray, factor: DenseFactor | SparseFactor):
        m, n = A.shape
        self._A, self._sd, self._factor = A, sd, factor
        self.x: np.ndarray = factor.least_squares(y / sd)
        self.sd_x: np.ndarray = np.sqrt(factor.cofactor)
        self.v: np.ndarray = y - A @ self.x
        self.dof: int = m - n
        self.chi2 = float(np.sum((self.v / sd) ** 2))
        self.variance_factor = self.chi2 / self.dof if self.dof else float("nan")
        self.log_det: float = factor.log_det
        r = 1.0 - factor.leverage
        if not abs(r.sum() - self.dof) <= 1e-8 * (1 + m):
            raise SelfCheckFailed(
                f"The redundancy numbers sum to {r.sum():.9g}; observations less unknowns are {self.dof}. "
                "This is a fault of the program: please report it with the job."
            )
        self.r: np.ndarray = np.clip(r, 0.0, 1.0)

    def __repr__(self) -> str:
        size = f"{len(self.v)} observations, {len(self.x)} unknowns"
        return f"<Fit of {size}, variance factor {self.variance_factor:.3g}>"

    def solve(self, B: Any) -> np.ndarray:
        """``(A'PA)^-1 B`` of a dense or sparse B, (n,) or (n, h); dense, of the same shape."""
        dense = B.toarray() if sp.issparse(B) else np.asarray(B, dtype=float)
        X = self._factor.solve(dense if dense.ndim == 2 else dense[:, None])
        return X.reshape(dense.shape)

    def residuals_without(self, change: np.ndarray, v: np.ndarray | None = None) -> np.ndarray:
        """Residuals (m,) once ``change`` (m,) is taken out of the observations and all is adjusted again.

        Adjusting is linear, so residuals ``v`` already freed of something else (by default the fit's) may be given.
        """
        unknowns = self.solve(self._A.T @ (change / self._sd**2))
        return (self.v if v is None else v) - change + self._A @ unknowns

    def reduce(self, C: Any) -> tuple[np.ndarray, np.ndarray]:
        """The unknowns eliminated from hypotheses: u (h,) and G (h, h) of the columns of C (m, h).

        With ``y = A x + C b + e``: ``u = C'Pv``, ``G = C'PC - B'(A'PA)^-1 B``, ``B = A'PC``.  Then
        ``u ~ N(G b, G)``, and every test and estimate of b is a function of u and G.
        """
        whitened = self._whiten(C)
        return whitened.T @ (self.v / self._sd), self._factor.left_over(whitened)

    def reduce_diagonal(self, C: Any) -> tuple[np.ndarray, np.ndarray]:
        """u (h,) and the diagonal (h,) of G as `reduce` gives them, without ever holding G."""
        whitened = self._whiten(C)
        diagonal = self._factor.left_over_diagonal(whitened)
        return whitened.T @ (self.v / self._sd), np.maximum(diagonal, 0.0)

    def _whiten(self, C: Any) -> sp.csc_array:
        C = sp.csr_array(C)
        if C.shape[0] != len(self.v):
            raise ValueError(f"C has {C.shape[0]} rows, the adjustment has {len(self.v)} observations")
        return (sp.diags_array(1 / self._sd) @ C).tocsc()


def adjust(A: Any, y: Any, sd: Any) -> Fit:
    """Minimise ``sum(((y - A x) / sd)**2)``.

    Parameters
    ----------
    A : (m, n) sparse matrix, few entries a row but for some columns that may touch every row.
    y : (m,) observations, as corrections to approximate values: what is common to all of them costs digits.
    sd : (m,) standard deviations of the observations, all positive.

    Raises
    ------
    NotDetermined : naming the columns that the rows do not determine.

    Examples
    --------
    A rise measured twice from a mark known to be at 5 (first row); the two rises share the one redundancy in
    proportion to their variances:

    >>> A = [[1, 0], [-1, 1], [-1, 1]]
    >>> fit = adjust(A, [5.0, 1.000, 1.003], [0.001, 0.001, 0.002])
    >>> print(fit.x.round(4), fit.r.round(2), fit.dof)
    [5.     6.0006] [0.  0.2 0.8] 1
    """
    A = sp.csr_array(A, dtype=float)
    if not A.has_canonical_format:
        A = A.copy()
        A.sum_duplicates()
    if A.nnz < 2**31:  # half the memory traffic
        A = sp.csr_array((A.data, A.indices.astype(np.int32), A.indptr.astype(np.int32)), shape=A.shape)
    y, sd = np.asarray(y, dtype=float), np.asarray(sd, dtype=float)
    if y.shape != A.shape[:1] or sd.shape != y.shape:
        raise ValueError(f"A is {A.shape}, y {y.shape}, sd {sd.shape}: the numbers of rows differ")
    if not (np.isfinite(A.data).all() and np.isfinite(y).all() and (sd > 0).all() and np.isfinite(sd).all()):
        raise ValueError("A and y must be finite, sd finite and positive")
    tied = ties(A)
    require_datum(A, tied)
    m, n = A.shape
    small = n == 0 or (n <= DENSE_UP_TO and m * n <= DENSE_NUMBERS)
    return Fit(A, y, sd, DenseFactor(A, sd) if small else SparseFactor(A, sd, tied))
