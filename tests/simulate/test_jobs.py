"""Simulated jobs: their truth is what the adjustment finds, and blunders are where they were put."""

import numpy as np
import pytest

import heightnet
from heightnet.judge.bench import Bench
from heightnet.network import build_network
from tests.simulate.jobs import KINDS, Sds, blunder, simulate


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_heights_are_found_within_their_sds(kind):
    job, truth = simulate(kind, 7)
    marks = heightnet.check(job).marks
    off = [
        (h - truth.heights[m]) * 1000 / s
        for m, h, s in zip(marks["mark"], marks["height_m"], marks["sd_mm"], strict=True)
    ]
    assert np.sqrt(np.mean(np.square(off))) < 2.2  # heights share errors: no sharper than this for 8 marks


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "id_", "size"),
    [("S1", "setup:S4", 0.05), ("S1", "shot:shots.csv:9", -0.04), ("S2", "tripod:stand 3", 0.03),
     ("S2", "level:levels.csv:4", 0.06), ("S3", "target:P5a", -0.05), ("S1", "known:M8", 0.05),
     ("S3", "reading:tape.csv:4", 0.05), ("S3", "setup:S6", -0.03)],
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


BLUNDERS = {
    "S1": ("setup:S4", "target:P45", "shot:shots.csv:9", "known:M8", "group:equipment:prism 1"),
    "S2": ("tripod:stand 3", "level:levels.csv:4", "known:M0"),
    "S3": ("setup:S1", "setup:S2", "reading:tape.csv:4", "group:tape:tape 2", "group:instrument:instrument 1",
           "group:equipment:prism 3"),
}  # fmt: skip


@pytest.mark.parametrize("kind", BLUNDERS)
def test_blunders_in_the_field_book_are_columns_of_the_family(kind):
    """A value changed in the tables does to the misclosures what size times the hypothesis' column does."""
    job, _ = simulate(kind, 4)
    bench = Bench(build_network(job), factors=False)
    ids = [str(i) for i in bench.family.ids]
    for id_ in BLUNDERS[kind]:
        h, size = ids.index(id_), 0.02
        wrong = build_network(blunder(job, id_, size))
        found = bench.reduction.K.T @ ((wrong.y - bench.net.y) / bench.net.sd)
        assert found == pytest.approx(size * bench.reduction.M[:, h], abs=0.01), id_  # in standard deviations
        assert np.abs(found).max() > 1


def test_a_swap_in_the_field_book_has_the_size_the_family_expects():
    bench = Bench(build_network(simulate("S1", 3, {"swap:S4/P45": 0.0})[0]), factors=False)
    h = [str(i) for i in bench.family.ids].index("swap:S4/P45")
    information = bench.diagonal[h]
    u = bench.look(bench.net.y).u[h]
    assert u / information == pytest.approx(bench.family.size[h], abs=4 / np.sqrt(information))


def test_sizes_in_standard_deviations():
    job, truth = simulate("S3", 2, {"setup:S5": Sds(9), "target:P3a": -0.03})
    clean = Bench(build_network(simulate("S3", 2)[0]), factors=False)
    h = [str(i) for i in clean.family.ids].index("setup:S5")
    assert truth.blunders["setup:S5"] * np.sqrt(clean.diagonal[h]) == pytest.approx(9)
    assert truth.blunders["target:P3a"] == -0.03
    assert heightnet.check(job).facts["suspects"]


def test_noise_is_as_large_as_asked_for():
    """Variance factor of 40 jobs of redundancy 28: 1, and 4 with sigmas twice as large; sd of the mean 0.042."""
    for factor in (1.0, 2.0):
        fits = [build_network(simulate("S1", s, tape_factor=factor, sight_factor=factor)[0]) for s in range(40)]
        found = np.mean([_variance_factor(Bench(net, factors=False)) for net in fits])
        assert found == pytest.approx(factor**2, rel=0.15)


def _variance_factor(bench):
    t = bench.reduction.K.T @ (bench.net.y / bench.net.sd)
    return t @ t / len(t)


@pytest.mark.parametrize("kind", ["S1", "S2", "S3"])
def test_written_and_read_it_is_the_same_job(kind, tmp_path):
    from heightnet.job.write import write_job

    job, _ = simulate(kind, 1)
    again = heightnet.read_job(write_job(job, tmp_path / kind))
    one, other = build_network(job), build_network(again)
    assert other.rise == pytest.approx(one.rise, abs=6e-6)  # tape readings are shown to 0.01 mm
    assert other.sd == pytest.approx(one.sd)


def test_seed_decides_everything():
    a, b, c = simulate("S3", 5)[0], simulate("S3", 5)[0], simulate("S3", 6)[0]
    assert a.shots.equals(b.shots)
    assert not a.shots.equals(c.shots)


def test_unknown_names_are_refused():
    with pytest.raises(ValueError, match="no such kind"):
        simulate("S9")
    for id_ in ("setup:S77", "target:P99", "shot:shots.csv:777", "known:M3000", "reading:tape.csv:99"):
        with pytest.raises(ValueError, match=f"called {id_}"):
            simulate("S1", 1, {id_: 0.1})
    with pytest.raises(ValueError, match="nothing in the job tests"):
        simulate("S1", 1, {"group:tape:(not named)": Sds(6)})
