"""The rows below the headings: which of them are rows of the table, and what is said on lines between them.

Blank rows, ruled lines and headings that come again are passed over. What looks like a total is asked about, and so is
a value on a line of its own ("HI: 1.543"), which may hold for every row below it; nothing is left out in silence.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from heightnet.errors import Question
from heightnet.job.convert import Batch
from heightnet.job.headings import known_headings, plain_heading, without_unit
from heightnet.job.layout import Layout, columns_of
from heightnet.job.mapping import Export, Meant, file_line
from heightnet.job.problems import Problems
from heightnet.ledger.headings import BEGINNINGS, TOTALS, WITH_TOTALS
from heightnet.ledger.recorded import Column

SHOWN = 8  # rows left out that are quoted
FEW_CELLS = 2  # of a row without anything measured, which is then hardly one of the table
_RULED = re.compile(r"[-=_*.+~|\s]+")
_SAID = re.compile(r"(.*?)\s*[:=]\s*(\S.*)?")
_NUMBER = re.compile(r"[+-]?[\d.,]+")
_PAGE = re.compile(r"(?:page|sheet|p\.)\s*\d+(?:\s*(?:of|/)\s*\d+)?", re.IGNORECASE)
_COMMENT = re.compile(r"[#;]")
_MAY_BE_NO_ROW = ("--", "==", "__", "**", *BEGINNINGS)
_DECIMAL = re.compile(r"\d[.,]\d")
_BEGINS_NUMBER = re.compile(r"\s*[+-]?[.,]?\d")


@dataclass
class Body:
    """Goes through the rows below the headings.

    found : the file is an export as it was found, in which lines of words may stand between the rows.
    said : by name, what lines of their own said last.  left_out, passed : rows that a person named, and comments, pages
        and titles that come again.  titles : those above the headings, without digits.  totals : rows that look like
        totals, and what follows them.
    """

    layout: Layout
    export: Export
    file: str
    problems: Problems
    meant: Mapping[str, Meant]
    found: bool = False
    said: dict[str, str] = field(default_factory=dict)
    left_out: list[str] = field(default_factory=list)
    passed: list[str] = field(default_factory=list)
    titles: set[str] = field(default_factory=set)
    totals: list[tuple[int, str]] = field(default_factory=list)
    asked: set[str] = field(default_factory=set)
    ended: bool = False
    after_total: tuple[int, str] | None = None

    def __post_init__(self) -> None:
        table, header = self.layout.table, self.layout.header
        self.every = known_headings(table)
        self.columns = columns_of(header, table, self.meant)
        self.needed = [i for i, c in enumerate(self.columns) if c and c.required and not c.unless]
        self.readings = [i for i, c in enumerate(self.columns) if c and c.numeric and c.vital]
        self.measured = [i for i in self.needed if (c := self.columns[i]) and c.numeric]
        self.heading = [heading.strip() for heading in header]
        self.patterns = [_pattern(text) for text in self.export.above if "{" in text]
        plain = [text for text in self.export.above if "{" not in text]
        self.of_lines = [*plain, *dict.fromkeys(name for one in self.patterns for name in one.groupindex)]
        self.skip, self.ends = (
            tuple(word.casefold() for word in words) for words in (self.export.skip, self.export.ends)
        )

    @property
    def header(self) -> list[str]:
        """The headings, and the names of what is said on lines of their own."""
        return [*self.layout.header, *self.of_lines]

    def above(self, rows: Sequence[tuple[int, Sequence[str]]]) -> None:
        """Hear what lines above the headings say."""
        for row, cells in rows:
            self._hear(row, cells)
            self.titles.add(_without_digits([cell.strip() for cell in cells if cell.strip()]))

    def rows(self, batches: Iterator[Batch]) -> Iterator[Batch]:
        """The rows of the table, with what lines above them said in cells of their own."""
        width = len(self.layout.header)
        for batch in batches:
            if self._plain(batch):
                yield batch
                continue
            rows: list[int] = []
            kept: list[list[str]] = []
            for row, cells in zip(*batch, strict=True):
                if any(map(str.strip, cells)) and self._belongs(row, cells):
                    rows.append(row)
                    kept.append(self._with_said(cells, width) if self.export.above else cells)
            if len(kept) == len(batch.rows) and not self.export.above:
                yield batch
            elif kept:
                yield Batch(rows, kept)
        for what, why in ((self.left_out, "left out, as the mapping says"), (self.passed, "no rows of the table")):
            if what:
                more = f"; and {len(what) - SHOWN} more" if len(what) > SHOWN else ""
                self.problems.note("understood", f"{why}: {'; '.join(what[:SHOWN])}{more}", self.file)
        if self.totals:
            self._ask_of_total("ends", *(self.after_total or self.totals[0]))

    def _with_said(self, cells: list[str], width: int) -> list[str]:
        return [*cells[:width], *[""] * (width - len(cells)), *(self.said.get(name, "") for name in self.of_lines)]

    def _plain(self, batch: Batch) -> bool:
        """A quick look at a table of a job: nothing in all these rows looks like a total, a ruled line or headings."""
        if self.found or self.skip or self.ends or self.totals or self.after_total:
            return False
        text = "\n".join(map("\t".join, batch.cells)).casefold()
        return not any(word in text for word in _MAY_BE_NO_ROW) and not any(
            cells and cells[0] == self.heading[0] for cells in batch.cells
        )

    def _ordinary(self, cells: Sequence[str]) -> bool:
        """A quick look: the numbers that a row must have stand in it, and nothing is asked of rows."""
        if self.skip or self.ends or self.totals or not self.measured:
            return False
        return all(i < len(cells) and _BEGINS_NUMBER.match(cells[i]) for i in self.measured)

    def _belongs(self, row: int, cells: Sequence[str]) -> bool:
        if self._ordinary(cells):
            return True
        filled = [cell.strip() for cell in cells if cell.strip()]
        word = next((text for text in filled if not _NUMBER.fullmatch(text)), filled[0])
        folded = {filled[0].casefold(), word.casefold()}
        if self.ended or any(self.ends and text.startswith(self.ends) for text in folded):
            self.ended = True
            self.left_out.append(f"row {row}: {' '.join(filled)}")
            return False
        if any(self.skip and text.startswith(self.skip) for text in folded):
            if any(map(TOTALS.match, folded)):
                self.after_total = row, word
            self.left_out.append(f"row {row}: {' '.join(filled)}")
            return False
        if (len(filled[0]) > 1 and all(map(_RULED.fullmatch, filled))) or self._is_heading(filled):
            return False
        bare = not any(_BEGINS_NUMBER.match(_cell(cells, i)) for i in self.readings)
        if self.found and bare and self._between(row, cells, filled):
            return False
        return not self._is_total(row, word, cells, bare)

    def _between(self, row: int, cells: Sequence[str], filled: Sequence[str]) -> bool:
        """Whether a line without a reading is a comment, a page, a title again, or says something of the rows below."""
        text = " ".join(filled)
        if _PAGE.fullmatch(text) or _without_digits(filled) in self.titles or _COMMENT.match(text):
            self.passed.append(f"row {row}: {text}")
            return True
        return self._hear(row, cells)

    def _is_heading(self, filled: Sequence[str]) -> bool:
        """Whether the headings come again, as on each page or for each set-up."""
        return len(filled) > 1 and set(filled) <= set(self.heading)

    def _is_total(self, row: int, word: str, cells: Sequence[str], bare: bool) -> bool:
        """Whether it is a total, a line of words, or follows one and is no row either; asked about once that is clear.

        bare : no reading stands in it.
        """
        if self.layout.table.name not in WITH_TOTALS:
            return False
        blank = [not _cell(cells, i) for i in self.needed]
        unnamed = any(missing for missing, i in zip(blank, self.needed, strict=True) if i not in self.measured)
        few = sum(1 for cell in cells if cell.strip()) <= max(FEW_CELLS, len(self.heading) // 3)
        total = TOTALS.match(word.casefold())
        follows = bool(self.totals or self.after_total)
        named_so = total and (total["sure"] or any(blank) or follows)
        of_words = self.found and bare and few and len(_DECIMAL.findall(" ".join(cells))) <= 1
        if named_so or of_words or (follows and (bare or unnamed)):
            self.totals.append((row, word))
            return True
        self.after_total = None
        for at, text in self.totals:
            self._ask_of_total("skip", at, text)
        self.totals.clear()
        return False

    def _ask_of_total(self, key: str, row: int, word: str) -> None:
        table, begins = self.layout.table.name, re.sub(r"[\s\d.]+$", "", word[:30]) or word[:30]
        what = "the table ends above it" if key == "ends" else "it is left out"
        text = f"{self.file}, row {row}: {word!r} looks like a total, a check or a line of words, no row of the table."
        self.problems.add(
            self.file, row, "", word, "a row of the table",
            f"It looks like a total, a check or a line of words. If {what}, write {file_line(table, key, begins)}.",
            like="a row of the table",
            question=Question(f"file.{table}", key, text, begins, "Rows that begin how are none of the table"),
        )  # fmt: skip

    def _hear(self, row: int, cells: Sequence[str]) -> bool:
        """Take in a line that says something of the rows below it; False where it is an ordinary row or title."""
        line = " ".join(filter(None, map(str.strip, cells)))
        if match := next((match for one in self.patterns if (match := one.fullmatch(line))), None):
            self.said |= match.groupdict()
            return True
        said = dict(_values(cells))
        if named := {name: value for name, value in said.items() if name in self.of_lines}:
            self.said |= named
            return True
        given = {column.name for column in self.columns if column}
        lost = {
            name: column
            for name in said
            if not (self.skip and name.casefold().startswith(self.skip)) and (column := self._lacking(name, given))
        }
        for name, column in lost.items():
            self._ask_of_line(row, name, said[name], column)
        return bool(lost)

    def _lacking(self, name: str, given: set[str]) -> Column | None:
        """The column that a name on a line of its own is, where the job would lose it."""
        column = self.every.get(plain_heading(without_unit(name)))
        wanted = column and (column.vital or column.of_setup == "name") and column.name not in given
        return column if column and wanted and not given.intersection(column.instead) else None

    def _ask_of_line(self, row: int, name: str, value: str, column: Column) -> None:
        if name in self.asked:
            return
        self.asked.add(name)
        table = self.layout.table.name
        text = f"{self.file}, row {row} says {name}: {value} on a line of its own."
        self.problems.add(
            self.file, row, name, value, f"{column.name} in a column of the table",
            f"It stands on a line of its own. If it holds for the rows below it, write "
            f"{file_line(table, 'above', name)}; if it does not, {file_line(table, 'skip', name)}.",
            question=Question(f"file.{table}", "above", text, name, "What of it holds for the rows below"),
        )  # fmt: skip


def _pattern(text: str) -> re.Pattern[str]:
    """A line with the names of columns in braces, as what finds their values.

    >>> _pattern("{setup}: over {at} (HI {instrument_height} m)").fullmatch("S1: over K1 (HI 1.587 m)").groups()
    ('S1', 'K1', '1.587')
    """
    parts = re.split(r"{(\w+)}", text)
    return re.compile("".join(f"(?P<{part}>.+?)" if i % 2 else re.escape(part) for i, part in enumerate(parts)))


def _cell(cells: Sequence[str], i: int) -> str:
    return cells[i].strip() if i < len(cells) else ""


def _without_digits(filled: Sequence[str]) -> str:
    return re.sub(r"[\d\s]+", " ", " ".join(filled)).strip()


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
