"""What a file as it was found leaves open: which table it is, and the units it is written in.

Headings say it, or the cells do, or a person; what was taken for granted is said.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import chain

from heightnet.errors import Question
from heightnet.job.angles import looks_packed, looks_separated
from heightnet.job.found import FoundTable
from heightnet.job.headings import angle_parts, heading_unit
from heightnet.job.layout import Layout, columns_of
from heightnet.job.mapping import FILE as COLUMNS
from heightnet.job.mapping import Columns, Meant, file_line
from heightnet.job.problems import Problems
from heightnet.ledger.field import METRES
from heightnet.ledger.recorded import TABLES
from heightnet.ledger.settings import Units

ENOUGH = 5  # angles that all read as packed are probably packed
_IN_FEET = re.compile(r"\b(feet|foot|ft|survey foot|us ?ft)\b", re.IGNORECASE)
_WHOLE = re.compile(r"[+-]?(\d{1,3})")


def settle(begun: FoundTable, columns: Columns, problems: Problems) -> None:
    """Ask which table it is where its headings fit two alike."""
    if not begun.rivals or columns.of(begun.layout.table.name):
        return
    may_be = [begun.layout.table.name, *(table.name for table in begun.rivals)]
    if columns.table not in may_be:
        problems.add(
            begun.name, begun.layout.at + 1, "", ", ".join(begun.layout.header)[:100], "headings of one table",
            f'They fit {" and ".join(may_be)}. Write table = "{may_be[0]}", say, into {COLUMNS}.',
            question=Question("", "table", f"The headings of {begun.name} fit more than one table.", may_be[0],
                              "Which is it", tuple(may_be)),
        )  # fmt: skip
    elif columns.table != may_be[0]:
        begun.layout = replace(begun.layout, table=TABLES[columns.table])


def units_of(tables: Sequence[FoundTable], columns: Columns, problems: Problems) -> Units:
    """The units of the files, as a person, their headings or their cells say; what is open is asked."""
    lengths = {unit for one in tables if (unit := _length(one, columns, problems))}
    angles = {unit for one in tables if (unit := _angle(one, columns, problems))}
    for said, what in ((lengths, "length"), (angles, "angle")):
        if len(said) > 1:
            names = " and ".join(one.name for one in tables)
            problems.add(names, None, what, " and ".join(sorted(said)), f"one unit of {what} in files read together")
    length = next(iter(lengths), "m")
    if not lengths and not problems:
        problems.note("understood", "lengths are read in metres; nothing in the file says another unit", tables[0].name)
    return Units(length=length, angle=next(iter(angles), "dms"))


def _length(one: FoundTable, columns: Columns, problems: Problems) -> str:
    table = one.layout.table.name
    if said := columns.export_of(table).length:
        return said
    in_headings = _said_by_headings(one.layout, "length", columns) & {*METRES}
    if len(in_headings) == 1:
        return in_headings.pop()
    titles = " ".join(chain.from_iterable(one.titles()))
    if _IN_FEET.search(titles):
        problems.add(
            one.name, None, "", titles[:100], "a unit of length in the headings",
            f"A title speaks of feet. Write the unit, {file_line(table, 'length', 'ft')}; or m, or ftUS.",
            question=Question(f"file.{table}", "length", f"A title of {one.name} speaks of feet: {titles[:100]}", "ft",
                              "In which unit are its lengths", tuple(METRES)),
        )  # fmt: skip
    return "m" if "m" in in_headings else ""


def _said_by_headings(layout: Layout, kind: str, columns: Columns) -> set[str]:
    mapped = columns.of(layout.table.name)
    named = zip(map(str.strip, layout.header), columns_of(layout.header, layout.table, mapped), strict=True)
    units = (
        heading_unit(heading) for heading, c in named if c and c.kind == kind and not _in_other_unit(mapped, heading)
    )
    return {unit for unit in units if unit}


def _in_other_unit(mapped: Mapping[str, Meant], heading: str) -> bool:
    return heading in mapped and bool(mapped[heading].unit)


def _angle(one: FoundTable, columns: Columns, problems: Problems) -> str:
    """How angles are written; "" where the table has none, or they are asked about."""
    layout, table = one.layout, one.layout.table.name
    if said := columns.export_of(table).angle:
        return said
    parts = angle_parts(layout.header)
    angles = [
        i
        for i, column in enumerate(columns_of(layout.header, layout.table, columns.of(table)))
        if column and column.kind == "angle" and i not in parts
    ]
    cells = [row[i].strip() for row in one.readings() for i in angles if i < len(row) and _WHOLE.match(row[i].strip())]
    if not cells:
        return ""
    if all(map(looks_separated, cells)):
        return "dms"
    in_headings = _said_by_headings(layout, "angle", columns)
    packed = all(looks_packed(cell.replace(",", ".")) for cell in cells)
    if len(in_headings) == 1 and (in_headings != {"deg"} or not packed):
        return in_headings.pop()
    _ask_of_angle(one, cells, packed, problems)
    return ""


def _ask_of_angle(one: FoundTable, cells: Sequence[str], packed: bool, problems: Problems) -> None:
    """Ask how angles are written; what is likely is proposed, nothing where a few cells may be either."""
    whole = [int(match[1]) for cell in cells if (match := _WHOLE.match(cell))]
    near_gon = not packed and all(abs(n % 200 - 100) <= 3 for n in whole)
    enough = len(cells) >= ENOUGH  # a third of all decimals of a degree would pass as minutes and seconds
    some_near = any(abs(n % 200 - 100) <= 5 for n in whole)
    likely = "gon" if near_gon else "" if some_near else "deg" if not packed else "packed" if enough else ""
    line = file_line(one.layout.table.name, "angle", likely or "deg")
    problems.add(
        one.name, one.layout.at + 1, "", cells[0], "a unit of angle in the headings",
        "It may be degrees, gon, or degrees, minutes and seconds packed as ddd.mmss; headings and cells leave it open. "
        f"Write the unit, {line}; or deg, gon, packed, dms.",
        question=Question(f"file.{one.layout.table.name}", "angle", f"{one.name}: {cells[0]} may be decimal degrees, "
                          "gon, or packed as ddd.mmss; nothing in the file says which.", likely,
                          "How are its angles written", ("deg", "gon", "packed")),
    )  # fmt: skip
