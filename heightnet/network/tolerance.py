"""What levelling may miss: published tolerances with their sources, and c * sqrt(K) of one's own.

All are c mm times the root of the kilometres levelled: of a loop its whole length, of a section levelled out and back
its length one way.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from heightnet.errors import HeightnetError
from heightnet.ledger.ranges import TOLERANCE_ROOT_KM


@dataclass(frozen=True)
class Tolerance:
    """What a loop and a section levelled out and back may miss, in mm for each root of a kilometre.

    key : as it is asked for, ``fgcc-3``.
    name : as it is told, with its source.
    """

    key: str
    name: str
    mm_sqrt_km: float
    section_mm_sqrt_km: float

    def loop(self, km: float) -> float:
        """Allowed misclosure of a loop, m.

        >>> round(THIRD_ORDER.loop(0.25) * 1000, 3)
        6.0
        """
        return self.mm_sqrt_km / 1000 * math.sqrt(km)

    def section(self, km: float) -> float:
        """Allowed difference of a section levelled out and back, m; km one way."""
        return self.section_mm_sqrt_km / 1000 * math.sqrt(km)


def _published() -> dict[str, Tolerance]:
    found = []
    fgcc = {
        "1-1": ("first order class I", 4, 3), "1-2": ("first order class II", 5, 4),
        "2-1": ("second order class I", 6, 6), "2-2": ("second order class II", 8, 8),
        "3": ("third order", 12, 12),
    }  # fmt: skip
    for key, (order, loop, section) in fgcc.items():
        by = f"({order} levelling, FGCC 1984, from memory)"
        differs = f", {section} for a section" if section != loop else ""
        found.append(Tolerance(f"fgcc-{key}", f"{loop} mm per root km{differs} {by}", loop, section))
    for key, c in {"l2a": 2, "la": 4, "lb": 8, "lc": 12, "ld": 18, "le": 36}.items():
        class_ = key[0].upper() + key[1:].upper()
        by = f"(class {class_}, ICSM SP1 version 1.7, from memory)"
        found.append(Tolerance(f"icsm-{key}", f"{c} mm per root km {by}", c, c))
    for grade, c in enumerate((3, 4, 8, 24, 120)):
        which = ("special order", "first order", "second order", "third order", "fourth order")[grade]
        by = f"({which}, Canada 1978, from memory)"
        found.append(Tolerance(f"canada-{grade or 'special'}", f"{c} mm per root km {by}", c, c))
    by = "(two levellings of first order, Australia)"
    found.append(Tolerance("australia-1", f"4 mm per root km {by}", 4, 4))
    return {t.key: t for t in found}


PUBLISHED = _published()
THIRD_ORDER = PUBLISHED["fgcc-3"]


def tolerance(asked: str) -> Tolerance:
    """The tolerance of a name, or of a number c for c * sqrt(K) mm; raises HeightnetError.

    >>> tolerance("icsm-lb").mm_sqrt_km, tolerance("7.5").name
    (8, '7.5 mm per root km (your own)')
    """
    key = asked.strip().lower()
    if key in PUBLISHED:
        return PUBLISHED[key]
    c = TOLERANCE_ROOT_KM.read(key)
    if c is None:
        raise HeightnetError(f"--tolerance {asked}: expected one of {', '.join(PUBLISHED)}, or {TOLERANCE_ROOT_KM}.")
    return Tolerance(f"{c:g}", f"{c:g} mm per root km (your own)", c, c)
