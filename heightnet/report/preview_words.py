"""What the first rows of a file are read as, in lines for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from heightnet.job.preview import Preview
from heightnet.report.console import one_line

LONGEST = 24  # characters of a cell that are shown


def preview_lines(preview: Preview) -> Iterator[str]:
    """A line for each heading, then its cells as the file has them and as they are read.

    >>> from heightnet.job.preview import Preview, Seen
    >>> seen = (Seen("Pole (ft)", ("5.25", "6.00"), "target_height", ("1.6002", "1.8288"), "m"), Seen("Code", ("", "")))
    >>> for line in preview_lines(Preview("shots", "day.csv", (2, 3), seen, frozenset(), ())):
    ...     print(line)
    day.csv is read as shots; its first rows, 2 to 3:
      'Pole (ft)' is target_height, in m
         in the file   5.25 | 6.00
         read as       1.6002 | 1.8288
      not used: Code
    """
    rows = preview.rows
    which = f"; its first rows, {rows[0]} to {rows[-1]}:" if rows else "; it has no rows."
    yield f"{one_line(preview.file)} is read as {preview.table}{which}"
    for seen in preview.headings:
        if seen.column:
            yield f"  {seen.heading!r} is {seen.column}{f', in {seen.unit}' if seen.unit else ''}"
            if seen.after and seen.after != seen.before:
                yield f"     in the file   {_cells(seen.before)}"
                yield f"     read as       {_cells(seen.after)}"
            else:
                yield f"     {_cells(seen.before)}"
    if unused := [one_line(seen.heading) for seen in preview.headings if not seen.column]:
        yield f"  not used: {', '.join(unused)}"


def _cells(cells: tuple[str, ...]) -> str:
    return " | ".join(one_line(cell)[:LONGEST] or "(blank)" for cell in cells)
