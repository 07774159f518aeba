"""Heights of marks from the whole posterior: members of classes, two minds, intervals that hold."""

import numpy as np
import pytest
from scipy import stats

import heightnet
from heightnet.judge.heights import A_MIND, _of
from tests.benchmarks.decide import Draw, able, marks_of, prepared
from tests.simulate.jobs import simulate


def mixture(parts):
    """One value with normal parts (weight, mean, sd)."""
    weight, mean, sd = (np.array(x) for x in zip(*parts, strict=True))
    return _of(weight, mean[:, None], sd[:, None] ** 2)


def test_mixture_against_scipy():
    """General-purpose library: quantiles of a normal mixture by scipy's normal distribution and root finding."""
    from scipy.optimize import brentq

    weight, mean, sd = (0.5, 0.3, 0.2), (0.0, 0.5, -0.3), (1.0, 1.4, 0.8)
    found = mixture(zip(weight, mean, sd, strict=True))
    assert not found.minds
    for q, ours in ((0.025, found.low[0]), (0.975, found.high[0])):
        exact = brentq(
            lambda x, q=q: sum(w * stats.norm.cdf(x, m, s) for w, m, s in zip(weight, mean, sd, strict=True)) - q, -9, 9
        )
        assert ours == pytest.approx(exact, abs=1e-5)
    assert found.mean[0] == pytest.approx(np.dot(weight, mean))


def test_means_that_fall_apart_are_two_minds():
    found = mixture([(0.6, 0.0, 1e-3), (0.37, 0.2, 1e-3), (0.03, -0.4, 1e-3)])
    assert [m.probability for m in found.divided(0)] == [pytest.approx(0.6), pytest.approx(0.37)]
    assert len(found.minds[0]) == 3
    one = mixture([(1 - A_MIND / 2, 0.0, 1e-3), (A_MIND / 2, 0.2, 1e-3)])
    assert not one.divided(0)
    assert one.mean[0] == pytest.approx(0.0)  # the unlikely height is told beside it, and pulls nothing
    assert one.minds[0][1].probability == pytest.approx(A_MIND / 2)


def test_a_class_of_target_and_sight_gives_a_mark_no_false_certainty():
    """The sight or its target is wrong: the one moves what the other does not, and marks keep both minds."""
    bench = prepared("small4", 3)
    rng = np.random.default_rng(2)
    far = count = 0
    for h in able(bench, "target", "shot").tolist():
        for _ in range(4):
            d = Draw("small4", 3, "stated", rng)
            d.plant_sds(h, 12.0)
            facts = d.facts()
            if facts.judgement.said:
                beyond, _, marks = marks_of(d, facts)
                far, count = far + beyond, count + marks
    assert count > 100
    assert far / count <= 0.03


@pytest.mark.parametrize("scatter", ["stated", "x1.6"])
def test_intervals_hold(scatter):
    """Blunders at the job's rates; .95 within three standard errors (marks of a job err together: .02)."""
    from tests.benchmarks.decide import coverage

    found = coverage("centred-tied", 3, scatter, 60)["marks inside their interval"]
    assert found["rate"] >= 0.90


def test_no_single_number_where_there_are_two():
    facts = heightnet.check("data/mill-levels").facts
    divided = [m for m in facts["marks"] if m["corrected_height_m"] is None]
    assert {m["mark"] for m in divided} == {"TP4 (out)", "TP5 (out)"}
    for m in divided:
        first, second = m["heights"][:2]
        assert abs(first["height_m"] - second["height_m"]) == pytest.approx(0.1, abs=0.002)
        assert first["probability"] + second["probability"] == pytest.approx(1.0, abs=0.02)
        assert m["low_m"] is None and m["corrected_sd_mm"] is None
    for m in facts["marks"]:
        if m not in divided:
            assert m["low_m"] < m["corrected_height_m"] < m["high_m"] or m["corrected_sd_mm"] == 0


def test_standard_deviations_carry_the_factor_that_the_job_shows():
    calm = heightnet.check(simulate("S3", 4)[0]).facts
    wild = heightnet.check(simulate("S3", 4, tape_factor=2.5, sight_factor=2.5)[0]).facts
    assert wild["fit"]["tape_factor"] > 1.4
    ratio = [w["sd_mm"] / c["sd_mm"] for w, c in zip(wild["marks"], calm["marks"], strict=True) if c["sd_mm"]]
    assert min(ratio) > 1.1 and np.median(ratio) > 1.5
