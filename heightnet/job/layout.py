"""Where the headings of a table stand in a file: below a title, in one row or two, above a row of units.

Every row near the top is tried as the headings of every table that the file may be; the one under which most columns
are known is taken, and what stands above it is said.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from heightnet.job.headings import heading_unit, keys, known_headings, plain_heading, without_unit
from heightnet.job.mapping import Columns, Export, Meant
from heightnet.job.problems import Problems
from heightnet.ledger.headings import TOO_WIDE, VERTICAL_ANGLES
from heightnet.ledger.recorded import Column, Table

WITHIN = 40  # rows in which the headings must stand
FEWEST = 2  # known headings that make a row one of headings
LONGEST_UNIT = 14  # characters of the name of a unit
_RULED = re.compile(r"[-=_*.+~|\s]+")
_TITLE_VALUE = re.compile(r"(.*?)\s*[:=]\s*(\S.*)?")
DECIMAL = re.compile(r"\d[.,]\d")
_MARKS_OF_PARTS = ("'", "''", '"', "′", "″")  # of minutes and seconds
_NUMBER = re.compile(r"[+-]?\d*[.,]?\d+")
Rows = Sequence[Sequence[str]]


@dataclass(frozen=True)
class Layout:
    """Where the headings stand.

    at : the place of their last row among the rows looked at.  above : how many rows of titles stand over them.
    known : how much of the table they name, what it must have twice; complete : all that it must have.
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
    def rank(self) -> tuple[int, bool, bool, int]:
        return self.known, self.complete, self.plain, -self.at


def lay_out(rows: Rows, tables: Sequence[Table], columns: Columns) -> list[Layout]:
    """The layout under which most is known, for each table that has one, the best first.

    rows : the first of the file.  columns : what the job's mapping says of it.
    """
    found = []
    for table in tables:
        if every := list(_layouts(rows, table, columns.of(table.name), columns.export_of(table.name))):
            found.append(max(every, key=lambda one: one.rank))
    return sorted(found, key=lambda one: one.rank, reverse=True)


def rivals(layouts: Sequence[Layout], best: Layout) -> list[Table]:
    """Other tables of which the headings name as much."""
    return list(dict.fromkeys(o.table for o in layouts if o.table != best.table and o.rank[:3] == best.rank[:3]))


def columns_of(
    header: Sequence[str], table: Table, meant: Mapping[str, Meant], blank: Collection[int] = ()
) -> list[Column | None]:  # fmt: skip
    """The column that each heading is, as the mapping says or by itself; None for those that are none.

    blank : places of headings that hold nothing, as `nothing_under` found.
    """
    known = known_headings(table, header, blank)
    out: list[Column | None] = []
    for key, heading in zip(keys(header), map(str.strip, header), strict=True):
        if key in meant:
            out.append(table.column(meant[key].column) if meant[key].column else None)
        else:
            out.append(known.get(plain_heading(heading)) or known.get(plain_heading(without_unit(heading))))
    return out


def first_filled(rows: Rows, table: Table, columns: Columns) -> Layout | None:
    """The first row that holds anything, where no row shows by its headings that it is the one."""
    at = next((i for i, cells in enumerate(rows) if any(map(str.strip, cells))), None)
    return None if at is None else _layout(tuple(rows[at]), at, at, table, columns.of(table.name))


def _layouts(rows: Rows, table: Table, meant: Mapping[str, Meant], export: Export) -> Iterator[Layout]:
    """Every layout that makes sense; rows that a person named are the only ones."""
    looked = [export.first_row - 1] if export.first_row else range(min(len(rows), WITHIN))
    known = set(known_headings(table))
    for at in looked:
        below = rows[at + 1] if at + 1 < len(rows) else ()
        there = {plain_heading(without_unit(cell)) for cell in (*rows[at], *below)} if at < len(rows) else set()
        if at >= len(rows) or not any(map(str.strip, rows[at])) or not (there & known or meant or export.first_row):
            continue
        one = _layout(tuple(rows[at]), at, at, table, meant)
        two = [
            _layout(_joined(rows[at], below, known | set(meant), spread), at + 1, at, table, meant)
            for spread in (True, False)
        ] if any(map(str.strip, below)) and not any(map(is_number, below)) else []  # fmt: skip
        best = max(two, key=lambda layout: layout.rank, default=one)
        units = _of_units(below)
        best = replace(best, plain=units or not two)
        if export.heading_rows:
            chosen = one if export.heading_rows == 1 else best
        else:  # words below headings, and no digit among them, are headings too, or their units
            words = two and (units or _of_words(below))
            chosen = best if best.known > one.known or (best.known == one.known and words) else one
        under = rows[chosen.at + 1] if chosen.at + 1 < len(rows) else ()
        if chosen is not one and not units and _of_units(under):  # below two rows of headings
            header = _joined(chosen.header, under, known | set(meant), False)
            chosen = replace(chosen, header=header, at=chosen.at + 1)
        if chosen.known or export.first_row:
            yield chosen


def _layout(header: tuple[str, ...], at: int, above: int, table: Table, meant: Mapping[str, Meant]) -> Layout:
    named = set()
    for heading, column in zip(header, columns_of(header, table, meant), strict=True):
        if column:
            named.add(column.name)
        elif table.name == "shots" and plain_heading(without_unit(heading)) in VERTICAL_ANGLES:
            named.add("zenith_angle")
    much = sum(2 if c.required or c.vital else 1 for c in table.columns if c.name in named)
    complete = all(not c.required or c.name in named or named.intersection(c.unless) for c in table.columns)
    return Layout(table, header, at, above, much if len(named) >= FEWEST else 0, complete)


def _of_units(row: Sequence[str]) -> bool:
    """Whether a row below headings says their units: most of its cells do, and none is long."""
    cells = [cell.strip() for cell in row if cell.strip()]
    if not cells:
        return False
    units = [heading_unit(f"x ({cell.strip('()[]')})") is not None for cell in cells]
    return sum(units) * 2 > len(cells) and max(map(len, cells)) <= LONGEST_UNIT


def _of_words(row: Sequence[str]) -> bool:
    """Whether a row is hardly one of readings: several of its cells are filled, and no digit is in them."""
    filled = [cell for cell in row if cell.strip()]
    return len(filled) > FEWEST and not any(any(map(str.isdigit, cell)) for cell in filled)


def _joined(upper: Sequence[str], lower: Sequence[str], known: set[str], spread: bool) -> tuple[str, ...]:
    """Headings of two rows as one: a group over its names, or a name over its unit.

    known : what is a heading by itself.  spread : a group stands over every column up to the next.
    """
    out, group = [], ""
    for i in range(max(len(upper), len(lower))):
        over, name = (row[i].strip() if i < len(row) else "" for row in (upper, lower))
        group = over or (group if spread else "")
        unit = heading_unit(f"{over} ({name.strip('()[] ')})") if over and name else None
        if unit is not None or (over and name in _MARKS_OF_PARTS):
            out.append(f"{over} ({name.strip('()[] ')})" if unit else over)
            continue
        both = f"{group} {name}".strip() if name else over
        plain = plain_heading(without_unit(name))
        alone = plain in known and plain not in TOO_WIDE and plain_heading(without_unit(both)) not in known
        out.append(name if alone or (name and name in known) else both)
    return tuple(out)


def is_number(cell: str) -> bool:
    return _NUMBER.fullmatch(cell.strip()) is not None


def say_titles(rows: Sequence[tuple[int, Sequence[str]]], file: str, problems: Problems) -> None:
    """Say what stands above the headings and is not read.

    rows : numbers and cells of the rows above the headings.
    """
    titles = [(row, [cell.strip() for cell in cells if cell.strip()]) for row, cells in rows]
    if titles := [(row, cells) for row, cells in titles if cells]:
        shown = " / ".join(" ".join(cells) for _, cells in titles)
        told = f"above the headings, not read: {shown[:200]}{'...' if len(shown) > 200 else ''}"
        numbers = any(len(DECIMAL.findall(" ".join(cells))) > 1 for _, cells in titles)
        problems.note("doubt" if numbers else "understood", told, file, titles[0][0])
