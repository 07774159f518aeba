"""A change of unknowns that keeps digits where some differences are known far better than all else around them.

Two unknowns tied with a standard deviation a thousand times smaller than that of the rest have nearly one value: in
their normal equations what is common to both drowns in what separates them.  With the difference as an unknown in place
of the second value, the common part cancels exactly in the tight rows and nothing is lost.
"""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components

from heightnet.adjust.defects import Ties

CONTRAST = 1e2  # of the tightest row within a cluster to all that leave it together (weights)


def contract(A: sp.csr_array, sd: np.ndarray, known: Ties) -> sp.csr_array | None:
    """T (n, n) with ``x = T z``, z the better unknowns; None where x is as good.

    A cluster is what rows of at least some weight tie together.  Where the tightest of them outweighs all rows that
    leave the cluster by more than `CONTRAST`, every value in it but the first becomes the first plus a difference.
    The tightest clusters come first, and later ones are made of their first unknowns.
    """
    n = A.shape[1]
    i, j = known.i, known.j
    weight = (known.size / sd[known.row]) ** 2
    tied = np.zeros(n, bool)
    tied[i], tied[j] = True, True
    lone = np.flatnonzero(np.diff(A.indptr) == 1)  # a row on one such unknown ties it to the datum, node n
    lone = lone[tied[A.indices[A.indptr[lone]]]]
    i, j = np.concatenate([i, A.indices[A.indptr[lone]]]), np.concatenate([j, np.full(len(lone), n)])
    weight = np.concatenate([weight, (A.data[A.indptr[lone]] / sd[lone]) ** 2])
    if len(known.row) == 0:
        return None
    weight = 10.0 ** np.round(np.log10(weight), 9)  # a weight of 1e6 stands on its step, whatever its last digits
    if weight.max() < CONTRAST * weight.min():
        return None
    T = sp.eye_array(n, format="csr")
    top = np.arange(n + 1)  # the first unknown of the outermost cluster of each
    for least in 10.0 ** np.arange(np.floor(np.log10(weight.max())), np.log10(weight.min()), -1.0):
        a, b = top[i], top[j]
        live = np.flatnonzero(a != b)
        a, b, w = a[live], b[live], weight[live]
        strong = w >= least
        graph = sp.coo_array((np.ones(strong.sum(), np.int8), (a[strong], b[strong])), shape=(n + 1, n + 1))
        count, label = connected_components(graph.tocsr(), directed=False)
        within = label[a] == label[b]
        tightest = np.zeros(count)
        np.maximum.at(tightest, label[a[within]], w[within])
        leaving = np.bincount(label[a[~within]], w[~within], count) + np.bincount(label[b[~within]], w[~within], count)
        contrast = tightest > CONTRAST * leaving
        contrast[label[n]] = False  # what hangs on the datum has no common part
        first = np.full(count, n)
        np.minimum.at(first, label, np.arange(n + 1))
        node = np.flatnonzero(contrast[label] & (top == np.arange(n + 1)) & (first[label] != np.arange(n + 1)))
        if len(node):
            to = first[label[node]]
            T = (T @ (sp.eye_array(n) + sp.coo_array((np.ones(len(node)), (node, to)), shape=(n, n)))).tocsr()
            top[node] = to
            top = top[top]
    return T if T.nnz > n else None
