"""What results are made of: facts, each declared once, in records; and words that a fact may be.

A type is `Words`, a `Record`, made of another one by `Maybe`, `Many` and `Keyed`, or one of these: "text"; "yes", yes
or no; "whole", a whole number, "count", one that is not negative, "number", "share", one from 0 to 1; "day", as
2026-05-04; "object", of which nothing is declared.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

DECIMALS = {"_m": 6, "_mm": 4, "_sec": 4, "_deg": 7, "_km": 6}
OTHER_DECIMALS = 6


@dataclass(frozen=True)
class Words:
    """One of some words; with a ``name`` where several records have it."""

    choices: tuple[str, ...]
    name: str = ""


@dataclass(frozen=True)
class Maybe:
    """Something, or null where it does not exist; ``null`` says when, where that does not go without saying."""

    of: Type
    null: str = ""


@dataclass(frozen=True)
class Many:
    """A list, of at most ``most``; 0: of any length."""

    of: Type
    most: int = 0


@dataclass(frozen=True)
class Keyed:
    """Something for each of some names; ``names`` are the only ones, if any."""

    of: Type
    names: tuple[str, ...] = ()


@dataclass(frozen=True)
class Fact:
    """One key of a record.

    name : ends in its unit: _m, _mm, _sec, _deg, _km.
    type : what it holds.
    meaning : one line.
    heading : over its column on the page, without unit; "" where no table shows it.
    required : every file has it; not where it came after schema 2, or only some records have it.
    """

    name: str
    type: Type
    meaning: str = ""
    heading: str = ""
    required: bool = True

    @property
    def decimals(self) -> int:
        """Decimals that are written: far below anything a tape can read."""
        return decimals(self.name)

    @property
    def said(self) -> str:
        """Its meaning, and what null means."""
        null = f"null: {self.type.null}" if isinstance(self.type, Maybe) and self.type.null else ""
        return "; ".join(filter(None, (self.meaning, null)))


@dataclass(frozen=True)
class Record:
    """Facts in the order in which they are written; with a ``name`` where several records have it."""

    facts: tuple[Fact, ...]
    name: str = ""
    meaning: str = ""

    def __iter__(self) -> Iterator[Fact]:
        return iter(self.facts)

    def __getitem__(self, name: str) -> Fact:
        return next(fact for fact in self.facts if fact.name == name)

    @property
    def names(self) -> list[str]:
        return [fact.name for fact in self.facts]


Type = str | Words | Maybe | Many | Keyed | Record

TEXT, YES, WHOLE, NUMBER, SHARE = (Maybe(kind) for kind in ("text", "yes", "whole", "number", "share"))


def decimals(name: str) -> int:
    """Decimals of a number by the unit its name ends in.

    >>> decimals("rise_m"), decimals("sd_mm"), decimals("w")
    (6, 4, 6)
    """
    return next((n for unit, n in DECIMALS.items() if name.endswith(unit)), OTHER_DECIMALS)


def each(type: Type, names: str) -> tuple[Fact, ...]:
    """Facts of one type whose names say all there is to say.

    >>> [fact.name for fact in each("text", "file tape")]
    ['file', 'tape']
    """
    return tuple(Fact(name, type) for name in names.split())


def blank(record: Record) -> dict[str, Any]:
    """A record of which nothing is known: null, or an empty value where null is not allowed.

    >>> blank(Record((Fact("a", "text"), Fact("b", Maybe("number")), Fact("c", Many("text")))))
    {'a': '', 'b': None, 'c': []}
    """
    return {fact.name: _blank(fact.type) for fact in record}


def _blank(type: Type) -> Any:
    match type:
        case Maybe():
            return None
        case Many():
            return []
        case Record():
            return blank(type)
        case Keyed() | "object":
            return {}
        case Words() | "text" | "day":
            return ""
        case "yes":
            return False
    return 0.0 if type in ("number", "share") else 0


def record_of(type: Type) -> Record | None:
    """The record that a type is, maybe or many of, None where it is none.

    >>> record_of(Maybe(Many(Record((), "place")))).name
    'place'
    """
    while isinstance(type, Maybe | Many):
        type = type.of
    return type if isinstance(type, Record) else None
