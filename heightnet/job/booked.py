"""The arithmetic of a level book: rise, fall, reduced level and line of sight as booked, re-added line by line."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import isnan, nan

import numpy as np
import pandas as pd

from heightnet.ledger.recorded import ONE_SIGHT

EXACT = 0.1  # of the last figure: sums of figures as booked are exact
ROUNDED = 1.01  # of its last figure, where a column is booked to fewer figures than the readings
MOST_FIGURES = 6  # after the point
FIGURES = ("rise", "fall", "reduced_level", "line_of_sight")


@dataclass(frozen=True)
class Slip:
    """A figure that does not follow from those booked before it, m.

    what : one of ``FIGURES``, or "known": the reduced level a run begins with is not the height that marks has.
    """

    run: str
    row: int
    mark: str
    what: str
    booked: float
    makes: float


@dataclass
class _Before:
    """What a run has booked last: a reading and what further readings beside it move it by, and where the staff was.

    levels, lines : the reduced level and the line of sight as booked, and as reckoned: who went on from the right one
        after a slip made no second one.
    """

    reading: float = nan
    spread: float = 0.0
    mark: str = ""
    levels: tuple[float, ...] = ()
    lines: tuple[float, ...] = ()


def slips_of_arithmetic(staff: pd.DataFrame, marks: pd.DataFrame, metre: float = 1.0) -> tuple[list[Slip], int]:
    """Figures of a book that are reckoned wrong, each against the figures booked before it; and how many were re-added.

    A rise or fall is the reading before less this one; a reduced level the one before with the booked rise or fall,
    else the line of sight less the reading; a line of sight the reduced level of a back sight with its reading.  So a
    slip is found in the line where it was made, and what follows from it is not told again.  Common practice of both
    ways of booking.

    staff, marks : the job's tables, m.
    metre : one unit of length of the job, in whose figures it is booked, m.

    >>> book = pd.DataFrame({"run": "", "level_setup": "1", "sight": ["BS", "FS"], "mark": ["A", "B"], "row": [2, 3],
    ...     "reading": [1.500, 0.900], "rise": [nan, 0.600], "fall": nan, "reduced_level": [10.0, 10.500],
    ...     "line_of_sight": nan})
    >>> [(s.row, s.what, s.makes) for s in slips_of_arithmetic(book, pd.DataFrame({"mark": [], "height": []}))[0]]
    [(3, 'reduced_level', 10.6)]
    """
    known = dict(zip(marks["mark"], marks["height"], strict=True))
    allowed = _allowed(staff, metre)
    mean = staff.groupby(ONE_SIGHT, sort=False)["reading"].transform("mean")
    first = staff.assign(spread=(mean - staff["reading"]).abs())[~staff.duplicated(ONE_SIGHT)]
    runs: dict[str, _Before] = {}
    slips, count = [], 0
    columns = ("run", "row", "mark", "sight", "reading", "spread", *FIGURES)
    for run, row, mark, sight, reading, spread, *booked in zip(*(first[c].tolist() for c in columns), strict=True):
        before = runs.setdefault(run, _Before())
        slack = spread + before.spread
        line = _back(before, mark, reading, known.get(mark, nan), *booked[2:]) if sight == "BS" else None
        for what, figure, makes in line or _fore(before, reading, *booked):
            count += 1
            if min(abs(figure - one) for one in makes) > allowed[what] + slack:
                slips.append(Slip(run, row, mark, what, figure, makes[0]))
        before.reading, before.spread, before.mark = reading, spread, mark
    return slips, count


Figure = tuple[str, float, tuple[float, ...]]
"""What is booked, its figure, and what the figures before it make, those as booked first."""


def _back(before: _Before, mark: str, reading: float, known: float, level: float, line: float) -> Iterator[Figure]:
    """The line of a back sight: where the run begins, or goes on from where the staff stood."""
    begins = not before.levels or before.mark != mark
    makes = (() if isnan(known) else (known,)) if begins else before.levels
    if not isnan(level) and makes and (begins or level != known):
        yield "known" if begins else "reduced_level", level, makes
    before.levels = makes if isnan(level) else (level,)
    before.lines = tuple(one + reading for one in before.levels)
    if not isnan(line):
        if before.lines:
            yield "line_of_sight", line, before.lines
        before.lines = (line, *before.lines)


def _fore(before: _Before, reading: float, rise: float, fall: float, level: float, _: float) -> Iterator[Figure]:
    """The line of an intermediate sight or a fore sight."""
    difference = before.reading - reading
    changes = [(what, change) for what, change in (("rise", rise), ("fall", -fall)) if not isnan(change)]
    changes = [one for one in changes if one[1]] or changes[:1]
    for what, by in changes if not isnan(difference) else ():
        yield what, abs(by), (abs(difference) if by * difference >= 0 else -abs(difference),)
    if changes:
        makes = tuple(one + by for by in (sum(by for _, by in changes), difference) for one in before.levels)
    else:
        makes = tuple(one - reading for one in before.lines)
    if not isnan(level):
        if makes:
            yield "reduced_level", level, makes
        makes = (level, *makes[:1])
    before.levels = makes[:2]


def _allowed(staff: pd.DataFrame, metre: float) -> dict[str, float]:
    """By how much a figure may differ, m: by how many figures after the point each column is booked to."""
    read = figures(staff["reading"], metre)
    out = {}
    for what in FIGURES:
        booked = figures(staff[what], metre)
        out[what] = (ROUNDED if booked < read else EXACT) * 10.0 ** -min(booked, read) * metre
    return {**out, "known": out["reduced_level"]}


def figures(values: pd.Series, metre: float) -> int:
    """How many figures after the point the value has that has most."""
    numbers = values.dropna().to_numpy(float) / metre
    fits = (f for f in range(MOST_FIGURES) if np.all(np.abs(numbers - np.round(numbers, f)) < 10.0**-MOST_FIGURES))
    return next(fits, MOST_FIGURES)
