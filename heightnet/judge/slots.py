"""Forty rivals of 2.5 % each are one finding: sets of blunders gathered into slots, one for each blunder there may be.

The likeliest set that is not empty gives each of its members a slot.  Every other set is laid onto it as well as it
fits: the same class, or one whose test resembles it, takes the slot.  What is left over forms further slots.  What a
slot lacks of certainty is the chance that there is no such blunder at all.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from heightnet.arrays import Floats
from heightnet.judge.search import Posterior

ALIKE = 0.3  # correlation of two tests from which one may stand in the other's slot
SAME = 2.0  # worth of the same class in an assignment: more than any resemblance
LEAST = 0.02  # probability of a slot worth keeping
LIGHTEST = 1e-9  # of a set


@dataclass(frozen=True)
class Slot:
    """One blunder there may be: the probability that it is each class, likeliest first."""

    classes: tuple[int, ...]
    probability: tuple[float, ...]

    @property
    def total(self) -> float:
        return float(sum(self.probability))

    def of(self, c: int) -> float:
        return self.probability[self.classes.index(c)] if c in self.classes else 0.0


def slots_of(posterior: Posterior, rho: Floats) -> list[Slot]:
    """The slots of a search, those of the likeliest set first.

    Parameters
    ----------
    rho : (c, c) correlation of the candidates' tests.
    """
    first = next((s for s in posterior.sets if s), None)
    if first is None:
        return []
    worth = np.where(np.abs(rho) >= ALIKE, np.abs(rho), 0.0)
    np.fill_diagonal(worth, SAME)
    mass: list[dict[int, float]] = [defaultdict(float) for _ in first]
    left: list[tuple[float, list[int]]] = []
    for s, p in zip(posterior.sets, posterior.probability.tolist(), strict=True):
        if not s or p < LIGHTEST:
            continue
        taken = _assigned(s, first, worth)
        for i, k in taken.items():
            mass[k][s[i]] += p
        if len(taken) < len(s):
            left.append((p, [c for i, c in enumerate(s) if i not in taken]))
    while left:
        further = _further(left, worth)
        if sum(further.values()) < LEAST:
            break
        mass.append(further)
    return [_slot(m) for m in mass if m]  # the likeliest set itself may be too light to count


def _assigned(s: tuple[int, ...], first: tuple[int, ...], worth: Floats) -> dict[int, int]:
    """Slot of each member of a set, by position, as the members fit best; those that fit nowhere are left out."""
    if len(first) == 1 or len(s) == 1:
        w = worth[np.ix_(s, first)]
        i, k = divmod(int(np.argmax(w)), len(first))
        return {i: k} if w[i, k] > 0 else {}
    w = worth[np.ix_(s, first)]
    rows, columns = linear_sum_assignment(w, maximize=True)
    return {int(i): int(k) for i, k in zip(rows, columns, strict=True) if w[i, k] > 0}


def _further(left: list[tuple[float, list[int]]], worth: Floats) -> dict[int, float]:
    """Take the likeliest class that is left over and what resembles it out of ``left``, one of each set."""
    total: dict[int, float] = defaultdict(float)
    for p, classes in left:
        for c in classes:
            total[c] += p
    leader = max(total, key=lambda c: (round(total[c], 12), -c))
    found: dict[int, float] = defaultdict(float)
    for p, classes in left:
        best = max(classes, key=lambda c: worth[c, leader])
        if worth[best, leader] > 0:
            found[best] += p
            classes.remove(best)
    left[:] = [(p, classes) for p, classes in left if classes]
    return found


def _slot(mass: dict[int, float]) -> Slot:
    order = sorted(mass, key=lambda c: (-round(mass[c], 12), c))
    return Slot(tuple(order), tuple(mass[c] for c in order))
