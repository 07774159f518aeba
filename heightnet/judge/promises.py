"""How large an error must be to be spoken of, and to be named alone: true of the rule itself, not of another test.

An error of class c moves the misclosures along the line T(s) = Z' + s m_c, where s, the class's own test, is normal
about delta, and Z' is what chance does across the line.  For a few dozen such Z' the smallest s is found at which
something is said, and the smallest from which on the thing is named; averaged over them,

    P(said) = mean Phi(delta - s*) + Phi(-delta - s*),    P(named) = mean Phi(delta - s_n).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.special import ndtr, ndtri

from heightnet.arrays import Floats, Ints
from heightnet.judge.bench import Bench, BenchBase
from heightnet.judge.closing import LARGEST_EXPONENT, Odds, canonical_order
from heightnet.judge.large import LargeBench
from heightnet.judge.names import Named
from heightnet.judge.naming import EVIDENCE
from heightnet.judge.places import STAND
from heightnet.judge.reduction import UNTESTABLE
from heightnet.ledger.thing import STANDS

COLUMNS = 64
SEED = 20240301
RESEMBLES = 0.3  # correlation from which a class is felt along another's line
FELT_BY, RIVALS = 24, 24  # such classes, the nearest, that are followed to see what is said, and what is named
FELT = 1e-6  # correlation below which a class is not moved at all
LIGHT = 1e-3  # points of the factor grid with less weight everywhere on a line are left out of it
FOUND_AT = np.linspace(-2.0, 1.1, 5)  # points of the line about k
NAMED_AT = np.array([-1.0, 0.0, 0.7, 1.5, 2.5])
NAMED_BEYOND = 7  # further points, up to NAMED_TO
NAMED_TO = 8.2  # times k + 2: an error so large is named or never will be
NAMED_POWER = 0.95
LARGEST_DELTA = 1e4
NAMED_HEIGHTS, NAMED_OBSERVATIONS = 2_000, 20_000  # of a large job, up to which sizes of naming are worked out
AT_ONCE = 64


@dataclass(frozen=True)
class Promises:
    """(h,) sizes, m; inf where no size is enough.

    found : of an error of which something is said in ``test.power`` of cases.
    named : that is named alone in 95 of 100; NaN where it was not asked for, or not worked out.
    at_most : the found ones are an upper bound, not computed for the rule itself.
    """

    found: Floats
    named: Floats
    at_most: bool

    def of_more(self, bench: BenchBase) -> Promises:
        """The same for a bench with more hypotheses after these, of which nothing is promised."""
        more = len(bench.family) - len(self.found)
        found, named = np.r_[self.found, np.full(more, np.inf)], np.r_[self.named, np.full(more, np.nan)]
        return Promises(found, named, self.at_most)


class _Lines:
    """What every class's line needs: u and the weights of the factors of some columns of noise.

    asked : (c,) the classes that are followed.
    u : (g, c, n) of them over the points of the factor grid taken part; evidence : (g, n).
    diagonals : (g, c); base : the point of the stated standard deviations.
    """

    def __init__(
        self, bench: BenchBase, asked: Ints, u: Floats, evidence: Floats, diagonals: Floats, base: int
    ) -> None:
        self.asked, self.prior = asked, bench.candidates.some(asked)
        self.u, self.evidence, self.diagonals, self.base = u, evidence, diagonals, base
        self.free = bench.free[asked]
        self.odds = [Odds(diagonal, self.prior) for diagonal in diagonals]
        self.each = np.array([odds.each(one) for odds, one in zip(self.odds, u, strict=True)])  # (g, c, n)
        self.total = self.each.sum(axis=1)  # (g, n)
        self.w = u[base] / np.sqrt(diagonals[base])[:, None]  # (c, n)


def _noise(bench: BenchBase) -> Floats:
    """(m, n) columns of noise in units of the standard deviations.

    Each observation takes its normal quantiles in an order of its own: even coverage with few columns.
    """
    order = canonical_order(bench.net)
    rng = np.random.default_rng(SEED)
    quantiles = ndtri((np.arange(COLUMNS) + 0.5) / COLUMNS)
    Z = np.empty((len(order), COLUMNS))
    Z[order] = rng.permuted(np.tile(quantiles, (len(order), 1)), axis=1)
    return Z


class _Line:
    """The line of one class, felt by the ``at_most`` classes asked that resemble it most.

    u, diagonal : (g, n) and (g,) its own, whether it is asked or not.
    columns : (g, every class) its columns of G.
    """

    def __init__(self, lines: _Lines, u: Floats, diagonal: Floats, columns: Floats, at_most: int) -> None:
        columns = columns[:, lines.asked]
        self.lines, self.u, self.diagonal, self.columns = lines, u, diagonal, columns
        self.scale = float(diagonal[lines.base] ** -0.5)
        self.rho = columns[lines.base] * self.scale / np.sqrt(lines.diagonals[lines.base])
        alike = np.abs(self.rho).round(9)  # last digits, another on each processor, choose among none that are equal
        near = np.flatnonzero(alike > RESEMBLES)
        self.near = np.sort(near[np.argsort(-alike[near], kind="stable")[:at_most]])
        self.mu = u[lines.base] * self.scale  # where on the line each column lies

    def largest_exceeds(self, k: float) -> Floats:
        """(n,) smallest s at which the largest |w| exceeds k."""
        free = self.lines.free & (np.abs(self.rho) > FELT)
        return _first_beyond(k, self.rho[free], self.lines.w[free], self.mu)

    def along(self, s: Floats) -> tuple[Ints, Floats, Floats]:
        """At s (p,): points of the factor grid that matter, their log weights (g, n, p), log Bayes factors of the
        classes near (g, near, n, p)."""
        lines = self.lines
        step = s[None, :] - self.mu[:, None]  # (n, p)
        own = self.u[:, :, None] * self.scale
        slope = self.diagonal * self.scale**2
        weight = lines.evidence[:, :, None] - step * own - 0.5 * step**2 * slope[:, None, None]
        relative = weight - weight.max(axis=0)
        matter = np.flatnonzero(relative.reshape(len(weight), -1).max(axis=1) > np.log(LIGHT))
        bayes = np.empty((len(matter), len(self.near), *step.shape), dtype=np.float32)
        for i, g in enumerate(matter.tolist()):
            move = self.columns[g, self.near] * self.scale
            u = lines.u[g, self.near][:, :, None] + move[:, None, None] * step
            bayes[i] = lines.odds[g].log_each(u.reshape(len(u), -1), self.near).reshape(u.shape)
        return matter, weight[matter], bayes

    def rest(self, matter: Ints) -> Floats:
        """(g, n) summed odds of the classes that the line hardly moves."""
        lines = self.lines
        return np.maximum(lines.total[matter] - lines.each[matter][:, self.near].sum(axis=1), 0.0)

    def odds_exceed(self, k: float, theta: float) -> Floats:
        """(n,) smallest s at which the odds exceed theta, looked for about k; inf where not there."""
        s = k + FOUND_AT
        matter, weight, odds = self.along(s)
        weight = np.exp(weight - weight.max(axis=0))
        near = np.exp(np.minimum(odds, LARGEST_EXPONENT)).sum(axis=1)
        total = np.log((weight * (near + self.rest(matter)[:, :, None])).sum(axis=0) / weight.sum(axis=0))
        return _first_crossing(s, total - theta)

    def named_from(self, k: float, said: Floats, own: npt.NDArray[np.bool_]) -> Floats:
        """(n,) smallest s from which on the class's thing is named; inf where it never is.

        Parameters
        ----------
        own : (near,) classes about the same thing.
        """
        s = np.concatenate([k + NAMED_AT, np.geomspace(k + 4.0, NAMED_TO * (k + 2), NAMED_BEYOND)])
        matter, weight, odds = self.along(s)
        weight -= weight.max(axis=0)
        nothing = np.log(np.exp(weight).sum(axis=0))
        each = _log_sum(weight[:, None] + odds, 0)  # (near, n, p)
        of_thing = _log_sum(each[own], 0)
        rest = np.log(np.maximum((np.exp(weight) * self.rest(matter)[:, :, None]).sum(axis=0), 1e-300))
        others = [nothing, rest]
        margin = np.full(nothing.shape, np.inf)
        if not own.all():
            others.append(_log_sum(each[~own], 0))
            likelihood = each - self.lines.prior.log_odds[self.near][:, None, None]  # rates left out
            margin = likelihood[own].max(axis=0) - likelihood[~own].max(axis=0) - np.log(EVIDENCE)
        margin = np.minimum(margin, of_thing - _log_sum(np.array(others), 0))
        return np.maximum(_last_crossing(s, margin), said)


def _log_sum(values: Floats, axis: int) -> Floats:
    top = values.max(axis=axis)
    return np.asarray(np.log(np.exp(values - np.expand_dims(top, axis)).sum(axis=axis)) + top)


def _first_crossing(s: Floats, value: Floats) -> Floats:
    """(n,) where value (n, p) first rises above 0 along s (p,), interpolated; inf where it stays below."""
    above = value > 0
    at = np.argmax(above, axis=1)
    rows = np.arange(len(value))
    before = np.maximum(at - 1, 0)
    low, high = value[rows, before], value[rows, at]
    share = np.where(at > 0, -low / np.where(high != low, high - low, 1.0), 1.0)
    out = s[before] + share * (s[at] - s[before])
    return np.where(above.any(axis=1), out, np.inf)


def _last_crossing(s: Floats, value: Floats) -> Floats:
    """(n,) from where on value (n, p) stays at 0 or above, interpolated; inf where it ends below."""
    below = value < 0
    last = value.shape[1] - 1 - np.argmax(below[:, ::-1], axis=1)
    rows = np.arange(len(value))
    after = np.minimum(last + 1, value.shape[1] - 1)
    low, high = value[rows, last], value[rows, after]
    share = np.clip(-low / np.where(high != low, high - low, 1.0), 0.0, 1.0)
    out = np.where(below.any(axis=1), s[last] + share * (s[after] - s[last]), s[0])
    return np.where(below[:, -1], np.inf, out)


def found_delta(s: Floats, power: float) -> float:
    """Size in sds of the test at which something is said with this power.

    >>> round(found_delta(np.array([3.0]), 0.8), 4)
    3.8416
    """
    return _bisect(lambda d: float(np.mean(ndtr(d - s) + ndtr(-d - s))), power)


def named_delta(s: Floats, power: float = NAMED_POWER) -> float:
    """Size in sds of the test at which the thing is named with this power; inf where no size is enough."""
    if np.mean(np.isfinite(s)) <= power:
        return np.inf
    return _bisect(lambda d: float(np.mean(ndtr(d - s))), power)


def _bisect(power_at, power: float) -> float:  # type: ignore[no-untyped-def]
    low, high = 0.0, LARGEST_DELTA
    if power_at(low) >= power:
        return 0.0
    for _ in range(60):
        middle = (low + high) / 2 if high < LARGEST_DELTA else max(2 * low, 1.0)
        if power_at(middle) >= power:
            high = middle
        else:
            low = middle
            if low >= LARGEST_DELTA:
                return float("inf")
    return high


def promises(bench: BenchBase) -> Promises:
    """The sizes of every hypothesis; those of naming for the heights of stands."""
    if isinstance(bench, Named):
        return promises(bench.before).of_more(bench)
    if isinstance(bench, Bench):
        return _of_one_neighbourhood(bench)
    assert isinstance(bench, LargeBench)
    return _of_many(bench)


def _of_one_neighbourhood(bench: Bench) -> Promises:
    found, alone = _none_yet(bench)
    if not len(bench.classes.representative):
        return Promises(found, alone, at_most=False)
    closing, power = bench.closing, bench.net.job.settings.test.power
    T = bench.reduction.K.T @ _noise(bench)
    evidence = bench.reduction.evidence(T)

    def lines_of(some: Ints) -> _Lines:
        u = np.array([bench.reduction.through(g, T, some) for g in range(len(bench.factors.tape))])
        return _Lines(bench, some, u, evidence, bench.diagonals[:, some], bench.base)

    # what is said is asked of no moments of events, what is named stands against all of them
    lines, every = lines_of(bench.asked), lines_of(np.arange(len(bench.classes.representative)))
    of_height = bench.family.of(*STANDS)
    # of two values exchanged, and of what began at one of many moments, nobody asks from which size on
    for c in bench.asked[bench.free[bench.asked]].tolist():
        members = bench.classes.members(c)
        size = bench.diagonal[members] ** -0.5
        own = every.u[:, c], bench.diagonals[:, c], bench.G_reps[:, :, c]
        line = _Line(lines, *own, FELT_BY)
        said = np.minimum(line.largest_exceeds(closing.k), line.odds_exceed(closing.k, closing.theta))
        found[members] = found_delta(said, power) * size
        if (heights := of_height[members]).any():
            delta = _named(bench, c, _Line(every, *own, RIVALS), said)
            alone[members[heights]] = delta * size[heights]
    return Promises(found, np.maximum(alone, found), at_most=False)


def found_at_most(bench: BenchBase, C: sparse.csc_matrix) -> Floats:
    """(h,) upper bounds of the sizes found, m, of errors C (m, h) that are no hypotheses; inf: nothing tests one."""
    diagonal = bench.fit.reduce_diagonal(C)[1]
    tested = diagonal > UNTESTABLE * np.asarray(C.power(2).T @ bench.net.sd**-2.0)
    return np.where(tested, bench.delta / np.sqrt(np.where(tested, diagonal, 1.0)), np.inf)


def shown_from(bench: Bench, hypotheses: Ints) -> Floats:
    """(len,) sizes, m, of errors that nobody asks about by themselves, a stand that moved say, from which something is
    said with ``test.power``: by the largest test of what is asked, which such an error moves as well; inf where nothing
    tests it.
    """
    out = np.full(len(hypotheses), np.inf)
    label = bench.classes.label[hypotheses]
    if not (label >= 0).any():
        return out
    while isinstance(bench, Named):
        label, bench = bench.before.classes.label[hypotheses], bench.before
    T = bench.reduction.K.T @ _noise(bench)
    base = bench.base
    scale = bench.diagonals[base] ** -0.5
    w = bench.reduction.through(base, T, np.arange(len(scale))) * scale[:, None]
    free = bench.asked[bench.free[bench.asked]]
    power, k = bench.net.job.settings.test.power, bench.closing.k
    for c in np.unique(label[label >= 0]).tolist():
        rho = bench.G_reps[base, free, c] * scale[free] * scale[c]
        felt = np.abs(rho) > FELT
        said = _first_beyond(k, rho[felt], w[free[felt]], w[c])
        some = np.flatnonzero(label == c)
        out[some] = found_delta(said, power) * bench.diagonal[hypotheses[some]] ** -0.5
    return out


def _first_beyond(k: float, rho: Floats, w: Floats, mu: Floats) -> Floats:
    """(n,) smallest s at which one of the tests w (c, n), correlated by rho with a line, exceeds k along it; mu (n,) is
    where on it each column lies."""
    across = w - rho[:, None] * mu
    return np.asarray(((k - np.sign(rho)[:, None] * across) / np.abs(rho)[:, None]).min(axis=0, initial=np.inf))


def _of_many(bench: LargeBench) -> Promises:
    """Of a large job: of what is found an upper bound, of what is named the sizes of as many heights as time allows.

    The largest of so many tests says something wherever the class's own test exceeds k, so that delta is at most
    k + the normal quantile of the power.
    """
    found, alone = _none_yet(bench)
    classes, k = bench.classes, bench.closing.k
    tested = np.isin(classes.label, bench.asked)
    found[tested] = bench.delta * bench.diagonal[tested] ** -0.5
    label = classes.label[bench.family.of(*STANDS) & tested]
    if not 0 < len(label) <= NAMED_HEIGHTS or bench.net.edge_count > NAMED_OBSERVATIONS:
        alone[bench.family.of(*STANDS) & tested] = np.nan
        return Promises(found, alone, at_most=True)
    u, diagonal = bench.seen_at_stated(_noise(bench))
    some = bench.asked
    lines = _Lines(bench, some, u[None, some], np.zeros((1, COLUMNS)), diagonal[None, some], 0)
    of_height = bench.family.of(*STANDS)
    for some in np.array_split(np.unique(label), 1 + len(label) // AT_ONCE):
        columns = bench.columns_at_stated(some)
        for c, column in zip(some.tolist(), columns.T, strict=True):
            members = classes.members(c)
            heights = members[of_height[members]]
            line = _Line(lines, u[None, c], diagonal[None, c], column[None], RIVALS)
            alone[heights] = _named(bench, c, line, line.largest_exceeds(k)) * bench.diagonal[heights] ** -0.5
    return Promises(found, np.maximum(alone, found), at_most=True)


def _none_yet(bench: BenchBase) -> tuple[Floats, Floats]:
    return np.full(len(bench.family), np.inf), np.where(bench.family.of(*STANDS), np.inf, np.nan)


def _named(bench: BenchBase, c: int, line: _Line, said: Floats) -> float:
    """Size in sds from which the one thing that a class is about is named; inf where it is about several."""
    own = _about_the_same(bench, c, line.lines.asked[line.near])
    return np.inf if own is None else named_delta(line.named_from(bench.closing.k, said, own))


def _about_the_same(bench: BenchBase, c: int, near: Ints) -> npt.NDArray[np.bool_] | None:
    """(near,) which classes are about the one thing that class c is about; None where c is about several."""
    places = bench.places

    def keys(of: int) -> set[tuple[str, int]]:
        return {places.key_of(h) for h in bench.classes.members(of).tolist()}

    own = keys(c)
    if len(own) > 1:
        return None
    (key,) = own
    swaps: Iterable[int] = places.other_ways(key[1]) if key[0] == STAND else []
    with_swaps = own | {places.key_of(h) for h in swaps}
    return np.array([keys(int(k)) <= with_swaps for k in near], dtype=bool)
