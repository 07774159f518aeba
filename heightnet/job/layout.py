"""Where the headings of a table stand in a file: below a title, in one row or two, above a row of units.

Every row near the top is tried as the headings of every table that the file may be; the one under which most columns
are known is taken, and what stands above it is said.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from heightnet.errors import Question
from heightnet.job.convert import Batch
from heightnet.job.headings import heading_unit, known_headings, plain_heading, without_unit
from heightnet.job.mapping import Columns, Export, Meant, file_line
from heightnet.job.problems import Problems
from heightnet.ledger.headings import TOO_WIDE, TOTALS, WITH_TOTALS
from heightnet.ledger.recorded import Table

WITHIN = 40  # rows in which the headings must stand
FEWEST = 2  # known headings that make a row one of headings
_RULED = re.compile(r"[-=_*.+~|\s]+")
_TITLE_VALUE = re.compile(r"(.*?)\s*[:=]\s*(\S.*)?")
_NUMBER = re.compile(r"[+-]?\d*[.,]?\d+")
Rows = Sequence[Sequence[str]]


@dataclass(frozen=True)
class Layout:
    """Where the headings stand.

    at : the place of their last row among the rows looked at.  above : how many rows of titles stand over them.
    known : how many columns of the table they name; complete : all that it must have.
    plain : the headings stand in one row, with or without a row of units below.
    """

    table: Table
    header: tuple[str, ...]
    at: int
    above: int
    known: int
    complete: bool
    plain: bool = True

    @property
    def rank(self) -> tuple[bool, int, bool, int]:
        return self.complete, self.known, self.plain, -self.at


def lay_out(rows: Rows, tables: Sequence[Table], columns: Columns) -> list[Layout]:
    """The layout under which most is known, for each table that has one, the best first.

    rows : the first of the file.  columns : what the job's mapping says of it.
    """
    found = []
    for table in tables:
        if every := list(_layouts(rows, table, columns.of(table.name), columns.export_of(table.name))):
            found.append(max(every, key=lambda one: one.rank))
    return sorted(found, key=lambda one: one.rank, reverse=True)


def first_filled(rows: Rows, table: Table, columns: Columns) -> Layout | None:
    """The first row that holds anything, where no row shows by its headings that it is the one."""
    at = next((i for i, cells in enumerate(rows) if any(map(str.strip, cells))), None)
    return None if at is None else _layout(tuple(rows[at]), at, at, table, columns.of(table.name))


def _layouts(rows: Rows, table: Table, meant: Mapping[str, Meant], export: Export) -> Iterator[Layout]:
    """Every layout that makes sense; rows that a person named are the only ones."""
    looked = [export.first_row - 1] if export.first_row else range(min(len(rows), WITHIN))
    known = set(known_headings(table))
    for at in looked:
        if at >= len(rows) or not any(map(str.strip, rows[at])):
            continue
        below = rows[at + 1] if at + 1 < len(rows) else ()
        one = _layout(tuple(rows[at]), at, at, table, meant)
        two = [
            _layout(_joined(rows[at], below, known | set(meant), spread), at + 1, at, table, meant)
            for spread in (True, False)
        ] if any(map(str.strip, below)) and not any(map(_is_number, below)) else []  # fmt: skip
        best = max(two, key=lambda layout: layout.rank, default=one)
        units = all(heading_unit(f"x ({cell})") is not None for cell in map(str.strip, below) if cell)
        best = replace(best, plain=units or not two)
        if export.heading_rows:
            chosen = one if export.heading_rows == 1 else best
        else:  # a row of units says more of the same headings; else two rows must tell more than one
            chosen = best if best.known > one.known or (best.known == one.known and units and two) else one
        if chosen.known >= FEWEST or export.first_row:
            yield chosen


def _layout(header: tuple[str, ...], at: int, above: int, table: Table, meant: Mapping[str, Meant]) -> Layout:
    known = known_headings(table, header)
    named = set()
    for heading in map(str.strip, header):
        said = meant.get(heading)
        if said is not None:
            named.add(said.column)
        elif column := known.get(plain_heading(heading)) or known.get(plain_heading(without_unit(heading))):
            named.add(column.name)
    named.discard("")
    complete = all(not c.required or c.name in named or named.intersection(c.unless) for c in table.columns)
    return Layout(table, header, at, above, len(named), complete)


def _joined(upper: Sequence[str], lower: Sequence[str], known: set[str], spread: bool) -> tuple[str, ...]:
    """Headings of two rows as one: a group over its names, or a name over its unit.

    known : what is a heading by itself.  spread : a group stands over every column up to the next.
    """
    out, group = [], ""
    for i in range(max(len(upper), len(lower))):
        over, name = (row[i].strip() if i < len(row) else "" for row in (upper, lower))
        group = over or (group if spread else "")
        if over and heading_unit(f"{over} ({name})") is not None:
            out.append(f"{over} ({name.strip('()[] ')})")
            continue
        both = f"{group} {name}".strip() if name else over
        plain = plain_heading(without_unit(name))
        alone = plain in known and plain not in TOO_WIDE and plain_heading(without_unit(both)) not in known
        out.append(name if alone or (name and name in known) else both)
    return tuple(out)


def _is_number(cell: str) -> bool:
    return _NUMBER.fullmatch(cell.strip()) is not None


def say_titles(
    rows: Sequence[tuple[int, Sequence[str]]], layout: Layout, export: Export, file: str, problems: Problems
) -> None:  # fmt: skip
    """Say what stands above the headings and is not read; a value of a column that the table lacks is a problem,
    unless a person said where the headings stand.

    rows : numbers and cells of the rows above the headings.
    """
    titles = [(row, [cell.strip() for cell in cells if cell.strip()]) for row, cells in rows]
    titles = [(row, cells) for row, cells in titles if cells]
    if not titles:
        return
    shown = " / ".join(" ".join(cells) for _, cells in titles)
    told = f"above the headings, not read: {shown[:200]}{'...' if len(shown) > 200 else ''}"
    problems.note("understood", told, file, titles[0][0])
    if export.first_row:
        return
    table, every = layout.table.name, known_headings(layout.table)
    given = {every[w].name for h in layout.header if (w := plain_heading(without_unit(h))) in every}
    for row, cells in titles:
        for name, value in _values(cells):
            column = every.get(plain_heading(without_unit(name)))
            if column and column.vital and column.name not in given and not given.intersection(column.instead):
                problems.add(
                    file, row, name, value, f"{column.name} in a column of the table",
                    "It stands above the headings, where it is not read. Write it into a column of its own; "
                    f"if it belongs elsewhere, say so: {file_line(table, 'first_row', str(layout.above + 1))}.",
                )  # fmt: skip


def _values(cells: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Names and numbers of a title: "HI: 1.587" in one cell, or in two."""
    for i, cell in enumerate(cells):
        match = _TITLE_VALUE.fullmatch(cell)
        name, value = (match[1], match[2] or "") if match else (cell, "")
        value = value or (cells[i + 1] if i + 1 < len(cells) else "")
        if value and re.match(r"[+-]?\d", value):
            yield name, value


def rows_of_table(
    batches: Iterator[Batch], layout: Layout, export: Export, file: str, problems: Problems
) -> Iterator[Batch]:  # fmt: skip
    """The rows of the table: those that a person named, and ruled lines, left out and said; what looks like a total
    is a problem that says how to leave it out."""
    known = known_headings(layout.table, layout.header)
    columns = [known.get(plain_heading(without_unit(heading))) for heading in layout.header]
    needed = [i for i, c in enumerate(columns) if c and c.required and not c.unless]
    begins = tuple(word.casefold() for word in export.skip)
    left_out: list[str] = []

    def belongs(row: int, cells: Sequence[str]) -> bool:
        filled = [cell.strip() for cell in cells if cell.strip()]
        if not filled or (len(filled[0]) > 1 and all(map(_RULED.fullmatch, filled))):
            return not filled
        if begins and filled[0].casefold().startswith(begins):
            left_out.append(f"row {row}: {' '.join(filled)}")
            return False
        total = TOTALS.match(filled[0].casefold()) if layout.table.name in WITH_TOTALS else None
        if total and (total["sure"] or any(i >= len(cells) or not cells[i].strip() for i in needed)):
            _ask_of_total(filled[0], row, file, layout.table.name, problems)
            return False
        return True

    for batch in batches:
        keep = [i for i, (row, cells) in enumerate(zip(*batch, strict=True)) if belongs(row, cells)]
        if len(keep) == len(batch.rows):
            yield batch
        elif keep:
            yield Batch([batch.rows[i] for i in keep], [batch.cells[i] for i in keep])
    if left_out:
        shown = "; ".join(left_out[:8]) + (f"; and {len(left_out) - 8} more" if len(left_out) > 8 else "")
        problems.note("understood", f"left out, as the mapping says: {shown}", file)


def _ask_of_total(first: str, row: int, file: str, table: str, problems: Problems) -> None:
    asked = Question(
        f"file.{table}", "skip", f"{file}, row {row} begins {first!r}: it looks like a total or a check, and is no row "
        "of the table.", first, "Rows that begin how are left out",
    )  # fmt: skip
    cause = f"It looks like a total or a check below the table. If it is, write {file_line(table, 'skip', first)}"
    problems.add(file, row, "", first, "a row of the table", cause, like="a row of the table", question=asked)
