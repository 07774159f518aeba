"""heightnet import: a job folder from a LandXML file, and what became of every element."""

from pathlib import Path

import pytest
from click.testing import CliRunner

import heightnet
from heightnet.commands.group import cli

FERRY = Path(__file__).resolve().parents[1] / "job" / "landxml" / "ferry-landing.xml"


def run(*arguments):
    return CliRunner().invoke(cli, ["import", *map(str, arguments)], catch_exceptions=False)


def test_import_says_what_was_done_and_what_to_look_at(tmp_path):
    done = run(FERRY, tmp_path / "job")
    assert done.exit_code == 0
    assert "5 marks, 2 setups, 7 targets, 8 shots, 2 staff" in done.output
    assert "Known heights: 4." in done.output
    assert "Have a look at:\n  line " in done.output
    assert len(heightnet.read_job(tmp_path / "job").shots) == 8
    assert len((tmp_path / "job" / "import-log.txt").read_text().splitlines()) > 40


def test_a_file_that_is_no_job_ends_with_rows_of_the_tables_written(tmp_path):
    high = tmp_path / "high.xml"
    high.write_text(FERRY.read_text().replace('instrumentHeight="1.552"', 'instrumentHeight="15.52"'))
    with pytest.raises(heightnet.InputErrors, match=r"setups\.csv, row 2, column height: read '15\.52'"):
        run(high, tmp_path / "job")
    assert (tmp_path / "job" / "setups.csv").exists()


def test_nothing_is_overwritten(tmp_path):
    (tmp_path / "job").mkdir()
    (tmp_path / "job" / "x").write_text("mine")
    with pytest.raises(heightnet.HeightnetError, match="nothing was written"):
        run(FERRY, tmp_path / "job")
