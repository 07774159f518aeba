"""What loops, runs and sections may miss: three times what the job's precision lets expect, or a limit of one's own."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, sqrt

from heightnet.errors import HeightnetError
from heightnet.ledger.ranges import CLOSING_KM, CLOSING_SETUPS

EXPECTED = 3.0  # standard deviations: of 370 sound misclosures one misses more (normal law)


@dataclass(frozen=True)
class Closing:
    """A limit of one's own, in mm for each root of a kilometre, of a set-up; without any the job's precision counts.

    Of a loop or run its whole length counts, of a section levelled twice its length one way.
    """

    mm_sqrt_km: float | None = None
    mm_sqrt_setups: float | None = None

    def __post_init__(self) -> None:
        """Raises HeightnetError for what is no limit."""
        for name, c, within in (("closing", self.mm_sqrt_km, CLOSING_KM), ("closing_setups", self.mm_sqrt_setups,
                                                                          CLOSING_SETUPS)):  # fmt: skip
            if c is not None and not within.takes(c):
                raise HeightnetError(f"{name}: read {c}, expected {within}.")

    @property
    def stated(self) -> bool:
        return self.mm_sqrt_km is not None or self.mm_sqrt_setups is not None

    @property
    def name(self) -> str:
        """The rule in words.

        >>> Closing().name, Closing(12.0).name, Closing(mm_sqrt_setups=1.5).name
        ('3 times its expected sd', '12 mm per root km', '1.5 mm per root set-up')
        """
        parts = [(self.mm_sqrt_km, "km"), (self.mm_sqrt_setups, "set-up")]
        said = [f"{c:g} mm per root {of}" for c, of in parts if c is not None]
        return " and ".join(said) or f"{EXPECTED:g} times its expected sd"

    def allowed(self, expected_sd: float, km: float = 0.0, setups: float = 0.0) -> tuple[float, str]:
        """What may be missed, m, and the rule that says so; where no length or count is known the precision counts.

        >>> allowed, by = Closing(12.0).allowed(0.001, km=0.25)
        >>> round(allowed, 6), by
        (0.006, '12 mm per root km')
        >>> Closing(12.0).allowed(0.001)
        (0.003, '3 times its expected sd')
        """
        by_km = self.mm_sqrt_km / 1000 * sqrt(km) if self.mm_sqrt_km is not None and km > 0 else inf
        by_setups = self.mm_sqrt_setups / 1000 * sqrt(setups) if self.mm_sqrt_setups is not None and setups > 0 else inf
        least = min(by_km, by_setups)
        if least == inf:
            return EXPECTED * expected_sd, Closing().name
        return least, Closing(self.mm_sqrt_km).name if by_km <= by_setups else Closing(None, self.mm_sqrt_setups).name
