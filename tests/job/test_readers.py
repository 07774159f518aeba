"""The registry of readers: one door for every command, checked when a reader registers, extended by one file."""

import json
import os
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from toy_reader import READER as TOY

import heightnet
from heightnet import InputErrors
from heightnet.commands.group import cli
from heightnet.job.readers.registry import added, claimed, readers, register, unregister

DATA = Path(__file__).resolve().parents[2] / "data"
FERRY = Path(__file__).parent / "landxml" / "ferry-landing.xml"
BOOK = (
    "known BM1 100.000\nknown BM2 101.180\n\nBM1 1.536 BM2 1.600 50.990 88-36-10\nBM1 1.536 BM2 1.600 50.991 88-36-12\n"
)


def shots():
    return frozenset({"shots.csv"})


@pytest.fixture
def toy():
    register(TOY)
    yield
    unregister("toy")


def run(*arguments):
    return CliRunner().invoke(cli, list(map(str, arguments)), catch_exceptions=False)


class TestToy:
    """One file and a registration, and every command reads it."""

    def test_check_show_and_import(self, tmp_path, toy):
        book = tmp_path / "field.toy"
        book.write_text(BOOK)
        done = run("check", book, "--json")
        facts = json.loads(done.output)
        assert facts["job"]["name"] == "field" and [s["id"] for s in facts["shots"]] == [
            "shot:field.toy:4", "shot:field.toy:5",
        ]  # fmt: skip
        shown = run("show", book)
        assert shown.exit_code == 0 and "field.toy" in shown.output
        assert run("import", book, tmp_path / "job").exit_code == 0
        assert (tmp_path / "job" / "shots.csv").read_text().splitlines()[1] == "BM1,1.536,BM2,1.600,50.990,88-36-10"
        one, two = heightnet.check(tmp_path / "job").marks, heightnet.check(book).marks
        assert one.drop(columns="row", errors="ignore").equals(two.drop(columns="row", errors="ignore"))

    def test_its_errors_point_at_its_lines(self, tmp_path, toy):
        book = tmp_path / "field.toy"
        book.write_text(BOOK.replace("50.990", "5o.990"))
        with pytest.raises(InputErrors, match=r"field\.toy, line 4, slope_distance: read '5o\.990', expected a number"):
            heightnet.read_job(book)

    def test_an_archive_with_a_pool_of_workers(self, tmp_path, toy):
        for i in range(3):
            (tmp_path / "office" / str(i)).mkdir(parents=True)
            (tmp_path / "office" / str(i) / "field.toy").write_text(BOOK.replace("50.991", f"50.99{i + 1}"))
        (tmp_path / "office" / "old.toy2").write_text("")
        arguments = ("archive", tmp_path / "office", "--output", tmp_path / "out", "--workers", 2, "--no-page")
        assert run(*arguments).exit_code == 0
        index = json.loads((tmp_path / "out" / "archive.json").read_text())
        assert [(j["path"], j["kind"], j["error"]) for j in index["jobs"]] == [
            (f"{i}/field.toy", "toy", None) for i in range(3)
        ]
        assert index["passed_over"] == [{"path": "old.toy2", "reason": "a toy book of another kind; save it as .toy"}]
        assert "0 checked now, 3 as they were" in run(*arguments).output
        (tmp_path / "office" / "1" / "field.toy").write_text(BOOK.replace("50.991", "50.994"))
        assert "1 checked now, 2 as they were" in run(*arguments).output

    def test_without_it_nobody_claims_the_file(self, tmp_path):
        (tmp_path / "field.toy").write_text(BOOK)
        assert added() == ()
        with pytest.raises(InputErrors) as caught:
            heightnet.read_job(tmp_path / "field.toy")
        (problem,) = caught.value.problems
        assert problem.expected.startswith("a job: a folder of CSV tables (marks, setups")
        assert "or a workbook (.xlsx, .xlsm)" in problem.expected and "or a LandXML file" in problem.expected


class TestRegistration:
    @pytest.mark.parametrize(
        ("change", "said"),
        [
            ({"name": "landxml"}, "there is one of this name"),
            ({"name": "two words"}, "its name is not one word"),
            ({"suffixes": (".xml",)}, ".xml belongs to the reader 'landxml' already"),
            ({"suffixes": (".toy", ".xls")}, ".xls belongs to the reader 'workbook' already"),
            ({"inside": shots}, "shots.csv belongs to the reader 'folder' already"),
            ({"suffixes": (), "turned_away": {}}, "it claims nothing"),
            ({"suffixes": ("toy",)}, "'toy' is no suffix"),
            ({"suffixes": (".TOY",)}, "'.TOY' is no suffix in lower case"),
            ({"called": " "}, "it lacks `called`"),
            ({"expects": ""}, "it lacks `expects`"),
            ({"read": None}, "its `read` is no function"),
            ({"read": len}, "its `read` must take 2 arguments"),
            ({"look": lambda path: ""}, "its functions must stand in a module"),
        ],
    )
    def test_what_is_wrong_is_said(self, change, said):
        with pytest.raises(ValueError, match=r"The reader .* cannot be registered") as caught:
            register(replace(TOY, **change))
        assert said in str(caught.value)
        assert TOY.name not in [reader.name for reader in readers()]

    def test_twice_is_once(self, toy):
        before = readers()
        register(TOY)
        assert readers() == before


class TestClaims:
    def test_a_file_of_a_folder_stands_for_it(self):
        for name in ("job.toml", "marks.csv"):
            reader, home = claimed(DATA / "quarry-traverse" / name)
            assert (reader.name, home) == ("folder", DATA / "quarry-traverse")

    def test_suffixes_in_any_case(self, tmp_path):
        (tmp_path / "A.XML").write_text("")
        assert claimed(tmp_path / "A.XML")[0].name == "landxml"

    def test_a_folder_named_like_a_file_is_a_folder(self, folder, plain):
        assert len(heightnet.read_job(folder("odd.xml", **plain)).shots) == 1

    def test_a_folder_without_tables_names_the_file_in_it(self, tmp_path):
        (tmp_path / "field.xml").write_bytes(FERRY.read_bytes())
        with pytest.raises(InputErrors, match=r"It holds field\.xml: give that file itself"):
            heightnet.read_job(tmp_path)

    @pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names here")
    def test_a_pipe_is_not_waited_for(self, tmp_path):
        os.mkfifo(tmp_path / "a.xml")
        with pytest.raises(InputErrors, match="no ordinary file"):
            heightnet.read_job(tmp_path / "a.xml")


@pytest.mark.parametrize("kind", ["xml", "xlsx"])
def test_files_that_are_brought_in_give_the_same_job(tmp_path, kind):
    """What `import` writes reads as the file does; of a folder there is nothing to bring in."""
    if kind == "xlsx":
        from heightnet.job.template import new_workbook  # headings only: filled here

        path = new_workbook(tmp_path / "a.xlsx")
        from openpyxl import load_workbook

        book = load_workbook(path)
        for sheet, row in (
            ("marks", {"mark": "=odd", "height": 100}), ("marks", {"mark": "007", "height": 101.25}),
            ("setups", {"setup": "S1", "mark": "=odd", "height": 1.536}),
            ("targets", {"target": "T1", "mark": "007", "height": 1.6}),
            ("shots", {"setup": "S1", "target": "T1", "slope_distance": 50.99, "zenith_angle": "88-36-10"}),
        ):  # fmt: skip
            headings = [cell.value for cell in book[sheet][1]]
            row_number = 2 + sum(1 for r in book[sheet].iter_rows(min_row=2, values_only=True) if any(r))
            for name, value in row.items():
                cell = book[sheet].cell(row_number, headings.index(name) + 1, value)
                cell.data_type = "s" if isinstance(value, str) else cell.data_type
        book.save(path)
    else:
        path = FERRY
    assert run("import", path, tmp_path / "job").exit_code == 0
    one, two = heightnet.read_job(path), heightnet.read_job(tmp_path / "job")
    for table in one.files:
        left, right = (getattr(job, table).drop(columns="row") for job in (one, two))
        assert left.equals(right), table
    assert one.settings == two.settings
    with pytest.raises(heightnet.HeightnetError, match="is a folder of tables already"):
        run("import", tmp_path / "job", tmp_path / "again")
    assert not (tmp_path / "again").exists()
