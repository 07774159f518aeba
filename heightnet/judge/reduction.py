"""One reduction feeds everything: the unknowns eliminated, every hypothesis seen through what is left.

With y = A x + C b + e, e ~ N(0, Q), and K spanning all combinations of the observations that no unknown can move (the
misclosures), t = K'y ~ N(K'C b, K'QK).  Then u = C'K (K'QK)^-1 t and G = C'K (K'QK)^-1 K'C give, for any set S of
hypotheses, b_S = G_SS^-1 u_S with covariance G_SS^-1 and the test T_S = u_S' b_S (Baarda 1968; Teunissen 2018,
doi 10.1007/s00190-017-1045-7).  They equal C'PQ_vPy and C'PQ_vPC, but cost only the redundancy cubed.

The standard deviations are the weakest assumption, so everything is laid out over a grid of two factors on them: one
for all tape readings, one for all sights, levels and satellite heights.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import linalg, sparse

from heightnet.arrays import Floats, Ints
from heightnet.kinds.kind import OUTSIDE, SIGHT, TAPE
from heightnet.kinds.registry import observed

TAPE_FACTORS = (0.7, 1.0, 1.4, 2.0, 2.8)
SIGHT_FACTORS = (0.7, 1.0, 1.4, 2.0)
SD_LOG_FACTOR = 0.4  # prior: the logarithm of a factor is N(0, 0.4^2)

UNTESTABLE = 1e-8  # redundancy of a hypothesis below which nothing tests it
ONE_CLASS = 1 - 1e-6  # correlation of two tests beyond which nothing tells them apart
NEARLY_ONE_CLASS = 0.95
LEAST_SIZE = 2.7  # times the least size that makes the misclosures of a class: a member that needs more is no measure
DOUBLINGS_FROM = 0.4  # fraction of a doubling above which it is counted as the next, from below: .6


@dataclass(frozen=True)
class Factors:
    """A grid of factors on the standard deviations and the logarithms of their prior weights."""

    tape: Floats
    sight: Floats
    log_prior: Floats

    @property
    def base(self) -> int:
        """Position of the standard deviations as assumed, or of the point nearest to them."""
        return int(np.argmin(np.log(self.tape) ** 2 + np.log(self.sight) ** 2))

    def weighed(self, log_weight: Floats, least: float) -> Factors:
        """The grid with other weights (logarithms), points of less than ``least`` probability left out."""
        weight = np.exp(log_weight - log_weight.max())
        kept = weight >= least * weight.sum()
        return Factors(self.tape[kept], self.sight[kept], np.log(weight[kept] / weight[kept].sum()))


def factor_grid(on: bool = True) -> Factors:
    """The grid; or the assumed standard deviations alone."""
    if not on:
        return Factors(np.ones(1), np.ones(1), np.zeros(1))
    tape, sight = (f.ravel() for f in np.meshgrid(TAPE_FACTORS, SIGHT_FACTORS, indexing="ij"))
    return Factors(tape, sight, log_prior_of(tape, sight))


def log_prior_of(tape: Floats, sight: Floats) -> Floats:
    """(g,) logarithms of the prior weights of points of a grid of factors; they sum to 1."""
    weight = -0.5 * (np.log(tape) ** 2 + np.log(sight) ** 2) / SD_LOG_FACTOR**2
    return np.asarray(weight - np.log(np.exp(weight).sum()))


def scaled_sd(kind: npt.NDArray[np.int8], sd: Floats, tape: float, sight: float) -> Floats:
    """Standard deviations with the factors applied; knowledge from outside the job keeps its own."""
    factor = {OUTSIDE: 1.0, TAPE: tape, SIGHT: sight}
    of_code = np.append([factor[of.scatter] for of in observed()], 1.0)
    return np.asarray(sd * of_code[np.minimum(kind, len(of_code) - 1)])


class Reduction:
    """u and G of a family, its classes' at every point of the factor grid; for jobs of up to some hundreds of readings.

    Parameters
    ----------
    misclosures : (r, m) sparse, combinations that no unknown can move (`heightnet.network.misclosures`).
    sd, kind : standard deviations (m,) and kinds (m,) of the observations.
    C : (m, h) hypotheses.

    Attributes
    ----------
    K : (m, r) an orthonormal basis of the misclosures of whitened observations.
    G : (h, h) with the standard deviations as assumed.
    own : (h,) diagonal of C'PC, the information each hypothesis would have if everything else were known.
    """

    def __init__(
        self,
        misclosures: sparse.csr_matrix,
        sd: Floats,
        kind: npt.NDArray[np.int8],
        C: sparse.csc_matrix,
        factors: Factors | None = None,
    ) -> None:
        self.factors = factors or factor_grid()
        self.sd = sd
        whitened_loops = (misclosures.toarray() * sd).T
        r = whitened_loops.shape[1]
        Q = linalg.qr(whitened_loops, mode="economic", check_finite=False)[0] if r else whitened_loops
        self.K = np.ascontiguousarray(Q)
        whitened = C.toarray() / sd[:, None]
        self.own = (whitened**2).sum(axis=0)
        self.M = self.K.T @ whitened
        of_tape, of_sight = (
            self.K[np.isin(kind, [code for code, of in enumerate(observed()) if of.scatter == scatter])]
            for scatter in (TAPE, SIGHT)
        )
        self._tape_part, self._sight_part = of_tape.T @ of_tape, of_sight.T @ of_sight
        self.G = self.M.T @ self.M
        eye = np.eye(r)
        self._chol = []
        for tape, sight in zip(self.factors.tape, self.factors.sight, strict=True):
            S = eye + (tape**2 - 1) * self._tape_part + (sight**2 - 1) * self._sight_part
            self._chol.append(linalg.cholesky(S, lower=True, check_finite=False) if r else eye)
        self._log_det = np.array([2 * np.log(np.diag(L)).sum() for L in self._chol])
        self._half: list[Floats] = []

    @property
    def redundancy(self) -> int:
        return int(self.K.shape[1])

    def over_grid(self, some: Ints) -> Floats:
        """G (g, c, c) of some hypotheses over the factor grid; from now on `see` looks at these."""
        M = self.M[:, some]
        self._half = [self._freed_of(L, M) for L in self._chol]
        return np.array([half.T @ half for half in self._half])

    def see(self, y: Floats) -> tuple[Floats, Floats, Floats]:
        """u (h,) as assumed, u (g, c) over the grid, log evidence (g,) of the factors, for observations y (m,)."""
        t = self.misclosures(y)
        z = [self._freed_of(L, t) for L in self._chol]
        over = np.array([half.T @ one for half, one in zip(self._half, z, strict=True)])
        squares = np.array([one @ one for one in z])
        return self.M.T @ t, over, self.factors.log_prior - 0.5 * (self._log_det + squares)

    def misclosures(self, y: Floats) -> Floats:
        """t (r,) of observations y (m,)."""
        return self.K.T @ (y / self.sd)

    def evidence(self, T: Floats) -> Floats:
        """(g, draws) log evidence of the factors for misclosures T (r, draws)."""
        squares = np.array([np.einsum("rd,rd->d", z, z) for z in (self._freed_of(L, T) for L in self._chol)])
        return self.factors.log_prior[:, None] - 0.5 * (self._log_det[:, None] + squares)

    def through(self, g: int, T: Floats, some: Ints) -> Floats:
        """u (some, draws) of some of the classes looked at, at one point of the grid, for misclosures T (r, draws)."""
        return self._half[g][:, some].T @ self._freed_of(self._chol[g], T)

    def beside(self, C: sparse.csc_matrix, y: Floats) -> tuple[Floats, Floats, Floats]:
        """u (g, t), G (g, t, t) of other columns C (m, t) over the grid, and their G (g, t, c) with what `see` sees."""
        M = np.asarray(C.multiply(1 / self.sd[:, None]).T @ self.K).T
        t = self.misclosures(y)
        both = [self._freed_of(L, np.column_stack([M, t])) for L in self._chol]
        u = np.array([one[:, :-1].T @ one[:, -1] for one in both])
        G = np.array([one[:, :-1].T @ one[:, :-1] for one in both])
        return u, G, np.array([one[:, :-1].T @ half for one, half in zip(both, self._half, strict=True)])

    def at(self, tape: float, sight: float, C: sparse.csc_matrix, y: Floats) -> tuple[Floats, Floats]:
        """u (t,) and G (t, t) of columns C (m, t) with these factors on the standard deviations."""
        S = np.eye(self.redundancy) + (tape**2 - 1) * self._tape_part + (sight**2 - 1) * self._sight_part
        M = np.asarray(C.multiply(1 / self.sd[:, None]).T @ self.K).T
        both = np.column_stack([M, self.misclosures(y)])
        both = self._freed_of(linalg.cholesky(S, lower=True, check_finite=False), both) if len(S) else both
        return both[:, :-1].T @ both[:, -1], both[:, :-1].T @ both[:, :-1]

    @staticmethod
    def _freed_of(L: Floats, right: Floats) -> Floats:
        return linalg.solve_triangular(L, right, lower=True, check_finite=False) if len(right) else right


@dataclass(frozen=True)
class Classes:
    """Hypotheses sorted into classes that nothing in the job can tell apart.

    label : (h,) class of each hypothesis, -1 where nothing tests it.
    sign : (h,) +1, or -1 where an error of the hypothesis looks like the opposite one of its representative.
    representative : (c,) the hypothesis that stands for each class: of those whose size is near the least that makes
        its misclosures, the likeliest beforehand, then the first.
    redundancy : (h,) share of each hypothesis' own information that the job has left to test it.
    """

    label: Ints
    sign: Floats
    representative: Ints
    redundancy: Floats

    def members(self, label: int) -> Ints:
        return np.flatnonzero(self.label == label)

    @property
    def tested(self) -> npt.NDArray[np.bool_]:
        """(h,) hypotheses that something in the job tests."""
        return self.label >= 0

    def shares(self, rate: Floats) -> Floats:
        """(h,) part of its class's probability that each hypothesis takes, by the rates; 0 where nothing tests it."""
        share = np.zeros(len(self.label))
        label = self.label[self.tested]
        total = np.bincount(label, weights=rate[self.tested])
        share[self.tested] = rate[self.tested] / total[label]
        return share

    def rates(self, rate: Floats) -> Floats:
        """(c,) chance that any member of each class is a blunder."""
        sound = np.bincount(self.label[self.tested], weights=np.log1p(-rate[self.tested]))
        return np.asarray(-np.expm1(sound))

    def scales(self, diagonal: Floats, rate: Floats, limit: Floats) -> tuple[Floats, Floats, Floats]:
        """Of each class (c, s): sizes of its representative that make the misclosures of unit errors of its members, to
        about the nearest doubling; the part of the class's rate that the members of each have, 0 for no more; and the
        greatest size of these members, in their own measure.

        limit : (h,) greatest size of each hypothesis, inf where it may have any.
        """
        h = np.flatnonzero(self.tested)
        label = self.label[h]
        # members of equal weight differ by roots of 2: the border lies between those
        doublings = np.floor(0.5 * np.log2(diagonal[h] / diagonal[self.representative[label]]) + DOUBLINGS_FROM)
        unique, member_of = np.unique(np.column_stack([label, doublings]), axis=0, return_inverse=True)
        of_class = unique[:, 0].astype(np.int64)
        column = np.arange(len(unique)) - np.searchsorted(of_class, of_class)
        shape = len(self.representative), int(column.max(initial=0)) + 1
        scale, share, largest = np.ones(shape), np.zeros(shape), np.zeros(shape)
        scale[of_class, column] = 2.0 ** unique[:, 1]
        share[of_class, column] = np.bincount(member_of.ravel(), self.shares(rate)[h], len(unique))
        np.maximum.at(largest, (label, column[member_of.ravel()]), limit[h])
        largest[share == 0] = np.inf
        return scale, share, largest

    def ratio(self, h: int, diagonal: Floats) -> float:
        """Size of a hypothesis that makes the misclosures that its representative makes with a unit error."""
        rep = int(self.representative[self.label[h]])
        return float(np.sqrt(diagonal[rep] / diagonal[h]) * self.sign[h])

    def tests(self, u: Floats, diagonal: Floats) -> tuple[Floats, Floats, Floats]:
        """Error, its sd and w (h,) of each hypothesis alone; NaN where nothing tests it."""
        seen = np.where(self.tested & (diagonal > 0), diagonal, np.nan)
        return u / seen, 1 / np.sqrt(seen), u / np.sqrt(seen)


def classify(G: Floats, own: Floats, rate: Floats, size: Floats) -> Classes:
    """Merge hypotheses whose tests are the same but for sign.

    A hypothesis whose size the records fix stays by itself: its size tells it from one of any size.

    Parameters
    ----------
    G : (h, h) reduced information at the assumed standard deviations.
    own, rate, size : (h,) as in `Reduction` and `Family`.
    """
    diagonal = np.diag(G).copy()
    # a known mark that nothing is tied to has no observation at all
    redundancy = np.clip(np.divide(diagonal, own, out=np.zeros_like(diagonal), where=own > 0), 0.0, 1.0)
    testable = redundancy > UNTESTABLE
    scale = np.where(testable, 1 / np.sqrt(np.where(testable, diagonal, 1.0)), 0.0)
    rho = G * scale[:, None] * scale[None, :]
    label = np.full(len(own), -1, dtype=np.int64)
    sign = np.ones(len(own))
    representatives: list[int] = []
    same = np.abs(rho) > ONE_CLASS
    for h in np.flatnonzero(testable):
        if label[h] >= 0:
            continue
        mates = np.array([h]) if np.isfinite(size[h]) else np.flatnonzero(same[h] & (label < 0) & np.isnan(size))
        near = mates[diagonal[mates] * LEAST_SIZE**2 > diagonal[mates].max()]
        best = int(near[np.argmax(rate[near])])
        label[mates] = len(representatives)
        sign[mates] = np.where(rho[best, mates] < 0, -1.0, 1.0)
        representatives.append(best)
    return Classes(label, sign, np.array(representatives, dtype=np.int64), redundancy)
