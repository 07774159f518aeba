"""Numbers of reliability theory and of test distributions."""

import numpy as np
import pytest
from scipy.special import chdtri
from scipy.stats import ncx2, norm

from heightnet.judge.critical import critical_value, detectable_delta, tau_critical


def test_noncentrality():
    """Baarda, A testing procedure for use in geodetic networks, 1968, from memory: lambda0 17.075, delta0 4.13 at
    alpha 0.1 % and power 80 %; and the non-central chi-square of scipy as a second way."""
    delta0 = detectable_delta(0.001, 0.80)
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
    assert critical_value(np.ones((1, 1)), 0.01)[0] == pytest.approx(norm.isf(0.005), abs=1e-12)


def test_critical_value_of_independent_tests_is_sidaks():
    value, by = critical_value(np.eye(30), 0.01)
    assert by == "simulation"
    assert value == pytest.approx(norm.isf((1 - 0.99 ** (1 / 30)) / 2), abs=0.05)
