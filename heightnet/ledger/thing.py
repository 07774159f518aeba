"""What a statement is about: one thing of the job, or one way in which several are wrong together."""

from __future__ import annotations

from typing import NamedTuple

ROW_KINDS = ("reading", "shot", "level", "staff", "gnss")  # told by the file and row they stand in


class Thing(NamedTuple):
    """A thing of a job; ``str(thing)`` is its id in results.json, `Thing.of` reads it back.

    kind : what it is: a stand ("setup", "target", "tripod"), a row of a file (`ROW_KINDS`), a mark's height ("known",
        "separation"), two values in each other's place ("swap", "exchange"), or what is common to many ("group").
    name : of what is not told by its row, in full; of a group its own kind and member, ``equipment:prism 2``.
    file, row : where a row stands; "" and 0 of all others.

    >>> Thing.of("reading:tape.csv:12")
    Thing(kind='reading', name='', file='tape.csv', row=12)
    >>> str(Thing("setup", "A:7")), Thing.of("setup:A:7").name
    ('setup:A:7', 'A:7')
    >>> Thing.of("swap:S1/P3").pair, Thing.of("exchange:L3:run 2").pair, Thing.of("group:equipment:prism 2").pair
    (('S1', 'P3'), ('L3', 'run 2'), ('equipment', 'prism 2'))
    """

    kind: str
    name: str = ""
    file: str = ""
    row: int = 0

    @classmethod
    def of(cls, id: str) -> Thing:
        kind, _, name = id.partition(":")
        if kind not in ROW_KINDS:
            return cls(kind, name)
        file, _, row = name.rpartition(":")
        return cls(kind, file=file, row=int(row))

    def __str__(self) -> str:
        return f"{self.kind}:{self.file}:{self.row}" if self.file else f"{self.kind}:{self.name}"

    @property
    def pair(self) -> tuple[str, str]:
        """The two names in one: set-up and target of a swap, level set-up and run of an exchange, kind and member of a
        group; the second is "" where there is none."""
        first, _, second = self.name.partition("/" if self.kind == "swap" else ":")
        return first, second
