"""What a measurement not yet made would add: the reliability of every hypothesis with it.

A new observation with row a and variance q changes the reduced information by one outer product,

    G_new = G + f f' / (q + a N^-1 a'),  f = B' N^-1 a' - c,  B = A'PC

with c what the hypothesis puts into the observation itself,
so that candidates are compared without adjusting again (matrix inversion lemma).
"""

from __future__ import annotations

import numpy as np
from scipy import sparse

from heightnet.adjust import Fit
from heightnet.arrays import Floats
from heightnet.judge.bench import BenchBase


class Gain:
    """Candidates weighed against a judged job; ``take`` makes one of them part of it.

    Parameters
    ----------
    rows : (p, n) sparse, row a of each candidate.
    variance : (p,) its q, m^2.
    C : (m, w) hypotheses looked at; diagonal : (w,) of their G.
    touched : (p, w) what an error of each puts into a candidate itself: 1 in one more reading to the same wrong point.
    """

    def __init__(
        self,
        bench: BenchBase,
        fit: Fit,
        rows: sparse.csr_matrix,
        variance: Floats,
        C: sparse.csc_matrix,
        diagonal: Floats,
        touched: Floats | float = 0.0,
    ) -> None:
        net = bench.net
        B = (net.A.T @ C.multiply((1 / net.sd**2)[:, None])).tocsr()
        X = fit.solve(rows.T.toarray())  # N^-1 a'
        self.f = np.asarray((B.T @ X).T) - touched  # (p, w)
        self.spread = np.asarray(rows @ X)  # a N^-1 a' of every pair of candidates
        self.variance = variance
        self.diagonal = diagonal.copy()
        self.own = np.asarray(C.power(2).T @ net.sd**-2.0)

    def after(self) -> Floats:
        """(p, w) diagonal of G with each candidate added alone."""
        return self.diagonal + self.f**2 / (self.variance + np.diag(self.spread))[:, None]

    def take(self, p: int) -> None:
        """Add candidate p; the others are weighed beside it from now on."""
        total = self.variance[p] + self.spread[p, p]
        self.diagonal = self.diagonal + self.f[p] ** 2 / total
        across = self.spread[:, p].copy()
        self.f = self.f - np.outer(across / total, self.f[p])
        self.spread = self.spread - np.outer(across, across) / total
