"""What of a sheet is read: struck-out cells are blank, rows and columns not seen are read or left out; it is said."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from heightnet.job.problems import Problems
from heightnet.job.readers.marked import Marked

SHOWN = 8  # of rows or cells listed in one sentence
OF_ROWS, OF_COLUMNS = "rows not seen in the sheet that are read", "columns not seen in the sheet that are read"
STRUCK = "struck out in the sheet"


class Sieve:
    """Of one sheet, what is let through.

    Parameters
    ----------
    marked : what the sheet marks.
    hidden : "read" or "skip" where somebody decided about what is not seen; "": it is read, with a doubt each.
    said_by : who decided, for notes.
    file, problems : where things are said.
    """

    def __init__(self, marked: Marked, hidden: str, said_by: str, file: str, problems: Problems) -> None:
        self.marked, self.hidden, self.said_by = marked, hidden, said_by
        self.file, self.problems = file, problems
        self.headings: Sequence[str] = ()
        self.dropped: set[int] = set()  # columns that are left out
        self._values: dict[int, dict[int, Any]] = {}  # of struck-out cells, by row and column
        self._unseen: list[str] = []  # rows and columns somebody decided about, as they are listed

    def anew(self, problems: Problems) -> Sieve:
        """The same, with nothing said yet."""
        return Sieve(self.marked, self.hidden, self.said_by, self.file, problems)

    def cells(self, row: int, cells: Sequence[Any]) -> Sequence[Any]:
        """The cells of a row, struck-out ones blank, partly struck-out ones with what stands beside."""
        if not self.seen(row):
            self._leave_out((cell.value for cell in cells), f"is hidden in {self.file}, row {row}, and left out")
        struck = self.marked.struck.get(row)
        if not struck:
            return cells
        from openpyxl.cell.read_only import EMPTY_CELL, ReadOnlyCell

        left = list(cells)
        self._values[row] = {i: left[i].value for i in struck if i < len(left)}
        self._leave_out(self._values[row].values(), f"is struck out in {self.file}, row {row}")
        for i in self._values[row]:
            rest = struck[i][1]
            left[i] = ReadOnlyCell(left[i].parent, row, i + 1, rest, "s", 0) if rest else EMPTY_CELL
        return left

    def seen(self, row: int) -> bool:
        """Whether a row is read, as far as it is a question of what the sheet shows."""
        return self.hidden != "skip" or row not in self.marked.hidden

    def head(self, row: int, names: Sequence[str]) -> None:
        """The headings have been found in a row; names : the columns they mean, or the headings where that is open."""
        if (how := self.marked.hidden.get(row)) is not None:
            kind = "understood" if self.hidden else "doubt"
            self.problems.note(kind, f"row {row}, the headings, is {how} in the sheet; it is read", self.file, row)
        for i, value in self._values.get(row, {}).items():
            if not self.marked.struck[row][i][1]:
                self.dropped.add(i)
                text = f"the heading {_text(value)} ({letter(i + 1)}{row}) is {STRUCK}: its column is not read"
                self.problems.note("understood", text, self.file, row)
        for i in sorted(self.marked.columns - self.dropped):
            name = names[i] if i < len(names) else ""
            if name.casefold().startswith("note") or not (name or self.hidden == "skip"):
                continue
            called = f"column {name} ({letter(i + 1)})" if name else f"column {letter(i + 1)}"
            if self.hidden == "skip":
                self.dropped.add(i)
                cause = "Its column is hidden in the sheet, and hidden ones are left out."
                self.problems.because(self.file, row, name, cause)
            if self.hidden:
                self._unseen.append(called)
            else:
                self._doubt(called, "hidden", row, OF_COLUMNS)

    def reads(self, row: int, texts: Sequence[str], filled_down: Iterable[int]) -> bool:
        """Whether a row is read; says what is struck out in it, and that it is not seen.

        texts : what of its cells is read.  filled_down : columns whose cell belongs to further rows too.
        """
        how = self.marked.hidden.get(row)
        if how and self.hidden:
            self._unseen.append(f"row {row}")
            if self.hidden == "skip":
                return False
        if row in self.marked.struck and not self._struck_out(row, texts, filled_down):
            return False
        if how and not self.hidden:
            self._doubt(f"row {row}", how, row, OF_ROWS)
        return True

    def _struck_out(self, row: int, texts: Sequence[str], filled_down: Iterable[int]) -> bool:
        """Say what is struck out in a row; whether anything else stands in it."""
        struck = self.marked.struck[row]
        values = {i: value for i, value in self._values[row].items() if i not in self.dropped}
        listed = _few([_told(self._called(i), v, *struck[i], f"{letter(i + 1)}{row}") for i, v in values.items()])
        if values and {i for i, text in enumerate(texts) if text.strip()} <= {*filled_down}:
            text = f"the whole row is {STRUCK} and not read: {listed}"
            self.problems.note("understood", text, self.file, row, like=STRUCK)
            return False
        if values:
            self.problems.note("understood", f"{STRUCK} and not read: {listed}", self.file, row, like=STRUCK)
        for i in values:
            if not struck[i][1]:
                self.problems.because(self.file, row, self._called(i), "It is struck out in the sheet.")
        return True

    def say(self) -> None:
        """Notes on the sheet as a whole, once its rows have been read."""
        if self._unseen:
            what = "left out" if self.hidden == "skip" else "read like the others"
            text = f"hidden in the sheet and {what}, as {self.said_by} says: {_few(self._unseen)}"
            self.problems.note("understood", text, self.file)
        if self.marked.ruled:
            text = f"a rule of the sheet strikes out cells of {self.marked.ruled} by a condition; all of them are read"
            self.problems.note("doubt", text, self.file)

    def _leave_out(self, values: Iterable[Any], why: str) -> None:
        """What is not read may be what another table names."""
        for value in values:
            if isinstance(value, str):
                self.problems.left_out(value.strip(), why)

    def _called(self, i: int) -> str:
        return (self.headings[i] if i < len(self.headings) else "") or letter(i + 1)

    def _doubt(self, what: str, how: str, row: int, like: str) -> None:
        text = f"{what} is {how} in the sheet; it is read like the others; --hidden skip leaves such out"
        self.problems.note("doubt", text, self.file, row, like)


def letter(column: int) -> str:
    from openpyxl.utils import get_column_letter

    return get_column_letter(column)


def _told(called: str, value: Any, out: str, rest: str, place: str) -> str:
    beside = f"; {rest} beside it is read" if rest else ""
    return f"{called} {out or _text(value)} ({place}{beside})"


def _text(value: Any) -> str:
    text = str(value).strip()
    return text if len(text) <= 40 else f"{text[:37]}..."


def _few(listed: Sequence[str]) -> str:
    more = f" and {len(listed) - SHOWN} more" if len(listed) > SHOWN else ""
    return ", ".join(listed[:SHOWN]) + more
