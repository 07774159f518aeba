"""What a statement is about: one thing of the job, or one way in which several are wrong together.

Only this module takes an id apart or puts one together.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import repeat
from typing import NamedTuple

STANDS = ("setup", "target", "tripod")
"""A stand's height as a whole; "tripod" one that an instrument and a target share."""
TAPED = (*STANDS, "reading")
"""What a tape says."""
ROWS = ["shot", "level", "staff", "gnss"]
"""One observation, a row of its table; a kind that is registered adds its own."""
OBSERVED = [*ROWS, "known"]
"""One observation that is not taped."""
LEVELLED = ("staff", "level", "exchange", "pointing")
"""What stands in a level book."""
POINTING = "pointing"
"""Every reading of one sight to a staff: its wires, its scales, what was read again."""
EXCHANGED = ("swap", "exchange")
"""Two values in each other's place."""
EVENTS = ("spell", "moved")
"""What began or ended at some moment of a thing's use; all moments of one thing are one event."""
PARTS = ("local", "source")
"""What has a part of its group wrong alike: at a mark, with a person, from one list."""
TOGETHER = ("group", *PARTS, *EVENTS)
"""What several have wrong alike."""
MISNAMED = "misnamed"
"""A name that is not that of what was measured."""
HAPPENED = (*EVENTS, *PARTS, MISNAMED)
"""What happened in the field, not on the tape."""
AT_MARKS = ("known", "separation")
"""A recorded value of a mark."""

NOT_NAMED = "(not named)"
"""The name of what is common to all that nobody gave a name."""

TABLES = {
    "shot": "shots", "level": "levels", "staff": "staff", "gnss": "gnss", "separation": "separations",
    "known": "known", "group": "groups", "setup": "setups", "target": "targets",
}  # fmt: skip
"""The table of results.json with the records of a kind."""

_BETWEEN = {"swap": "/"}  # what stands between the two names of a pair, else ":"


class Thing(NamedTuple):
    """A thing of a job; ``str(thing)`` is its id in results.json, `Thing.of` reads it back.

    kind : what it is: `TAPED`, `OBSERVED`, `AT_MARKS`, `EXCHANGED`, `TOGETHER`, "mark" as found; of what many jobs
        share "equipment" and the like.
    name : of what is not told by its row, in full; of two names in one see `pair`, of several `names`.  Of a reading
        "target" where its row books the instrument's height beside it; of a staff reading which of its row, where that
        has several: "BS", "FS", "wires", "other scale".
    file, row : where a row stands, the first of several; "" and 0 of all others.

    >>> Thing.of("reading:tape.csv:12")
    Thing(kind='reading', name='', file='tape.csv', row=12)
    >>> Thing.of("reading:shots.csv:2/target").row, str(Thing("reading", "target", "shots.csv", 2))
    (2, 'reading:shots.csv:2/target')
    >>> str(Thing("setup", "A:7")), Thing.of("setup:A:7").name
    ('setup:A:7', 'A:7')
    """

    kind: str
    name: str = ""
    file: str = ""
    row: int = 0

    @classmethod
    def of(cls, id: str) -> Thing:
        kind, _, name = id.partition(":")
        if kind != "reading" and kind not in ROWS:
            return cls(kind, name)
        file, _, row = name.rpartition(":")
        row, _, name = row.partition("/")
        return cls(kind, name, file, int(row))

    @classmethod
    def both(cls, kind: str, first: str, second: str = "") -> Thing:
        """Two names in one: set-up and target of a swap, level set-up and run of an exchange, kind and member of a
        group.  Where the first holds what stands between them, ``~1`` stands for it, and ``~0`` for ``~``.

        >>> str(Thing.both("swap", "S1", "P3")), str(Thing.both("exchange", "L3")), Thing.both("swap", "1/2", "P/3")
        ('swap:S1/P3', 'exchange:L3', Thing(kind='swap', name='1~12/P/3', file='', row=0))
        """
        between = _BETWEEN.get(kind, ":")
        first = first.replace("~", "~0").replace(between, "~1")
        return cls(kind, f"{first}{between}{second}" if second else first)

    @property
    def pair(self) -> tuple[str, str]:
        """The two names of `both`; the second is "" where there is none.

        >>> Thing.of("swap:1~12/P/3").pair, Thing.of("exchange:L3").pair, Thing.of("group:equipment:prism 2").pair
        (('1/2', 'P/3'), ('L3', ''), ('equipment', 'prism 2'))
        """
        between = _BETWEEN.get(self.kind, ":")
        first, _, second = self.name.partition(between)
        return first.replace("~1", between).replace("~0", "~"), second

    @classmethod
    def several(cls, kind: str, *names: str) -> Thing:
        """Several names in one, any of them "": what is wrong and for how long.

        >>> str(Thing.several("spell", "equipment", "pole 1/2", "P5", ""))
        'spell:equipment/pole 1~12/P5/'
        """
        return cls(kind, "/".join(name.replace("~", "~0").replace("/", "~1") for name in names))

    @property
    def names(self) -> tuple[str, ...]:
        """The names of `several`.

        >>> Thing.of("spell:equipment/pole 1~12/P5/").names
        ('equipment', 'pole 1/2', 'P5', '')
        """
        return tuple(part.replace("~1", "/").replace("~0", "~") for part in self.name.split("/"))

    @property
    def common(self) -> tuple[str, str]:
        """Of a common error, wherever and for however long it was one: its kind and its member; of others "", "".

        >>> Thing.of("group:equipment:prism 2").common, Thing.of("spell:equipment/prism 2/P5/").common
        (('equipment', 'prism 2'), ('equipment', 'prism 2'))
        """
        if self.kind == "group":
            return self.pair
        return (self.names[0], self.names[1]) if self.kind == "spell" else ("", "")

    @property
    def called(self) -> str:
        """Its name, or the file and row it stands in."""
        if not self.file:
            return self.name
        return f"{self.file}:{self.row}/{self.name}" if self.name else f"{self.file}:{self.row}"

    def __str__(self) -> str:
        return f"{self.kind}:{self.called}"


def kind_of(id: str) -> str:
    """The kind alone, where a million are asked for it."""
    return id.partition(":")[0]


def ids_of(kind: str, names: Iterable[object]) -> list[str]:
    """Ids of many things of one kind by their names, without making the things."""
    return [f"{kind}:{name}" for name in names]


def row_ids(kind: str, files: str | Iterable[str], rows: Iterable[int], cells: Iterable[str] = repeat("")) -> list[str]:
    """Ids of many rows, of one file or of a file each; of a row with several values each by its cell.

    >>> row_ids("shot", "shots.csv", [2, 3]), row_ids("staff", "staff.csv", [2, 2], ["BS", "FS"])
    (['shot:shots.csv:2', 'shot:shots.csv:3'], ['staff:staff.csv:2/BS', 'staff:staff.csv:2/FS'])
    """
    files = repeat(files) if isinstance(files, str) else files
    return [
        f"{kind}:{file}:{row}/{cell}" if cell else f"{kind}:{file}:{row}"
        for file, row, cell in zip(files, rows, cells, strict=False)
    ]
