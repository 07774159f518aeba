"""A table as lines of text no wider than a terminal: cells are wrapped where it must be narrower, and nothing is cut.

Where even that does not fit, each row becomes a few lines of its own, the cells behind their headings.
"""

from __future__ import annotations

from collections.abc import Sequence

from heightnet.report.console import cells, wrapped
from heightnet.report.numbers import NO_BREAK

GAP = 2
NARROW = 12  # a column of text is not made narrower than this


def table_lines(
    rows: Sequence[Sequence[str]],
    left: Sequence[bool],
    columns: int | None = None,
    header: Sequence[str] | None = None,
) -> list[str]:
    """The lines of a table.

    Parameters
    ----------
    left : for each column whether it is set flush left, and may be wrapped.
    columns : how wide the lines may be; None: as wide as they are.

    >>> rows = [("S1", "nothing tests it"), ("S2", "tested")]
    >>> table_lines(rows, (True, True))
    ['S1  nothing tests it', 'S2  tested']
    >>> table_lines(rows, (True, True), 17)
    ['S1  nothing tests', '    it', 'S2  tested']
    """
    everything = [*([header] if header else []), *rows]
    if not everything:
        return []
    widths = [max(cells(row[i]) for row in everything) for i in range(len(everything[0]))]
    if columns is None or sum(widths) + GAP * (len(widths) - 1) <= columns:
        return [_line(row, widths, left) for row in everything]
    least = [_least([row[i] for row in rows], header[i] if header else "", left[i]) for i in range(len(widths))]
    if sum(least) + GAP * (len(least) - 1) > columns:
        return [line for row in rows for line in _record(row, header, columns)]
    while sum(widths) + GAP * (len(widths) - 1) > columns:
        widest = max(range(len(widths)), key=lambda i: (widths[i] - least[i], widths[i]))
        widths[widest] -= 1
    out = _wrapped_row(header, widths, left, at_bottom=True) if header else []
    for row in rows:
        out += _wrapped_row(row, widths, left)
    return out


def _least(column: list[str], heading: str, left: bool) -> int:
    """How narrow a column can be made: numbers stay whole, and so do words."""
    longest = max((cells(word) for word in heading.split()), default=0)
    for cell in column:
        longest = max(longest, *(map(cells, cell.split() if left else [cell])), 0)
    return max(longest, min(NARROW, max(map(cells, [heading, *column])))) if left else longest


def _line(row: Sequence[str], widths: Sequence[int], left: Sequence[bool]) -> str:
    parts = []
    for cell, width, at_left in zip(row, widths, left, strict=True):
        blanks = " " * (width - cells(cell))
        parts.append(cell + blanks if at_left else blanks + cell)
    return (" " * GAP).join(parts).rstrip()


def _wrapped_row(
    row: Sequence[str], widths: Sequence[int], left: Sequence[bool], at_bottom: bool = False
) -> list[str]:  # fmt: skip
    parts = [wrapped(cell, width) for cell, width in zip(row, widths, strict=True)]
    height = max(map(len, parts))
    filled = [[""] * (height - len(p)) + p if at_bottom else p + [""] * (height - len(p)) for p in parts]
    return [_line([part[i].strip() for part in filled], widths, left) for i in range(height)]


def _record(row: Sequence[str], header: Sequence[str] | None, columns: int) -> list[str]:
    """A row by itself: its first cell, then the others under it."""
    if not header:
        return wrapped((" " * GAP).join(cell for cell in row if cell), columns, GAP)
    told = [f"{heading} {cell}".strip() for heading, cell in zip(header[1:], row[1:], strict=True) if cell]
    tied = [cell.replace(" ", NO_BREAK) if cells(cell) <= columns // 2 else cell for cell in told]
    rest = wrapped(" " * GAP + "; ".join(tied), columns, GAP)
    head = f"{header[0]}: {row[0]}" if header[0] else row[0]
    return [*wrapped(head, columns, GAP), *(line.replace(NO_BREAK, " ") for line in rest)]
