"""Which column a heading means: its own name, the trade's other words for it, a unit in brackets after it."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from difflib import get_close_matches
from itertools import islice
from typing import TYPE_CHECKING

from heightnet.errors import Question
from heightnet.job.mapping import line_for
from heightnet.job.problems import Problems
from heightnet.ledger import ranges
from heightnet.ledger.field import METRES
from heightnet.ledger.headings import ALONE, NOT_NEEDED, SHORT
from heightnet.ledger.recorded import Column, Table
from heightnet.ledger.settings import Units

LOOKED_AT = 2_000  # rows in which a column that holds anything shows it
MISSPELT, RESEMBLES = 0.84, 0.6  # how alike a heading is to one it was probably, or possibly, meant to be
SHORTEST_MISSPELT = 4  # letters of a heading that is taken for another one misspelt
LIKE_HEIGHTS_M = (0.2, 2.5)  # between which the cells of an unknown column may be heights of stands
VERTICAL_ANGLES = ("vertical angle", "va", "vert angle", "v angle", "elevation angle")
HORIZONTAL_DISTANCES = ("horizontal distance", "hd", "h distance", "hdist")
if TYPE_CHECKING:
    from heightnet.job.convert import Sheet

_SEPARATED = re.compile(r"[\s_\-./:#]+")
_HUMPS = re.compile(r"(?<=[a-z])(?=[A-Z])")  # HzAngle
_HEADING_UNIT = re.compile(r"(.*?)\s*[(\[]\s*([^)\]]{1,12})\s*[)\]]\s*")
_LENGTH_WORDS = {
    "m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m", "ft": "ft", "feet": "ft", "foot": "ft",
    "ftus": "ftUS", "us ft": "ftUS", "usft": "ftUS",
}  # fmt: skip
_ANGLE_WORDS = {"gon": "gon", "grad": "gon", "deg": "deg", "dms": "dms", "packed": "packed"}


def plain_heading(text: str) -> str:
    """A heading as compared: lower case, words apart by one space, initials together, the trade's short words in full.

    >>> plain_heading(" Slope_Distance "), plain_heading("Slp. Dist"), plain_heading("Inst Hgt"), plain_heading("I.H.")
    ('slope distance', 'slope distance', 'instrument height', 'ih')
    >>> plain_heading("HzAngle"), plain_heading("Ht"), plain_heading("Pt ID")
    ('hz angle', 'ht', 'point id')
    """
    words = _SEPARATED.sub(" ", _HUMPS.sub(" ", text).casefold()).split()
    if len(words) == 1:
        return ALONE.get(words[0], words[0])
    return " ".join(_together([SHORT.get(word, word) for word in words]))


def _together(words: list[str]) -> Iterator[str]:
    """Initials that follow one another as one word: i h, s d."""
    initials = ""
    for word in [*words, ""]:
        if len(word) == 1 and word.isalpha():
            initials += word
            continue
        if initials:
            yield initials
        initials = ""
        if word:
            yield word


def known_headings(table: Table, header: Sequence[str] = (), blank: Collection[int] = ()) -> dict[str, Column]:
    """Every heading the table knows, own names and the trade's other words, as `plain_heading` writes them.

    header : the headings of a sheet, which decide what a word means that two columns share.
    blank : those of them that `nothing_under` found to hold nothing, and so to decide nothing.

    >>> from heightnet.ledger.recorded import STAFF
    >>> known_headings(STAFF, ["setup", "point", "Staff (m)"])["staff"].name
    'reading'
    >>> known_headings(STAFF, ["setup", "point", "staff", "reading"])["staff"].name
    'staff'
    >>> known_headings(STAFF, ["setup", "point", "staff", "bs"], blank={3})["staff"].name
    'reading'
    """
    of_word: defaultdict[str, dict[str, Column]] = defaultdict(dict)
    for column in table.columns:
        for word in (column.name, *column.also):
            of_word[plain_heading(word)][column.name] = column
    plain = (plain_heading(_without_unit(heading)) for i, heading in enumerate(header) if i not in blank)
    given = {name for word in plain if len(of_word.get(word, ())) == 1 for name in of_word[word]}

    def meant(columns: Iterable[Column]) -> Column:
        return max(columns, key=lambda c: (not given & {c.name, *c.unless, *c.not_beside}, c.required))

    return {word: meant(sharing.values()) for word, sharing in of_word.items()}


def nothing_under(table: Table, header: Sequence[str], rows: Iterable[Sequence[object]]) -> set[int]:
    """Headings with nothing in the first rows of their column, of those that may stand in for another column.

    A form carries columns that a party does not use: a heading alone does not say how a book was kept.
    """
    known = known_headings(table, header)
    instead = {other for column in table.columns for other in column.unless}
    columns = (known.get(plain_heading(_without_unit(heading))) for heading in header)
    blank = {i for i, column in enumerate(columns) if column and column.name in instead}
    for cells in islice(rows, LOOKED_AT if blank else 0):
        blank -= {i for i in blank if i < len(cells) and cells[i] is not None and str(cells[i]).strip()}
    return blank


def _without_unit(heading: str) -> str:
    match = _HEADING_UNIT.fullmatch(heading.strip())
    return match[1] if match else heading


def recognise(
    sheet: Sheet, first: Sequence[Sequence[str]], table: Table, units: Units, problems: Problems
) -> dict[int, Column] | None:  # fmt: skip
    """Which column of the table each heading is; None where the header is too poor to go on.

    A heading that no column knows is left unread and listed, unless something the job needs may be lost in it: that is
    a problem, which says what to write into the mapping (`heightnet.job.mapping`).

    first : the sheet's first rows, which show what an unknown column holds.
    """
    header, file, row = sheet.header, sheet.file, sheet.header_row
    known = known_headings(table, header, sheet.blank)
    found: dict[int, Column] = {}
    where: dict[str, str] = {}
    unknown: dict[int, str] = {}
    meant: set[str] = set()  # columns that a heading not understood was probably meant to be
    for i, heading in enumerate(header):
        text = heading.strip()
        words = plain_heading(text)
        if words.startswith("note"):
            continue
        if not words:
            if any(h.strip() for h in header[i + 1 :]):
                problems.add(file, row, "", "", "a heading over every column", "One heading is blank.")
            continue
        said = sheet.meant.get(text)
        if said is not None and not said.column:
            continue
        column = known.get(words) if said is None else table.column(said.column)
        if column is None and (match := _HEADING_UNIT.fullmatch(text)):
            column = known.get(plain_heading(match[1]))
            if column is not None and (wrong := _wrong_unit(column, match[2], units)):
                problems.add(file, row, text, text, wrong)
                meant.add(column.name)
                continue
        if column is None:
            unknown[i] = text
        elif column.name in where and {*column.parts} == {plain_heading(where[column.name]), words}:
            where[column.name] += f" and {text}"
            found[i] = column
        elif column.name in where:
            already = f"{where[column.name]!r} is read as {column.name} already."
            problems.add(file, row, text, text, f"one column for {column.name}", already)
        else:
            where[column.name] = text
            found[i] = column
    absent = [c for c in table.columns if c.name not in where and not set(c.unless) & set(where)]
    meant |= _unread(unknown, [c for c in absent if c.name not in meant], first, sheet, table, units, problems)
    other = [f"{text!r} as {name}" for name, text in where.items() if text != name and text not in sheet.meant]
    if other:
        problems.note("understood", f"headings read: {', '.join(other)}", file, row)
    missing = [c for c in absent if c.required]
    for column in missing:
        if not meant.intersection((column.name, *column.unless)):
            others = f" (or {', '.join(column.also[:4])})" if column.also else ""
            listed = f"The headings are: {', '.join(h.strip() for h in header)[:200]}."
            problems.add(file, row, column.name, "", f"a column {column.name}{others}", listed)
    return None if missing else found


def _unread(
    unknown: dict[int, str], absent: list[Column], first: Sequence[Sequence[str]], sheet: Sheet, table: Table,
    units: Units, problems: Problems,
) -> set[str]:  # fmt: skip
    """Say of each heading that no column knows what it may be, or that it is not used; returns what they may be."""
    meant: set[str] = set()
    unused = []
    for i, text in unknown.items():
        if said := _other_angle(plain_heading(text), table, absent):
            problems.add(sheet.file, sheet.header_row, text, text, f"a column of {table.name}", said[0])
            meant.add(said[1])
            continue
        cells = [cells[i].strip() for cells in first if i < len(cells) and cells[i].strip()]
        likely = _may_be(text, cells, absent, table, units)
        if likely is None:
            unused.append(text)
            continue
        meant.add(likely.name)
        problems.add(
            sheet.file, sheet.header_row, text, text, f"a heading of {table.name} that is known",
            f"It may be {likely.name}: {_first_words(likely.meaning)}. If so, write "
            f'{line_for(table.name, text, likely.name)}; if it is not needed, = "".',
            question=Question(table.name, text, likely.name, _first_words(likely.meaning)),
        )  # fmt: skip
    if unused:
        problems.note("understood", f"not used: {', '.join(unused)}", sheet.file, sheet.header_row)
    return meant


def _may_be(text: str, cells: list[str], absent: list[Column], table: Table, units: Units) -> Column | None:
    """The absent column that an unknown heading may be: one misspelt, or one that the job would lose with it."""
    given = set(table.names) - {column.name for column in absent}
    words = plain_heading(_without_unit(text))
    if words in NOT_NEEDED:
        return None
    called = {plain_heading(word): column for column in absent for word in (column.name, *column.also)}
    every = known_headings(table)
    near = get_close_matches(words, every, n=1, cutoff=MISSPELT)
    if near and (column := called.get(near[0])) and len(words) >= SHORTEST_MISSPELT and _holds(column, cells, units):
        return column
    vital = [
        column for column in absent if column.required or (column.vital and not given.intersection(column.instead))
    ]
    alike = get_close_matches(words, [w for w, column in called.items() if column in vital], n=3, cutoff=RESEMBLES)
    for word in alike:
        if _holds(called[word], cells, units):
            return called[word]
    return next((c for c in vital if cells and _look_like(c, cells, units)), None)


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
    try:
        return [float(cell.replace(",", ".")) * metre for cell in cells]
    except ValueError:
        return None


def _first_words(meaning: str) -> str:
    """The meaning of a column up to its first stop."""
    return re.split(r"[.;](?:\s|$)", meaning)[0]


def _wrong_unit(column: Column, said: str, units: Units) -> str:
    """What the unit in a heading should have been, "" where it fits or is no unit of length or angle."""
    said = said.casefold().strip()
    length = _LENGTH_WORDS.get(said, said if said in ("mm", "cm") else "")
    angle = _ANGLE_WORDS.get(said, "")
    if not length and not angle:
        return ""
    if column.kind == "length":
        same = length == units.length or (length == "ft" and units.length == "ftUS")
        return "" if same else f"lengths in {units.length} (units.length), as in the rest of the job"
    if column.kind == "mm":
        return "" if length == "mm" else "millimetres, whatever the job's units"
    if column.kind == "angle":
        return "" if angle and units.angle in ("", angle) else f"angles in {units.angle} (units.angle)"
    return f"no unit: {column.name} holds {column.expected()}"


def _other_angle(words: str, table: Table, absent: list[Column]) -> tuple[str, str] | None:
    """A vertical angle or a horizontal distance where the zenith angle or the slope distance is lacking: the likely
    cause, and what it stands for."""
    lacking = {column.name for column in absent}
    if table.name == "shots" and words in VERTICAL_ANGLES and "zenith_angle" in lacking:
        return (
            "A vertical angle is measured from the horizon, a zenith angle from straight up: zenith_angle = 90° less "
            "the vertical angle. If these are zenith readings, call the column zenith_angle."
        ), "zenith_angle"
    if table.name == "shots" and words in HORIZONTAL_DISTANCES and "slope_distance" in lacking:
        return "Heights come from slope distances; a horizontal distance is none.", "slope_distance"
    return None
