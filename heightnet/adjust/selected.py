"""Entries of the inverse of a sparse symmetric matrix, on the pattern of its triangular factor.

With ``N = L D L'`` the inverse Z obeys ``Z L = L'^-1 D^-1`` (Takahashi, Fagan & Chin 1973, from memory), so that its
entries on the pattern of L follow from one another, last column first.  Columns of L with one pattern are a
supernode, and supernodes form a tree: all that one needs of Z stands in the front (own columns and rows below them)
of its parent.  So the tree is walked level by level from its roots, and the supernodes of one level and one shape
are done together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import splu

from heightnet.adjust.graph import sum_to_root
from heightnet.adjust.symmetric import Symmetric

SPLU: dict[str, Any] = {
    "permc_spec": "MMD_AT_PLUS_A",
    "diag_pivot_thresh": 0.0,
    "options": {"SymmetricMode": True},
}
"""Symmetric mode: pivots stay on the diagonal and the ordering is made for ``N + N'``."""

BATCH = 1 << 18  # numbers in the fronts gathered at once, so that they stay in the processor's cache
SIZES = np.array([0, 1, 2, 4, 8, 12, 16, 24, 32, 40, 48, 64, *range(80, 100_000, 16)])
"""Fronts are padded up to few different sizes, so that more supernodes share a shape."""


def selected_inverse(lu: Any, pattern: Symmetric) -> Symmetric:
    """The inverse of the matrix that ``lu`` factorised (as `SPLU` says), on the pattern of that matrix."""
    L, D = lu.L, lu.U.diagonal()
    L.sort_indices()
    order = lu.perm_c
    a, b = order[pattern.rows()], order[pattern.upper.indices]
    a, b = np.minimum(a, b), np.maximum(a, b)
    tree = Supernodes.of(L)
    if tree is None or not tree.find(tree.of_column[a], b)[1].all():
        L = _closed(L, a, b)
        tree = Supernodes.of(L)
        if tree is None:
            raise AssertionError("the pattern of a factor without cancellation is closed")
    inverse = _Walk(tree, L.indptr, L.data, D)
    return pattern.like(inverse.at(order, order), inverse.at(a, b))


@dataclass(frozen=True)
class Supernodes:
    """The supernodes of L (csc, sorted): columns ``first .. first + width`` and ``depth`` rows below them.

    ``row`` holds the rows below of one supernode after the other, each from ``start`` on, and ``place`` where each
    stands in the front of the supernode's ``parent``: among its columns, or beyond its width among its rows.
    """

    first: np.ndarray
    width: np.ndarray
    depth: np.ndarray
    start: np.ndarray
    row: np.ndarray
    place: np.ndarray
    parent: np.ndarray
    of_column: np.ndarray

    @classmethod
    def of(cls, L: sp.csc_array) -> Supernodes | None:
        """None if the pattern of L is not closed: an entry cancelled exactly and was left out."""
        n = L.shape[0]
        count = np.diff(L.indptr)
        below = L.indices[np.minimum(L.indptr[:-1] + 1, L.nnz - 1)]
        head = np.ones(n, bool)
        head[1:] = (count[:-1] != count[1:] + 1) | (below[:-1] != np.arange(1, n))
        first = np.flatnonzero(head)
        width = np.diff(np.append(first, n))
        last = first + width - 1
        depth = count[last] - 1
        start = np.cumsum(depth) - depth
        owner = np.repeat(np.arange(len(first)), depth)
        row = L.indices[np.arange(len(owner)) - start[owner] + L.indptr[last[owner]] + 1]
        of_column = np.cumsum(head) - 1
        parent = np.full(len(first), -1)
        parent[depth > 0] = of_column[row[start[depth > 0]]]
        tree = cls(first, width, depth, start, row, np.empty(0, np.int64), parent, of_column)
        place, found = tree.find(parent[owner], row)
        return cls(first, width, depth, start, row, place, parent, of_column) if found.all() else None

    def find(self, supernode: np.ndarray, row: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Place of each row in the front of a supernode, and whether it stands there at all."""
        n = len(self.of_column)
        place = row.astype(np.int64) - self.first[supernode]
        out = np.flatnonzero(place >= self.width[supernode])
        if len(out) == 0:
            return place, np.ones(len(place), bool)
        key = np.repeat(np.arange(len(self.first)) * n, self.depth) + self.row
        wanted = supernode[out] * n + row[out]
        spot = np.minimum(np.searchsorted(key, wanted), len(key) - 1)
        place[out] = self.width[supernode[out]] + spot - self.start[supernode[out]]
        found = np.ones(len(place), bool)
        found[out] = key[spot] == wanted
        return place, found

    def level(self) -> np.ndarray:
        """Generations between each supernode and its root."""
        alone = self.parent < 0
        return sum_to_root(np.ones(len(alone), np.int64), np.where(alone, np.arange(len(alone)), self.parent))


def _closed(L: sp.csc_array, column: np.ndarray, row: np.ndarray) -> sp.csc_array:
    """L on the pattern of a factor in which nothing cancels and the given entries are present.

    The exported L leaves out whatever is exactly zero; here it comes back as zeros.
    """
    n = L.shape[0]
    row = np.concatenate([L.indices, row])
    column = np.concatenate([np.repeat(np.arange(n), np.diff(L.indptr)), column])
    row, column = np.concatenate([row, column]), np.concatenate([column, row])
    lower = sp.coo_array((-np.ones(len(row)), (row, column)), shape=(n, n)).tocsc()
    dominant = lower + sp.diags_array(np.bincount(column, minlength=n) * 3.0)
    whole = splu(dominant.tocsc(), **(SPLU | {"permc_spec": "NATURAL"})).L
    whole.sort_indices()
    column = np.repeat(np.arange(n), np.diff(whole.indptr))
    data = np.asarray(L[whole.indices, column]).ravel()
    return sp.csc_array((data, whole.indices, whole.indptr), shape=L.shape)


class _Walk:
    """The walk down the tree: Z on the columns of every supernode, kept as strips (front by own columns)."""

    def __init__(self, tree: Supernodes, indptr: np.ndarray, data: np.ndarray, D: np.ndarray):
        self.tree, self.indptr, self.data, self.D = tree, indptr, data, D
        self.wide, self.deep = (SIZES[np.searchsorted(SIZES, size)] for size in (tree.width, tree.depth))
        owner = np.repeat(tree.parent, tree.depth)
        self.place = tree.place + np.where(tree.place >= tree.width[owner], self.wide[owner] - tree.width[owner], 0)
        front = self.wide + self.deep
        leaf = np.ones(len(front), bool)
        leaf[tree.parent[tree.parent >= 0]] = False
        level = tree.level()
        order = np.lexsort((leaf, self.deep, self.wide, level))
        size = (front * self.wide)[order]
        self.strip_at = np.empty(len(front), np.int64)
        self.strip_at[order] = np.cumsum(size) - size
        self.strips = np.empty(size.sum())
        self.front_at = np.zeros(len(front), np.int64)  # in the fronts of its level
        room = np.bincount(level, weights=np.where(leaf, 0, front**2)).astype(np.int64)
        shape = np.stack([level, self.wide, self.deep, leaf])[:, order]
        cuts = np.flatnonzero((np.diff(shape, axis=1) != 0).any(axis=0)) + 1
        even, odd = np.empty(room[::2].max()), np.empty(room[1::2].max(initial=0))  # levels take turns
        above, fronts, filled, current = odd, even, 0, 0
        for group in np.split(order, cuts):
            if level[group[0]] != current:
                current = level[group[0]]
                above, fronts, filled = fronts, above, 0
            f = int(front[group[0]])
            step = max(1, BATCH // f**2)
            for begin in range(0, len(group), step):
                s = group[begin : begin + step]
                Z11, Z21, Z22 = self._down(s, above)
                w = Z11.shape[1]
                strip = self.strips[self.strip_at[s[0]] :][: len(s) * f * w].reshape(len(s), f, w)
                strip[:, :w], strip[:, w:] = Z11, Z21
                if not leaf[s[0]]:
                    whole = fronts[filled : filled + len(s) * f * f].reshape(len(s), f, f)
                    whole[:, :, :w] = strip
                    whole[:, :w, w:] = Z21.transpose(0, 2, 1)
                    whole[:, w:, w:] = Z22
                    self.front_at[s] = filled + np.arange(len(s)) * f * f
                    filled += len(s) * f * f

    def at(self, column: np.ndarray, row: np.ndarray) -> np.ndarray:
        """Z at row >= column, both counted in the order of elimination, on the pattern of L."""
        tree = self.tree
        s = tree.of_column[column]
        place, _ = tree.find(s, row)
        place += np.where(place >= tree.width[s], self.wide[s] - tree.width[s], 0)
        return self.strips[self.strip_at[s] + place * self.wide[s] + (column - tree.first[s])]

    def _down(self, s: np.ndarray, above: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Z11 (own columns), Z21 (rows below by own columns), Z22 of supernodes s of one padded shape.

        ``Z21 = -Z22 Y`` and ``Z11 = (L11 D L11')^-1 - Y' Z21`` with ``Y = L21 L11^-1``; Z22 stands in ``above``, the
        fronts of the level before.  Padding is a unit pivot with nothing below it, and rows of zeros.
        """
        tree, w, r = self.tree, int(self.wide[s[0]]), int(self.deep[s[0]])
        column, below = np.arange(w), np.arange(r)
        first, width = tree.first[s][:, None], tree.width[s][:, None]
        own = column < width
        begin = np.where(own, self.indptr[np.where(own, first + column, 0)], 0)
        D = np.where(own, self.D[np.where(own, first + column, 0)], 1.0)
        if w > 1:
            real = (column[:, None] > column) & own[:, :, None]
            L11 = np.eye(w) + self._entries(begin[:, None, :] + (column[:, None] - column), real)
            inverse = np.linalg.inv(L11)
            Z11 = (inverse.transpose(0, 2, 1) / D[:, None, :]) @ inverse
        else:
            Z11 = 1.0 / D[:, :, None]
        if r == 0:
            return Z11, np.empty((len(s), 0, w)), np.empty((len(s), 0, 0))
        present = below < tree.depth[s][:, None]
        entry = (begin + width - column)[:, None, :] + below[:, None]
        Y = self._entries(entry, present[:, :, None] & own[:, None, :])
        if w > 1:
            Y = Y @ inverse
        spot = np.where(present, self.place[np.where(present, tree.start[s][:, None] + below, 0)], 0)
        parent = tree.parent[s]
        line = self.front_at[parent][:, None] + spot * (self.wide + self.deep)[parent][:, None]
        Z22 = above[line[:, :, None] + spot[:, None, :]]
        Z21 = -(Z22 @ Y)
        return Z11 - Y.transpose(0, 2, 1) @ Z21, Z21, Z22

    def _entries(self, entry: np.ndarray, real: np.ndarray) -> np.ndarray:
        return np.where(real, self.data[np.where(real, entry, 0)], 0.0)
