"""What the first rows of a table are read as, beside what stands in the file: for a person to look at."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import islice

from heightnet.errors import InputProblem
from heightnet.job.convert import Batch, Raw, Sheet, convert
from heightnet.job.headings import LOOKED_AT
from heightnet.job.problems import Problems
from heightnet.job.recognise import Found, recognise
from heightnet.ledger.recorded import Column, Table
from heightnet.ledger.settings import Units

ROWS = 5


@dataclass(frozen=True)
class Seen:
    """One heading: its cells in the first rows, the column that it is ("" for none), and the values they became.

    unit : of the values: "m", "mm", "°" (decimal degrees), "\\"" or "".
    """

    heading: str
    before: tuple[str, ...]
    column: str = ""
    after: tuple[str, ...] = ()
    unit: str = ""


@dataclass(frozen=True)
class Preview:
    """A table's first rows.

    rows : their numbers in the file.  numeric : places of the headings whose cells are numbers.  asked : problems that
        a person's answer would mend.
    """

    table: str
    file: str
    rows: tuple[int, ...]
    headings: tuple[Seen, ...]
    numeric: frozenset[int]
    asked: tuple[InputProblem, ...]


def seen_before(sheet: Sheet, begun: Batch, table: Table, units: Units) -> Preview:
    """Look at the first rows of a sheet before the whole is read.

    begun : its first batch of rows.
    """
    first = begun.cells[:LOOKED_AT]
    problems = Problems()
    problems.speak(sheet.file, sheet.counts, sheet.called)
    raw = convert(replace(sheet, batches=[Batch(begun.rows[:LOOKED_AT], first)]), table, units, problems)
    found, _ = recognise(sheet, first, table, units, Problems())
    filled = [(row, cells) for row, cells in zip(*begun, strict=True) if any(cell.strip() for cell in cells)]
    few = list(islice(filled, ROWS))
    headings = [
        _seen(heading.strip(), [cells[i].strip() if i < len(cells) else "" for _, cells in few], found.get(i), raw)
        for i, heading in enumerate(sheet.header)
        if heading.strip()
    ]
    numeric = frozenset(i for i, one in found.items() if one.column.numeric)
    asked = tuple(problem for problem in problems.found if problem.question)
    return Preview(table.name, sheet.file, tuple(row for row, _ in few), tuple(headings), numeric, asked)


def _seen(heading: str, before: Sequence[str], found: Found | None, raw: Raw) -> Seen:
    if found is None or not raw.has(found.column.name) or found.meant.part not in ("", "deg"):
        return Seen(heading, tuple(before), found.column.name if found else "")
    values = raw[found.column.name][: len(before)].tolist()
    unit = {"length": "m", "mm": "mm", "angle": "°", "sec": '"'}.get(found.column.kind, "")
    return Seen(heading, tuple(before), found.column.name, tuple(_shown(found.column, v) for v in values), unit)


def _shown(column: Column, value: object) -> str:
    """A value in metres, millimetres or degrees, to a tenth of what is ever read."""
    if not isinstance(value, float):
        return str(value)
    if math.isnan(value):
        return ""
    if column.kind == "angle":
        return f"{math.degrees(value):.5f}"
    size, digits = {"length": (1.0, 4), "mm": (1e-3, 1), "sec": (math.pi / 648_000, 1)}.get(column.kind, (1.0, 3))
    return f"{value / size:.{digits}f}"
