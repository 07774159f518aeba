"""A table whose columns stand under one another, apart by spaces, as cells."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator
from itertools import islice

LONGEST = 200_000  # lines; a longer table is no listing for people
_APART = re.compile(r"(?: {2,}|\t+)")


def aligned(lines: Iterable[str]) -> Iterator[list[str]]:
    """The cells of each line of a listing.

    Cells are apart by two spaces or more. Where lines differ in how many they have, a cell may be blank: then columns
    are cut where every line of the table is blank.

    >>> list(aligned(["Stn    Hgt of inst", "A1     1.543", "A2"]))
    [['Stn', 'Hgt of inst'], ['A1', '1.543'], ['A2']]
    """
    taken = [line.rstrip("\r\n").expandtabs(8).rstrip() for line in islice(lines, LONGEST + 1)]
    if len(taken) > LONGEST:
        raise csv.Error(f"more than {LONGEST} lines of a listing")
    most = max((len(_APART.split(line.strip())) for line in taken), default=0)
    body = [line for line in taken if len(_APART.split(line.strip())) > most // 2]  # titles are not of the table
    cuts = _cuts(body)
    for line in taken:
        cells = [cell.strip() for cell in _APART.split(line.strip())]
        if len(cells) not in (most, 1) and len(cuts) + 1 == most:
            cells = [line[a:b].strip() for a, b in zip([0, *cuts], [*cuts, len(line) + 1], strict=True)]
        yield cells if line.strip() else []


def _cuts(lines: list[str]) -> list[int]:
    """Where columns begin, but for the first: behind each place that is blank in every line."""
    width = max(map(len, lines), default=0)
    used = [False] * (width + 1)
    for line in lines:
        for i, character in enumerate(line):
            used[i] = used[i] or character != " "
    return [i for i in range(1, width) if used[i] and not used[i - 1] and any(used[:i])]
