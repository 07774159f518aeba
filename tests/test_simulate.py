"""Simulated jobs: their truth is what the adjustment finds, and blunders are where they were put."""

import numpy as np
import pytest

import heightnet
from heightnet.simulate import KINDS, simulate


@pytest.mark.parametrize("kind", KINDS)
def test_heights_are_found_within_their_sds(kind):
    job, truth = simulate(kind, 7)
    marks = heightnet.check(job).marks
    off = [
        (h - truth.heights[m]) * 1000 / s
        for m, h, s in zip(marks["mark"], marks["height_m"], marks["sd_mm"], strict=True)
    ]
    assert np.sqrt(np.mean(np.square(off))) < 2.2  # heights share errors: no sharper than this for 8 marks


@pytest.mark.parametrize(
    ("kind", "id_", "size"),
    [("S1", "setup:S4", 0.05), ("S1", "shot:shots.csv:9", -0.04), ("S2", "tripod:stand 3", 0.03),
     ("S2", "level:levels.csv:4", 0.06), ("S3", "target:P5", -0.05), ("S1", "known:M8", 0.05)],
)  # fmt: skip
def test_a_planted_blunder_is_named_with_its_size(kind, id_, size):
    result = heightnet.check(simulate(kind, 3, {id_: size})[0])
    suspect = result.facts["suspects"][0]
    same = {s["id"] for s in result.facts["suspects"]} | set(result.facts["explanations"][0]["also"][0])
    assert id_ in same
    sizes = {s["id"]: s for s in result.facts["suspects"]}
    one = sizes.get(id_, suspect)
    sign = 1 if one["id"] == id_ else np.sign(one["error_mm"] * size)  # a class mate may have the other sign
    assert sign * one["error_mm"] == pytest.approx(1000 * size, abs=4 * one["error_sd_mm"])


def test_a_swap_and_a_group():
    job, _ = simulate("S1", 3, {"swap:S4/P45": 0.0})
    found = heightnet.check(job).facts["suspects"]
    assert "swap:S4/P45" in {s["id"] for s in found}
    job, _ = simulate("M1", 1, {"group:equipment:prism 1": 0.005})
    assert [s["id"] for s in heightnet.check(job).facts["suspects"]] == ["group:equipment:prism 1"]


def test_seed_decides_everything():
    a, b, c = simulate("S3", 5)[0], simulate("S3", 5)[0], simulate("S3", 6)[0]
    assert a.shots.equals(b.shots)
    assert not a.shots.equals(c.shots)


def test_unknown_names_are_refused():
    with pytest.raises(ValueError, match="no such kind"):
        simulate("S9")
    with pytest.raises(ValueError, match="called setup:S77"):
        simulate("S1", 1, {"setup:S77": 0.1})
