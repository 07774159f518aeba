"""A value that comes from outside, declared once: its name, what it holds, what it means, the rule it keeps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeVar

from heightnet.ledger.ranges import Range

T = TypeVar("T")

METRES = {"m": 1.0, "ft": 0.3048, "ftUS": 1200.0 / 3937.0}
"""The units of length that a job may be written in, in metres; ftUS is the survey foot of the United States."""


@dataclass(frozen=True)
class Field:
    """One value of a file, an option or a Python argument.

    name : as it is written.
    kind : what it holds, a word that the tables of its sort explain.
    meaning : one line for the person who fills it in.
    choices : the words it may be.
    within : what a number may be; of a length in metres, whatever unit it is written in.
    hint : what a number outside of its rule, or of what is usual, is likely to be.
    """

    name: str
    kind: str
    meaning: str
    choices: tuple[str, ...] = ()
    within: Range | None = None
    hint: str = ""

    def rule_in(self, unit: str = "m") -> str:
        """The rule in words, a length in this unit; "" where there is none.

        >>> Field("h", "length", "", within=Range(-10, 10, "m")).rule_in("ft")
        'a number from -32.8 to 32.8 ft'
        """
        if self.choices:
            return f"one of {', '.join(self.choices)}"
        if self.within is None:
            return ""
        return str(self.within if self.kind != "length" or unit == "m" else self.within.told_in(unit, METRES[unit]))

    @property
    def limits(self) -> str:
        """The same for a page, in short."""
        if self.choices:
            return ", ".join(f"`{choice}`" for choice in self.choices)
        return f"{'0 or ' if self.within.zero else ''}{self.within.span}" if self.within else ""

    @property
    def zones(self) -> str:
        """Limits and what is usual for a page: "from -10 to 10 (usually from -1 to 1)"."""
        usually = self.within.usually if self.within else ""
        return f"{self.limits} (usually {usually})" if usually else self.limits

    def keeps(self, value: Any) -> bool:
        """Whether a value from Python keeps the rule."""
        if self.within is not None:
            return self.within.takes(value)
        return value in self.choices if self.choices else isinstance(value, str)

    def unusual(self, value: Any) -> bool:
        """Whether a number keeps the rule, and yet is not what it usually is."""
        within = self.within
        return bool(within and within.usual and within.takes(value) and within.doubts(float(value)))

    def doubt(self, read: str, usually: str = "", called: str = "") -> str:
        """What is said of a number that is unusual.

        read : as it was written.
        usually : what is usual, in the unit it was written in; called : what the file calls it.

        >>> Field("air.refraction", "number", "", within=Range(-10, 10, usual=(-1, 1))).doubt("5")
        'air.refraction 5 is unusual: it is mostly from -1 to 1'
        """
        usually = usually or (self.within.usually if self.within else "")
        said = f"{called or self.name} {read} is unusual: it is mostly {usually}"
        hangs = read.lstrip().startswith(("-", "\u2212"))  # what is below 0 is no slip of a unit
        return f"{said}. {self.hint}" if self.hint and not hangs else said


def put(into: dict[str, T], name: str, what: T, after: str = "") -> None:
    """Put something under a name of its own into what has an order: after something else, or last.

    Raises ValueError where the name is taken, or there is nothing to come after.

    >>> order = {"a": 1, "c": 3}
    >>> put(order, "b", 2, after="a"); list(order)
    ['a', 'b', 'c']
    """
    if name in into or (after and after not in into):
        raise ValueError(f"{name}: there is one already, or there is no {after!r} for it to come after")
    last = [(other, into.pop(other)) for other in list(into)[list(into).index(after) + 1 if after else len(into) :]]
    into.update([(name, what), *last])
