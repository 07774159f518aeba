"""The mixed model and the search for changes, against references written anew and outside libraries."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
import statsmodels.api as sm
from across_records import drawn, record
from scipy.stats import multivariate_normal, t

from heightnet.archives.across import across_jobs
from heightnet.archives.change import find_step, scan_level
from heightnet.archives.mixed import NU, Model, apart
from heightnet.archives.rates import estimate_rate, estimate_rates
from heightnet.archives.sums import MOST_BINS, Information, TimeLine, block_of

THINGS = [f"equipment:P{i}" for i in range(5)] + [f"tape:T{i}" for i in range(3)]


def summed(records, omega=0.0):
    information = Information([omega])
    for one in records:
        information.add(block_of(one))
    return list(map(str, information.at)), information


def model_of(records, omega=0.0, tau=None):
    names, information = summed(records, omega)
    kinds = [shared.thing.kind for shared in information.at]
    return names, information, Model(kinds, *information.total(), tau)


def across(records, **how):
    """The facts of a list of records."""
    return across_jobs(lambda: records, **how)


@pytest.fixture
def jobs():
    rng = np.random.default_rng(1)
    b = dict(zip(THINGS, rng.normal(0, 0.002, len(THINGS)), strict=True))
    out = []
    for _ in range(40):
        some = rng.permutation(THINGS)[:3].tolist()
        out.append(drawn(rng, some, np.array([b[s] for s in some])))
    return out


def test_predictions_and_estimates_are_those_of_dense_least_squares(jobs):
    tau = {"equipment": 0.0015, "tape": 0.0008}
    names, _, model = model_of(jobs, tau=tau)
    # Henderson's equations as plain least squares: every job's information as rows, a row b = 0 +- tau for each thing
    rows, right = [], []
    for one in jobs:
        block = block_of(one)
        L = np.linalg.cholesky(block.G)
        X = np.zeros((len(block.things), len(names)))
        X[:, [names.index(str(thing)) for thing in block.things]] = L.T
        rows.append(X)
        right.append(np.linalg.solve(L, block.u))
    X, y = np.vstack(rows), np.concatenate(right)
    sd = np.array([tau[n.partition(":")[0]] for n in names])
    whole = np.vstack([X, np.diag(1 / sd)])
    b = np.linalg.lstsq(whole, np.r_[y, np.zeros(len(names))], rcond=None)[0]
    assert model.predicted == pytest.approx(b, rel=1e-8)
    assert model.variance == pytest.approx(np.diag(np.linalg.inv(whole.T @ whole)), rel=1e-8)
    for i in range(len(names)):  # its own prior row left out
        keep = np.r_[np.ones(len(X), bool), np.arange(len(names)) != i]
        part = np.r_[y, np.zeros(len(names))][keep]
        assert model.error[i] == pytest.approx(np.linalg.lstsq(whole[keep], part, rcond=None)[0][i], rel=1e-6)
        inverse = np.linalg.inv(whole[keep].T @ whole[keep])
        assert model.sd[i] == pytest.approx(np.sqrt(inverse[i, i]), rel=1e-6)


def test_likelihood_is_that_of_the_observations(jobs):
    """Differences of log likelihoods over tau and over errors new in each job, by scipy's normal density."""

    def by_density(tau, omega):
        names, _, _ = model_of(jobs)
        parts, blocks, noise = [], [], []
        for one in jobs:
            block = block_of(one)
            L = np.linalg.cholesky(block.G)
            X = np.zeros((len(block.things), len(names)))
            X[:, [names.index(str(thing)) for thing in block.things]] = L.T
            parts.append(np.linalg.solve(L, block.u))
            blocks.append(X)
            noise.append(np.eye(len(L)) + omega**2 * L.T @ L)
        X = np.vstack(blocks)
        sd = np.array([tau[n.partition(":")[0]] for n in names])
        V = X @ np.diag(sd**2) @ X.T
        at = 0
        for one in noise:
            V[at : at + len(one), at : at + len(one)] += one
            at += len(one)
        return multivariate_normal(np.zeros(len(V)), V).logpdf(np.concatenate(parts))

    first, second = {"equipment": 0.001, "tape": 0.002}, {"equipment": 0.003, "tape": 0.0005}
    ours = model_of(jobs, 0.0, first)[2].log_likelihood - model_of(jobs, 0.0007, second)[2].log_likelihood
    assert ours == pytest.approx(by_density(first, 0.0) - by_density(second, 0.0007), abs=1e-6)


def test_a_random_intercept_is_that_of_statsmodels():
    """statsmodels' MixedLM: its variances given, our predictions are its random effects."""
    rng = np.random.default_rng(2)
    groups = np.repeat([f"tape:T{i}" for i in range(12)], 8)
    y = np.repeat(rng.normal(0, 2.0, 12), 8) + rng.standard_normal(96)
    fit = sm.MixedLM(y, np.ones((96, 1)), groups=groups).fit(reml=True)
    tau, scale = float(np.sqrt(fit.cov_re[0, 0])), float(fit.scale)
    y, tau, scale = (y - fit.fe_params[0]) / 1000, tau / 1000, scale / 1e6  # the mean taken off; from mm to m
    records = [record([g], np.array([v / scale]), np.array([[1 / scale]])) for g, v in zip(groups, y, strict=True)]
    names, _, model = model_of(records, tau={"tape": tau})
    effects = [float(np.asarray(fit.random_effects[name])[0]) / 1000 for name in names]
    assert model.predicted == pytest.approx(effects, rel=1e-6)


def test_the_scale_of_students_t_is_recovered_and_one_outlier_moves_nobody():
    """Its quantiles by scipy: errors known almost exactly, so that their scale is that of a sample."""
    size = 0.0005 * t.ppf((np.arange(200) + 0.5) / 200, NU)
    records = [record([f"equipment:P{i}"], np.array([b * 1e12]), np.array([[1e12]])) for i, b in enumerate(size)]
    assert model_of(records)[2].scale["equipment"] == pytest.approx(0.0005, rel=0.05)
    rng = np.random.default_rng(13)
    wrong = np.array([0.03] + [0.0] * 7)
    names = [f"equipment:P{i}" for i in range(8)]
    jobs = []
    for _ in range(60):  # only differences are seen: an error of all is not
        some = rng.permutation(8)[:4]
        y = wrong[some] + 0.001 * rng.standard_normal(4)
        H = np.eye(4) - 0.25
        jobs.append(record([names[i] for i in some], H @ y * 1e6, H * 1e6))
    found, _, model = model_of(jobs)
    errors = dict(zip(found, model.error * 1000, strict=True))
    assert errors["equipment:P0"] == pytest.approx(30, abs=1)
    assert all(abs(errors[n]) < 1 for n in names[1:])  # not drawn to -30 / 7


def test_an_error_new_in_each_job_widens_the_interval():
    rng = np.random.default_rng(3)
    truth, newly, inside = 0.004, 0.002, []
    for _ in range(60):
        jobs = []
        for _ in range(25):
            e = truth + newly * rng.standard_normal()
            jobs.append(drawn(rng, ["equipment:P"], np.array([e]), sd=0.0003))
        _, _, model = model_of(jobs, newly)
        inside.append(abs(model.error[0] - truth) < 1.96 * model.sd[0])
        assert model.sd[0] > newly / np.sqrt(25)
    assert np.mean(inside) > 0.85
    facts = across(jobs)
    assert facts["newly_mm"] in (1.2, 2.5)


def test_large_pieces_give_what_small_ones_give(jobs, monkeypatch):
    _, _, dense = model_of(jobs)
    monkeypatch.setattr("heightnet.archives.mixed.DENSE_UP_TO", 2)
    _, _, scarce = model_of(jobs)
    assert scarce.error == pytest.approx(dense.error, rel=1e-8)
    assert scarce.sd == pytest.approx(dense.sd, rel=1e-8)
    assert scarce.log_likelihood == pytest.approx(dense.log_likelihood, rel=1e-10)


# ---- what cannot be told apart ----


def test_things_always_together_are_seen_as_a_sum():
    rng = np.random.default_rng(4)
    records = []
    for i in range(30):
        one = drawn(rng, ["instrument:I", f"equipment:P{i % 8}"], np.array([0.001, 0.0]))
        G, u = block_of(one).G, block_of(one).u
        # an observer who always read the heights of this instrument, and nobody else did: the same column
        wide = np.array([[1, 0], [1, 0], [0, 1]])
        records.append(record(["instrument:I", "observer:O", f"equipment:P{i % 8}"], wide @ u, wide @ G @ wide.T))
    _, information, model = model_of(records)
    found = apart(model, information.own)
    assert found.left[:2] == pytest.approx(0.0, abs=1e-9)
    assert found.partners[0] == [(1, -1)]
    facts = across(records)
    verdicts = {t["thing"]: t for t in facts["offsets"]}
    assert verdicts["instrument:I"]["verdict"] == "together"
    assert verdicts["instrument:I"]["together"] == [{"thing": "observer:O", "seen": "sum"}]
    assert all(verdicts[f"equipment:P{i}"]["verdict"] in ("right", "weak") for i in range(8))


def test_one_job_with_another_partner_tells_them_apart():
    rng = np.random.default_rng(5)
    wide = np.array([[1.0], [1.0]])
    records = []
    for i in range(40):
        who = "observer:O" if i < 30 else "observer:Q"
        one = block_of(drawn(rng, ["x:x"], np.array([0.005]), sd=0.0005))
        records.append(record(["instrument:I", who], wide @ one.u, wide @ one.G @ wide.T))
    facts = {t["thing"]: t for t in across(records)["offsets"]}
    assert facts["instrument:I"]["verdict"] != "unseen"
    assert facts["instrument:I"]["error_sd_mm"] < 5


def test_what_no_job_shows_is_unseen():
    records = [record(["tape:T", "equipment:P"], np.array([0.0, 1e3]), np.diag([0.0, 1e6])) for _ in range(5)]
    facts = {t["thing"]: t for t in across(records)["offsets"]}
    assert facts["tape:T"]["verdict"] == "unseen" and facts["tape:T"]["error_mm"] is None
    assert facts["tape:T"]["jobs"] == 0 and facts["equipment:P"]["jobs"] == 5


# ---- changes ----


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
def test_the_bound_of_a_scan_holds_and_is_close(rho):
    """Simulated chains of correlated tests, as a random walk's standardised steps are."""
    rng = np.random.default_rng(6)
    z = rng.standard_normal((40_000, 30))
    x = z.copy()
    for i in range(1, 30):
        x[:, i] = rho * x[:, i - 1] + np.sqrt(1 - rho**2) * z[:, i]
    k = 3.0
    simulated = np.mean(np.abs(x).max(axis=1) > k)
    bound = scan_level(k, np.full(29, rho))
    assert simulated < bound + 0.003
    assert bound < 1.6 * simulated


def archive_with_step(rng, size, jobs=30, day0=date(2022, 1, 3), at=0.5):
    records = []
    for i in range(jobs):
        day = (day0 + timedelta(days=7 * i)).isoformat()
        b = np.array([size if i >= at * jobs else 0.0, 0.0])
        records.append(drawn(rng, ["equipment:P", f"equipment:Q{i % 6}"], b, day, sd=0.001))
    return records


def test_a_step_is_found_and_dated():
    rng = np.random.default_rng(7)
    records = archive_with_step(rng, 0.006)
    facts = across(records)
    assert len(facts["changes"]) == 1
    change = facts["changes"][0]
    assert change["thing"] == "equipment:P" and change["unit"] == "mm"
    assert change["from_day"] <= "2022-04-18" <= change["to_day"]
    assert change["after"] - change["before"] == pytest.approx(6, abs=1.0)
    times = [t for t in facts["offsets"] if t["name"] == "P"]
    assert sorted((t["since"] is None, t["until"] is None) for t in times) == [(False, True), (True, False)]


def test_nothing_changed_is_seldom_called_a_change():
    rng = np.random.default_rng(8)
    alarms = [bool(across(archive_with_step(rng, 0.0), false_alarm=0.1)["changes"]) for _ in range(150)]
    assert np.mean(alarms) < 0.17  # .1 and three standard errors


def test_a_step_is_the_test_of_dense_least_squares():
    """The largest |w| over all dates, each by freeing a column of its own in plain weighted least squares."""
    records = archive_with_step(np.random.default_rng(9), 0.002, jobs=12)
    tau, information = {"equipment": 0.002}, Information([0.0])
    line = TimeLine()
    rows, right, days = [], [], []
    for one in records:
        block = block_of(one)
        at, u, G = information.add(block)
        line.add(block.day, at, float(u[0, 0]), G[0, 0])
        L = np.linalg.cholesky(block.G)
        X = np.zeros((2, 7))
        X[:, at] = L.T
        rows.append(X), right.append(np.linalg.solve(L, block.u)), days.append(block.day)
    model = Model(["equipment"] * 7, *information.total(), tau=tau)
    step = find_step(model, model.pieces[0], 0, line)
    y = np.r_[np.concatenate(right), np.zeros(7)]
    best = 0.0
    for first in sorted(days)[3:-2]:
        column = np.concatenate([X[:, 0] * (day >= first) for X, day in zip(rows, days, strict=True)])
        whole = np.column_stack([np.r_[np.vstack(rows), np.eye(7) / 0.002], np.r_[column, np.zeros(7)]])
        N = np.linalg.inv(whole.T @ whole)
        w = (N @ whole.T @ y)[-1] / np.sqrt(N[-1, -1])
        best = w if abs(w) > abs(best) else best
    assert step.w == pytest.approx(best, rel=1e-8)


def test_time_lines_do_not_depend_on_the_order_of_jobs():
    rng = np.random.default_rng(10)
    days = rng.integers(700_000, 704_000, 300)
    one, other = TimeLine(), TimeLine()
    for day in days:
        one.add(int(day), np.array([3, 5]), 1.0, np.array([2.0, 0.5]))
    for day in rng.permutation(days):
        other.add(int(day), np.array([3, 5]), 1.0, np.array([2.0, 0.5]))
    for a, b in zip(one.table(), other.table(), strict=True):
        assert np.array_equal(a, b)
    assert len(one.bins) <= MOST_BINS and one.table()[3][:, 2].sum() == 300


# ---- rates ----


def test_a_rate_lies_in_its_interval_as_often_as_it_says():
    """Bayes factors of hypotheses that are tested well, poorly or not at all."""
    rng = np.random.default_rng(11)
    held = []
    for _ in range(300):
        true = 0.03
        wrong = rng.uniform(size=2000) < true
        delta = rng.choice([0.0, 2.0, 6.0], 2000)
        x = wrong * delta + rng.standard_normal(2000)
        factor = np.exp(delta * x - delta**2 / 2)
        low, high = estimate_rate(np.ones(2000), factor, 0.02).interval()
        held.append(low <= true <= high)
    assert 0.91 < np.mean(held) <= 0.99


def test_what_nothing_tests_changes_no_rate():
    count, factor = np.array([500.0, 20.0]), np.array([0.2, 1e4])
    alone = estimate_rate(count, factor, 0.02)
    with_untested = estimate_rate(np.r_[count, 10_000.0], np.r_[factor, 1.0], 0.02)
    assert with_untested.rate == pytest.approx(alone.rate, rel=1e-9)
    assert with_untested.interval() == pytest.approx(alone.interval(), rel=1e-9)


def test_kinds_that_share_their_classes_are_told_apart_by_those_that_do_not():
    """Two kinds, half of them in pairs that nothing tells apart: each comes out at its own rate."""
    rng = np.random.default_rng(12)
    true, n, delta = np.array([0.04, 0.01]), 6000, 8.0
    wrong = rng.uniform(size=(n, 2)) < true
    shared = np.arange(n) < n // 2
    x = delta * wrong.any(axis=1) + rng.standard_normal(n)
    pairs = np.exp(delta * x - delta**2 / 2)[shared]
    alone = [np.exp(delta * (delta * wrong[~shared, k] + rng.standard_normal(n // 2)) - delta**2 / 2) for k in (0, 1)]
    made_of = np.repeat([[1.0, 1.0], [1.0, 0.0], [0.0, 1.0]], n // 2, axis=0)
    found = estimate_rates(made_of, np.ones(len(made_of)), np.concatenate([pairs, *alone]), np.array([0.01, 0.01]))
    for rate, p in zip(found, true, strict=True):
        low, high = rate.interval(0.99)
        assert low < p < high and high - low < 0.02
    assert found[0].expected == pytest.approx(wrong[:, 0].sum(), rel=0.15)


def test_many_members_and_no_evidence_for_them_leave_a_rate():
    """A class of hundreds that its job clears, beside one that is surely wrong, must not end the estimate."""
    made_of, factor = np.array([[120.0, 1.0], [0.0, 1.0], [480.0, 0.0]]), np.array([0.0, 1e130, 1e-320])
    readings, groups = estimate_rates(made_of, np.ones(3), factor, np.array([0.002, 0.05]))
    assert 0 < readings.rate < 0.002 and 0.05 < groups.rate < 1
    assert readings.expected < 0.01 and groups.expected == pytest.approx(1, abs=0.01)
