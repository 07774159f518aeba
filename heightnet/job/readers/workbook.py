"""A workbook (.xlsx): sheets called like a table, or, where none is, those whose headings show what they are."""

from __future__ import annotations

import re
import warnings
import zipfile
from collections.abc import Collection, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import IO, Any

from heightnet.job.found import joined
from heightnet.job.intake import Intake
from heightnet.job.mapping import FILE as COLUMNS
from heightnet.job.problems import Problems, nearest
from heightnet.job.readers.marked import Marks
from heightnet.job.readers.parts import Part, Refused, safe_parts
from heightnet.job.readers.registry import Reader
from heightnet.job.readers.sheet import MOST_COLUMNS, Make, SheetReader, SheetTable, plain
from heightnet.job.readers.sieve import Sieve
from heightnet.job.settings import read_entries
from heightnet.job.settle import settle, units_of
from heightnet.ledger.recorded import TABLES
from heightnet.ledger.settings import BY_NAME, Settings

ENOUGH = 6  # how much of a table a sheet of another name must show, see `layout.Layout.known`
SUFFIXES = (".xlsx", ".xlsm")
LABEL = "{file}, sheet {table}"
SETTINGS_SHEET = "job"
# programs differ in prefixes, quotes and the order of attributes
_SHEET = re.compile(rb"<(?:\w+:)?sheet\s[^<>]*?\bname\s*=\s*[\"']([^\"']{1,120})[\"']")


def _read(path: Path, intake: Intake) -> None:
    intake.settings_file = _label(path, SETTINGS_SHEET)
    try:
        parts = safe_parts(path)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what openpyxl does not keep (drop-down lists, formats) is not needed
            with path.open("rb") as one, path.open("rb") as other:
                _read_sheets(path, (one, other), parts, intake)
    except (MemoryError, KeyboardInterrupt):
        raise
    except Refused as refused:
        intake.problems.add(path.name, None, "", *refused.args)
    except (
        Exception
    ) as error:  # a damaged file breaks its readers in any of a dozen ways; none is the user's to decipher
        cause = "The file is damaged; open it and save it anew."
        with path.open("rb") as stream:
            if stream.read(4) == b"\xd0\xcf\x11\xe0":
                cause = "It is an old binary workbook or has a password: save it as .xlsx without one."
        said = f"{type(error).__name__}: {error}"
        intake.problems.add(path.name, None, "", said[:200], "a workbook .xlsx", cause)


def _label(path: Path, sheet: str) -> str:
    return LABEL.format(file=path.name, table=sheet)


def _read_sheets(path: Path, streams: tuple[IO[bytes], IO[bytes]], parts: dict[str, Part], intake: Intake) -> None:
    from openpyxl import load_workbook

    problems = intake.problems
    values = load_workbook(streams[0], read_only=True, data_only=True, keep_links=False)
    formulas = None
    try:
        sheets = _known_sheets(values, path, problems)
        if any(parts.get(_part_name(s), Part()).formulas for s in sheets.values()):
            formulas = load_workbook(streams[1], read_only=True, data_only=False, keep_links=False)
        sieves = _sieves(path, sheets, parts, intake)
        if (job := sheets.pop(SETTINGS_SHEET, None)) and SETTINGS_SHEET in sieves:
            file = _label(path, job.title)
            intake.set_up(_settings(job, sieves[SETTINGS_SHEET], file, problems), file)
        tables = []
        for name, sheet in sheets.items():
            if name not in sieves:
                continue
            part = parts.get(_part_name(sheet), Part())
            twin = formulas[sheet.title] if formulas is not None and part.formulas else None
            make = partial(_reader, sheet, twin, part, sieves[name])
            if begun := _begun(name, make, set(sheets), intake):
                tables.append(begun)
            elif name not in TABLES:
                problems.note("doubt", f"sheet {sheet.title} is not a table of a job and is not read", path.name)
        titles = [sheet.title for sheet in values.worksheets]
        _take(path, titles, tables, job is not None, intake)
    finally:
        values.close()
        if formulas is not None:
            formulas.close()


def _reader(
    sheet: Any, twin: Any, part: Part, sieve: Sieve, problems: Problems
) -> SheetReader:  # fmt: skip
    """A reader of a sheet that says what it finds to some problems."""
    return SheetReader(sheet, twin, part, sieve.anew(problems), sieve.file, problems)


def _begun(name: str, make: Make, named: Collection[str], intake: Intake) -> SheetTable | None:
    """The table that a sheet is: the one it is called by, unless its headings are those of another table."""
    columns, problems = intake.columns, intake.problems
    own = [TABLES[name]] if name in TABLES else []
    if own and (begun := SheetTable.begun(make, own, columns, Problems())) and begun.layout.complete:
        return SheetTable.begun(make, own, columns, problems)
    others = [table for table in TABLES.values() if table.name not in named]
    found = SheetTable.begun(make, others, columns, Problems(), found=True)
    if found and (found.layout.complete if own else found.layout.known >= ENOUGH):
        return SheetTable.begun(make, others, columns, problems, found=True)
    return SheetTable.begun(make, own, columns, problems) if own else None


def _take(path: Path, titles: Sequence[str], tables: Sequence[SheetTable], settled: bool, intake: Intake) -> None:
    """Hand over the tables; what sheets that were found leave open is settled first.

    titles : of all sheets.  settled : a sheet holds the settings.
    """
    problems, columns = intake.problems, intake.columns
    for one in tables:
        intake.raw[one.layout.table.name].file = one.name
    found = [one for one in tables if one.found]
    for one in found:
        settle(one, columns, problems)
    if found and not settled:
        intake.set_up(Settings(units=units_of(found, columns, problems)), columns.file or COLUMNS)
        if problems:
            return
    if not tables and not problems:
        read = "; ".join(note.text.split()[1] for note in problems.notes if note.kind == "doubt")[:200]
        problems.add(
            path.name, None, "", read, f"sheets named {', '.join(TABLES)}, or headings that show what they are"
        )
    for name in TABLES:
        if same := [one for one in tables if one.layout.table.name == name]:
            if sheet := joined(same, intake.settings.units, columns, problems):
                intake.take(name, sheet)
            for one in same:
                one.reader.say()


def _sieves(path: Path, sheets: Mapping[str, Any], parts: dict[str, Part], intake: Intake) -> dict[str, Sieve]:
    """What is read of each sheet; one that is not seen has none where such are left out."""
    with zipfile.ZipFile(path) as archive:
        marks = Marks(archive, parts)
        marked = {name: marks.of(_part_name(sheet)) for name, sheet in sheets.items()}
    closed = [name for name, sheet in sheets.items() if sheet.sheet_state != "visible"]
    unseen = [f"sheet {sheets[name].title}" for name in closed]
    unseen += [f"{what} of sheet {sheets[name].title}" for name, m in marked.items() if (what := m.unseen())]
    hidden, said_by = intake.about_hidden("; ".join(unseen))
    for name in closed:
        title = sheets[name].title
        if hidden:
            what = "left out" if hidden == "skip" else "read like the others"
            intake.problems.note("understood", f"sheet {title} is hidden and {what}, as {said_by} says", path.name)
        else:
            text = f"sheet {title} is hidden; it is read like the others; --hidden skip leaves such out"
            intake.problems.note("doubt", text, path.name)
        if hidden == "skip" and name in intake.raw:
            intake.raw[name].file = f"{_label(path, title)} (hidden, left out)"
    return {
        name: Sieve(marked[name], hidden, said_by, _label(path, sheet.title), intake.problems)
        for name, sheet in sheets.items()
        if hidden != "skip" or name not in closed
    }


def _part_name(sheet: Any) -> str:
    return str(sheet._worksheet_path).lstrip("/")


def _known_sheets(book: Any, path: Path, problems: Problems) -> dict[str, Any]:
    """Sheets by the table they hold, in the order of a job; by their titles where none is called like a table."""
    known = {*TABLES, SETTINGS_SHEET}
    titled = {sheet.title.strip().casefold(): sheet for sheet in book.worksheets}
    some = any(title in TABLES for title in titled)
    found: dict[str, Any] = {}
    for sheet in book.worksheets:
        name = sheet.title.strip().casefold()
        if name.startswith("note"):
            continue
        if name not in known and not some:
            name = sheet.title
        elif name not in known:
            if close := nearest(name, known, "nearest table"):
                cause = f"{close} A sheet that is to be left unread gets a name that starts with note."
                problems.add(
                    path.name, None, "", sheet.title, f"a sheet named one of {', '.join(sorted(known))}", cause
                )
            else:
                problems.note("doubt", f"sheet {sheet.title} is not a table of a job and is not read", path.name)
            continue
        if name in found:
            problems.add(path.name, None, "", sheet.title, f"one sheet for {name}")
            continue
        sheet.reset_dimensions()  # what a file says of its own size is not relied on
        found[name] = sheet
    return {name: found[name] for name in (SETTINGS_SHEET, *(TABLES if some else found)) if name in found}


def _settings(sheet: Any, sieve: Sieve, file: str, problems: Problems) -> Settings:
    """Settings from a sheet with the columns setting and value."""
    entries: list[tuple[str, Any, int | None]] = []
    columns: tuple[int, int] | None = None
    for row, there in enumerate(sheet.iter_rows(max_col=MOST_COLUMNS), start=1):
        if row > 1000:
            problems.add(file, row, "", "more rows", "at most 1000 rows of settings")
            break
        cells = [None if i in sieve.dropped else cell.value for i, cell in enumerate(sieve.cells(row, there))]
        texts = [plain(value) for value in cells]
        if columns is not None and not sieve.reads(row, texts, ()):
            continue
        if not any(texts):
            continue
        if columns is None:
            headings = [t.casefold() for t in texts]
            if "setting" not in headings or "value" not in headings:
                problems.add(file, row, "", ", ".join(t for t in texts if t)[:200], "the headings setting and value")
                return Settings()
            columns = headings.index("setting"), headings.index("value")
            sieve.head(row, texts)
            continue
        name, value = texts[columns[0]], cells[columns[1]]
        if not name and texts[columns[1]]:
            problems.add(file, row, "setting", "", "the name of a setting")
        elif name and texts[columns[1]]:
            entries.append((name, _setting_value(name, value), row))
    sieve.say()
    return read_entries(entries, file, problems)


def _setting_value(name: str, value: Any) -> Any:
    """A number typed as text is that number; anything typed for a text is text."""
    setting = BY_NAME.get(name)
    if setting is None or isinstance(value, bool):
        return value if isinstance(value, bool | int | float | str) else str(value)
    if setting.within is None:
        return str(value).strip()
    try:
        return float(value)
    except (TypeError, ValueError):
        return str(value)


def _look(path: Path) -> str | None:
    """Whether a workbook has a sheet named like a table; a damaged one may have had."""
    try:
        with zipfile.ZipFile(path) as book, book.open("xl/workbook.xml") as stream:
            names = [m.decode("utf-8", "replace").strip().casefold() for m in _SHEET.findall(stream.read(2**20))]
    except OSError:
        raise
    except Exception:  # zipfile and zlib have a dozen ways to say that a file is damaged; reading it says which
        return ""
    return "" if any(name in TABLES for name in names) else "a workbook without a sheet named like a table"


READER = Reader(
    name="workbook",
    called="workbook",
    expects=f"a workbook ({', '.join(SUFFIXES)}) with sheets of these names",
    read=_read,
    suffixes=SUFFIXES,
    look=_look,
    label=LABEL,
    turned_away=dict.fromkeys(
        (".xls", ".ods", ".xlsb"), "a workbook of a kind that is not read; if it is a job, save it as .xlsx"
    ),
)
