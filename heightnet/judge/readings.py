"""Readings of one stand against each other, before any sight is used.

Two correct readings differ by no more than their rounding, half a unit each, and the scatter of two tapings.  A larger
difference is set against the slips that would explain it: either reading may have slipped, and the other is right.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import hypot, sqrt
from typing import Any

import pandas as pd

from heightnet.job.model import Job
from heightnet.judge.cause_heights import POPULATION, HeightEvidence, MeasuringPoint, Reading
from heightnet.judge.cause_model import NONE
from heightnet.judge.causes import Records, height_scores

SCATTER = 1.96  # of the sd of a difference: 95 %, on top of the rounding; together under 1 % false alarms
SIDE = 2.6  # of its sd, how far a reading may be from the height the rest of the job gives


@dataclass(frozen=True)
class Slip:
    """A slip that would explain why two readings disagree.

    cause, text : as for causes of a height; which: "first" or "second", the reading that slipped.
    expected : how much too high that reading then is; miss what it leaves of the difference, m.
    height : the height if so, m: the other reading's.
    probability : among all slips of either reading and "none of these".
    """

    cause: str
    text: str
    which: str
    expected: float
    miss: float
    height: float
    probability: float


def allowed_difference(first: Reading, second: Reading, first_sd: float, second_sd: float) -> float:
    """The largest difference of two correct readings, m: half a unit of each, and their scatter.

    >>> metre, foot = Reading("1.586", 1.586), Reading("5.20", 5.20 * 0.3048, "ft")
    >>> round(1000 * allowed_difference(metre, foot, 0.0, 0.0), 2)
    2.02
    """
    rounding = sum(one.unit * _steepness(one) / 2 for one in (first, second))
    return rounding + SCATTER * hypot(first_sd, second_sd)


def explain(
    first: Reading,
    second: Reading,
    first_sd: float,
    second_sd: float,
    *,
    role: str = "setup",
    points: tuple[MeasuringPoint, ...] = (),
    hooks: tuple[float, ...] = (),
    population: tuple[float, float] | None = None,
) -> list[Slip]:
    """Slips that explain a disagreement to within what is allowed, likeliest first."""
    allowed = allowed_difference(first, second, first_sd, second_sd)
    found: list[Slip] = []
    total = 0.0
    sd = hypot(first_sd, second_sd)
    for which, wrong, right in (("first", first, second), ("second", second, first)):
        error = wrong.height - right.height
        rounding = right.unit * _steepness(right) / sqrt(12)
        evidence = HeightEvidence(
            role, wrong.height, error, max(hypot(sd, rounding), 1e-4), (wrong,), points,
            population=population or POPULATION[role], hooks=hooks,
        )  # fmt: skip
        for one in height_scores(evidence):
            total += one.weight
            if one.expected is None or one.cause == NONE or abs(error - one.expected) > allowed:
                continue
            miss = error - one.expected
            found.append(Slip(one.cause, one.text, which, one.expected, miss, right.height, one.weight))
    found = [replace(one, probability=one.probability / total) for one in found]
    return sorted(found, key=lambda one: -one.probability)


def compare_readings(job: Job, readings: pd.DataFrame) -> list[dict[str, Any]]:
    """Every pair of readings of a stand against each other: ``reading_checks[]`` of results.json.

    Parameters
    ----------
    readings : columns ``heightnet.reduce.tape.READINGS``.

    Returns
    -------
    one record a pair; ``difference_mm`` is first less second, ``slip`` the likeliest slip that explains a disagreement,
    None where no usual one does.
    """
    several = readings[readings.duplicated(["stand_kind", "stand"], keep=False)]
    if not len(several):
        return []
    records = Records(job, readings)
    checks = []
    for (kind, stand), rows in several.groupby(["stand_kind", "stand"], sort=False):
        made = [records.reading(row) for _, row in rows.iterrows()]
        ids = [f"reading:{file}:{numbers[0]}" for file, numbers in zip(rows["file"], rows["rows"], strict=True)]
        sds = rows["sd"].tolist()
        for i, j in combinations(range(len(made)), 2):
            difference = made[i].height - made[j].height
            allowed = allowed_difference(made[i], made[j], sds[i], sds[j])
            agrees = abs(difference) <= allowed + 1e-9
            slip = None
            if not agrees:
                around = records.height(f"{kind}:{stand}", 0.0, 1.0)
                slips = explain(
                    made[i], made[j], sds[i], sds[j], role=str(kind), points=around.points, hooks=around.hooks,
                    population=around.population,
                )  # fmt: skip
                slip = slips[0] if slips else None
            checks.append(
                {
                    "stand": stand,
                    "what": kind,
                    "first": ids[i],
                    "second": ids[j],
                    "difference_mm": difference * 1000,
                    "allowed_mm": allowed * 1000,
                    "agrees": agrees,
                    "slip": slip.cause if slip else None,
                    "slip_text": slip_text(slip, made[i], made[j]) if slip else None,
                }
            )
    return checks


def slip_text(slip: Slip, first: Reading, second: Reading) -> str:
    """In words, with the reading that would have slipped quoted as it was read.

    >>> good, bad = Reading("1.575", 1.575), Reading("5.2", 5.2 * 0.3048, "ft")
    >>> slip_text(explain(good, bad, 0.001, 0.001)[0], good, bad)
    'it fits feet and inches booked as decimal feet, in the reading 5.2 ft'
    """
    reading = first if slip.which == "first" else second
    unit = "" if reading.scale == "ftin" else f" {reading.scale}"
    return f"it fits {slip.text}, in the reading {reading.text}{unit}"


def side_with(
    checks: Iterable[Mapping[str, Any]],
    readings: pd.DataFrame,
    found: Mapping[tuple[str, str], tuple[float, float]],
) -> list[dict[str, Any]]:
    """Which of two readings the rest of the job sides with.

    Parameters
    ----------
    checks : of ``compare_readings``.
    readings : the same table.
    found : by kind and name of a stand, its height from all but its own readings, and the sd of that (m); a stand that
        nothing else determines is left out.

    Returns
    -------
    the checks with ``sides_with``: "first", "second", "both", "neither", or None where nothing determines it.
    """
    ids = [f"reading:{file}:{rows[0]}" for file, rows in zip(readings["file"], readings["rows"], strict=True)]
    of = dict(zip(ids, zip(readings["height"], readings["sd"], strict=True), strict=True))
    out = []
    for check in checks:
        stand = found.get((str(check["what"]), str(check["stand"])))
        side = None if stand is None else _side([of[check["first"]], of[check["second"]]], *stand)
        out.append({**check, "sides_with": side})
    return out


def _side(readings: Sequence[tuple[float, float]], height: float, sd: float) -> str:
    near = [abs(h - height) <= SIDE * hypot(own_sd, sd) for h, own_sd in readings]
    return {(True, True): "both", (True, False): "first", (False, True): "second"}.get((near[0], near[1]), "neither")


def _steepness(reading: Reading) -> float:
    """How much a slant's rounding grows on the way to the vertical: s / sqrt(s^2 - r^2)."""
    return reading.value / (reading.height - reading.offset) if reading.kind == "slant" else 1.0
