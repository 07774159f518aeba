"""Elimination of unknowns with few neighbours from a sparse symmetric matrix, many at a time.

A round picks nodes of low degree no two of which are neighbours, and eliminates them at once.  That disposes of
targets seen twice and of long lines at little cost; what is left goes to a sparse factorisation.  The way back, from
the inverse of what is left to the entries of the inverse on the pattern of the whole, follows the same rounds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from heightnet.adjust.symmetric import Symmetric

MOST_NEIGHBOURS = 8
MOST_ROUNDS = 16
LEAST_GAIN = 0.10  # a round that would remove less than this share of the nodes is not worth its overhead


@dataclass(frozen=True)
class Bundle:
    """Nodes (c,) eliminated together that have k neighbours each; ``others`` (c, k) as numbered after the round.

    ``ratio`` (c, k) is the node's row of the matrix divided by its ``pivot`` (c,), ``entry`` (c, k) the place of that
    row in the pattern before the round.
    """

    node: np.ndarray
    others: np.ndarray
    ratio: np.ndarray
    entry: np.ndarray
    pivot: np.ndarray


@dataclass(frozen=True)
class Trace:
    """What the way back of one round needs: the matrix before, the nodes and entries kept, the bundles eliminated."""

    before: Symmetric
    kept: np.ndarray
    kept_entry: np.ndarray
    bundles: list[Bundle]

    def expand(self, inverse: Symmetric) -> Symmetric:
        """Entries of the inverse on the pattern before the round, from those on the pattern after it."""
        diagonal = np.empty(len(self.before.diagonal))
        diagonal[self.kept] = inverse.diagonal
        after = np.zeros(len(diagonal), np.int32)
        after[self.kept] = np.arange(len(self.kept))
        value = np.empty(self.before.upper.nnz)
        a, b = self.before.rows()[self.kept_entry], self.before.upper.indices[self.kept_entry]
        value[self.kept_entry] = inverse.at(after[a], after[b])
        for bundle in self.bundles:
            count, k = bundle.others.shape
            p, q = np.triu_indices(k, 1)
            among = np.empty((count, k, k))  # the inverse among the others
            among[:, p, q] = among[:, q, p] = inverse.at(bundle.others[:, p], bundle.others[:, q])
            among[:, range(k), range(k)] = inverse.diagonal[bundle.others]
            Z = np.einsum("cij,cj->ci", among, bundle.ratio)
            value[bundle.entry] = -Z
            diagonal[bundle.node] = 1.0 / bundle.pivot + np.einsum("ck,ck->c", Z, bundle.ratio)
        return self.before.like(diagonal, value)


@dataclass(frozen=True)
class Round:
    """What solving needs of one round: nodes kept and eliminated, pivots, rows over pivots (eliminated, kept)."""

    kept: np.ndarray
    node: np.ndarray
    pivot: np.ndarray
    ratio: sp.csr_array

    @classmethod
    def of(cls, trace: Trace) -> Round:
        bundles = trace.bundles
        node = np.concatenate([bundle.node for bundle in bundles])
        count = np.concatenate([np.full(len(bundle.node), bundle.others.shape[1]) for bundle in bundles])
        others = np.concatenate([bundle.others.ravel() for bundle in bundles])
        value = np.concatenate([bundle.ratio.ravel() for bundle in bundles])
        ratio = sp.csr_array(
            (value, others, np.concatenate([[0], np.cumsum(count)]).astype(np.int32)),
            shape=(len(node), len(trace.kept)),
        )
        return cls(trace.kept, node, np.concatenate([bundle.pivot for bundle in bundles]), ratio)

    def forward(self, B: np.ndarray) -> np.ndarray:
        """The right-hand sides (kept, h) of what is kept."""
        return B[self.kept] - self.ratio.T @ B[self.node]

    def backward(self, B: np.ndarray, X_kept: np.ndarray) -> np.ndarray:
        """The solution (n, h) before the round from that of what is kept."""
        X = np.empty_like(B)
        X[self.kept] = X_kept
        X[self.node] = B[self.node] / self.pivot[:, None] - self.ratio @ X_kept
        return X


def eliminate(matrix: Symmetric, enough: int) -> tuple[list[Trace], Symmetric]:
    """Rounds of elimination until ``enough`` nodes or fewer are left, and the matrix that is left (maybe empty)."""
    traces: list[Trace] = []
    while len(traces) < MOST_ROUNDS and len(matrix.diagonal) > enough:
        chosen = _independent(matrix)
        if chosen.sum() < LEAST_GAIN * len(chosen):
            break
        trace, matrix = _one_round(matrix, chosen)
        traces.append(trace)
    return traces, matrix


def _independent(matrix: Symmetric) -> np.ndarray:
    """Mask of nodes of low degree, no two neighbours: of two neighbours the one of lower degree, then by lot."""
    n = len(matrix.diagonal)
    a, b = matrix.rows(), matrix.upper.indices
    degree = np.bincount(a, minlength=n) + np.bincount(b, minlength=n)
    far = np.int64(MOST_NEIGHBOURS + 2) << 32
    lot = (np.arange(n) * 2_654_435_761) & 0xFFFFFFFF  # an odd factor: all different
    rank = np.where(degree <= MOST_NEIGHBOURS, (degree << 32) | lot, far)
    best = np.full(n, far)
    np.minimum.at(best, a, rank[b])
    np.minimum.at(best, b, rank[a])
    return rank < best


def _one_round(matrix: Symmetric, chosen: np.ndarray) -> tuple[Trace, Symmetric]:
    n = len(matrix.diagonal)
    a, b, value = matrix.rows(), matrix.upper.indices, matrix.upper.data
    kept, nodes = np.flatnonzero(~chosen), np.flatnonzero(chosen)
    after = np.zeros(n, np.int32)
    after[kept] = np.arange(len(kept))
    from_a, from_b = chosen[a], chosen[b]
    kept_entry = np.flatnonzero(~(from_a | from_b))
    out_a, out_b = np.flatnonzero(from_a), np.flatnonzero(from_b)
    entries = sp.coo_array(  # the entries of each chosen node together
        (
            np.concatenate([out_a, out_b]),
            (np.concatenate([a[out_a], b[out_b]]), np.concatenate([b[out_a], a[out_b]])),
        ),
        shape=(n, n),
    ).tocsr()
    degree = np.diff(entries.indptr)[nodes]
    diagonal = matrix.diagonal[kept]
    pairs_a, pairs_b, pairs_value = [after[a[kept_entry]]], [after[b[kept_entry]]], [value[kept_entry]]
    bundles = []
    for k in np.unique(degree):
        node = nodes[degree == k]
        place = entries.indptr[node][:, None] + np.arange(k)
        others, entry = after[entries.indices[place]], entries.data[place]
        pivot, row = matrix.diagonal[node], value[entry]
        ratio = row / pivot[:, None]
        bundles.append(Bundle(node, others, ratio, entry, pivot))
        if k:
            diagonal -= np.bincount(others.ravel(), weights=(row * ratio).ravel(), minlength=len(kept))
        p, q = np.triu_indices(k, 1)
        pairs_a.append(others[:, p].ravel())
        pairs_b.append(others[:, q].ravel())
        pairs_value.append((-row[:, p] * ratio[:, q]).ravel())
    left = Symmetric.from_pairs(diagonal, np.concatenate(pairs_a), np.concatenate(pairs_b), np.concatenate(pairs_value))
    return Trace(matrix, kept, kept_entry, bundles), left
