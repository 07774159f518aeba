"""A table in a file as it was found: its layout is known, its rows are still to be read."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import chain

from heightnet.errors import Question
from heightnet.job.body import Body
from heightnet.job.convert import Batch, Sheet
from heightnet.job.decimals import look
from heightnet.job.headings import keys, nothing_under
from heightnet.job.layout import Layout, columns_of
from heightnet.job.mapping import FILE as COLUMNS
from heightnet.job.mapping import Columns
from heightnet.job.problems import Problems
from heightnet.ledger.recorded import Table
from heightnet.ledger.settings import Units


class FoundTable(ABC):
    """One table of a text file, or a sheet.

    name : of the file or sheet, for messages.  rivals : other tables of which its headings name as much.
    found : it is an export as it was found, no table of a job.
    """

    def __init__(self, name: str, layout: Layout, rivals: Sequence[Table], found: bool, problems: Problems) -> None:
        self.name, self.layout, self.rivals, self.found, self.problems = name, layout, rivals, found, problems

    @abstractmethod
    def above(self) -> list[tuple[int, list[str]]]:
        """Rows above the headings, with their numbers."""

    @abstractmethod
    def below(self, problems: Problems) -> Iterator[Batch]:
        """Rows below the headings; begun anew with each call."""

    @abstractmethod
    def has_commas(self) -> bool:
        """Whether a comma may stand in a number."""

    @property
    @abstractmethod
    def heading_row(self) -> int: ...

    def titles(self) -> list[list[str]]:
        return [cells for _, cells in self.above()]

    def readings(self) -> Iterator[list[str]]:
        """The first rows below the headings in which numbers stand where each must have one."""
        named = columns_of(self.layout.header, self.layout.table, {})
        must = [i for i, column in enumerate(named) if column and column.required and column.numeric]
        for cells in next(self.below(Problems()), Batch((), ())).cells:
            if all(i < len(cells) and cells[i].strip()[:1].isdigit() for i in must):
                yield cells

    def sheet(self, units: Units, columns: Columns) -> Sheet | None:
        """The table, its rows still to be read; None (and a problem) where its decimal sign is open."""
        layout, table = self.layout, self.layout.table.name
        decimal = columns.decimal or self._decimal(units, columns)
        if decimal is None:
            return None
        body = Body(layout, columns.export_of(table), self.name, self.problems, columns.of(table), self.found)
        body.above(self.above())
        rows = body.rows(self.below(self.problems))
        begun = next(rows, Batch((), ()))
        blank = nothing_under(layout.table, body.header, begun.cells)
        return Sheet(
            self.name, body.header, self.heading_row, chain([begun], rows), decimal, bool(columns.decimal),
            blank=blank, found=self.found, of_lines=len(body.lines.names),
        )  # fmt: skip

    def _decimal(self, units: Units, columns: Columns) -> str | None:
        """The decimal sign of a file in whose numbers there are commas; None (and a problem) where it is open."""
        if not self.has_commas():
            return ""
        layout, problems = self.layout, self.problems
        named = columns_of(layout.header, layout.table, columns.of(layout.table.name))
        numeric = {i: column for i, column in enumerate(named) if column and column.numeric}
        rows = ((row, cells) for batch in self.below(Problems()) for row, cells in zip(*batch, strict=True))
        places = look(rows, numeric, units)
        if places.decided == "," or (places.decided and ("," in places.shown or places.open)):
            told = "1,5 is read as one and a half" if places.decided == "," else "1,500.5 is read as 1500.5"
            problems.note("understood", told, self.name, (places.shown or places.likely)[places.decided][0])
        elif len(places.shown) > 1:
            (row, i, cell), (other, j, there) = places.shown[","], places.shown["."]
            problems.add(
                self.name, row, layout.header[i].strip(), cell, "one decimal sign in all numbers of a file",
                f"Row {other} has {there} under {layout.header[j].strip()}. Write all numbers alike.",
            )  # fmt: skip
            return None
        elif not places.decided and places.open:
            self._ask_of_comma(*places.open)
            return None
        return places.decided

    def _ask_of_comma(self, row: int, i: int, cell: str) -> None:
        heading = self.layout.header[i].strip()
        text = f"{self.name}, row {row}, {heading}: {cell} is {cell.replace(',', '.')}, or {cell.replace(',', '')}"
        self.problems.add(
            self.name, row, heading, cell, "numbers that show what their comma is",
            f"Nothing in the file says whether it is {cell.replace(',', '.')} or {cell.replace(',', '')}. Write "
            f'decimal = "," into {COLUMNS} for the first, decimal = "." for the second.',
            question=Question("", "decimal", f"{text}: nothing in the file says which", "",
                              "What is the decimal sign", (",", ".")),
        )  # fmt: skip


def joined(tables: Sequence[FoundTable], units: Units, columns: Columns, problems: Problems) -> Sheet | None:
    """One table of the rows of several files; rows of the later ones are counted on."""
    sheets = [sheet for one in tables if (sheet := one.sheet(units, columns))]
    if len(sheets) < len(tables):
        return None
    whole = sheets[0]
    if len(sheets) == 1:
        return whole
    headings = set(keys(whole.header))
    for other in sheets[1:]:
        if extra := [key for key in keys(other.header) if key and key not in headings]:
            problems.add(
                other.file, other.header_row, extra[0], ", ".join(extra), f"the headings of {whole.file}",
                "Files that are read together as one table have the same headings.",
            )  # fmt: skip
    if len({sheet.decimal for sheet in sheets} - {""}) > 1:
        problems.add(whole.file, None, "", "both", "one decimal sign in files that are read together")
    name = " with ".join(sheet.file for sheet in sheets)
    decimal = max(sheet.decimal for sheet in sheets)
    batches = _one_after_another(sheets, problems)
    return replace(whole, file=name, batches=batches, decimal=decimal)


def _one_after_another(sheets: Sequence[Sheet], problems: Problems) -> Iterable[Batch]:
    header, last = keys(sheets[0].header), 0
    for sheet in sheets:
        place = {key: i for i, key in enumerate(keys(sheet.header))}
        order, before = [place.get(key, -1) for key in header], last
        if before:
            problems.note("understood", f"its row 1 is counted as row {before + 1} of the whole", sheet.file)
        for batch in sheet.batches:
            rows = [row + before for row in batch.rows]
            cells = [[row[i] if 0 <= i < len(row) else "" for i in order] for row in batch.cells]
            last = max([last, *rows])
            yield Batch(rows, cells)
