"""Each job of an archive: the same as ``check`` gives, and a record with its error where it is spoilt."""

import json
import shutil
from pathlib import Path

import jsonschema
import pytest
from archive_help import DATA, LANDXML, SCHEMA, workbook

import heightnet
from heightnet.archives import one
from heightnet.archives.find import Found
from heightnet.archives.one import Order, check_one
from heightnet.report.check_words import check_document
from heightnet.report.claims import plain


def order(tmp_path, **options):
    return Order(str(tmp_path / "office"), str(tmp_path / "out"), **{"page": False, **options})


def test_the_schema_is_one():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("demo", ["quarry-traverse", "harbour-feet", "mill-levels"])
def test_a_report_is_byte_for_byte_that_of_check(tmp_path, demo):
    shutil.copytree(DATA / demo, tmp_path / "office" / demo)
    outcome = check_one(
        Found(demo, "folder", 1), None, order(tmp_path, page=True, settings={"test__tolerance_mm": 4.0})
    )
    heightnet.check(DATA / demo, test__tolerance_mm=4.0).write(tmp_path / "checked")
    for path in (p for p in (tmp_path / "checked").rglob("*") if p.is_file()):
        name = path.relative_to(tmp_path / "checked")
        assert path.read_bytes() == (tmp_path / "out" / "jobs" / demo / name).read_bytes(), name
    assert outcome.record["report"] == f"jobs/{demo}/report.html"


def test_the_record_says_what_the_results_say(tmp_path):
    shutil.copytree(DATA / "quarry-traverse", tmp_path / "office" / "quarry")
    record = check_one(Found("quarry", "folder", 1), None, order(tmp_path)).record
    facts = json.loads((tmp_path / "out" / "jobs" / "quarry" / "results.json").read_text(encoding="utf-8"))
    (finding,), suspect = facts["findings"], facts["suspects"][0]
    assert (record["state"], record["findings"]) == (facts["judgement"]["state"], 1) == ("wrong", 1)
    assert record["worst"]["id"] == finding["id"] == suspect["id"] == "setup:S4"
    for key in ("error_mm", "error_sd_mm", "probability"):
        assert record["worst"][key] == finding[key] == suspect[key]
    # the headline is that of the report, word for word, and nothing but words
    assert record["headline"] == plain(check_document(facts).headline) and record["headline"].isprintable()
    assert record["gap"] is None or any(s["verdict"] == record["gap"] for s in facts["setups"] + facts["targets"])
    stands = facts["setups"] + facts["targets"]
    assert record["heights"]["proved"] == sum(s["verdict"] == "proved" for s in stands)
    assert sum(record["heights"].values()) == len(stands) == record["size"]["setups"] + record["size"]["targets"]
    assert record["unproved_share"] == 0.0 and record["dates"] == ["2026-03-17", "2026-03-17"]
    assert record["observers"] == ["M. Aldgate", "T. Osei"]
    assert record["report"] == "jobs/quarry/results.json"


def test_what_happened_in_the_field_is_told_and_counted_among_nobodys_slips(tmp_path):
    """In the demo a tripod sank and a pole was drawn out at noon: no height was taped wrong."""
    shutil.copytree(DATA / "moss-one-day", tmp_path / "office" / "moss")
    outcome = check_one(Found("moss", "folder", 1), None, order(tmp_path))
    happened = outcome.record["happened"]
    facts = json.loads((tmp_path / "out" / "jobs" / "moss" / "results.json").read_text(encoding="utf-8"))
    assert [one["id"] for one in happened] == [finding["id"] for finding in facts["findings"]]
    assert {one["id"].partition(":")[0] for one in happened} == {"spell", "moved"}
    assert any(one["text"].startswith("Every target height of pole 2 from a moment between") for one in happened)
    assert set(outcome.reduced["freed"]) >= {one["id"] for one in happened}
    assert outcome.reduced["stands"]["expected"] < 0.5
    counted = [mean for bins in outcome.reduced["evidence"].values() for _, _, mean in bins]
    assert max(counted) < 10  # before: six heights of the pole as sure as can be
    assert not any("spell" in kinds or "moved" in kinds for kinds in outcome.reduced["evidence"])


def test_a_workbook_and_a_landxml_file_are_jobs_like_others(tmp_path):
    workbook(tmp_path / "office" / "w" / "Bridge 7.xlsx")
    (tmp_path / "office" / "field #1.xml").write_text(LANDXML)
    book = check_one(Found("w/Bridge 7.xlsx", "workbook", 1), None, order(tmp_path)).record
    assert book["error"] is None and book["name"] == "Bridge 7"
    assert (book["state"], book["gap"]) == ("closes", "unproved") and book["heights"]["unproved"] == 3
    assert book["report"] == "jobs/w/Bridge%207.xlsx/results.json"
    xml = check_one(Found("field #1.xml", "landxml", 1), None, order(tmp_path)).record
    assert xml["error"] is None and xml["name"] == "field #1" and xml["size"]["shots"] == 1
    assert xml["report"] == "jobs/field%20%231.xml/results.json"
    results = json.loads((tmp_path / "out" / "jobs" / "field #1.xml" / "results.json").read_text(encoding="utf-8"))
    assert results == json.loads(heightnet.check(tmp_path / "office" / "field #1.xml").to_json())
    assert results["shots"][0]["id"] == "shot:field #1.xml, observations:8"  # its line


def spoil(job, how):
    shots, marks = job / "shots.csv", job / "marks.csv"
    match how:
        case "cells":
            shots.write_text(shots.read_text().replace("90-", "9o-"))
        case "column":
            marks.write_text(marks.read_text().replace("mark,", "marc,"))
        case "latin-1":
            marks.write_bytes(marks.read_bytes() + b"M\xfcller,\n")
        case "empty":
            for file in job.glob("*.csv"):
                file.write_text("")
        case "settings":
            (job / "job.toml").write_text("[precision\n")
        case "nothing ties":
            shots.write_text(shots.read_text().splitlines()[0] + "\n")
            for file in job.glob("*.csv"):
                if file.name not in ("shots.csv", "marks.csv"):
                    file.unlink()
        case "binary":
            shots.write_bytes(bytes(range(256)) * 50)
        case "a folder in place of a table":
            shots.unlink()
            shots.mkdir()


@pytest.mark.parametrize(
    "how",
    [
        "cells", "column", "latin-1", "empty", "settings", "nothing ties", "binary", "a folder in place of a table",
    ],
)  # fmt: skip
def test_a_spoilt_job_gives_a_record_with_its_error(tmp_path, how):
    job = tmp_path / "office" / "job"
    shutil.copytree(DATA / "bridge-check-shots", job)
    spoil(job, how)
    record = check_one(Found("job", "folder", 1), None, order(tmp_path)).record
    jsonschema.Draft202012Validator(SCHEMA["$defs"]["job"]).validate(record)
    assert (
        record["state"] == "error"
        and record["gap"] is None
        and record["error"]["kind"] in ("input", "job")
        and record["headline"]
    )
    with pytest.raises(heightnet.HeightnetError) as raised:
        heightnet.check(job)
    assert (tmp_path / "out" / record["report"]).read_text(encoding="utf-8") == f"{raised.value}\n"
    assert record["error"]["problems"] == [str(p) for p in getattr(raised.value, "problems", ())][:20]


@pytest.mark.parametrize(
    ("error", "kind", "said"),
    [
        (MemoryError(), "memory", "more memory than there is"),
        (RecursionError("too deep"), "unexpected", "a fault of heightnet: RecursionError: too deep"),
        (KeyError("x"), "unexpected", "a fault of heightnet: KeyError: 'x'"),
        (OSError(28, "No space left on device", "setups.csv"), "file", "setups.csv: No space left on device"),
    ],
)
def test_whatever_happens_is_a_record_and_tried_again_the_next_time(tmp_path, monkeypatch, error, kind, said):
    def fail(*_):
        raise error

    shutil.copytree(DATA / "mill-levels", tmp_path / "office" / "mill")
    monkeypatch.setattr(one, "_checked", fail)
    outcome = check_one(Found("mill", "folder", 1), None, order(tmp_path))
    assert outcome.record["error"]["kind"] == kind and said in outcome.record["headline"]
    assert outcome.key == ""


def test_ctrl_c_in_a_worker_is_no_error_of_the_job(tmp_path, monkeypatch):
    def interrupted(*_):
        raise KeyboardInterrupt

    shutil.copytree(DATA / "mill-levels", tmp_path / "office" / "mill")
    monkeypatch.setattr(one, "_checked", interrupted)
    with pytest.raises(KeyboardInterrupt):
        check_one(Found("mill", "folder", 1), None, order(tmp_path))


def test_a_job_that_vanished_meanwhile_is_said(tmp_path):
    (tmp_path / "office").mkdir()
    record = check_one(Found("gone.xlsx", "workbook", 1), None, order(tmp_path)).record
    assert record["error"]["kind"] == "file" and "gone.xlsx: No such file" in record["headline"]


def test_a_report_written_by_halves_is_no_report(tmp_path, monkeypatch):
    """The process dies after a changed job's results were written; then the change is taken back."""
    job = tmp_path / "office" / "job"
    shutil.copytree(DATA / "bridge-check-shots", job)
    key = check_one(Found("job", "folder", 1), None, order(tmp_path)).key
    before = (job / "marks.csv").read_text()
    (job / "marks.csv").write_text(before.replace(".", ".1", 1))

    class Died(BaseException):
        pass

    def die(*_):
        raise Died

    monkeypatch.setattr(Path, "rename", die)
    with pytest.raises(Died):
        check_one(Found("job", "folder", 1), key, order(tmp_path))
    monkeypatch.undo()
    (job / "marks.csv").write_text(before)
    assert check_one(Found("job", "folder", 1), key, order(tmp_path)).record is not None
    assert check_one(Found("job", "folder", 1), key, order(tmp_path)).record is None


def test_what_no_longer_holds_is_taken_away(tmp_path):
    job = tmp_path / "office" / "job"
    shutil.copytree(DATA / "bridge-check-shots", job)
    report = tmp_path / "out" / "jobs" / "job"
    check_one(Found("job", "folder", 1), None, order(tmp_path, page=True))
    assert {p.name for p in report.iterdir()} >= {"report.html", "results.json", "figures"}
    (report / ".errors.txt.123.part").write_text("half")
    (report / ".new.part" / "figures").mkdir(parents=True)
    (report / ".new.part" / "figures" / ".plan.svg.123.part").write_text("half")
    check_one(Found("job", "folder", 1), None, order(tmp_path, page=False))
    assert {p.name for p in report.rglob("*")} == {
        "results.json",
        "setups.csv",
        "targets.csv",
        "marks.csv",
        "sights.csv",
    }
    spoil(job, "cells")
    check_one(Found("job", "folder", 1), None, order(tmp_path, page=False))
    assert {p.name for p in report.rglob("*")} == {"errors.txt"}
