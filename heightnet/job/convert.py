"""A table of text cells to columns of names, numbers, angles and choices, in metres and radians.

Ordinary cells are converted a column at a time; only cells that fail there are looked at one by one, to say what is
wrong with them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import partial
from itertools import chain
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.job.angles import FULL_CIRCLE, expected_angle, read_angle, read_angles
from heightnet.job.carried import Carrier, ask_of_carried
from heightnet.job.decimals import number_text
from heightnet.job.headings import LOOKED_AT, UNIT_WORDS, plain_heading
from heightnet.job.mapping import FILE as COLUMNS
from heightnet.job.mapping import PARTS, Meant
from heightnet.job.problems import Problems, nearest
from heightnet.job.recognise import Found, recognise
from heightnet.ledger.field import METRES
from heightnet.ledger.recorded import TABLES, Column, Table
from heightnet.ledger.settings import Units

ARCSEC = math.pi / (180 * 3600)
NOTHING = ("-", "–", "--", "n/a", "na", "nil", "none", ".", "?")  # as offices write that nothing was recorded
LONGEST_NAME, LONGEST_TEXT = 200, 4000

_PLAIN_CELLS = re.compile(r"[0-9eE+\-.\n]*")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_UNTIDY = re.compile(
    r"[\x00-\x09\x0b-\x20'\x7f-\xa0\u1680\u2000-\u200f\u2028\u2029\u202f\u205f\u3000\ud800-\udfff\ufffe\uffff]"
)
_WITH_UNIT = re.compile(r"(.*\d)\s*([A-Za-z]+)")
_UNPRINTABLE = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufffe\uffff]")
_WHEN = re.compile(r"(?:(\d{4}-\d{2}-\d{2})(?!\d)[T\s,]*)?(?:(\d{1,2}):(\d{2})(?!\d)(?::(\d{2})(?!\d))?)?", re.ASCII)
_NO_NUMBER = {  # what begins like this, and why
    r"(?i)[+-]?(nan|inf|infinity)$": "Leave the cell blank where nothing was recorded.",
    r"[+-]?[\d.]+\s*[a-zA-Z'\"]": "A number only; the unit is said in job.toml, and feet with inches belong in tape.",
    r"\d{1,3}-\d{1,2}-\d{1,2}(\.\d*)?$": "Does an angle, in degrees, minutes and seconds, or a date stand here?",
    "=": "A formula; the file must hold its value.",
    "#": "A spreadsheet's error value.",
}
_ESCAPED = re.compile(r"'+[=+\-@\t\r]")


class Batch(NamedTuple):
    """Some rows of a table: their numbers as a spreadsheet counts, and their cells as text."""

    rows: Sequence[int]
    cells: Sequence[list[str]]


@dataclass
class Sheet:
    """One table as text: a CSV file, a sheet of a workbook, or the like.

    decimal : the sign that the whole file uses, "," or "."; "" where no number has a comma.
    decimal_said : a person said so, and every number keeps to it.
    counts : what the row numbers of ``batches`` count.
    called : what the file itself calls a column, where that is no heading of this table; for messages.
    blank : the headings that `nothing_under` found to hold nothing.
    meant : what the job's mapping says of its headings.
    found : it is an export as it was found, in which a ditto mark may stand for what is above it.
    of_lines : how many of its last columns are what lines of their own said of the rows below.
    """

    file: str
    header: list[str]
    header_row: int
    batches: Iterable[Batch]
    decimal: str = ""
    decimal_said: bool = False
    counts: str = "row"
    called: Mapping[str, str] = field(default_factory=dict)
    blank: Collection[int] = ()
    meant: Mapping[str, Meant] = field(default_factory=dict)
    found: bool = False
    of_lines: int = 0


@dataclass
class Raw:
    """One table as columns: names as objects, numbers as floats in m and rad, and the row each came from."""

    table: Table
    file: str
    rows: npt.NDArray[np.int64]
    columns: dict[str, npt.NDArray[Any]] = field(default_factory=dict)
    length_m: float = 1.0
    header_row: int = 1
    blanks: dict[str, npt.NDArray[Any]] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.rows)

    def has(self, column: str) -> bool:
        """The column is in the header."""
        return column in self.columns

    def __getitem__(self, column: str) -> npt.NDArray[Any]:
        """A column; blanks or NaN where the header lacks it."""
        if column in self.columns:
            return self.columns[column]
        if column not in self.blanks:
            self.blanks[column] = _blank(self.table.column(column), len(self.rows))
        return self.blanks[column]

    def held(self, **instead: npt.NDArray[Any]) -> pd.DataFrame:
        """The columns as the job's own table calls them, and ``row``; some replaced by others."""
        named = {c.held: self[c.name] for c in self.table.columns if c.held}
        return frame({**named, **instead, "row": self.rows})

    def shown(self, column: str, i: int) -> str:
        """A cell as the row gave it, a number in the table's own unit."""
        return self.told(column, self[column][i])

    def told(self, column: str, value: Any) -> str:
        """A value as this column would have it."""
        if not isinstance(value, float):
            return str(value)
        factor = {"length": self.length_m, "mm": 0.001}.get(self.table.column(column).kind, 1.0)
        return "" if math.isnan(value) else f"{value / factor:.6f}".rstrip("0").rstrip(".")

    def refuse(
        self, problems: Problems, wrong: npt.NDArray[Any], column: str, expected: str | Callable[[int], str],
        cause: str | Callable[[int], str] = "", like: str = "",
    ) -> None:  # fmt: skip
        """Say of some rows (a mask, or their places) what was expected in a column, and the likely cause."""
        for i in (np.flatnonzero(wrong) if wrong.dtype == bool else wrong).tolist():
            problems.add(
                self.file, int(self.rows[i]), column, self.shown(column, i),
                expected(i) if callable(expected) else expected, partial(cause, i) if callable(cause) else cause, like,
            )  # fmt: skip

    def unsaid(self, problems: Problems, wrong: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
        """Those of some rows of which nothing has been said yet; none where a heading may be what is missing."""
        if problems.in_row(self.file, self.header_row):
            return np.zeros_like(wrong)
        out = wrong.copy()
        for i in np.flatnonzero(wrong).tolist():
            out[i] = not problems.in_row(self.file, int(self.rows[i]))
        return out

    def used(self, column: str) -> bool:
        """The column is there and filled on some row."""
        if column not in self.columns or not len(self):
            return False
        values = self.columns[column]
        return bool((~np.isnan(values)).any()) if values.dtype.kind == "f" else bool((values != "").any())


def empty(table: str) -> Raw:
    """The table of a job that does not have it."""
    return Raw(TABLES[table], f"{table}.csv", np.zeros(0, dtype=np.int64))


def _blank(column: Column, count: int) -> npt.NDArray[Any]:
    if column.numeric:
        return np.full(count, np.nan)
    if column.kind == "yes":
        return np.zeros(count, dtype=bool)
    blank = np.empty(count, dtype=object)
    blank[:] = ""
    return blank


def convert(sheet: Sheet, table: Table, units: Units, problems: Problems) -> Raw:
    """Read every row of a sheet; what cannot be read is added to ``problems``."""
    batches = iter(sheet.batches)
    begun = next(batches, Batch((), ()))
    first = begun.cells[:LOOKED_AT]
    found, complete = recognise(sheet, first, table, units, problems)
    ask_of_carried(found, sheet, first, table, problems)
    if not complete:
        for _ in batches:  # the file itself may hold more that is wrong
            pass
        return Raw(table, sheet.file, np.zeros(0, dtype=np.int64))
    here = {one.column.name for one in found.values()}
    # where another column of the sheet may stand in for a required one, its blanks are judged with the whole row
    asked = {
        i: replace(c, required=False) if here.intersection(c.unless) else c
        for i, (c, meant) in found.items()
        if meant.part in ("", PARTS[0])
    }
    readers = {i: _reader(column, sheet, units, problems, found[i].meant) for i, column in asked.items()}
    parts: dict[int, list[npt.NDArray[Any]]] = {i: [] for i in readers}
    rows: list[npt.NDArray[np.int64]] = []
    carrier, width = Carrier(found), len(sheet.header)
    for batch in chain([begun], batches):
        batch = _even(batch, width, sheet, problems)
        if not batch.rows:
            continue
        rows.append(np.array(batch.rows, dtype=np.int64))
        columns = _angles_whole(list(zip(*carrier.fill(batch.cells), strict=True)), found)
        for i, read in readers.items():
            parts[i].append(read(columns[i], batch.rows))
    whole = np.concatenate(rows) if rows else np.zeros(0, dtype=np.int64)
    raw = Raw(table, sheet.file, whole, length_m=METRES.get(units.length, 1.0), header_row=sheet.header_row)
    for i, column in asked.items():
        values = np.concatenate(parts[i]) if parts[i] else _blank(column, 0)
        parts[i].clear()
        if column.name in raw.columns:  # of two headings that are one text
            both = [raw.columns[column.name], values]
            if plain_heading(sheet.header[i]) == column.parts[0]:
                both.reverse()
            values = np.array([" ".join(filter(None, texts)) for texts in zip(*both, strict=True)], dtype=object)
        raw.columns[column.name] = values
    _unique(raw, problems)
    return raw


def _angles_whole(columns: list[tuple[str, ...]], found: Mapping[int, Found]) -> list[tuple[str, ...]]:
    """Degrees, minutes and seconds in columns of their own as one text in the first of them."""
    place = {(one.column.name, one.meant.part): i for i, one in found.items() if one.meant.part}
    for (name, part), i in place.items():
        if part == PARTS[0]:
            three = [columns[place[name, other]] for other in PARTS if (name, other) in place]
            whole = ("-".join(map(str.strip, cells)) if any(cells) else "" for cells in zip(*three, strict=True))
            columns[i] = tuple(whole)
    return columns


def _even(batch: Batch, width: int, sheet: Sheet, problems: Problems) -> Batch:
    """Rows of one width, wholly blank ones left out; a cell beyond the last heading is a problem."""
    if set(map(len, batch.cells)) == {width} and all(map(any, batch.cells)):
        return batch
    rows, kept = [], []
    for row, cells in zip(batch.rows, batch.cells, strict=True):
        if not any(c.strip() for c in cells):
            continue
        if len(cells) > width:
            extra = [c for c in cells[width:] if c.strip()]
            if extra:
                problems.add(
                    sheet.file, row, "", extra[0], f"{width} cells, one under each heading",
                    "Is there a separator inside a cell? Such a cell belongs in quotation marks.",
                )  # fmt: skip
            cells = cells[:width]
        rows.append(row)
        kept.append(cells + [""] * (width - len(cells)))
    return Batch(rows, kept)


Cells = Sequence[str]
Reader = Callable[[Cells, Sequence[int]], npt.NDArray[Any]]


def _reader(column: Column, sheet: Sheet, units: Units, problems: Problems, meant: Meant) -> Reader:
    """A function from cells and their rows to the values of one column."""
    if column.kind in ("name", "text", "reading"):
        return _Texts(column, sheet.file, problems, sheet.found)
    if column.kind in ("choice", "yes"):
        return _Words(column, sheet.file, problems)
    return _Numbers(column, sheet, units, problems, meant)


@dataclass
class _Texts:
    """Names and free text; each different text is looked at once."""

    column: Column
    file: str
    problems: Problems
    found: bool = False
    seen: dict[str, str] = field(default_factory=dict)

    def __call__(self, cells: Cells, rows: Sequence[int]) -> npt.NDArray[Any]:
        seen = self.seen
        if len(seen) > 100_000:
            seen.clear()
        joined = "\n".join(cells)
        if joined.count("\n") >= len(cells) or _UNTIDY.search(joined) or max(map(len, cells)) > LONGEST_NAME:
            first = dict(zip(reversed(cells), reversed(rows), strict=True))
            for cell in set(cells) - seen.keys():
                seen[cell] = self._clean(cell, first[cell])
            kept = [seen[cell] for cell in cells]
        else:
            keep = seen.setdefault  # one object for each name, however often it occurs
            kept = [keep(cell, cell) for cell in cells]
        values = np.array(kept, dtype=object)
        if self.column.dated:
            wrong = {text: said for text in set(kept) if (said := _no_such(text))}
            for i in [i for i, text in enumerate(kept) if text in wrong]:
                expected = "a date and time that there are, as 2026-05-04T09:30, or words"
                self.problems.add(self.file, rows[i], self.column.name, kept[i], expected, wrong[kept[i]])
            for i in [i for i, text in enumerate(kept) if _strange_year(text)]:
                said = f"{self.problems.called(self.file, self.column.name)} {kept[i]} is no year of this work"
                self.problems.note("doubt", said, self.file, rows[i], "years of another time")
        if self.column.required:
            for i in np.flatnonzero(values == "").tolist():
                if not cells[i].strip():
                    self.problems.add(self.file, rows[i], self.column.name, "", self.column.expected())
        return values

    def _clean(self, cell: str, row: int) -> str:
        text = cell.strip()
        if _ESCAPED.match(text):
            text = text[1:]
        elif self.found and text.startswith("'") and len(text) > 1:
            text = text[1:]
            told = f"column {self.column.name}: the apostrophe before a cell, which marks it as text, is left out"
            self.problems.note("understood", told, self.file)
        longest = LONGEST_NAME if self.column.kind == "name" else LONGEST_TEXT
        if len(text) > longest:
            self.problems.add(self.file, row, self.column.name, text, f"at most {longest} characters")
            return text[:longest]
        if self.column.kind == "name" and len(text.splitlines()) > 1:
            self.problems.add(self.file, row, self.column.name, text, "a name on one line")
            return " ".join(text.split())
        if bad := _UNPRINTABLE.search(text):
            cause = "A character that cannot be printed."
            if 0xDC80 <= ord(bad[0]) <= 0xDCFF:
                cause = "The file is not UTF-8 here (it may be Latin-1 or a Windows code page); save it as UTF-8."
            self.problems.add(self.file, row, self.column.name, text, "text in UTF-8", cause)
            return _UNPRINTABLE.sub("?", text)
        return text


def _no_such(text: str) -> str:
    """What of a date or time of day cannot be; "" where all can, or there is neither."""
    found = _WHEN.match(text)
    day, hour, minute, second = found.groups() if found else ("", "", "", "")
    if hour:
        passed = int(hour) * 3600 + int(minute) * 60 + int(second or 0)
        if int(minute) > 59 or int(second or 0) > 60 or passed > 24 * 3600:  # the second 60 has been, the hour 24 is 0
            return "There is no such time of day."
    try:
        date.fromisoformat(day or "2026-05-04")
    except ValueError:
        return "There is no such day: year, month and day are written in this order."
    return ""


def _strange_year(text: str) -> bool:
    """Whether a date has a year in which nothing of a job of today was measured: before 1850, after 2100 (ours).

    >>> _strange_year("0026-05-04"), _strange_year("2026-05-04"), _strange_year("list 1912")
    (True, False, False)
    """
    found = _WHEN.match(text)
    return bool(found and found[1]) and not 1850 <= int(text[:4]) <= 2100


@dataclass
class _Words:
    """A column of fixed words, or of yes and no."""

    column: Column
    file: str
    problems: Problems
    known: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.column.kind == "yes":
            self.known = {w: True for w in ("yes", "y", "true", "1", "x")}
            self.known |= {w: False for w in ("", "no", "n", "false", "0")}
        else:
            self.known = {c.casefold(): c for c in self.column.choices} | dict(self.column.words)
            self.known[""] = ""

    def __call__(self, cells: Cells, rows: Sequence[int]) -> npt.NDArray[Any]:
        values = _blank(self.column, len(cells))
        seen: dict[str, Any] = {}
        for cell in set(cells):
            seen[cell] = self.known.get(" ".join(cell.casefold().split()))
        if all(v is not None for v in seen.values()) and not (self.column.required and "" in seen.values()):
            values[:] = [seen[cell] for cell in cells]
            return values
        for i, cell in enumerate(cells):
            value = seen[cell]
            if value is None or (value == "" and self.column.required):
                words = self.column.choices or ("yes", "no")
                self.problems.add(
                    self.file, rows[i], self.column.name, cell.strip(), self._expected(),
                    partial(nearest, cell.strip(), words),
                )  # fmt: skip
            else:
                values[i] = value
        return values

    def _expected(self) -> str:
        return "yes or no" if self.column.kind == "yes" else self.column.expected()


class _Numbers:
    """A column of numbers or angles, NaN where blank or not understood."""

    def __init__(self, column: Column, sheet: Sheet, units: Units, problems: Problems, meant: Meant) -> None:
        self.meant = meant
        self.column, self.file, self.problems = column, sheet.file, problems
        self.decimal, self.decimal_said, self.found = sheet.decimal, sheet.decimal_said, sheet.found
        self.unit = "dms" if meant.part else units.angle
        self.expected = column.expected(units.length or "m")
        within = column.within
        if within and column.kind == "length":
            within = within.told_in(units.length or "m", METRES.get(units.length, 1.0))
        self.usually = within.usually if within else ""
        metre = METRES.get(meant.unit or units.length, 1.0)
        unit = {"length": meant.unit or units.length, "mm": "mm"}.get(column.kind, "")
        self.in_cells = {text for text, said in UNIT_WORDS.items() if said == unit}
        self.factor = {"length": metre, "mm": 0.001, "sec": ARCSEC}.get(column.kind, 1.0)

    def __call__(self, cells: Cells, rows: Sequence[int]) -> npt.NDArray[np.float64]:
        if self.column.kind == "angle":
            values = self._angles(cells, rows)
        else:
            values = self._numbers(cells, rows) * self.factor
        if self.column.required:
            for i in np.flatnonzero(np.isnan(values)).tolist():
                if not cells[i].strip():
                    self.problems.add(self.file, rows[i], self.column.name, "", self.column.expected())
        return values

    def _numbers(self, cells: Cells, rows: Sequence[int]) -> npt.NDArray[np.float64]:
        joined = "\n".join(cells)
        values: npt.NDArray[np.float64] | None = None
        plain = cells
        if self.decimal == "," and "." not in joined:
            joined, plain = joined.replace(",", "."), [cell.replace(",", ".") for cell in cells]
        if (self.decimal != "," or plain is not cells) and _PLAIN_CELLS.fullmatch(joined):
            try:
                values = np.array([float(c) if c else math.nan for c in plain], dtype=np.float64)
            except ValueError:
                values = None
        if values is None:
            values = np.array([self._number(c, r) for c, r in zip(cells, rows, strict=True)], dtype=np.float64)
        values = values * self.meant.scale + self.meant.constant
        if self.column.within is None:
            return values
        scale = self.factor if self.column.kind == "length" else 1.0
        with np.errstate(invalid="ignore", over="ignore"):
            within = self.column.within.holds(values * scale)
        for i in np.flatnonzero(~within & ~np.isnan(values)).tolist():
            read = cells[i].strip()
            self.problems.add(self.file, rows[i], self.column.name, read, self.expected, self.column.hint)
            values[i] = math.nan
        doubted = self.column.within.doubts(values * scale) if self.usually else np.zeros(0, dtype=bool)
        for i in np.flatnonzero(doubted).tolist():
            name = self.problems.called(self.file, self.column.name)
            like = f"{name} that is not {self.usually}, as usual"
            said = self.column.doubt(cells[i].strip(), self.usually, name)
            self.problems.note("doubt", said, self.file, rows[i], like)
        return values

    def _number(self, cell: str, row: int) -> float:
        text = cell.strip().replace("−", "-").removeprefix("'")  # by which a spreadsheet marks text
        if self.found and text.casefold() in NOTHING:
            self.problems.note("understood", f"column {self.column.name}: {text!r} is read as not recorded", self.file)
            return math.nan
        if not text:
            return math.nan
        if self.in_cells and (match := _WITH_UNIT.fullmatch(text)) and match[2].casefold() in self.in_cells:
            text = match[1]
        plain = number_text(text, self.decimal, self.decimal_said) if self.decimal else text
        if plain is not None and _NUMBER.fullmatch(plain):
            return float(plain)
        if plain is None:
            other = "." if self.decimal == "," else ","
            cause = (
                f'{COLUMNS} says decimal = "{self.decimal}", which this number does not keep to.'
                if self.decimal_said
                else f"Numbers of the file have {_SIGNS[self.decimal]}; is the {_SIGN_WORDS[other]} here a slip, or "
                f'does it stand between thousands? If all do, write decimal = "{self.decimal}" into {COLUMNS}.'
            )
        elif "," in text:
            cause = "A decimal point, and nothing between thousands."
        else:
            cause = next((cause for pattern, cause in _NO_NUMBER.items() if re.match(pattern, text)), "")
        self.problems.add(self.file, row, self.column.name, cell.strip(), self.expected, cause)
        return math.nan

    def _angles(self, cells: Cells, rows: Sequence[int]) -> npt.NDArray[np.float64]:
        if not self.unit:  # units.angle itself was not understood; every angle would only repeat it
            return np.full(len(cells), np.nan)
        values = read_angles(cells, self.unit)
        for i in np.flatnonzero(np.isnan(values)).tolist():
            text = cells[i].strip().removeprefix("'")
            if not text:
                continue
            if self.decimal == "," and text.count(",") == 1:
                text = text.replace(",", ".")
            try:
                values[i] = read_angle(text, self.unit)
            except ValueError as error:
                message = str(error).removeprefix("expected ")
                self.problems.add(
                    self.file, rows[i], self.column.name, cells[i].strip(), expected_angle(self.unit),
                    "" if message == expected_angle(self.unit) else _sentence(message),
                )  # fmt: skip
        circle = 400.0 if self.unit == "gon" else 360.0
        values = values * self.meant.scale + self.meant.constant * (2 * math.pi / circle)
        with np.errstate(invalid="ignore"):
            wrong = (values <= 0) | (values >= 2 * math.pi) | (np.abs(values - math.pi) < 1e-12)
        for i in np.flatnonzero(wrong).tolist():
            cause = _zenith_cause(float(values[i]))
            self.problems.add(self.file, rows[i], self.column.name, cells[i].strip(), _ZENITH[self.unit], cause)
            values[i] = math.nan
        return values


_SIGN_WORDS = {",": "comma", ".": "point"}
_SIGNS = {sign: f"decimal {word}s" for sign, word in _SIGN_WORDS.items()}
_ZENITH = {
    unit: f"a zenith angle between 0 and {circle}, not straight up, straight down or a full circle"
    for unit, circle in FULL_CIRCLE.items()
}


def _zenith_cause(value: float) -> str:
    if value < 0:
        return "A negative angle is a vertical angle from the horizon; zenith_angle = 90° less the vertical angle."
    if value >= 2 * math.pi:
        return "Is units.angle right?"
    return "Such a sight carries no distance; is it a vertical angle from the horizon, or a filler?"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")


def _unique(raw: Raw, problems: Problems) -> None:
    """Names that must occur once: say where they stood first."""
    key = raw.table.key
    if not key or not all(raw.has(k) for k in key):
        return
    names_only = frame({k: raw[k] for k in key})
    if not names_only.duplicated().any():
        return
    first: dict[tuple[Any, ...], int] = {}
    for row, names in zip(raw.rows.tolist(), zip(*(raw[k] for k in key), strict=True), strict=True):
        if not all(names):
            continue
        if names in first:
            problems.add(
                raw.file, row, key[-1], ", ".join(names), f"a {' and '.join(key)} that occurs once",
                f"Row {first[names]} has it already.",
            )  # fmt: skip
        else:
            first[names] = row


def frame(columns: dict[str, npt.NDArray[Any]]) -> pd.DataFrame:
    """A DataFrame whose text stays plain Python objects, which are several times quicker to go through."""
    return pd.DataFrame({name: pd.Series(values, dtype=values.dtype) for name, values in columns.items()})
