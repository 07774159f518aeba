"""Unknowns that no observation determines, found before and after a factorisation fails."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from heightnet.adjust.errors import NotDetermined


def require_datum(A: sp.csr_array) -> None:
    """Raise `NotDetermined` where a column is zero or a piece of the network hangs on nothing.

    Two entries of a row that are exactly opposite tie their columns together.  The columns tied together can
    move as one if every row sums to zero over them; that is tested with the rows themselves, so whatever this
    reports is a true defect whatever else the matrix holds.  Other defects are left to the factorisation.

    >>> import scipy.sparse as sp
    >>> A = sp.csr_array([[1.0, 0.0, 0.0], [0.0, 1.0, -1.0], [1.0, 0.0, 0.0]])
    >>> require_datum(A)
    Traceback (most recent call last):
    ...
    heightnet.adjust.errors.NotDetermined: The observations do not determine 2 unknowns (columns 1, 2).
    """
    m, n = A.shape
    if n == 0:
        return
    count = np.diff(A.indptr)
    ends_i, ends_j = [], []
    for k in range(1, min(8, int(count.max(initial=0)))):  # an entry and the k-th entry after it in the same row
        first = np.arange(len(A.data) - k)
        row_of = np.repeat(np.arange(m), count)
        paired = (row_of[first] == row_of[first + k]) & (A.data[first] == -A.data[first + k])
        ends_i.append(A.indices[first[paired]])
        ends_j.append(A.indices[first[paired] + k])
    i = np.concatenate(ends_i) if ends_i else np.empty(0, int)
    j = np.concatenate(ends_j) if ends_j else np.empty(0, int)
    ties = sp.coo_array((np.ones(len(i)), (i, j)), shape=(n, n))
    pieces, piece = connected_components(ties, directed=False)
    sums = A @ sp.csr_array((np.ones(n), (np.arange(n), piece)), shape=(n, pieces))
    touched = np.zeros(pieces, bool)
    touched[sums.indices[sums.data != 0.0]] = True
    if not touched.all():
        raise NotDetermined(np.flatnonzero(~touched[piece]))


def undetermined(W: sp.csr_array) -> np.ndarray:
    """Columns that take part in the null space of W (columns of unit norm), by inverse iteration.

    Only called once a factorisation has met a vanishing pivot.
    """
    n = W.shape[1]
    shifted = (W.T @ W + 1e-13 * sp.eye_array(n)).tocsc()
    lu = splu(shifted, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
    z = np.random.default_rng(1).standard_normal(n)
    for _ in range(4):
        z = lu.solve(z / np.abs(z).max())
    return np.flatnonzero(np.abs(z) > 1e-4 * np.abs(z).max())
