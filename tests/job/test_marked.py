"""What a workbook marks: struck-out cells are cancelled readings, hidden ones are doubted, asked about or left out.

Which attribute strikes out or hides is the open standard's (Office Open XML, ECMA-376 part 1, SpreadsheetML, from
memory): `strike` of a font, `hidden` of rows and columns, `s` of a cell an index into `cellXfs`.
"""

import re
import zipfile

import pytest
from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.cell.text import InlineFont
from openpyxl.formatting.rule import Rule
from openpyxl.styles import Font
from openpyxl.styles.differential import DifferentialStyle

import heightnet
from heightnet import InputErrors
from heightnet.job.readers import marked
from tests.workbooks import MARKS, SETUPS, SHOTS, in_utf16, prefixed, rewritten

STRUCK = Font(strike=True)
THREE = [*SHOTS, ["S1", "T1", 50.98, "88-36-11"], ["S1", "T1", 50.97, "88-36-12"]]


def strike(*places):
    """A change that strikes cells out, each SHEET!CELL."""

    def change(workbook):
        for place in places:
            sheet, cell = place.split("!")
            workbook[sheet][cell].font = STRUCK

    return change


def texts(job, kind):
    return [n.text for n in job.notes if n.kind == kind]


def problems(path, **options):
    with pytest.raises(InputErrors) as caught:
        heightnet.read_job(path, **options)
    return caught.value.problems


def test_nothing_marked_is_not_walked_through(book, monkeypatch):
    """Absence is proved by the look at the bytes; fonts that say strike = 0 strike nothing out."""

    def unstruck(text):
        full = text.replace("<sz ", '<strike val="0"/><outline val="false"/><sz ')
        assert full.count("<strike") >= 1
        return full.encode()

    monkeypatch.setattr(marked, "_elements", None)
    monkeypatch.setattr(marked, "_struck_styles", None)
    assert heightnet.read_job(rewritten(book(), unstruck, "styles")).notes == ()


def test_a_row_struck_out_is_left_out_and_listed(book):
    places = (f"shots!{c}3" for c in "ABCD")
    job = heightnet.read_job(book(strike(*places), shots=THREE))
    assert job.shots["row"].tolist() == [2, 4]
    assert texts(job, "understood") == [
        "the whole row is struck out in the sheet and not read: setup S1 (A3), target T1 (B3), "
        "slope_distance 50.98 (C3), zenith_angle 88-36-11 (D3)"
    ]


def test_a_struck_reading_is_blank_and_listed(book):
    job = heightnet.read_job(book(strike("marks!B3")))
    assert job.marks["height"].isna().tolist() == [False, True]
    note = job.notes[0]
    assert (note.kind, note.row, note.file) == ("understood", 3, "quarry.xlsx, sheet marks")
    assert note.text == "struck out in the sheet and not read: height 101.25 (B3)"


def test_a_struck_reading_that_is_needed_is_the_cause(book):
    found = problems(book(strike("shots!C2")))
    assert [(p.row, p.column, p.read, p.cause) for p in found] == [
        (2, "slope_distance", "", "It is struck out in the sheet.")
    ]


def test_a_struck_cell_under_a_heading_with_a_unit_is_still_said(book):
    rows = [["setup", "target", "slope_distance (m)", "zenith_angle"], *SHOTS[1:]]
    (found,) = problems(book(strike("shots!C2"), shots=rows))
    assert (found.row, found.column) == (2, "slope_distance")
    assert found.cause == "slope_distance (m): It is struck out in the sheet."


@pytest.mark.parametrize(
    ("runs", "height"),
    [
        ([("1.543", True), (" 1.534", False)], 1.534),
        ([("1.534 ", None), ("1.543", True)], 1.534),
        ([("1.534", False), (" ", True)], 1.534),
    ],
)
def test_what_stands_beside_a_struck_out_reading_is_read(book, runs, height):
    def change(workbook):
        blocks = [text if s is None else TextBlock(InlineFont(strike=s), text) for text, s in runs]
        workbook["setups"]["C2"] = CellRichText(*blocks)

    job = heightnet.read_job(book(change))
    assert job.setups["height"].tolist() == [height]
    told = ["struck out in the sheet and not read: height 1.543 (C2; 1.534 beside it is read)"]
    assert texts(job, "understood") == (told if any("1.543" in text for text, _ in runs) else [])


def test_a_text_of_which_every_piece_is_struck_out_is_cancelled(book):
    def change(workbook):
        blocks = [TextBlock(InlineFont(strike=True, b=bold), text) for text, bold in (("1.5", True), ("43", False))]
        workbook["setups"]["C2"] = CellRichText(*blocks)

    assert heightnet.read_job(book(change)).setups["height"].isna().all()


def test_a_piece_that_is_not_struck_out_stands_in_a_struck_cell(book):
    def change(workbook):
        workbook["setups"]["C2"] = CellRichText("1.543", TextBlock(InlineFont(b=True), " 1.534"))
        workbook["setups"]["C2"].font = STRUCK

    assert heightnet.read_job(book(change)).setups["height"].tolist() == [1.534]


def test_a_struck_heading_leaves_its_column_out(book):
    rows = [["mark", "height", "height", "sd_mm"], ["BM1", 99, 100, 0], ["BM2", 99, 101.25, None]]
    job = heightnet.read_job(book(strike("marks!B1"), marks=rows))
    assert job.marks["height"].tolist() == [100, 101.25]
    assert texts(job, "understood") == ["the heading height (B1) is struck out in the sheet: its column is not read"]


def test_a_struck_heading_that_is_needed_is_said(book):
    (found,) = problems(book(strike("shots!C1")))
    assert (found.row, found.column) == (1, "slope_distance")
    assert "slope_distance" not in found.cause and "setup, target, zenith_angle" in found.cause


def test_a_struck_formula_needs_no_value(book):
    rows = [*MARKS, ["BM3", "=B3+1", 1]]
    job = heightnet.read_job(book(strike("marks!B4"), marks=rows))
    assert job.marks["height"].isna().tolist() == [False, False, True]


def test_what_is_merged_holds_below_a_cancelled_row(book):
    rows = [SHOTS[0], SHOTS[1], [None, "T1", 50.98, "88-36-11"]]

    def change(workbook):
        workbook["shots"].merge_cells("A2:A3")
        strike(*(f"shots!{c}2" for c in "BCD"))(workbook)

    job = heightnet.read_job(book(change, shots=rows))
    assert job.shots[["setup", "row"]].values.tolist() == [["S1", 3]]


def test_a_struck_setting_is_not_used(book):
    rows = [["setting", "value"], ["precision.tape_mm", 2], ["title", "Quarry"]]
    job = heightnet.read_job(book(strike("job!A2", "job!B2"), job=rows))
    assert job.settings.precision.tape_mm != 2 and job.settings.title == "Quarry"
    assert any("precision.tape_mm" in text for text in texts(job, "understood"))


def test_rules_that_strike_out_are_doubted(book):
    def change(workbook):
        rule = Rule(type="expression", dxf=DifferentialStyle(font=STRUCK), formula=["$B2>1000"])
        workbook["marks"].conditional_formatting.add("B2:B9", rule)

    job = heightnet.read_job(book(change))
    assert job.marks["height"].notna().all()
    assert texts(job, "doubt") == [
        "a rule of the sheet strikes out cells of B2:B9 by a condition; all of them are read"
    ]


@pytest.mark.parametrize("writer", [prefixed, in_utf16])
def test_struck_out_and_hidden_however_they_are_written(book, writer):
    def change(workbook):
        strike("marks!B3")(workbook)
        workbook["setups"]["C2"] = CellRichText(TextBlock(InlineFont(strike=True), "1.543"), " 1.534")
        workbook["shots"].row_dimensions[3].hidden = True

    path = book(change, shots=THREE)
    job = heightnet.read_job(rewritten(path, writer, r"worksheets/|styles|sharedStrings"), hidden="skip")
    assert job.marks["height"].isna().tolist() == [False, True] and job.setups["height"].tolist() == [1.534]
    assert job.shots["row"].tolist() == [2, 4]


HEAD = '<?xml version="1.0"?>'
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"
OPEN = "application/vnd.openxmlformats"
TYPES = "".join(
    [
        f'<Types xmlns="{PACKAGE}/content-types">'
        f'<Default Extension="rels" ContentType="{OPEN}-package.relationships+xml"/>',
        *(
            f'<Override PartName="/xl/{part}.xml" ContentType="{OPEN}-officedocument.spreadsheetml.{kind}+xml"/>'
            for part, kind in (
                ("workbook", "sheet.main"), ("styles", "styles"), ("worksheets/sheet1", "worksheet"),
                ("worksheets/sheet2", "worksheet"),
            )
        ),
        "</Types>",
    ]
)  # fmt: skip
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
STYLES = f"""<styleSheet xmlns="{MAIN}"><fonts count="3"><font><strike val="0"/><sz val="10"/></font>
<font><sz val='10'/><strike  val = 'true' /></font><font><strike val="false"/></font></fonts>
<fills count="1"><fill><patternFill patternType="none"/></fill></fills><borders count="1"><border/></borders>
<cellStyleXfs count="1"><xf fontId="0" fillId="0" borderId="0" numFmtId="0"/></cellStyleXfs>
<cellXfs count="3"><xf fontId="0" fillId="0" borderId="0" numFmtId="0" xfId="0"/>
<xf fontId="1" fillId="0" borderId="0" numFmtId="0" xfId="0"/>
<xf fontId="2" fillId="0" borderId="0" numFmtId="0" xfId="0"/></cellXfs></styleSheet>"""


def text_cell(text, more=""):
    return f'<c t="inlineStr" {more}><is><t>{text}</t></is></c>'


def row_of(*values, more="", style=""):
    return f"<row {more}>{''.join(text_cell(v, style) for v in values)}</row>"


def related(*targets):
    """The part that says what a part of the archive refers to: kind and target of each."""
    return (
        f'<Relationships xmlns="{PACKAGE}/relationships">'
        + "".join(f'<Relationship Id="r{i}" Type="{OFFICE}/{k}" Target="{t}"/>' for i, (k, t) in enumerate(targets, 1))
        + "</Relationships>"
    )


def sheet(rows, before="", after=""):
    return f'<worksheet xmlns="{MAIN}">{before}<sheetData>{rows}</sheetData>{after}</worksheet>'


def by_hand(path, marks_rows, cols="", after="", styles=STYLES):
    """A workbook written by hand: the sheets marks and levels, every text within its cell, no place said of any."""
    names = "".join(
        f'<sheet name="{name}" sheetId="{i}" r:id="r{i}"/>' for i, name in enumerate(("marks", "levels"), 1)
    )
    sheets = ("worksheet", "worksheets/sheet1.xml"), ("worksheet", "worksheets/sheet2.xml")
    parts = {
        "[Content_Types].xml": TYPES,
        "_rels/.rels": related(("officeDocument", "xl/workbook.xml")),
        "xl/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="{OFFICE}"><sheets>{names}</sheets></workbook>',
        "xl/_rels/workbook.xml.rels": related(*sheets, ("styles", "styles.xml")),
        "xl/styles.xml": styles,
        "xl/worksheets/sheet1.xml": sheet(marks_rows, cols, after),
        "xl/worksheets/sheet2.xml": sheet(row_of("from", "to", "rise", "sd_mm") + row_of("BM1", "BM2", "1.25", "1")),
    }
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in parts.items():
            archive.writestr(name, HEAD + text)
    return path


TOP = row_of("mark", "height", "sd_mm")


@pytest.mark.parametrize(
    ("third", "cols", "left"),
    [
        (row_of("BM2", "101.25", "1"), "", "101.25"),
        (row_of("BM2", "101.25", "1", style='s="2"'), "", "101.25"),  # a font that says strike = false
        (row_of("BM2", "101.25", "1", style='s="1"'), "", None),
        (row_of("BM2", "101.25", "1", more='s="1" customFormat="1"'), "", None),
        (row_of("BM2", "101.25", "1", more='s="1"'), "", "101.25"),  # a row's style counts where it says so
        (row_of("BM2", "101.25", "1", more='s="1" customFormat="1"', style='s="0"'), "", "101.25"),
        (row_of("BM2", "101.25", "1"), '<cols><col min="2" max="2" style="1"/></cols>', ""),
        (row_of("BM2", "101.25", "1", style='s="0"'), '<cols><col min="2" max="2" style="1"/></cols>', "101.25"),
    ],
)
def test_the_style_of_a_cell_or_else_of_its_row_or_column(tmp_path, third, cols, left):
    first = row_of("BM1", "100", "0", style='s="0"')
    head = row_of("mark", "height", "sd_mm", style='s="0"')
    job = heightnet.read_job(by_hand(tmp_path / "a.xlsx", head + first + third, cols))
    heights = dict(zip(job.marks["mark"], job.marks["height"], strict=True))
    assert heights["BM1"] == 100
    if left is None:
        assert "BM2" not in heights
    else:
        assert str(heights["BM2"]) == (left or "nan")


@pytest.mark.parametrize(
    ("more", "cols", "after", "said"),
    [
        ('hidden="1"', "", "", "row 3 is hidden"),
        ("hidden = 'true'", "", "", "row 3 is hidden"),
        ('ht="0" customHeight="1"', "", "", "row 3 is hidden"),
        ('hidden="1"', "", '<autoFilter ref="A1:C3"><filterColumn colId="0"/></autoFilter>', "row 3 is filtered away"),
        ('hidden="1"', "", '<autoFilter ref="A1:C3"/>', "row 3 is hidden"),
        ("", '<cols><col min="3" max="3" width="0"/></cols>', "", "column sd_mm (C) is hidden"),
        ("", '<cols><col hidden="1" max="16384" min="3"/></cols>', "", "column sd_mm (C) is hidden"),
        ('hidden="0" ht="15"', '<cols><col min="3" max="3" width="0.5" hidden="false"/></cols>', "", ""),
    ],
)
def test_hidden_rows_and_columns_are_read_and_doubted(tmp_path, more, cols, after, said):
    rows = TOP + row_of("BM1", "100", "0") + row_of("BM2", "101.25", "1", more=more)
    job = heightnet.read_job(by_hand(tmp_path / "a.xlsx", rows, cols, after))
    assert job.marks["height"].tolist() == [100, 101.25]
    more_said = " in the sheet; it is read like the others; --hidden skip leaves such out"
    assert texts(job, "doubt") == ([said + more_said] if said else [])


def hide(workbook):
    workbook["shots"].row_dimensions[3].hidden = True
    workbook["shots"].row_dimensions[4].hidden = True
    workbook["shots"].row_dimensions[9].hidden = True  # nothing stands in it
    workbook["marks"].column_dimensions["C"].hidden = True
    workbook["marks"].column_dimensions["F"].hidden = True


def test_somebody_decided_what_becomes_of_hidden_ones(book):
    path = book(hide, shots=THREE)
    doubted, read, skipped = (heightnet.read_job(path, hidden=h) for h in ("", "read", "skip"))
    assert len(texts(doubted, "doubt")) == 3 and not texts(read, "doubt") and not texts(skipped, "doubt")
    for table in ("marks", "setups", "targets", "shots"):  # a decided doubt changes no number
        assert doubted.tables[table].equals(read.tables[table])
    assert skipped.shots["row"].tolist() == [2] and skipped.marks["sd"].isna().all()
    assert texts(skipped, "understood") == [
        "hidden in the sheet and left out, as --hidden says: column sd_mm (C)",
        "hidden in the sheet and left out, as --hidden says: row 3, row 4",
    ]
    assert texts(read, "understood")[1] == (
        "hidden in the sheet and read like the others, as --hidden says: row 3, row 4"
    )


def test_a_person_is_asked_once_for_the_job_and_the_mapping_decides(book, tmp_path):
    path, asked = book(hide, shots=THREE), []

    def ask(found):
        asked.append(found)
        return "skip"

    assert heightnet.read_job(path, ask=ask).shots["row"].tolist() == [2]
    assert asked == ["1 column of sheet marks; 2 rows of sheet shots"]
    (tmp_path / "quarry.columns.toml").write_text('who = "M. Orr"\nhidden = "skip"\n')
    job = heightnet.read_job(path, ask=ask)
    assert len(asked) == 1 and job.shots["row"].tolist() == [2]
    assert "as quarry.columns.toml (M. Orr) says: row 3, row 4" in texts(job, "understood")[-1]
    assert heightnet.read_job(path, hidden="read").shots["row"].tolist() == [2, 3, 4]
    (tmp_path / "quarry.columns.toml").write_text('hidden = "maybe"\n')
    assert [(p.column, p.read, p.expected) for p in problems(path)] == [("hidden", "maybe", "one of 'read', 'skip'")]
    with pytest.raises(heightnet.WrongSettings, match="hidden: read maybe, expected one of read, skip"):
        heightnet.read_job(path, hidden="maybe")


def test_nobody_is_asked_where_nothing_is_hidden(book):
    def ask(found):
        raise AssertionError(found)

    assert heightnet.read_job(book(), ask=ask).notes == ()


def test_many_hidden_rows_are_counted(book):
    rows = [SHOTS[0], *[SHOTS[1]] * 50]

    def change(workbook):
        for row in range(2, 52):
            workbook["shots"].row_dimensions[row].hidden = True

    doubts = texts(heightnet.read_job(book(change, shots=rows)), "doubt")
    assert len(doubts) == 21 and doubts[-1].startswith("30 more like these: rows not seen")


def test_a_hidden_column_that_is_needed_is_the_cause_where_it_is_left_out(book):
    def change(workbook):
        workbook["shots"].column_dimensions["C"].hidden = True

    (found,) = problems(book(change), hidden="skip")
    assert (found.row, found.column) == (1, "slope_distance")
    assert found.cause.startswith("Its column is hidden in the sheet, and hidden ones are left out.")


def test_what_is_merged_holds_below_a_hidden_row(book):
    def change(workbook):
        workbook["shots"].merge_cells("A2:A3")
        workbook["shots"].row_dimensions[2].hidden = True

    path = book(change, shots=[SHOTS[0], SHOTS[1], [None, "T1", 50.98, "88-36-11"]])
    assert heightnet.read_job(path, hidden="skip").shots[["setup", "row"]].values.tolist() == [["S1", 3]]


def test_a_hidden_row_with_something_wrong_in_it_can_be_left_out(book):
    def change(workbook):
        workbook["shots"].row_dimensions[3].hidden = True

    path = book(change, shots=[*SHOTS, ["S1", "T1", "#REF!", "=A1"]])
    assert problems(path)
    assert heightnet.read_job(path, hidden="skip").shots["row"].tolist() == [2]


def test_hidden_sheets_are_left_out_too(book):
    def change(workbook):
        workbook.create_sheet("levels").append(["from", "to", "rise", "sd_mm"])
        workbook["levels"].append(["BM1", "BM2", 1.25, 1])
        workbook["levels"].sheet_state = "hidden"

    path = book(change)
    assert len(heightnet.read_job(path).levels) == 1
    job = heightnet.read_job(path, hidden="skip")
    assert len(job.levels) == 0 and texts(job, "understood") == [
        "sheet levels is hidden and left out, as --hidden says"
    ]


def test_a_hidden_heading_row_is_read_and_said(book):
    def change(workbook):
        workbook["shots"].row_dimensions[1].hidden = True

    for hidden, kind in (("", "doubt"), ("skip", "understood")):
        job = heightnet.read_job(book(change), hidden=hidden)
        assert len(job.shots) == 1 and texts(job, kind) == ["row 1, the headings, is hidden in the sheet; it is read"]


def test_struck_out_rows_are_no_longer_a_question_of_hiding(book):
    def change(workbook):
        strike(*(f"shots!{c}3" for c in "ABCD"))(workbook)
        workbook["shots"].row_dimensions[3].hidden = True

    job = heightnet.read_job(book(change, shots=THREE))
    assert not texts(job, "doubt") and job.shots["row"].tolist() == [2, 4]


def test_broken_marks_end_in_problems_or_a_job(tmp_path):
    """Sizes, columns and styles that are no numbers."""
    rows = TOP + row_of("BM1", "100", "0", more='ht="tall"') + row_of("BM2", "101.25", "1", style='s="1"')
    job = heightnet.read_job(by_hand(tmp_path / "a.xlsx", rows, '<cols><col min="3" max="3" width="0,0"/></cols>'))
    assert job.marks["mark"].tolist() == ["BM1"]
    broken = by_hand(tmp_path / "b.xlsx", rows, '<cols><col min="x" max="3" hidden="1"/></cols>')
    assert re.search("damaged", problems(broken)[0].cause)


def test_setups_stay_blank_where_the_name_is_struck_out(book):
    found = problems(book(strike("setups!A2"), setups=SETUPS))
    assert ("setup", "It is struck out in the sheet.") in [(p.column, p.cause) for p in found]


def test_a_name_that_is_looked_for_where_it_is_struck_out_or_left_out(book):
    def hide_target(workbook):
        workbook["targets"].row_dimensions[2].hidden = True

    (found,) = problems(book(strike("targets!A2", "targets!B2", "targets!C2")))
    assert found.read == "T1" and found.cause.startswith("T1 is struck out in quarry.xlsx, sheet targets, row 2.")
    (found,) = problems(book(hide_target), hidden="skip")
    assert found.cause.startswith("T1 is hidden in quarry.xlsx, sheet targets, row 2, and left out.")
