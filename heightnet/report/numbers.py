"""Numbers for people: rounded once, at the last digit that means something, in the job's own unit of length.

In sentences a value and its standard deviation share their last digit.  In tables every height is shown to
0.1 mm (0.001 ft) and every small length to 0.1 mm (a thousandth of a foot), no finer.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from heightnet.ledger.field import METRES

MINUS = "\N{MINUS SIGN}"
INTERVAL = 1.96  # standard deviations that hold 95 of 100
NONE = "\N{EN DASH}"  # what a table shows where a number does not exist


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
    """Decimals that a standard deviation in mm deserves: a whole mm from about 1 mm on.

    >>> [decimals_for(sd) for sd in (0.34, 0.9, 1.3, 17.0)]
    [1, 1, 0, 0]
    """
    if sd is None or not math.isfinite(sd) or sd <= 0:
        return 1
    return 1 if sd < 0.95 else 0


@dataclass(frozen=True)
class Lengths:
    """Writes lengths in one unit, ``m``, ``ft`` or ``ftUS``; values come in as metres or millimetres.

    >>> m, ft = Lengths("m"), Lengths("ft")
    >>> m.small(24.23, 1.9), m.span(24.23, 2.4), m.height(103.48678)
    ('24 mm', '20 to 29', '103.4868')
    >>> ft.small(24.23, 1.9), ft.span(24.23, 2.4), ft.height(103.48678)
    ('0.079 ft', '0.064 to 0.095', '339.524')
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

    @property
    def height_digits(self) -> tuple[int, float]:
        """Decimals of a height in a table, and how many metres its unit is."""
        return (4 if self.metric else 3), METRES[self.unit]

    @property
    def column_digits(self) -> tuple[int, float]:
        """Decimals of a small length in a table, and how many millimetres its unit is."""
        return (1 if self.metric else 0), METRES[self.unit]

    @property
    def distance_digits(self) -> tuple[int, float]:
        return 1, METRES[self.unit]

    def as_read(self, metres: float) -> str:
        """A reading, to the last digit that anything is read to.

        >>> Lengths("ft").as_read(122.42399), Lengths("m").as_read(1.5)
        ('401.6535', '1.5000')
        """
        return f"{metres / METRES[self.unit]:.4f}"

    def height(self, metres: float | None) -> str:
        """A height for a table, to 0.1 mm or 0.001 ft."""
        return fixed(None if metres is None else metres / METRES[self.unit], 4 if self.metric else 3)

    def rounded(self, metres: float | None, sd_mm: float | None = None) -> str:
        """A height as fine as its standard deviation allows."""
        if metres is None:
            return NONE
        decimals = 3 + decimals_for(sd_mm if sd_mm else 2.0) if self.metric else 3
        return fixed(metres / METRES[self.unit], decimals)

    def height_in_words(self, metres: float | None, sd_mm: float | None = None) -> str:
        """A height for a sentence, as fine as its standard deviation allows, with its unit."""
        return NONE if metres is None else f"{self.rounded(metres, sd_mm)} {self.name}"

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

    def span(self, mm: float, sd_mm: float) -> str:
        """Between what sizes 95 of 100 such errors lie; the sign goes into words, unless both are possible.

        >>> Lengths("m").span(-245.3, 1.8), Lengths("m").span(13, 375)
        ('242 to 249', '722 too low to 748 too high')
        """
        low, high = sorted((abs(mm) - INTERVAL * sd_mm, abs(mm) + INTERVAL * sd_mm))
        first, last = (self.small(size, sd_mm).split(" ", 1)[0] for size in (low, high))
        if low >= 0 or first.strip("0.") == "":
            return f"{first} to {last}"
        return f"{last} too low to {first} too high" if mm < 0 else f"{first} too low to {last} too high"

    def about(self, mm: float) -> str:
        """A size with two digits at most, for sizes that are themselves estimates.

        >>> Lengths("m").about(14.23), Lengths("m").about(3.14)
        ('14 mm', '3.1 mm')
        """
        if not self.metric:
            return self.small(mm)
        return f"{abs(mm):.{1 if abs(mm) < 9.95 else 0}f} mm"

    def between(self, low_mm: float, high_mm: float) -> str:
        """Two sizes, as fine as the larger one deserves.

        >>> Lengths("m").between(4.83, 11.2), Lengths("ft").between(4.83, 11.2)
        ('5 to 11 mm', '0.016 to 0.037 ft')
        """
        low = f"{low_mm:.{1 if high_mm < 9.95 else 0}f}" if self.metric else self.small(low_mm).split(" ", 1)[0]
        return f"{low} to {self.about(high_mm)}"


LIKELIHOODS = (
    (0.99, "almost certain"), (0.9, "very likely"), (0.5, "likely"), (0.1, "possible"), (0.01, "unlikely"),
    (0.0, "very unlikely"),
)  # fmt: skip
"""The word for a probability of so much and more."""


def likelihood(probability: float) -> str:
    """The word for a probability.

    >>> [likelihood(p) for p in (0.9987, 0.973, 0.5, 0.17, 0.004)]
    ['almost certain', 'very likely', 'likely', 'possible', 'very unlikely']
    """
    as_told = round(probability, 6) if abs(probability - 0.5) > 0.005 else 0.5  # as its number says
    return next(word for least, word in LIKELIHOODS if as_told >= least)


def in_100(probability: float | None) -> str:
    """How many in 100, for a table.

    >>> [in_100(p) for p in (0.9987, 0.173, 0.004, None)]
    ['>99', '17', '<1', '–']
    """
    if probability is None:
        return NONE
    if probability > 0.99:
        return ">99"
    return "<1" if probability < 0.01 else f"{100 * probability:.0f}"


def of_100(probability: float) -> str:
    """How many in 100, for a sentence.

    >>> of_100(0.9987), of_100(0.173)
    ('more than 99 in 100', '17 in 100')
    """
    return f"{in_100(probability).replace('>', 'more than ').replace('<', 'less than ')} in 100"


def chance(probability: float | None) -> str:
    """A probability as people say it, word and number.

    >>> chance(0.9987), chance(0.17), chance(None)
    ('almost certain (more than 99 in 100)', 'possible (17 in 100)', 'unknown')
    """
    if probability is None:
        return "unknown"
    return f"{likelihood(probability)} ({of_100(probability)})"


NO_BREAK = "\N{NO-BREAK SPACE}"


def tie(text: str) -> str:
    """Keeps numbers and their units on one line by no-break spaces.

    >>> tie("24.2 mm too high, 17 in 100").count(NO_BREAK)
    3
    """
    tied = re.sub(r"(?<=\d) (?=(mm|m|ft|km|US|in 100)\b)", NO_BREAK, text)
    return tied.replace("in 100", f"in{NO_BREAK}100")


def count(number: int, one: str, many: str = "") -> str:
    """``1 set-up``, ``3 set-ups``, ``1,000 set-ups``."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def minutes(number: float) -> str:
    """Minutes to a tenth, without their unit.

    >>> minutes(15.0), minutes(15.173)
    ('15', '15.2')
    """
    return f"{round(number, 1):g}"


def listing(items: Sequence[str], most: int = 4, joined: str = "and", called: Callable[[str], str] = str) -> str:
    """Items in a sentence, the first ones if there are many.

    called : what an item is called, asked of those that are told.

    >>> listing(["P1", "P2", "P3"]), listing("abcdefg", 3, called=str.upper)
    ('P1, P2 and P3', 'A, B, C and 4 more')
    """
    if len(items) > most + 1:
        return f"{', '.join(map(called, items[:most]))} {joined} {len(items) - most:,} more"
    *first, last = map(called, items or [""])
    return f"{', '.join(first)} {joined} {last}" if first else last
