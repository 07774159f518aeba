"""The posterior over sets against brute force, and what the search must never miss."""

from itertools import combinations

import numpy as np
import pytest
from scipy.integrate import dblquad, quad

from heightnet.judge.search import FIXED_SIZE_SD_M, TAUS_M, Candidates, Clock, search
from heightnet.judge.stepwise import one_at_a_time


def normal(b, sd, mean=0.0):
    return np.exp(-0.5 * ((b - mean) / sd) ** 2) / (sd * np.sqrt(2 * np.pi))


def prior(b, size):
    """Density of a blunder's size: the mixture, or close to the size that the records fix."""
    if np.isfinite(size):
        return normal(b, FIXED_SIZE_SD_M, size)
    return sum(normal(b, tau) for tau in TAUS_M) / len(TAUS_M)


def brute_force(u, G, rate, size):
    """Posterior of all sets of at most two of three hypotheses by numerical integration of likelihood times prior."""
    weight = {}
    count = len(u)
    for s in [(), *((i,) for i in range(count)), *combinations(range(count), 2)]:
        odds = np.prod([rate[i] / (1 - rate[i]) for i in s]) if s else 1.0
        if not s:
            weight[s] = odds
        elif len(s) == 1:
            (i,) = s
            top, sd = u[i] / G[i, i], G[i, i] ** -0.5

            def one(b, i=i):
                return np.exp(u[i] * b - 0.5 * G[i, i] * b * b) * prior(b, size[i])

            weight[s] = odds * quad(one, top - 12 * sd, top + 12 * sd, points=[top], limit=400)[0]
        else:
            at = np.ix_(s, s)
            top, spread = np.linalg.solve(G[at], u[list(s)]), np.sqrt(np.diag(np.linalg.inv(G[at])))
            best = 0.5 * u[list(s)] @ top

            def two(b, a, s=s, at=at, best=best):
                x = np.array([a, b])
                return np.exp(u[list(s)] @ x - 0.5 * x @ G[at] @ x - best) * prior(a, size[s[0]]) * prior(b, size[s[1]])

            low, high = top - 9 * spread, top + 9 * spread
            weight[s] = odds * np.exp(best) * dblquad(two, low[0], high[0], low[1], high[1], epsabs=0, epsrel=1e-6)[0]
    total = sum(weight.values())
    return {s: w / total for s, w in weight.items()}


@pytest.mark.parametrize("size", [[np.nan] * 3, [np.nan, 0.03, np.nan]])
@pytest.mark.parametrize("b", [(0.0, 0.0, 0.0), (0.012, 0.0, 0.0), (0.02, -0.015, 0.0)])
def test_posterior_against_numerical_integration(b, size):
    """General-purpose library: scipy's adaptive quadrature, to 1 % of each probability over 0.1 %."""
    rng = np.random.default_rng(5)
    half = rng.normal(size=(6, 3)) / 0.004
    G = half.T @ half
    u = G @ np.array(b) + half.T @ rng.standard_normal(6)
    rate, size = np.array([0.02, 0.01, 0.003]), np.array(size)
    expected = brute_force(u, G, rate, size)
    found = search(u[None], G[None], np.zeros(1), Candidates.of(rate, size), k=3.0, base=0)
    of = dict(zip(found.sets, found.probability, strict=True))
    # three at once are in the search and not in the quadrature: their share is taken off
    small = sum(p for s, p in of.items() if len(s) <= 2)
    for s, p in expected.items():
        if p > 1e-3:
            assert of[s] / small == pytest.approx(p, rel=0.01), s


def test_probabilities_add_up():
    rng = np.random.default_rng(1)
    half = rng.normal(size=(20, 12)) / 0.003
    G = half.T @ half
    u = G[:, 3] * 0.02 + half.T @ rng.standard_normal(20)
    found = search(u[None], G[None], np.zeros(1), Candidates.of(np.full(12, 0.01), np.full(12, np.nan)), 3.5, 0)
    assert found.probability.sum() + found.unsearched == pytest.approx(1.0)
    assert found.sets[0] == (3,)
    for j in range(12):
        assert found.each[j] == pytest.approx(
            sum(p for s, p in zip(found.sets, found.probability, strict=True) if j in s)
        )


@pytest.mark.parametrize("count", [3, 4, 5, 6])
def test_several_at_once_are_all_named(count):
    """Masking: the blunders are of one size, and each alone leaves most of the misclosures."""
    rng = np.random.default_rng(count)
    half = rng.normal(size=(40, 25)) / 0.004 / np.sqrt(40)
    G = half.T @ half
    b = np.zeros(25)
    b[:count] = 0.05
    u = G @ b + half.T @ rng.standard_normal(40)
    found = search(u[None], G[None], np.zeros(1), Candidates.of(np.full(25, 0.01), np.full(25, np.nan)), 3.5, 0)
    assert found.sets[0] == tuple(range(count))
    assert found.best_subset == tuple(range(count))


@pytest.mark.parametrize("count", [0, 1, 3])
@pytest.mark.parametrize(("struck", "least"), [("budget", {"steps": 0}), ("seconds", {"seconds": 0})])
def test_a_search_in_haste_says_about_how_much_it_left_out(struck, least, count):
    """Against the whole search: the likeliest set is the same, and what is missing is stated."""
    rng = np.random.default_rng(3)
    half = rng.normal(size=(40, 60)) / 0.004 / np.sqrt(40)
    G, b = half.T @ half, np.zeros(60)
    b[:count] = 0.03
    u = G @ b + half.T @ rng.standard_normal(40)
    asked = u[None], G[None], np.zeros(1), Candidates.of(np.full(60, 0.02), np.full(60, np.nan)), 3.5, 0
    whole, hasty = search(*asked), search(*asked, Clock(**least))
    looked_at = set(hasty.sets)
    missing = sum(p for s, p in zip(whole.sets, whole.probability, strict=True) if s not in looked_at)
    assert (whole.stopped, hasty.stopped) == ("", struck)
    assert hasty.sets[0] == whole.sets[0] and len(hasty.sets) < len(whole.sets)
    assert missing > 0.02
    assert missing / 2 < hasty.unsearched < 2 * (missing + whole.unsearched)
    assert hasty.probability.sum() + hasty.unsearched == pytest.approx(1.0)


def test_a_clock_that_never_strikes_changes_nothing():
    half = np.random.default_rng(2).normal(size=(20, 12)) / 0.003
    G = half.T @ half
    asked = (G[:, 3] * 0.02)[None], G[None], np.zeros(1), Candidates.of(np.full(12, 0.01), np.full(12, np.nan)), 3.5, 0
    plain, watched = search(*asked), search(*asked, Clock(seconds=1000))
    assert plain.sets == watched.sets and (plain.probability == watched.probability).all() and not watched.stopped


def test_large_sigmas_are_an_explanation_too():
    """A mild outlier of one standard deviation grid point is none of a larger one."""
    G1 = np.eye(3) / 0.003**2
    u1 = np.array([3.6, 0.3, -0.2]) / 0.003
    rate, size = np.full(3, 0.01), np.full(3, np.nan)
    alone = search(u1[None], G1[None], np.zeros(1), Candidates.of(rate, size), 3.5, 0).each[0]
    grid_u, grid_G = np.array([u1, u1 / 4]), np.array([G1, G1 / 4])
    # evidence of the larger sigma: three misclosures of which one is large
    evidence = np.array([-0.5 * 0.003**2 * u1 @ u1, -3 * np.log(2) - 0.5 * 0.003**2 * u1 @ u1 / 4])
    both = search(grid_u, grid_G, evidence, Candidates.of(rate, size), 3.5, 0)
    assert both.each[0] < alone
    assert both.grid[1] > 0.3


def test_one_at_a_time_steps_back():
    """The first choice between two neighbours is dropped once both true ones are in."""
    half = np.array([[1, 0, 0.75], [0, 1, 0.75], [0, 0, 0.2]]) / 0.002
    G = half.T @ half
    u = G @ np.array([0.03, 0.05, 0.0])
    chosen = one_at_a_time(u, G, 3.0)
    assert set(chosen) == {0, 1}
