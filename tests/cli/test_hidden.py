"""--hidden: what a workbook does not show is read or left out, by option, by answer, by what was kept."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from tests.cli.test_questions import at_a_terminal
from tests.workbooks import SHOTS, write_book

PROMPT = b"Enter to read them"


@pytest.fixture
def job(tmp_path):
    """Two shots of the same line that agree, and one hidden by a filter that does not (invented)."""

    def hide(workbook):
        sheet = workbook["shots"]
        sheet.auto_filter.ref = "A1:D4"
        sheet.auto_filter.add_filter_column(2, ["50.99"])
        sheet.row_dimensions[4].hidden = True

    shots = [*SHOTS, ["S1", "T1", 50.99, "88-36-12"], ["S1", "T1", 50.91, "88-31-10"]]
    return write_book(tmp_path / "quarry.xlsx", hide, shots=shots)


def heightnet(*arguments, cwd):
    call = [sys.executable, "-m", "heightnet", *map(str, arguments)]
    return subprocess.run(call, capture_output=True, text=True, timeout=120, cwd=cwd)


def shots_of(done):
    assert done.returncode == 0, done.stderr
    facts = json.loads(done.stdout)
    return next(table["rows"] for table in facts["tables"] if table["table"] == "shots")


def test_skip_leaves_them_out_and_without_it_they_are_doubted(job):
    read = heightnet("show", job, cwd=job.parent)
    assert "row 4 is filtered away in the sheet; it is read like the others" in " ".join(read.stdout.split())
    skipped = heightnet("show", job, "--hidden", "skip", cwd=job.parent)
    assert "left out, as --hidden says: row 4" in " ".join(skipped.stdout.split())
    assert shots_of(heightnet("show", job, "--json", cwd=job.parent)) == 3
    assert shots_of(heightnet("show", job, "--json", "--hidden", "read", cwd=job.parent)) == 3
    assert shots_of(heightnet("show", job, "--json", "--hidden", "skip", cwd=job.parent)) == 2


def test_another_word_is_refused(job):
    done = heightnet("check", job, "--hidden", "maybe", cwd=job.parent)
    assert done.returncode == 2 and "--hidden" in done.stderr and "Traceback" not in done.stderr


@pytest.mark.parametrize(("answer", "kept"), [(b"", "read"), (b"skip", "skip")])
def test_at_a_terminal_it_is_asked_once_and_kept(job, answer, kept):
    status, said = at_a_terminal(["show", str(job)], [answer], job.parent, PROMPT)
    assert status == 0 and "1 row of sheet shots" in said and said.count(PROMPT.decode()) == 1, said
    mapping = (job.parent / "quarry.columns.toml").read_text()
    assert f'hidden = "{kept}"' in mapping and "who = " in mapping
    status, again = at_a_terminal(["show", str(job)], [], job.parent, PROMPT)
    assert status == 0 and PROMPT.decode() not in again
    assert "is filtered away" not in again and "row 4" in again
    assert shots_of(heightnet("show", job, "--json", cwd=job.parent)) == {"read": 3, "skip": 2}[kept]


def test_an_answer_is_not_written_into_an_offices_mapping(job, tmp_path):
    office = tmp_path / "office.toml"
    office.write_text('who = "M. Orr"\n')
    status, said = at_a_terminal(["show", str(job), "--columns", str(office)], [b"skip"], tmp_path, PROMPT)
    assert status == 0 and PROMPT.decode() in said
    assert office.read_text() == 'who = "M. Orr"\n' and not (tmp_path / "quarry.columns.toml").exists()


def test_the_mapping_of_the_folder_still_holds_and_is_not_changed(job, tmp_path):
    """The answer is of one workbook; what the folder's mapping says of headings goes with it."""
    shared = tmp_path / "columns.toml"
    shared.write_text('[shots]\n"slope_distance" = "slope_distance, constant 0.5"\n')
    before = shared.read_text()
    status, _ = at_a_terminal(["show", str(job)], [b"skip"], tmp_path, PROMPT)
    own = (tmp_path / "quarry.columns.toml").read_text()
    assert status == 0 and shared.read_text() == before
    assert 'hidden = "skip"' in own and '"slope_distance" = "slope_distance, constant 0.5"' in own


def test_import_and_archive_leave_them_out_too(job, tmp_path):
    done = heightnet("import", job, "made", "--hidden", "skip", cwd=tmp_path)
    assert done.returncode == 0 and "quarry.xlsx, sheet shots: hidden in the sheet" in done.stdout
    assert "row 4" in done.stdout
    assert len((tmp_path / "made" / "shots.csv").read_text().splitlines()) == 3
    office = tmp_path / "office"
    office.mkdir()
    job.rename(office / "quarry.xlsx")
    call = ["archive", office, "--workers", "1", "--no-page", "--no-parquet", "--to", tmp_path / "out"]
    for hidden, rows in (("read", 3), ("skip", 2)):
        done = heightnet(*call, "--hidden", hidden, cwd=tmp_path)
        (results,) = (tmp_path / "out" / "jobs").rglob("results.json")
        assert len(json.loads(results.read_text())["shots"]) == rows, done.stderr
