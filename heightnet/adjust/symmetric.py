"""Sparse symmetric matrices as a diagonal and an upper triangle, and sums over the pairs in the rows of a matrix."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp


@dataclass(frozen=True)
class Symmetric:
    """A symmetric matrix: its diagonal (n,), and what stands above it as csr with rising columns.

    ``upper`` may hold zeros: they belong to the pattern.
    """

    diagonal: np.ndarray
    upper: sp.csr_array

    @classmethod
    def from_pairs(cls, diagonal: np.ndarray, a: np.ndarray, b: np.ndarray, value: np.ndarray) -> Symmetric:
        """Pairs of different nodes may come in any order and repeatedly; their values are summed."""
        n = len(diagonal)
        upper = sp.coo_array((value, (np.minimum(a, b), np.maximum(a, b))), shape=(n, n)).tocsr()
        upper.sum_duplicates()
        return cls(diagonal, upper)

    @classmethod
    def gram(cls, W: sp.csr_array, pattern: sp.csr_array | None = None) -> Symmetric:
        """W'W, on a pattern with room for the pairs in the rows of ``pattern`` too.

        Products that cancel stay in the pattern as zeros, which a sparse product does not promise.
        """
        a, b, value = [], [], []
        for _, i, j, product in row_pairs(W):
            a.append(i.ravel())
            b.append(j.ravel())
            value.append(product.ravel())
        if pattern is not None:
            for _, i, j, _ in row_pairs(pattern):
                a.append(i.ravel())
                b.append(j.ravel())
                value.append(np.zeros(i.size))
        diagonal = np.bincount(W.indices, weights=W.data**2, minlength=W.shape[1])
        if not a:
            n = W.shape[1]
            return cls(diagonal, sp.csr_array((n, n)))
        return cls.from_pairs(diagonal, np.concatenate(a), np.concatenate(b), np.concatenate(value))

    def rows(self) -> np.ndarray:
        """The row of every stored entry of ``upper``."""
        n = len(self.diagonal)
        return np.repeat(np.arange(n, dtype=self.upper.indices.dtype), np.diff(self.upper.indptr))

    def at(self, a: np.ndarray, b: np.ndarray) -> np.ndarray:
        """Values at pairs of different nodes (any shape), 0 where the pattern has none."""
        low, high = np.minimum(a, b).ravel(), np.maximum(a, b).ravel()
        return np.asarray(self.upper[low, high]).reshape(np.shape(a)) if low.size else np.zeros(np.shape(a))

    def full(self) -> sp.csc_array:
        return (self.upper + self.upper.T + sp.diags_array(self.diagonal)).tocsc()

    def like(self, diagonal: np.ndarray, value: np.ndarray) -> Symmetric:
        """Another matrix on this one's pattern."""
        upper = self.upper
        return Symmetric(diagonal, sp.csr_array((value, upper.indices, upper.indptr), shape=upper.shape))

    def quadratic(self, rows: sp.csr_array) -> np.ndarray:
        """``c' S c`` (h,) of every row c of a sparse matrix (h, n) whose pairs lie in the pattern."""
        owner = np.repeat(np.arange(rows.shape[0]), np.diff(rows.indptr))
        out = np.bincount(owner, weights=rows.data**2 * self.diagonal[rows.indices], minlength=rows.shape[0])
        for row, a, b, product in row_pairs(rows):
            out[row] += 2.0 * np.einsum("ck,ck->c", product, self.at(a, b))
        return out

    def covers(self, rows: sp.csr_array) -> np.ndarray:
        """Whether all pairs of each row (h,) lie in the pattern."""
        marked = self.like(self.diagonal, np.ones(self.upper.nnz))
        out = np.ones(rows.shape[0], bool)
        for row, a, b, _ in row_pairs(rows):
            out[row] = marked.at(a, b).all(axis=1)
        return out


def row_pairs(W: sp.csr_array) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]]:
    """All pairs of entries within each row, rows of equal length together.

    Yields rows (c,), columns a and b (c, pairs), products of the two entries (c, pairs).
    """
    count = np.diff(W.indptr)
    for k in np.unique(count[count > 1]):
        row = np.flatnonzero(count == k)
        p, q = np.triu_indices(k, 1)
        at = W.indptr[row][:, None]
        yield row, W.indices[at + p], W.indices[at + q], W.data[at + p] * W.data[at + q]
