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
    W : (m, n) csr_array, rows divided by their standard deviations.
    """

    def __init__(self, W: sp.csr_array):
        dense = W.toarray()
        m, n = dense.shape
        self.scale = np.sqrt(np.einsum("ij,ij->j", dense, dense))
        dense /= self.scale
        if m < n:
            raise NotDetermined(undetermined(W @ sp.diags_array(1 / self.scale)))
        self.Q, self.R = qr(dense, mode="economic", overwrite_a=True, check_finite=False)
        pivots = np.abs(np.diag(self.R))
        if n and pivots.min() < 1e-10:
            raise NotDetermined(undetermined(W @ sp.diags_array(1 / self.scale)))
        self.R_inverse = solve_triangular(self.R, np.eye(n), check_finite=False)
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
