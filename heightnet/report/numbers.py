"""Numbers for people: rounded once, at the last digit that means something, in the job's own unit of length.

In sentences a value and its standard deviation share their last digit.  In tables every height is shown to
0.1 mm (0.001 ft) and every small length to 0.1 mm (a thousandth of a foot), no finer.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

MINUS = "\N{MINUS SIGN}"
NONE = "\N{EN DASH}"  # what a table shows where a number does not exist
METRES = {"m": 1.0, "ft": 0.3048, "ftUS": 1200 / 3937}


def fixed(value: float | None, decimals: int) -> str:
    """A number with a true minus sign and never a minus zero.

    >>> fixed(-0.04, 1), fixed(-12.34, 1), fixed(None, 1)
    ('0.0', '−12.3', '–')
    """
    if value is None or not math.isfinite(value):
        return NONE
    text = f"{abs(value):.{decimals}f}"
    return MINUS + text if value < 0 and float(text) else text


def decimals_for(sd: float | None) -> int:
    """Decimals that a standard deviation deserves: two digits if the first is 1, else one; 0 to 1 of them.

    >>> [decimals_for(sd) for sd in (0.34, 1.9, 2.4, 17.0)]
    [1, 1, 0, 0]
    """
    if sd is None or not math.isfinite(sd) or sd <= 0:
        return 1
    return 1 if sd < 1.95 else 0


@dataclass(frozen=True)
class Lengths:
    """Writes lengths in one unit, ``m``, ``ft`` or ``ftUS``; values come in as metres or millimetres.

    >>> m, ft = Lengths("m"), Lengths("ft")
    >>> m.small(24.23, 1.9), m.plus_minus(24.23, 2.4), m.height(103.48678)
    ('24.2 mm', '24 ± 2 mm', '103.4868')
    >>> ft.small(24.23, 1.9), ft.plus_minus(24.23, 2.4), ft.height(103.48678)
    ('0.079 ft', '0.079 ± 0.008 ft', '339.524')
    """

    unit: str = "m"

    @property
    def metric(self) -> bool:
        return self.unit == "m"

    @property
    def name(self) -> str:
        """The unit as a heading says it."""
        return {"m": "m", "ft": "ft", "ftUS": "US survey ft"}[self.unit]

    @property
    def small_name(self) -> str:
        """The unit of a table's small lengths."""
        return "mm" if self.metric else "thousandths of a foot"

    @property
    def small_short(self) -> str:
        return "mm" if self.metric else "ft/1000"

    def height(self, metres: float | None) -> str:
        """A height for a table, to 0.1 mm or 0.001 ft."""
        return fixed(None if metres is None else metres / METRES[self.unit], 4 if self.metric else 3)

    def height_in_words(self, metres: float | None, sd_mm: float | None = None) -> str:
        """A height for a sentence, as fine as its standard deviation allows, with its unit."""
        if metres is None:
            return NONE
        decimals = 3 + decimals_for(sd_mm if sd_mm else 2.0) if self.metric else 3
        return f"{fixed(metres / METRES[self.unit], decimals)} {self.name}"

    def distance(self, metres: float | None) -> str:
        """A distance for a table or a plan, to a tenth of the unit."""
        return fixed(None if metres is None else metres / METRES[self.unit], 1)

    def column(self, mm: float | None) -> str:
        """A small length for a table: 0.1 mm, or a whole thousandth of a foot."""
        return fixed(self.in_small_units(mm), 1 if self.metric else 0)

    def in_small_units(self, mm: float | None) -> float | None:
        """Millimetres as ``small_name``: unchanged, or thousandths of a foot."""
        return mm if mm is None or self.metric else mm / METRES[self.unit]

    def small(self, mm: float | None, sd_mm: float | None = None) -> str:
        """The size of a small length in a sentence; its sign goes into words."""
        if mm is None:
            return NONE
        if not self.metric:
            return f"{abs(mm) / METRES[self.unit] / 1000:.3f} ft"
        return f"{abs(mm):.{decimals_for(sd_mm)}f} mm"

    def plus_minus(self, mm: float, sd_mm: float | None) -> str:
        """``24 ± 2 mm``; the sign of the value goes into words."""
        value = self.small(mm, sd_mm)
        if sd_mm is None:
            return value
        number, unit = value.split(" ", 1)
        return f"{number} ± {self.small(sd_mm, sd_mm).split(' ', 1)[0]} {unit}"

    def about(self, mm: float) -> str:
        """A size with two digits at most, for sizes that are themselves estimates.

        >>> Lengths("m").about(14.23), Lengths("m").about(3.14)
        ('14 mm', '3.1 mm')
        """
        if not self.metric:
            return self.small(mm)
        return f"{abs(mm):.{1 if abs(mm) < 9.95 else 0}f} mm"


def chance(probability: float | None) -> str:
    """A probability as people say it.

    >>> [chance(p) for p in (0.9987, 0.973, 0.004, None)]
    ['more than 99 %', '97 %', 'under 1 %', 'unknown']
    """
    if probability is None:
        return "unknown"
    if probability > 0.99:
        return "more than 99 %"
    if probability < 0.01:
        return "under 1 %"
    return f"{100 * probability:.0f} %"


NO_BREAK = "\N{NO-BREAK SPACE}"


def tie(text: str) -> str:
    """Keeps numbers and their units on one line by no-break spaces.

    >>> tie("24.2 ± 1.9 mm too high").count(NO_BREAK)
    3
    """
    text = re.sub(r"(?<=\d) (?=(mm|m|ft|%|km|US)\b|%)", NO_BREAK, text)
    return text.replace(" ± ", f"{NO_BREAK}±{NO_BREAK}")


def count(number: int, one: str, many: str = "") -> str:
    """``1 set-up``, ``3 set-ups``, ``1,000 set-ups``."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def listing(items: list[str], most: int = 4, joined: str = "and") -> str:
    """Items in a sentence, the first ones if there are many.

    >>> listing(["P1", "P2", "P3"]), listing(list("abcdefg"), 3)
    ('P1, P2 and P3', 'a, b, c and 4 more')
    """
    if len(items) > most + 1:
        return f"{', '.join(items[:most])} {joined} {len(items) - most:,} more"
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {joined} {items[-1]}"
