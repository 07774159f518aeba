"""Which column of its table each heading of a sheet is; what may be one is asked, never guessed and never passed over.

A heading that no column knows is left unread and listed, unless something the job needs may be lost in it: that is a
problem, which says what to write into the mapping (`heightnet.job.mapping`).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import TYPE_CHECKING, NamedTuple

from heightnet.errors import Question
from heightnet.job.headings import (
    ANGLE_UNITS,
    angle_parts,
    heading_unit,
    is_ditto,
    keys,
    known_headings,
    plain_heading,
    without_unit,
)
from heightnet.job.mapping import Meant, line_for, told
from heightnet.job.problems import Problems
from heightnet.ledger import ranges
from heightnet.ledger.field import METRES
from heightnet.ledger.headings import NOT_NEEDED, VERTICAL_ANGLES
from heightnet.ledger.recorded import Column, Table
from heightnet.ledger.settings import Units

if TYPE_CHECKING:
    from heightnet.job.convert import Sheet

MISSPELT, RESEMBLES = 0.84, 0.6  # how alike a heading is to one it was probably, or possibly, meant to be
SHORTEST_MISSPELT = 4  # letters of a heading that is taken for another one misspelt
LIKE_HEIGHTS_M = (0.2, 2.5)  # between which the cells of an unknown column may be heights of stands
HORIZONTAL_DISTANCES = ("horizontal distance", "hd", "h distance", "hdist")
_NUMBER = re.compile(r"\'?([+-]?\d*[.,]?\d+)\s*[A-Za-z]{0,4}")  # a unit may stand in the cell
OTHER_LENGTHS_M = {  # those of the survey's chain are of 66 ft; all international
    "mm": 0.001, "cm": 0.01, "dm": 0.1, "km": 1000.0, "in": 0.0254, "yd": 0.9144, "chain": 20.1168, "link": 0.201168,
    "mi": 1609.344,
}  # fmt: skip
ASKED = "Is it? Enter for yes, - where it is not needed, or the column that it is"


class Headings(NamedTuple):
    """What the headings of a sheet are, by their place; and whether all are there that its table must have."""

    found: dict[int, Found]
    complete: bool


class Found(NamedTuple):
    """A heading's column, and how its cells become the column's values."""

    column: Column
    meant: Meant


def recognise(
    sheet: Sheet, first: Sequence[Sequence[str]], table: Table, units: Units, problems: Problems
) -> Headings:  # fmt: skip
    """What each heading is.

    first : the sheet's first rows, which show what an unknown column holds.
    """
    work = _Recognition(sheet, first, table, units, problems)
    parts = angle_parts(sheet.header)
    for i, (heading, key) in enumerate(zip(sheet.header, keys(sheet.header), strict=True)):
        work.one(i, heading.strip(), key, parts.get(i))
    return work.done()


@dataclass
class _Recognition:
    """One sheet's headings.

    where : by column, the heading read as it.  meant : columns that a heading not understood was probably meant to be.
    """

    sheet: Sheet
    first: Sequence[Sequence[str]]
    table: Table
    units: Units
    problems: Problems
    found: dict[int, Found] = field(default_factory=dict)
    where: dict[str, str] = field(default_factory=dict)
    unknown: dict[int, str] = field(default_factory=dict)
    meant: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.known = known_headings(self.table, self.sheet.header, self.sheet.blank)

    def one(self, i: int, text: str, key: str, part: tuple[str, str] | None) -> None:
        """Find out what one heading is; key : what a mapping calls it."""
        words = plain_heading(text)
        if words.startswith("note"):
            return
        if not words and not part:
            holds = any(cells[i].strip() for cells in self.first if i < len(cells))
            if holds and any(h.strip() for h in self.sheet.header[i + 1 :]):
                self._wrong(text, "a heading over every column", "One heading is blank.")
            return
        said = self.sheet.meant.get(key)
        if said is not None:
            if said.column:
                self._take(i, text, self.table.column(said.column), said)
            return
        if part and (angle := self.known.get(plain_heading(part[0]))) and angle.kind == "angle":
            return self._take(i, text, angle, Meant(angle.name, part=part[1]))
        if part:
            self.unknown[i] = text
            return None
        column = self.known.get(words)
        if column is None and (column := self.known.get(plain_heading(without_unit(text)))):
            unit = heading_unit(text)
            if unit and (wrong := _wrong_unit(column, unit, self.units)):
                self.meant.add(column.name)
                if proposal := _in_unit(column, unit, self.units):
                    return self._ask(text, column, wrong, proposal)
                return self._wrong(text, wrong, "No number makes the one of the other.")
        if column is None:
            self.unknown[i] = text
            return None
        if column.name == "run" and words == "line" and self._all_differ(i):  # of a book's page, not of levelling
            column = self.table.column("line")
        if column.name in ("fore_sight", "back_sight") and self._all_negative(i):
            cause = "All of its cells are negative, as some write what is subtracted; a staff is read upwards."
            self._ask(text, column, "readings of a staff", told(Meant(column.name, scale=-1)), cause)
        return self._take(i, text, column, Meant(column.name))

    def _cells(self, i: int) -> list[str]:
        """What stands under a heading in the first rows; blank cells and ditto marks say nothing."""
        return [cell for row in self.first if i < len(row) and (cell := row[i].strip()) and not is_ditto(cell)]

    def _all_negative(self, i: int) -> bool:
        cells = self._cells(i)
        return len(cells) > 1 and all(cell.startswith(("-", "−")) for cell in cells)

    def _all_differ(self, i: int) -> bool:
        cells = self._cells(i)
        return len(cells) > 1 and len(set(cells)) == len(cells)

    def _take(self, i: int, text: str, column: Column, meant: Meant) -> None:
        name = column.name
        both = {*column.parts} == {plain_heading(self.where.get(name, "")), plain_heading(text)}
        here = {one.meant.part for one in self.found.values() if one.column.name == name}
        if name in self.where and (both or (meant.part and not here & {"", meant.part})):
            if not meant.part:
                self.where[name] += f" and {text}"
        elif name in self.where:
            other = next(j for j, one in self.found.items() if one.column.name == name)
            if not meant.part and self._cells(other) == self._cells(i):
                self._say(f"{text!r} holds what {self.where[name]!r} holds, and is read once")
                return
            line = line_for(self.table.name, keys(self.sheet.header)[i], "")
            cause = (
                f"{self.where[name]!r} is read as {name} already. If this is not needed, write {line}; or its column."
            )
            self._wrong(text, f"one column for {name}", cause)
            return
        else:
            self.where[name] = text
        self.found[i] = Found(column, meant)

    def done(self) -> Headings:
        """Say what is unknown, unused, and missing."""
        self._mark_of_setup()
        table, where = self.table, self.where
        absent = [c for c in table.columns if c.name not in where and not set(c.unless) & set(where)]
        unused = self._unread([c for c in absent if c.name not in self.meant])
        mapped = self.sheet.meant
        other = [f"{text!r} as {name}" for name, text in where.items() if text != name and text not in mapped]
        if other:
            self._say(f"headings read: {', '.join(other)}")
        missing = [c for c in absent if c.required]
        for column in missing:
            if self.meant.intersection((column.name, *column.unless)):
                continue
            named = next((text for i, text in unused.items() if self._names(i)), "")
            if named and column.name == "mark":
                expected = f"a column {column.name}"
                self._ask(named, column, expected, column.name, "Nothing else here names what each row is about.")
            else:
                others = f" (or {', '.join(column.also[:4])})" if column.also else ""
                listed = f"The headings are: {', '.join(h.strip() for h in self.sheet.header)[:200]}."
                self._wrong("", f"a column {column.name}{others}", listed, column.name)
        return Headings(self.found, not missing)

    def _mark_of_setup(self) -> None:
        """Ask whether `mark` beside a target that is another mark is where the instrument stood."""
        place = {one.column.name: i for i, one in self.found.items()}
        if "at" in place or not {"mark", "target", "instrument_height"} <= place.keys():
            return
        pairs = [[row[place[name]].strip() for name in ("mark", "target")] for row in self.first if any(row)]
        marks, targets = (set(column) for column in zip(*pairs, strict=True)) if pairs else (set(), set())
        if marks & targets and sum(a != b for a, b in pairs) > len(pairs) / 2:
            text = self.sheet.header[place["mark"]].strip()
            if text not in self.sheet.meant:
                self._ask(text, self.table.column("at"), "the mark sighted, or that of the set-up", "at")

    def _unread(self, absent: list[Column]) -> dict[int, str]:
        """Say of each heading that no column knows what it may be, or that it is not used; returns those."""
        unused = {}
        parts = angle_parts(self.sheet.header)
        given = set(self.table.names) - {column.name for column in absent}
        for i, text in self.unknown.items():
            cells = self._cells(i)
            if said := self._other_angle(text, parts.get(i), cells, absent):
                column, cause, proposal = said
                self.meant.add(column.name)
                if proposal:
                    self._ask(text, column, f"a column of {self.table.name}", proposal, cause)
                else:
                    self._wrong(text, f"a column of {self.table.name}", cause)
                continue
            before = self._mapped_alike(text, given) or self._same_names(i, text, absent, given)
            likely = None if before or i in parts else _may_be(text, cells, absent, self.table, self.units)
            if likely and not before and not _proposed(likely, text, self.units):
                likely = None
            if before or likely:
                proposal = told(before) if before else _proposed(likely, text, self.units) if likely else ""
                column = self.table.column(before.column) if before else likely or absent[0]
                self.meant.add(column.name)
                self._ask(text, column, f"a heading of {self.table.name} that is known", proposal)
            else:
                unused[i] = text
        if unused:
            self._say(f"not used: {', '.join(unused.values())}")
        return unused

    def _other_angle(
        self, text: str, part: tuple[str, str] | None, cells: Sequence[str], absent: list[Column]
    ) -> tuple[Column, str, str] | None:  # fmt: skip
        """A vertical angle, a horizontal distance, or an angle of no name in three columns, where what heights come
        from is lacking: what is lacking, the likely cause, and what to write ("" where nothing helps)."""
        lacking = {column.name: column for column in absent}
        words = plain_heading(without_unit(part[0] if part else text))
        named = part[1] if part else ""
        if self.table.name != "shots":
            return None
        zenith, slope = lacking.get("zenith_angle"), lacking.get("slope_distance")
        if zenith and words in VERTICAL_ANGLES:
            turned = named in ("", "deg") and _from_horizon(cells)  # of three columns the first carries the sign
            right = 100.0 if (heading_unit(text) or self.units.angle) == "gon" else 90.0
            meant = Meant(zenith.name, part=named, scale=-1 if turned else 1, constant=right if turned else 0)
            return (
                zenith,
                (
                    "A vertical angle is measured from the horizon, a zenith angle from straight up: zenith_angle = "
                    f"{right:g}{'°' if right == 90 else ' gon'} less the vertical angle; here the cells look like "
                    f"{'angles from the horizon' if turned else 'zenith angles'}."
                ),
                told(meant),
            )
        if zenith and named and not words:
            return zenith, "It may be part of the zenith angle.", told(Meant(zenith.name, part=named))
        if slope and words in HORIZONTAL_DISTANCES:
            return slope, "Heights come from slope distances; a horizontal distance is none.", ""
        return None

    def _same_names(self, i: int, text: str, absent: list[Column], given: set[str]) -> Meant | None:
        """The mark that an instrument stood over, where none is said and the marks sighted stand in this column too."""
        at = next((c for c in absent if c.name == "at" and _is_vital(c, given)), None)
        sighted = next((j for j, one in self.found.items() if one.column.name in ("mark", "target")), None)
        if at is None or sighted is None or plain_heading(without_unit(text)) in NOT_NEEDED:
            return None
        here, there = ({row[j].strip() for row in self.first if j < len(row) and row[j].strip()} for j in (i, sighted))
        return Meant(at.name) if len(here & there) >= max(1, len(here) // 2) else None

    def _names(self, i: int) -> bool:
        """Whether a heading stands over names: text on most of the rows."""
        cells = [cells[i].strip() for cells in self.first if i < len(cells) and any(cells)]
        return bool(cells) and sum(any(map(str.isalpha, cell)) for cell in cells) * 2 > len(cells)

    def _mapped_alike(self, text: str, given: set[str]) -> Meant | None:
        """What a heading of the mapping that is written much like this one means, where no other heading is that."""
        plain = {plain_heading(heading): meant for heading, meant in self.sheet.meant.items() if meant.column}
        near = get_close_matches(plain_heading(text), plain, n=1, cutoff=RESEMBLES)
        return plain[near[0]] if near and plain[near[0]].column not in given else None

    def _ask(self, text: str, column: Column, expected: str, proposal: str, cause: str = "") -> None:
        meaning = _first_words(column.meaning)
        cause = cause or f"It may be {column.name}: {meaning}."
        self.problems.add(
            self.sheet.file, self.sheet.header_row, text, text, expected,
            f'{cause} If so, write {line_for(self.table.name, text, proposal)}; if it is not needed, = "".',
            question=Question(
                self.table.name, text,
                f"{self.table.name}: the heading {text!r} may be {proposal}: {meaning}.", proposal, ASKED,
            ),
        )  # fmt: skip

    def _say(self, text: str) -> None:
        self.problems.note("understood", text, self.sheet.file, self.sheet.header_row)

    def _wrong(self, text: str, expected: str, cause: str, column: str = "") -> None:
        self.problems.add(self.sheet.file, self.sheet.header_row, column or text, text, expected, cause)


def _may_be(text: str, cells: list[str], absent: list[Column], table: Table, units: Units) -> Column | None:
    """The absent column that an unknown heading may be: one misspelt, or one that the job would lose with it."""
    given = set(table.names) - {column.name for column in absent}
    words = plain_heading(without_unit(text))
    if words in NOT_NEEDED:
        return None
    called = {plain_heading(word): column for column in absent for word in (column.name, *column.also)}
    every = known_headings(table)
    for written in dict.fromkeys((plain_heading(text), words)):  # ofset_mm, and offset (mm)
        near = get_close_matches(written, every, n=1, cutoff=MISSPELT)
        column = called.get(near[0]) if near and len(written) >= SHORTEST_MISSPELT else None
        if column and _holds(column, cells, units):
            return column
    vital = [column for column in absent if _is_vital(column, given)]
    alike = get_close_matches(words, [w for w, column in called.items() if column in vital], n=3, cutoff=RESEMBLES)
    for word in alike:
        if _holds(called[word], cells, units):
            return called[word]
    instead = ("intermediate_sight",) if {"back_sight", "fore_sight"} & given else ()  # a book may have none
    return next((c for c in vital if c.name not in instead and cells and _look_like(c, cells, units)), None)


def _is_vital(column: Column, given: set[str]) -> bool:
    """Whether the job loses something where the column is absent."""
    elsewhere = given.intersection(column.instead) and not given.intersection(column.vital_beside)
    return column.required or (column.vital and not elsewhere)


def _holds(column: Column, cells: list[str], units: Units) -> bool:
    """Whether what stands in the cells may be this column's; blank ones may be anything's."""
    if column.numeric and column.kind != "angle":
        numbers = _numbers(cells, units if column.kind == "length" else None)
        return numbers is not None and (column.within is None or all(map(column.within.holds, numbers)))
    return column.kind != "choice" or not cells


def _is_height(column: Column) -> bool:
    """Of a stand, or a reading of a staff: what lies between 0.2 and 2.5 m may be it."""
    return column.kind == "length" and column.within in (ranges.INSTRUMENT_M, ranges.TARGET_M, ranges.STAFF_M)


def _look_like(column: Column, cells: list[str], units: Units) -> bool:
    """Whether all of an unknown column looks like this one: heights of stands and readings of a staff lie between 0.2
    and 2.5 m and are not counted in whole numbers; other lengths may be any that the column may."""
    if column.kind != "length":
        return False
    if not _is_height(column):
        return _holds(column, cells, units)
    low, high = LIKE_HEIGHTS_M
    return all(low <= n <= high for n in _numbers(cells, units) or [0.0]) and any("." in c or "," in c for c in cells)


def _numbers(cells: list[str], units: Units | None) -> list[float] | None:
    """The cells as numbers, lengths in metres; None where one is none."""
    metre = 1.0 if units is None else METRES.get(units.length, 1.0)
    found = [_NUMBER.fullmatch(cell) for cell in cells]
    return [float(match[1].replace(",", ".")) * metre for match in found if match] if all(found) else None


def _first_words(meaning: str) -> str:
    """The meaning of a column up to its first stop."""
    return re.split(r"[.;](?:\s|$)", meaning)[0]


def _wrong_unit(column: Column, said: str, units: Units) -> str:
    """What the unit in a heading should have been, "" where it fits."""
    angle = said in ANGLE_UNITS
    if column.kind == "length":
        same = said == units.length or (said == "ft" and units.length == "ftUS")
        return "" if same else f"lengths in {units.length} (units.length), as in the rest of the job"
    if column.kind == "mm":
        return "" if said == "mm" else "millimetres, whatever the job's units"
    if column.kind == "angle":
        same = said in ("deg", units.angle) and (said != "deg" or units.angle != "gon")
        return "" if angle and (not units.angle or same) else f"angles in {units.angle} (units.angle)"
    return f"no unit: {column.name} holds {column.expected()}"


def _proposed(column: Column, text: str, units: Units) -> str:
    """What to write of a column that a heading may be, with the unit that it says."""
    unit = heading_unit(text)
    return _in_unit(column, unit, units) if unit and _wrong_unit(column, unit, units) else column.name


def _in_unit(column: Column, unit: str, units: Units) -> str:
    """What to write of a column whose cells are in another unit than the job's; "" where nothing makes them so."""
    if column.kind == "length" and unit in METRES:
        return told(Meant(column.name, unit=unit))
    if column.kind == "length" and unit in OTHER_LENGTHS_M:
        return told(Meant(column.name, unit="m", scale=OTHER_LENGTHS_M[unit]))
    if column.kind == "mm" and unit in OTHER_LENGTHS_M | METRES:
        return told(Meant(column.name, scale=1000 * (OTHER_LENGTHS_M | METRES)[unit]))
    circles = {"deg": 360.0, "gon": 400.0}
    if column.kind == "angle" and unit in circles and units.angle in circles:
        return told(Meant(column.name, scale=circles[units.angle] / circles[unit]))
    return ""


def _from_horizon(cells: Sequence[str]) -> bool:
    """Whether angles lie about 0, as from the horizon, not about 90 or 100 and 270 or 300, as from straight up."""
    whole = [int(match[1]) for cell in cells if (match := re.match(r"[+-]?(\d{1,3})", cell))]
    return sum(n % 180 < 45 or n % 180 > 155 for n in whole) > len(whole) / 2
