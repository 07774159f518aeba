"""An empty job to fill in by hand: a folder of CSV tables, or a workbook with drop-down lists.

Every table and column comes from `heightnet.ledger.recorded`, every setting from `heightnet.ledger.settings`.
"""

from __future__ import annotations

import csv
import os
import tempfile
from pathlib import Path
from typing import Any

from heightnet.errors import HeightnetError
from heightnet.job.write import beside
from heightnet.ledger.recorded import TABLES, Table
from heightnet.ledger.settings import SETTINGS, Setting, default

ROWS = 2000  # rows of a new workbook that have lists to choose from and cells that keep text as typed
EXPLAINED = "columns.txt"


def new_folder(folder: str | Path) -> Path:
    """Write an empty job as CSV tables with every column, job.toml with every setting, and what each column means.

    Raises
    ------
    HeightnetError : something of that name is there already; nothing is overwritten.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise HeightnetError(f"{folder} is there already and is not empty; nothing was written.")
    with beside(folder) as made:
        for table in TABLES.values():
            with (made / f"{table.name}.csv").open("w", encoding="utf-8", newline="") as stream:
                csv.writer(stream, lineterminator="\n").writerow(table.names)
        (made / "job.toml").write_text(_toml_with_every_setting(), encoding="utf-8")
        (made / EXPLAINED).write_text(_explanations(), encoding="utf-8")
    return folder


def new_workbook(file: str | Path) -> Path:
    """Write an empty job as a workbook: a sheet for each table, one for settings, and one that explains the columns.

    Names, angles and tape readings stand in cells of text, so that 007, 1E5 and 5-2 stay what was typed; a column of
    fixed words has a list to choose from; each heading carries its explanation as a comment.

    Raises
    ------
    HeightnetError : a file of that name is there already; nothing is overwritten.
    """
    file = Path(file)
    if file.exists():
        raise HeightnetError(f"{file} is there already; nothing was written.")
    from openpyxl import Workbook
    from openpyxl.styles import Font, PatternFill

    bold, grey = Font(bold=True), PatternFill("solid", fgColor="E8E8E8")
    book = Workbook()
    del book[book.sheetnames[0]]
    for table in TABLES.values():
        _table_sheet(book.create_sheet(table.name), table, bold, grey)
    _settings_sheet(book.create_sheet("job"), bold, grey)
    notes = book.create_sheet("notes on columns")
    notes.append(["sheet", "column", "must be filled", "what it holds"])
    for table in TABLES.values():
        notes.append([table.name, "", "", table.meaning])
        for column in table.columns:
            notes.append([table.name, column.name, column.must, column.meaning])
    _widths(notes, (12, 20, 16, 100))
    for cell in notes[1]:
        cell.font, cell.fill = bold, grey
    file.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=file.parent, prefix=f".{file.name}-")
    os.close(handle)
    try:
        book.save(name)
        os.chmod(name, 0o644)
        os.replace(name, file)
    finally:
        Path(name).unlink(missing_ok=True)
    return file


def _table_sheet(sheet: Any, table: Table, bold: Any, grey: Any) -> None:
    from openpyxl.comments import Comment
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    sheet.append(list(table.names))
    sheet.freeze_panes = "A2"
    for i, column in enumerate(table.columns, start=1):
        letter = get_column_letter(i)
        heading = sheet.cell(1, i)
        heading.font = bold
        if column.required:
            heading.fill = grey
        must = f" Must be filled{column.must.removeprefix('yes')}." if column.required else ""
        heading.comment = Comment(column.meaning + must, "heightnet", width=260, height=110)
        sheet.column_dimensions[letter].width = max(10, len(column.name) + 3)
        if column.kind in ("name", "reading", "angle"):
            sheet.column_dimensions[letter].number_format = "@"
            for row in range(2, ROWS + 1):
                sheet.cell(row, i).number_format = "@"
        words = ("yes", "no") if column.kind == "yes" else column.choices
        if words:
            listed = DataValidation(type="list", formula1=f'"{",".join(words)}"', allow_blank=True)
            listed.error = f"One of {', '.join(words)}, or blank."
            listed.add(f"{letter}2:{letter}{ROWS}")
            sheet.add_data_validation(listed)


def _offered() -> list[Setting]:
    """The settings of today."""
    return [setting for setting in SETTINGS if not setting.instead]


def _settings_sheet(sheet: Any, bold: Any, grey: Any) -> None:
    from openpyxl.worksheet.datavalidation import DataValidation

    sheet.append(["setting", "value", "note"])
    for cell in sheet[1]:
        cell.font, cell.fill = bold, grey
    for row, setting in enumerate(_offered(), start=2):
        value = default(setting.name)
        sheet.append([setting.name, value if value not in (None, "") else None, setting.meaning])
        if setting.choices:
            listed = DataValidation(type="list", formula1=f'"{",".join(setting.choices)}"', allow_blank=True)
            listed.add(f"B{row}")
            sheet.add_data_validation(listed)
    _widths(sheet, (30, 14, 90))


def _widths(sheet: Any, widths: tuple[int, ...]) -> None:
    for letter, width in zip("ABCDEFG", widths, strict=False):
        sheet.column_dimensions[letter].width = width


def _toml_with_every_setting() -> str:
    """Every setting with its default, commented out, and what it means."""
    lines: list[str] = []
    group = ""
    for setting in _offered():
        name, _, key = setting.name.rpartition(".")
        if name != group:
            group = name
            lines += ["", f"[{group}]"]
        lines.append(_toml_line(setting, key))
    return "\n".join(lines) + "\n"


def _toml_line(setting: Setting, key: str) -> str:
    value = default(setting.name)
    said = f'"{value}"' if isinstance(value, str) else "1.0" if value is None else repr(value)
    entry = f"{key} = {said}"
    return f"{entry if setting.name == 'title' or setting.choices else '# ' + entry:<32} # {setting.meaning}"


def _explanations() -> str:
    parts = ["What each column holds.  * must be filled.\n"]
    for table in TABLES.values():
        parts.append(f"{table.name}.csv: {table.meaning}")
        width = max(map(len, table.names)) + 3
        for column in table.columns:
            star = "*" if column.required and not column.unless else ""
            parts.append(f"  {column.name + star:<{width}} {column.meaning}")
        parts.append("")
    return "\n".join(parts)
