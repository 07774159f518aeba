"""One tape reading with all that was written beside it, and the points of an equipment that a tape is held to."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from heightnet.job.tapes import INCH, SCALES, read_tape

Length = TypeVar("Length", float, npt.NDArray[np.float64])

FOOT = 12 * INCH
METRIC, DECIMAL_FEET, FEET = ("m", "mm"), ("ft", "ftUS"), ("ft", "ftUS", "ftin")

# Nobody reads a tape more coarsely than this: where the text is shorter, zeros were not written.
COARSEST = {"m": 0.01, "mm": 0.001, "ft": 0.01 * FOOT, "ftUS": 0.01 * FOOT, "ftin": INCH / 8}


@dataclass(frozen=True)
class MeasuringPoint:
    """A point of the equipment: name, radius and offset up to the axis or centre (m), the one usually used."""

    name: str
    radius: float = 0.0
    offset: float = 0.0
    usual: bool = False

    @property
    def at_head(self) -> bool:
        return "head" in self.name.lower()


@dataclass(frozen=True)
class Reading:
    """One reading behind a height, or a value as it was written.

    text, scale : as read; "m", "mm", "ft", "ftUS" or "ftin"; parts joined with " + ".
    kind : "booked", "vertical", "slant" or "parts".
    value : the length read, m.
    radius, offset : of the point the tape was held to, m; point its name.
    parts : lengths of the parts, m.
    """

    text: str
    value: float
    scale: str = "m"
    kind: str = "vertical"
    radius: float = 0.0
    offset: float = 0.0
    point: str = ""
    parts: tuple[float, ...] = ()

    @classmethod
    def booked(cls, height: float, scale: str = "m", kind: str = "booked") -> Reading:
        """A height booked without its reading; a value of another kind that is known as a number only.

        >>> Reading.booked(1.58).text, Reading.booked(1.58496, "ft").text
        ('1.580', '5.20')
        """
        number = height / SCALES[scale]
        decimals = {"m": 3, "mm": 0}.get(scale, 2)
        while decimals < 5 and abs(round(number, decimals) - number) > 2e-5:
            decimals += 1
        return cls(f"{number:.{decimals}f}", height, scale, kind)

    @cached_property
    def unit(self) -> float:
        """The unit the reading was made to, as its text shows, m; of parts the coarsest.

        >>> Reading("1.586", 1.586).unit, round(Reading("5' 2 7/16\\"", 1.5859, "ftin").unit / 0.0254, 4)
        (0.001, 0.0625)
        """
        return max(self._steps)

    @property
    def rounding(self) -> float:
        """The most that rounding can put into the height, m: half a unit, of each part, grown on the way upright.

        >>> Reading("1.586", 1.586).rounding, Reading("1.343 + 0.243", 1.586, kind="parts").rounding
        (0.0005, 0.001)
        """
        return sum(self._steps) / 2 * self._steepness

    @property
    def rounding_variance(self) -> float:
        """Variance of what rounding puts into the height, m^2."""
        return float(sum(step**2 for step in self._steps)) / 12 * self._steepness**2

    @cached_property
    def _steps(self) -> tuple[float, ...]:
        return tuple(_unit(text, self.scale) for text in self.text.split(" + "))

    @property
    def _steepness(self) -> float:
        """How much a slant's error grows on the way to the vertical: s / sqrt(s^2 - r^2)."""
        return self.value / (self.height - self.offset) if self.kind == "slant" else 1.0

    @cached_property
    def height(self) -> float:
        return self.reduced(self.value)

    def reduced(self, value: float) -> float:
        """The height, had the tape read ``value``; NaN where a slant would be shorter than its radius."""
        return held_to(value, self.radius if self.kind == "slant" else 0.0, self.offset)

    @property
    def metric(self) -> bool:
        return self.scale in METRIC


def slant_to_vertical(slant: Length, radius: Length, offset: Length | float = 0.0) -> Length:
    """Vertical height of the axis from a slant reading: sqrt(s^2 - r^2) + v (Pythagoras).

    Parameters
    ----------
    slant : reading from the mark to the measuring point, m, longer than the radius.
    radius : horizontal distance from the vertical axis to the measuring point, m.
    offset : vertical distance from the measuring point up to the axis, m.

    >>> round(slant_to_vertical(1.674, 0.100), 3)
    1.671
    """
    return ((slant - radius) * (slant + radius)) ** 0.5 + offset


def held_to(read: float, radius: float, offset: float) -> float:
    """Height of the axis from a reading to a point; NaN where a slant is not longer than its radius."""
    return (upright(read, radius) or float("nan")) + offset if radius else read + offset


def upright(slant: float, radius: float) -> float:
    """Height of a slant's upright side; 0 where the slant is not longer than its radius."""
    return slant_to_vertical(slant, radius) if slant > radius else 0.0


@lru_cache(maxsize=10_000)
def _unit(text: str, scale: str) -> float:
    try:
        return min(COARSEST[scale], read_tape(text, scale).unit)
    except ValueError:  # a booked height that no tape could have: zero, or negative
        return COARSEST[scale] / 10
