"""Cells left blank, or with a ditto mark, under one that holds for them: a book names a set-up on its first row alone.

Nothing is carried down unless the mapping says so; where blanks look like it, a person is asked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from heightnet.errors import Question
from heightnet.job.headings import cell_at, is_ditto
from heightnet.job.mapping import line_for, told
from heightnet.job.problems import Problems
from heightnet.job.recognise import Found
from heightnet.ledger.recorded import Table

if TYPE_CHECKING:
    from heightnet.job.convert import Sheet


def ask_of_carried(
    found: Mapping[int, Found], sheet: Sheet, first: Sequence[Sequence[str]], table: Table, problems: Problems
) -> None:  # fmt: skip
    """A problem for each column of what belongs to a set-up that is blank below a cell that is filled."""
    own = len(sheet.header) - sheet.of_lines  # what a line said holds until the next one says so
    cells = {i: [cell_at(row, i).casefold() for row in first if any(row)] for i in found if i < own}
    ditto = is_ditto if sheet.found else lambda _: False
    of_setup = {i for i in cells if found[i].column.of_setup}
    if any(found[i].column.required and all(text and not ditto(text) for text in cells[i]) for i in of_setup):
        of_setup = set()  # every row names its set-up, and what holds for that may be said once
    for i, texts in cells.items():
        blanks = [ditto(text) or (not text and i in of_setup) for text in texts]
        if found[i].meant.carried or not blanks or blanks[0] or not any(blanks):
            continue
        heading, proposal = sheet.header[i].strip(), f"{told(found[i].meant)}, carried"
        said = f"cells of {heading!r} are blank, or hold a ditto mark, below one that is filled"
        problems.add(
            sheet.file, sheet.header_row, heading, "blank cells or ditto marks",
            "the same on every row, or that a cell holds for those below it",
            f"A book writes what belongs to a set-up once. If that is so here, write "
            f"{line_for(table.name, heading, proposal)}.",
            question=Question(
                table.name, heading, f"{sheet.file}: {said}.", proposal,
                "Does each hold for the rows below it? Enter for yes",
            ),
        )  # fmt: skip


class Carrier:
    """Fills cells from above, batch after batch: ditto marks, and blanks in what belongs to a set-up; with a new set-up
    nothing of the last one is carried on."""

    def __init__(self, found: Mapping[int, Found]) -> None:
        self.columns = [i for i, one in found.items() if one.meant.carried]
        self.names = [i for i, one in found.items() if one.column.of_setup == "name"]
        self.of_setup = {i for i, one in found.items() if one.column.of_setup}
        self.above: dict[int, str] = {}

    def fill(self, cells: Sequence[list[str]]) -> Sequence[list[str]]:
        """Rows of one width with what is carried down in its place."""
        return [self._filled(row) for row in cells] if self.columns else cells

    def _filled(self, row: list[str]) -> list[str]:
        named = {i: row[i].strip() for i in self.names if _says(row[i])}
        if any(self.above.get(i) != text for i, text in named.items()):
            self.above = {i: text for i, text in self.above.items() if i not in self.of_setup}
        self.above |= named | {i: row[i] for i in self.columns if _says(row[i])}
        filled = list(row)
        for i in self.columns:
            if i in self.of_setup or row[i].strip():
                filled[i] = self.above.get(i, "")
        return filled


def _says(cell: str) -> bool:
    """Whether a cell says something of its own."""
    return bool(cell.strip()) and not is_ditto(cell)
