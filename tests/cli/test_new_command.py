"""heightnet new: an empty job, in CSV or as a workbook, that reads back without a change once filled in."""

import csv
import io
import sys

import pytest
from click.testing import CliRunner
from openpyxl import load_workbook

import heightnet
from heightnet.cli import main
from heightnet.commands.group import cli
from heightnet.ledger.recorded import TABLES
from heightnet.ledger.recorded import TABLES as NAMES
from heightnet.ledger.settings import SETTINGS, Settings

OFFERED = [setting for setting in SETTINGS if not setting.instead]  # what older jobs state is read, not offered

# an invented job, one or two rows for each table; columns not named stay blank
RICH = {
    "marks": [{"mark": "007", "height": 100.125, "sd_mm": 0, "east": 10, "north": 20}, {"mark": "1E5"}],
    "setups": [{"setup": "1", "mark": "007", "height": 1.536, "instrument": "TS1", "observer": "E. Marl"}],
    "targets": [{"target": "2-1", "mark": "1E5", "height": 1.6, "equipment": "P1"}],
    "shots": [{"setup": "1", "target": "2-1", "slope_distance": 50.99, "zenith_angle": "88-36-10", "face": "L"}],
    "tape": [{"setup": "1", "reading": "5-2 7/16", "scale": "ftin"}, {"target": "2-1", "reading": "1.600", "scale": "m",
             "kind": "slant", "radius_mm": 50}],
    "equipment": [{"equipment": "TS1", "point": "side mark", "radius_mm": 100, "usual": "yes", "carries": "instrument"},
                  {"equipment": "P1", "point": "axis", "carries": "target"}],
    "levels": [{"from": "007", "to": "1E5", "rise": -0.75, "length": 120}],
    "staff": [{"level_setup": "A", "mark": "007", "reading": 1.25, "sight": "BS"},
              {"level_setup": "A", "mark": "1E5", "reading": 2.0, "sight": "FS"}],
}  # fmt: skip
FLAT = {
    "marks": RICH["marks"],
    "shots": [{"at": "007", "instrument_height": 1.536, "mark": "1E5", "target_height": 1.6, "slope_distance": 50.99,
               "zenith_angle": "88-36-10"}],
    "staff": [{"mark": "007", "back_sight": 1.25}, {"mark": "1E5", "fore_sight": 2.0}],
}  # fmt: skip


def run(*arguments):
    return CliRunner().invoke(cli, [*map(str, arguments)])


def fill_folder(folder, tables):
    for name, rows in tables.items():
        with (folder / f"{name}.csv").open(newline="") as stream:
            header = next(csv.reader(stream))
        with (folder / f"{name}.csv").open("a", newline="") as stream:
            csv.DictWriter(stream, header, restval="").writerows(rows)


def fill_workbook(path, tables):
    book = load_workbook(path)
    for name, rows in tables.items():
        sheet = book[name]
        column = {cell.value: cell.column for cell in sheet[1]}
        for number, row in enumerate(rows, start=2):
            for heading, value in row.items():
                sheet.cell(number, column[heading]).value = value
    book.save(path)


def minimal(folder, tables):
    """The same rows in tables of only their own columns."""
    folder.mkdir()
    for name, rows in tables.items():
        header = list(dict.fromkeys(key for row in rows for key in row))
        text = io.StringIO()
        writer = csv.DictWriter(text, header, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        (folder / f"{name}.csv").write_text(text.getvalue())
    return heightnet.read_job(folder)


@pytest.mark.parametrize("tables", [RICH, FLAT], ids=["rich", "flat"])
@pytest.mark.parametrize("form", ["folder", "workbook"])
def test_filled_in_it_reads_back_without_a_change(tmp_path, tables, form):
    path = tmp_path / ("weir" if form == "folder" else "weir.xlsx")
    done = run("new", path)
    assert done.exit_code == 0 and str(path) in done.output
    (fill_folder if form == "folder" else fill_workbook)(path, tables)
    job, plain = heightnet.read_job(path), minimal(tmp_path / "plain", tables)
    for name in NAMES:
        assert job.tables[name].equals(plain.tables[name]), name
    assert job.settings == Settings()
    assert [n.text for n in job.notes] == [n.text for n in plain.notes]


def test_the_empty_job_says_that_it_is_empty(tmp_path):
    run("new", tmp_path / "a")
    run("new", tmp_path / "a.xlsx")
    for path in (tmp_path / "a", tmp_path / "a.xlsx"):
        with pytest.raises(heightnet.InputErrors, match="The tables are empty"):
            heightnet.read_job(path)


def test_every_column_has_its_explanation_and_fixed_words_a_list(tmp_path):
    run("new", tmp_path / "a.xlsx")
    book = load_workbook(tmp_path / "a.xlsx")
    for name, table in TABLES.items():
        sheet = book[name]
        assert tuple(c.value for c in sheet[1]) == table.names
        lists = {str(v.sqref).split(":")[0][:-1]: v.formula1 for v in sheet.data_validations.dataValidation}
        for cell, column in zip(sheet[1], table.columns, strict=True):
            assert cell.comment.text.startswith(column.meaning)
            words = ("yes", "no") if column.kind == "yes" else column.choices
            assert lists.get(cell.column_letter) == (f'"{",".join(words)}"' if words else None)
            if column.kind in ("name", "reading", "angle"):
                assert sheet.cell(2, cell.column).number_format == "@"
    assert [row[0].value for row in book["job"].iter_rows(min_row=2)] == [s.name for s in OFFERED]


def test_the_folder_explains_every_column_and_setting(tmp_path):
    run("new", tmp_path / "a")
    explained = (tmp_path / "a" / "columns.txt").read_text()
    assert all(c.meaning in explained for t in TABLES.values() for c in t.columns)
    toml = (tmp_path / "a" / "job.toml").read_text()
    assert all(s.meaning in toml for s in OFFERED)


def test_nothing_is_overwritten(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "marks.csv").write_text("mark\nX\n")
    (tmp_path / "a.xlsx").write_text("mine")
    for path in (tmp_path / "a", tmp_path / "a.xlsx"):
        with pytest.raises(heightnet.HeightnetError, match="there already"):
            CliRunner().invoke(cli, ["new", str(path)], catch_exceptions=False)
    assert (tmp_path / "a" / "marks.csv").read_text() == "mark\nX\n"
    assert (tmp_path / "a.xlsx").read_text() == "mine"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a", "a.xlsx"]


@pytest.mark.parametrize(
    "command", [["new", "a/job"], ["new", "a/job.xlsx"], ["demo", "harbour-feet", "--to", "a/job"]]
)
def test_a_place_that_cannot_be_written_to_ends_in_one_line(tmp_path, monkeypatch, capsys, command):
    (tmp_path / "a").write_text("mine")  # a file where a folder should be
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "argv", ["heightnet", *command])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    said = capsys.readouterr().err
    assert said.startswith("Could not read or write ") and said.count("\n") == 1
    assert [p.name for p in tmp_path.iterdir()] == ["a"] and (tmp_path / "a").read_text() == "mine"
