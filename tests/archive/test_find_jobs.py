"""What is taken for a job below a folder, and what is passed over with its reason."""

import os
import shutil
import sys

import pytest
from archive_help import DATA, LANDXML, workbook

from heightnet.archives.find import Found, PassedOver, find_jobs


def found(folder, output=None):
    things = list(find_jobs(folder, output or folder / "no-output"))
    jobs = {t.path: t.kind for t in things if isinstance(t, Found)}
    return jobs, {t.path: t.reason for t in things if isinstance(t, PassedOver)}


def test_folders_workbooks_and_landxml_at_any_depth(tmp_path):
    shutil.copytree(DATA / "mill-levels", tmp_path / "a" / "b" / "c" / "mill")
    workbook(tmp_path / "a" / "Bridge.XLSX")
    (tmp_path / "survey.xml").write_text(LANDXML)
    (tmp_path / "field.landxml").write_bytes(LANDXML.encode("utf-16"))
    (tmp_path / "notes.txt").write_text("nothing")
    jobs, passed = found(tmp_path)
    assert jobs == {
        "a/b/c/mill": "folder", "a/Bridge.XLSX": "workbook", "survey.xml": "landxml", "field.landxml": "landxml",
    }  # fmt: skip
    assert passed == {}


def test_the_folder_itself_may_be_the_job_and_nothing_inside_a_job_is_one(tmp_path):
    shutil.copytree(DATA / "mill-levels", tmp_path / "mill")
    shutil.copytree(DATA / "mill-levels", tmp_path / "mill" / "copy of it")
    workbook(tmp_path / "mill" / "as sent.xlsx")
    assert found(tmp_path / "mill") == (
        {".": "folder"}, {"copy of it": "inside the job .", "as sent.xlsx": "inside the job ."},
    )  # fmt: skip
    jobs, passed = found(tmp_path)
    assert list(jobs) == ["mill"] and passed["mill/copy of it"] == "inside the job mill"


def test_a_survey_beside_the_tables_that_were_made_of_it_is_not_a_second_job(tmp_path):
    shutil.copytree(DATA / "mill-levels", tmp_path / "mill")
    (tmp_path / "mill" / "as recorded.xml").write_text(LANDXML)
    (tmp_path / "mill" / "page.xml").write_text("<html/>")
    assert found(tmp_path) == ({"mill": "folder"}, {"mill/as recorded.xml": "inside the job mill"})


def test_reports_and_hidden_folders_are_not_entered(tmp_path):
    shutil.copytree(DATA / "mill-levels", tmp_path / ".old" / "mill")
    shutil.copytree(DATA.parent / "reports" / "examples" / "mill-levels", tmp_path / "reports" / "mill-levels")
    shutil.copytree(DATA / "mill-levels", tmp_path / "reports" / "a job all the same")
    (tmp_path / "archived").mkdir()
    (tmp_path / "archived" / "archive.sqlite").write_bytes(b"")
    shutil.copytree(DATA / "mill-levels", tmp_path / "archived" / "jobs" / "imported")
    shutil.copytree(DATA / "mill-levels", tmp_path / "out" / "mill")
    assert found(tmp_path, tmp_path / "out") == ({"reports/a job all the same": "folder"}, {})


def test_what_is_no_job_says_why(tmp_path):
    workbook(tmp_path / "invoice.xlsx", sheets=("Invoice",))
    (tmp_path / "old.xls").write_bytes(b"\xd0\xcf\x11\xe0")
    (tmp_path / "design.xml").write_text(
        '<LandXML version="1.2"><Surfaces><Surface name="Survey"/></Surfaces></LandXML>'
    )
    (tmp_path / "other.xml").write_text("<html/>")
    (tmp_path / "~$open.xlsx").write_bytes(b"lock")
    os.symlink(DATA / "mill-levels", tmp_path / "linked")
    jobs, passed = found(tmp_path)
    assert jobs == {}
    assert passed == {
        "design.xml": "LandXML without a survey in it",
        "invoice.xlsx": "a workbook without a sheet named like a table",
        "linked": "a link to a folder; give the folder itself",
        "old.xls": "a workbook of a kind that is not read; if it is a job, save it as .xlsx",
    }


def test_a_damaged_workbook_is_a_job_so_that_it_is_listed_with_its_error(tmp_path):
    (tmp_path / "broken.xlsx").write_bytes(b"PK\x03\x04 and nothing more")
    assert found(tmp_path)[0] == {"broken.xlsx": "workbook"}


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux has file names that are no text")
def test_a_name_that_is_no_text_is_said(tmp_path):
    os.mkdir(os.path.join(os.fsencode(tmp_path), b"M\xfcller"))
    jobs, passed = found(tmp_path)
    assert jobs == {} and list(passed.values()) == ["its name is not UTF-8; give it another"]


def test_the_order_is_that_of_the_names(tmp_path):
    for name in ("b", "a/2", "a/10", "c"):
        shutil.copytree(DATA / "mill-levels", tmp_path / name)
    assert list(found(tmp_path)[0]) == ["a/10", "a/2", "b", "c"]
