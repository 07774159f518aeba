"""A workbook (.xlsx) as tables of text: what spreadsheets do to numbers, names, angles and feet is undone or refused.

Cells arrive as a spreadsheet keeps them: an angle typed 89:30:15 as a length of time, a reading typed 5-2 as a date, a
name typed 007 as the number 7 shown with zeros, a merged cell only in its first row, a formula without its value.
"""

from __future__ import annotations

import datetime as dt
import re
import warnings
import zipfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO, Any

from heightnet.job.convert import Batch, Sheet
from heightnet.job.headings import known_headings, nothing_under, plain_heading
from heightnet.job.intake import Intake
from heightnet.job.problems import Problems, nearest
from heightnet.job.readers.marked import MOST_COLUMNS, Marks
from heightnet.job.readers.parts import Part, Refused, safe_parts
from heightnet.job.readers.registry import Reader
from heightnet.job.readers.sieve import Sieve, letter
from heightnet.job.settings import read_entries
from heightnet.ledger.recorded import TABLES, Column, Table
from heightnet.ledger.settings import BY_NAME, Settings

SUFFIXES = (".xlsx", ".xlsm")
LABEL = "{file}, sheet {table}"
SETTINGS_SHEET = "job"
BATCH = 20_000
MOST_ROWS = 2**20  # what a sheet can hold
HEADER_WITHIN = 20  # rows in which the headings must stand
_ZEROS = re.compile(r"0+")
_DECIMALS = re.compile(r"#?,?#*0\.(0+)(?:_.*)?")
_ADDED = re.compile(r'"[^"]+"|\\.')  # words that a number format adds to what it shows
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
        if not sheets and not problems:
            names = ", ".join(s.title for s in values.worksheets)[:200]
            problems.add(path.name, None, "", names, f"sheets named {', '.join(TABLES)}", "")
        if any(parts.get(_part_name(s), Part()).formulas for s in sheets.values()):
            formulas = load_workbook(streams[1], read_only=True, data_only=False, keep_links=False)
        sieves = _sieves(path, sheets, parts, intake)
        if (job := sheets.pop(SETTINGS_SHEET, None)) and SETTINGS_SHEET in sieves:
            file = _label(path, job.title)
            intake.set_up(_settings(job, sieves[SETTINGS_SHEET], file, problems), file)
        for name, sheet in sheets.items():
            if name not in sieves:
                continue
            part = parts.get(_part_name(sheet), Part())
            twin = formulas[sheet.title] if formulas is not None and part.formulas else None
            reader = _SheetReader(sheet, twin, part, sieves[name], TABLES[name], _label(path, sheet.title), problems)
            intake.raw[name].file = reader.file
            if read := reader.read():
                intake.take(name, read)
            reader.say()
    finally:
        values.close()
        if formulas is not None:
            formulas.close()


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
    """Sheets by the table they hold, in the order of a job."""
    found: dict[str, Any] = {}
    known = {*TABLES, SETTINGS_SHEET}
    for sheet in book.worksheets:
        name = sheet.title.strip().casefold()
        if name.startswith("note"):
            continue
        if name not in known:
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
    return {name: found[name] for name in (SETTINGS_SHEET, *TABLES) if name in found}


def _settings(sheet: Any, sieve: Sieve, file: str, problems: Problems) -> Settings:
    """Settings from a sheet with the columns setting and value."""
    entries: list[tuple[str, Any, int | None]] = []
    columns: tuple[int, int] | None = None
    for row, there in enumerate(sheet.iter_rows(max_col=MOST_COLUMNS), start=1):
        if row > 1000:
            problems.add(file, row, "", "more rows", "at most 1000 rows of settings")
            break
        cells = [None if i in sieve.dropped else cell.value for i, cell in enumerate(sieve.cells(row, there))]
        texts = [_plain(value) for value in cells]
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


class _SheetReader:
    """One sheet as rows of text, each cell as a person would have typed it into a CSV table."""

    def __init__(
        self, sheet: Any, formulas: Any, part: Part, sieve: Sieve, table: Table, file: str, problems: Problems,
    ) -> None:  # fmt: skip
        self.sheet, self.formulas, self.sieve, self.table = sheet, formulas, sieve, table
        self.file, self.problems = file, problems
        self.headings: list[str] = []
        self.columns: list[Column | None] = []
        self.merged = {(c1, r1): r2 for c1, r1, _, r2 in part.merged if r2 > r1}
        self.filling: dict[int, tuple[int, str]] = {}  # column: last row of the merged cell, its text
        self.filled: list[str] = []
        self.doubted: set[tuple[str, bool]] = set()  # columns, and whether of whole numbers
        self.calculated = 0

    def read(self) -> Sheet | None:
        """The sheet, its rows still to be read; None (and a problem) where no headings were found."""
        rows = self._rows()
        known = known_headings(self.table)
        first: list[tuple[int, Any]] = []
        for number, cells, _ in rows:
            texts = [_plain(c.value) for c in cells]
            while texts and not texts[-1]:
                texts.pop()
            if not texts:
                continue
            first.append((number, texts))
            # a title may stand above the headings; these are the first row of which two are known
            if sum(plain_heading(t) in known for t in texts) >= 2 or len(first) == HEADER_WITHIN:
                break
        if not first:
            self.problems.add(self.file, None, "", "", "a header row", "The sheet is empty; fill it or take it away.")
            return None
        number, texts = first[-1] if sum(plain_heading(t) in known for t in first[-1][1]) >= 2 else first[0]
        if len(texts) > MOST_COLUMNS:
            self.problems.add(self.file, number, "", f"more than {MOST_COLUMNS} headings", f"at most {MOST_COLUMNS}")
            return None
        if number != first[0][0]:
            above = f"rows above the headings in row {number} are passed over"
            self.problems.note("understood", above, self.file, first[0][0])
        self.sieve.head(number, _named(texts, known))
        self.headings = texts = ["" if i in self.sieve.dropped else text for i, text in enumerate(texts)]
        below = ([c.value for c in cells] for row, cells, _ in self._rows() if row > number and self.sieve.seen(row))
        blank = nothing_under(self.table, texts, below)
        known = known_headings(self.table, texts, blank)
        self.columns = [known.get(plain_heading(t)) for t in texts]
        self.sieve.headings = _named(texts, known)
        if number != first[-1][0]:
            rows = self._rows()  # every row looked at was not the header; begin anew below the first
            next(row for row in rows if row[0] == number)
        kept = [i for i in range(len(texts)) if i not in self.sieve.dropped]
        blank = {place for place, i in enumerate(kept) if i in blank}
        return Sheet(self.file, self._kept(texts), number, self._batches(rows), blank=blank)

    def _kept(self, texts: list[str]) -> list[str]:
        """A row without the columns that are left out."""
        dropped = self.sieve.dropped
        return [text for i, text in enumerate(texts) if i not in dropped] if dropped else texts

    def say(self) -> None:
        """Notes on what was filled in and calculated, once the rows have been read."""
        if self.filled:
            shown = ", ".join(self.filled[:8]) + (f" and {len(self.filled) - 8} more" if len(self.filled) > 8 else "")
            self.problems.note("filled", f"merged cells hold their value on each of their rows: {shown}", self.file)
        if self.calculated:
            text = f"{self.calculated} cells are formulas; the values they had when last calculated are read"
            self.problems.note("understood", text, self.file)
        self.sieve.say()

    def _rows(self) -> Iterator[tuple[int, Any, Any]]:
        """Row number, its cells, and the same cells with formulas in place of their values (None: no formulas)."""
        rows = self.sheet.iter_rows(max_col=MOST_COLUMNS + 1)
        twins = self.formulas.iter_rows(max_col=MOST_COLUMNS + 1) if self.formulas is not None else None
        for number, cells in enumerate(rows, start=1):
            if number > MOST_ROWS:
                self.problems.add(self.file, number, "", "more rows", f"at most {MOST_ROWS} rows")
                return
            yield number, self.sieve.cells(number, cells), next(twins, None) if twins is not None else None

    def _batches(self, rows: Iterator[tuple[int, Any, Any]]) -> Iterator[Batch]:
        numbers: list[int] = []
        texts: list[list[str]] = []
        width, nothing, dropped = len(self.headings), {id(_no_cell())}, self.sieve.dropped
        for number, cells, twins in rows:
            end = width if {*map(id, cells[width:])} <= nothing else len(cells)
            tops = {i for i in range(width) if (i + 1, number) in self.merged} if self.merged else set()
            here = [i for i in range(min(end, len(cells))) if i not in dropped]
            if not self.sieve.seen(number):
                here = [i for i in here if i in tops]
            row = [""] * min(end, len(cells))
            for i in here:
                row[i] = self._cell(number, i, cells[i], twins[i] if twins else None)
            while len(row) > width and not row[-1]:
                row.pop()
            if not self.sieve.reads(number, row, tops):
                # what is merged holds for the rows below all the same
                self._fill(number, [text if i in tops else "" for i, text in enumerate(row)])
            elif any(row):
                self._fill(number, row)
                numbers.append(number)
                texts.append(self._kept(row))
            if len(numbers) == BATCH:
                yield Batch(numbers, texts)
                numbers, texts = [], []
        if numbers:
            yield Batch(numbers, texts)

    def _fill(self, number: int, row: list[str]) -> None:
        """Give the rows of a merged cell its value; only rows that hold something of their own."""
        for i, text in enumerate(row[: len(self.headings)]):
            column = i + 1
            if text:
                if last := self.merged.get((column, number)):
                    self.filling[column] = last, text
                    self.filled.append(f"{letter(column)}{number}:{letter(column)}{last}")
            elif column in self.filling:
                last, value = self.filling[column]
                if number <= last:
                    row[i] = value

    def _cell(self, row: int, i: int, cell: Any, twin: Any) -> str:
        value = cell.value
        if twin is not None and twin.data_type == "f" and cell is not _no_cell():  # such is a formula struck out
            if value is None and cell.data_type != "str":
                formula = str(getattr(twin.value, "text", twin.value))
                self._problem(row, i, formula, "a value", "A formula without its value: open the workbook, save it.")
                return ""
            self.calculated += 1
        if value is None:
            return ""
        if type(value) is str and cell.data_type != "e":
            return value
        column = self._column(i)
        kind = column.kind if column else "text"
        if cell.data_type == "e":
            if column and not column.numeric:
                self._problem(row, i, str(value), column.expected(), "A spreadsheet's error value.")
            return str(value)
        if isinstance(value, bool):
            return ("yes" if value else "no") if kind == "yes" else str(value).upper()
        if isinstance(value, int | float):
            return self._number(value, cell.number_format, kind, row, i)
        return self._time(value, cell.number_format, kind, row, i)

    def _number(self, value: float, shown_as: str, kind: str, row: int, i: int) -> str:
        """A number as it would be typed; where a name or reading is asked for, as the sheet shows it."""
        whole = float(value).is_integer() and abs(value) < 1e15
        if kind == "reading" or (kind == "name" and not whole):
            decimals = _DECIMALS.fullmatch(shown_as)
            shown = f"{value:.{len(decimals[1])}f}" if decimals else "nan"
            if abs(float(shown) - value) < 1e-9:
                return shown
        if kind in ("name", "text"):
            if whole and _ZEROS.fullmatch(shown_as):
                return str(int(value)).zfill(len(shown_as))
            if "E+" in shown_as:
                text = (
                    f"{value:.0E}: a name typed like 1E5 turns into a number; if it was one, format the column as text"
                )
                self.problems.note("doubt", text, self.file, row)
            elif kind == "name":
                self._doubt_name(value, shown_as, whole, row, i)
        if whole:
            return str(int(value))
        return f"{value:.15g}" if kind == "angle" else repr(float(value))

    def _doubt_name(self, value: float, shown_as: str, whole: bool, row: int, i: int) -> None:
        """Say, once a column, where a name kept as a number may not be what was typed or what is seen."""
        if _ADDED.search(shown_as) or (whole and _DECIMALS.fullmatch(shown_as)):
            said = f"the sheet shows {value:g} in the format {shown_as}; the number alone is read"
        elif not whole:
            said = f"a name kept as the number {value:.15g}: zeros at its end, as in 1.10, would be lost"
        else:
            return
        column = self._column(i)
        if column is not None and (column.name, whole) not in self.doubted:
            self.doubted.add((column.name, whole))
            self.problems.note("doubt", f"column {column.name}: {said}. Format the column as text", self.file, row)

    def _time(self, value: Any, shown_as: str, kind: str, row: int, i: int) -> str:
        """A length of time is degrees, minutes and seconds of an angle; a date is a date, or the spreadsheet's slip."""
        if kind == "angle":
            seconds = _seconds(value, shown_as)
            if seconds is not None:
                tenths = round(seconds * 1e4)
                minutes, rest = divmod(abs(tenths), 600_000)
                sign = "-" if tenths < 0 else ""
                return f"{sign}{minutes // 60}-{minutes % 60:02d}-{rest / 1e4:07.4f}"
        column = self._column(i)
        if kind == "text" or (column and column.dated):
            if isinstance(value, dt.datetime):
                if value.time() == dt.time():
                    return value.date().isoformat()
                return value.isoformat(timespec="seconds" if value.second else "minutes")
            return str(value)
        what = "A length of time" if isinstance(value, dt.timedelta) else "A date or a time of day"
        cause = f"{what}: the spreadsheet took what was typed for one. Format the column as text and type it again."
        self._problem(row, i, str(value), column.expected() if column else "text", cause)
        return ""

    def _column(self, i: int) -> Column | None:
        return self.columns[i] if i < len(self.columns) else None

    def _problem(self, row: int, i: int, read: str, expected: str, cause: str) -> None:
        column = self._column(i)
        self.problems.add(self.file, row, column.name if column else letter(i + 1), read, expected, cause)


def _seconds(value: Any, shown_as: str) -> float | None:
    """Seconds of a cell that shows hours, minutes and seconds; None for a date."""
    if isinstance(value, dt.timedelta):
        return value.total_seconds()
    if isinstance(value, dt.time):
        return value.hour * 3600 + value.minute * 60 + value.second + value.microsecond / 1e6
    # under h:mm:ss, without the brackets of [h], a spreadsheet hands 89:30:15 over as 3 January 1900, 17:30:15
    if isinstance(value, dt.datetime) and value.year <= 1900 and not re.search(r"[yd]", shown_as, re.IGNORECASE):
        return (value - dt.datetime(1899, 12, 31)).total_seconds()
    return None


def _named(headings: list[str], known: dict[str, Column]) -> list[str]:
    """The column that each heading means, or the heading."""
    return [column.name if (column := known.get(plain_heading(text))) else text for text in headings]


def _no_cell() -> Any:
    from openpyxl.cell.read_only import EMPTY_CELL

    return EMPTY_CELL


def _plain(value: Any) -> str:
    return "" if value is None else str(value).strip()


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
