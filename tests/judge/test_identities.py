"""The reduction against plain least squares with more unknowns, and the search against all subsets."""

from itertools import combinations, product

import numpy as np
import pytest
from scipy import stats

from heightnet.judge.bench import Bench
from heightnet.judge.judgement import Judgement
from heightnet.judge.reduction import factor_grid, scaled_sd
from heightnet.judge.search import TAUS_M, Candidates, search
from heightnet.network import build_network
from tests.networks import reciprocal


@pytest.fixture(scope="module")
def bench():
    return Bench(build_network(reciprocal(3, levelled=[("M1", "M3")]).job()))


def chi2(A, y):
    return np.sum((y - A @ np.linalg.lstsq(A, y, rcond=None)[0]) ** 2)


def test_test_is_the_estimate_of_a_bias_column(bench):
    """Identity: w is the estimate over its sd of one more unknown, and w^2 the drop of chi-square (Baarda 1968)."""
    net, family, verdicts = bench.net, bench.family, Judgement(bench)
    A, y = net.A.toarray() / net.sd[:, None], net.y / net.sd
    before = chi2(A, y)
    tested = np.flatnonzero(bench.classes.label >= 0)
    assert {"setup", "target", "shot", "known", "level", "swap", "group"} <= set(family.kind[tested])
    for h in tested:
        wide = np.column_stack([A, family.C[:, [h]].toarray().ravel() / net.sd])
        b = np.linalg.lstsq(wide, y, rcond=None)[0][-1]
        sd = np.sqrt(np.linalg.inv(wide.T @ wide)[-1, -1])
        assert verdicts.error[h] == pytest.approx(b, abs=1e-7), family.ids[h]
        assert verdicts.error_sd[h] == pytest.approx(sd, rel=1e-4)
        assert verdicts.w[h] ** 2 == pytest.approx(before - chi2(wide, y), abs=1e-6)


def test_joint_estimate_is_that_of_several_bias_columns(bench):
    net, ids = bench.net, bench.family.ids.tolist()
    members = np.array([ids.index("setup:S1"), ids.index("setup:S3")])
    look = Judgement(bench).looks[0]
    at, g = bench.classes.label[members], bench.base
    covariance = np.linalg.inv(look.G[g][np.ix_(at, at)])
    b = covariance @ look.u[g][at]
    wide = np.column_stack([net.A.toarray(), bench.family.C[:, members].toarray()]) / net.sd[:, None]
    normal = np.linalg.inv(wide.T @ wide)
    assert b == pytest.approx((normal @ wide.T @ (net.y / net.sd))[-2:], abs=2e-8)
    assert covariance == pytest.approx(normal[-2:, -2:], rel=1e-4)


def test_factor_grid_is_the_likelihood_of_other_sigmas(bench):
    """log evidence against scipy's normal density of the misclosures, standard deviations multiplied."""
    net, factors = bench.net, factor_grid()
    evidence = bench.reduction.see(net.y)[-1]
    A = net.A.toarray()
    K = np.linalg.svd(A.T)[2][A.shape[1] :].T  # combinations that no unknown moves
    constant = []
    for tape, sight, log_prior, found in zip(factors.tape, factors.sight, factors.log_prior, evidence, strict=True):
        sd = scaled_sd(net.kind, net.sd, tape, sight)
        density = stats.multivariate_normal(cov=K.T @ np.diag(sd**2) @ K).logpdf(K.T @ net.y)
        constant.append(log_prior + density - found)
    assert np.ptp(constant) < 1e-6
    assert np.exp(factors.log_prior).sum() == pytest.approx(1.0)


def masked():
    """Two equal errors whose sum looks like an error of an innocent third hypothesis, and one more elsewhere."""
    rng = np.random.default_rng(5)
    columns = rng.normal(size=(12, 9))
    columns[:, 3] = columns[:, 0] + columns[:, 1] + 0.4 * rng.normal(size=12)
    truth = np.zeros(9)
    truth[[0, 1, 5]] = 0.05, 0.05, -0.02
    sd = 0.002
    t = columns @ truth / sd + rng.normal(size=12)
    return columns.T @ t / sd, columns.T @ columns / sd**2


def test_masked_errors_against_all_subsets():
    """The likeliest set is the best of all subsets of up to four, where the largest test blames an innocent."""
    u, G = masked()
    found = search(u[None], G[None], np.zeros(1), Candidates.of(np.full(9, 0.02), np.full(9, np.nan)), 3.0, 0)
    gain = {}
    for size in range(1, 5):
        for s in combinations(range(9), size):
            at = list(s)
            gain[s] = u[at] @ np.linalg.solve(G[np.ix_(at, at)], u[at]) - size * 3.0**2
    assert found.sets[0] == found.best_subset == max(gain, key=lambda s: gain[s]) == (0, 1, 5)
    assert int(np.argmax(np.abs(u) / np.sqrt(np.diag(G)))) == 3


def test_sizes_of_two_blunders_are_independent():
    """Two blunders far apart in size, tests uncorrelated: the closed form has every pair of taus in it."""
    sd, b = 1e-3, np.array([0.009, 0.9])
    found = search(
        (b / sd**2)[None], np.diag(np.full(2, sd**-2))[None], np.zeros(1),
        Candidates.of(np.full(2, 0.02), np.full(2, np.nan)), 3.0, 0,
    )  # fmt: skip
    density = [[stats.norm.pdf(x, scale=np.hypot(sd, tau)) for tau in TAUS_M] for x in b]
    pair = sum(density[0][i] * density[1][j] for i, j in product(range(4), repeat=2)) / 16
    alone = sum(density[1]) / 4 * stats.norm.pdf(b[0], scale=sd)
    odds = pair / alone * 0.02 / 0.98
    assert found.each[1] == pytest.approx(1.0)
    assert found.each[0] == pytest.approx(odds / (1 + odds), abs=1e-5)


def test_more_blunders_than_six_are_all_named():
    """The search goes on as long as one more blunder explains more."""
    rng = np.random.default_rng(8)
    half = rng.normal(size=(120, 60)) / 0.003 / np.sqrt(120)
    truth = np.zeros(60)
    truth[:9] = 0.03 * rng.choice((-1, 1), 9)
    G = half.T @ half
    u = half.T @ (half @ truth + rng.standard_normal(120))
    found = search(u[None], G[None], np.zeros(1), Candidates.of(np.full(60, 0.01), np.full(60, np.nan)), 3.9, 0)
    assert found.sets[0] == found.best_subset == tuple(range(9))


def test_large_sets_are_summed_closely_enough(monkeypatch):
    """Every combination of sizes against the likeliest ones and single steps away: probabilities within 0.01."""
    rng = np.random.default_rng(3)
    half = rng.normal(size=(25, 14)) / 0.004 / np.sqrt(25)
    truth = np.zeros(14)
    truth[:5] = 0.018, -0.02, 0.06, 0.02, -0.015
    u, G = half.T @ (half @ truth + rng.standard_normal(25)), half.T @ half
    arguments = u[None], G[None], np.zeros(1), Candidates.of(np.full(14, 0.02), np.full(14, np.nan)), 3.5, 0
    quick = search(*arguments)
    monkeypatch.setattr("heightnet.judge.search.ALL_TAUS_UP_TO", 12)
    assert quick.each == pytest.approx(search(*arguments).each, abs=0.01)
    assert ((quick.each > 0.05) & (quick.each < 0.95)).any()  # not a test of certainties
