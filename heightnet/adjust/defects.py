"""Unknowns that no observation determines, found before and after a factorisation fails."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from heightnet.adjust.errors import NotDetermined


class Ties(NamedTuple):
    """Rows with two exactly opposite entries: differences of two unknowns ``i`` and ``j``.

    ``first`` and ``last`` are the places of the two in the data of the matrix, ``size`` is their absolute value.
    """

    row: np.ndarray
    i: np.ndarray
    j: np.ndarray
    size: np.ndarray
    first: np.ndarray
    last: np.ndarray


def ties(A: sp.csr_array) -> Ties:
    """The first such pair in each row of a matrix in canonical form, among the row's first eight entries."""
    count = np.diff(A.indptr)
    left = np.flatnonzero(count > 1)
    rows, firsts, lasts = [], [], []
    for q in range(1, min(8, int(count.max(initial=0)))):
        left = left[count[left] > q]
        for p in range(q):
            first, last = A.indptr[left] + p, A.indptr[left] + q
            tied = (A.data[first] == -A.data[last]) & (A.data[first] != 0.0)
            rows.append(left[tied])
            firsts.append(first[tied])
            lasts.append(last[tied])
            left = left[~tied]
    if not rows:
        none = np.empty(0, int)
        return Ties(none, none, none, np.empty(0), none, none)
    first, last = np.concatenate(firsts), np.concatenate(lasts)
    return Ties(np.concatenate(rows), A.indices[first], A.indices[last], np.abs(A.data[first]), first, last)


def require_datum(A: sp.csr_array, tied: Ties) -> None:
    """Raise `NotDetermined` where a column is zero or a piece of the network hangs on nothing.

    Columns that rows tie together move as one unless another entry of some row holds them.  So whatever this reports
    is a true defect whatever else the matrix holds; other defects are left to the factorisation.

    >>> import scipy.sparse as sp
    >>> A = sp.csr_array([[1.0, 0.0, 0.0], [0.0, 1.0, -1.0], [1.0, 0.0, 0.0]])
    >>> require_datum(A, ties(A))
    Traceback (most recent call last):
    ...
    heightnet.adjust.errors.NotDetermined: The observations do not determine 2 unknowns (columns 1, 2).
    """
    n = A.shape[1]
    if n == 0:
        return
    graph = sp.coo_array((np.ones(len(tied.i), np.int8), (tied.i, tied.j)), shape=(n, n)).tocsr()
    pieces, piece = connected_components(graph, directed=False)
    loose = A.data != 0.0
    loose[tied.first] = False
    loose[tied.last] = False
    held = np.zeros(pieces, bool)
    held[piece[A.indices[loose]]] = True
    if not held.all():
        raise NotDetermined(np.flatnonzero(~held[piece]))


def undetermined(A: sp.csr_array, sd: np.ndarray) -> np.ndarray:
    """Columns that take part in the null space of A, by inverse iteration on its scaled normal matrix.

    Only called once a factorisation has met a vanishing pivot.
    """
    n = A.shape[1]
    W = sp.diags_array(1.0 / sd) @ A
    W = W @ sp.diags_array(1.0 / np.sqrt(np.asarray(W.multiply(W).sum(axis=0)).ravel()))
    lu = splu((W.T @ W + 1e-13 * sp.eye_array(n)).tocsc())
    z = np.random.default_rng(1).standard_normal(n)
    for _ in range(4):
        z = lu.solve(z / np.abs(z).max())
    return np.flatnonzero(np.abs(z) > 1e-4 * np.abs(z).max())
