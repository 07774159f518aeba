"""The rows below the headings: which of them are rows of the table.

Blank rows, ruled lines and headings that come again are passed over. What looks like a total is asked about, and so is
a line of words; nothing is left out in silence.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from heightnet.errors import Question
from heightnet.job.convert import Batch
from heightnet.job.headings import cell_at, plain_heading, without_unit
from heightnet.job.layout import DECIMAL, FEWEST, Layout, columns_of, is_number, say_titles
from heightnet.job.lines import Lines
from heightnet.job.mapping import Export, Meant, file_line
from heightnet.job.problems import Problems
from heightnet.ledger.headings import BEGINNINGS, TOTALS, WITH_TOTALS

SHOWN = 8  # rows left out that are quoted
FEW_CELLS = 2  # of a row without anything measured, which is then hardly one of the table
SAME = 1e-6  # a total is the sum of what stands above it
SUMMED = ("back_sight", "fore_sight")
_RULED = re.compile(r"[-=_*.+~|\s]+")
_NUMBER = re.compile(r"[+-]?[\d.,]+")
_PAGE = re.compile(r"(?:page|sheet|p\.)\s*\d+(?:\s*(?:of|/)\s*\d+)?", re.IGNORECASE)
_COMMENT = re.compile(r"[#;]")
_MAY_BE_NO_ROW = ("--", "==", "__", "**", *BEGINNINGS)
_BEGINS_NUMBER = re.compile(r"\s*[+-]?[.,]?\d")


@dataclass
class Body:
    """Goes through the rows below the headings.

    found : the file is an export as it was found, in which lines of words may stand between the rows.
    left_out, passed : rows that a person named; comments, pages and titles that come again.  titles : those above the
        headings, without digits.  totals : rows that look like totals, and what follows them.  ended : the row where a
        person said that the table ends.  sums : what its book has added up to since the last total, and in all.
    """

    layout: Layout
    export: Export
    file: str
    problems: Problems
    meant: Mapping[str, Meant]
    found: bool = False
    left_out: list[str] = field(default_factory=list)
    passed: list[str] = field(default_factory=list)
    titles: set[str] = field(default_factory=set)
    totals: list[tuple[int, str]] = field(default_factory=list)
    skipped: set[str] = field(default_factory=set)
    ended: int = 0
    after_total: tuple[int, str] | None = None

    def __post_init__(self) -> None:
        table, header = self.layout.table, self.layout.header
        self.columns = columns_of(header, table, self.meant)
        self.lines = Lines(self.layout, self.columns, self.export, self.file, self.problems)
        self.needed = [i for i, c in enumerate(self.columns) if c and c.required and not c.unless]
        self.readings = [i for i, c in enumerate(self.columns) if c and c.numeric and c.vital]
        self.measured = [i for i in self.needed if (c := self.columns[i]) and c.numeric]
        self.summed = [i for i, c in enumerate(self.columns) if c and c.name in SUMMED and self.found]
        self.sums = {i: [0.0, 0.0] for i in self.summed}
        self.heading = [heading.strip() for heading in header]
        self.words = {plain_heading(without_unit(text)) for text in self.heading if text}
        self.skip, self.ends = (
            tuple(_begins(word) for word in words) for words in (self.export.skip, self.export.ends)
        )

    @property
    def header(self) -> list[str]:
        """The headings, and the names of what is said on lines of their own."""
        return [*self.layout.header, *self.lines.names]

    def above(self, rows: Sequence[tuple[int, Sequence[str]]]) -> None:
        """Hear what lines above the headings say, and say what is not read of them."""
        unheard = [(row, cells) for row, cells in rows if not self.lines.hear(row, cells)]
        self.titles = {_without_digits([cell.strip() for cell in cells if cell.strip()]) for _, cells in unheard} - {""}
        say_titles(unheard, self.file, self.problems)

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
                    kept.append(self._with_said(cells, width) if self.lines.names else cells)
            if len(kept) == len(batch.rows) and not self.lines.names:
                yield batch
            elif kept:
                yield Batch(rows, kept)
        for what, why in ((self.left_out, "left out, as the mapping says"), (self.passed, "no rows of the table")):
            if what:
                more = f"; and {len(what) - SHOWN} more" if len(what) > SHOWN else ""
                self.problems.note("understood", f"{why}: {'; '.join(what[:SHOWN])}{more}", self.file)
        if self.totals:
            row, word = self.after_total or self.totals[0]
            self._ask("skip" if _short(word) in self.skipped else "ends", row, word)

    def _with_said(self, cells: list[str], width: int) -> list[str]:
        return [*cells[:width], *[""] * (width - len(cells)), *self.lines.said()]

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
        if self.skip or self.ends or self.totals or not self.measured or self.found:
            return False
        return all(i < len(cells) and _BEGINS_NUMBER.match(cells[i]) for i in self.measured)

    def _belongs(self, row: int, cells: Sequence[str]) -> bool:
        if self._ordinary(cells):
            return True
        filled = [cell.strip() for cell in cells if cell.strip()]
        word = next((text for text in filled if not _NUMBER.fullmatch(text)), filled[0])
        bare = not any(_BEGINS_NUMBER.match(cell_at(cells, i)) for i in self.readings)
        if self._named_by_a_person(row, filled, word, bare):
            return False
        if (len(filled[0]) > 1 and all(map(_RULED.fullmatch, filled))) or self._is_heading(row, cells, filled):
            return False
        says = any(cell.endswith((":", "=")) for cell in filled)
        if self.found and (bare or says) and self._between(row, cells, filled):
            return False
        if self._is_total(row, word, cells, filled, bare):
            return False
        if self.found and filled[0].startswith("#"):
            said = f"the row begins with {filled[0]!r}: it is read like the others, and is no comment"
            self.problems.note("doubt", said, self.file, row)
        return True

    def _named_by_a_person(self, row: int, filled: Sequence[str], word: str, bare: bool) -> bool:
        """Whether a person said of such rows that they are none, or that the table ends above them."""
        told = f"row {row}: {' '.join(filled)}"
        if self.ended:
            no_row = bare or TOTALS.match(word.casefold()) or _NUMBER.fullmatch(word) or len(filled) <= FEW_CELLS
            if not no_row:
                table = self.layout.table.name
                self.problems.add(
                    self.file, row, "", word, f"no row of the table below row {self.ended}, where it ends",
                    f"If it goes on, write for what is no row not ends but {file_line(table, 'skip', 'Total')}.",
                    like="no row below the end",
                )  # fmt: skip
            self.left_out.append(told)
            return True
        texts = (filled[0], word)
        if any(one.match(text) for one in self.ends for text in texts):
            self.ended = row
        elif not any(one.match(text) for one in self.skip for text in texts):
            return False
        if any(TOTALS.match(text.casefold()) for text in texts):
            self.after_total = row, word
            self._since_total()
        self.left_out.append(told)
        return True

    def _between(self, row: int, cells: Sequence[str], filled: Sequence[str]) -> bool:
        """Whether a line without a reading is a comment, a page, a title again, or says something of the rows below."""
        text = " ".join(filled)
        if _PAGE.fullmatch(text) or _without_digits(filled) in self.titles or _COMMENT.match(text):
            self.passed.append(f"row {row}: {text}")
            return True
        return self.lines.hear(row, cells)

    def _is_heading(self, row: int, cells: Sequence[str], filled: Sequence[str]) -> bool:
        """Whether the headings come again, as on each page or for each set-up; other ones are a problem."""
        here = [cell_at(cells, i) for i in range(len(self.heading))]
        if len(filled) > 1 and all(text in ("", known) for text, known in zip(here, self.heading, strict=True)):
            return True
        again = [text for text in filled if plain_heading(without_unit(text)) in self.words]
        if len(again) <= FEWEST or len(again) * 2 < len(filled) or any(map(_BEGINS_NUMBER.match, filled)):
            return False
        self.problems.add(
            self.file, row, "", ", ".join(filled)[:100], f"the headings of row {self.layout.at + 1} once more, or none",
            "Headings that come again in another order or unit begin another table: put it into a file of its own.",
        )  # fmt: skip
        return True

    def _is_sum(self, cells: Sequence[str]) -> bool:
        """Whether a row of a levelling book adds up what stands above it, since the last total or in all."""
        there = {i: float(cell_at(cells, i).replace(",", ".")) for i in self.summed if is_number(cell_at(cells, i))}
        sums = len(there) == len(SUMMED) and all(
            any(abs(there[i] - total) < SAME for total in self.sums[i] if total) for i in there
        )
        if not sums:
            self.sums = {i: [total + there.get(i, 0.0) for total in totals] for i, totals in self.sums.items()}
        return sums

    def _since_total(self) -> None:
        self.sums = {i: [0.0, totals[1]] for i, totals in self.sums.items()}

    def _is_total(self, row: int, word: str, cells: Sequence[str], filled: Sequence[str], bare: bool) -> bool:
        """Whether it is a total, a line of words, or follows one and is no row either; asked about once that is clear.

        bare : no reading stands in it.
        """
        if self.layout.table.name not in WITH_TOTALS:
            return False
        blank = [not cell_at(cells, i) for i in self.needed]
        unnamed = any(missing for missing, i in zip(blank, self.needed, strict=True) if i not in self.measured)
        few = len(filled) <= max(FEW_CELLS, len(self.heading) // 3)
        total = TOTALS.match(word.casefold())
        follows = bool(self.totals or self.after_total)
        sums = self._is_sum(cells)
        if sums and unnamed and _NUMBER.fullmatch(word):  # it adds up, and names no mark
            self.passed.append(f"row {row}, a total: {' '.join(filled)}")
            self._since_total()
            return True
        named_so = sums or (total and (total["sure"] or any(blank) or follows))
        of_words = self.found and bare and few and len(DECIMAL.findall(" ".join(cells))) <= 1
        if named_so or of_words or (follows and (bare or unnamed)):
            self.totals.append((row, word))
            self._since_total()
            return True
        self.after_total = None
        for at, text in self.totals:
            self._ask("skip", at, text)
        self.totals.clear()
        return False

    def _ask(self, key: str, row: int, word: str) -> None:
        """Ask whether a row is left out; what says a number of its own, or a line of a set-up, is not proposed."""
        table, begins = self.layout.table.name, _short(word)
        text = f"{self.file}, row {row}: {word!r} looks like a total, a check or a line of words, no row of the table."
        says = not TOTALS.match(word.casefold()) and (bool(DECIMAL.search(word)) or bool(self.lines.patterns))
        line = file_line(table, key, begins)
        what = "the table ends above it" if key == "ends" else "it is left out"
        advice = (
            "If it says something of the rows below, write that into a column of theirs, or how such lines are "
            f"written, {file_line(table, 'above', 'Instr at {at} HI {instrument_height}')}."
        )
        self.skipped.add(begins)
        self.problems.add(
            self.file, row, "", word, "a row of the table",
            advice if says else f"It looks like a total, a check or a line of words. If {what}, write {line}.",
            like="a row of the table",
            question=Question(
                f"file.{table}", key, text, "" if says else begins, "Rows that begin how are none of the table"
            ),
        )  # fmt: skip


def _begins(word: str) -> re.Pattern[str]:
    """What a row begins with that a person named: whole words, so that Sum is not Summit."""
    end = r"(?!\w)" if word[-1:].isalnum() else ""
    return re.compile(re.escape(word.strip()) + end, re.IGNORECASE)


def _short(word: str) -> str:
    """How rows like this one begin: without numbers at its end, and no more than whole words."""
    short = re.sub(r"[\s\d.]+$", "", word)
    if len(short) > 30:
        short = short[:31].rpartition(" ")[0] or short[:30]
    return short or word[:30]


def _without_digits(filled: Sequence[str]) -> str:
    return re.sub(r"[\d\s]+", " ", " ".join(filled)).strip()
