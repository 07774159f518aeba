"""Which blunders, together, explain the job: probabilities of sets of hypotheses.

Blunders happen independently at the family's rates; the size of one is N(0, tau^2) with tau 6, 30, 150 or 1000 mm,
equally likely, or near a fixed size where the records fix it.  For a set S, with D = diag(tau),

    log post(S) = sum logit rate_i
                  + log mean_tau |I + D G_SS D|^-1/2 exp(u_S'(G_SS + D^-2)^-1 u_S / 2)

summed over the grid of factors on the standard deviations.  All sets of one and two are tried, then the best hundred
are extended, up to six at once and on as long as one more explains more (posteriors of subsets: Hoeting, Raftery &
Madigan 1996; Zhang & Gui 2013, J. Geodesy 87:609).  Three sieves keep it quick, each finer and dearer than the one
before: an upper bound of every set, every tau at its best; a rough value at one grid point and one tau for each member;
the sum itself, for large sets over the likeliest taus and single steps away from them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import product
from time import monotonic

import numpy as np

from heightnet.arrays import Floats, Ints

TAUS_M = (0.006, 0.030, 0.150, 1.000)
FIXED_SIZE_SD_M = 0.002  # how close to the size that the records fix a blunder comes, where they do not say
BEAM = 100
MOST_AT_ONCE = 6  # blunders, and more as long as one more explains more
MOST_EVER = 12
ALL_TAUS_UP_TO = 3  # members of a set up to which every combination of their sizes is summed
SHOWN_ODDS = 20.0
MATTERS = 7.0  # sets less likely than the best by this factor's logarithm are left out
GRID_MATTERS = 9.0  # likewise for points of the factor grid, within one set
ROUGHLY_LOOKED_AT = 10  # times the candidates: sets of one size computed roughly, likeliest bounds first
AT_LEAST = 1000  # such sets, however few the candidates
IN_HASTE = 50  # of each size, once there is no more to spend: enough to tell about what is left out
SAMPLE = 100  # sets of one size, of those left out by their bounds, of which it is seen how much too high these are
BUDGET = 2e9  # steps of one search: about ten seconds of one core
STILL_APART = 1e-9  # part of a member's information that the others must leave of it to count beside them
AT_A_TIME = 120_000  # numbers of many small matrices that are worked on together: they stay in the processor's cache
ROUGHLY = 3.0  # how much the logarithms of two rough values may be off against one another


@dataclass(frozen=True)
class Candidates:
    """What the search chooses from; one entry a class.

    log_odds : (c,) prior log odds of a blunder.
    mean, taus : (c,) and (c, t) prior of its size, m.
    weight : (c, t) log weights of the taus, -inf where a class has fewer of them than others.
    """

    log_odds: Floats
    mean: Floats
    taus: Floats
    weight: Floats

    def some(self, at: Ints) -> Candidates:
        """Some of them."""
        return Candidates(self.log_odds[at], self.mean[at], self.taus[at], self.weight[at])

    @classmethod
    def of(
        cls,
        rate: Floats,
        size: Floats,
        scales: tuple[Floats, Floats, Floats] | None = None,
        size_sd: Floats | float = FIXED_SIZE_SD_M,
        usual: Floats | None = None,
    ) -> Candidates:
        """Of classes with these rates and fixed sizes (c,), whose members need sizes of their own.

        scales : as `Classes.scales` has them.  A size that cannot be is two sds away.  A member that must be ten times
            larger than its representative to make the same misclosures has taus a tenth of the usual in the
            representative's measure: a common error that hardly shows stands beside readings that do.
        size_sd : (c,) of the fixed sizes.
        usual : (c, t) how often an error has each of the usual sizes; left out: all alike.
        """
        one, fixed = np.ones((len(rate), 1)), np.isfinite(size)
        scale, share, largest = scales or (one, one, np.inf * one)
        possible = np.minimum(np.array(TAUS_M), largest[:, :, None] / 2)
        taus = (scale[:, :, None] * possible).reshape(len(rate), -1 if len(rate) else len(TAUS_M))
        taus[fixed] = np.broadcast_to(size_sd, len(rate))[fixed, None]
        how_often = one / len(TAUS_M) * np.ones(len(TAUS_M)) if usual is None else usual
        log_share = np.where(share > 0, np.log(np.maximum(share, 1e-300)), -np.inf)
        weight = (log_share[:, :, None] + np.log(how_often)[:, None, :]).reshape(taus.shape)
        return cls(np.log(rate / (1 - rate)), np.where(fixed, size, 0.0), taus, weight)


@dataclass(frozen=True)
class Posterior:
    """Sets tried and their probabilities, likeliest first.

    sets : tuples of candidate positions, () is "nothing is wrong".
    probability : (s,) of each set, the share that was not searched left out: they sum to 1 - ``unsearched``.
    by_grid : (s, g) the same, parted by point of the factor grid.
    each : (c,) probability that each candidate is among the blunders.
    grid : (g,) probability of each point of the factor grid.
    best_subset : the set that the penalised best-subset rule would choose, k^2 for each member.
    unsearched : about how much probability lies in sets that were not looked at, as far as a sample of them tells.
    capped : the search ended at its largest size while one more blunder still explained more.
    stopped : what cut it short: "", "budget" or "seconds".
    """

    sets: tuple[tuple[int, ...], ...]
    probability: Floats
    by_grid: Floats
    each: Floats
    grid: Floats
    best_subset: tuple[int, ...]
    unsearched: float = 0.0
    capped: bool = False
    stopped: str = ""

    @property
    def nothing(self) -> float:
        """Probability that nothing is wrong."""
        return float(self.probability[self.sets.index(())])

    @property
    def shown(self) -> int:
        """How many sets lie within 20 : 1 of the likeliest."""
        return int(np.sum(self.probability * SHOWN_ODDS >= self.probability[0]))


class Clock:
    """How much a search may still do: steps, the same on every machine, and seconds, where somebody set them."""

    def __init__(self, steps: float = BUDGET, seconds: float | None = None) -> None:
        self.steps = steps
        self.until = None if seconds is None else monotonic() + seconds
        self.struck = ""

    def spend(self, steps: float) -> bool:
        """Take so many steps; False once there is no more to spend."""
        self.steps -= steps
        if self.steps < 0:
            self.struck = "budget"
        elif self.until is not None and monotonic() > self.until:
            self.struck = "seconds"
        return not self.struck


@dataclass
class _Ledger:
    """Sets computed so far, and how much may lie in those that were not."""

    sets: list[tuple[int, ...]] = field(default_factory=list)
    by_grid: list[Floats] = field(default_factory=list)
    total: list[Floats] = field(default_factory=list)
    best: float = -np.inf
    best_roughly: float = -np.inf
    left_out: float = -np.inf

    def add(self, sets: Ints, by_grid: Floats) -> Floats:
        """Keep sets (k, size) with their log posterior (k, g); their log posterior summed over the grid."""
        top = by_grid.max(axis=1)
        total = top + np.log(np.exp(by_grid - top[:, None]).sum(axis=1))
        self.sets += [tuple(row) for row in sets.tolist()]
        self.by_grid.append(by_grid)
        self.total.append(total)
        self.best = max(self.best, float(total.max(initial=-np.inf)))
        return total

    def leave_out(self, sieve: _Sieve, rough: Floats, too_low: float) -> None:
        """Add up what was sieved out: its bounds, less by how much those of a sample are too high.

        Of the sample counts only what would have been kept.

        rough : of the sample; too_low : by how much such values usually are, in the logarithm.
        """
        matters = rough > self.best_roughly - MATTERS - ROUGHLY
        share = np.exp(np.minimum(rough + max(too_low, 0.0) - sieve.sample_bound, 0.0))[matters].sum() / len(rough)
        if share > 0:
            self.left_out = float(np.logaddexp(self.left_out, sieve.left_out + np.log(share)))


@dataclass(frozen=True)
class _Sieve:
    """Sets (k, size) that may matter, and what is known of the others.

    left_out : logarithm of the sum of the others' bounds.
    sample, sample_bound : some of the others, each standing for an equal part of that sum, and their bounds.
    """

    sets: Ints
    left_out: float
    sample: Ints
    sample_bound: Floats

    @classmethod
    def of(cls, sets: Ints) -> _Sieve:
        """Nothing is left out."""
        return cls(sets, -np.inf, sets[:0], np.zeros(0))


def search(
    u: Floats,
    G: Floats,
    log_evidence: Floats,
    candidates: Candidates,
    k: float,
    base: int,
    clock: Clock | None = None,
) -> Posterior:
    """Posterior over sets of blunders.

    Once the clock has struck, a few likely sets of each size are all that is still looked at: without them nobody could
    tell how much probability is left out.

    Parameters
    ----------
    u, G : (g, c) and (g, c, c) of the class representatives over the factor grid.
    log_evidence : (g,) of the factors with no blunder.
    candidates : priors.
    k : critical value, for the best-subset cross-check.
    base : grid point of the assumed standard deviations.
    clock : what it may cost, by default the budget of one search.
    """
    ledger, clock = _Ledger(), clock or Clock()
    count = u.shape[1]
    ledger.add(np.zeros((1, 0), dtype=np.int64), log_evidence[None, :])
    best_subset: tuple[int, ...] = ()
    best_gain = 0.0
    sieve = _Sieve.of(np.arange(count)[:, None])
    capped, many = False, max(AT_LEAST, ROUGHLY_LOOKED_AT * count)
    for size in range(1, MOST_EVER + 1):
        if not len(sieve.sets):
            break
        test, bound, rough = _rough(sieve.sets, u, G, log_evidence, candidates)
        best_subset, best_gain = _better(sieve.sets, test[:, base] - size * k**2, best_subset, best_gain)
        ledger.best_roughly = max(ledger.best_roughly, float(rough.max()))
        worth = int(np.sum(rough > ledger.best_roughly - MATTERS - ROUGHLY))
        kept = np.argsort(-rough, kind="stable")[: max(BEAM, worth)]
        before = ledger.best
        total = ledger.add(sieve.sets[kept], _exact(sieve.sets[kept], bound[kept], u, G, log_evidence, candidates))
        if len(sieve.sample):
            roughly = _rough(sieve.sample, u, G, log_evidence, candidates)[2]
            near = total[:worth] - rough[kept[:worth]]  # of sets that cannot matter rough values are off by anything
            too_low = float(np.median(near)) if worth else 0.0
            ledger.leave_out(sieve, roughly, too_low)
        on = clock.spend(len(sieve.sets) * len(u) * size**3 + len(kept) * len(u) * 4.0 ** min(size, 3) * size**3)
        if size == 1:
            sieve = _pairs(u, G, log_evidence, candidates, ledger.best, many if on else IN_HASTE)
            pair, gain = _best_pair(u[base], G[base])
            best_subset, best_gain = _better(np.array([pair]), np.array([gain - 2 * k**2]), best_subset, best_gain)
            continue
        if size >= MOST_AT_ONCE and ledger.best == before:
            break
        capped = size == MOST_EVER
        on = on and clock.spend(BEAM * len(u) * count * size**2)
        beam = sieve.sets[kept][np.argsort(-total, kind="stable")[: BEAM if on else IN_HASTE]]
        sieve = _extend(beam, u, G, log_evidence, candidates, ledger.best, many if on else IN_HASTE)
    return _normalise(ledger, count, best_subset, capped, clock.struck)


def _better(sets: Ints, gain: Floats, held: tuple[int, ...], best: float) -> tuple[tuple[int, ...], float]:
    at = int(np.argmax(gain))
    return (tuple(sets[at].tolist()), float(gain[at])) if gain[at] > best else (held, best)


def _normalise(ledger: _Ledger, count: int, best_subset: tuple[int, ...], capped: bool, stopped: str) -> Posterior:
    total, by_grid = np.concatenate(ledger.total), np.concatenate(ledger.by_grid)
    # logarithms that differ in their last digits only are equal: the order is then that of the positions
    order = sorted(range(len(total)), key=lambda i: (-round(float(total[i]), 9), ledger.sets[i]))
    left_out = np.exp(min(ledger.left_out - ledger.best, 50.0))
    weight = np.exp(by_grid[order] - ledger.best)
    weight /= weight.sum() + left_out
    probability = weight.sum(axis=1)
    sets = tuple(ledger.sets[i] for i in order)
    each = np.bincount(
        np.concatenate([np.array(s, dtype=np.int64) for s in sets]),
        weights=np.repeat(probability, [len(s) for s in sets]),
        minlength=count,
    )
    searched = float(probability.sum())
    grid = weight.sum(axis=0) / searched
    left = max(1 - searched, 0.0)
    return Posterior(sets, probability, weight, each.astype(float), grid, best_subset, left, capped, stopped)


def _eliminate(M: Floats, right: Floats) -> tuple[Floats, Floats]:
    """right' M^-1 right and log|M| of many small symmetric M at once, by elimination without pivoting.

    Parameters
    ----------
    M : (s, s, N), of which only the lower triangle is read; overwritten.
    right : (s, N), overwritten.
    """
    size = len(M)
    quadratic = np.zeros(right.shape[1])
    log_det = np.zeros(right.shape[1])
    for i in range(size):
        pivot = np.maximum(M[i, i], 1e-300)
        log_det += np.log(pivot)
        quadratic += right[i] ** 2 / pivot
        for j in range(i + 1, size):
            factor = M[j, i] / pivot
            right[j] -= factor * right[i]
            M[j, i + 1 : j + 1] -= factor * M[i + 1 : j + 1, i]
    return quadratic, log_det


def _gather(sets: Ints, grid: Ints, u: Floats, G: Floats) -> tuple[Floats, Floats]:
    """u_S (s, N) and G_SS (s, s, N) of sets (N, s) at grid points (N,)."""
    members = sets.T
    return u[grid, members], G[grid, members[:, None, :], members[None, :, :]]


def _bounds(sets: Ints, u: Floats, G: Floats, prior: Candidates) -> tuple[Floats, Floats]:
    """T_S (k, g), and an upper bound of the log Bayes factor: every size at its best, the smallest tau's penalty."""
    count, size = sets.shape
    few = max(1, AT_A_TIME // (len(u) * size**2))
    if count > few:
        parts = [_bounds(sets[at : at + few], u, G, prior) for at in range(0, count, few)]
        return np.concatenate([test for test, _ in parts]), np.concatenate([bound for _, bound in parts])
    points = len(u)
    rows, grid = np.repeat(sets, points, axis=0), np.tile(np.arange(points), count)
    us, Gs = _gather(rows, grid, u, G)
    scale = 1 / np.sqrt(Gs[np.arange(size), np.arange(size)])
    index = np.arange(size)
    correlation = Gs * scale[:, None] * scale[None]
    correlation[index, index] += 1e-9  # sets that hang together exactly get a finite test
    test, _ = _eliminate(correlation, us * scale)
    smallest = prior.taus.min(axis=1)[rows].T
    spread = Gs * smallest[:, None] * smallest[None]
    spread[index, index] += 1.0
    _, log_det = _eliminate(spread, np.zeros_like(us))
    return test.reshape(count, points), (0.5 * (test - log_det)).reshape(count, points)


def _rough(sets: Ints, u: Floats, G: Floats, log_evidence: Floats, prior: Candidates) -> tuple[Floats, Floats, Floats]:
    """T_S (k, g), upper bound of the log posterior (k, g), and roughly the log posterior (k,).

    Roughly: at the grid point of the largest bound, each member with the tau that suits its estimate best.
    """
    test, log_bayes = _bounds(sets, u, G, prior)
    bound = log_evidence[None, :] + prior.log_odds[sets].sum(axis=1)[:, None] + log_bayes
    grid = bound.argmax(axis=1)
    us, Gs = _gather(sets, grid, u, G)
    taus, weight = _likely_taus(us, Gs, *_sizes(sets, prior), 1)
    value = _log_bayes(us, Gs, prior.mean[sets].T, taus[:, 0], weight[:, 0])
    return test, bound, value + log_evidence[grid] + prior.log_odds[sets].sum(axis=1)


def _exact(sets: Ints, bound: Floats, u: Floats, G: Floats, log_evidence: Floats, prior: Candidates) -> Floats:
    """log posterior (k, g) of sets at each grid point, sizes integrated out; -inf where it cannot matter."""
    size = sets.shape[1]
    out = np.full(bound.shape, -np.inf)
    which, grid = np.nonzero(bound > bound.max(axis=1, keepdims=True) - GRID_MATTERS)
    rows = sets[which]
    us, Gs = _gather(rows, grid, u, G)
    taus, weight = _sizes(rows, prior)
    if size > 1:
        taus, weight = _likely_taus(us, Gs, taus, weight, 3 if size == 2 else 2)
    mean, index = prior.mean[rows].T, np.arange(size)
    if size <= ALL_TAUS_UP_TO:
        total = np.full(len(which), -np.inf)
        for combo in product(range(taus.shape[1]), repeat=size):
            total = np.logaddexp(total, _log_bayes(us, Gs, mean, taus[index, combo], weight[index, combo]))
    else:  # the likeliest taus, and what each member's second one adds to them
        first = _log_bayes(us, Gs, mean, taus[:, 0], weight[:, 0])
        total = first.copy()
        for j in range(size):
            combo = (index == j).astype(np.int64)
            second = _log_bayes(us, Gs, mean, taus[index, combo], weight[index, combo])
            total += np.log1p(np.exp(np.minimum(second - first, 50.0)))
    out[which, grid] = total + log_evidence[grid] + prior.log_odds[rows].sum(axis=1)
    return out


def log_gain(members: list[int], u: Floats, G: Floats, prior: Candidates) -> Floats:
    """(g,) logarithm of the posterior of one set against that of nothing wrong, the factors given."""
    sets, nothing = np.array([members], dtype=np.int64), np.zeros(len(u))
    return _exact(sets, nothing[None, :], u, G, nothing, prior)[0] if members else nothing


def _sizes(sets: Ints, prior: Candidates) -> tuple[Floats, Floats]:
    """taus and their log weights of the members of sets (N, s), each (s, 4, N)."""
    return np.moveaxis(prior.taus[sets], 0, 2), np.moveaxis(prior.weight[sets], 0, 2)


def _log_bayes(us: Floats, Gs: Floats, mean: Floats, tau: Floats, weight: Floats) -> Floats:
    """log of a set's Bayes factor with one tau for each member; all (s, N) but Gs (s, s, N)."""
    index = np.arange(len(us))
    precision = 1 / tau**2
    M = Gs.copy()
    M[index, index] += precision
    quadratic, log_det = _eliminate(M, us + mean * precision)
    log_det += 2 * np.log(tau).sum(axis=0)
    return weight.sum(axis=0) + 0.5 * (quadratic - log_det - (mean**2 * precision).sum(axis=0))


def _likely_taus(us: Floats, Gs: Floats, taus: Floats, weight: Floats, keep: int) -> tuple[Floats, Floats]:
    """For sets of several, the few taus of each member that carry nearly all of its weight, given its estimate."""
    size = len(us)
    index = np.arange(size)
    ridge = Gs.copy()
    ridge[index, index] *= 1 + 1e-9
    covariance = np.moveaxis(np.linalg.inv(np.moveaxis(ridge, 2, 0)), 0, 2)
    b = np.einsum("ijk,jk->ik", covariance, us)[:, None]
    spread = taus**2 + np.einsum("iik->ik", covariance)[:, None]
    likely = weight - 0.5 * np.log(spread) - 0.5 * b**2 / spread
    order = np.argsort(-likely, axis=1)[:, :keep]
    return np.take_along_axis(taus, order, 1), np.take_along_axis(weight, order, 1)


def _pair_tests(u: Floats, G: Floats) -> tuple[Floats, Floats]:
    """T of every pair (c, c) at one grid point, 0 on the diagonal and where two hang together; and 1 - rho^2."""
    d = np.diag(G)
    w = u / np.sqrt(d)
    rho = G / np.sqrt(np.outer(d, d))
    apart = 1 - rho**2
    apart[apart < 1e-9] = np.inf
    T = (w[:, None] ** 2 - 2 * rho * w[:, None] * w[None, :] + w[None, :] ** 2) / apart
    np.fill_diagonal(T, 0.0)
    return T, rho


def _best_pair(u: Floats, G: Floats) -> tuple[tuple[int, int], float]:
    T = np.triu(_pair_tests(u, G)[0], 1)
    i, j = np.unravel_index(int(np.argmax(T)), T.shape)
    return (int(i), int(j)), float(T[i, j])


def _pairs(u: Floats, G: Floats, log_evidence: Floats, prior: Candidates, best: float, at_most: int) -> _Sieve:
    """All pairs whose upper bound could matter."""
    bound = np.full(G.shape[1:], -np.inf)
    smallest = prior.taus.min(axis=1)
    for g in range(len(u)):
        T, rho = _pair_tests(u[g], G[g])
        gain = smallest**2 * np.diag(G[g])
        log_det = np.log((1 + gain[:, None]) * (1 + gain[None, :]) - rho**2 * np.outer(gain, gain))
        np.maximum(bound, log_evidence[g] + 0.5 * (T - log_det), out=bound)
    bound += prior.log_odds[:, None] + prior.log_odds[None, :]
    i, j = np.triu_indices(len(bound), 1)
    return _likeliest(np.column_stack([i, j]), bound[i, j], best, at_most)


def _extend(
    beam: Ints, u: Floats, G: Floats, log_evidence: Floats, prior: Candidates, best: float, at_most: int
) -> _Sieve:
    """Every set of the beam with one more member, where the upper bound could matter."""
    size, count = beam.shape[1], u.shape[1]
    inside = log_evidence[None, :] + _bounds(beam, u, G, prior)[1]
    which, grid = np.nonzero(inside > inside.max(axis=1, keepdims=True) - GRID_MATTERS)
    bound = np.full((len(beam), count), -np.inf)
    smallest = prior.taus.min(axis=1)
    for part in np.array_split(np.arange(len(which)), max(1, len(which) * count * size // 4_000_000)):
        set_of, at = which[part], grid[part]
        rows = beam[set_of]
        us, Gs = _gather(rows, at, u, G)
        across = np.stack([G[at, rows[:, i]] for i in range(size)])  # (s, N, c)
        left, rest = u[at].copy(), np.einsum("gii->gi", G)[at].copy()
        whole = rest.copy()
        own = Gs[np.arange(size), np.arange(size)].copy()
        for i in range(size):  # the members taken out of every other hypothesis, one after the other
            pivot = np.where(Gs[i, i] > STILL_APART * own[i], Gs[i, i], np.inf)
            left -= across[i] * (us[i] / pivot)[:, None]
            rest -= across[i] ** 2 / pivot[:, None]
            for j in range(i + 1, size):
                factor = Gs[j, i] / pivot
                us[j] -= factor * us[i]
                across[j] -= factor[:, None] * across[i]
                for k in range(i + 1, size):
                    Gs[j, k] -= factor * Gs[i, k]
        free = rest > 1e-6 * whole
        rest = np.where(free, rest, 1.0)
        gain = np.where(free, 0.5 * left**2 / rest - 0.5 * np.log1p(smallest**2 * rest), -np.inf)
        np.maximum.at(bound, set_of, inside[set_of, at][:, None] + gain)
    bound += prior.log_odds[beam].sum(axis=1)[:, None] + prior.log_odds[None, :]
    np.put_along_axis(bound, beam, -np.inf, axis=1)
    row, added = np.nonzero(bound > best - MATTERS - ROUGHLY)
    if not len(row):
        return _Sieve.of(np.zeros((0, size + 1), dtype=np.int64))
    sets, first = np.unique(np.sort(np.column_stack([beam[row], added]), axis=1), axis=0, return_index=True)
    return _likeliest(sets, bound[row, added][first], best, at_most)


def _likeliest(sets: Ints, bound: Floats, best: float, at_most: int) -> _Sieve:
    """The few sets that may matter most, and how much the others hold at most."""
    order = np.argsort(-bound, kind="stable")
    kept = order[:at_most]
    kept = kept[bound[kept] > best - MATTERS]
    rest = order[len(kept) :]
    rest = rest[bound[rest] > best - MATTERS]
    if not len(rest):
        return _Sieve.of(sets[kept])
    left_out = float(np.logaddexp.reduce(bound[rest]))
    upto = np.cumsum(np.exp(bound[rest] - left_out))
    sample = rest[np.searchsorted(upto, upto[-1] * (np.arange(SAMPLE) + 0.5) / SAMPLE)]
    return _Sieve(sets[kept], left_out, sets[sample], bound[sample])
