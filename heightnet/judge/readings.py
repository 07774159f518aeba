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
from heightnet.judge.causes import NONE, score
from heightnet.kinds import height as kind_height
from heightnet.kinds.cause import Evidence
from heightnet.kinds.records import Records
from heightnet.reduce.moments import change_between
from heightnet.reduce.reading import MeasuringPoint, Reading
from heightnet.reduce.tape import reading_ids

SCATTER = 1.96  # of the sd of a difference: 95 %, on top of the rounding; together under 1 % false alarms
LEAST_TOLD = 0.02  # probability of a slip, among all and none, from which it is told
SIDE = 2.6  # of its sd, how far a reading may be from the height the rest of the job gives


@dataclass(frozen=True)
class Slip:
    """A slip that would explain why two readings disagree.

    cause, text : as for causes of a height; which: "first" or "second", the reading that slipped.
    expected : how much too high that reading then is; miss what it leaves of the difference, m.
    height : the height if so, m: the other reading's.
    probability : among all slips of either reading and "none of these".
    assumed : True where ``expected`` rests on a constant that nobody recorded.
    """

    cause: str
    text: str
    which: str
    expected: float
    miss: float
    height: float
    probability: float
    assumed: bool


def allowed_difference(first: Reading, second: Reading, first_sd: float, second_sd: float) -> float:
    """The largest difference of two correct readings, m: half a unit of each, and their scatter.

    >>> metre, foot = Reading("1.586", 1.586), Reading("5.20", 5.20 * 0.3048, "ft")
    >>> round(1000 * allowed_difference(metre, foot, 0.0, 0.0), 2)
    2.02
    """
    return first.rounding + second.rounding + SCATTER * hypot(first_sd, second_sd)


def explain(
    first: Sequence[Reading],
    second: Sequence[Reading],
    first_sd: float,
    second_sd: float,
    *,
    role: str = "setup",
    points: tuple[MeasuringPoint, ...] = (),
    hooks: tuple[float, ...] = (),
    population: tuple[float, float] | None = None,
) -> list[Slip]:
    """Slips that explain a disagreement to within what is allowed, likeliest first.

    Parameters
    ----------
    first, second : one reading each, or on either side several that agree with each other: that all of them have one
        slip of the eye is unlikely, that all were held to one wrong point is not.
    first_sd, second_sd : of the mean of each side, m.
    """
    heights = [sum(one.height for one in side) / len(side) for side in (first, second)]
    roundings = [sum(one.rounding for one in side) / len(side) for side in (first, second)]
    sd = hypot(first_sd, second_sd)
    allowed = sum(roundings) + SCATTER * sd
    found: list[Slip] = []
    total = 0.0
    for which, wrong, height, other, right in (
        ("first", first, heights[0], heights[1], second),
        ("second", second, heights[1], heights[0], first),
    ):
        error = height - other
        variance = sd**2 + sum(one.rounding_variance for one in right) / len(right) ** 2
        evidence = Evidence(
            role, height, error, max(sqrt(variance), 1e-4), tuple(wrong), points=points, population=population,
            hooks=hooks,
        )  # fmt: skip
        for one in score(kind_height.CAUSES, evidence):
            total += one.weight
            if one.expected is None or one.cause == NONE:
                continue
            miss, assumed = error - one.expected, one.spread > 0
            if abs(miss) <= allowed + SCATTER * one.spread and error * one.expected >= 0:  # no slip the other way
                found.append(Slip(one.cause, one.text, which, one.expected, miss, other, one.weight, assumed))
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
    None where no usual one does.  Of a pair whose ``when`` says which was read before the other, ``change_mm`` is the
    later height less the earlier: a tripod that settles falls.
    """
    if not readings.duplicated(["stand_kind", "stand"]).any():
        return []
    records = Records(job, readings)
    ids, sds = reading_ids(readings), readings["sd"].tolist()
    checks = []
    for (kind, stand), at in records.at.items():
        if len(at) < 2:
            continue
        made = {i: records.reading(i) for i in at}
        for i, j in combinations(at, 2):
            difference = made[i].height - made[j].height
            allowed = allowed_difference(made[i], made[j], sds[i], sds[j])
            agrees = abs(difference) <= allowed + 1e-9
            slip = None if agrees else next(iter(_slips(records, kind, stand, i, j, sds)), None)
            change = change_between(records.when[i], records.when[j], difference)
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
                    **({} if change is None else {"change_mm": change * 1000}),
                }
            )
    return checks


def _slips(records: Records, kind: str, stand: str, i: int, j: int, sds: Sequence[float]) -> list[Slip]:
    """Slips of either of two readings of a stand, by their positions."""
    equipment = records.equipment_of(kind, stand)
    slips = explain(
        [records.reading(i)], [records.reading(j)], sds[i], sds[j], role=kind, points=records.points(equipment),
        hooks=records.hooks(records.at[kind, stand]), population=records.population(kind, equipment),
    )  # fmt: skip
    return [one for one in slips if one.probability >= LEAST_TOLD]


def slip_text(slip: Slip, first: Reading, second: Reading) -> str:
    """In words, with the reading that would have slipped quoted as it was read.

    >>> good, bad = Reading("1.575", 1.575), Reading("5.2", 5.2 * 0.3048, "ft")
    >>> slip_text(explain([good], [bad], 0.001, 0.001)[0], good, bad)
    'it fits feet and inches booked as decimal feet, in the reading 5.2 ft'
    """
    reading = first if slip.which == "first" else second
    unit = "" if reading.scale == "ftin" else f" {reading.scale}"
    return f"it fits {slip.text}, in the reading {reading.text}{unit}"


def side_with(
    checks: Iterable[Mapping[str, Any]],
    readings: pd.DataFrame,
    found: Mapping[tuple[str, str], tuple[float, float]],
    job: Job | None = None,
) -> list[dict[str, Any]]:
    """Which of two readings the rest of the job sides with; the other one has slipped.

    Parameters
    ----------
    checks : of ``compare_readings``.
    readings : the same table.
    found : by kind and name of a stand, its height from all but its own readings, and the sd of that (m); a stand that
        nothing else determines is left out.
    job : to look for a slip of the other reading; without it the slips stay as they are.

    Returns
    -------
    the checks with ``sides_with``: "first", "second", "both", "neither", or None where nothing determines it.
    """
    names = ("text", "scale", "kind", "value", "radius", "offset", "height", "sd")
    rows = zip(*(readings[name].tolist() for name in names), strict=True)
    ids, sds = reading_ids(readings), readings["sd"].tolist()
    of = dict(zip(ids, rows, strict=True))
    records = Records(job, readings) if job is not None else None
    out: list[dict[str, Any]] = []
    for check in checks:
        stand = found.get((str(check["what"]), str(check["stand"])))
        side = None
        if stand is not None:
            side = _side([_near(of[check[which]], *stand) for which in ("first", "second")])
        out.append({**check, "sides_with": side})
        if records is not None and not check["agrees"] and side in ("first", "second"):
            i, j = (ids.index(check[which]) for which in ("first", "second"))
            slips = _slips(records, check["what"], check["stand"], i, j, sds)
            slip = next((one for one in slips if one.which != side), None)
            text = slip_text(slip, records.reading(i), records.reading(j)) if slip else None
            out[-1].update(slip=slip.cause if slip else None, slip_text=text)
    return out


def _near(row: tuple[Any, ...], found: float, found_sd: float) -> bool:
    """Whether a reading may be of the height found: its scatter and rounding, and the scatter of that height."""
    text, scale, kind, value, radius, offset, height, sd = row
    variance = Reading(text, value, scale.partition("/")[0], kind, radius, offset).rounding_variance
    return bool(abs(height - found) <= SIDE * sqrt(variance + sd**2 + found_sd**2))


def _side(near: Sequence[bool]) -> str:
    return {(True, True): "both", (True, False): "first", (False, True): "second"}.get((near[0], near[1]), "neither")
