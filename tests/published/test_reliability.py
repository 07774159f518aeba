"""Numbers of reliability theory and of test distributions."""

import numpy as np
import pytest
from scipy.special import chdtri
from scipy.stats import ncx2, norm

from heightnet.judge.closing import formula, level_of
from heightnet.judge.critical import sidak_value, tau_critical
from heightnet.judge.promises import found_delta
from heightnet.judge.search import Candidates


def test_noncentrality():
    """Baarda, A testing procedure for use in geodetic networks, 1968, from memory: lambda0 17.075, delta0 4.13 at
    alpha 0.1 % and power 80 %; and the non-central chi-square of scipy as a second way.  Of a job with one class that
    speaks as soon as its test exceeds the point of alpha, the size promised is that."""
    delta0 = found_delta(norm.isf(np.array([0.0005])), 0.80)
    assert delta0 == pytest.approx(4.13, abs=0.005)
    assert delta0**2 == pytest.approx(17.075, abs=6e-4)
    assert 1 - ncx2.cdf(norm.isf(0.0005) ** 2, 1, delta0**2) == pytest.approx(0.80, abs=1e-9)


@pytest.mark.parametrize(
    ("dof", "alpha", "printed"),
    [(1, 0.05, 3.8415), (1, 0.01, 6.6349), (1, 0.001, 10.8276), (3, 0.05, 7.8147), (3, 0.01, 11.3449),
     (3, 0.001, 16.2662), (10, 0.05, 18.3070), (10, 0.01, 23.2093), (10, 0.001, 29.5883)],
)  # fmt: skip
def test_chi_square_points(dof, alpha, printed):
    """TU Delft open textbook, table of upper points: the function behind the global test's limit."""
    assert chdtri(dof, alpha) == pytest.approx(printed, abs=6e-5)


def test_tau():
    """Modified Thompson tau for n = 10 at 5 % is 1.7984, which equals sqrt((n - 1) / n) tau(n - 1); tau after Pope, The
    statistics of residuals and the detection of outliers, NOAA TR NOS 65 NGS 1, 1976 (formula from memory)."""
    assert np.sqrt(9 / 10) * tau_critical(9, 0.05) == pytest.approx(1.7984, abs=6e-5)
    assert tau_critical(1, 0.05) is None
    assert tau_critical(100_000, 0.05) == pytest.approx(norm.isf(0.025), abs=1e-4)


def test_critical_value_of_one_class_is_the_normal_point():
    assert sidak_value(1, 0.01) == pytest.approx(norm.isf(0.005), abs=1e-12)


def test_two_statistics_share_one_level():
    """Of clean draws the share asked for exceeds either value: two independent normal statistics by scipy's quantiles,
    where each gets (1 - sqrt(1 - .01)), and two that are one and the same, where each gets all of it."""
    rng = np.random.default_rng(1)
    a, b = rng.standard_normal((2, 400_000))
    k, theta, level = level_of(a, b, 0.01)
    apart = 1 - np.sqrt(0.99)
    assert level == pytest.approx(apart, rel=0.03)
    assert (k, theta) == pytest.approx((norm.isf(apart), norm.isf(apart)), abs=0.02)
    assert level_of(a, a, 0.01)[2] == pytest.approx(0.01, rel=1e-3)


def test_the_formula_of_many_independent_classes():
    """Independent classes of equal information, drawn: the odds' value is their quantile, within what its own draws
    scatter by; the critical value is Sidak's."""
    count, information, rate, draws = 500, 1e6, 0.01, 20_000
    prior = Candidates.of(np.full(count, rate), np.full(count, np.nan))
    found = formula(np.full(count, information), prior, np.ones(count, dtype=bool), 0.01)
    assert found.k == pytest.approx(norm.isf((1 - (1 - found.level) ** (1 / count)) / 2), abs=1e-6)
    rng = np.random.default_rng(2)
    tau2 = np.array([0.006, 0.03, 0.15, 1.0]) ** 2  # the spreads of sizes that docs/judging.md states
    bayes = lambda w: np.mean(  # noqa: E731
        np.exp(0.5 * w[..., None] ** 2 * tau2 * information / (1 + tau2 * information))
        / np.sqrt(1 + tau2 * information), axis=-1)  # fmt: skip
    sums = np.array([bayes(rng.standard_normal(count)).sum() for _ in range(draws)]) * rate / (1 - rate)
    exceeds = np.mean(np.log(sums) > found.theta)
    assert exceeds == pytest.approx(found.level, abs=0.0025)
