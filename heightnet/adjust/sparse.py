"""Large networks: one sparse factorisation of the normal matrix."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import splu

from heightnet.adjust.defects import undetermined
from heightnet.adjust.errors import NotDetermined

BLOCK = 64


class SparseFactor:
    """Factor of W'W for a whitened design matrix W (m, n)."""

    def __init__(self, W: sp.csr_array):
        self.scale = np.sqrt(np.asarray(W.multiply(W).sum(axis=0)).ravel())
        self.W = (W @ sp.diags_array(1 / self.scale)).tocsr()
        normal = (self.W.T @ self.W).tocsc()
        try:
            self.lu = splu(normal, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
        except RuntimeError:
            raise NotDetermined(undetermined(self.W)) from None
        pivots = self.lu.U.diagonal()
        if pivots.min() < 1e-13:
            raise NotDetermined(undetermined(self.W))
        self.log_det = float(np.log(pivots).sum() + 2 * np.log(self.scale).sum())
        m, n = W.shape
        self.cofactor = np.empty(n)
        self.leverage = np.zeros(m)
        for start in range(0, n, BLOCK):
            stop = min(start + BLOCK, n)
            unit = np.zeros((n, stop - start))
            unit[np.arange(start, stop), np.arange(stop - start)] = 1.0
            Z = self.lu.solve(unit)
            self.cofactor[start:stop] = Z[np.arange(start, stop), np.arange(stop - start)]
            self.leverage += np.einsum("ij,ij->i", self.W @ Z, self.W[:, start:stop].toarray())
        self.cofactor /= self.scale**2

    def least_squares(self, z: np.ndarray) -> np.ndarray:
        """The x (n,) that minimises |z - W x|, with one step of refinement."""
        x = self.lu.solve(self.W.T @ z)
        x += self.lu.solve(self.W.T @ (z - self.W @ x))
        return x / self.scale

    def solve(self, B: np.ndarray) -> np.ndarray:
        """(W'W)^-1 B of a dense (n, h)."""
        return self.lu.solve(B / self.scale[:, None]) / self.scale[:, None]

    def left_over(self, C: sp.csc_array) -> np.ndarray:
        """G = C'(I - W (W'W)^-1 W')C of a whitened C (m, h)."""
        B = (self.W.T @ C).tocsc()
        G = (C.T @ C).toarray()
        for start in range(0, C.shape[1], BLOCK):
            block = slice(start, start + BLOCK)
            G[:, block] -= B.T @ self.lu.solve(B[:, block].toarray())
        return (G + G.T) / 2

    def left_over_diagonal(self, C: sp.csc_array) -> np.ndarray:
        """The diagonal of `left_over`."""
        B = (self.W.T @ C).tocsc()
        diagonal = np.asarray(C.multiply(C).sum(axis=0)).ravel()
        for start in range(0, C.shape[1], BLOCK):
            block = B[:, start : start + BLOCK].toarray()
            diagonal[start : start + BLOCK] -= np.einsum("ij,ij->j", block, self.lu.solve(block))
        return diagonal
