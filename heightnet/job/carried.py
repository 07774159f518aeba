"""Cells left blank, or with a ditto mark, under one that holds for them: a book names a set-up on its first row alone.

Nothing is carried down unless the mapping says so; where blanks look like it, a person is asked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from heightnet.errors import Question
from heightnet.job.mapping import line_for, told
from heightnet.job.problems import Problems
from heightnet.job.recognise import Found
from heightnet.ledger.recorded import Table

DITTO = ("", '"', "''", "”", "″", "do", "do.", "ditto", '-"-', '--"--')


def ask_of_carried(
    found: Mapping[int, Found], header: Sequence[str], first: Sequence[Sequence[str]], table: Table, file: str,
    header_row: int, problems: Problems,
) -> None:  # fmt: skip
    """A problem for each column of what belongs to a set-up that is blank below a cell that is filled."""
    cells = {i: [_cell(row, i) for row in first if any(row)] for i, one in found.items() if one.column.of_setup}
    for i in cells:
        if found[i].column.required and all(text.casefold() not in DITTO for text in cells[i]):
            return  # every row names its set-up, and what holds for that may be said once
    for i, texts in cells.items():
        blanks = [text.casefold() in DITTO for text in texts]
        if found[i].meant.carried or not blanks or blanks[0] or not any(blanks):
            continue
        heading, proposal = header[i].strip(), f"{told(found[i].meant)}, carried"
        said = f"the cells of {heading!r} are blank below the first of each set-up"
        problems.add(
            file, header_row, heading, "blank cells", "the same on every row, or that a cell holds for those below it",
            f"A book writes what belongs to a set-up once. If that is so here, write "
            f"{line_for(table.name, heading, proposal)}.",
            question=Question(
                table.name, heading, f"{file}: {said}.", proposal,
                "Does each hold for the rows below it? Enter for yes",
            ),
        )  # fmt: skip


class Carrier:
    """Fills blank cells from above, batch after batch; a new set-up begins with nothing carried."""

    def __init__(self, found: Mapping[int, Found]) -> None:
        self.columns = [i for i, one in found.items() if one.meant.carried]
        self.names = [i for i, one in found.items() if one.column.of_setup == "name"]
        self.above: dict[int, str] = {}

    def fill(self, cells: Sequence[list[str]]) -> Sequence[list[str]]:
        """Rows of one width with what is carried down in its place."""
        if not self.columns:
            return cells
        out = []
        for row in cells:
            named = {i: row[i].strip() for i in self.names if row[i].strip().casefold() not in DITTO}
            if any(self.above.get(i) != text for i, text in named.items()):
                self.above = {}
            self.above |= named
            self.above |= {i: row[i] for i in self.columns if row[i].strip().casefold() not in DITTO}
            filled = list(row)
            for i in self.columns:
                filled[i] = self.above.get(i, "")
            out.append(filled)
        return out


def _cell(row: Sequence[str], i: int) -> str:
    return row[i].strip() if i < len(row) else ""
