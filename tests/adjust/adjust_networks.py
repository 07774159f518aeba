"""Networks of differences for the tests of `heightnet.adjust`: numbers only, no surveying."""

from __future__ import annotations

import numpy as np
import scipy.linalg
import scipy.sparse as sp

from heightnet.adjust import graph


def difference_network(
    rng: np.random.Generator,
    i: np.ndarray,
    j: np.ndarray,
    nodes: int,
    sd: np.ndarray,
    wide: int = 0,
    local: int = 0,
):
    """Rows ``x_j - x_i``, a weighted datum for one node of each piece, and nuisance columns with a prior row each.

    ``wide`` nuisances touch every difference; of the ``local`` ones each touches the differences of one session.
    Returns A (m, n) csr, y (m,), sd (m,); the columns are the nodes, then the wide and the local nuisances.
    """
    edges = len(i)
    row = np.arange(edges)
    _, first = np.unique(graph.components(i, j, nodes), return_index=True)
    difference = sp.coo_array((np.r_[-np.ones(edges), np.ones(edges)], (np.r_[row, row], np.r_[i, j])), (edges, nodes))
    datum = sp.coo_array((np.ones(len(first)), (np.arange(len(first)), first)), (len(first), nodes))
    effect = np.zeros((edges, wide + local))
    effect[:, :wide] = 5e-3 * rng.normal(size=(edges, wide)) ** 2
    if local:
        session = row * local // max(edges, 1)
        effect[row, wide + session] = 5e-3 * rng.normal(size=edges) ** 2
    prior = sp.eye_array(wide + local)
    A = sp.block_array([[difference, sp.csr_array(effect)], [datum, None], [None, prior]]) if wide + local else None
    A = sp.vstack([difference, datum]) if A is None else A
    sd = np.concatenate([sd, np.full(len(first), 1e-3), np.full(wide + local, 0.05)])
    return A.tocsr(), rng.normal(size=len(sd)) * sd, sd


def by_qr(A: sp.csr_array, y: np.ndarray, sd: np.ndarray) -> dict[str, np.ndarray]:
    """The same adjustment by scipy's dense QR of the whitened, column-scaled matrix."""
    W = A.toarray() / sd[:, None]
    scale = np.linalg.norm(W, axis=0)
    Q, R = scipy.linalg.qr(W / scale, mode="economic")
    inverse = scipy.linalg.solve_triangular(R, np.eye(len(scale))) / scale[:, None]
    x = inverse @ (Q.T @ (y / sd))
    return {
        "x": x,
        "sd_x": np.linalg.norm(inverse, axis=1),
        "r": 1.0 - np.sum(Q**2, axis=1),
        "log_det": 2.0 * (np.log(np.abs(np.diag(R))).sum() + np.log(scale).sum()),
        "Q": Q,
    }
