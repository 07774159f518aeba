"""Everything about a job's network that does not depend on the numbers observed.

Building it costs the linear algebra; judging a set of observations with it is cheap, so that simulations judge
thousands.  A job is judged as a list of neighbourhoods (`Look`); a job of usual size is one of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import sparse

from heightnet.adjust import Fit, adjust
from heightnet.judge.closing import NOTHING, Closing, calibrate, log_odds_of
from heightnet.judge.family import Family, build_family
from heightnet.judge.naming import Evidence
from heightnet.judge.places import Places
from heightnet.judge.reduction import Factors, Reduction, classify, factor_grid, scaled_sd
from heightnet.judge.search import Candidates, Clock, Posterior, search
from heightnet.network.model import Network

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Look:
    """One neighbourhood searched.

    classes : (c,) the classes weighed in it.
    u, G : (g, c), (g, c, c) of their representatives over the factor grid; evidence : (g,) of the factors alone.
    """

    classes: Ints
    u: Floats
    G: Floats
    evidence: Floats
    base: int
    posterior: Posterior

    @cached_property
    def rho(self) -> Floats:
        """(c, c) correlation of the tests at the stated standard deviations."""
        G = self.G[self.base]
        scale = 1 / np.sqrt(np.diag(G))
        return np.asarray(G * scale[:, None] * scale[None, :])

    @cached_property
    def position(self) -> dict[int, int]:
        """Where each class stands in the arrays."""
        return {int(c): i for i, c in enumerate(self.classes)}

    def members_of(self, position: int) -> Floats:
        """(sets,) 1 where a set holds this class."""
        return np.asarray(self._membership[:, [position]].toarray()).ravel()

    @cached_property
    def _membership(self) -> sparse.csc_matrix:
        sets = self.posterior.sets
        rows = np.repeat(np.arange(len(sets)), [len(s) for s in sets])
        columns = np.array([c for s in sets for c in s], dtype=np.int64)
        return sparse.csc_matrix((np.ones(len(rows)), (rows, columns)), shape=(len(sets), len(self.classes)))

    @property
    def likeliest(self) -> int:
        """Point of the factor grid that the search makes likeliest."""
        return int(np.argmax(np.round(self.posterior.grid, 12)))


class Bench:
    """A network ready to be judged.

    Parameters
    ----------
    groups : whether common errors are in the family.
    factors : whether the standard deviations may be wrong by a factor; or the grid of such factors.
    family : the hypotheses, by default all of the network's.
    closing : from where on something is said, where it is known beforehand.

    Attributes
    ----------
    diagonal, own : (h,) reduced and whole information of each hypothesis.
    class_rate : (c,) chance beforehand that any member of a class is a blunder.
    """

    def __init__(
        self,
        net: Network,
        *,
        groups: bool = True,
        factors: bool | Factors = True,
        family: Family | None = None,
        closing: Closing | None = None,
    ) -> None:
        self.net = net
        self.family = family or build_family(net, groups=groups)
        grid = factors if isinstance(factors, Factors) else factor_grid(factors)
        self.reduction = Reduction(net.A, net.sd, net.kind, self.family.C, grid)
        self.G = self.reduction.G
        self.own = self.reduction.own
        self.diagonal = np.diag(self.G).copy()
        self.classes = classify(self.G, self.own, self.family.rate, self.family.size)
        reps = self.classes.representative
        self.G_reps = self.reduction.over_grid(reps)
        self.class_rate = self.classes.rates(self.family.rate)
        self.candidates = Candidates.of(self.class_rate, self.family.size[reps])
        self.free = np.isnan(self.family.size[reps])
        if closing is not None:
            self.closing = closing

    @property
    def factors(self) -> Factors:
        return self.reduction.factors

    @property
    def base(self) -> int:
        return self.reduction.factors.base

    @property
    def redundancy(self) -> int:
        return self.reduction.redundancy

    @cached_property
    def closing(self) -> Closing:
        """From where on something is said."""
        if not len(self.classes.representative):
            return NOTHING
        return calibrate(self.reduction, self.diagonals, self.candidates, self.free, self.net)

    @cached_property
    def diagonals(self) -> Floats:
        """(g, c) diagonals of G of the classes over the factor grid."""
        return np.einsum("gcc->gc", self.G_reps).copy()

    @cached_property
    def places(self) -> Places:
        return Places(self.net, self.family)

    @cached_property
    def evidence(self) -> Evidence:
        return Evidence(self.net, self.family)

    def look(self, y: Floats, clock: Clock | None = None) -> tuple[Floats, list[Look], float]:
        """u (h,) at the stated standard deviations, the neighbourhoods of observations y (m,) searched, and log O."""
        u, over, evidence = self.reduction.see(y)
        if not over.size:
            return u, [], -np.inf
        log_odds = log_odds_of(over, self.diagonals, evidence, self.candidates)
        posterior = search(over, self.G_reps, evidence, self.candidates, self.closing.k, self.base, clock)
        return u, [Look(np.arange(over.shape[1]), over, self.G_reps, evidence, self.base, posterior)], log_odds

    def job_factors(self, looks: list[Look]) -> tuple[float, float]:
        """How many times larger than stated the sds of tapes, and of sights and levels, probably are."""
        if not looks:
            return 1.0, 1.0
        grid = looks[0].posterior.grid
        return float(np.exp(grid @ np.log(self.factors.tape))), float(np.exp(grid @ np.log(self.factors.sight)))

    def inflation(self, looks: list[Look]) -> Floats:
        """(h,) by how much the standard deviation of each hypothesis' estimate grows with the factors of the job."""
        out = np.ones(len(self.family))
        if looks:
            tested = self.classes.tested
            mean = looks[0].posterior.grid @ (1 / self.diagonals)
            of_class = np.sqrt(mean * self.diagonals[self.base])
            out[tested] = of_class[self.classes.label[tested]]
        return out

    def across(self, hypotheses: Ints) -> Floats:
        """(h, s) G of every hypothesis with some, at the stated standard deviations."""
        return self.G[:, hypotheses]

    def fit_at(self, g: int) -> Fit:
        """The adjustment of the network's own observations at one point of the factor grid."""
        if g not in self._fits:
            sd = scaled_sd(self.net.kind, self.net.sd, float(self.factors.tape[g]), float(self.factors.sight[g]))
            self._fits[g] = adjust(self.net.A, self.net.y, sd)
        return self._fits[g]

    @cached_property
    def _fits(self) -> dict[int, Fit]:
        return {}
