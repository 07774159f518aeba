"""Set-ups constructed so that the answer is known (own recomputation, not published)."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

import heightnet
from heightnet import Job, Settings
from heightnet.judge.bench import Bench
from heightnet.judge.judgement import Judgement
from heightnet.judge.promises import found_delta
from heightnet.network import build_network


def test_tape_against_three_known_marks():
    """Tape 1.536 m (sd 2 mm); three sights to known marks each imply 1.561 m (sd 1.5 mm).

    Own recomputation: r(tape) 0.842105, |w| 11.4708, error -25.000 +- 2.17945 mm, smallest detectable 9.006 mm.
    """
    known = pd.DataFrame({"mark": ["P", "A", "B", "C"], "height": [100.0] * 4, "sd": 0.0})
    setups = pd.DataFrame({"setup": ["S"], "mark": ["P"], "height": [1.536], "sd": [0.002]})
    # level sights of 50 m to poles of exactly known length 1.561 m
    targets = pd.DataFrame({"target": ["a", "b", "c"], "mark": ["A", "B", "C"], "height": 1.561, "sd": 1e-9})
    shots = pd.DataFrame(
        {"setup": "S", "target": ["a", "b", "c"], "slope_distance": 50.0, "zenith_angle": np.pi / 2,
         "sd_zenith": 0.0015 / 50, "sd_distance": 1e-9}
    )  # fmt: skip
    settings = Settings().with_values(**{"earth.radius_m": 1e15, "air.refraction_sd": 0.0})
    job = Job.from_frames(settings=settings, marks=known, setups=setups, targets=targets, shots=shots)
    result = heightnet.check(job)
    found = result.setups.iloc[0]
    assert found["redundancy"] == pytest.approx(0.842105, abs=1e-6)
    assert abs(found["w"]) == pytest.approx(11.4708, abs=1e-4)
    assert found["error_mm"] == pytest.approx(-25.0, abs=1e-3)
    # P is held exactly and nothing else hangs on it: a wrong height of P would look just like a wrong tape
    assert found["verdict"] == "either"
    assert {"setup:S", "known:P"} <= {m["id"] for m in result.facts["findings"][0]["members"]}
    # the result's standard deviation carries the factor that the job shows; the stated ones alone give
    stated = Judgement(Bench(build_network(job), factors=False))
    sd = stated.error_sd[stated.bench.family.ids.tolist().index("setup:S")] * 1000
    assert sd == pytest.approx(2.17945, abs=1e-5)
    # and one test at alpha 0.1 % with power 80 % would find
    assert found_delta(norm.isf(np.array([0.0005])), 0.80) * sd == pytest.approx(9.006, abs=1e-3)


def test_unknown_mark_with_sights_out_only_is_untestable():
    """Mark height and instrument height enter as a sum: r = 0, and it must be said."""
    marks = pd.DataFrame({"mark": ["P", "A", "B"], "height": [np.nan, 10.0, 10.3]})
    setups = pd.DataFrame({"setup": ["S"], "mark": ["P"], "height": [1.5]})
    targets = pd.DataFrame({"target": ["a", "b"], "mark": ["A", "B"], "height": [1.6, 1.7]})
    shots = pd.DataFrame(
        {"setup": "S", "target": ["a", "b"], "slope_distance": [80.0, 90.0], "zenith_angle": np.radians([89.0, 90.5])}
    )
    result = heightnet.check(Job.from_frames(marks=marks, setups=setups, targets=targets, shots=shots))
    setup = result.facts["setups"][0]
    assert setup["verdict"] == "unproved"
    assert setup["redundancy"] == pytest.approx(0.0, abs=1e-9)
    assert setup["error_mm"] is None
    assert setup["independent_checks"] == 0
    mark = next(m for m in result.facts["marks"] if m["mark"] == "P")
    assert (mark["hidden_mm"], mark["hidden_by"]) == (None, "setup:S")


@pytest.mark.parametrize("b", [0.05, -0.25])
def test_reciprocal_pair(b):
    """HI at A wrong by b: the rise from A to B changes by b, the one from B to A does not, their mean moves by b/2."""

    def rise(hi_at_a):
        marks = pd.DataFrame({"mark": ["A", "B"], "height": [50.0, np.nan], "sd": [0.0, np.nan]})
        setups = pd.DataFrame({"setup": ["a", "b"], "mark": ["A", "B"], "height": [hi_at_a, 1.5]})
        targets = pd.DataFrame({"target": ["ta", "tb"], "mark": ["A", "B"], "height": 1.6})
        shots = pd.DataFrame({"setup": ["a", "b"], "target": ["tb", "ta"], "slope_distance": 100.0,
                              "zenith_angle": np.radians([89.0, 91.0])})  # fmt: skip
        job = Job.from_frames(marks=marks, setups=setups, targets=targets, shots=shots)
        return heightnet.check(job).marks.set_index("mark")["height_m"]["B"]

    assert rise(1.5 + b) - rise(1.5) == pytest.approx(b / 2, abs=1e-9)
