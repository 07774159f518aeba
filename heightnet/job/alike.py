"""Names that look alike: two spellings of one kind of thing that a person may read as one name, each pair a doubt.

A name is never mended: what was recorded stays, and one that nothing else looks like is left as it is, unspoken of.
Which letters look like which is a small table of our own, of the capitals and small letters on a Cyrillic or Greek
keyboard that most typefaces draw like Latin ones; it is no standard's.
"""

from __future__ import annotations

import unicodedata
from collections import defaultdict
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from heightnet.job.convert import Raw
    from heightnet.job.problems import Problems

KINDS = {
    "marks": (
        ("marks", "mark"), ("setups", "mark"), ("targets", "mark"), ("shots", "at"), ("shots", "mark"),
        ("levels", "from"), ("levels", "to"), ("staff", "mark"),
    ),
    "set-ups": (("setups", "setup"), ("shots", "setup"), ("tape", "setup"), ("gnss", "from"), ("gnss", "to")),
    "targets": (("targets", "target"), ("shots", "target"), ("tape", "target")),
    "tripods": (("setups", "tripod"), ("targets", "tripod"), ("tape", "tripod")),
    "equipment": (
        ("equipment", "equipment"), ("setups", "instrument"), ("targets", "equipment"), ("shots", "instrument"),
    ),
    "level set-ups": (("staff", "level_setup"),),
    "staffs": (("staff", "staff"),),
    "tapes": (("tape", "tape"),),
}  # fmt: skip
"""Where names of one kind of thing stand, by what several are called."""

SHOWN = 6  # names of one look
_NO_WIDTH = frozenset(
    map(chr, (0xAD, 0x34F, 0x180E, *range(0x200B, 0x2010), *range(0x202A, 0x202F), *range(0x2060, 0x206A), 0xFEFF))
) | frozenset(map(chr, range(0xFE00, 0xFE10)))
_LATIN = {
    **dict(zip("АВЕЅІЈКМНОРСТУХаеѕіјорсухԁԛԝ", "ABESIJKMHOPCTYXaesijopcyxdqw", strict=True)),  # Cyrillic
    **dict(zip("ΑΒΕΖΗΙΚΜΝΟΡΤΥΧον", "ABEZHIKMNOPTYXov", strict=True)),  # Greek
}
_BETWEEN = " _-\u2010\u2011\u2012\u2013\u2014\u2212"
_SPELT = str.maketrans({**dict.fromkeys((*_BETWEEN, *_NO_WIDTH), ""), **_LATIN})
_DRAWN = str.maketrans(dict(zip("0Oo1lI", "000111", strict=True)))
_CALLED = {
    "0": "a zero", "O": "the letter O", "o": "a small letter o", "1": "a one", "l": "a small letter L",
    "I": "a capital letter i",
}  # fmt: skip


def check_names(raw: Mapping[str, Raw], problems: Problems) -> None:
    """Doubt names that look alike, as they are recorded, with the place of each."""
    for kind, columns in KINDS.items():
        if kind == "marks" and not len(raw["targets"]):
            columns = (*columns, ("shots", "target"))  # which then are marks
        here = [(raw[table], column) for table, column in columns if len(raw[table]) and raw[table].has(column)]
        names = list(dict.fromkeys(name for table, column in here for name in table[column].tolist() if name))
        groups = list(_alike(names)) if names else []
        places = _places({name for same in groups for name in same}, here, problems) if groups else {}
        for same in groups:
            apart = dict.fromkeys(filter(None, (told_apart(same[0], name) for name in same[1:])))
            said = [f"{' and '.join(same)} are read as different {kind}; are they one?", *apart]
            said.append("; ".join(f"{name}: {places[name][0]}" for name in same))
            problems.note("doubt", " ".join(said), *places[same[1]][1:], like=f"{kind} whose names look alike")


def _alike(names: list[str]) -> Iterator[list[str]]:
    """Names that differ in 0 and O, or 1, l and I; then those that differ in case, spacing or what is not seen."""
    told: dict[str, str] = {}  # each name told of, and the first it is told with
    joined = "\n".join(names)
    if joined.count("\n") >= len(names):
        joined = "\n".join(name.replace("\n", " ") for name in names)
    for drawn in (True, False):
        plain = _folded(joined, drawn).split("\n")
        if len(set(plain)) == len(names):
            continue
        alike: dict[str, list[str]] = defaultdict(list)
        for name, key in zip(names, plain, strict=True):
            if key:
                alike[key].append(name)
        for same in alike.values():
            if len(same) > 1 and {told.get(name, name) for name in same} != {told.get(same[0])}:
                told |= dict.fromkeys(same, same[0])
                yield same[:SHOWN]


def _folded(text: str, drawn: bool) -> str:
    """A text as compared: case, spacing and scripts set aside; ``drawn``: digits and the letters that look so as well.

    >>> _folded("B\\u041c 1\\u200b", drawn=False), _folded("PO", drawn=True) == _folded("P0", drawn=True)
    ('bm1', True)
    """
    text = (text if text.isascii() else unicodedata.normalize("NFKC", text)).translate(_SPELT)
    return (text.translate(_DRAWN) if drawn else text).casefold()


def _places(
    names: set[str], here: list[tuple[Raw, str]], problems: Problems
) -> dict[str, tuple[str, str, int]]:  # fmt: skip
    """Where each name stands first: in words, its file and its row."""
    found: dict[str, tuple[str, str, int]] = {}
    for table, column in here:
        for name, row in zip(table[column].tolist(), table.rows.tolist(), strict=True):
            if name in names and name not in found:
                found[name] = problems.place(table.file, row, column), table.file, row
    return found


def told_apart(one: str, other: str) -> str:
    """A sentence on what tells two names apart that look alike; "" where a person sees it, or they do not.

    >>> told_apart("\\u04107", "A7")
    'The \\u0410 of \\u04107 is Cyrillic.'
    >>> told_apart("P0", "PO"), told_apart("A7", "a 7"), told_apart("A7", "B7")
    ('P0 has a zero, PO the letter O.', '', '')
    >>> told_apart("A7", "A7\\u200b")
    'A7\\u200b holds a character called zero width space.'
    """
    if one == other or _folded(one, drawn=True) != _folded(other, drawn=True):
        return ""
    said = [_strange(letter, name) for name, than in ((one, other), (other, one))
            for letter in dict.fromkeys(name) if letter not in than]  # fmt: skip
    if composed := unicodedata.normalize("NFC", one) == unicodedata.normalize("NFC", other):
        said = ["One of them has an accent as a character of its own."]
    if not any(said) and not composed:
        pairs = zip(*(unicodedata.normalize("NFKC", name).translate(_SPELT) for name in (one, other)), strict=False)
        said = [f"{one} has {_CALLED[a]}, {other} {_CALLED[b]}." for a, b in dict.fromkeys(pairs)
                if a != b and {a, b} <= _CALLED.keys() and a.casefold() != b.casefold()]  # fmt: skip
    return " ".join(filter(None, said))


def _strange(letter: str, name: str) -> str:
    """What a letter is that looks like another, or like nothing; "" for any other."""
    called = unicodedata.name(letter, f"character U+{ord(letter):04X}").lower()
    if letter in _NO_WIDTH or (letter in _BETWEEN and not letter.isascii()):
        return f"{name} holds a character called {called}."
    if letter in _LATIN:
        return f"The {letter} of {name} is {called.split()[0].capitalize()}."
    if unicodedata.normalize("NFKC", letter) != letter:
        return f"The {letter} of {name} is a {called}."
    return ""
