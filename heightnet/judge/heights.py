"""Heights as the whole posterior has them: over sets of blunders, members of classes, scatter factors and sizes.

For a set S with members c at a point of the factor grid and sizes of spread tau (D = diag tau),

    cov = (G_cc + D^-2)^-1,  mu = cov (u_c + D^-2 mean),  E = N^-1 A'P C_c
    heights: mean x - E mu, variance diag N^-1 + diag E cov E'

and every member of a class counts with its share: that nothing tells them apart must not make a height look sure.
Where the means of a height fall apart, it has two minds, and no single number is given.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from heightnet.judge.bench import Look
from heightnet.judge.judgement import Judgement

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LEAST_SET = 0.002  # probability of a set that counts
LEAST_CHOICE = 0.002  # likewise of one choice of members of its classes
LEAST_POINT = 0.03  # likewise of a point of the factor grid
CHOICES_AT_MOST = 400
SPREADS_UP_TO = 3  # members of a set up to which every combination of their spreads is weighed
APART = 3.0  # means further apart than so many standard deviations are two minds
A_MIND = 0.05  # probability from which one is told as a height of its own
TAIL = 0.025  # of the intervals of 95 %


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
    """One way in which things may be: its weight, point of the factor grid, what is wrong, by how much, covariance."""

    weight: float
    g: int
    hypotheses: tuple[int, ...]
    size: Floats
    covariance: Floats


def components(judgement: Judgement, look: Look) -> list[Component]:
    """The posterior of one neighbourhood in few components, weights summing to 1."""
    out: list[Component] = []
    posterior = look.posterior
    for s, p, by_grid in zip(posterior.sets, posterior.probability.tolist(), posterior.by_grid, strict=True):
        if p < LEAST_SET:
            break
        choices = list(_choices(judgement, look, s))
        points = np.flatnonzero(by_grid >= LEAST_POINT * p)
        sizes, covariances = _sizes(judgement, look, points, list(s))
        for g, size, covariance in zip(points.tolist(), sizes, covariances, strict=True):
            for share, members, ratio in choices:
                spread = covariance * ratio[:, None] * ratio[None, :]
                out.append(Component(float(by_grid[g]) * share, g, members, size * ratio, spread))
    total = sum(c.weight for c in out)
    return [Component(c.weight / total, c.g, c.hypotheses, c.size, c.covariance) for c in out]


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
    spreads = [range(prior.taus.shape[1])] * len(at)
    if len(at) > SPREADS_UP_TO:  # the spread that suits each member best
        ridge = G[0] + 1e-9 * np.diag(own[0])
        b, variance = np.linalg.solve(ridge, u[0]), prior.taus**2 + 1 / own[0][:, None]
        best = np.argmax(-0.5 * np.log(variance) - 0.5 * (b[:, None] - prior.mean[:, None]) ** 2 / variance, axis=1)
        spreads = [range(int(i), int(i) + 1) for i in best]
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


class Posterior:
    """Asked for heights: of marks by way of the adjustment, of anything by way of what each hypothesis does to it."""

    def __init__(self, judgement: Judgement) -> None:
        self.judgement, self.bench = judgement, judgement.bench
        self.parts = [components(judgement, look) for look in judgement.looks]

    def mixed(self, base: Floats, variance: Floats, effect: dict[int, Floats], replaces: bool = False) -> Heights:
        """Posterior of values that a hypothesis h of size b shifts by -effect[h] b.

        Parameters
        ----------
        base, variance : (g, p) values with nothing wrong, and their variances, at each point of the factor grid.
        effect : by hypothesis, (g, p).
        replaces : the values are the observations that the hypotheses are about; a wrong one is replaced by what the
            rest says, whose variance is that of the error less its own.
        """
        p = base.shape[1]
        if not self.parts:
            return _of([(1.0, base[0], variance[0])], p)
        shifts = []
        for part in self.parts:
            rows = []
            for c in part:
                E = np.column_stack([effect[h][c.g] for h in c.hypotheses]) if c.hypotheses else np.zeros((p, 0))
                more = np.einsum("ps,st,pt->p", E, c.covariance, E)
                if replaces:
                    more = np.where(more > 0, np.maximum(more - 2 * variance[c.g], -variance[c.g]), 0.0)
                rows.append((c.weight, c.g, -(E @ c.size), more))
            shifts.append(rows)
        if len(shifts) == 1:
            return _of([(w, base[g] + shift, variance[g] + more) for w, g, shift, more in shifts[0]], p)
        return self._of_several(base, variance, shifts, p)

    def _of_several(self, base: Floats, variance: Floats, shifts, p: int) -> Heights:  # type: ignore[no-untyped-def]
        """Neighbourhoods are independent: for each value the one that divides it most is kept, the others summed."""
        g = self.bench.base
        weights = [np.array([w for w, _, _, _ in rows]) for rows in shifts]
        means = [w @ np.array([shift for _, _, shift, _ in rows]) for w, rows in zip(weights, shifts, strict=True)]
        spreads = [
            w @ np.array([more + (shift - m) ** 2 for _, _, shift, more in rows])
            for w, rows, m in zip(weights, shifts, means, strict=True)
        ]
        divided = np.argmax(np.round(spreads, 12), axis=0)
        total_mean, total_spread = np.sum(means, axis=0), np.sum(spreads, axis=0)
        out = Heights(np.zeros(p), np.zeros(p), np.zeros(p), np.zeros(p), {})
        for i in np.unique(divided):
            at = np.flatnonzero(divided == i)
            rest_mean = base[g, at] + (total_mean - means[i])[at]
            rest_variance = variance[g, at] + (total_spread - spreads[i])[at]
            part = _of(
                [(w, rest_mean + shift[at], rest_variance + more[at]) for w, _, shift, more in shifts[i]], len(at)
            )
            for whole, some in zip(
                (out.mean, out.sd, out.low, out.high), (part.mean, part.sd, part.low, part.high), strict=True
            ):
                whole[at] = some
            out.minds.update({int(at[k]): minds for k, minds in part.minds.items()})
        return out


def _of(parts: list[tuple[float, Floats, Floats]], p: int) -> Heights:
    """The mixture of normal parts (weight, means (p,), variances (p,))."""
    weight = np.array([w for w, _, _ in parts])
    means = np.array([m for _, m, _ in parts])  # (k, p)
    variances = np.maximum(np.array([v for _, _, v in parts]), 0.0)
    mean = weight @ means
    sd = np.sqrt(weight @ (variances + (means - mean) ** 2))
    low, high = (
        _quantile(weight, means, np.sqrt(variances), TAIL),
        _quantile(weight, means, np.sqrt(variances), 1 - TAIL),
    )
    minds: dict[int, list[Mind]] = {}
    # only what spreads beyond its parts can fall apart
    for i in np.flatnonzero(np.ptp(means, axis=0) > APART * np.sqrt(variances.min(axis=0))).tolist():
        found = _minds(weight, means[:, i], np.sqrt(variances[:, i]))
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
