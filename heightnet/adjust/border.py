"""Columns that very many rows touch, taken out of a sparse system and put back as a small dense one."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy.sparse as sp
from scipy.linalg import cholesky, solve_triangular

from heightnet.adjust.errors import Vanished

LEAST = 1e-12  # of a border column's square that the other columns may leave of it
EXACT = 1e-16  # columns of unit norm are orthogonal as far as rounding goes


class Border:
    """Schur complement S of the columns ``outside`` (m, h) beside the sparse columns ``inside`` (m, k).

    ``reach`` = N11^-1 N12 (k, h) is the border as the sparse columns see it; what they leave of it, ``outside - inside
    @ reach``, gives S and the border's share in every leverage.  ``solve`` solves with N11.
    """

    def __init__(self, solve: Callable[[np.ndarray], np.ndarray], inside: sp.csr_array, outside: sp.csr_array):
        m, h = outside.shape
        self.reach, self.half = np.zeros((inside.shape[1], h)), np.zeros((h, h))
        self.leverage, self.log_det = np.zeros(m), 0.0
        if h == 0:
            return
        dense = outside.toarray()
        self.reach = solve(inside.T @ dense)
        rest = dense - inside @ self.reach
        error = inside.T @ rest
        if np.abs(error).max(initial=0.0) > EXACT:  # once more: the border may be nearly a sum of sparse columns
            self.reach += solve(error)
            rest = dense - inside @ self.reach
        S = rest.T @ rest
        norm = np.sqrt(np.diag(S))
        if norm.min() ** 2 < LEAST:
            raise Vanished
        try:
            root = cholesky(S / np.outer(norm, norm))
        except np.linalg.LinAlgError:
            raise Vanished from None
        if np.diag(root).min() ** 2 < LEAST:
            raise Vanished
        self.half = solve_triangular(root, np.eye(h)) / norm[:, None]  # S^-1 = half @ half.T
        self.log_det = 2.0 * float(np.log(np.diag(root)).sum() + np.log(norm).sum())
        share = rest @ self.half
        self.leverage = np.einsum("ij,ij->i", share, share)

    def solve(self, inner: Callable[[np.ndarray], np.ndarray], B: np.ndarray) -> np.ndarray:
        """Both parts (k + h, j) of the solution for right-hand sides B (k + h, j); ``inner`` solves with N11."""
        k = len(self.reach)
        outer = self.half @ (self.half.T @ (B[k:] - self.reach.T @ B[:k]))
        return np.concatenate([inner(B[:k]) - self.reach @ outer, outer])

    def quadratic(self, inner: sp.csr_array, outer: sp.csr_array) -> np.ndarray:
        """What the border adds to ``c' N^-1 c`` for rows c = (inner, outer) of (j, k) and (j, h)."""
        e = (outer.toarray() - inner @ self.reach) @ self.half
        return np.einsum("ij,ij->i", e, e)
