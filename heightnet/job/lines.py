"""What lines of their own say between the rows of a table, "Setup: S1  HI: 1.543": it holds for the rows below."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from heightnet.errors import Question
from heightnet.job.headings import known_headings, plain_heading, without_unit
from heightnet.job.layout import Layout
from heightnet.job.mapping import Export, file_line
from heightnet.job.problems import Problems
from heightnet.ledger.recorded import Column

_SAID = re.compile(r"(.*?)\s*[:=]\s*(\S.*)?")
_NUMBER = re.compile(r"[+-]?[\d.,]+")


class Lines:
    """Hears lines and keeps what they say.

    names : what a person said of it: names of what is said, and columns of lines written as a person described them.
    """

    def __init__(
        self, layout: Layout, columns: Sequence[Column | None], export: Export, file: str, problems: Problems
    ) -> None:  # fmt: skip
        self.table, self.file, self.problems = layout.table, file, problems
        self.every = known_headings(layout.table)
        self.given = {column.name for column in columns if column}
        self.skip = tuple(word.casefold() for word in export.skip)
        self.patterns = [_pattern(text) for text in export.above if "{" in text]
        plain = [text for text in export.above if "{" not in text]
        self.names = [*plain, *dict.fromkeys(name for one in self.patterns for name in one.groupindex)]
        self._said: dict[str, str] = {}
        self._asked: set[str] = set()
        self._below_rows = False

    def said(self) -> list[str]:
        """What holds for the row that follows, in the order of ``names``."""
        self._below_rows = True
        return [self._said.get(name, "") for name in self.names]

    def hear(self, row: int, cells: Sequence[str]) -> bool:
        """Take in a line; False where it says nothing of the rows below it."""
        line = " ".join(filter(None, map(str.strip, cells)))
        match = next((match for one in self.patterns if (match := one.fullmatch(line))), None)
        said = match.groupdict() if match else dict(_values(cells))
        if named := {name: value for name, value in said.items() if name in self.names}:
            self._take(named)
            return True
        skipped = {name for name in said if self.skip and name.casefold().startswith(self.skip)}
        lost = {name: column for name in said if name not in skipped and (column := self._lacking(name))}
        for name, column in lost.items():
            self._ask(row, name, said[name], column, list(lost))
        return bool(lost)

    def _take(self, named: dict[str, str]) -> None:
        """Of a new set-up nothing holds on that was said of the last one."""
        names_it = any(
            (column := self._column(name)) is not None and column.of_setup == "name" and self._said.get(name) != value
            for name, value in named.items()
        )
        if names_it and self._below_rows:
            self._said.clear()
        self._said |= named
        self._below_rows = False

    def _column(self, name: str) -> Column | None:
        return self.every.get(plain_heading(without_unit(name)))

    def _lacking(self, name: str) -> Column | None:
        """The column that a name on a line of its own is, where the job would lose it."""
        column = self._column(name)
        wanted = column and (column.vital or column.of_setup == "name") and column.name not in self.given
        return column if column and wanted and not self.given.intersection(column.instead) else None

    def _ask(self, row: int, name: str, value: str, column: Column, together: list[str]) -> None:
        if name in self._asked:
            return
        self._asked.add(name)
        table = self.table.name
        text = f"{self.file}, row {row} says {name}: {value} on a line of its own."
        self.problems.add(
            self.file, row, name, value, f"{column.name} in a column of the table",
            f"It stands on a line of its own. If it holds for the rows below it, write "
            f"{file_line(table, 'above', *together)}; if it does not, {file_line(table, 'skip', name)}.",
            question=Question(f"file.{table}", "above", text, name, "What of it holds for the rows below"),
        )  # fmt: skip


def _pattern(text: str) -> re.Pattern[str]:
    """A line with the names of columns in braces, as what finds their values; blanks may be any number.

    >>> _pattern("{setup}: over {at} (HI {instrument_height} m)").fullmatch("S1:  over K1 (HI 1.587 m)").groups()
    ('S1', 'K1', '1.587')
    >>> _pattern("Instr {setup} at {at}").fullmatch("Instr Slate 1 at K1").groups()
    ('Slate 1', 'K1')
    """
    parts = re.split(r"{(\w+)}", text)
    plain = [re.sub(r"(\\ )+", r"\\s+", re.escape(part)) for part in parts[::2]]
    named = [f"\\s*(?P<{part}>\\S.*?)\\s*" for part in parts[1::2]]
    return re.compile("".join(part for pair in zip(plain, [*named, ""], strict=True) for part in pair))


def _values(cells: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Names and values of a line: "HI: 1.587" in one cell, "HI:" and 1.587 in two, or names and values by turns."""
    filled = [part for cell in cells for part in re.split(r" {2,}", cell.strip()) if part]
    by_turns = len(filled) % 2 == 0 and not any(map(_NUMBER.fullmatch, filled[::2]))
    for i, cell in enumerate(filled):
        match = _SAID.fullmatch(cell)
        name, value = (match[1], match[2] or "") if match else (cell, "")
        if not value and i + 1 < len(filled) and (match or (by_turns and i % 2 == 0)):
            value = filled[i + 1]
        if value and name and not _NUMBER.fullmatch(name):
            yield name, value
