"""Large networks: the normal matrix eliminated in rounds, factorised, and inverted where the rows need it."""

from __future__ import annotations

from typing import Any

import numpy as np
import scipy.sparse as sp
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse.linalg import splu

from heightnet.adjust.border import Border
from heightnet.adjust.contraction import contract
from heightnet.adjust.defects import Ties, undetermined
from heightnet.adjust.elimination import Round, eliminate
from heightnet.adjust.errors import NotDetermined, Vanished
from heightnet.adjust.selected import SPLU, selected_inverse
from heightnet.adjust.symmetric import Symmetric

BLOCK = 64  # right-hand sides solved at once
FEW = 12  # entries of a row up to which its pairs are looked up instead of solving for it
DENSE_CORE = 150  # unknowns left after the rounds up to which a dense Cholesky factor is faster
BORDER_SHARE = 10.0  # a column that more than this many times sqrt(n) rows touch goes to the border
MOST_BORDER = 12  # for the memory of as many dense columns
LEAST_PIVOT = 1e-13  # of a normal matrix with unit diagonal


class SparseFactor:
    """Factor of W'W for whitened rows W, and its inverse where the rows need it.

    The unknowns are first changed where `contract` finds that this keeps digits, then scaled to columns of unit norm.
    Columns that very many rows touch become a `Border`.

    Parameters
    ----------
    A : (m, n) csr_array in canonical form.
    sd : (m,) standard deviations of its rows; ``W = A / sd``.
    tied : the rows of A that are differences.

    Attributes
    ----------
    leverage : (m,) diagonal of ``W (W'W)^-1 W'``.
    cofactor : (n,) diagonal of ``(W'W)^-1``.
    log_det : natural logarithm of the determinant of W'W.
    """

    def __init__(self, A: sp.csr_array, sd: np.ndarray, tied: Ties):
        n = A.shape[1]
        T = contract(A, sd, tied)
        changed = A if T is None else _product(A, T)
        W = sp.csr_array(
            (changed.data / np.repeat(sd, np.diff(changed.indptr)), changed.indices, changed.indptr), shape=A.shape
        )
        scale = np.sqrt(np.bincount(W.indices, weights=W.data**2, minlength=n))
        W.data /= scale[W.indices]
        wide = _wide(W)
        self.k = n - np.count_nonzero(wide)
        self.inside, self.outside = _split(W, wide)
        back = sp.diags_array(1.0 / scale, format="csr") if T is None else _product(T, sp.diags_array(1.0 / scale))
        self.back_inside, self.back_outside = _split(back, wide)  # x = back @ z, z scaled and split
        try:
            self.inner = Inner(self.inside, None if T is None else self.back_inside)
            self.border = Border(self.inner.solve, self.inside, self.outside)
        except Vanished:
            raise NotDetermined(undetermined(A, sd)) from None
        self.leverage = self.inner.inverse.quadratic(self.inside) + self.border.leverage
        self.cofactor = self._quadratic(self.back_inside, self.back_outside)
        self.log_det = self.inner.log_det + self.border.log_det + 2.0 * float(np.log(scale).sum())

    def least_squares(self, z: np.ndarray) -> np.ndarray:
        """The x (n,) that minimises |z - W x|, with one step of refinement."""
        x = self._solve(self._project(z[:, None]))
        rest = z - self.inside @ x[: self.k, 0] - self.outside @ x[self.k :, 0]
        x += self._solve(self._project(rest[:, None]))
        return self._restore(x)[:, 0]

    def solve(self, B: np.ndarray) -> np.ndarray:
        """(W'W)^-1 B of a dense (n, h)."""
        return self._restore(self._solve(np.concatenate([self.back_inside.T @ B, self.back_outside.T @ B])))

    def left_over(self, C: sp.csc_array) -> np.ndarray:
        """G = C'(I - W (W'W)^-1 W')C of a whitened C (m, h)."""
        inner, outer = self._rows(C)
        G = (C.T @ C).toarray()
        for start in range(0, C.shape[1], BLOCK):
            block = slice(start, start + BLOCK)
            X = self._solve(self._dense(inner[block], outer[block]))
            G[:, block] -= inner @ X[: self.k] + outer @ X[self.k :]
        return (G + G.T) / 2

    def left_over_diagonal(self, C: sp.csc_array) -> np.ndarray:
        """The diagonal of `left_over`; columns of C that touch few unknowns cost no solution."""
        inner, outer = self._rows(C)
        diagonal = np.asarray(C.multiply(C).sum(axis=0)).ravel()
        few = np.flatnonzero(np.diff(inner.indptr) <= FEW)
        few = few[self.inner.inverse.covers(inner[few])]
        diagonal[few] -= self._quadratic(inner[few], outer[few])
        many = np.setdiff1d(np.arange(len(diagonal)), few, assume_unique=True)
        for start in range(0, len(many), BLOCK):
            block = many[start : start + BLOCK]
            B = self._dense(inner[block], outer[block])
            diagonal[block] -= np.einsum("ij,ij->j", B, self._solve(B))
        return diagonal

    def _restore(self, Z: np.ndarray) -> np.ndarray:
        return self.back_inside @ Z[: self.k] + self.back_outside @ Z[self.k :]

    def _project(self, Z: np.ndarray) -> np.ndarray:
        return np.concatenate([self.inside.T @ Z, self.outside.T @ Z])

    def _rows(self, C: sp.csc_array) -> tuple[sp.csr_array, sp.csr_array]:
        """``C'W``, the sparse part and the border's."""
        return (C.T @ self.inside).tocsr(), (C.T @ self.outside).tocsr()

    @staticmethod
    def _dense(inner: sp.csr_array, outer: sp.csr_array) -> np.ndarray:
        return np.concatenate([inner.toarray().T, outer.toarray().T])

    def _solve(self, B: np.ndarray) -> np.ndarray:
        return self.border.solve(self.inner.solve, B)

    def _quadratic(self, inner: sp.csr_array, outer: sp.csr_array) -> np.ndarray:
        return self.inner.inverse.quadratic(inner) + self.border.quadratic(inner, outer)


class Inner:
    """W'W of the sparse columns: rounds of elimination and a factorised core.

    ``inverse`` is known on the pattern of W'W, widened by the pairs in the rows of ``pattern``.
    """

    def __init__(self, W: sp.csr_array, pattern: sp.csr_array | None):
        traces, core = eliminate(Symmetric.gram(W, pattern), enough=DENSE_CORE)
        self.rounds = [Round.of(trace) for trace in traces]
        pivots = [round_.pivot for round_ in self.rounds]
        _require(pivots)
        self.core = Core(core)
        pivots.append(self.core.pivots)
        _require(pivots)
        self.log_det = float(sum(np.log(pivot).sum() for pivot in pivots))
        self.inverse = self.core.inverse(core)
        while traces:
            self.inverse = traces.pop().expand(self.inverse)

    def solve(self, B: np.ndarray) -> np.ndarray:
        """(W'W)^-1 B of a dense (k, h)."""
        down = [B]
        for round_ in self.rounds:
            down.append(round_.forward(down[-1]))
        X = self.core.solve(down.pop())
        for round_ in reversed(self.rounds):
            X = round_.backward(down.pop(), X)
        return X


class Core:
    """Factor of what the rounds leave: nothing, a dense matrix, or a sparse one."""

    def __init__(self, matrix: Symmetric):
        self.lu: Any = None
        self.n = len(matrix.diagonal)
        try:
            if self.n <= DENSE_CORE:
                self.root = cho_factor(matrix.full().toarray()) if self.n else None
                self.pivots = np.diag(self.root[0]) ** 2 if self.root else np.empty(0)
            else:
                self.lu = splu(matrix.full(), **SPLU)
                self.pivots = self.lu.U.diagonal()
                if (self.lu.perm_r != self.lu.perm_c).any():
                    raise Vanished
        except (np.linalg.LinAlgError, RuntimeError):  # not positive definite; exactly singular
            raise Vanished from None

    def solve(self, B: np.ndarray) -> np.ndarray:
        if self.lu is not None:
            return self.lu.solve(B)
        return cho_solve(self.root, B) if self.root else B

    def inverse(self, pattern: Symmetric) -> Symmetric:
        """The inverse on the matrix's own pattern."""
        if self.lu is not None:
            return selected_inverse(self.lu, pattern)
        Z = self.solve(np.eye(self.n))
        return pattern.like(np.diag(Z).copy(), Z[pattern.rows(), pattern.upper.indices])


def _require(pivots: list[np.ndarray]) -> None:
    if any(pivot.min(initial=1.0) < LEAST_PIVOT for pivot in pivots):
        raise Vanished


def _wide(W: sp.csr_array) -> np.ndarray:
    """Mask of the columns for the border."""
    n = W.shape[1]
    touching = np.bincount(W.indices, minlength=n)
    wide = np.flatnonzero(touching > BORDER_SHARE * np.sqrt(n))
    mask = np.zeros(n, bool)
    mask[wide[np.argsort(-touching[wide], kind="stable")[:MOST_BORDER]]] = True
    return mask


def _split(W: sp.csr_array, wide: np.ndarray) -> tuple[sp.csr_array, sp.csr_array]:
    """The columns that are not wide, and those that are."""
    if not wide.any():
        return W, sp.csr_array((W.shape[0], 0))
    row = np.repeat(np.arange(W.shape[0], dtype=W.indices.dtype), np.diff(W.indptr))
    inside = ~wide[W.indices]
    parts = []
    for columns, entries in ((~wide, inside), (wide, ~inside)):
        place = (np.cumsum(columns) - 1).astype(W.indices.dtype)
        start = np.concatenate([[0], np.cumsum(np.bincount(row[entries], minlength=W.shape[0]))])
        part = (W.data[entries], place[W.indices[entries]], start.astype(W.indptr.dtype))
        parts.append(sp.csr_array(part, shape=(W.shape[0], np.count_nonzero(columns))))
    return parts[0], parts[1]


def _product(A: sp.csr_array, B: Any) -> sp.csr_array:
    """A @ B without the entries that cancel."""
    out = (A @ B).tocsr()
    out.eliminate_zeros()
    return out
