"""One sheet as a table of text: what spreadsheets do to numbers, names, angles and feet is undone or refused.

Cells arrive as a spreadsheet keeps them: an angle typed 89:30:15 as a length of time, a reading typed 5-2 as a date, a
name typed 007 as the number 7 shown with zeros, a merged cell only in its first row, a formula without its value.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import islice
from typing import Any

from heightnet.job.convert import Batch
from heightnet.job.decimals import sign_of
from heightnet.job.found import FoundTable
from heightnet.job.headings import UNIT_WORDS, known_headings, nothing_under, plain_heading
from heightnet.job.layout import Layout, columns_of, first_filled, lay_out, rivals
from heightnet.job.mapping import Columns, Meant
from heightnet.job.problems import Problems
from heightnet.job.readers.parts import Part
from heightnet.job.readers.sieve import Sieve, letter
from heightnet.ledger.recorded import Column, Table

BATCH = 20_000
MOST_COLUMNS = 200
MOST_ROWS = 2**20  # what a sheet can hold
LOOKED_THROUGH = 1_000  # rows in which the headings may stand, where a person says so
_ZEROS = re.compile(r"0+")
_DECIMALS = re.compile(r"#?,?#*0\.(0+)(?:_.*)?")
_UNIT_SHOWN = re.compile(r'"\s*([A-Za-z]+)"')
_ADDED = re.compile(r'"[^"]+"|\\.')  # words that a number format adds to what it shows


class SheetTable(FoundTable):
    """A sheet whose layout is known.

    make : gives a reader of the sheet that says what it finds to some problems.
    """

    def __init__(
        self, make: Make, first: list[list[str]], layout: Layout, others: Sequence[Table], columns: Columns,
        found: bool, problems: Problems,
    ) -> None:  # fmt: skip
        self.make, self.first, self.whole, self.meant = make, first, layout, columns.of(layout.table.name)
        self.reader = make(problems)
        super().__init__(self.reader.file, self.reader.head(layout, self.meant), others, found, problems)

    @classmethod
    def begun(
        cls, make: Make, tables: Sequence[Table], columns: Columns, problems: Problems, found: bool = False
    ) -> SheetTable | None:  # fmt: skip
        """Look at the beginning of a sheet for its headings, those of one of some tables; None where there are none."""
        reader = make(Problems())
        first = reader.first()
        layouts = lay_out(first, tables, columns)
        if not layouts and len(tables) == 1:
            layouts = [one for one in [first_filled(first, tables[0], columns)] if one]
        if not layouts:
            if len(tables) == 1:
                cause = "The sheet is empty; fill it or take it away."
                problems.add(reader.file, None, "", "", "a header row", cause)
            return None
        if len(layouts[0].header) > MOST_COLUMNS:
            read, expected = f"more than {MOST_COLUMNS} headings", f"at most {MOST_COLUMNS}"
            problems.add(reader.file, layouts[0].at + 1, "", read, expected)
            return None
        return cls(make, first, layouts[0], rivals(layouts, layouts[0]), columns, found, problems)

    @property
    def heading_row(self) -> int:
        return self.layout.at + 1

    def above(self) -> list[tuple[int, list[str]]]:
        return list(enumerate(self.first[: self.layout.above], start=1))

    def below(self, problems: Problems) -> Iterator[Batch]:
        if problems is self.problems:
            return self.reader.batches()
        apart = self.make(problems)
        apart.head(self.whole, self.meant)
        return apart.batches()

    def has_commas(self) -> bool:
        return self.found and any("," in cell and sign_of(cell) for cells in self.first for cell in cells)


class SheetReader:
    """One sheet as rows of text, each cell as a person would have typed it into a CSV table."""

    def __init__(
        self, sheet: Any, formulas: Any, part: Part, sieve: Sieve, file: str, problems: Problems
    ) -> None:  # fmt: skip
        self.sheet, self.formulas, self.sieve = sheet, formulas, sieve
        self.file, self.problems = file, problems
        self.heading_row = 0
        self.headings: list[str] = []
        self.columns: list[Column | None] = []
        self.merged = {(c1, r1): r2 for c1, r1, _, r2 in part.merged if r2 > r1}
        self.filling: dict[int, tuple[int, str]] = {}  # column: last row of the merged cell, its text
        self.filled: list[str] = []
        self.doubted: set[tuple[str, bool]] = set()  # columns, and whether of whole numbers
        self.calculated = 0

    def head(self, layout: Layout, meant: Mapping[str, Meant]) -> Layout:
        """Take in where the headings stand; returns the layout without columns that are left out."""
        table, texts, number = layout.table, list(layout.header), layout.at + 1
        next(row for row in self._rows() if row[0] == number)  # what is struck out there is known once it was read
        self.sieve.head(number, _named(texts, known_headings(table)))
        self.headings = texts = ["" if i in self.sieve.dropped else text for i, text in enumerate(texts)]
        self.heading_row = number
        below = ([c.value for c in cells] for row, cells, _ in self._rows() if row > number and self.sieve.seen(row))
        blank = nothing_under(table, texts, below)
        known = known_headings(table, texts, blank)
        self.columns = columns_of(texts, table, meant, blank)
        self.sieve.headings = _named(texts, known)
        return replace(layout, header=tuple(self._kept(texts)))

    def first(self) -> list[list[str]]:
        """The first rows as they are, blank ones empty."""
        out = []
        for _, cells, _ in islice(self._rows(), LOOKED_THROUGH):
            texts = [plain(c.value) for c in cells]
            while texts and not texts[-1]:
                texts.pop()
            out.append(texts)
        return out

    def batches(self) -> Iterator[Batch]:
        """The rows below the headings, as text."""
        rows = self._rows()
        next(row for row in rows if row[0] == self.heading_row)
        yield from self._batches(rows)

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
        text = str(int(value)) if whole else f"{value:.15g}" if kind == "angle" else repr(float(value))
        if kind == "length" and (unit := _UNIT_SHOWN.search(shown_as)) and unit[1].casefold() in UNIT_WORDS:
            return f"{text} {unit[1]}"  # as a person sees it
        return text

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


def plain(value: Any) -> str:
    return "" if value is None else str(value).strip()


Make = Callable[[Problems], SheetReader]
