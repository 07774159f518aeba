"""The result object: facts in, JSON, tables, files and exit status out."""

import csv
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
import sample_facts

from heightnet.errors import HeightnetError, WrongSettings
from heightnet.ledger.results import PARTS, table, tables
from heightnet.report.writing import beside
from heightnet.result import Result


@pytest.fixture
def result():
    return Result(sample_facts.suspect())


def test_json_reads_back_to_the_same_facts(result, tmp_path):
    (tmp_path / "results.json").write_text(result.to_json(), encoding="utf-8")
    again = Result.from_json(tmp_path / "results.json")
    assert again.to_json() == result.to_json()
    assert again.facts["setups"][3]["error_mm"] == pytest.approx(24.2)


def test_json_has_the_order_of_the_schema_and_no_digits_of_noise(result):
    text = result.to_json()
    facts = json.loads(text)
    assert list(facts) == list(PARTS)
    assert list(facts["setups"][0]) == table("setups").names
    shuffled = Result({key: result.facts[key] for key in sorted(result.facts)})
    shuffled.facts["setups"] = [dict(sorted(r.items())) for r in result.facts["setups"]]
    assert shuffled.to_json() == text
    result.facts["marks"][1]["height_m"] += 1e-12
    assert result.to_json() == text
    assert "-0.0," not in Result({**result.facts, "fit": {**result.facts["fit"], "chi2": -1e-15}}).to_json()


def test_json_refuses_numbers_that_are_none(result):
    result.facts["setups"][0]["error_mm"] = float("nan")
    with pytest.raises(ValueError):
        result.to_json()


@pytest.mark.parametrize("text", ["", "{", "[]", '{"schema": "something else"}'])
def test_a_file_that_is_no_result_is_refused_by_name(text, tmp_path):
    path = tmp_path / "other.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(HeightnetError, match=r"other\.json.*not a results file"):
        Result.from_json(path)
    with pytest.raises(HeightnetError, match="not a results file"):
        Result.from_json(tmp_path / "missing.json")


def test_tables_are_dataframes_with_their_columns(result):
    assert result.setups.set_index("setup").loc["S4", "verdict"] == "suspect"
    assert len(result.readings) == sum(len(s["readings"]) for t in ("setups", "targets") for s in result.facts[t])
    assert list(Result(sample_facts.clean()).suspects.columns) == [
        "order", "finding", "verdict", "id", "what", "name", "error_mm", "error_sd_mm", "probability", "cause",
        "cause_text", "moved",
    ]  # fmt: skip
    assert all(len(getattr(result, name).columns) for name in tables() if name != "explanations")
    with pytest.raises(AttributeError):
        result.no_such_table  # noqa: B018


def test_a_result_needs_no_pandas_until_a_table_is_asked_for():
    code = (
        "import sys; sys.path.insert(0, 'tests/report'); import sample_facts; from heightnet.result import Result; "
        "r = Result(sample_facts.clean()); r.summary(); r.to_json(); r.page(); "
        "sys.exit('pandas' in sys.modules or 'matplotlib' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], timeout=60).returncode == 0


@pytest.mark.parametrize(
    "name, status, strict",
    [("suspect", 1, 1), ("either", 1, 1), ("clean", 0, 0), ("unproved", 0, 1)],
)
def test_exit_status(name, status, strict):
    result = Result(sample_facts.JOBS[name]())
    assert (result.exit_status(), result.exit_status(strict=True)) == (status, strict)


def test_write_makes_every_file_and_nothing_else(result, tmp_path):
    written = result.write(tmp_path / "report")
    names = sorted(str(path.relative_to(tmp_path / "report")) for path in written)
    assert names == sorted(
        ["results.json", "setups.csv", "targets.csv", "marks.csv", "sights.csv", "report.html"]
        + [f"figures/{name}.svg" for name in ("plan", "section", "errors", "readings", "loops")]
    )
    assert sorted(p for p in (tmp_path / "report").rglob("*") if p.is_file()) == sorted(written)
    first = {path: path.read_bytes() for path in written}
    Result(sample_facts.suspect()).write(tmp_path / "report")
    assert {path: path.read_bytes() for path in written} == first
    short = result.write(tmp_path / "short", page=False)
    assert [path.name for path in short] == ["results.json", "setups.csv", "targets.csv", "marks.csv", "sights.csv"]


def test_a_failure_half_way_leaves_the_old_file_and_no_part(tmp_path):
    path = tmp_path / "results.json"
    path.write_text("old", encoding="utf-8")
    with pytest.raises(RuntimeError), beside(path) as file:
        file.write("half")
        raise RuntimeError
    assert path.read_text(encoding="utf-8") == "old" and os.listdir(tmp_path) == ["results.json"]


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


def test_csv_tables_cannot_run_in_a_spreadsheet(result, tmp_path):
    result.facts["marks"][0]["mark"] = "=HYPERLINK(1)"
    result.facts["setups"][0]["observer"] = "@SUM(A1)"
    result.write(tmp_path, page=False)
    marks = rows_of(tmp_path / "marks.csv")
    assert marks[1][0] == "'=HYPERLINK(1)"
    setups = rows_of(tmp_path / "setups.csv")
    assert setups[1][setups[0].index("observer")] == "'@SUM(A1)"
    errors = [row[setups[0].index("error_mm")] for row in setups[1:]]
    assert any(value.startswith("-") for value in errors)  # a number stays a number


def test_csv_tables_of_a_job_in_feet_are_in_feet(tmp_path):
    result = Result(sample_facts.feet())
    result.write(tmp_path, page=False)
    header, *table = rows_of(tmp_path / "setups.csv")
    rows = [dict(zip(header, row, strict=True)) for row in table]
    metres = result.facts["setups"][3]["recorded_m"]
    assert float(rows[3]["recorded_ft"]) == pytest.approx(metres / 0.3048, abs=1e-5)
    assert float(rows[3]["error_ft1000"]) == pytest.approx(24.2 / 0.3048, abs=0.01)
    assert "error_mm" not in rows[3]


def test_notebook_and_repr(result):
    assert "set-up S4" in repr(result)
    assert "recorded 24 mm too high" in re.sub("<[^>]*>", "", result._repr_html_()).replace("\u00a0", " ")


@pytest.mark.parametrize("name", ["mill-levels", "quarry-traverse"])
def test_what_is_shown_is_what_results_json_holds(name, tmp_path):
    """Equal sizes must not change places by their last bits: the page of a job and of its results.json are one."""
    import heightnet

    result = heightnet.check(Path(__file__).resolve().parents[2] / "data" / name)
    (tmp_path / "results.json").write_text(result.to_json(), encoding="utf-8")
    again = Result.from_json(tmp_path / "results.json")
    assert again.summary() == result.summary()
    assert again.page() == result.page()


def test_strict_asks_for_readings_that_something_tests():
    """An intermediate sight to a mark of its own contradicts nothing; whoever is strict wants to hear of it."""
    result = Result(sample_facts.clean())
    assert result.exit_status() == result.exit_status(strict=True) == 0
    result.facts["shots"][0]["verdict"] = "unproved"
    assert (result.exit_status(), result.exit_status(strict=True)) == (0, 1)


@pytest.mark.parametrize("figures", [["svg"], ["pdf", "jpg"], "pdf", [3]])
def test_figures_of_another_kind_are_refused_in_words_and_nothing_is_written(result, tmp_path, figures):
    with pytest.raises(WrongSettings, match=r"figures: read \w+, expected one of pdf, png\."):
        result.write(tmp_path / "out", figures=figures)
    assert not (tmp_path / "out").exists()
