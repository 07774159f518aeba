"""Large jobs: the tests from the sparse core are the small bench's own, and neighbourhoods find what was planted."""

import numpy as np
import pandas as pd
import pytest

import heightnet
from heightnet.job.read import read_job
from heightnet.judge import large
from heightnet.judge.bench import Bench
from heightnet.judge.judgement import Judgement
from heightnet.judge.large import LargeBench, bench_for
from heightnet.judge.names import judged_by
from heightnet.judge.search import Clock
from heightnet.network import build_network
from tests.benchmarks.check_speed import write_job
from tests.noise import NOISES, errors
from tests.shapes import shape
from tests.simulate.field import Book, happened
from tests.simulate.jobs import KINDS, simulate

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_tests_as_a_small_job(kind):
    net = build_network(simulate(kind, 4)[0])
    small, wide = Bench(net), LargeBench(net)
    at = {str(i): h for h, i in enumerate(small.family.ids)}
    same = np.array([at[str(i)] for i in wide.family.ids])
    assert np.max(np.abs(wide.diagonal / wide.own - (small.diagonal / small.own)[same])) < 1e-8
    single = wide.family.kind != "group"
    tested = small.classes.redundancy[same] > 1e-8
    assert ((wide.classes.label >= 0) == tested)[single].all()
    signs = wide.classes.sign, small.classes.sign[same]
    pairs = (wide.classes.label[:, None] == wide.classes.label[None, :]) & np.outer(tested & single, tested & single)
    assert (np.outer(signs[0], signs[0]) == np.outer(signs[1], signs[1]))[pairs].all()
    ours, theirs = Judgement(wide), Judgement(small)
    assert np.allclose(ours.w[tested], theirs.w[same][tested], atol=1e-6)


@pytest.fixture(scope="module")
def planted(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wide") / "chain"
    return set(write_job(folder, "chain", 1200, planted=3)), heightnet.check(folder)


def test_planted_heights_are_found_in_a_long_traverse(planted):
    wrong, result = planted
    assert result.facts["fit"]["observations"] > 800
    assert result.facts["judgement"]["neighbourhoods"] >= 3
    findings = [f for f in result.facts["findings"] if f["level"] >= 0.5]
    members = {m["id"]: m for f in findings for m in f["members"]}
    assert wrong <= set(members)
    assert len(findings) <= len(wrong) + 1
    for w in wrong:
        assert abs(members[w]["error_mm"]) == pytest.approx(50, abs=10 + 4 * members[w]["error_sd_mm"])


def test_its_result_is_complete(planted):
    wrong, result = planted
    import json
    from importlib.resources import files

    import jsonschema

    schema = json.loads(files("heightnet.report").joinpath("results.schema.json").read_text())
    jsonschema.Draft202012Validator(schema).validate(json.loads(result.to_json()))
    assert {s["verdict"] for s in result.facts["setups"]} <= {"suspect", "either", "doubted", "proved", "weak"}
    plain = result.facts["fit"]["largest_w_id"]
    assert result.facts["fit"]["alarm"] and plain in wrong
    others = [s for s in result.facts["setups"] if s["verdict"] == "proved"]
    assert max(abs(s["w"]) for s in others) < 5  # the blunders are let go before the others are tested


def test_a_clock_that_strikes_among_the_parts_of_a_large_job_clears_nothing(tmp_path, monkeypatch):
    """Of six wrong heights one is looked at: the job is not explained, and no chance is above what was looked at."""
    monkeypatch.setattr(large, "WHOLE_UP_TO", 0)
    monkeypatch.setattr(large, "PART", 200)
    wrong = set(write_job(tmp_path / "town", "town", 600, planted=6, seed=3))
    bench = LargeBench(build_network(read_job(tmp_path / "town")))
    whole, hasty = Judgement(bench), Judgement(bench, clock=Clock(seconds=0))
    assert len(wrong & members(whole)) > len(wrong & members(hasty)) >= 1
    assert whole.seen.unlooked == 0 and 0.2 < hasty.seen.unlooked < 1
    assert hasty.state == "unexplained" and hasty.searched < 0.8 and hasty.sure_at_most <= 0.5
    assert all(f.level == 0 and not f.named for f in hasty.findings)


def test_what_reaches_from_one_part_into_another_is_found(tmp_path, monkeypatch):
    """Sixteen wrong heights, and parts so large that most blunders lie near the end of one."""
    monkeypatch.setattr(large, "WHOLE_UP_TO", 0)
    monkeypatch.setattr(large, "PART", 400)
    wrong = set(write_job(tmp_path / "town", "town", 1200, planted=16, seed=1))
    judged = Judgement(LargeBench(build_network(read_job(tmp_path / "town"))))
    assert judged.state == "wrong" and wrong <= members(judged)


def members(judgement):
    """Ids of what is told."""
    return {str(judgement.bench.family.ids[m.hypothesis]) for f in judgement.findings for m in f.members}


def test_a_large_job_shows_its_own_scatter_and_its_own_rates(tmp_path):
    """Everything scatters twice as much as stated, and nobody slipped: the job says so, and accuses nobody for it."""
    write_job(tmp_path / "calm", "town", 3000, planted=0, seed=6)
    write_job(tmp_path / "wild", "town", 3000, planted=0, seed=6, scatter=2.0)
    judged = {}
    for name in ("calm", "wild"):
        bench = LargeBench(build_network(read_job(tmp_path / name)))
        judged[name] = Judgement(bench)
        stated = bench.family.rate[bench.family.of("target")][0]
        assert bench.rate[bench.family.of("target")][0] < stated
        assert not any(f.level == 0.9 for f in judged[name].findings)
    assert max(judged["calm"].factors) < 1.2
    assert judged["wild"].factors == pytest.approx((2.0, 2.0), rel=0.3)
    assert judged["calm"].state == "closes"
    assert judged["wild"].state in ("scatters", "unclear")


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


def test_what_a_clear_blunder_put_in_question_is_cleared_once_it_is_let_go(tmp_path):
    wrong = set(write_job(tmp_path / "job", "town", 10_000, planted=20))
    facts = heightnet.check(tmp_path / "job").facts
    told = {m["id"] for f in facts["findings"] if f["level"] >= 0.5 for m in f["members"] if m["probability"] > 0.05}
    assert wrong <= told
    assert len(facts["findings"]) <= 23


@pytest.mark.parametrize(
    "event",
    [
        "target of an unknown mark misnamed",
        "set-up over another mark, no coordinates",
        "sight booked to another target",
    ],
)
def test_a_wrong_name_in_a_large_job_is_told_with_the_right_one(event):
    base = build_network(shape("areal60", 1).job)
    rng = np.random.default_rng(4)
    for _ in range(2):
        one = happened(event, Book(base), rng)
        bench = bench_for(build_network(one.booked(base, errors(base, NOISES["stated"], rng))))
        judgement = judged_by(bench)
        assert isinstance(bench, LargeBench) and len(judgement.findings) == 1
        finding = judgement.findings[0]
        h, family = finding.members[0].hypothesis, judgement.bench.family
        assert finding.named and finding.probability > 0.95
        assert family.kind[h] == "misnamed" and str(family.ids[h]).endswith(f"/{one.says}")
        assert set(family.members(h).tolist()) == set(one.touched[0])


@pytest.mark.parametrize("planted", [{"setup:S3": 0.02}, {"setup:S3": 0.02, "target:P5a": -0.03}, {}])
def test_many_neighbourhoods_tell_what_one_tells(planted):
    """A job of usual size judged both ways: the same state and places, probabilities within a few hundredths."""
    net = build_network(simulate("S3", 5, planted)[0])
    one, many = Judgement(Bench(net)), Judgement(LargeBench(net))
    assert one.state == many.state
    names = [
        [{str(j.bench.family.ids[m.hypothesis]) for m in f.members if m.probability > 0.02} for f in j.findings]
        for j in (one, many)
    ]
    assert sorted(map(sorted, names[0])) == sorted(map(sorted, names[1]))

    def lead(judgement):
        return lambda f: str(judgement.bench.family.ids[f.members[0].hypothesis])

    for f, g in zip(sorted(one.findings, key=lead(one)), sorted(many.findings, key=lead(many)), strict=True):
        assert f.probability == pytest.approx(g.probability, abs=0.03)
        assert f.size == pytest.approx(g.size, abs=0.3 * f.size_sd + 1e-5)


def test_two_heights_in_each_others_place_are_found_in_a_large_job(tmp_path):
    write_job(tmp_path / "job", "town", 900, planted=0, seed=4)
    setups, targets = (pd.read_csv(tmp_path / "job" / f"{t}.csv") for t in ("setups", "targets"))
    shots = pd.read_csv(tmp_path / "job" / "shots.csv")
    apart = shots.merge(setups, on="setup").merge(targets, on="target")
    one = apart[(apart["height_x"] - apart["height_y"]).abs() > 0.08].iloc[40]
    setups.loc[setups["setup"] == one["setup"], "height"] = one["height_y"]
    targets.loc[targets["target"] == one["target"], "height"] = one["height_x"]
    setups.to_csv(tmp_path / "job" / "setups.csv", index=False)
    targets.to_csv(tmp_path / "job" / "targets.csv", index=False)
    facts = heightnet.check(tmp_path / "job").facts
    assert facts["judgement"]["neighbourhoods"] >= 1 and facts["fit"]["observations"] > 800
    told = {m["id"] for f in facts["findings"] for m in f["members"]}
    assert f"swap:{one['setup']}/{one['target']}" in told


def test_a_second_search_is_claimed_only_where_it_was_made(tmp_path):
    write_job(tmp_path / "calm", "chain", 1200, planted=0, seed=3)
    calm = heightnet.check(tmp_path / "calm").facts
    assert calm["judgement"]["state"] == "closes" and calm["judgement"]["second_search"] == "not made"
    assert calm["judgement"]["neighbourhoods"] == 0
    write_job(tmp_path / "wrong", "chain", 1200, planted=2, seed=3)
    wrong = heightnet.check(tmp_path / "wrong").facts
    assert wrong["judgement"]["second_search"] == "made" and wrong["cross_check"]["best_subset"]


def test_seconds_are_a_hard_stop_and_the_result_says_so(tmp_path):
    write_job(tmp_path / "job", "town", 900, planted=12, seed=6)
    facts = heightnet.check(tmp_path / "job", seconds=0.01).facts
    assert facts["judgement"]["stopped"] == "seconds"
    whole = heightnet.check(tmp_path / "job").facts
    assert whole["judgement"]["stopped"] == ""


@pytest.mark.parametrize(
    ("event", "sds", "kind"),
    [
        ("pole by half-day", 15.0, "spell"),
        ("pole extended and put back", 15.0, "spell"),
        ("sunk instrument", 12.0, "moved"),
    ],
)
def test_what_happened_in_the_field_is_found_in_a_large_job(event, sds, kind):
    """Sixty set-ups; of three events at least two by name, and nothing sound is called wrong with nine tenths."""
    made = shape("areal60", 1)
    book, rng = Book(build_network(made.job)), np.random.default_rng(3)
    named = 0
    for _ in range(3):
        one = happened(event, book, rng, sds)
        bench = LargeBench(build_network(one.booked(book.net, errors(book.net, NOISES["stated"], rng))))
        family, touched = bench.family, one.touched[0]
        findings = [f for f in Judgement(bench).findings if f.level >= 0.5]
        heads = [f.members[0].hypothesis for f in findings if f.named]
        sure = [f.members[0].hypothesis for f in findings if f.named and f.level >= 0.9]
        assert findings and all(set(family.members(h).tolist()) & touched for h in sure)
        named += any(
            family.kind[h] == kind and len(set(family.members(h).tolist()) ^ touched) <= one.loose for h in heads
        )
    assert named >= 2


def test_whether_a_large_job_closes_is_not_asked_of_what_happened_in_the_field():
    net = build_network(simulate("M1", 4)[0])
    bench = LargeBench(net)
    lasting = np.flatnonzero(~bench.family.of("spell", "moved", "local", "source"))
    assert len(bench.asked) == len(set(bench.classes.label[lasting].tolist()) - {-1})
