"""The names a script may rely on."""

import json
import shutil
from pathlib import Path

import pytest

import heightnet


def test_public_names():
    assert heightnet.__all__ == [
        "Answer", "HeightnetError", "InputErrors", "Job", "Minutes", "Result", "Screened", "Settings", "WrongSettings",
        "__version__", "archive", "bust", "check", "plan", "prove", "read_job", "show", "tape",
    ]  # fmt: skip
    for name in heightnet.__all__:
        assert getattr(heightnet, name) is not None


def test_result_tables(tmp_path):
    from tests.networks import reciprocal

    result = heightnet.check(reciprocal().job(), test__tolerance_mm=25.0)
    for table in (
        "setups", "targets", "marks", "shots", "levels", "staff", "gnss", "separations", "known", "groups", "loops",
        "suspects",
    ):  # fmt: skip
        assert getattr(result, table) is not None
    assert result.facts["settings"]["test"]["tolerance_mm"] == 25.0
    assert set(result.setups["verdict"]) == {"proved"}
    assert "<" in result._repr_html_()
    written = result.write(tmp_path / "out")
    assert {p.name for p in written} >= {"results.json", "setups.csv", "targets.csv", "marks.csv", "report.html"}
    again = heightnet.Result.from_json(tmp_path / "out" / "results.json")
    assert again.to_json() == result.to_json()


def test_tasks_answer_alike(tmp_path):
    demo = Path(__file__).resolve().parents[1] / "data"
    answers = [
        heightnet.bust(demo / "mill-levels", closing=12.0), heightnet.prove(demo / "bridge-check-shots", setup="B1"),
        heightnet.prove(demo / "bridge-check-shots"), heightnet.prove(demo / "bridge-check-shots", mark="AB3"),
        heightnet.plan(demo / "tunnel-forced-centring", budget=5.0), heightnet.show(demo / "mill-levels"),
        heightnet.tape(["1.586", "5' 2 7/16\""]),
    ]  # fmt: skip
    for i, answer in enumerate(answers):
        assert isinstance(answer, heightnet.Answer) and answer.exit_status() in (0, 1)
        assert len(answer.summary().splitlines()) > 2 and answer.page().startswith("<!doctype html>")
        written = {p.name for p in answer.write(tmp_path / str(i))}
        assert written >= {f"{answer.name}.json", f"{answer.name}.html"}
        assert json.loads((tmp_path / str(i) / f"{answer.name}.json").read_text()) == answer.facts
    assert "check-shots.csv" in {p.name for p in (tmp_path / "2").iterdir()}


@pytest.mark.parametrize(
    "wrong",
    [
        lambda job: heightnet.bust(job, closing=-1.0), lambda job: heightnet.prove(job, tolerance_mm=0.0),
        lambda job: heightnet.plan(job, tolerance_mm=float("nan")), lambda job: heightnet.plan(job, budget=-5),
        lambda job: heightnet.prove(job, setup="B1", mark="AB1"), lambda job: heightnet.prove(job, setup="none"),
        lambda job: heightnet.bust(job, closing="12"), lambda job: heightnet.prove(job, tolerance_mm="5"),
        lambda job: heightnet.prove(job, mark=[]), lambda job: heightnet.plan(job, budget="60"),
        lambda job: heightnet.plan(job, minutes=5), lambda job: heightnet.Minutes(pole_shot="5"),
        lambda job: heightnet.check(job, tolerance=5), lambda job: heightnet.check(job, test__tolerance_mm=1001),
        lambda job: heightnet.check(5), lambda job: heightnet.show(None), lambda job: heightnet.tape([1.5]),
        lambda job: heightnet.tape([]), lambda job: heightnet.tape("1.5"),
        lambda job: heightnet.tape(["1.5"], sd_mm=-1),
        lambda job: heightnet.tape(["1.5"], work_mm=5), lambda job: heightnet.tape(["1.5"], radius=5),
        lambda job: heightnet.archive(job, 5), lambda job: heightnet.archive(job, "out", workers=0),
        lambda job: heightnet.archive(job, "out", tolerance=5),
    ],
)  # fmt: skip
def test_a_wrong_setting_raises_an_error_of_ours(wrong):
    with pytest.raises(heightnet.HeightnetError):
        wrong(Path(__file__).resolve().parents[1] / "data" / "bridge-check-shots")


def test_an_archive_answers_with_what_was_done(tmp_path):
    demo = Path(__file__).resolve().parents[1] / "data"
    shutil.copytree(demo / "bridge-check-shots", tmp_path / "office" / "bridge")
    shutil.copytree(demo / "quarry-traverse", tmp_path / "office" / "quarry")
    done = heightnet.archive(tmp_path / "office", tmp_path / "out", workers=1, page=False, parquet=False)
    assert isinstance(done, heightnet.Screened)
    assert (done.counts["found"], done.checked, done.exit_status()) == (2, 2, 1)
    assert {"archive.json", "index.html"} <= {path.name for path in done.written}
    assert heightnet.archive(tmp_path / "office", tmp_path / "out", workers=1, page=False, parquet=False).checked == 0
    assert callable(heightnet.archive)  # its modules, loaded by now, do not stand in its place


def test_no_answer_is_written_among_a_jobs_own_tables(tmp_path):
    demo = Path(__file__).resolve().parents[1] / "data" / "mill-levels"
    home = tmp_path / "job"
    shutil.copytree(demo, home)
    before = sorted(p.name for p in home.iterdir())
    with pytest.raises(heightnet.HeightnetError, match="holds a job's own tables"):
        heightnet.bust(home).write(home)
    assert sorted(p.name for p in home.iterdir()) == before
