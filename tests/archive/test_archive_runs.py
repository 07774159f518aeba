"""Runs over an archive: only what is new or changed is done, everything is written, nothing is lost."""

import csv
import json
import os
import shutil
import sys
from concurrent.futures import ThreadPoolExecutor
from importlib.resources import files

import jsonschema
import pytest
from archive_help import DATA, SCHEMA, bytes_of, workbook

import heightnet
from heightnet.archives import run
from heightnet.archives.screen import screen_archive
from heightnet.errors import HeightnetError
from heightnet.job.settings import read_rates

pytestmark = pytest.mark.slow


def test_an_archive_with_bad_jobs_is_screened_to_the_end(archive, screened, tmp_path):
    shutil.copytree(DATA / "mill-levels", archive / "2023" / "spoilt")
    (archive / "2023" / "spoilt" / "staff.csv").write_text("level_setup,mark,reading\n1,A,one\n")
    (archive / "broken.xlsx").write_bytes(b"PK\x03\x04")
    workbook(archive / "good.xlsx")
    done, facts = screened(archive)
    jsonschema.Draft202012Validator(SCHEMA).validate(facts)
    assert {job["path"]: job["state"] for job in facts["jobs"]} == {
        "2023/spoilt": "error", "2024/bridge": "closes", "2025/quarry": "wrong", "2025/tunnel": "closes",
        "broken.xlsx": "error", "good.xlsx": "closes",
    }  # fmt: skip
    assert {job["path"]: job["gap"] for job in facts["jobs"] if job["state"] == "closes"} == {
        "2024/bridge": "unproved", "2025/tunnel": "unproved", "good.xlsx": "unproved",
    }  # fmt: skip
    assert facts["counts"] == {
        "found": 6, "checked": 6, "waiting": 0, "unexplained": 0, "many": 0, "wrong": 1, "unclear": 0, "error": 2,
        "untested": 0, "scatters": 0, "closes": 3, "gaps": 3, "passed_over": 0, "dropped": 0,
    }  # fmt: skip
    assert done.checked == 6 and not done.stopped
    spoilt = next(job for job in facts["jobs"] if job["path"] == "2023/spoilt")
    assert "staff.csv, row 2, column reading: read 'one'" in spoilt["error"]["problems"][0]
    for job in facts["jobs"]:
        assert (tmp_path / "out" / job["report"]).is_file()


def test_what_the_jobs_tell_together_is_in_json_page_and_rates(archive, screened, tmp_path):
    _, facts = screened(archive)
    schema = json.loads(files("heightnet.report").joinpath("across.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema).validate(facts["across"])
    assert facts["across"]["jobs"] == 3
    assert {row["name"] for row in facts["across"]["observers"]} >= {"M. Aldgate", "T. Osei"}
    page = (tmp_path / "out" / "index.html").read_text(encoding="utf-8")
    assert "What all jobs tell together" in page and "Wrong heights by observer" in page
    rates = read_rates(tmp_path / "out" / "rates.toml")
    assert rates["rates.setup"] == pytest.approx(facts["across"]["rates"]["setup"]["rate"], abs=1e-6)
    done, again = screened(archive, **rates)
    assert done.checked == 3 and again["settings"] == rates


def test_jobs_that_tell_nothing_together_leave_no_old_rates(archive, screened, tmp_path):
    screened(archive)
    for job in ("2024/bridge", "2025/tunnel", "2025/quarry"):
        (archive / job / "shots.csv").write_text("setup\n1\n")
    assert screened(archive)[1]["across"] is None
    assert not (tmp_path / "out" / "rates.toml").exists()


def test_exit_status_is_the_highest_of_check(archive, screened):
    assert screened(archive)[0].exit_status() == 1
    (archive / "bad").mkdir()
    (archive / "bad" / "shots.csv").write_text("")
    assert screened(archive)[0].exit_status() == 2
    shutil.rmtree(archive / "bad")
    shutil.rmtree(archive / "2025" / "quarry")
    done = screened(archive)[0]
    assert done.exit_status() == 0 and done.exit_status(strict=True) == 1


def test_a_second_run_does_nothing_and_writes_the_same(archive, screened, tmp_path):
    first, _ = screened(archive)
    before = bytes_of(tmp_path / "out")
    times = {p: p.stat().st_mtime_ns for p in (tmp_path / "out" / "jobs").rglob("*") if p.is_file()}
    second, _ = screened(archive)
    assert (first.checked, second.checked) == (3, 0)
    assert bytes_of(tmp_path / "out") == before
    assert {p: p.stat().st_mtime_ns for p in times} == times, "no report was written again"


def test_what_changed_is_done_again_and_nothing_else(archive, screened, tmp_path):
    screened(archive)
    shots = archive / "2025" / "quarry" / "shots.csv"
    stat = shots.stat()
    shots.write_text(shots.read_text().replace(shots.read_text()[-3], "5", 1))  # as long as it was
    os.utime(shots, ns=(stat.st_atime_ns, stat.st_mtime_ns))  # and as old: only its content tells
    shutil.copytree(DATA / "mill-levels", archive / "2026" / "mill")
    done, facts = screened(archive)
    assert done.checked == 2 and facts["counts"]["found"] == 4
    (archive / "2024" / "bridge" / "job.toml").write_text("[precision]\ntape_mm = 2.0\n")
    assert screened(archive)[0].checked == 1
    (archive / "2024" / "bridge" / "README.md").write_text("no part of the job")
    assert screened(archive)[0].checked == 0


def threads(count):
    pool = ThreadPoolExecutor(count)
    return run.Workers(pool, lambda: count, (), lambda at_once: pool.shutdown())


@pytest.mark.parametrize("change", ["setting", "page", "version", "again", "report gone"])
def test_other_reasons_to_do_it_again(archive, screened, tmp_path, monkeypatch, change):
    screened(archive)
    options, expected = {}, 3
    match change:
        case "setting":
            options = {"test__tolerance_mm": 3.0}
        case "page":
            options = {"page": True}
        case "version":
            monkeypatch.setattr(heightnet, "__version__", "99.0")
        case "again":
            options = {"again": True}
        case "report gone":
            shutil.rmtree(tmp_path / "out" / "jobs" / "2025" / "quarry")
            expected = 1
    if change == "version":  # the workers of a pool are new processes, and have the version that is installed
        monkeypatch.setattr(run, "local_workers", threads)
    done, facts = screened(archive, **options)
    assert done.checked == expected
    assert facts["settings"] == ({"test.tolerance_mm": 3.0} if change == "setting" else {})
    assert screened(archive, **{**options, "again": False})[0].checked == 0


def test_a_search_stopped_by_the_clock_is_told_and_is_no_record_of_a_whole_one(archive, screened, tmp_path):
    shutil.copytree(DATA / "saltmarsh-antennas", archive / "2026" / "marsh")  # its search takes a tenth of a second
    done, facts = screened(archive, seconds=0.01)
    job = facts["jobs"][-1]
    assert (done.checked, facts["seconds"], job["path"], job["stopped"]) == (4, 0.01, "2026/marsh", "seconds")
    jsonschema.Draft202012Validator(SCHEMA).validate(facts)
    page = (tmp_path / "out" / "index.html").read_text(encoding="utf-8")
    assert "The search was stopped after the seconds asked for." in page and "to end after 0.01 seconds" in page
    assert screened(archive, seconds=0.01)[0].checked == 0
    whole, facts = screened(archive)
    assert whole.checked == 4 and facts["seconds"] is None and {job["stopped"] for job in facts["jobs"]} == {""}


def test_records_of_another_version_wait_where_the_run_is_stopped(archive, screened, monkeypatch):
    screened(archive)
    monkeypatch.setattr(heightnet, "__version__", "99.0")
    asked = []
    done, facts = screened(archive, stop=lambda: asked.append(1) or len(asked) > 3)  # when all three are found
    assert done.checked == 0 and done.counts["waiting"] == 3 and facts["jobs"] == [] and facts["across"] is None


def test_settings_reach_every_job(archive, screened, tmp_path):
    screened(archive, test__tolerance_mm=3.0)
    for job in ("2024/bridge", "2025/tunnel", "2025/quarry"):
        facts = json.loads((tmp_path / "out" / "jobs" / job / "results.json").read_text(encoding="utf-8"))
        assert facts["settings"]["test"]["tolerance_mm"] == 3.0


def test_a_job_that_vanished_is_dropped_and_said_and_its_report_stays(archive, screened, tmp_path):
    screened(archive)
    shutil.rmtree(archive / "2025" / "tunnel")
    _, facts = screened(archive)
    assert facts["dropped"] == ["2025/tunnel"] and [j["path"] for j in facts["jobs"]] == ["2024/bridge", "2025/quarry"]
    assert "1 job of the last run is no longer there" in (tmp_path / "out" / "index.html").read_text(encoding="utf-8")
    assert (tmp_path / "out" / "jobs" / "2025" / "tunnel" / "results.json").is_file()
    assert screened(archive)[1]["dropped"] == [], "said once"


def test_an_archive_without_a_job_is_refused(screened, tmp_path):
    workbook(tmp_path / "office" / "invoice.xlsx", sheets=("Invoice",))
    with pytest.raises(HeightnetError, match=r"no job in it.*1 were passed over"):
        screened(tmp_path / "office")


@pytest.mark.parametrize("output", [".", "2024", "2024/bridge"])
def test_an_output_among_the_jobs_is_refused_and_hides_none(archive, tmp_path, output):
    before = bytes_of(archive)
    with pytest.raises(HeightnetError, match=r"Give .*--to"):
        screen_archive(archive, archive / output, workers=1, page=False)
    assert bytes_of(archive) == before and not list(archive.rglob("archive.sqlite"))


@pytest.mark.parametrize("below", [".", "2024"])
def test_reports_never_take_the_place_of_a_jobs_own_tables(archive, tmp_path, below):
    jobs = archive.rename(tmp_path / "jobs")
    before = bytes_of(tmp_path)
    for _ in range(2):
        with pytest.raises(HeightnetError, match="would lie among the jobs"):
            screen_archive(jobs / below, tmp_path, workers=1, page=False)
    with pytest.raises(HeightnetError, match="holds something else"):
        (tmp_path / "elsewhere").mkdir()
        screen_archive(tmp_path / "elsewhere", tmp_path, workers=1, page=False)
    (tmp_path / "elsewhere").rmdir()
    assert bytes_of(tmp_path) == before and not list(tmp_path.rglob("archive.sqlite"))


def test_an_output_of_another_archive_is_refused(archive, screened, tmp_path):
    screened(archive)
    other = tmp_path / "agency"
    shutil.copytree(DATA / "mill-levels", other / "mill")
    with pytest.raises(HeightnetError, match=r"index of another archive, .*office; give another --to"):
        screened(other)
    (tmp_path / "out" / "archive.sqlite").write_bytes(b"something else altogether, longer than a header")
    with pytest.raises(HeightnetError, match=r"no store of an archive run|cannot be used"):
        screened(archive)


def test_an_archive_of_the_same_name_elsewhere_is_another_one_unless_it_was_moved(archive, screened, tmp_path):
    done, _ = screened(archive)
    twin = tmp_path / "elsewhere" / archive.name
    shutil.copytree(archive, twin)
    with pytest.raises(HeightnetError, match="index of another archive"):
        screen_archive(twin, done.output, workers=1, page=False)
    shutil.rmtree(archive)
    assert screen_archive(twin, done.output, workers=1, page=False).checked == 0  # moved: nothing is new


def test_two_runs_at_once_into_one_output_are_refused(archive, screened):
    refused = []

    def tell(stage, done, total):
        if stage == "checking" and not refused:
            with pytest.raises(HeightnetError, match="Is another run at work") as raised:
                screened(archive)
            refused.append(raised)

    screened(archive, tell=tell)
    assert refused


def test_the_tables_hold_what_archive_json_holds(archive, screened, tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet")
    (archive / "=cmd()").mkdir()
    (archive / "=cmd()" / "shots.csv").write_text("")
    _, facts = screened(archive, parquet=True)
    with (tmp_path / "out" / "archive.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    table = parquet.read_table(tmp_path / "out" / "archive.parquet").to_pylist()
    assert [row["path"] for row in table] == [job["path"] for job in facts["jobs"]]
    assert [row["path"].lstrip("'") for row in rows] == [job["path"] for job in facts["jobs"]]
    assert rows[-1]["path"] == "'=cmd()", "no spreadsheet runs it"
    quarry, row, typed = facts["jobs"][1], rows[1], table[1]
    assert quarry["path"] == "2025/quarry"
    assert float(row["worst_error_mm"]) == typed["worst_error_mm"] == quarry["worst"]["error_mm"]
    assert row["observers"] == "M. Aldgate; T. Osei" and typed["observers"] == ["M. Aldgate", "T. Osei"]
    assert int(row["heights_proved"]) == typed["heights_proved"] == 27
    assert table[-1]["error_kind"] == "input" and table[-1]["worst_error_mm"] is None
    screened(archive, parquet=False)
    assert not (tmp_path / "out" / "archive.parquet").exists()


def test_parquet_without_pyarrow_says_what_to_install(archive, screened, monkeypatch, tmp_path):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(HeightnetError, match=r"heightnet\[parquet\]"):
        screened(archive, parquet=True)
    assert not (tmp_path / "out").exists()
    screened(archive)
    assert not (tmp_path / "out" / "archive.parquet").exists()
