"""One height at the tripod: every reading reduced, whether they agree, and what to book.

The facts only; ``heightnet.report.tape_words`` says them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import combinations
from math import hypot, sqrt
from typing import Any

from heightnet.judge.readings import Slip, allowed_difference, explain
from heightnet.judge.screening import HIGHEST_M, LOWEST_M
from heightnet.reduce.reading import Reading, slant_to_vertical
from heightnet.reduce.tape import mean_height

WORK_MM = (1.0, 3.0, 10.0)
NEGLECT = 1 / 3  # of the tolerance: what is left out then adds 5 % to it at most, sqrt(1 + 1/9)
LOW_M = (1.0, 0.65)  # heights of low set-ups that what is neglected is worked out for


@dataclass(frozen=True)
class Pair:
    """Two readings against each other; first and second are positions, lengths in metres.

    slips : those that would explain a disagreement, likeliest first.
    """

    first: int
    second: int
    difference: float
    allowed: float
    agrees: bool
    slips: tuple[Slip, ...]


@dataclass(frozen=True)
class Neglect:
    """May the slant reduction be left out in work to so many millimetres?  neglected and limit in metres."""

    work_mm: float
    may: bool
    neglected: float
    limit: float


@dataclass(frozen=True)
class TapeFacts:
    """What readings of one height say; lengths in metres.

    readings, heights, sds : as read, and reduced to the vertical.
    pairs : each two of them.  agree : all of them do.
    odd : position of the one reading that all others contradict while they agree, else None.  odd_slips : what would
        explain it, "first" in the odd reading, "second" in all the others alike.
    unusual : positions of heights that instruments seldom have.
    book, book_sd : the height to book, None where readings disagree.
    neglected : by how much each slant is longer than its height, 0 for others.
    neglect : for each kind of work, by the largest of these.
    low : for set-ups as low as LOW_M at the same radius: height, neglected, what a difference of height to here keeps.
    """

    readings: tuple[Reading, ...]
    heights: tuple[float, ...]
    sds: tuple[float, ...]
    pairs: tuple[Pair, ...]
    agree: bool
    odd: int | None
    odd_slips: tuple[Slip, ...]
    unusual: tuple[int, ...]
    book: float | None
    book_sd: float | None
    neglected: tuple[float, ...]
    neglect: tuple[Neglect, ...]
    low: tuple[tuple[float, float, float], ...]

    def as_dict(self) -> dict[str, Any]:
        """For JSON; lengths in metres or, where the name says so, millimetres."""
        return {
            "readings": [
                {
                    "text": r.text, "scale": r.scale, "kind": r.kind, "value_m": r.value, "radius_mm": r.radius * 1000,
                    "offset_mm": r.offset * 1000, "height_m": h, "sd_mm": sd * 1000, "neglected_mm": left * 1000,
                }
                for r, h, sd, left in zip(self.readings, self.heights, self.sds, self.neglected, strict=True)
            ],
            "pairs": [
                {
                    "first": p.first, "second": p.second, "difference_mm": p.difference * 1000,
                    "allowed_mm": p.allowed * 1000, "agrees": p.agrees,
                    "slips": [_slip_dict(slip) for slip in p.slips],
                }
                for p in self.pairs
            ],
            "agree": self.agree,
            "odd": self.odd,
            "odd_slips": [_slip_dict(slip) for slip in self.odd_slips],
            "unusual": list(self.unusual),
            "book_m": self.book,
            "book_sd_mm": None if self.book_sd is None else self.book_sd * 1000,
            "neglect": [
                {**asdict(n), "neglected_mm": n.neglected * 1000, "limit_mm": n.limit * 1000} for n in self.neglect
            ],
            "low": [
                {"height_m": h, "neglected_mm": left * 1000, "kept_in_difference_mm": kept * 1000}
                for h, left, kept in self.low
            ],
        }  # fmt: skip


def _slip_dict(slip: Slip) -> dict[str, Any]:
    return {
        "cause": slip.cause, "text": slip.text, "which": slip.which, "expected_mm": slip.expected * 1000,
        "miss_mm": slip.miss * 1000, "height_m": slip.height, "probability": slip.probability,
        "assumed": slip.assumed,
    }  # fmt: skip


def weigh_readings(
    readings: Sequence[Reading], sd: float = 0.001, work_mm: Sequence[float] = WORK_MM, role: str = "setup"
) -> TapeFacts:
    """The facts about several readings of one height.

    Parameters
    ----------
    sd : standard deviation of one tape reading, m.

    >>> facts = weigh_readings([Reading("1.674", 1.674, kind="slant", radius=0.1), Reading("1.671", 1.671)])
    >>> facts.agree, round(facts.book, 4), round(1000 * facts.neglected[0], 2)
    (True, 1.671, 2.99)
    """
    heights = tuple(r.height for r in readings)
    sds = tuple(_sd(r, sd) for r in readings)
    pairs = tuple(_pair(readings, sds, i, j, role) for i, j in combinations(range(len(readings)), 2))
    agree = all(pair.agrees for pair in pairs)
    odd = None if agree else _odd_one(len(readings), pairs)
    rounding = (sqrt(r.rounding_variance) for r in readings)
    mean, mean_sd = mean_height(heights, [hypot(own, step) for own, step in zip(sds, rounding, strict=True)])
    neglected = tuple(r.value - (r.height - r.offset) if r.kind == "slant" else 0.0 for r in readings)
    most = max(neglected)
    slant = readings[neglected.index(most)]
    low = [(h, hypot(h, slant.radius) - h) for h in LOW_M] if most else []
    return TapeFacts(
        readings=tuple(readings),
        heights=heights,
        sds=sds,
        pairs=pairs,
        agree=agree,
        odd=odd,
        odd_slips=() if odd is None else _odd_slips(readings, sds, odd, role),
        unusual=tuple(i for i, h in enumerate(heights) if not LOWEST_M <= h <= HIGHEST_M) if role == "setup" else (),
        book=mean if agree else None,
        book_sd=mean_sd if agree else None,
        neglected=neglected,
        neglect=tuple(
            Neglect(work, most <= NEGLECT * work / 1000, most, NEGLECT * work / 1000) for work in work_mm if most
        ),
        low=tuple((h, left, abs(left - most)) for h, left in low),
    )


def _sd(reading: Reading, sd: float) -> float:
    if reading.kind == "slant":
        return sd * reading.value / slant_to_vertical(reading.value, reading.radius)
    return sd * sqrt(max(len(reading.parts), 1))


def _pair(readings: Sequence[Reading], sds: Sequence[float], i: int, j: int, role: str) -> Pair:
    first, second = readings[i], readings[j]
    difference = first.height - second.height
    allowed = allowed_difference(first, second, sds[i], sds[j])
    agrees = abs(difference) <= allowed + 1e-9
    slips = () if agrees else tuple(explain([first], [second], sds[i], sds[j], role=role))
    return Pair(i, j, difference, allowed, agrees, slips)


def _odd_one(count: int, pairs: Sequence[Pair]) -> int | None:
    """The reading without which the others agree; None where there is no such one, or only two readings."""
    odd = [
        i for i in range(count) if count > 2 and all(pair.agrees != (i in (pair.first, pair.second)) for pair in pairs)
    ]
    return odd[0] if odd else None


def _odd_slips(readings: Sequence[Reading], sds: Sequence[float], odd: int, role: str) -> tuple[Slip, ...]:
    others = [r for i, r in enumerate(readings) if i != odd]
    sd = sqrt(sum(sd**2 for i, sd in enumerate(sds) if i != odd)) / len(others)
    return tuple(explain([readings[odd]], others, sds[odd], sd, role=role))
