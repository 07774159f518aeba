"""What a reader hands over: settings first, then each table as text; from it come a job's columns, or a folder."""

from __future__ import annotations

import csv
from collections.abc import Callable, Collection, Iterable
from itertools import chain
from pathlib import Path

from heightnet.job.convert import Batch, Raw, Sheet, convert, empty
from heightnet.job.headings import is_ditto
from heightnet.job.mapping import Columns
from heightnet.job.preview import Preview, seen_before
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
        self.further: list[Path] = []  # files that are read with the first, besides those its mapping names
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
        self.raw[table] = convert(self.mapped(table, sheet), TABLES[table], self.settings.units, self.problems)

    def mapped(self, table: str, sheet: Sheet) -> Sheet:
        """The sheet with what the job's mapping says of its headings, which is said."""
        self.problems.speak(sheet.file, sheet.counts, sheet.called)
        sheet.meant = self.columns.of(table)
        if used := [heading.strip() for heading in sheet.header if heading.strip() in sheet.meant]:
            told = (
                f"headings read as {self.columns.said} says: {', '.join(used)}; change that file to read them otherwise"
            )
            self.problems.note("understood", told, sheet.file)
        return sheet


class Copy(Intake):
    """Writes the tables, as text, into a folder; what a person must be asked is a problem.

    previews : of each table, what its first rows became.
    """

    def __init__(self, labels: dict[str, str], folder: Path, known: Collection[str] = ()) -> None:
        super().__init__(labels, known)
        self.folder = folder
        self.previews: list[Preview] = []

    def take(self, table: str, sheet: Sheet) -> None:
        sheet = self.mapped(table, sheet)
        batches = iter(sheet.batches)
        begun = next(batches, Batch((), ()))
        seen = seen_before(sheet, begun, TABLES[table], self.settings.units)
        self.previews.append(seen)
        for problem in seen.asked:
            self.problems.again(problem)
        with (self.folder / f"{table}.csv").open("w", encoding="utf-8", errors="replace", newline="") as stream:
            # where a comma may be a decimal sign it cannot stand between cells
            rows = csv.writer(stream, delimiter=";" if sheet.decimal == "," else ",", lineterminator="\n")
            rows.writerow(sheet.header)
            for batch in chain([begun], batches):
                rows.writerows([_guarded(c, i in seen.numeric) for i, c in enumerate(cells)] for cells in batch.cells)


def _guarded(cell: str, number: bool) -> str:
    return cell if number or is_ditto(cell) or cell.startswith("'") else protect(cell)
