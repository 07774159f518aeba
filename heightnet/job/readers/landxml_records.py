"""LandXML: what a file says about heights, as records, and the log of what became of every element."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from heightnet.job.problems import printable


class Place(NamedTuple):
    """Where an element stands, and what it calls itself."""

    line: int
    element: str
    name: str


class Entry(NamedTuple):
    """What became of one element: fate is "used", "ignored" or "doubted"; like is what such entries have in common."""

    place: Place
    fate: str
    text: str
    like: str

    def __str__(self) -> str:
        line, element, name = self.place
        return f"line {line}, {element}{f' {name}' if name else ''}: {self.text}"


class Refusal(NamedTuple):
    """What of an element cannot be understood: the attribute as it stands, "" for the whole, and the likely cause."""

    place: Place
    attribute: str
    read: str
    expected: str
    cause: str = ""


class Given(NamedTuple):
    """The units that a Metric or Imperial element gives, as they stand; "" for what it does not give."""

    place: Place
    linear: str
    angular: str
    elevation: str


class Setup(NamedTuple):
    place: Place
    id: str
    station: str
    height: str
    details: str
    deleted: bool
    survey: int  # which of the file's, from 1
    point: str = ""  # InstrumentPoint: name of a point
    when: str = ""  # timeStamp of the InstrumentPoint
    desc: str = ""

    @property
    def over(self) -> str:
        """The name of the mark it stands over."""
        return self.point or self.station


class Observation(NamedTuple):
    """A RawObservation or TestObservation, each value the text of the file, so that a message can quote it."""

    place: Place
    setup: str
    point: str
    target_setup: str
    zenith: str
    direct_face: str
    purpose: str
    check: bool  # stands in ControlChecks
    dropped: str  # why the file itself does not use it, "" where it does
    beside: bool  # sighted beside the point, by OffsetVals
    when: str  # timeStamp
    note: str  # its remarks, and what its target point is described as
    # numbers, in file units; "" for none
    target_height: str
    slope: str
    horizontal: str
    rod: str
    upper: str
    lower: str


class Peg(NamedTuple):
    """A TestObservation of a level by two pegs: what is read on rods A and B from set-ups 1 and 2, by attribute."""

    place: Place
    test: str
    when: str
    rods: dict[str, str]
    note: str


class Point(NamedTuple):
    place: Place
    name: str
    north: str
    east: str
    elevation: str
    elevation_sd: str = ""
    kind: str = ""  # pntSurv
    note: str = ""
    inside: bool = False  # its coordinates stand inside a set-up, in the point that it stands over or sights


class Vertical(NamedTuple):
    place: Place
    setup: str
    height: str
    datum: str


@dataclass
class Document:
    """Everything a LandXML file says about heights.

    stands_for : names of points that refer to another point (pntRef), and which ones.
    notes : remarks on set-ups ("setup", id) and target set-ups ("target", id).
    days : by survey, "survey of 2026-05-04", for what has no time of its own.
    """

    file: str
    version: str = ""
    title: str = ""
    root: int = 1  # line of the root element
    units: list[Given] = field(default_factory=list)
    points: list[Point] = field(default_factory=list)
    stands_for: dict[str, set[str]] = field(default_factory=dict)
    setups: list[Setup] = field(default_factory=list)
    target_setups: dict[str, tuple[str, int]] = field(default_factory=dict)  # id: height, line
    backsights: list[tuple[str, str, str, int]] = field(default_factory=list)  # setup, point, target height, line
    observations: list[Observation] = field(default_factory=list)
    pegs: list[Peg] = field(default_factory=list)
    verticals: list[Vertical] = field(default_factory=list)
    instruments: dict[str, dict[str, str]] = field(default_factory=dict)  # id: attributes, those of Corrections too
    notes: dict[tuple[str, str], list[str]] = field(default_factory=dict)
    days: dict[int, str] = field(default_factory=dict)
    log: list[Entry] = field(default_factory=list)
    remarks: list[Entry] = field(default_factory=list)  # those of the log that a person wrote down in the field
    refused: list[Refusal] = field(default_factory=list)

    def say(self, place: Place, fate: str, text: str, *values: object) -> Entry:
        """Log what became of an element; values go into the text's ``{}``."""
        said = text.format(*values) if values else text
        place = place._replace(name=printable(place.name))
        self.log.append(Entry(place, fate, printable(said), text.replace("{}", "...")))
        return self.log[-1]

    def refuse(self, place: Place, attribute: str, read: str, expected: str, cause: str = "") -> None:
        """Keep what cannot be understood; the file is then no job."""
        self.refused.append(Refusal(place, attribute, read, expected, cause))

    def note(self, kind: str, id: str) -> str:
        """What is remarked on a set-up or target set-up, "" for nothing."""
        return "; ".join(self.notes.get((kind, id), ()))


def number(text: str | None) -> float:
    """A finite number, NaN for none.

    >>> number(" 1.5e0 "), number("INF"), number(None)
    (1.5, nan, nan)
    """
    value = _float(text)
    return math.nan if value is None or not math.isfinite(value) else value


def is_word(text: str | None) -> bool:
    """Whether a text that should be a number is none at all; NaN and INF are numbers of the schema, not recorded.

    >>> is_word("1,5"), is_word("INF"), is_word(""), is_word(None)
    (True, False, False, False)
    """
    return bool((text or "").strip()) and _float(text) is None


def _float(text: str | None) -> float | None:
    if text is None or "_" in text or len(text) > 60:
        return None
    try:
        return float(text)
    except ValueError:
        return None


def log_lines(log: list[Entry]) -> Iterator[str]:
    """The log, one element a line."""
    yield "line\tfate\telement\tname\twhat"
    for entry in log:
        line, element, name = entry.place
        yield f"{line}\t{entry.fate}\t{element}\t{name}\t{entry.text}"
