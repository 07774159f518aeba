"""Everything that a job's observations say of one another: combinations that no unknown can move."""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import spsolve

from heightnet.adjust.graph import fundamental_loops
from heightnet.kinds.kind import DATUM
from heightnet.network.model import Network


def misclosures(net: Network) -> sparse.csr_matrix:
    """(r, m) rows b with b'A = 0, as many as the redundancy: one for each loop of the network.

    A loop walks observations that tie two places, so that every height cancels; refraction, index errors and errors of
    separations in it are taken off by what is known of them beforehand, W: with A = [A_h A_n; 0 W] and loops L A_h = 0
    the rows are [L, -L A_n W^-1].
    """
    edges = net.edge_count
    merged = np.arange(len(net.nodes))
    merged[net.held] = DATUM
    tail, head = merged[net.tail[:edges]], merged[net.head[:edges]]
    loops = fundamental_loops(tail, head, len(merged))
    walks = [loops.edges(k) for k in range(len(loops.length))]
    row = np.repeat(np.arange(len(walks)), [len(walked) for walked, _ in walks])
    none = np.zeros(0, dtype=np.int64)
    at = np.concatenate([none, *(walked for walked, _ in walks)])
    sign = np.concatenate([none, *(signs for _, signs in walks)]).astype(float)
    L = sparse.csr_matrix((sign, (row, at)), shape=(len(walks), edges))
    if edges == len(net.y):
        return L
    if not walks:
        return sparse.csr_matrix((0, len(net.y)))
    A_n, W = net.A[:edges, net.heights :], net.A[edges:, net.heights :]
    through = spsolve(W.T.tocsc(), (L @ A_n).T.tocsc()).reshape(W.shape[0], len(walks))
    return sparse.hstack([L, -sparse.csr_matrix(through).T], format="csr")
