"""A CSV file as rows of text, a batch at a time: encoding, separator and quoting checked."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import chain, islice
from pathlib import Path
from typing import IO

from heightnet.job.convert import Batch, Sheet
from heightnet.job.headings import known_headings, nothing_under, plain_heading
from heightnet.job.mapping import FILE as COLUMNS
from heightnet.job.problems import Problems
from heightnet.ledger.recorded import Table

BATCH = 2_000  # rows in memory as text at a time
LONGEST_HEADER = 65536  # characters in which a header row must end
LONGEST_CELL = 10_000  # characters; a longer one is a quotation mark that is never closed, or no table
MOST_COLUMNS = 200
LARGEST_FILE = 4 * 2**30
CHUNK = 1 << 20
CODE_PAGES = ("cp1252", "cp850", "mac_roman", "cp1250")  # the usual ones of Western and Central Europe
SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}
_NOT_TEXT = {
    b"PK\x03\x04": "It is a zip archive, perhaps a workbook: save the sheet as CSV, or give the .xlsx itself.",
    b"\xd0\xcf\x11\xe0": "It is an old binary workbook: save the sheet as CSV, or the workbook as .xlsx.",
    b"%PDF": "It is a PDF.",
    b"\x1f\x8b": "It is compressed; unpack it first.",
}


@contextmanager
def open_csv(
    path: Path, name: str, table: Table, problems: Problems, code_page: str = ""
) -> Iterator[Sheet | None]:  # fmt: skip
    """A CSV file opened as a `Sheet`; None (and a problem) where it cannot be one.

    code_page : what it is written in where that is not UTF-8, as the job's mapping says.
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
            if not code_page:
                _ask_for_page(name, *odd, problems)
                yield None
                return
            encoding = code_page
            problems.note("understood", f"the file is read as {code_page}, as {COLUMNS} says", name)
        text = io.TextIOWrapper(binary, encoding=encoding, errors="replace", newline="")
        with text:
            yield _sheet(text, name, table, problems)


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
    )  # fmt: skip


def _sheet(text: io.TextIOWrapper, name: str, table: Table, problems: Problems) -> Sheet | None:
    start = text.read(LONGEST_HEADER)
    if "\0" in start:
        problems.add(
            name, None, "", "NUL bytes", "a CSV table", "The file is not text; save the table as CSV in UTF-8."
        )
        return None
    if not start.strip():
        problems.add(name, None, "", "", "a header row", "The file is empty; fill it or take it away.")
        return None
    text.seek(0)
    separator = _separator(start, table)
    if separator != ",":
        problems.note("understood", f"cells are separated by {SEPARATORS[separator]}", name)
    batches = _batches(csv.reader(text, delimiter=separator, strict=True), name, problems)
    first = next(batches, None)
    if first is None:
        return None
    at = next(i for i, cells in enumerate(first.cells) if any(c.strip() for c in cells))
    row, header = first.rows[at], first.cells[at]
    rest = Batch(first.rows[at + 1 :], first.cells[at + 1 :])
    if len(header) > MOST_COLUMNS:
        problems.add(name, row, "", f"{len(header)} headings", f"at most {MOST_COLUMNS}")
        return None
    blank = nothing_under(table, header, rest.cells)
    return Sheet(name, header, row, chain([rest], batches), decimal_comma=separator != ",", blank=blank)


def _separator(start: str, table: Table) -> str:
    """The separator under which the first row shows the most headings of the table."""
    known = known_headings(table)

    def score(separator: str) -> tuple[int, int]:
        try:
            for record in csv.reader(io.StringIO(start, newline=""), delimiter=separator):
                if any(cell.strip() for cell in record):
                    return sum(plain_heading(cell) in known for cell in record), len(record)
        except csv.Error:
            pass
        return 0, 0

    return max(SEPARATORS, key=score)


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
