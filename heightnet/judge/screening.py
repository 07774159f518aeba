"""What is wrong with the values themselves, before any statistics.

A finding here is a fact about the record, not yet a blunder: a height may well be the same as the one before.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.arrays import Floats, Names
from heightnet.job.model import Job
from heightnet.judge.readings import SCATTER, compare_readings
from heightnet.kinds.height import thing_of
from heightnet.ledger.thing import Thing
from heightnet.reduce.reading import Reading
from heightnet.reduce.tape import reading_ids, taped_heights
from heightnet.rows import Record

LOWEST_M, HIGHEST_M = 0.2, 2.5  # outside these an instrument height is unusual
SAME_M = 1e-6  # two records of one number

RULES = {
    "zero": "the height is zero",
    "negative": "the height is negative",
    "outside": "the height is unusually low or high",
    "same_as_before": "the height is that of the set-up before, to the last digit",
    "same_as_target": "instrument and target height of a sight are the same, to the last digit",
    "booked_differs": "the height as booked differs from its tape readings",
    "readings_disagree": "two readings of one height disagree",
    "lone_part": "a height measured in parts has one part",
    "other_kind": "the others to this point are slant where this one is vertical, or the other way round",
}


def screen(job: Job, readings: pd.DataFrame, checks: list[dict[str, Any]] | None = None) -> list[dict[str, Any]]:
    """``screening[]`` of results.json: records ``rule, id, value_m, other_id, other_value_m``, by rule.

    Parameters
    ----------
    readings : the job's reduced readings.
    checks : ``reading_checks`` of the same, where they are already there.

    A target's zero, or its height outside 0.2 to 2.5 m, is reported only where most of its equipment are not so:
    a prism on the mark itself and a long pole are what they are.
    """
    heights = taped_heights(readings)
    setups = _of(heights, "setup", job.setups["setup"].to_numpy(object))
    targets = _of(heights, "target", job.targets["target"].to_numpy(object))
    checks = compare_readings(job, readings) if checks is None else checks
    return [
        *_sizes("setup", job.setups["setup"].to_numpy(object), setups, None),
        *_sizes("target", job.targets["target"].to_numpy(object), targets, job.targets["equipment"].to_numpy(object)),
        *same_as_before(job, readings),
        *_same_as_target(job, setups, targets),
        *_booked(job, readings, "setup", setups),
        *_booked(job, readings, "target", targets),
        *_disagree(readings, checks),
        *lone_parts(readings),
        *other_kind(job, readings),
    ]


def _of(heights: pd.Series, kind: str, names: Names) -> Floats:
    """The heights of stands of one kind, NaN where there is none."""
    of_kind = heights[heights.index.get_level_values(0) == kind].droplevel(0)
    return of_kind.reindex(names).to_numpy(float)


def _finding(
    rule: str, thing: object, value: float, other: object = None, other_value: float | None = None
) -> dict[str, Any]:
    other_id = other and str(other)
    return {"rule": rule, "id": str(thing), "value_m": float(value), "other_id": other_id, "other_value_m": other_value}


def _sizes(kind: str, names: Names, heights: Floats, equipment: Names | None) -> Iterator[dict[str, Any]]:
    zero = np.abs(heights) < SAME_M
    outside = ((heights < LOWEST_M) | (heights > HIGHEST_M)) & (heights > 0) & ~zero
    negative = (heights < 0) & ~zero
    if equipment is not None:
        zero, outside = _unlike_the_rest(zero, equipment), _unlike_the_rest(outside, equipment)
    for rule, where in (("zero", zero), ("negative", negative), ("outside", outside)):
        for i in np.flatnonzero(where):
            yield _finding(rule, Thing(kind, names[i]), heights[i])


def _unlike_the_rest(where: npt.NDArray[np.bool_], groups: Names) -> npt.NDArray[np.bool_]:
    code, _ = pd.factorize(groups)
    size = np.bincount(code, minlength=1)
    return where & (np.bincount(code, weights=where, minlength=1) <= size / 2)[code] if len(code) else where


def same_as_before(job: Job, readings: pd.DataFrame) -> Iterator[Record]:
    """Set-ups of one instrument in the order of the table; staying on the same stand or mark is no new set-up."""
    table = job.setups
    heights = _of(taped_heights(readings), "setup", table["setup"].to_numpy(object))
    there = np.flatnonzero(~np.isnan(heights))
    if len(there) < 2:
        return
    code, _ = pd.factorize(table["instrument"].to_numpy(object)[there])
    order = there[np.argsort(code, kind="stable")]
    sorted_code = np.sort(code)
    before, after = order[:-1], order[1:]
    same = (sorted_code[:-1] == sorted_code[1:]) & (np.abs(heights[before] - heights[after]) < SAME_M)
    for column in ("mark", "tripod"):
        names = table[column].to_numpy(object)
        same &= (names[before] != names[after]) | (names[after] == "")
    if len(job.gnss):
        same &= ~_on_fixed_poles(job, same, after)
    names = table["setup"].to_numpy(object)
    for i, j in zip(before[same], after[same], strict=True):
        one, other = Thing("setup", names[j]), Thing("setup", names[i])
        yield _finding("same_as_before", one, heights[j], other, float(heights[i]))


def _on_fixed_poles(job: Job, same: npt.NDArray[np.bool_], after: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Antennas whose height is mostly that of the set-up before: their poles are of one length."""
    antenna = job.setups["setup"].isin({*job.gnss["from_setup"], *job.gnss["to_setup"]}).to_numpy()[after]
    odd = _unlike_the_rest(same & antenna, job.setups["instrument"].to_numpy(object)[after])
    return np.asarray(antenna & ~odd)


def _same_as_target(job: Job, setups: Floats, targets: Floats) -> Iterator[dict[str, Any]]:
    pairs = job.shots[["setup", "target"]].drop_duplicates()
    at = pd.Index(job.setups["setup"]).get_indexer(pairs["setup"])
    to = pd.Index(job.targets["target"]).get_indexer(pairs["target"])
    there = (at >= 0) & (to >= 0)
    at, to = at[there], to[there]
    same = np.abs(setups[at] - targets[to]) < SAME_M
    names, aims = job.setups["setup"].to_numpy(object), job.targets["target"].to_numpy(object)
    for i, j in zip(at[same], to[same], strict=True):
        one, other = Thing("setup", names[i]), Thing("target", aims[j])
        yield _finding("same_as_target", one, setups[i], other, float(targets[j]))


def _booked(job: Job, readings: pd.DataFrame, kind: str, heights: Floats) -> Iterator[dict[str, Any]]:
    """A stand with readings has its booked height compared with their mean."""
    table = job.setups if kind == "setup" else job.targets
    booked = table["height"].to_numpy(float)
    taped = readings[(readings["stand_kind"] == kind) & (readings["kind"] != "booked")]
    sd = taped.groupby("stand", sort=False)["sd"].max().reindex(table[kind]).to_numpy(float)
    scale = job.settings.units.length
    # most agree to a few tenths of a millimetre: only the rest are looked at one by one
    for i in np.flatnonzero(np.abs(booked - heights) > 0.0005 + SCATTER * np.nan_to_num(sd, nan=np.inf)):
        if abs(booked[i] - heights[i]) > Reading.booked(booked[i], scale).unit / 2 + SCATTER * sd[i]:
            yield _finding("booked_differs", Thing(kind, table[kind].iloc[i]), booked[i], None, float(heights[i]))


def _disagree(readings: pd.DataFrame, checks: list[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    wrong = [check for check in checks if not check["agrees"]]
    if not wrong:
        return
    height = dict(zip(reading_ids(readings), readings["height"].tolist(), strict=True))
    for check in wrong:
        first, second = check["first"], check["second"]
        yield _finding("readings_disagree", first, height[first], second, height[second])


def lone_parts(readings: pd.DataFrame) -> Iterator[Record]:
    """Heights measured in parts of which one part is recorded."""
    parts = (readings["kind"] == "parts").to_numpy()
    lone = [i for i in np.flatnonzero(parts).tolist() if len(readings["rows"].iloc[i]) == 1]
    ids = reading_ids(readings) if lone else []
    for i in lone:
        yield _finding("lone_part", ids[i], readings["height"].iloc[i])


def other_kind(job: Job, readings: pd.DataFrame) -> Iterator[Record]:
    """The one vertical among slants to one point of an equipment beside its axis, or the one slant among verticals."""
    table = readings.reset_index(drop=True).assign(equipment=thing_of(job, readings))
    beside = table["kind"].isin(("vertical", "slant")) & (table["point"] != "") & (table["radius"] > 0)
    table = table[beside & (table["equipment"] != "")]
    slant = (table["kind"] == "slant").astype(int)
    of_point = slant.groupby([table["stand_kind"], table["equipment"], table["point"]], sort=False)
    slants, count = of_point.transform("sum"), of_point.transform("size")
    odd = table[((slants == 1) & (slant == 1) | (slants == count - 1) & (slant == 0)) & (count > 2)]
    ids = reading_ids(readings) if len(odd) else []
    for i, one in odd.iterrows():
        same = (table["equipment"] == one["equipment"]) & (table["stand_kind"] == one["stand_kind"])
        other = table[same & (table["point"] == one["point"]) & (table["kind"] != one["kind"])].index[0]
        yield _finding("other_kind", ids[int(str(i))], one["height"], ids[other], float(table["height"][other]))
