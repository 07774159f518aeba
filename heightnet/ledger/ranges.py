"""What a number may be: one rule for each kind of number, wherever it comes from, and its words.

Settings, tables, options and Python keywords all ask here.  A limit is set where no instrument and no job on earth
goes, so that a slip of a unit or a filler is seen as what it is, and arithmetic never overflows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from numbers import Real
from typing import Any

ROUNDING = 1e-12


@dataclass(frozen=True)
class Range:
    """Numbers from ``low`` to ``high``; with ``zero`` also 0; with ``whole`` whole ones only.

    usual : between which a number of a job raises no question; outside, up to the limits, it is doubted, and read as
        it is; None: anywhere within the limits.  What is usual is our judgement, where no source is named beside it.

    >>> print(Range(0.01, 10_000, "mm"))
    a number from 0.01 to 10,000 mm
    >>> print(Range(0.001, 1_000_000, "mm", zero=True))
    0, or a number from 0.001 to 1,000,000 mm
    """

    low: float
    high: float
    unit: str = ""
    zero: bool = False
    whole: bool = False
    usual: tuple[float, float] | None = None

    def __str__(self) -> str:
        whole = "a whole number" if self.whole else "a number"
        return f"{'0, or ' if self.zero else ''}{whole} {self.span}"

    @property
    def span(self) -> str:
        """``from 0.01 to 10,000 mm``."""
        return f"from {_plain(self.low)} to {_plain(self.high)} {self.unit}".rstrip()

    def told_in(self, unit: str, metres: float) -> Range:
        """The rule of a length in m in words of another unit, of so many metres; cut to four digits.

        >>> print(Range(-10, 10, "m").told_in("ft", 0.3048))
        a number from -32.8 to 32.8 ft
        """
        usual = self.usual and (_cut(self.usual[0] / metres), _cut(self.usual[1] / metres))
        return replace(self, low=_cut(self.low / metres), high=_cut(self.high / metres), unit=unit, usual=usual)

    def holds(self, value: Any) -> Any:
        """Whether a number, or each of an array, is within, up to the last digits of a conversion; NaN never is."""
        low, high = self.low - ROUNDING * abs(self.low), self.high + ROUNDING * abs(self.high)
        return ((value >= low) & (value <= high)) | ((value == 0) & self.zero)

    def doubts(self, values: Any) -> Any:
        """Whether a number, or each of an array, is within, and yet not usual; only of what says what is usual."""
        assert self.usual is not None, "it says what is usual"
        low, high = self.usual
        return self.holds(values) & ((values < low) | (values > high)) & ((values != 0) | (not self.zero))

    @property
    def usually(self) -> str:
        """ "from 0.2 to 3 m"; "" where nothing is unusual."""
        return replace(self, low=self.usual[0], high=self.usual[1]).span if self.usual else ""

    def takes(self, value: Any) -> bool:
        """Whether something from Python is a number within.

        >>> Range(1, 9).takes(2), Range(1, 9).takes(True), Range(1, 9).takes("2"), Range(1, 9).takes(10**400)
        (True, False, False, False)
        >>> Range(1, 9).takes(2.5), Range(1, 9, whole=True).takes(2.5)
        (True, False)
        """
        if isinstance(value, bool) or not isinstance(value, Real):
            return False
        try:
            return bool(self.holds(float(value))) and (not self.whole or float(value).is_integer())
        except OverflowError:
            return False

    def read(self, text: str) -> float | None:
        """The number a text says, None where it says none within the range.

        >>> Range(1, 9).read("2.5"), Range(1, 9).read("nan"), Range(1, 9, whole=True).read("2.5"), Range(1, 9).read("x")
        (2.5, None, None, None)
        """
        try:
            value = int(text) if self.whole else float(text)
        except ValueError:
            return None
        return value if self.holds(value) and "_" not in text else None


def _plain(value: float) -> str:
    """Without an exponent.

    >>> [_plain(x) for x in (1e-9, 0.5, 99.0, -12_000)]
    ['0.000000001', '0.5', '99', '-12,000']
    """
    if value == round(value):
        return f"{value:,.0f}"
    return f"{value:,.12f}".rstrip("0")


def _cut(value: float) -> float:
    """The first four digits, so that a limit is rather told too narrow than too wide."""
    if value == 0:
        return 0.0
    step = 10.0 ** (math.floor(math.log10(abs(value))) - 3)
    return round(math.trunc(value / step + math.copysign(1e-9, value)) * step, 12)


# ---- heights, lengths and what is read, in tables ----

HEIGHT_M = Range(-12_000, 100_000, "m", usual=(-450, 9_000))  # from the Dead Sea's shore to the highest mountain
RISE_M = Range(-20_000, 20_000, "m", usual=(-1_000, 1_000))
POSITION_M = Range(-1e8, 1e8, "m", usual=(-1e7, 61e6))  # eastings may have their zone of 1 to 60 before them
INSTRUMENT_M = Range(-10, 10, "m", usual=(0.1, 3))  # no set-up stands higher above its mark; a reduced level does
TARGET_M = Range(-10, 100, "m", usual=(0, 6))  # a target may hang from a roof, and stand on a tower
SEPARATION_M = Range(-120, 120, "m", usual=(-110, 90))  # a global geoid model: -107 to 85 m (from memory)
SIGHT_M = Range(0.001, 300_000, "m", usual=(0.5, 20_000))
STAFF_M = Range(-10, 100, "m", usual=(-5, 5))  # a staff may hang from a roof, and be a tape in a shaft
OTHER_SCALE_M = Range(-100, 100, "m", usual=(-10, 10))  # some three metres more than a staff is read
STAFF_SIGHT_M = Range(0.001, 10_000, "m", zero=True, usual=(0.5, 200))
LINE_M = Range(0.001, 10_000_000, "m", usual=(0.5, 100_000))
LEVEL_SETUPS = Range(0.5, 1_000_000, usual=(1, 10_000))
RADIUS_MM = Range(0.01, 5_000, "mm", zero=True, usual=(1, 500))
OFFSET_MM = Range(-20_000, 20_000, "mm", usual=(-2_000, 2_000))

# ---- standard deviations, in tables and settings ----

SD_MM = Range(0.001, 1_000_000, "mm", usual=(0.01, 500))
SD_READ_MM = Range(0.001, 1_000_000, "mm", usual=(0.01, 50))  # of what one person reads: a tape, a staff
SD_OR_EXACT_MM = Range(0.001, 1_000_000, "mm", zero=True, usual=(0.01, 500))
SD_SEC = Range(0.001, 36_000, "arc-seconds", usual=(0.05, 120))

# ---- settings ----

SD_OR_NONE_SEC = Range(0.001, 36_000, "arc-seconds", zero=True, usual=(0.05, 120))
PPM = Range(0, 10_000, "mm per km", usual=(0, 50))
SD_ROOT_KM = Range(0.001, 1_000_000, "mm per root km", usual=(0.05, 100))
SD_ROOT_SETUP = Range(0.001, 1_000_000, "mm per root set-up", usual=(0.01, 30))
SD_TILT = Range(0.001, 1_000_000, "mm per km", zero=True, usual=(0.01, 100))
# Near the ground a single value has been found beyond 10 (from memory), the mean of a session has not.
REFRACTION = Range(-10, 10, usual=(-1, 1))
SD_REFRACTION = Range(0.000001, 10, zero=True, usual=(0.001, 1))
# Of WGS 84, a = 6378137 m and 1/f = 298.257223563: of curvature along the meridian, from a(1 - e^2) at the equator to
# a/sqrt(1 - e^2) at the poles; every radius of that ellipsoid lies between them.
EARTH_M = Range(6_000_000, 7_000_000, "m", usual=(6_335_439, 6_399_594))
FALSE_ALARM = Range(0.001, 0.2, usual=(0.001, 0.1))  # it is kept by simulation, which can tell no smaller share
POWER = Range(0.5, 0.99)  # a choice, and all of it is sensible
ALPHA = Range(0.000001, 0.5)  # nothing uses it
TOLERANCE_MM = Range(0.01, 1_000, "mm", usual=(0.1, 500))  # below, it is likely written in metres
RATE = Range(0.000000001, 0.5, usual=(0.000001, 0.25))

# ---- options: who types one reads the answer next; nothing is doubted ----

CLOSING_KM = Range(0.01, 10_000, "mm per root km")
CLOSING_SETUPS = Range(0.01, 10_000, "mm per root set-up")
TAPE_SD_MM = Range(0.001, 100, "mm", zero=True)
WORK_MM = Range(0.1, 1_000, "mm")
MINUTES = Range(0.01, 10_000, "minutes")
BUDGET_MIN = Range(0, 100_000, "minutes")
WALKING = Range(0.01, 1_000, "minutes a kilometre", zero=True)
SEED = Range(0, 4_294_967_295, whole=True)
RUNS = Range(2, 1_000_000, whole=True)
WORKERS = Range(1, 1_024, whole=True)
SECONDS = Range(0.01, 1_000_000, "seconds")
