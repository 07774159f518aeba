"""What must not change a finding: order of rows, names, datum, units; and a job without error has no residuals."""

import numpy as np
import pandas as pd
import pytest

import heightnet
from heightnet.job.model import Job
from heightnet.judge.large import LargeBench, bench_for
from heightnet.ledger.recorded import TABLES
from heightnet.ledger.settings import Settings, Units
from heightnet.network import build_network
from tests.benchmarks.check_speed import write_job
from tests.large_books import level_net
from tests.networks import reciprocal
from tests.timed import timed

WRONG = {"S3": -0.05, "P24": 0.03}
RARE = 1e-3  # members less likely than this may come and go by rounding


@pytest.fixture(scope="module")
def party():
    return reciprocal(wrong=WRONG, levelled=[("K0", "M2")])


@pytest.fixture(scope="module")
def plain(party):
    return heightnet.check(party.job())


def told(result, rename=lambda name: name):
    """What a reader would act on: the state, what is told and where, and what each height is promised."""
    facts = result.facts
    stands = {}
    for of in ("setup", "target"):
        for s in facts[f"{of}s"]:
            stands[f"{of} {s[of]}"] = (s["verdict"], s["error_mm"], s["probability"], s["smallest_found_mm"],
                                       s["smallest_named_mm"], s["independent_checks"])  # fmt: skip
    findings = {}
    for f in facts["findings"]:
        place = {key: rename(value) if isinstance(value, str) else value for key, value in f["place"].items()}
        members = {m["id"]: (m["probability"], m["error_mm"]) for m in f["members"] if m["probability"] > RARE}
        findings[f["id"], tuple(place.items()), f["named"], f["level"], tuple(sorted(members))] = (
            f["probability"], members)  # fmt: skip
    return {
        "state": (facts["judgement"]["state"], facts["judgement"]["said"], facts["judgement"]["relative"]),
        "probability": facts["judgement"]["probability"],
        "stands": stands,
        "findings": findings,
        "suspects": {s["id"]: s["error_mm"] for s in facts["suspects"] if s["probability"] > RARE},
        "marks": {rename(m["mark"]): (m["corrected_height_m"], m["corrected_sd_mm"]) for m in facts["marks"]},
    }


def same(one, other, abs_mm=1e-6, chance=1e-6, sizes=1e-6):
    """The same state, places, members and verdicts; the errors, probabilities and promises within what is allowed.

    abs_mm : of errors and sds; chance : of every probability; sizes : of what is promised, relative.
    """
    assert one["state"] == other["state"]
    assert one["probability"] == pytest.approx(other["probability"], abs=chance)
    for part in ("stands", "findings", "suspects"):
        assert one[part].keys() == other[part].keys(), part
    for name, (verdict, *numbers) in one["stands"].items():
        assert other["stands"][name][0] == verdict, name
        near = ({"abs": abs_mm, "rel": 1e-6}, {"abs": chance}, *2 * ({"abs": abs_mm, "rel": sizes},), {"abs": 0})
        for a, b, allowed in zip(numbers, other["stands"][name][1:], near, strict=True):
            if a is None or b is None:
                assert a is b, name
            else:
                assert a == pytest.approx(b, **allowed), name
    for key, (probability, members) in one["findings"].items():
        again, others = other["findings"][key]
        assert probability == pytest.approx(again, abs=chance), key
        for id, (part, error) in members.items():
            assert part == pytest.approx(others[id][0], abs=chance), id
            assert error == pytest.approx(others[id][1], abs=abs_mm, rel=1e-6), id
    for id, size in one["suspects"].items():
        assert size == pytest.approx(other["suspects"][id], abs=abs_mm, rel=1e-6), id


def same_heights(one, other, shift=0.0, abs_mm=1e-6):
    """The same corrected heights and sds of marks but for a shift, m."""
    for mark, (height, sd) in one["marks"].items():
        again, its_sd = other["marks"][mark]
        if height is None or again is None:
            assert height is again and sd is its_sd, mark
        else:
            assert again - height == pytest.approx(shift, abs=abs_mm / 1000), mark
            assert its_sd == pytest.approx(sd, abs=abs_mm), mark


def test_the_planted_blunders_are_found(plain):
    """S3 is named; P24 was sighted once, from S2 last, so that nothing tells its height from that sight, and both from
    an instrument that moved just before it."""
    first, second = plain.facts["findings"]
    assert first["id"] == "setup:S3" and first["named"] and not second["named"]
    assert second["members"][0]["id"] == "target:P24"
    assert {m["id"] for m in second["members"][1:]} == {"moved:setup/S2/10/", "shot:shots.csv:10"}
    for lead, name in ((first, "S3"), (second["members"][0], "P24")):
        assert lead["error_mm"] == pytest.approx(1000 * WRONG[name], abs=4 * lead["error_sd_mm"])


def shuffled(job, seed=3):
    """The same job with the rows of every table in another order, each row with its own number."""
    rng = np.random.default_rng(seed)
    frames = {t: job.tables[t].sample(frac=1, random_state=rng.integers(1000)) for t in TABLES if len(job.tables[t])}
    return Job.from_frames(job.name, job.settings, **frames)


def higher(job, by):
    return job.with_tables(marks=job.marks.assign(height=job.marks["height"] + by))


def renamed(job, new):
    """The same job with other names of its marks."""
    frames = {t: job.tables[t].assign(mark=job.tables[t]["mark"].map(new)) for t in ("marks", "setups", "targets")}
    levels = job.levels.assign(from_mark=job.levels["from_mark"].map(new), to_mark=job.levels["to_mark"].map(new))
    return job.with_tables(levels=levels, **frames)


def test_row_order(party, plain):
    """With times, which are an order whatever that of the rows is."""
    job = timed(party.job())
    found, again = (told(heightnet.check(one)) for one in (job, shuffled(job)))
    same(found, again)
    same_heights(found, again)


def test_datum_shift(party, plain):
    again = told(heightnet.check(higher(party.job(), 1000)))
    same(told(plain), again, abs_mm=1e-5)
    same_heights(told(plain), again, shift=1000, abs_mm=1e-5)


def awkward_names(party):
    return {m: f"{i:03d}" if i % 2 else f"NA{i}" for i, m in enumerate(sorted(party.heights))}


def test_renamed_marks(party, plain):
    new = awkward_names(party)
    # the columns of noise behind the sizes found and the critical values are drawn in the order of names
    other = told(heightnet.check(renamed(party.job(), new)))
    before = told(plain, lambda name: new.get(name, name))
    same(before, other, sizes=0.15)  # the size of naming is a quantile of 64 columns
    same_heights(before, other)


@pytest.mark.parametrize(("seed", "state"), [(3, "closes"), (4, "unclear"), (11, "wrong")])
def test_renamed_marks_of_a_job_in_doubt(seed, state):
    """A set-up wrong by little more than what can be found: every state comes up, and none by the names of marks."""
    party = reciprocal(seed=seed, wrong={"S3": 0.0055}, levelled=[("K0", "M2")])
    before = heightnet.check(party.job())
    after = heightnet.check(renamed(party.job(), awkward_names(party)))
    assert before.facts["judgement"]["state"] == after.facts["judgement"]["state"] == state
    k, again = (r.facts["fit"]["critical_w"] for r in (before, after))
    assert k == pytest.approx(again, abs=0.1)  # both are found by simulation, to about a twentieth


@pytest.mark.parametrize("length", ["m", "ft", "ftUS"])
@pytest.mark.parametrize("angle", ["dms", "packed", "deg", "gon"])
def test_units_of_the_files(party, plain, tmp_path, length, angle):
    from heightnet.job.read import read_job
    from heightnet.job.write import write_job

    write_job(party.job(), tmp_path / "job", Units(length, angle))
    written = read_job(tmp_path / "job")
    assert written.settings.units == Units(length, angle)
    # a height read in feet has other usual slips: of two that nothing else tells apart one may be likelier
    same(told(plain), told(heightnet.check(written)), abs_mm=1e-4, chance=1e-5 if length == "m" else 0.2)


@pytest.fixture(scope="module", params=["sights", "levels"])
def large(request, tmp_path_factory):
    """A job of many neighbourhoods with small blunders, which are told but not beyond doubt, and its result."""
    if request.param == "levels":
        job = level_net(560, wrong=0.0065)
    else:
        folder = tmp_path_factory.mktemp("large") / "town"
        write_job(folder, "town", 400, planted=3, seed=2, sizes_m=(0.007, 0.01))
        job = timed(heightnet.read_job(folder))
    return job, heightnet.check(job)


def test_a_large_job_has_something_to_tell(large):
    job, result = large
    assert isinstance(bench_for(build_network(job)), LargeBench)
    assert result.facts["judgement"]["state"] == "wrong" and result.facts["findings"]


def test_row_order_of_a_large_job(large):
    job, before = large
    again = told(heightnet.check(shuffled(job)))
    same(told(before), again)
    same_heights(told(before), again)


def test_datum_shift_of_a_large_job(large):
    job, before = large
    again = told(heightnet.check(higher(job, 1000)))
    same(told(before), again, abs_mm=1e-5)
    same_heights(told(before), again, shift=1000, abs_mm=1e-4)


def test_a_job_without_error_has_no_residuals():
    party = reciprocal(
        noise=0.0, levelled=[("K0", "M2")], settings=Settings().with_values(**{"air.refraction_sd": 0.02})
    )
    result = heightnet.check(party.job())
    for table in ("shots", "levels", "known"):
        assert getattr(result, table)["residual_mm"].abs().max() < 1e-6  # 1e-9 m
    assert result.facts["suspects"] == []
    found = result.marks.set_index("mark")["height_m"]
    for mark, height in party.heights.items():
        assert found[mark] == pytest.approx(height, abs=1e-9)


def test_great_heights_and_small_sds_cost_no_digits():
    def run(shift):
        party = reciprocal(noise=0.0, seed=7)
        job = party.job()
        marks = job.marks.assign(height=job.marks["height"] + shift, sd=1e-4)
        setups, targets = job.setups.assign(sd=1e-4), job.targets.assign(sd=1e-4)
        setups.loc[2, "height"] += 0.002
        return heightnet.check(job.with_tables(marks=marks, setups=setups, targets=targets))

    low, high = run(0.0), run(4000.0)
    a, b = low.setups["error_mm"].to_numpy(float), high.setups["error_mm"].to_numpy(float)
    assert np.max(np.abs(a - b)) < 1e-6
    assert np.max(np.abs(high.marks["height_m"].to_numpy(float) - low.marks["height_m"].to_numpy(float) - 4000)) < 1e-8


def test_row_numbers_of_the_field_book_are_kept(plain):
    assert plain.shots["row"].tolist() == list(range(2, len(plain.shots) + 2))


def test_an_unused_mark_changes_nothing_but_is_said(party, plain):
    job = party.job()
    marks = pd.concat(
        [job.marks, pd.DataFrame({"mark": ["lonely"], "height": [np.nan], "row": [99]})], ignore_index=True
    )
    result = heightnet.check(job.with_tables(marks=Job.from_frames(marks=marks).marks))
    same(told(plain), told(result))
    assert [(u["kind"], u["name"]) for u in result.facts["undetermined"]] == [("mark", "lonely")]
    lonely = result.marks.set_index("mark").loc["lonely"]
    assert np.isnan(lonely["height_m"])
