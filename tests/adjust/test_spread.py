"""Standard deviations from repeats: against scipy and numpy, and against simulated truth."""

import numpy as np
import pytest
from scipy import stats

from heightnet.adjust.spread import Spread, spread


def test_pairs_are_the_variance_of_pairs():
    """Of n pairs d the variance of one measurement is sum d^2 / 2n (standard statistics)."""
    rng = np.random.default_rng(1)
    value = rng.normal(size=40)
    found = spread(value, np.ones(40), np.repeat(np.arange(20), 2))
    d = value[::2] - value[1::2]
    assert found.factor == pytest.approx(np.sqrt((d**2).sum() / 40))
    assert (found.dof, found.sets, found.left_out) == (20, 20, 0)


def test_things_and_errors_are_a_least_squares_problem():
    """The same residuals and degrees of freedom from the dense equations with numpy."""
    rng = np.random.default_rng(2)
    thing = np.repeat(np.arange(12), rng.integers(2, 6, 12))
    arm, by = rng.choice([-1.0, 1.0], len(thing)), (thing % 3)
    sd = rng.uniform(0.5, 1.5, len(thing))
    value = rng.normal(size=12)[thing] + arm * np.array([3.0, -2.0, 0.5])[by] + sd * rng.normal(size=len(thing))
    found = spread(value, sd, thing, arm, by)
    A = np.column_stack([thing[:, None] == np.arange(12), arm[:, None] * (by[:, None] == np.arange(3))]) / sd[:, None]
    fitted, _, rank, _ = np.linalg.lstsq(A, value / sd, rcond=None)
    v = value / sd - A @ fitted
    assert found.left_out == 0
    assert found.dof == len(thing) - rank
    assert found.factor == pytest.approx(np.sqrt((v**2).sum() / (len(thing) - rank)))


@pytest.mark.parametrize("dof", [1, 5, 40])
def test_the_range_is_that_of_chi_square(dof):
    low, high = Spread(2.0, dof, dof).between(0.95)
    assert low == pytest.approx(2.0 * np.sqrt(dof / stats.chi2.ppf(0.975, dof)))
    assert high == pytest.approx(2.0 * np.sqrt(dof / stats.chi2.ppf(0.025, dof)))


@pytest.mark.parametrize("planted", [0.5, 1.0, 3.0])
def test_a_planted_sd_is_recovered_and_the_range_holds_it(planted):
    """40 pairs in both faces, 400 times.  The estimate's own sd is planted / sqrt(2 x 39) = 11 %; of 400 the mean is
    known to .6 %, so that 2 % are more than three of its sds; ranges of 95 in 100 hold in 400 x .95 +- 3 x 4.4."""
    rng, thing = np.random.default_rng(3), np.repeat(np.arange(40), 2)
    arm, by = np.tile([1.0, -1.0], 40), np.zeros(80, dtype=int)
    squares, held = [], 0
    for _ in range(400):
        value = rng.normal(0, 100, 40)[thing] + 17.0 * arm + planted * rng.normal(size=80)
        found = spread(value, np.ones(80), thing, arm, by)
        low, high = found.between(0.95)
        assert found.dof == 39 - found.left_out
        squares.append(found.factor**2)
        held += low <= planted <= high
    assert np.sqrt(np.mean(squares)) == pytest.approx(planted, rel=0.02)
    assert abs(held - 380) <= 14


@pytest.mark.parametrize("pairs", [6, 24])
def test_one_blunder_changes_little(pairs):
    """A blunder of 1,000 sds in one of the pairs is left out; what is estimated is that without this pair."""
    rng, thing = np.random.default_rng(4), np.repeat(np.arange(pairs), 2)
    arm, by = np.tile([1.0, -1.0], pairs), np.zeros(2 * pairs, dtype=int)
    value = 5.0 * arm + rng.normal(size=2 * pairs)
    spoilt = value.copy()
    spoilt[3] += 1000.0
    without = np.flatnonzero(thing != 1)
    found = spread(spoilt, np.ones(2 * pairs), thing, arm, by)
    sound = spread(value[without], np.ones(len(without)), thing[without], arm[without], by[without])
    assert found.left_out == 1
    assert found.factor == pytest.approx(sound.factor)
    assert found.dof == sound.dof == pairs - 2


def test_copies_say_nothing():
    value = np.repeat([100.0, 200.0, 300.0, 400.0], 2)
    value[0] += 0.001
    found = spread(value, np.ones(8), np.repeat(np.arange(4), 2))
    assert found.alike
    assert np.isnan(found.factor)


def test_what_was_measured_once_says_nothing():
    assert spread(np.array([1.0, 2.0]), np.ones(2), np.array([0, 1])).dof == 0
    assert spread(np.zeros(0), np.zeros(0), np.zeros(0, dtype=int)).dof == 0
