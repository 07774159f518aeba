"""Which column a heading means: its own name, the trade's other words for it, a unit in brackets after it."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from functools import lru_cache
from itertools import islice

from heightnet.ledger.headings import ALONE, SHORT
from heightnet.ledger.recorded import Column, Table

LOOKED_AT = 2_000  # rows in which a column that holds anything shows it
_SEPARATED = re.compile(r"[\s_\-./:#]+")
_HUMPS = re.compile(r"(?<=[a-z])(?=[A-Z])")  # HzAngle
_HEADING_UNIT = re.compile(r"(.*?)\s*[(\[]\s*([^)\]]{1,14})\s*[)\]]\s*")
_LAST_UNIT = re.compile(  # HI m
    r"(.+?)[\s_,/]+(m|mm|cm|ft|feet|inch(?:es)?|yards?|met(?:re|er)s?|gons?|grads?|deg|dms)\.?", re.IGNORECASE
)
UNIT_WORDS = {
    "m": "m", "mtr": "m", "mtrs": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "ft": "ft", "feet": "ft", "foot": "ft", "intl ft": "ft", "international feet": "ft",
    "ftus": "ftUS", "us ft": "ftUS", "usft": "ftUS", "us survey feet": "ftUS", "sft": "ftUS",
    "mm": "mm", "cm": "cm", "dm": "dm", "km": "km", "yd": "yd", "yds": "yd", "yard": "yd", "yards": "yd",
    "in": "in", "inch": "in", "inches": "in", "chain": "chain", "chains": "chain", "link": "link", "links": "link",
    "mi": "mi", "mile": "mi", "miles": "mi",
    "gon": "gon", "gons": "gon", "grad": "gon", "grads": "gon", "g": "gon",
    "deg": "deg", "degs": "deg", "degrees": "deg", "dec deg": "deg", "decimal degrees": "deg", "dd": "deg",
    "dms": "dms", "d m s": "dms", "dd mm ss": "dms", "ddd mm ss": "dms", "deg min sec": "dms", "° ' \"": "dms",
    "packed": "packed", "ddd.mmss": "packed", "dd.mmss": "packed", "d.mmss": "packed",
}  # fmt: skip
"""How headings write the units of lengths and angles."""
_OTHER_UNITS = ("°", "°c", "c", "hpa", "mbar", "mb", "ppm", "%", "-", "sec", "s", "min", "h", "°f", "inhg")
ANGLE_UNITS = ("gon", "deg", "dms", "packed")
_PART_WORDS = (
    ("deg", ("°", "d", "deg", "degs", "degree", "degrees")),
    ("min", ("'", "’", "′", "m", "min", "mins", "minute", "minutes")),
    ("sec", ('"', "''", "”", "″", "s", "sec", "secs", "second", "seconds")),
)
_PART = re.compile(r"(.*?)[\s_.(\[-]*(°|'{1,2}|’|′|\"|”|″|(?<![^\W_])[a-z]+)[\s)\].]*", re.IGNORECASE)


@lru_cache(maxsize=20_000)
def plain_heading(text: str) -> str:
    """A heading as compared: lower case, words apart by one space, initials together, the trade's short words in full.

    >>> plain_heading(" Slope_Distance "), plain_heading("Slp. Dist"), plain_heading("Inst Hgt"), plain_heading("I.H.")
    ('slope distance', 'slope distance', 'instrument height', 'ih')
    >>> plain_heading("HzAngle"), plain_heading("Ht"), plain_heading("Pt ID")
    ('hz angle', 'ht', 'point id')
    """
    words = _SEPARATED.sub(" ", _HUMPS.sub(" ", text).casefold()).replace("set up", "setup").split()
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


_WORDS: dict[int, tuple[Table, dict[str, dict[str, Column]]]] = {}


def _words_of(table: Table) -> dict[str, dict[str, Column]]:
    """The columns that each word may mean, by their names; worked out once for each table."""
    if id(table) not in _WORDS:
        of_word: defaultdict[str, dict[str, Column]] = defaultdict(dict)
        for column in table.columns:
            for word in (column.name, *column.also):
                of_word[plain_heading(word)][column.name] = column
        _WORDS[id(table)] = table, dict(of_word)  # the table is kept, so that no other gets its id
    return _WORDS[id(table)][1]


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
    of_word = _words_of(table)
    plain = (plain_heading(without_unit(heading)) for i, heading in enumerate(header) if i not in blank)
    given = {name for word in plain if len(of_word.get(word, ())) == 1 for name in of_word[word]}

    def meant(columns: Iterable[Column]) -> Column:
        return max(columns, key=lambda c: (not given & {c.name, *c.unless, *c.not_beside}, c.required))

    shared = {word: meant(sharing.values()) for word, sharing in of_word.items() if len(sharing) > 1}
    return {word: next(iter(sharing.values())) for word, sharing in of_word.items()} | shared


def nothing_under(table: Table, header: Sequence[str], rows: Iterable[Sequence[object]]) -> set[int]:
    """Headings with nothing in the first rows of their column, of those that may stand in for another column.

    A form carries columns that a party does not use: a heading alone does not say how a book was kept.
    """
    known = known_headings(table, header)
    instead = {other for column in table.columns for other in column.unless}
    columns = (known.get(plain_heading(without_unit(heading))) for heading in header)
    blank = {i for i, column in enumerate(columns) if column and column.name in instead}
    for cells in islice(rows, LOOKED_AT if blank else 0):
        blank -= {i for i in blank if i < len(cells) and cells[i] is not None and str(cells[i]).strip()}
    return blank


def _apart(heading: str) -> tuple[str, str]:
    """A heading without its unit, and the unit as written, "" for none."""
    text = heading.strip().rstrip(":").rstrip()
    match = _HEADING_UNIT.fullmatch(text) or _LAST_UNIT.fullmatch(_HUMPS.sub(" ", text))
    return (match[1], match[2].strip()) if match else (text, "")


@lru_cache(maxsize=20_000)
def without_unit(heading: str) -> str:
    return _apart(heading)[0]


def heading_unit(heading: str) -> str | None:
    """The unit that a heading says its cells are in, "" for one of neither length nor angle; None where it says none.

    >>> heading_unit("Slope dist (m)"), heading_unit("HI ft"), heading_unit("ZA [d-m-s]"), heading_unit("Temp (°C)")
    ('m', 'ft', 'dms', '')
    >>> heading_unit("Height"), heading_unit("Level (backsight)")
    (None, None)
    """
    said = " ".join(_apart(heading)[1].casefold().replace("-", " ").replace(":", " ").split())
    bare = said.replace(" ", "") if "°" not in said else said
    found = UNIT_WORDS.get(said, UNIT_WORDS.get(bare))
    return found if found else ("" if said and (said in _OTHER_UNITS or bare in _OTHER_UNITS) else None)


def keys(header: Sequence[str]) -> list[str]:
    """Headings as a mapping calls them: one that stands again has its number behind it.

    >>> keys(["HT", "Pt", "HT "])
    ['HT', 'Pt', 'HT #2']
    """
    times: Counter[str] = Counter()
    out = []
    for text in map(str.strip, header):
        times[text] += 1
        out.append(f"{text} #{times[text]}" if text and times[text] > 1 else text)
    return out


def angle_parts(header: Sequence[str]) -> dict[int, tuple[str, str]]:
    """Headings that stand side by side over the degrees, minutes and seconds of one angle: its name and the part.

    >>> angle_parts(["Pt", "ZA Deg", "Min", "Sec", "HI (m)"])
    {1: ('ZA', 'deg'), 2: ('ZA', 'min'), 3: ('ZA', 'sec')}
    """
    told = [match.groups() if (match := _PART.fullmatch(text.strip())) else (text, "") for text in header]
    out: dict[int, tuple[str, str]] = {}
    for i in range(len(header) - 2):
        words = [told[i + k][1].casefold() in some for k, (_, some) in enumerate(_PART_WORDS)]
        name = told[i][0].strip()
        if all(words) and all(told[i + k][0].strip() in ("", name) for k in (1, 2)):
            out |= {i + k: (name, part) for k, (part, _) in enumerate(_PART_WORDS)}
    return out


DITTO = ('"', "''", "”", "″", "do", "do.", "-do-", "ditto", '-"-', '--"--')


def cell_at(row: Sequence[str], i: int) -> str:
    """A cell without blanks around it; "" where the row is shorter."""
    return row[i].strip() if i < len(row) else ""


def is_ditto(cell: str) -> bool:
    """Whether a cell says that what stands above it holds here too."""
    return cell.strip().casefold() in DITTO
