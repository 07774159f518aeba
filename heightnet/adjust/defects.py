"""Unknowns that no observation determines, found before and after a factorisation fails."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from heightnet.adjust.errors import NotDetermined


def ties(A: sp.csr_array) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Rows with two exactly opposite entries, differences of two unknowns: row, both columns, size of the entry."""
    m = A.shape[0]
    count = np.diff(A.indptr)
    row_of = np.repeat(np.arange(m), count)
    row, i, j, size = [np.empty(0, int)], [np.empty(0, int)], [np.empty(0, int)], [np.empty(0)]
    for k in range(1, min(8, int(count.max(initial=0)))):  # an entry and the k-th after it in its row
        paired = np.flatnonzero((row_of[k:] == row_of[:-k]) & (A.data[k:] == -A.data[:-k]) & (A.data[k:] != 0))
        row.append(row_of[paired])
        i.append(A.indices[paired])
        j.append(A.indices[paired + k])
        size.append(np.abs(A.data[paired]))
    return np.concatenate(row), np.concatenate(i), np.concatenate(j), np.concatenate(size)


def require_datum(A: sp.csr_array) -> None:
    """Raise `NotDetermined` where a column is zero or a piece of the network hangs on nothing.

    The columns that rows tie together can move as one if every row sums to zero over them.  That is tested with the
    rows themselves, so whatever this reports is a true defect whatever else the matrix holds.  Other defects are left
    to the factorisation.

    >>> import scipy.sparse as sp
    >>> require_datum(sp.csr_array([[1.0, 0.0, 0.0], [0.0, 1.0, -1.0], [1.0, 0.0, 0.0]]))
    Traceback (most recent call last):
    ...
    heightnet.adjust.errors.NotDetermined: The observations do not determine 2 unknowns (columns 1, 2).
    """
    n = A.shape[1]
    if n == 0:
        return
    _, i, j, _ = ties(A)
    graph = sp.coo_array((np.ones(len(i), np.int8), (i, j)), shape=(n, n)).tocsr()
    pieces, piece = connected_components(graph, directed=False)
    sums = A @ sp.csr_array((np.ones(n), piece, np.arange(n + 1)), shape=(n, pieces))
    held = np.zeros(pieces, bool)
    held[sums.indices[sums.data != 0.0]] = True
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
