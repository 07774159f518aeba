"""A table whose columns stand under one another, apart by spaces, as cells."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator
from itertools import islice

LONGEST = 200_000  # lines; a longer table is no listing for people
_APART = re.compile(r" {2,}")
_SAID = re.compile(r":(?: |$)")
_RULED = re.compile(r"[-=_ ]+")


def aligned(lines: Iterable[str]) -> Iterator[list[str]]:
    """The cells of each line of a listing.

    Cells are apart by two spaces or more, or, where that parts nothing, by one. Where a line has fewer than most, a
    cell may be blank: it is cut where the fullest lines are blank, and is one cell where that cuts a word, or where the
    line says something ("HI: 1.543").

    >>> list(aligned(["Stn    Hgt of inst", "A1     1.543", "A2", "A3     1.6"]))
    [['Stn', 'Hgt of inst'], ['A1', '1.543'], ['A2', ''], ['A3', '1.6']]
    >>> list(aligned(["# stn hi", "A1 1.543"]))
    [['stn', 'hi'], ['A1', '1.543']]
    """
    taken = [line.rstrip("\r\n").expandtabs(8).rstrip() for line in islice(lines, LONGEST + 1)]
    if len(taken) > LONGEST:
        raise csv.Error(f"more than {LONGEST} lines of a listing")
    count = [0 if _RULED.fullmatch(line) else len(_APART.split(line.strip())) for line in taken]
    most = max(count, default=0)
    if sum(cells == 1 for cells in count) * 2 > sum(cells > 0 for cells in count):
        yield from (line.lstrip("# ").split() for line in taken)
        return
    full = [i for i, cells in enumerate(count) if cells == most]
    gaps = _gaps([taken[i] for i in full])
    first = next((i for i, cells in enumerate(count) if cells > most // 2), len(taken))
    for i, line in enumerate(taken):
        cells = [cell.strip() for cell in _APART.split(line.strip())]
        if i >= first and 0 < count[i] < most:  # a cell may be blank: where cells stand tells which
            cuts = [] if len(gaps) + 1 < most or any(_SAID.search(cell) for cell in cells) else _cuts(line, gaps)
            ends = zip([0, *cuts], [*cuts, len(line) + 1], strict=True)
            cells = [line[a:b].strip() for a, b in ends] if cuts else [line.strip()]
        yield cells if line.strip() else []


def _gaps(lines: list[str]) -> list[tuple[int, int]]:
    """Places that are blank in every one of the fullest lines, two together at least, behind the first cell."""
    width = max(map(len, lines), default=0)
    blank = "".join(" " if all(i >= len(line) or line[i] == " " for line in lines) else "x" for i in range(width))
    return [match.span() for match in re.finditer(r"(?<=x) {2,}(?=x)", blank)]


def _cuts(line: str, gaps: list[tuple[int, int]]) -> list[int]:
    """Where a line is cut: in each gap at a blank, the last one that the line has there; [] where it has none."""
    cuts = []
    for start, end in gaps:
        at = next((i for i in range(end - 1, start - 2, -1) if i >= len(line) or line[i] == " "), None)
        if at is None:
            return []
        cuts.append(at)
    return cuts
