"""What a reader hands over: settings first, then each table as text; from it come a job's columns, or a folder."""

from __future__ import annotations

import csv
from collections.abc import Callable, Collection, Iterable
from pathlib import Path

from heightnet.job.convert import Raw, Sheet, convert, empty
from heightnet.job.headings import known_headings, plain_heading
from heightnet.job.mapping import Columns
from heightnet.job.problems import Problems
from heightnet.job.write import protect
from heightnet.ledger.recorded import TABLES
from heightnet.ledger.settings import Settings


class Intake:
    """Takes in a job's tables as columns of numbers and names.

    Parameters
    ----------
    labels : what each table is called where its reader does not say so itself.
    known : marks whose recorded height is known, as the person says; for readers of files that do not say.

    ``hidden`` and ``ask`` are as for `heightnet.job.read.read_job`.  A reader calls `set_up` at most once and before
    any table, then `take` for each table; it may leave in ``log`` what became of each part of the file.
    """

    def __init__(self, labels: dict[str, str], known: Collection[str] = ()) -> None:
        self.problems = Problems()
        self.known = frozenset(known)
        self.settings, self.settings_file = Settings(), "job.toml"
        self.raw: dict[str, Raw] = {table: empty(table) for table in TABLES}
        for table, label in labels.items():
            self.raw[table].file = label
        self.columns = Columns()
        self.hidden = ""
        self.ask: Callable[[str], str] | None = None
        self.log: Iterable[str] = ()

    def set_up(self, settings: Settings, file: str) -> None:
        self.settings, self.settings_file = settings, file

    def about_hidden(self, found: str) -> tuple[str, str]:
        """What becomes of what a file has and does not show, and who says so.

        found : what there is, in words, "" for nothing.

        "read" or "skip"; "" where nobody says: it is read, and each is a doubt.  A person who is there is asked.
        """
        if self.hidden:
            return self.hidden, "--hidden"
        if self.columns.hidden:
            return self.columns.hidden, self.columns.said
        if found and self.ask:
            return self.ask(found), "the answer"
        return "", ""

    def take(self, table: str, sheet: Sheet) -> None:
        """Read every row of a table."""
        self.problems.speak(sheet.file, sheet.counts, sheet.called)
        sheet.meant = self.columns.of(table)
        if used := [heading.strip() for heading in sheet.header if heading.strip() in sheet.meant]:
            told = (
                f"headings read as {self.columns.said} says: {', '.join(used)}; change that file to read them otherwise"
            )
            self.problems.note("understood", told, sheet.file)
        self.raw[table] = convert(sheet, TABLES[table], self.settings.units, self.problems)


class Copy(Intake):
    """Writes the tables, as text, into a folder."""

    def __init__(self, labels: dict[str, str], folder: Path, known: Collection[str] = ()) -> None:
        super().__init__(labels, known)
        self.folder = folder

    def take(self, table: str, sheet: Sheet) -> None:
        with (self.folder / f"{table}.csv").open("w", encoding="utf-8", errors="replace", newline="") as stream:
            # where a comma may be a decimal sign it cannot stand between cells
            rows = csv.writer(stream, delimiter=";" if sheet.decimal_comma else ",", lineterminator="\n")
            rows.writerow(sheet.header)
            known = known_headings(TABLES[table], sheet.header, sheet.blank)
            columns = [known.get(plain_heading(heading)) for heading in sheet.header]
            numeric = {i for i, column in enumerate(columns) if column and column.numeric}
            for batch in sheet.batches:
                rows.writerows([_guarded(c, i in numeric) for i, c in enumerate(cells)] for cells in batch.cells)


def _guarded(cell: str, number: bool) -> str:
    return cell if number or cell.startswith("'") else protect(cell)
