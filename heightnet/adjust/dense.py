"""Small networks: one dense QR factorisation."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
from scipy.linalg import qr, solve_triangular

from heightnet.adjust.defects import undetermined
from heightnet.adjust.errors import NotDetermined


class DenseFactor:
    """W = Q R D of a whitened design matrix, D the norms of its columns.

    Parameters
    ----------
    A : (m, n) csr_array.
    sd : (m,) standard deviations of its rows; ``W = A / sd``.
    """

    def __init__(self, A: sp.csr_array, sd: np.ndarray):
        W = A.toarray() / sd[:, None]
        m, n = W.shape
        self.scale = np.sqrt(np.einsum("ij,ij->j", W, W))
        W /= self.scale
        if m < n:
            raise NotDetermined(undetermined(A, sd))
        self.Q, self.R = qr(W, mode="economic", overwrite_a=True, check_finite=False)
        pivots = np.abs(np.diag(self.R))
        if pivots.min(initial=1.0) < 1e-10:
            raise NotDetermined(undetermined(A, sd))
        eye = np.eye(n)  # scipy before 1.14 refuses to solve for no unknowns at all
        self.R_inverse = solve_triangular(self.R, eye, check_finite=False) if n else eye
        self.leverage = np.einsum("ij,ij->i", self.Q, self.Q)
        self.cofactor = np.einsum("ij,ij->i", self.R_inverse, self.R_inverse) / self.scale**2
        self.log_det = 2.0 * float(np.log(pivots).sum() + np.log(self.scale).sum())

    def least_squares(self, z: np.ndarray) -> np.ndarray:
        """The x (n,) that minimises |z - W x|."""
        return (self.R_inverse @ (self.Q.T @ z)) / self.scale

    def solve(self, B: np.ndarray) -> np.ndarray:
        """(W'W)^-1 B of a dense (n, h)."""
        return (self.R_inverse @ (self.R_inverse.T @ (B / self.scale[:, None]))) / self.scale[:, None]

    def left_over(self, C: sp.csc_array) -> np.ndarray:
        """G = C'(I - W (W'W)^-1 W')C of a whitened C (m, h)."""
        dense = C.toarray()
        rest = dense - self.Q @ (self.Q.T @ dense)
        return rest.T @ rest

    def left_over_diagonal(self, C: sp.csc_array) -> np.ndarray:
        """The diagonal of `left_over`."""
        dense = C.toarray()
        rest = dense - self.Q @ (self.Q.T @ dense)
        return np.einsum("ij,ij->j", rest, rest)
