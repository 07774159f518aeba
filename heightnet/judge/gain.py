"""What a measurement not yet made would add: the reliability of every hypothesis with it.

A new observation with row a and variance q changes the reduced information by one outer product,

    G_new = G + f f' / (q + a N^-1 a'),  f = B' N^-1 a',  B = A'PC

so that candidates are compared without adjusting again (matrix inversion lemma).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
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
    watched : positions of the hypotheses looked at.
    """

    def __init__(
        self,
        bench: BenchBase,
        fit: Fit,
        rows: sparse.csr_matrix,
        variance: Floats,
        watched: npt.NDArray[np.int64],
    ) -> None:
        net = bench.net
        C = bench.family.C[:, watched]
        B = (net.A.T @ C.multiply((1 / net.sd**2)[:, None])).tocsr()
        X = fit.solve(rows.T.toarray())  # N^-1 a'
        self.f = np.asarray((B.T @ X).T)  # (p, watched)
        self.spread = np.asarray(rows @ X)  # a N^-1 a' of every pair of candidates
        self.variance = variance
        self.diagonal = bench.diagonal[watched].copy()
        self.own = bench.own[watched]

    def after(self) -> Floats:
        """(p, watched) diagonal of G with each candidate added alone."""
        return self.diagonal + self.f**2 / (self.variance + np.diag(self.spread))[:, None]

    def take(self, p: int) -> None:
        """Add candidate p; the others are weighed beside it from now on."""
        total = self.variance[p] + self.spread[p, p]
        self.diagonal = self.diagonal + self.f[p] ** 2 / total
        across = self.spread[:, p].copy()
        self.f = self.f - np.outer(across / total, self.f[p])
        self.spread = self.spread - np.outer(across, across) / total
