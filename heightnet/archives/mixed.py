"""The mixed model over all jobs: u ~ N(G b, G), and each thing's b scattered about 0.

With L = diag(1 / tau^2) and V = (G + L)^-1, the best linear predictor is V u with variance V (Henderson 1975, from
memory), and a thing's own estimate, all others still drawn to 0 by their tau but this one not, follows from it:
n = 1 / V_ii - 1 / tau^2, b = (V u)_i / (V_ii n), sd = n^-1/2.

Most things are nearly right and a few are far off: b follows Student's t with NU degrees of freedom, times a scale s
for each kind, which is a normal variable of variance tau_i^2 = s^2 / w_i with a weight of its own.  The weight is
(NU + 1) / (NU + (b_i^2 + V_ii) / s^2) (Lange, Little & Taylor 1989, from memory), so that the many that agree say where
0 is and one that is far off does not move them.  s maximises the likelihood with one thing of a usual size added to
each kind, so that a kind of few things keeps a sensible one.  Where it is largest, s^2 is the mean of
w_i (b_i^2 + V_ii), the step of the EM algorithm (Dempster, Laird & Rubin 1977, from memory); solved for the sum of
w_i b_i^2 the same condition converges much faster.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse
from scipy.sparse import csgraph
from scipy.sparse.linalg import splu

from heightnet.archives.things import KINDS
from heightnet.arrays import Floats, Ints

NU = 2.0

ROUNDS = 60
CONVERGED = 1e-3  # of the logarithm of s^2
DENSE_UP_TO = 2500  # things that hang together, up to which their V is a dense array
COLUMNS_AT_ONCE = 256  # of the V of more
NOTHING = 1e-8  # part of a thing's own information under which no job shows it
ONLY_TOGETHER = 1e-6  # part of a thing's information left once the others are free, under which only a sum is seen
NULL = 1e-3  # part of a thing in what no job shows, from which that matters
LEANS = 0.75  # sd of a thing, of what is usual for its kind, from which it leans on others
KNOWN_ALONE = 0.5  # of that sd, what it would be were the others known, under which they are the reason
INVOLVED = 0.5  # correlation of two predictions from which one is named as what the other leans on


@dataclass
class Piece:
    """Things that jobs tie to one another, by position; their u and G; V once tau is known."""

    at: Ints
    u: Floats
    G: sparse.csr_array

    @property
    def dense(self) -> bool:
        return len(self.at) <= DENSE_UP_TO

    @cached_property
    def full(self) -> Floats:
        return np.asarray(self.G.toarray())


class Model:
    """The mixed model of summed u (n,) and G (n, n).

    Parameters
    ----------
    kind : (n,) kind of each thing.
    constant : what does not depend on b or tau in the logarithm of the likelihood.

    Attributes
    ----------
    scale : s of each kind; as given, and all weights 1, where ``tau`` gives it.
    penalty : (n,) 1 / tau_i^2.
    predicted, variance : (n,) V u and the diagonal of V.
    error, sd : (n,) each thing's own estimate; sd inf where nothing is known.
    log_likelihood : of the penalties, and of what went into ``constant``.
    """

    def __init__(
        self, kind: Sequence[str], u: Floats, G: sparse.csr_array, constant: float = 0.0,
        tau: dict[str, float] | None = None, penalty: Floats | None = None,
    ) -> None:  # fmt: skip
        self.kind = np.array(kind, dtype=object)
        self.kinds = tuple(dict.fromkeys(kind))
        self.u, self.G = u, G
        self.pieces = list(_pieces(u, G))
        self.scale = dict(tau or {k: KINDS[k].usual for k in self.kinds})
        self.penalty = np.array([self.scale[k] ** -2.0 for k in self.kind]) if penalty is None else penalty
        self._constant = constant
        if penalty is None and tau is None:
            self._estimate_scales()
        self._solve()
        n = np.maximum(1 / self.variance - self.penalty, 0.0)
        # what is left of the difference of two equal numbers is nothing
        n[n <= NOTHING * np.maximum(np.asarray(G.diagonal()), 1e-300)] = 0.0
        known = n > 0
        self.error, self.sd = np.full(len(u), np.nan), np.full(len(u), np.inf)
        self.error[known] = (self.predicted / self.variance)[known] / n[known]
        self.sd[known] = n[known] ** -0.5

    def _solve(self) -> None:
        penalty = self.penalty
        self.predicted, self.variance = np.zeros(len(self.u)), 1 / penalty
        self.log_likelihood = self._constant
        self._inverse: dict[int, Floats] = {}
        for size, pieces in _by_size(self.pieces):
            at = np.array([p.at for p in pieces])
            if size <= DENSE_UP_TO:
                M = np.array([p.full for p in pieces])
                M[:, np.arange(size), np.arange(size)] += penalty[at]
                V = np.linalg.inv(M)
                log_det = np.linalg.slogdet(M)[1]
                if size > 1:
                    self._inverse |= {int(a[0]): one for a, one in zip(at, V, strict=True)}
                self.variance[at] = np.einsum("kii->ki", V)
                self.predicted[at] = np.einsum("kij,kj->ki", V, self.u[at])
            else:
                log_det = np.zeros(len(pieces))
                for j, piece in enumerate(pieces):
                    lu = self._factor(piece, penalty)
                    self.predicted[piece.at] = lu.solve(piece.u)
                    for start in range(0, size, COLUMNS_AT_ONCE):
                        columns = np.eye(size, min(COLUMNS_AT_ONCE, size - start), -start)
                        at_these = piece.at[start : start + COLUMNS_AT_ONCE]
                        self.variance[at_these] = np.diagonal(lu.solve(columns), -start)
                    log_det[j] = np.log(np.abs(lu.U.diagonal())).sum()
            gain = np.log(penalty[at]).sum(axis=1) - log_det
            self.log_likelihood += 0.5 * float(gain.sum() + np.sum(self.u[at] * self.predicted[at]))

    @staticmethod
    def _factor(piece: Piece, penalty: Floats):  # type: ignore[no-untyped-def]
        M = (piece.G + sparse.diags_array(penalty[piece.at])).tocsc()
        return splu(M, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})

    def _estimate_scales(self) -> None:
        members = {k: np.flatnonzero(self.kind == k) for k in self.kinds}
        for _ in range(ROUNDS):
            self._solve()
            change = 0.0
            for k, at in members.items():
                weight = self.penalty[at] * self.scale[k] ** 2
                told = np.sum(1 - self.variance[at] * self.penalty[at])  # of the things, how many the jobs speak of
                s2 = (np.sum(weight * self.predicted[at] ** 2) + KINDS[k].usual ** 2) / (max(told, 0.0) + 1)
                change = max(change, abs(np.log(s2 / self.scale[k] ** 2)))
                self.scale[k] = float(np.sqrt(s2))
                second = self.predicted[at] ** 2 + self.variance[at]
                self.penalty[at] = (NU + 1) / (NU * s2 + second)
            if change < CONVERGED:
                break

    def within(self, piece: Piece, B: Floats) -> Floats:
        """V B for columns B (len(piece.at), c) of a piece."""
        if piece.dense:
            return self.inverse(piece) @ B
        return np.asarray(self._factor(piece, self.penalty).solve(B))

    def inverse(self, piece: Piece) -> Floats:
        """V of a dense piece."""
        if len(piece.at) == 1:
            return self.variance[piece.at][:, None]
        return self._inverse[int(piece.at[0])]


def _pieces(u: Floats, G: sparse.csr_array) -> Iterator[Piece]:
    """Connected parts of G."""
    if not len(u):
        return
    count, label = csgraph.connected_components(G, directed=False)
    order = np.argsort(label, kind="stable")
    sorted_G = G[order][:, order].tocsr()
    ends = np.concatenate([[0], np.cumsum(np.bincount(label, minlength=count))])
    for start, end in zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True):
        at = order[start:end].astype(np.int64)
        yield Piece(at, u[at], sorted_G[start:end][:, start:end])


def _by_size(pieces: list[Piece]) -> Iterator[tuple[int, list[Piece]]]:
    """Pieces of one size together, a few million numbers at a time."""
    sizes: dict[int, list[Piece]] = {}
    for piece in pieces:
        sizes.setdefault(len(piece.at), []).append(piece)
    for size, same in sorted(sizes.items()):
        step = max(1, 4_000_000 // size**2)
        for start in range(0, len(same), step):
            yield size, same[start : start + step]


@dataclass(frozen=True)
class Apart:
    """How far each thing can be told from all others over all jobs.

    left : (n,) part of its information that is left with all others entirely free; 0 where no job shows it, or where
        only a sum, difference or mixture with others is seen.
    partners : for each thing whose estimate rests on what such others usually are, the ones it rests on (positions):
        with +1 where the two errors would have to go the same way to stay unseen, so that only their difference is
        seen, and -1 where the opposite way, so that only their sum is.
    """

    left: Floats
    partners: dict[int, list[tuple[int, int]]]


def apart(model: Model, own: Floats) -> Apart:
    """What the jobs cannot tell apart: the null space of G scaled to a unit diagonal, as classes of tests are found.

    That a height is the same wherever all of a kind are equally wrong is true of every archive; the many then lean on
    one another and each is known against their mean.  It matters where a thing leans on one or two others: where its
    own sd is a good part of what such things usually are, and would be far smaller were the others known.
    """
    diagonal = np.asarray(model.G.diagonal())
    left = np.where(diagonal > NOTHING * own, 1.0, 0.0)
    usual = model.penalty**-0.5
    partners: dict[int, list[tuple[int, int]]] = {}
    for piece in model.pieces:
        seen = np.flatnonzero(left[piece.at] > 0)
        if len(seen) < 2 or not piece.dense:
            continue
        at = piece.at[seen]
        d = diagonal[at] ** -0.5
        value, vector = np.linalg.eigh(piece.full[np.ix_(seen, seen)] * d[:, None] * d[None, :])
        lost = value < ONLY_TOGETHER
        inside = (vector[:, lost] ** 2).sum(axis=1)
        spread = (vector**2 / np.where(lost, ONLY_TOGETHER, value)).sum(axis=1)
        left[at] = np.where(inside > NULL, 0.0, 1 / spread)
        V = model.inverse(piece)[np.ix_(seen, seen)]
        rho = V / np.sqrt(np.outer(np.diag(V), np.diag(V)))
        leaning = (model.sd[at] > LEANS * usual[at]) & (model.sd[at] * KNOWN_ALONE > d)
        for i in np.flatnonzero(leaning).tolist():
            order = np.argsort(-np.abs(rho[i]), kind="stable").tolist()
            named = [k for k in order if k != i and abs(rho[i, k]) >= INVOLVED]
            if named:
                partners[int(at[i])] = [(int(at[k]), 1 if rho[i, k] > 0 else -1) for k in named]
    return Apart(left, partners)
