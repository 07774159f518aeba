"""How likely an error is beyond a tolerance, whatever else may be wrong: what accepting or rejecting it risks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import sqrt

import numpy as np
from scipy.special import ndtr

from heightnet.arrays import Floats
from heightnet.judge.bench import Look
from heightnet.judge.judgement import Judgement

ACCEPTED_UP_TO, REJECTED_FROM = 0.05, 0.95
LEAST_LEFT = 1e-6  # of a hypothesis' information beside what else is free: less says nothing of its size
UNDECIDED = 0.5  # chance that an error of which nothing is known is beyond the tolerance
WEIGHED = 0.999  # of the probability of all sets


def beyond(mean: Floats | float, sd: Floats | float, limit: float) -> Floats:
    """Probability that a normal variable lies beyond +-limit.

    >>> round(float(beyond(0.0, 1.0, 1.96)), 3), round(float(beyond(3.0, 1.0, 3.0)), 3)
    (0.05, 0.5)
    """
    return np.asarray(1 - ndtr((limit - mean) / sd) + ndtr((-limit - mean) / sd))


def verdict_of(risk: float | None) -> str:
    """What a chance of an error beyond the tolerance allows to say."""
    if risk is None:
        return "untested"
    return "accept" if risk <= ACCEPTED_UP_TO else "reject" if risk >= REJECTED_FROM else "too_weak"


def risk_of(
    judgement: Judgement, h: int, limit: float, alike: Callable[[int], bool], free: Sequence[int] = ()
) -> float | None:
    """Chance that the error of a hypothesis is beyond +-limit; None where nothing tests it.

    Every set of blunders that the search found counts with its probability, its members free; nothing is assumed of the
    error itself, so that a check too weak to see it is no reason to accept it.  What is part of the error or looks the
    same (``alike``) is never let go: a set that holds its class counts as far as the class is told as that; else
    another member is wrong.

    free : hypotheses that are let go in every set: what the error is not to be held against.
    """
    bench = judgement.bench
    label = int(bench.classes.label[h])
    if label < 0:
        return None
    look = next((look for look in judgement.looks if label in look.position), None)
    scale = abs(bench.classes.ratio(h, bench.diagonal))
    if look is None:
        b = float(judgement.u[h] / bench.diagonal[h])
        return float(beyond(b, sqrt(1 / float(bench.diagonal[h])), limit))
    at = look.position[label]
    own = {
        k: share for k, c in enumerate(look.classes.tolist()) if (share := _share(judgement, int(c), alike)) or k == at
    }
    always = {look.position[c] for c in bench.classes.label[list(free)].tolist() if c in look.position} - own.keys()
    total = weight = 0.0
    for members, by_grid in zip(look.posterior.sets, look.posterior.by_grid, strict=True):
        chance = _beside(look, at, sorted({*members, *always} - own.keys()), limit / scale)
        total += min((own[k] for k in members if k in own), default=1.0) * float(by_grid @ chance)
        weight += float(by_grid.sum())
        if weight >= WEIGHED * (1 - look.posterior.unsearched):
            break
    return total / weight


def _share(judgement: Judgement, c: int, alike: Callable[[int], bool]) -> float:
    """Part of a class that is this error, or looks always like it."""
    members = judgement.bench.classes.members(c)
    share = judgement.share[members]
    return float(share[[alike(h) for h in members.tolist()]].sum() / max(float(share.sum()), 1e-300))


def _beside(look: Look, at: int, others: list[int], limit: float) -> Floats:
    """(g,) chance that an error is beyond the limit with others free, at each point of the factor grid."""
    u, information = look.u[:, at].copy(), look.G[:, at, at].copy()
    whole = information.copy()
    if others:
        inside = look.G[:, others][:, :, others] + 1e-9 * np.einsum("gii->gi", look.G[:, others][:, :, others])[
            :, :, None
        ] * np.eye(len(others))
        across = look.G[:, others, at]
        solved = np.linalg.solve(inside, np.stack([look.u[:, others], across], axis=-1))
        u -= np.einsum("go,go->g", across, solved[:, :, 0])
        information -= np.einsum("go,go->g", across, solved[:, :, 1])
    known = information > LEAST_LEFT * whole
    information = np.where(known, information, 1.0)
    return np.where(known, beyond(u / information, information**-0.5, limit), UNDECIDED)
