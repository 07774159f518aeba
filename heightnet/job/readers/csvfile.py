"""A text file as a table: code page, separator, layout of the headings, decimal sign and quoting, a batch at a time."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import IO

from heightnet.errors import Question
from heightnet.job.convert import Batch, Sheet
from heightnet.job.found import FoundTable
from heightnet.job.layout import Layout, first_filled, lay_out, rivals
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
_QUOTED_NUMBER = re.compile(r'"[^"\n]*\d,\d')
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
        if b"\0" in start and start[:2] not in (b"\xff\xfe", b"\xfe\xff"):
            cause = "It may be UTF-16 without the mark at its beginning: save it as UTF-8."
            problems.add(name, None, "", "NUL bytes", "text in UTF-8", cause)
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
        for number, line in enumerate(re.split(rb"\r\n|\r|\n", binary.read(CHUNK * 64)), start=1):
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


class TextTable(FoundTable):
    """A text file whose separator and layout are known.

    dittos : a quotation mark alone stands for what is above.
    """

    def __init__(
        self, text: IO[str], separator: str, dittos: bool, name: str, layout: Layout, rivals: Sequence[Table],
        found: bool, problems: Problems,
    ) -> None:  # fmt: skip
        super().__init__(name, layout, rivals, found, problems)
        self.text, self.separator, self.dittos = text, separator, dittos

    @classmethod
    def begun(
        cls, text: IO[str], name: str, tables: Sequence[Table], columns: Columns, problems: Problems,
        found: bool = False,
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
        layouts: list[tuple[Layout, str]] = []
        for separator in _tried(start):
            may_be = [t for t in tables if columns.export_of(t.name).separator in ("", separator)]
            layouts += [(layout, separator) for layout in lay_out(_looked_at(start, separator), may_be, columns)]
        if not layouts and len(tables) == 1:
            layouts = list(_poor(start, tables[0], columns))
        if not layouts:
            return None
        layout, separator = max(layouts, key=lambda one: (*one[0].rank[:3], len(one[0].header)))
        if separator != "," and not columns.export_of(layout.table.name).separator:
            problems.note("understood", f"cells are separated by {SEPARATORS[separator]}", name)
        if len(layout.header) > MOST_COLUMNS:
            problems.add(name, layout.at + 1, "", f"{len(layout.header)} headings", f"at most {MOST_COLUMNS}")
            return None
        others = rivals([one for one, _ in layouts], layout)
        return cls(text, separator, _dittos(start, separator), name, layout, others, found, problems)

    def _every(self, problems: Problems) -> Iterator[Batch]:
        """All rows of the file anew."""
        self.text.seek(0)
        if self.separator == "spaces":
            return _batches(aligned(self.text), self.name, problems)
        return _batches(_reader(self.text, self.separator, self.dittos), self.name, problems)

    def rows(self) -> Iterator[tuple[int, list[str]]]:
        """Every row as it stands, with its number."""
        for batch in self._every(Problems()):
            yield from zip(*batch, strict=True)

    @property
    def heading_row(self) -> int:
        return self.layout.at + 1

    def above(self) -> list[tuple[int, list[str]]]:
        first = next(self._every(Problems()), Batch((), ()))
        return list(zip(first.rows, first.cells, strict=True))[: self.layout.above]

    def below(self, problems: Problems) -> Iterator[Batch]:
        batches = self._every(problems)
        first = next(batches, Batch((), ()))
        yield Batch(first.rows[self.heading_row :], first.cells[self.heading_row :])
        yield from batches

    def has_commas(self) -> bool:
        self.text.seek(0)
        quoted = self.separator == ","  # a comma is then in a number only between quotation marks
        number = _QUOTED_NUMBER if quoted else _NUMBER_WITH_COMMA
        return any(number.search(part) for part in iter(lambda: self.text.read(CHUNK), "") if '"' in part or not quoted)


def _dittos(start: str, separator: str) -> bool:
    """Whether cells of a quotation mark alone show that it quotes nothing; between commas it may."""
    if separator in (",", "spaces"):
        return False
    apart = re.escape(separator)
    return re.search(rf'(?:^|{apart}) ?" ?(?:{apart}|\r|\n|$)', start) is not None


def _reader(lines: Iterable[str], separator: str, dittos: bool, strict: bool = True) -> Iterator[list[str]]:
    if dittos:
        return csv.reader(lines, delimiter=separator, quoting=csv.QUOTE_NONE, strict=strict)
    return csv.reader(lines, delimiter=separator, strict=strict)


def _tried(start: str) -> list[str]:
    """The separators that a file may have: spaces only where nothing else is there to separate cells."""
    return [separator for separator in SEPARATORS if separator != "spaces" or not any(c in start for c in "\t;|")]


def _looked_at(start: str, separator: str) -> list[list[str]]:
    """The first rows of a file under a separator, up to one that is broken."""
    rows = []
    lines = io.StringIO(start, newline="")
    reader = aligned(lines) if separator == "spaces" else _reader(lines, separator, _dittos(start, separator), False)
    try:
        for cells in islice(reader, BATCH):
            rows.append(cells)
    except csv.Error:
        pass
    return rows


def _poor(start: str, table: Table, columns: Columns) -> Iterator[tuple[Layout, str]]:
    """The first row of a file that nothing shows to be one of headings, under every separator."""
    for separator in _tried(start):
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
