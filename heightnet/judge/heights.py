"""Heights as the whole posterior has them: over sets of blunders, members of classes, scatter factors and sizes.

For a set S with members c at a point of the factor grid and sizes of spread tau (D = diag tau),

    cov = (G_cc + D^-2)^-1,  mu = cov (u_c + D^-2 mean),  E = N^-1 A'P C_c
    heights: mean x - E mu, variance diag N^-1 + diag E cov E'

and every member of a class counts with its share: that nothing tells them apart must not make a height look sure.
Where the means of a height fall apart, it has two minds, and no single number is given.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np
from scipy import sparse
from scipy.special import ndtr

from heightnet.arrays import Floats, Ints
from heightnet.judge.bench import Look
from heightnet.judge.judgement import Judgement

LEAST_SET = 0.002  # probability of a set that counts
LEAST_CHOICE = 0.002  # likewise of one choice of members of its classes
LEAST_POINT = 0.03  # likewise of a point of the factor grid
CHOICES_AT_MOST = 400
SPREADS_UP_TO = 3  # members of a set up to which every combination of their spreads is weighed
APART = 3.0  # means further apart than so many standard deviations are two minds
A_MIND = 0.05  # probability from which one is told as a height of its own
TAIL, INTERVAL = 0.025, 1.959964  # of the intervals of 95 %
LEAST_PART = 1e-3  # weight of a part below which it does not make a mixture
NORMAL_WITHIN = 0.25  # of its sd: a mixture whose parts agree so well is taken as normal


@dataclass(frozen=True)
class Mind:
    """One of the heights that a place may have."""

    mean: float
    sd: float
    low: float
    high: float
    probability: float


@dataclass(frozen=True)
class Heights:
    """Posterior of some heights (p,), m; ``low`` and ``high`` hold 95 %.

    minds : of those that fall apart, by position, likeliest first.  Where the second is likely enough to be told as a
        height of its own, no single number means anything.
    """

    mean: Floats
    sd: Floats
    low: Floats
    high: Floats
    minds: dict[int, list[Mind]]

    def divided(self, i: int) -> list[Mind]:
        """The heights that one place may have, [] where it is of one mind."""
        told = [mind for mind in self.minds.get(i, []) if mind.probability >= A_MIND]
        return told if len(told) > 1 else []


@dataclass(frozen=True)
class Component:
    """One way in which things may be: certain hypotheses wrong.

    weight : its probability; points, share : points of the factor grid and their part of it.
    size, covariance : (k, s), (k, s, s) of the hypotheses at each of these points.
    """

    weight: float
    hypotheses: tuple[int, ...]
    points: Ints
    share: Floats
    size: Floats
    covariance: Floats


def components(judgement: Judgement, look: Look) -> list[Component]:
    """The posterior of one neighbourhood in few components, weights summing to 1."""
    out: list[Component] = []
    posterior = look.posterior
    for s, p, by_grid in zip(posterior.sets, posterior.probability.tolist(), posterior.by_grid, strict=True):
        if p < LEAST_SET:
            break
        points = np.flatnonzero(by_grid >= LEAST_POINT * p)
        share = by_grid[points] / by_grid[points].sum()
        sizes, covariances = _sizes(judgement, look, points, list(s))
        for of_choice, members, ratio in _choices(judgement, look, s):
            spread = covariances * ratio[:, None] * ratio[None, :]
            out.append(Component(p * of_choice, members, points, share, sizes * ratio, spread))
    total = sum(c.weight for c in out)
    return [replace(c, weight=c.weight / total) for c in out]


def _choices(judgement: Judgement, look: Look, s: tuple[int, ...]) -> Iterator[tuple[float, tuple[int, ...], Floats]]:
    """Which member of each class it is, with probability and the members' sizes in terms of their representatives'."""
    classes, diagonal = judgement.bench.classes, judgement.bench.diagonal
    each: list[list[tuple[float, int]]] = []
    for c in look.classes[list(s)].tolist():
        members = classes.members(c)
        share = judgement.share[members]
        order = np.argsort(-share, kind="stable")
        kept = [i for i in order.tolist() if share[i] >= LEAST_CHOICE] or order[:1].tolist()
        each.append([(float(share[i]), int(members[i])) for i in kept])
    while np.prod([len(options) for options in each]) > CHOICES_AT_MOST:  # the longest class by its likeliest members
        longest = max(range(len(each)), key=lambda i: len(each[i]))
        each[longest] = each[longest][: max(1, len(each[longest]) // 2)]
    scale = [sum(p for p, _ in options) for options in each]
    for choice in product(*each):
        share_ = float(np.prod([p / total for (p, _), total in zip(choice, scale, strict=True)]))
        members_ = tuple(h for _, h in choice)
        yield share_, members_, np.array([classes.ratio(h, diagonal) for h in members_])


def _sizes(judgement: Judgement, look: Look, points: Ints, at: list[int]) -> tuple[Floats, Floats]:
    """Sizes (p, s) of the representatives of a set and their covariances (p, s, s) at points of the factor grid, the
    spreads integrated out."""
    if not at:
        return np.zeros((len(points), 0)), np.zeros((len(points), 0, 0))
    prior = judgement.bench.candidates.some(look.classes[at])
    u, G = look.u[points][:, at], look.G[points][:, at][:, :, at]
    own = np.einsum("pii->pi", G)
    index = np.arange(len(at))
    spreads = [np.flatnonzero(np.isfinite(weight)).tolist() for weight in prior.weight]
    if len(at) > SPREADS_UP_TO:  # the spread that suits each member best
        ridge = G[0] + 1e-9 * np.diag(own[0])
        b, variance = np.linalg.solve(ridge, u[0]), prior.taus**2 + 1 / own[0][:, None]
        suits = -0.5 * np.log(variance) - 0.5 * (b[:, None] - prior.mean[:, None]) ** 2 / variance
        best = np.argmax(np.where(np.isfinite(prior.weight), suits, -np.inf), axis=1)
        spreads = [[int(i)] for i in best]
    combos = np.array(list(product(*spreads)))  # (k, s)
    precision = prior.taus[index, combos] ** -2.0
    covariance = np.linalg.inv(G[:, None] + precision[None, :, :, None] * np.eye(len(at)))  # (p, k, s, s)
    pulled = u[:, None] + prior.mean * precision[None]
    mean = np.einsum("pkij,pkj->pki", covariance, pulled)
    log_det = np.linalg.slogdet(covariance)[1] + np.log(precision).sum(axis=1)
    weight = prior.weight[index, combos].sum(axis=1) - 0.5 * (prior.mean**2 * precision).sum(axis=1)
    weight = weight + 0.5 * (log_det + np.einsum("pki,pki->pk", mean, pulled))
    weight = np.exp(weight - weight.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    middle = np.einsum("pk,pki->pi", weight, mean)
    apart = mean - middle[:, None]
    spread = covariance + apart[:, :, :, None] * apart[:, :, None, :]
    return middle, np.einsum("pk,pkij->pij", weight, spread)


Effect = Callable[[int, list[int]], Any]
"""(p, s), dense or sparse: what a unit of some hypotheses does to p values at one point of the factor grid."""


class Posterior:
    """Asked for heights: of marks by way of the adjustment, of anything by way of what each hypothesis does to it."""

    def __init__(self, judgement: Judgement) -> None:
        self.judgement, self.bench = judgement, judgement.bench
        self.parts = [components(judgement, look) for look in judgement.looks]

    @property
    def points(self) -> list[int]:
        """Points of the factor grid that values are asked for at: of several neighbourhoods the likeliest alone."""
        if len(self.parts) != 1:
            return [int(np.argmax(np.round(self.bench.grid_of(self.judgement.looks), 9)))]
        return sorted({int(g) for c in self.parts[0] for g in c.points})

    def mixed(self, base: Floats, variance: Floats, effect: Effect, stays: Effect | None = None) -> Heights:
        """Posterior of values that a hypothesis of size b shifts by -effect b.

        Parameters
        ----------
        base, variance : (k, p) values with nothing wrong, and their variances, at each of ``points``.
        stays : of values that are means of observations which the hypotheses are about: the part of a unit error that
            the adjustment leaves in their residuals.  An error found in an observation is found from its own scatter as
            well, Cov(b, value) = stays S with S the covariance of the b, so that taking it out takes that out too.
        """
        if len(self.parts) == 1:
            rows = np.arange(base.shape[1])
            return _of(*self._spread(self.parts[0], rows, base, variance, effect, stays))
        return self._of_several(base[0], variance[0], effect, stays)

    def _spread(
        self, part: list[Component], rows: Ints, base: Floats, variance: Floats, effect: Effect, stays: Effect | None
    ) -> tuple[Floats, Floats, Floats]:
        """Weights (c,), means and variances (c, rows) of the components, those of the points summed up."""
        wrong = sorted({h for c in part for h in c.hypotheses})
        at = {h: i for i, h in enumerate(wrong)}
        points = self.points if wrong else []
        E = {g: _rows_of(effect(g, wrong), rows) for g in points}
        left = {g: _rows_of(stays(g, wrong), rows) for g in points} if stays else {}
        order = {g: i for i, g in enumerate(self.points)}
        means, variances = np.empty((2, len(part), len(rows)))
        for i, c in enumerate(part):
            mean, square = np.zeros((2, len(rows)))
            for g, share, size, covariance in self._at_points(c):
                own = variance[order[g]]
                shifted, spread = base[order[g]], own
                if c.hypotheses:
                    of = [at[h] for h in c.hypotheses]
                    move = E[g][:, of]
                    both = move - 2 * left[g][:, of] if stays else move
                    more = np.einsum("ps,st,pt->p", move, covariance, both)
                    shifted, spread = shifted - move @ size, own + more
                mean += share * shifted
                square += share * (spread + shifted**2)
            means[i], variances[i] = mean, square - mean**2
        return np.array([c.weight for c in part]), means, np.maximum(variances, 0.0)

    def _at_points(self, c: Component) -> Iterator[tuple[int, float, Floats, Floats]]:
        if len(self.parts) == 1:
            yield from zip(c.points.tolist(), c.share.tolist(), c.size, c.covariance, strict=True)
        else:
            k = int(np.argmax(c.share))
            yield self.points[0], 1.0, c.size[k], c.covariance[k]

    def _of_several(self, base: Floats, variance: Floats, effect: Effect, stays: Effect | None) -> Heights:
        """Neighbourhoods are independent: for each value the one that divides it most is kept, the others summed."""
        mean, spread = base.copy(), variance.copy()
        largest, divided = np.zeros(len(base)), np.full(len(base), -1)
        found = []
        for i, part in enumerate(self.parts):
            moved = sparse.csr_array(effect(self.points[0], sorted({h for c in part for h in c.hypotheses})))
            rows = np.flatnonzero(np.diff(moved.indptr))
            nothing = np.zeros((1, len(rows)))
            own = variance[None, rows] if stays else nothing
            weight, means, variances = self._spread(part, rows, nothing, own, effect, stays)
            if stays:
                variances = variances - own
            middle = weight @ means
            more = weight @ (variances + (means - middle) ** 2)
            mean[rows] += middle
            spread[rows] += more
            first = np.abs(more) > largest[rows]
            largest[rows[first]], divided[rows[first]] = np.abs(more[first]), i
            found.append((rows, weight, means, variances, middle, more))
        sd = np.sqrt(np.maximum(spread, 0.0))
        out = Heights(mean, sd, mean - INTERVAL * sd, mean + INTERVAL * sd, {})
        for i, (rows, weight, means, variances, middle, more) in enumerate(found):
            own_ = np.flatnonzero(divided[rows] == i)
            at = rows[own_]
            rest = mean[at] - middle[own_], spread[at] - more[own_]
            part_ = _of(weight, rest[0] + means[:, own_], np.maximum(rest[1] + variances[:, own_], 0.0))
            for whole, some in zip(
                (out.mean, out.sd, out.low, out.high), (part_.mean, part_.sd, part_.low, part_.high), strict=True
            ):
                whole[at] = some
            out.minds.update({int(at[k]): minds for k, minds in part_.minds.items()})
        return out


def _rows_of(matrix: Any, rows: Ints) -> Floats:
    return matrix[rows].toarray() if sparse.issparse(matrix) else np.asarray(matrix)[rows]


def _of(weight: Floats, means: Floats, variances: Floats) -> Heights:
    """The mixture of normal parts: weights (c,), means and variances (c, p)."""
    mean = weight @ means
    sds = np.sqrt(variances)
    sd = np.sqrt(weight @ (variances + (means - mean) ** 2))
    low, high = mean - INTERVAL * sd, mean + INTERVAL * sd
    # where the parts agree, the mixture is as good as normal
    matter = weight > min(LEAST_PART, 0.5 * float(weight.max()))
    apart = np.abs(means - mean)[matter].max(axis=0, initial=0.0) > NORMAL_WITHIN * sd
    apart |= np.ptp(sds[matter], axis=0) > NORMAL_WITHIN * sd
    some = np.flatnonzero(apart & (sd > 0))
    if len(some):
        low[some] = _quantile(weight, means[:, some], sds[:, some], TAIL)
        high[some] = _quantile(weight, means[:, some], sds[:, some], 1 - TAIL)
    minds: dict[int, list[Mind]] = {}
    # only what spreads beyond its parts can fall apart
    for i in np.flatnonzero(np.ptp(means, axis=0) > APART * sds.min(axis=0)).tolist():
        found = _minds(weight, means[:, i], sds[:, i])
        if len(found) < 2:
            continue
        minds[i] = found
        if found[1].probability < A_MIND:  # the others are told beside it
            mean[i], sd[i], low[i], high[i] = found[0].mean, found[0].sd, found[0].low, found[0].high
    return Heights(mean, sd, low, high, minds)


def _minds(weight: Floats, means: Floats, sds: Floats) -> list[Mind]:
    """Parts gathered where their means lie together, likeliest first."""
    order = np.argsort(means, kind="stable")
    groups: list[list[int]] = []
    held = mean = spread = 0.0
    for i, w, m, sd in zip(
        order.tolist(), weight[order].tolist(), means[order].tolist(), sds[order].tolist(), strict=True
    ):
        if groups and m - mean < APART * max(sd, (spread / held) ** 0.5, 1e-6):
            groups[-1].append(i)
            step = m - mean
            held += w
            mean += step * w / held
            spread += w * (sd**2 + step * (m - mean))
        else:
            groups.append([i])
            held, mean, spread = w, m, w * sd**2
    out = []
    for at in groups:
        mean, sd = _moments(weight[at], means[at], sds[at])
        own = weight[at] / weight[at].sum()
        low, high = (float(_quantile(own, means[at][:, None], sds[at][:, None], q)[0]) for q in (TAIL, 1 - TAIL))
        out.append(Mind(mean, sd, low, high, float(weight[at].sum())))
    return sorted(out, key=lambda m: -round(m.probability, 9))


def _moments(weight: Floats, means: Floats, sds: Floats) -> tuple[float, float]:
    w = weight / weight.sum()
    mean = float(w @ means)
    return mean, float(np.sqrt(w @ (sds**2 + (means - mean) ** 2)))


def _quantile(weight: Floats, means: Floats, sds: Floats, q: float) -> Floats:
    """(p,) quantile of normal mixtures, means and sds (k, p)."""
    safe = np.maximum(sds, 1e-9)
    low, high = (means - 8 * safe).min(axis=0), (means + 8 * safe).max(axis=0)
    for _ in range(26):
        middle = (low + high) / 2
        below = np.einsum("k,kp->p", weight, ndtr((middle - means) / safe)) < q
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2
