"""Which measurements to make: the cheapest set that proves every height, by greedy choice and exchange.

With candidates of rows a and variances q, a set S of them adds to the reduced information of a hypothesis

    G_new = G + f_S' (diag q_S + A_S N^-1 A_S')^-1 f_S,  f = B' N^-1 a'

(the matrix inversion lemma for several rows), so that no set needs an adjustment of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from heightnet.arrays import Floats
from heightnet.tasks.next import Sizes

LARGE_M = 1.0  # an error nothing limits counts like one of this size
EPS = 1e-9
TRIES = 40  # candidates tried in an exchange, those that help most
EXPONENTS = (1.0, 0.5, 1.5)  # of the cost in the greedy choices that start the exchange
SMALL = 60  # candidates up to which the exchange also starts from all of them, the dearest left out first
EXCHANGED_UP_TO = 12  # measurements chosen up to which several are left out together and several starts are tried
PRUNED_UP_TO = 80  # measurements chosen up to which exchanges are tried at all


@dataclass(frozen=True)
class Design:
    """The candidates and what they are for.

    f, spread, variance : (p, w), (p, p), (p,) as in `heightnet.judge.gain.Gain`.
    diagonal : (w,) reduced information of the hypotheses about the heights.
    goal : (h,) error that must not be able to hide in each, m.
    minutes : (p,) cost of each candidate.
    sizes : of errors that are found, by information.
    """

    f: Floats
    spread: Floats
    variance: Floats
    diagonal: Floats
    goal: Floats
    minutes: Floats
    sizes: Sizes

    def information(self, chosen: list[int]) -> Floats:
        """(w,) diagonal of G with these candidates made."""
        if not chosen:
            return self.diagonal
        f = self.f[chosen]
        total = self.spread[np.ix_(chosen, chosen)] + np.diag(self.variance[chosen])
        return self.diagonal + np.einsum("ph,ph->h", f, np.linalg.solve(total, f))

    def detectable(self, chosen: list[int]) -> Floats:
        """(h,) size of error that is found in each height, m; inf where nothing tests it."""
        return self.sizes.of(self.information(chosen))

    def shortfall(self, chosen: list[int]) -> float:
        """How far the heights are from their goals: the sum of ln(size found / goal) where it is above 0."""
        return float(self._short(self.information(chosen)))

    def _short(self, information: Floats) -> Floats:
        """(...) with this information (..., w), shared among the kinds of error that a height can have."""
        goal = self.goal[:, None]
        found = np.maximum(np.minimum(self.sizes.kinds(information), LARGE_M), goal)
        return np.asarray(np.log(found / goal).mean(axis=-1).sum(axis=-1))

    def cost(self, chosen: list[int]) -> float:
        return float(self.minutes[chosen].sum())

    def greedy(self, budget: float, start: list[int], exclude: set[int], exponent: float = 1.0) -> list[int]:
        """Take what brings most for its minutes until the goals are met, the budget is spent or nothing helps."""
        chosen = list(start)
        f, spread, diagonal = self.f, self.spread, self.diagonal
        for p in chosen:
            f, spread, diagonal = self._taken(p, f, spread, diagonal)
        while True:
            now = float(self._short(diagonal))
            if now <= EPS:
                return chosen
            after = diagonal + f**2 / (self.variance + np.maximum(np.diag(spread), 0.0))[:, None]
            gain = now - self._short(after)
            fits = self.minutes <= budget - self.cost(chosen) + EPS
            fits[[*chosen, *exclude]] = False
            score = np.where(fits & (gain > EPS), gain / self.minutes**exponent, -np.inf)
            best = int(np.argmax(score)) if len(score) else -1
            if best < 0 or not np.isfinite(score[best]):
                return chosen
            chosen.append(best)
            f, spread, diagonal = self._taken(best, f, spread, diagonal)

    def _taken(self, p: int, f: Floats, spread: Floats, diagonal: Floats) -> tuple[Floats, Floats, Floats]:
        total = self.variance[p] + spread[p, p]
        across = spread[:, p].copy()
        return (
            f - np.outer(across / total, f[p]),
            spread - np.outer(across, across) / total,
            diagonal + f[p] ** 2 / total,
        )

    def pruned(self, chosen: list[int]) -> list[int]:
        """Without what the rest makes unnecessary, the dearest left out first."""
        kept = list(chosen)
        limit = self.shortfall(kept) + EPS
        for p in sorted(chosen, key=lambda p: -self.minutes[p]):
            rest = [q for q in kept if q != p]
            if self.shortfall(rest) <= limit:
                kept = rest
        return kept

    def better(self, one: list[int], other: list[int]) -> bool:
        """Nearer to the goals, or as near for fewer minutes."""
        a, b = self.shortfall(one), self.shortfall(other)
        return a < b - 1e-7 or (a < b + 1e-7 and self.cost(one) < self.cost(other) - EPS)

    def exchanged(self, chosen: list[int], budget: float, rounds: int = 4) -> list[int]:
        """Improve a choice: leave one or two out and repair greedily, or take one more and drop what it replaces."""
        best = self.pruned(chosen) if len(chosen) <= PRUNED_UP_TO else chosen
        if len(best) > PRUNED_UP_TO:
            return best
        for _ in range(rounds if len(best) <= EXCHANGED_UP_TO else 1):
            before = best
            together = (1, 2, 3) if len(before) <= EXCHANGED_UP_TO // 2 else (1, 2)
            outs = [list(p) for k in together for p in combinations(before, k)]
            for out in outs if len(before) <= EXCHANGED_UP_TO else []:
                rest = [p for p in best if p not in out]
                if len(rest) == len(best):
                    continue
                trial = self.pruned(self.greedy(budget, rest, set(out)))
                if self.better(trial, best):
                    best = trial
            for p in self._helpful(best):
                if p in best:
                    continue
                trial = self.pruned([*best, p])
                if self.cost(trial) <= budget + EPS and self.better(trial, best):
                    best = trial
            if best == before:
                break
        return best

    def _helpful(self, chosen: list[int]) -> list[int]:
        """Candidates that alone would bring most."""
        alone = self.diagonal + self.f**2 / (self.variance + np.diag(self.spread))[:, None]
        gain = -self._short(alone)
        return [int(p) for p in np.argsort(-gain, kind="stable")[:TRIES] if int(p) not in chosen]

    def best(self, budget: float = np.inf) -> list[int]:
        """The best of several greedy starts after exchange, in the order of what each step brings for its minutes."""
        found = self.exchanged(self.greedy(budget, [], set()), budget)
        if len(found) <= EXCHANGED_UP_TO:
            starts = [self.greedy(budget, [], set(), exponent) for exponent in EXPONENTS[1:]]
            if len(self.minutes) <= SMALL and np.isinf(budget):
                starts.append(self.pruned(list(range(len(self.minutes)))))
            for start in starts:
                trial = self.exchanged(start, budget)
                if self.better(trial, found):
                    found = trial
        return self.ordered(found)

    def ordered(self, chosen: list[int]) -> list[int]:
        """The same set, what brings most for its minutes first."""
        left = list(chosen)
        out: list[int] = []
        while left:
            now = self.shortfall(out)
            left.sort(key=lambda p: -(now - self.shortfall([*out, p])) / self.minutes[p])
            out.append(left.pop(0))
        return out
