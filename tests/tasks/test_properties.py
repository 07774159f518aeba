"""What must not change a finding: order of rows, names, datum, units; and a job without error has no residuals."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import heightnet
from heightnet.job.model import TABLES, Job, Settings, Units
from tests.networks import reciprocal

WRONG = {"S3": -0.05, "P24": 0.03}


@pytest.fixture(scope="module")
def party():
    return reciprocal(wrong=WRONG, levelled=[("K0", "M2")])


@pytest.fixture(scope="module")
def plain(party):
    return heightnet.check(party.job())


def findings(result, rename=lambda name: name):
    """What a reader would act on, by name."""
    facts = result.facts
    stands = {}
    for of in ("setup", "target"):
        for s in facts[f"{of}s"]:
            stands[rename(s[of])] = (s["verdict"], s["error_mm"], s["probability"], s["smallest_found_mm"],
                                     s["smallest_named_mm"], s["independent_checks"])  # fmt: skip
    return stands, {rename(s["name"]): s["error_mm"] for s in facts["suspects"]}


def same(one, other, abs_mm=1e-6, chance=1e-6, sizes=1e-6):
    """The same verdicts, errors and checks; ``chance`` and ``sizes`` (relative) say what else may differ by."""
    stands, suspects = one
    assert stands.keys() == other[0].keys()
    assert suspects.keys() == other[1].keys()
    for name, (verdict, *numbers) in stands.items():
        assert other[0][name][0] == verdict, name
        near = ({"abs": abs_mm, "rel": 1e-6}, {"abs": chance}, *2 * ({"abs": abs_mm, "rel": sizes},), {"abs": 0})
        for a, b, allowed in zip(numbers, other[0][name][1:], near, strict=True):
            if a is None or b is None:
                assert a is b, name
            else:
                assert a == pytest.approx(b, **allowed), name
    for name, size in suspects.items():
        assert other[1][name] == pytest.approx(size, abs=abs_mm)


def test_the_planted_blunders_are_found(plain):
    """S3 is named; P24 was sighted once, so that nothing tells its height from that sight."""
    first, second = plain.facts["findings"]
    assert first["id"] == "setup:S3" and first["named"] and not second["named"]
    assert [m["id"] for m in second["members"]] == ["target:P24", "shot:shots.csv:10"]
    for lead, name in ((first, "S3"), (second["members"][0], "P24")):
        assert lead["error_mm"] == pytest.approx(1000 * WRONG[name], abs=4 * lead["error_sd_mm"])


def test_row_order(party, plain):
    job = party.job()
    rng = np.random.default_rng(3)
    frames = {
        t: getattr(job, t).sample(frac=1, random_state=rng.integers(1000)) for t in TABLES if len(getattr(job, t))
    }
    same(findings(plain), findings(heightnet.check(Job.from_frames("made up", **frames))))


def test_datum_shift(party, plain):
    job = party.job()
    marks = job.marks.assign(height=job.marks["height"] + 1000)
    same(findings(plain), findings(heightnet.check(replace(job, marks=marks))), abs_mm=1e-5)


def test_renamed_marks(party, plain):
    job = party.job()
    new = {m: f"{i:03d}" if i % 2 else f"NA{i}" for i, m in enumerate(sorted(party.heights))}
    frames = {t: getattr(job, t).assign(mark=getattr(job, t)["mark"].map(new)) for t in ("marks", "setups", "targets")}
    levels = job.levels.assign(from_mark=job.levels["from_mark"].map(new), to_mark=job.levels["to_mark"].map(new))
    # the few dozen columns of noise behind the sizes found are drawn in the order of names
    same(findings(plain), findings(heightnet.check(replace(job, levels=levels, **frames))), sizes=0.03)


@pytest.mark.parametrize("length", ["m", "ft", "ftUS"])
@pytest.mark.parametrize("angle", ["dms", "packed", "deg", "gon"])
def test_units_of_the_files(party, plain, tmp_path, length, angle):
    from heightnet.job.read import read_job
    from heightnet.job.write import write_job

    write_job(party.job(), tmp_path / "job", Units(length, angle))
    written = read_job(tmp_path / "job")
    assert written.settings.units == Units(length, angle)
    # a height read in feet has other usual slips: of two that nothing else tells apart one may be likelier
    same(findings(plain), findings(heightnet.check(written)), abs_mm=1e-4, chance=1e-5 if length == "m" else 0.2)


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
        return heightnet.check(replace(job, marks=marks, setups=setups, targets=targets))

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
    result = heightnet.check(replace(job, marks=Job.from_frames(marks=marks).marks))
    same(findings(plain), findings(result))
    assert [(u["kind"], u["name"]) for u in result.facts["undetermined"]] == [("mark", "lonely")]
    lonely = result.marks.set_index("mark").loc["lonely"]
    assert np.isnan(lonely["height_m"])
