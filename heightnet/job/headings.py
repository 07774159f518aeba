"""Which column a heading means: its own name, the trade's other words for it, a unit in brackets after it."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from difflib import get_close_matches
from itertools import islice

from heightnet.job.problems import Problems
from heightnet.ledger.recorded import Column, Table
from heightnet.ledger.settings import Units

LOOKED_AT = 2_000  # rows in which a column that holds anything shows it
_HEADING_UNIT = re.compile(r"(.*?)\s*[(\[]\s*([^)\]]{1,12})\s*[)\]]\s*")
_LENGTH_WORDS = {
    "m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m", "ft": "ft", "feet": "ft", "foot": "ft",
    "ftus": "ftUS", "us ft": "ftUS", "usft": "ftUS",
}  # fmt: skip
_ANGLE_WORDS = {"gon": "gon", "grad": "gon", "deg": "deg", "dms": "dms", "packed": "packed"}


def plain_heading(text: str) -> str:
    """A heading as compared: lower case, words apart by one space.

    >>> plain_heading(" Slope_Distance ")
    'slope distance'
    """
    return " ".join(re.sub(r"[\s_\-./]+", " ", text.casefold()).split())


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
    header: list[str], blank: Collection[int], file: str, row: int, table: Table, units: Units, problems: Problems
) -> dict[int, Column] | None:  # fmt: skip
    """Which column of the table each heading is; None where the header is too poor to go on."""
    known = known_headings(table, header, blank)
    found: dict[int, Column] = {}
    where: dict[str, str] = {}
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
        column = known.get(words)
        if column is None and (match := _HEADING_UNIT.fullmatch(text)):
            column = known.get(plain_heading(match[1]))
            if column is not None and (wrong := _wrong_unit(column, match[2], units)):
                problems.add(file, row, text, text, wrong)
                meant.add(column.name)
                continue
        if column is None:
            cause, likely = _unknown_heading(words, table)
            problems.add(file, row, text, text, f"a column of {table.name}", cause)
            meant.add(likely)
        elif column.name in where and {*column.parts} == {plain_heading(where[column.name]), words}:
            where[column.name] += f" and {text}"
            found[i] = column
        elif column.name in where:
            already = f"{where[column.name]!r} is read as {column.name} already."
            problems.add(file, row, text, text, f"one column for {column.name}", already)
        else:
            where[column.name] = text
            found[i] = column
    other = [f"{text!r} as {name}" for name, text in where.items() if text != name]
    if other:
        problems.note("understood", f"headings read: {', '.join(other)}", file, row)
    missing = [c for c in table.columns if c.required and c.name not in where and not set(c.unless) & set(where)]
    for column in missing:
        if column.name not in meant:
            others = f" (or {', '.join(column.also[:4])})" if column.also else ""
            listed = f"The headings are: {', '.join(h.strip() for h in header)[:200]}."
            problems.add(file, row, column.name, "", f"a column {column.name}{others}", listed)
    return None if missing else found


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


def _unknown_heading(words: str, table: Table) -> tuple[str, str]:
    """The likely cause of a heading no table knows, and the column it was probably meant to be ("" for none)."""
    if table.name == "shots" and words in ("vertical angle", "va", "vert angle", "v angle", "elevation angle"):
        return (
            "A vertical angle is measured from the horizon, a zenith angle from straight up: zenith_angle = 90° less "
            "the vertical angle. If these are zenith readings, call the column zenith_angle."
        ), "zenith_angle"
    if table.name == "shots" and words in ("horizontal distance", "hd", "h dist"):
        return (
            "Heights come from slope distances; call the column note_horizontal_distance to keep it unread."
        ), "slope_distance"
    known = known_headings(table)
    close = get_close_matches(words, known, n=1, cutoff=0.6)
    keep = "A column that is to be left unread gets a name that starts with note."
    if not close:
        return keep, ""
    column = known[close[0]].name
    said = f"{close[0]!r} (which is read as {column})" if close[0] != plain_heading(column) else repr(column)
    return f"The nearest known column is {said}. {keep}", column
