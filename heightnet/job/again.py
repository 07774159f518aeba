"""Rows around what could not be read, once more and as they stand in the file: nothing is made of them.

Files are read like before, within the same limits, and only as far as the last row that is asked for.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import islice
from pathlib import Path
from typing import Any

from heightnet.errors import InputProblem
from heightnet.job.headings import angle_parts, known_headings, plain_heading
from heightnet.job.layout import Layout, columns_of, first_filled, lay_out
from heightnet.job.mapping import Columns, kept, of_tables, read_columns
from heightnet.job.problems import Problems, printable
from heightnet.job.readers import export, workbook
from heightnet.job.readers.csvfile import CODE_PAGES, TextTable, open_text
from heightnet.job.readers.parts import safe_parts
from heightnet.job.readers.registry import claimed
from heightnet.job.readers.sheet import LOOKED_THROUGH
from heightnet.ledger.recorded import TABLES, Table
from heightnet.ledger.settings import Units

AROUND = 2  # rows above and below one that is asked for
MOST_CELLS = 300  # of a row
LONGEST_LINE = 1 << 20
LINES_ASKED = 1 << 20  # how far into a file lines are counted
OF_LINES = (".toml", ".xml", ".landxml")
Lines = Mapping[int, str]


@dataclass(frozen=True)
class Again:
    """Some rows of one file.

    Parameters
    ----------
    rows : by number, their cells; the longest are cut.  lengths : how many cells there are.
    undivided : numbers of rows that are one line of text each, because nothing tells their cells.
    heads : numbers of the rows that hold the headings.
    places : the cells of a row, by heading and by column of the job; a column may stand in several.
    """

    rows: Mapping[int, Sequence[str]]
    lengths: Mapping[int, int] = field(default_factory=dict)
    undivided: frozenset[int] = frozenset()
    heads: Sequence[int] = ()
    places: Mapping[str, Sequence[int]] = field(default_factory=dict)


def look_again(job: Path, mapping: Path | None, problems: Sequence[InputProblem]) -> dict[str, Again]:
    """The rows around each problem, by file as problems name it; a file that cannot be opened any more has none.

    Only files that reading the job looked at are opened.
    """
    reader, home = claimed(job)
    columns = read_columns(mapping or kept(home), Problems())
    columns = replace(columns, encoding=columns.encoding or CODE_PAGES[0])
    files = {printable(path.name): path for path in [*reader.files(home), *([mapping] if mapping else [])]}
    wanted: dict[str, set[int]] = {}
    for problem in problems:
        if problem.row is not None and problem.counts in ("row", "line"):
            rows = wanted.setdefault(problem.file, set())
            rows.update(range(max(1, problem.row - AROUND), problem.row + AROUND + 1))
    out = {}
    for file, rows in wanted.items():
        with suppress(OSError):
            if found := _look(file, rows, files, home, columns):
                out[file] = found
    return out


def _look(file: str, rows: Collection[int], files: Mapping[str, Path], home: Path, columns: Columns) -> Again | None:
    joined = file.split(" with ")
    if len(joined) > 1 and all(name in files for name in joined):
        return _joined([files[name] for name in joined], rows, columns)
    name = max((name for name in files if file == name or file.startswith(f"{name}, ")), key=len, default="")
    if not name or not files[name].is_file():
        return None
    path, part = files[name], file[len(name) :]
    suffix = path.suffix.casefold()
    if suffix in workbook.SUFFIXES:
        return _of_sheet(path, part.removeprefix(", sheet "), rows, columns)
    if suffix in OF_LINES:
        return _of_lines(path, rows)
    if suffix in export.SUFFIXES:
        table = TABLES.get(path.stem.casefold()) if home.is_dir() else None
        found = _of_table(path, [table], rows, of_tables(columns)) if table else None
        return found or _of_table(path, list(TABLES.values()), rows, columns) or _of_lines(path, rows)
    return None


# ---- lines ----


def _of_lines(path: Path, wanted: Collection[int]) -> Again:
    lines = _lines(path, wanted)
    return Again({number: [text] for number, text in lines.items()}, undivided=frozenset(lines))


def _lines(path: Path, wanted: Collection[int]) -> Lines:
    """Lines by number; bytes that are no text stay as lone surrogates."""
    with path.open("rb") as binary:
        page = "utf-16" if binary.read(2) in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
        binary.seek(0)
        strays = "replace" if page == "utf-16" else "surrogateescape"
        with io.TextIOWrapper(binary, encoding=page, errors=strays, newline=None) as text:
            last = min(max(wanted, default=0), LINES_ASKED)
            return {n: printable(line) for n, line in enumerate(islice(_pieces(text), last), 1) if n in wanted}


def _pieces(text: io.TextIOWrapper) -> Iterator[str]:
    """Lines without their ends, the longest cut."""
    while line := text.readline(LONGEST_LINE):
        yield line.rstrip("\n").replace("\t", "    ")
        while line and not line.endswith("\n"):
            line = text.readline(LONGEST_LINE)


# ---- tables in text ----


def _of_table(path: Path, tables: Sequence[Table], wanted: Collection[int], columns: Columns) -> Again | None:
    """None where nothing tells what separates the cells."""
    with open_text(path, path.name, columns, Problems()) as text:
        begun = TextTable.begun(text, path.name, tables, columns, Problems()) if text else None
        if begun is None:
            return None
        layout = begun.layout
        heads = range(layout.above + 1, layout.at + 2)
        rows: dict[int, list[str]] = {}
        number, line, last = 0, 1, max(*wanted, *heads)
        for number, cells in begun.rows():
            if number in wanted or number in heads:
                rows[number] = cells
            if number >= last:
                break
            line += 1 + sum(cell.count("\n") for cell in cells if len(cell) > 1)
        undivided = {}
        if number < last:  # reading stops at a row that is broken: it is a line
            ahead = {line + row - number - 1: row for row in wanted if row > number}
            undivided = {ahead[n]: [text] for n, text in _lines(path, ahead).items()}
    return _again(rows | undivided, frozenset(undivided), heads, _places(layout, columns))


def _joined(paths: Sequence[Path], wanted: Collection[int], columns: Columns) -> Again | None:
    """Files that are read together; rows of the later ones are counted on, as `export` does."""
    whole: Again | None = None
    rows: dict[int, Sequence[str]] = {}
    before = 0
    header: list[str] = []
    for path in paths:
        found = _of_table(path, list(TABLES.values()), [max(1, row - before) for row in wanted], columns)
        if found is None or not found.heads:
            return None
        own = [heading.strip() for heading in found.rows[found.heads[-1]]]
        header = header or own
        order = [own.index(heading) if heading in own else -1 for heading in header]
        end = before + _last(path, columns)
        for row, cells in found.rows.items():
            if before < row + before <= end or path == paths[-1]:
                moved = cells if not before else [cells[i] if 0 <= i < len(cells) else "" for i in order]
                rows[row + before] = moved
        whole, before = whole or found, end
    return replace(whole, rows=rows) if whole else None


def _last(path: Path, columns: Columns) -> int:
    """The number of a table's last row."""
    with open_text(path, path.name, columns, Problems()) as text:
        begun = TextTable.begun(text, path.name, list(TABLES.values()), columns, Problems(), True) if text else None
        sheet = begun.sheet(Units(), columns) if begun else None
        return max((max(batch.rows, default=0) for batch in sheet.batches), default=0) if sheet else 0


def _again(
    rows: Mapping[int, Sequence[str]], undivided: frozenset[int], heads: Sequence[int],
    places: Mapping[str, Sequence[int]],
) -> Again:  # fmt: skip
    lengths = {number: len(cells) for number, cells in rows.items()}
    cut = {number: [_on_one_line(text) for text in cells[:MOST_CELLS]] for number, cells in rows.items()}
    return Again(cut, lengths, undivided, [row for row in heads if row in rows], places)


def _on_one_line(cell: str) -> str:
    return printable("↵".join(cell.splitlines()).replace("\t", " "))


def _places(layout: Layout, columns: Columns) -> dict[str, list[int]]:
    """Where each heading and each column of the job stands; a heading as the file writes it goes first."""
    header, table = layout.header, layout.table
    known = known_headings(table, header)
    out: dict[str, list[int]] = {}
    for i, heading in enumerate(header):
        if heading.strip():
            out.setdefault(printable(heading.strip()), [i])
    named = columns_of(header, table, columns.of(table.name))
    for i, (word, _) in angle_parts(header).items():
        named[i] = named[i] or known.get(plain_heading(word))
    headings = set(out)
    for i, column in enumerate(named):
        if column and column.name not in headings:
            out.setdefault(column.name, []).append(i)
    return out


# ---- sheets ----


def _of_sheet(path: Path, title: str, wanted: Collection[int], columns: Columns) -> Again | None:
    """None where the workbook is damaged, or has no such sheet."""
    from openpyxl import load_workbook

    try:
        safe_parts(path)
        with warnings.catch_warnings(), path.open("rb") as stream:
            warnings.simplefilter("ignore")  # of formats and drop-down lists, which are not needed
            book = load_workbook(stream, read_only=True, data_only=True, keep_links=False)
            sheet = next(s for s in book.worksheets if printable(s.title) == title)
            sheet.reset_dimensions()
            return _rows_of(sheet, title, wanted, columns)
    except (MemoryError, KeyboardInterrupt):
        raise
    except Exception:  # a damaged file breaks its readers in any of a dozen ways; that it is has been said
        return None


def _rows_of(sheet: Any, title: str, wanted: Collection[int], columns: Columns) -> Again:
    first: list[list[str]] = []
    rows: dict[int, list[str]] = {}
    last = max(LOOKED_THROUGH, *wanted)
    for number, values in enumerate(sheet.iter_rows(max_col=MOST_CELLS, max_row=last, values_only=True), 1):
        cells = ["" if value is None else str(value) for value in values]
        while cells and not cells[-1]:
            cells.pop()
        if number <= LOOKED_THROUGH:
            first.append(cells)
        if number in wanted:
            rows[number] = cells
    table = TABLES.get(title.strip().casefold())
    tables = [table] if table else list(TABLES.values())
    layout = next(iter(lay_out(first, tables, columns)), None) or first_filled(first, tables[0], columns)
    if layout is None:
        return _again(rows, frozenset(), (), {})
    heads = range(layout.above + 1, layout.at + 2)
    rows |= {number: first[number - 1] for number in heads}
    return _again(rows, frozenset(), heads, _places(layout, columns))
