"""Workbooks: what a spreadsheet does to numbers, names, angles and feet is undone, or refused with its place."""

import datetime as dt
import math
import zipfile

import pytest
from openpyxl import Workbook
from openpyxl.worksheet.formula import ArrayFormula

import heightnet
from heightnet import InputErrors
from tests.workbooks import MARKS, SETUPS, SHOTS, TARGETS, in_utf16, other_quotes, prefixed, rewritten


def problems(path):
    with pytest.raises(InputErrors) as caught:
        heightnet.read_job(path)
    return caught.value.problems


def one(path):
    found = problems(path)
    assert len(found) == 1, str(found)
    return found[0]


def texts(job, kind):
    return [n.text for n in job.notes if n.kind == kind]


def test_a_workbook_is_the_same_job_as_its_folder(book, folder, plain):
    a, b = heightnet.read_job(book()), heightnet.read_job(folder(**plain))
    assert a.name == "quarry" and a.files["shots"] == "quarry.xlsx, sheet shots" and a.notes == ()
    for table in ("marks", "setups", "targets", "shots"):
        assert a.tables[table].equals(b.tables[table])


def test_settings_sheet(book):
    rows = [
        ["setting", "value", "note"],
        ["title", 12, ""],
        ["precision.tape_mm", 2, ""],
        [None, None],
        ["units.angle", "dms"],
    ]
    rows += [["test.tolerance_mm", "5", "typed as text"]]
    settings = heightnet.read_job(book(job=rows)).settings
    assert (settings.title, settings.precision.tape_mm, settings.test.tolerance_mm) == ("12", 2.0, 5.0)


def test_settings_sheet_problems(book):
    rows = [["setting", "value"], ["precision.tape", 2], ["precision.tape_mm", "two"], ["", 3], ["units.length", "m"]]
    rows += [["units.length", "ft"], ["precision.known_mm", True]]
    found = {(p.row, p.column): p for p in problems(book(job=rows))}
    assert set(found) == {(2, "precision.tape"), (3, "precision.tape_mm"), (4, "setting"), (6, "units.length"),
                          (7, "precision.known_mm")}  # fmt: skip
    assert {p.file for p in found.values()} == {"quarry.xlsx, sheet job"}
    assert "headings setting and value" in one(book(job=[["name", "value"], ["title", "x"]])).expected


def angle(book, value, shown=None, unit="dms"):
    def change(workbook):
        cell = workbook["shots"]["D2"]
        cell.value = value
        if shown:
            cell.number_format = shown

    return (
        heightnet.read_job(book(change, job=[["setting", "value"], ["units.angle", unit]]))
        .shots["zenith_angle"]
        .iloc[0]
    )


HALF = math.radians(89 + 30 / 60 + 15.25 / 3600)


@pytest.mark.parametrize(
    ("value", "shown", "unit", "radians"),
    [
        ("89-30-15.25", None, "dms", HALF),
        (dt.timedelta(hours=89, minutes=30, seconds=15.25), "[h]:mm:ss", "dms", HALF),
        ((89 + 30 / 60 + 15.25 / 3600) / 24, "[h]:mm:ss", "dms", HALF),
        ((89 + 30 / 60 + 15.25 / 3600) / 24, "h:mm:ss", "dms", HALF),
        (dt.timedelta(hours=271, minutes=0, seconds=0), "[h]:mm:ss", "dms", math.radians(271)),
        (89.301525, None, "packed", HALF),
        (89.3, None, "packed", math.radians(89.5)),
        (89.0, None, "packed", math.radians(89)),
        (88.1 + 1.2, None, "packed", math.radians(89.5)),  # 89.30000000000001 or ...29999: fifteen digits count
        (89.5, None, "deg", math.radians(89.5)),
        (99, "0.0000", "gon", 99 * math.pi / 200),
    ],
)
def test_angles_as_spreadsheets_keep_them(book, value, shown, unit, radians):
    if radians > math.pi:
        with pytest.raises(InputErrors, match="R beside a zenith angle"):
            angle(book, value, shown, unit)
    else:
        assert angle(book, value, shown, unit) == pytest.approx(radians, abs=1e-9 * math.pi / 180)


def test_a_plain_number_under_dms_is_refused(book):
    found = one(book(shots=[SHOTS[0], ["S1", "T1", 50.99, 88.361]]))
    assert (found.row, found.column, found.read) == (2, "zenith_angle", "88.361")
    assert "units.angle" in found.cause


def test_names_that_became_numbers(book):
    def change(workbook):
        sheet = workbook["marks"]
        sheet.append([7, 102, 1])
        sheet["A4"].number_format = "000"
        sheet.append([100000, 103, 1])
        sheet["A5"].number_format = "0.00E+00"
        sheet.append([12, 104, 1])

    job = heightnet.read_job(book(change))
    assert job.marks["mark"].tolist() == ["BM1", "BM2", "007", "100000", "12"]
    assert ["1E5" in t for t in texts(job, "doubt")] == [True]


def test_names_that_a_format_shows_otherwise(book):
    """As shown where that is plain: 1.10 and 1.1 are two marks; where it is not, the doubt is said once a column."""

    def change(workbook):
        sheet = workbook["marks"]
        shown = ((1.1, "0.00"), (1.1, "General"), (7, '"BM"0'), (8, '"BM"0'), (True, "General"))
        for row, (name, number_format) in enumerate(shown, start=4):
            sheet.append([name, 100 + row, 1])
            sheet.cell(row, 1).number_format = number_format

    job = heightnet.read_job(book(change))
    assert job.marks["mark"].tolist() == ["BM1", "BM2", "1.10", "1.1", "7", "8", "TRUE"]
    assert [(n.row, n.text[:50]) for n in job.notes] == [
        (5, "column mark: a name kept as the number 1.1: zeros "),
        (6, 'column mark: the sheet shows 7 in the format "BM"0'),
    ]


def test_names_and_readings_that_became_dates(book):
    tape = [
        ["setup", "reading", "scale"],
        ["S1", dt.datetime(2026, 2, 5), "ftin"],
        ["S1", dt.timedelta(hours=5), "ftin"],
    ]
    found = problems(book(tape=tape, marks=[*MARKS, [dt.datetime(2026, 2, 1), 5, 1]]))
    assert [(p.file.split()[-1], p.row, p.column) for p in found if "Format the column as text" in p.cause] == [
        ("marks", 4, "mark"), ("tape", 2, "reading"), ("tape", 3, "reading"),
    ]  # fmt: skip


def test_a_date_in_a_number_column(book):
    found = one(book(marks=[*MARKS[:2], ["BM2", dt.datetime(1900, 4, 10), 1]]))
    assert (found.row, found.column) == (3, "height") and "A date" in found.cause


def test_dates_are_dates_where_they_belong(book):
    setups = [["setup", "mark", "height", "when"], ["S1", "BM1", 1.5, dt.datetime(2026, 5, 4, 9, 30)],
              ["S2", "BM1", 1.5, dt.datetime(2026, 5, 4)], ["S3", "BM1", 1.5, "Monday"],
              ["S4", "BM1", 1.5, dt.datetime(2026, 5, 4, 9, 30, 5)]]  # fmt: skip
    job = heightnet.read_job(book(setups=setups))
    assert job.setups["when"].tolist() == ["2026-05-04T09:30", "2026-05-04", "Monday", "2026-05-04T09:30:05"]


def test_a_date_and_a_time_of_day_are_read_together_and_a_list_may_be_a_date(book):
    setups = [["setup", "mark", "height", "Time", "Date"],
              ["S1", "BM1", 1.5, dt.time(9, 30), dt.datetime(2026, 5, 4)]]  # fmt: skip
    marks = [["mark", "height", "source"], ["BM1", 100, dt.datetime(2019, 3, 1)]]
    job = heightnet.read_job(book(setups=setups, marks=marks))
    assert job.setups["when"].tolist() == ["2026-05-04 09:30:00"] and job.marks["source"].tolist() == ["2019-03-01"]


def test_a_staff_with_a_number_for_its_name_is_no_reading(book):
    staff = [["setup", "point", "rod", "reading", "time"], ["L1", "BM1", 2, 1.25, dt.time(9, 30)],
             ["L1", "BM2", "", 1.5, ""]]  # fmt: skip
    job = heightnet.read_job(book(staff=staff))
    assert job.staff["staff"].tolist() == ["2", ""] and job.staff["reading"].tolist() == [1.25, 1.5]
    assert job.staff["when"].tolist() == ["09:30:00", ""]


def test_a_reading_under_staff_beside_columns_without_readings_is_no_name(book):
    staff = [["A book"], ["setup", "point", "BS", "FS", "staff"], ["L1", "BM1", "", "", 1.25], ["L1", "B", None, "", 0]]
    job = heightnet.read_job(book(staff=staff))
    assert job.staff["reading"].tolist() == [1.25, 0.0] and not [n for n in job.notes if n.kind == "doubt"]


def test_a_reading_keeps_the_zeros_the_sheet_shows(book):
    def change(workbook):
        sheet = workbook.create_sheet("tape")
        for row in (["setup", "reading", "scale"], ["S1", 1.5, "m"], ["S1", 1500, "mm"], ["S1", 1.5, "m"]):
            sheet.append(row)
        sheet["B2"].number_format = "0.000"

    assert heightnet.read_job(book(change)).tape["text"].tolist() == ["1.500", "1500", "1.5"]


def test_merged_setup_cells_are_filled_down_and_said(book):
    shots = [["setup", "at", "HI", "mark", "HT", "SD", "ZA"]]
    shots += [["S1", "BM1", 1.5, "BM2", 1.6, 50, "88-36-10"], [None, None, None, "C", 1.6, 50, "88-36-10"],
              [None] * 7, ["S2", "C", 1.4, "BM2", 1.6, 50, "88-36-10"]]  # fmt: skip

    def change(workbook):
        for column in "ABC":
            workbook["shots"].merge_cells(f"{column}2:{column}4")

    job = heightnet.read_job(book(change, shots=shots, setups=[SETUPS[0]], targets=[TARGETS[0]]))
    assert job.shots["setup"].tolist() == ["S1", "S1", "S2"]
    assert job.shots["row"].tolist() == [2, 3, 5]
    assert texts(job, "filled") == ["merged cells hold their value on each of their rows: A2:A4, B2:B4, C2:C4"]


def test_a_formula_without_its_value(book):
    found = one(book(marks=[*MARKS, ["BM3", "=B3+1", 1]]))
    assert (found.row, found.column, found.read) == (4, "height", "=B3+1")
    assert "open the workbook, save it" in found.cause


def test_an_array_formula_without_its_value(book):
    def change(workbook):
        workbook["marks"]["B3"] = ArrayFormula("B3:B3", "=B2+1")

    assert one(book(change)).read == "=B2+1"


@pytest.mark.parametrize("writer", [prefixed, in_utf16, other_quotes])
def test_formulas_and_merged_cells_however_they_are_written(book, writer):
    """A formula without its value is not a blank, and a merged cell is not lost, whichever program wrote them."""

    def merged(workbook):
        workbook["setups"].append(["S2", None, 1.5])
        workbook["setups"].merge_cells("B2:B3")

    assert heightnet.read_job(rewritten(book(merged), writer)).setups["mark"].tolist() == ["BM1", "BM1"]
    found = one(rewritten(book(marks=[*MARKS[:2], ["BM2", "=B2+1", 1]]), writer))
    assert (found.row, found.column, found.read) == (3, "height", "=B2+1")


def test_a_formula_with_its_value(book, tmp_path):
    path = book(marks=[*MARKS, ["BM3", "=B3+1", 1], ['=IF(1=1,"","x")', None, None]])
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(tmp_path / "calculated.xlsx", "w") as new:
        for info in old.infolist():
            data = old.read(info)
            data = data.replace(b"<f>B3+1</f><v></v>", b"<f>B3+1</f><v>102.25</v>")
            data = data.replace(b"<f>B3+1</f><v />", b"<f>B3+1</f><v>102.25</v>").replace(
                b"<f>B3+1</f><v/>", b"<f>B3+1</f><v>102.25</v>"
            )
            data = data.replace(b'<c r="A5"><f>', b'<c r="A5" t="str"><f>')
            new.writestr(info, data)
    job = heightnet.read_job(tmp_path / "calculated.xlsx")
    assert job.marks["height"].tolist() == [100, 101.25, 102.25]
    assert any("2 cells are formulas" in t for t in texts(job, "understood"))


def test_hidden_and_other_sheets(book):
    def change(workbook):
        workbook["marks"].sheet_state = "hidden"
        workbook.create_sheet("Sketch")
        workbook.create_sheet("notes to self")

    doubts = texts(heightnet.read_job(book(change)), "doubt")
    assert sorted(doubts) == [
        "sheet Sketch is not a table of a job and is not read",
        "sheet marks is hidden; it is read like the others; --hidden skip leaves such out",
    ]


def test_a_title_above_the_headings_is_passed_over_and_said(book):
    marks = [["Marks of the quarry job (invented)"], [], *MARKS]
    job = heightnet.read_job(book(marks=marks))
    assert job.marks["row"].tolist() == [4, 5]
    assert "above the headings, not read: Marks of the quarry job (invented)" in texts(job, "understood")


def test_true_false_and_spreadsheet_errors(book):
    equipment = [["equipment", "point", "radius_mm", "usual"], ["TS", "side", 100, True], ["TS", "base", 90, False]]
    job = heightnet.read_job(book(equipment=equipment))
    assert job.equipment["usual"].tolist() == [True, False]
    found = problems(book(marks=[*MARKS, ["#REF!", "#DIV/0!", 1]]))
    assert [(p.row, p.column, p.cause) for p in found] == [
        (4, "mark", "A spreadsheet's error value."), (4, "height", "A spreadsheet's error value."),
    ]  # fmt: skip


def test_a_misspelt_sheet(book):
    found = problems(book(setup=SETUPS))
    assert any(p.read == "setup" and "'setups'" in p.cause for p in found)


class TestHostile:
    def test_no_sheet_of_a_job(self, tmp_path):
        workbook = Workbook()
        workbook.active.title = "Budget"
        workbook.save(tmp_path / "a.xlsx")
        assert "sheets named marks" in one(tmp_path / "a.xlsx").expected

    def test_not_a_workbook(self, tmp_path):
        for data in (b"", b"hello", b"PK\x03\x04", b"\xd0\xcf\x11\xe0" + b"\0" * 600):
            (tmp_path / "a.xlsx").write_bytes(data)
            assert one(tmp_path / "a.xlsx").file == "a.xlsx"
        with zipfile.ZipFile(tmp_path / "b.xlsx", "w") as archive:
            archive.writestr("readme.txt", "hello")
        assert "archive of something else" in one(tmp_path / "b.xlsx").cause

    def test_a_zip_bomb(self, book, tmp_path):
        with zipfile.ZipFile(book(), "a", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("xl/worksheets/sheet9.xml", b"0" * 300_000_000)
        assert "far more than a job can be" in one(tmp_path / "quarry.xlsx").cause

    @pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
    def test_an_entity_bomb(self, book, tmp_path, encoding):
        bomb = '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;">]><x>&b;</x>'
        with zipfile.ZipFile(book(), "a") as archive:
            archive.writestr("xl/sharedStrings2.xml", bomb.encode(encoding))
        assert "document type" in one(tmp_path / "quarry.xlsx").read

    @pytest.mark.slow
    @pytest.mark.parametrize(
        ("old", "new"),
        [
            (b'<row r="2">', b'<row r="99999999999">'),
            (b'<row r="2">', b'<row r="x">'),
            (b'r="B2"', b'r="XFD2"'),
            (b'r="B2"', b'r="2B"'),
            (b"<v>100</v>", b"<v>one</v>"),
            (b"<sheetData>", b"<sheetData><<"),
            (b"<dimension ref=", b'<dimension xref="A1:XFD1048576" ref='),
        ],
    )
    def test_damaged_sheets_end_in_problems_or_a_job(self, book, tmp_path, old, new):
        with zipfile.ZipFile(book()) as archive, zipfile.ZipFile(tmp_path / "bad.xlsx", "w") as bad:
            for info in archive.infolist():
                data = archive.read(info)
                bad.writestr(info, data.replace(old, new) if "sheet1" in info.filename else data)
        try:
            job = heightnet.read_job(tmp_path / "bad.xlsx")
        except InputErrors as error:
            assert all(p.file.startswith("bad.xlsx") for p in error.problems)
        else:
            assert job.marks["mark"].tolist() == ["BM1", "BM2"]
