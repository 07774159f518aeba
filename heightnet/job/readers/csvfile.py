"""A text file as a table: code page, separator, layout of the headings, decimal sign and quoting, a batch at a time."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import chain, islice
from pathlib import Path
from typing import IO

from heightnet.errors import Question
from heightnet.job.convert import Batch, Sheet
from heightnet.job.decimals import look
from heightnet.job.headings import known_headings, nothing_under, plain_heading, without_unit
from heightnet.job.layout import Layout, first_filled, lay_out, rows_of_table, say_titles
from heightnet.job.mapping import FILE as COLUMNS
from heightnet.job.mapping import SEPARATORS, Columns
from heightnet.job.problems import Problems
from heightnet.job.readers.aligned import aligned
from heightnet.ledger.recorded import Table
from heightnet.ledger.settings import Units

BATCH = 2_000  # rows in memory as text at a time
LONGEST_HEADER = 65536  # characters in which the headings must end
LONGEST_CELL = 10_000  # characters; a longer one is a quotation mark that is never closed, or no table
MOST_COLUMNS = 200
LARGEST_FILE = 4 * 2**30
CHUNK = 1 << 20
CODE_PAGES = ("cp1252", "cp850", "mac_roman", "cp1250")  # the usual ones of Western and Central Europe
_NUMBER_WITH_COMMA = re.compile(r"\d,\d|[\s;|\t\"],\d")
_NOT_TEXT = {
    b"PK\x03\x04": "It is a zip archive, perhaps a workbook: save the sheet as CSV, or give the .xlsx itself.",
    b"\xd0\xcf\x11\xe0": "It is an old binary workbook: save the sheet as CSV, or the workbook as .xlsx.",
    b"%PDF": "It is a PDF.",
    b"\x1f\x8b": "It is compressed; unpack it first.",
}


@contextmanager
def open_text(path: Path, name: str, columns: Columns, problems: Problems) -> Iterator[IO[str] | None]:
    """A text file opened under its code page; None (and a problem) where it is none.

    columns : the job's mapping, whose code page is that of files not in UTF-8.
    """
    with path.open("rb") as binary:
        start = binary.read(4)
        binary.seek(0, io.SEEK_END)
        size = binary.tell()
        binary.seek(0)
        if size > LARGEST_FILE:
            problems.add(name, None, "", f"{size / 2**30:.1f} GB", f"at most {LARGEST_FILE / 2**30:.0f} GB")
            yield None
            return
        for magic, cause in _NOT_TEXT.items():
            if start.startswith(magic):
                problems.add(name, None, "", "a file that is not text", "a CSV table", cause)
                yield None
                return
        encoding = "utf-8-sig"
        if start[:2] in (b"\xff\xfe", b"\xfe\xff"):
            encoding = "utf-16"
            problems.note("understood", "the file is read as UTF-16", name)
        elif odd := _not_utf8(binary):
            if not columns.encoding:
                _ask_for_page(name, *odd, problems)
                yield None
                return
            encoding = columns.encoding
            problems.note("understood", f"the file is read as {encoding}, as {COLUMNS} says", name)
        text = io.TextIOWrapper(binary, encoding=encoding, errors="replace", newline="")
        with text:
            yield text


def _not_utf8(binary: IO[bytes]) -> tuple[int, bytes] | None:
    """The first line that is not UTF-8, and its number; the file stands at its beginning again."""
    binary.seek(0)
    decoder = codecs.getincrementaldecoder("utf-8")("strict")
    try:
        while chunk := binary.read(CHUNK):
            decoder.decode(chunk)
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        binary.seek(0)
        for number, line in enumerate(binary, start=1):
            try:
                line.decode("utf-8")
            except UnicodeDecodeError:
                binary.seek(0)
                return number, line
    binary.seek(0)
    return None


def _ask_for_page(name: str, row: int, line: bytes, problems: Problems) -> None:
    """Say how the first line that is not UTF-8 reads under each usual code page: a person sees which is right."""
    odd = next(i for i, byte in enumerate(line) if byte > 127)
    word = line[max(0, odd - 12) : odd + 12]
    reads: dict[str, str] = {}
    for page in CODE_PAGES:
        reads.setdefault(word.decode(page, errors="replace").strip(), page)
    told = "; ".join(f"{text!r} under {page}" for text, page in reads.items())
    problems.add(
        name, row, "", word.decode(CODE_PAGES[0], errors="replace").strip(), "text in UTF-8",
        f"It reads {told}. Write the page under which the letters are right into {COLUMNS}: "
        f'encoding = "{CODE_PAGES[0]}", say; or save the file as UTF-8.',
        question=Question(
            "", "encoding", f"{name} is not UTF-8. Its first other letters, in row {row}, read {told}.", "",
            "Under which are they right", tuple(reads.values()),
        ),
    )  # fmt: skip


@contextmanager
def open_csv(
    path: Path, name: str, table: Table, problems: Problems, columns: Columns
) -> Iterator[Sheet | None]:  # fmt: skip
    """A text file opened as the `Sheet` of one table; None (and a problem) where it cannot be one."""
    with open_text(path, name, columns, problems) as text:
        file = TextTable.begun(text, name, [table], columns, problems) if text else None
        yield file.sheet(Units(), columns) if file else None


class TextTable:
    """A text file whose separator and layout are known, before its rows are read.

    rivals : other tables of which it shows as many columns.
    """

    def __init__(
        self, text: IO[str], name: str, separator: str, layout: Layout, rivals: Sequence[Table], problems: Problems
    ) -> None:  # fmt: skip
        self.text, self.name, self.separator, self.layout, self.problems = text, name, separator, layout, problems
        self.rivals = rivals

    @classmethod
    def begun(
        cls, text: IO[str], name: str, tables: Sequence[Table], columns: Columns, problems: Problems
    ) -> TextTable | None:  # fmt: skip
        """Look at the beginning of a file: what separates cells, and where the headings stand.

        tables : those that it may be.  columns : what a person said of it already.
        """
        start = text.read(LONGEST_HEADER)
        if "\0" in start:
            cause = "The file is not text; save the table as CSV in UTF-8."
            problems.add(name, None, "", "NUL bytes", "a CSV table", cause)
            return None
        if not start.strip():
            problems.add(name, None, "", "", "a header row", "The file is empty; fill it or take it away.")
            return None
        found: list[tuple[Layout, str]] = []
        for separator in SEPARATORS:
            may_be = [t for t in tables if columns.export_of(t.name).separator in ("", separator)]
            found += [(layout, separator) for layout in lay_out(_looked_at(start, separator), may_be, columns)]
        if not found and len(tables) == 1:
            found = list(_poor(start, tables[0], columns))
        if not found:
            return None
        layout, separator = max(found, key=lambda one: (*one[0].rank, len(one[0].header)))
        if separator != "," and not columns.export_of(layout.table.name).separator:
            problems.note("understood", f"cells are separated by {SEPARATORS[separator]}", name)
        if len(layout.header) > MOST_COLUMNS:
            problems.add(name, layout.at + 1, "", f"{len(layout.header)} headings", f"at most {MOST_COLUMNS}")
            return None
        rivals = [one.table for one, _ in found if one.table != layout.table and one.rank[:3] == layout.rank[:3]]
        return cls(text, name, separator, layout, list(dict.fromkeys(rivals)), problems)

    def _every(self, problems: Problems) -> Iterator[Batch]:
        """All rows of the file anew."""
        self.text.seek(0)
        if self.separator == "spaces":
            return _batches(aligned(self.text), self.name, problems)
        return _batches(csv.reader(self.text, delimiter=self.separator, strict=True), self.name, problems)

    def first(self) -> Batch:
        """The rows below the headings, as many as the beginning of the file shows."""
        batch = next(self._every(Problems()), Batch((), ()))
        at = self.layout.at + 1
        return Batch(batch.rows[at:], batch.cells[at:])

    def titles(self) -> Sequence[list[str]]:
        """What stands above the headings."""
        return next(self._every(Problems()), Batch((), [])).cells[: self.layout.above]

    def sheet(self, units: Units, columns: Columns) -> Sheet | None:
        """The table, its rows still to be read."""
        layout, name, problems = self.layout, self.name, self.problems
        decimal = columns.decimal or self._decimal(units, columns)
        batches = self._every(problems)
        first = next(batches, None)
        if first is None or decimal is None:
            return None
        above = list(zip(first.rows, first.cells, strict=True))[: layout.above]
        say_titles(above, layout, columns.export_of(layout.table.name), name, problems)
        at = layout.at
        header, row = list(layout.header), first.rows[at]
        rest = Batch(first.rows[at + 1 :], first.cells[at + 1 :])
        blank = nothing_under(layout.table, header, rest.cells)
        rows = rows_of_table(chain([rest], batches), layout, columns.export_of(layout.table.name), name, problems)
        return Sheet(name, header, row, rows, decimal, bool(columns.decimal), blank=blank)

    def _decimal(self, units: Units, columns: Columns) -> str | None:
        """The decimal sign of a file in whose numbers there are commas; None (and a problem) where it is open."""
        self.text.seek(0)
        quoted = self.separator == ","  # a comma is then in a number only between quotation marks
        if not any(_NUMBER_WITH_COMMA.search(line) and ('"' in line or not quoted) for line in self.text):
            return ""
        layout, problems = self.layout, self.problems
        known = known_headings(layout.table, layout.header)
        numeric = {
            i: column
            for i, heading in enumerate(layout.header)
            if (column := known.get(plain_heading(without_unit(heading)))) and column.numeric
        }
        meant = columns.of(layout.table.name)
        for i, heading in enumerate(map(str.strip, layout.header)):
            if heading in meant and meant[heading].column and layout.table.column(meant[heading].column).numeric:
                numeric[i] = layout.table.column(meant[heading].column)
        rows = ((row, cells) for batch in self._every(Problems()) for row, cells in zip(*batch, strict=True))
        places = look((one for one in rows if one[0] > layout.at + 1), numeric, units)
        if places.decided == "," or (places.decided and ("," in places.shown or places.open)):
            told = "1,5 is read as one and a half" if places.decided == "," else "1,500.5 is read as 1500.5"
            problems.note("understood", told, self.name, (places.shown or places.likely)[places.decided][0])
        elif len(places.shown) > 1:
            (row, i, cell), (other, j, there) = places.shown[","], places.shown["."]
            problems.add(
                self.name, row, layout.header[i].strip(), cell, "one decimal sign in all numbers of a file",
                f"Row {other} has {there} under {layout.header[j].strip()}. Write all numbers alike.",
            )  # fmt: skip
            return None
        elif not places.decided and places.open:
            self._ask_of_comma(*places.open)
            return None
        return places.decided

    def _ask_of_comma(self, row: int, i: int, cell: str) -> None:
        heading = self.layout.header[i].strip()
        text = f"{self.name}, row {row}, {heading}: {cell} is {cell.replace(',', '.')}, or {cell.replace(',', '')}"
        self.problems.add(
            self.name, row, heading, cell, "numbers that show what their comma is",
            f"Nothing in the file says whether it is {cell.replace(',', '.')} or {cell.replace(',', '')}. Write "
            f'decimal = "," into {COLUMNS} for the first, decimal = "." for the second.',
            question=Question("", "decimal", f"{text}: nothing in the file says which", ",",
                              "What is the decimal sign", (",", ".")),
        )  # fmt: skip


def _looked_at(start: str, separator: str) -> list[list[str]]:
    """The first rows of a file under a separator, up to one that is broken."""
    rows = []
    reader = (
        aligned(io.StringIO(start)) if separator == "spaces"
        else csv.reader(io.StringIO(start, newline=""), delimiter=separator)
    )  # fmt: skip
    try:
        for cells in islice(reader, BATCH):
            rows.append(cells)
    except csv.Error:
        pass
    return rows


def _poor(start: str, table: Table, columns: Columns) -> Iterator[tuple[Layout, str]]:
    """The first row of a file that nothing shows to be one of headings, under every separator."""
    for separator in SEPARATORS:
        if separator != "spaces" and (layout := first_filled(_looked_at(start, separator), table, columns)):
            yield layout, separator


def _batches(reader: Iterator[list[str]], name: str, problems: Problems) -> Iterator[Batch]:
    """Rows with their numbers as a spreadsheet counts them: a cell with line breaks is still one row."""
    row = 1
    while True:
        cells, said = _some_rows(reader)
        at = row + len(cells)
        if "field larger" in said:
            problems.add(
                name, at, "", f"a cell of more than {LONGEST_CELL} characters", "cells of a readable size",
                "Is there a quotation mark that is never closed?",
            )  # fmt: skip
        elif said:
            problems.add(
                name, at, "", said, "a row of CSV",
                "A quotation mark that opens a cell must close it; inside, it is written twice.",
            )  # fmt: skip
        if cells:
            yield Batch(range(row, at), cells)
        if said or not cells:
            return
        row = at


def _some_rows(reader: Iterator[list[str]]) -> tuple[list[list[str]], str]:
    """The next rows, and what is wrong with the one that stopped them ("" for nothing)."""
    cells: list[list[str]] = []
    others_limit = csv.field_size_limit(LONGEST_CELL)  # one number for the whole process; put back after use
    try:
        cells.extend(islice(reader, BATCH))  # rows before a broken one are kept
    except csv.Error as error:
        return cells, str(error)
    finally:
        csv.field_size_limit(others_limit)
    return cells, ""
