"""Large jobs: the tests from the sparse core are the small bench's own, and neighbourhoods find what was planted."""

import numpy as np
import pandas as pd
import pytest
from heightnet.judge.assess import Bench, fit_of
from heightnet.judge.wide import WideBench

import heightnet
from heightnet.job.read import read_job
from heightnet.network import build_network
from heightnet.simulate import KINDS, simulate
from tests.benchmarks.check_speed import write_job


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_tests_as_a_small_job(kind):
    net = build_network(simulate(kind, 4)[0])
    small, wide = Bench(net), WideBench(net, fit_of(net))
    at = {str(i): h for h, i in enumerate(small.family.ids)}
    same = np.array([at[str(i)] for i in wide.family.ids])
    assert np.max(np.abs(wide.diagonal / wide.own - (small.diagonal / small.own)[same])) < 1e-8
    single = wide.family.kind != "group"
    tested = small.classes.redundancy[same] > 1e-8
    assert ((wide.classes.label >= 0) == tested)[single].all()
    signs = wide.classes.sign, small.classes.sign[same]
    pairs = (wide.classes.label[:, None] == wide.classes.label[None, :]) & np.outer(tested & single, tested & single)
    assert (np.outer(signs[0], signs[0]) == np.outer(signs[1], signs[1]))[pairs].all()
    ours, theirs = wide.judge(), small.judge()
    assert np.allclose(ours.w[tested], theirs.w[same][tested], atol=1e-6)


@pytest.fixture(scope="module")
def planted(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wide") / "chain"
    return set(write_job(folder, "chain", 1200, planted=3)), heightnet.check(folder)


def test_planted_heights_are_found_in_a_long_traverse(planted):
    wrong, result = planted
    assert result.facts["fit"]["observations"] > 800
    found = {s["id"]: s for s in result.facts["suspects"] if s["probability"] >= 0.5}
    assert wrong <= set(found)
    assert len(found) <= len(wrong) + 1
    for w in wrong:
        assert abs(found[w]["error_mm"]) == pytest.approx(50, abs=10 + 4 * found[w]["error_sd_mm"])


def test_its_result_is_complete(planted):
    wrong, result = planted
    import json
    from importlib.resources import files

    import jsonschema

    schema = json.loads(files("heightnet.report").joinpath("results.schema.json").read_text())
    jsonschema.Draft202012Validator(schema).validate(json.loads(result.to_json()))
    assert {s["verdict"] for s in result.facts["setups"]} <= {"suspect", "either", "proved", "weak"}
    plain = result.facts["fit"]["largest_w_id"]
    assert result.facts["fit"]["alarm"] and plain in wrong
    others = [s for s in result.facts["setups"] if s["verdict"] == "proved"]
    assert max(abs(s["w"]) for s in others) < 5  # the blunders are let go before the others are tested


def test_a_large_job_shows_its_own_scatter_and_its_own_rates(tmp_path):
    """Everything scatters twice as much as stated, and nobody slipped: the job says so, and accuses nobody for it."""
    write_job(tmp_path / "calm", "town", 3000, planted=0, seed=5)
    write_job(tmp_path / "wild", "town", 3000, planted=0, seed=5, scatter=2.0)
    judged = {}
    for name in ("calm", "wild"):
        net = build_network(read_job(tmp_path / name))
        bench = WideBench(net, fit_of(net))
        judged[name] = bench.judge()
        stated = bench.family.rate[bench.family.of("target")][0]
        assert judged[name].rate[bench.family.of("target")][0] < stated
        assert not judged[name].decided
    assert max(judged["calm"].factors) < 1.2
    assert judged["wild"].factors == pytest.approx((2.0, 2.0), rel=0.3)


def test_the_order_of_the_rows_changes_no_finding(tmp_path):
    """Which observations a neighbourhood takes in at its rim may depend on the order; a chance moves by a hundredth."""
    write_job(tmp_path / "job", "lattice", 1200, planted=4, sizes_m=(0.02, 0.04), seed=2)
    before = heightnet.check(tmp_path / "job").facts
    for table in ("marks", "setups", "targets", "shots"):
        path = tmp_path / "job" / f"{table}.csv"
        pd.read_csv(path, dtype=str).sample(frac=1, random_state=7).to_csv(path, index=False)
    after = heightnet.check(tmp_path / "job").facts
    found, again = ({s["id"]: s for s in facts["suspects"]} for facts in (before, after))
    assert found and found.keys() == again.keys()
    for id, one in found.items():
        assert again[id]["probability"] == pytest.approx(one["probability"], abs=0.01)
        assert again[id]["error_mm"] == pytest.approx(one["error_mm"], abs=0.1)


def test_what_a_clear_blunder_put_in_question_is_open_again_once_it_is_let_go(tmp_path):
    write_job(tmp_path / "job", "town", 10_000, planted=20)
    facts = heightnet.check(tmp_path / "job").facts
    assert len(facts["suspects"]) >= 20
    assert min(s["probability"] for s in facts["suspects"]) >= 0.05
