"""Does the job close: two statistics, one level, the same whatever the order of the rows."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from heightnet.judge.bench import Bench
from heightnet.judge.closing import Odds, log_bayes, log_odds_of
from heightnet.judge.judgement import Judgement
from heightnet.judge.search import FIXED_SIZE_SD_M, TAUS_M, Candidates
from heightnet.network import build_network
from tests.simulate.jobs import simulate
from tests.timed import timed


@pytest.fixture(scope="module")
def bench():
    return Bench(build_network(simulate("S2", 3)[0]))


@pytest.mark.parametrize("size", [np.nan, 0.05])
@pytest.mark.parametrize("b", [0.0, 0.011, -0.06])
def test_bayes_factor_against_quadrature(size, b):
    """General-purpose library: scipy's adaptive quadrature of likelihood times prior over every size."""
    sd = 0.002
    G, u = np.array([sd**-2]), np.array([b / sd**2])
    found = log_bayes(u, G, Candidates.of(np.array([0.01]), np.array([size])))[0]

    def prior(x):
        if np.isfinite(size):
            return norm.pdf(x, size, FIXED_SIZE_SD_M)
        return np.mean([norm.pdf(x, 0, tau) for tau in TAUS_M])

    whole = sum(
        quad(lambda x: np.exp((b * x - x * x / 2) / sd**2) * prior(x), low, low + 0.01, epsabs=0)[0]
        for low in np.arange(-0.12, 0.12, 0.01)
    )
    assert found == pytest.approx(np.log(whole), abs=1e-6)


def test_odds_of_many_draws_are_those_of_each(bench):
    rng = np.random.default_rng(1)
    u = rng.standard_normal((len(bench.candidates.mean), 7)) * np.sqrt(bench.diagonals[3])[:, None]
    expected = (bench.candidates.log_odds + log_bayes(u.T, bench.diagonals[3], bench.candidates)).T
    odds = Odds(bench.diagonals[3], bench.candidates)
    assert odds.each(u) == pytest.approx(np.exp(expected), rel=3e-5)
    every = np.arange(len(u))
    assert odds.log_each(u, every) == pytest.approx(expected, rel=1e-6, abs=2e-5)  # single precision


def test_of_clean_jobs_so_many_are_spoken_of_as_asked(bench):
    """3,000 fresh draws at .01: within three standard errors, .0018 each, and the calibration's own of .0016."""
    rng = np.random.default_rng(11)
    net, said = bench.net, 0
    asked, prior = bench.asked, bench.candidates.some(bench.asked)
    free, reps = bench.free[asked], bench.classes.representative[asked]
    for _ in range(3000):
        u, over, evidence = bench.reduction.see(net.sd * rng.standard_normal(len(net.sd)))
        w = np.abs(u[reps] / np.sqrt(bench.diagonal[reps]))[free].max()
        said += bench.closing.said(w, log_odds_of(over[:, asked], bench.diagonals[:, asked], evidence, prior))
    assert said / 3000 == pytest.approx(0.01, abs=0.0072)


@pytest.mark.parametrize("false_alarm", [0.001, 0.05])
def test_the_level_is_the_setting(false_alarm):
    job = simulate("S2", 3)[0]
    job = replace(job, settings=job.settings.with_values(**{"test.false_alarm": false_alarm}))
    closing = Bench(build_network(job)).closing
    assert false_alarm / 3 <= closing.level <= false_alarm
    assert closing.by == "simulation"


def test_the_values_do_not_depend_on_the_order_of_rows(bench):
    job = timed(simulate("S2", 3)[0])
    rng = np.random.default_rng(4)
    frames = {t: job.tables[t].sample(frac=1, random_state=int(rng.integers(99))).reset_index(drop=True)
              for t in ("setups", "targets", "shots", "levels", "marks")}  # fmt: skip
    mixed, plain = (Bench(build_network(one)).closing for one in (job.with_tables(**frames), job))
    assert (mixed.k, mixed.theta) == pytest.approx((plain.k, plain.theta), abs=1e-6)


def test_whatever_is_said_is_told(bench):
    """Of 400 clean jobs whose sds are 1.6 times the stated, whatever is said leads to a state that says something."""
    rng, net = np.random.default_rng(5), bench.net
    said = 0
    for _ in range(400):
        judgement = Judgement(bench, 1.6 * net.sd * rng.standard_normal(len(net.sd)))
        if judgement.said:
            said += 1
            assert judgement.state == "scatters" or judgement.findings
        else:
            assert judgement.state == "closes" and not judgement.findings
    assert said > 40
