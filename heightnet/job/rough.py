"""Rough heights through the sights and levels, without an adjustment: is a known height one of another place?

A walk over one tree of the observations gives each mark a height; what is left between known heights and these is
looked at.  Sights that contradict one another by as much say nothing here: the judgement tells of them.  Satellite
rises, which hang on separations, and stands that only tapes measured stay rough.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.sparse import csgraph

from heightnet.arrays import Floats, Ints, Names
from heightnet.job.expand import Frames, where
from heightnet.job.problems import Problems
from heightnet.ledger.settings import Settings

APART_M = 10.0  # ours: no sight that closes is as wrong, and a digit lost or a unit is more
STAND_M = 1.5  # a height that is taped elsewhere, or not recorded
UNITS = {1 / 0.3048: "in feet, where the job is in metres", 0.3048: "in metres, where the job is in feet"}

Length = Callable[[float], str]


def doubt_heights(
    frames: Frames, files: dict[str, str], settings: Settings, length: Length, problems: Problems
) -> None:  # fmt: skip
    """Doubt known heights that the observations of the job place elsewhere; ``length`` writes a length in metres."""
    marks = frames["marks"]
    known = marks["height"].to_numpy(float)
    if np.sum(~np.isnan(known)) < 2:
        return
    tail, head, rise, names = _ties(frames, settings)
    if not len(rise):
        return
    number = len(names)
    part, rough = _walk(tail, head, rise, number)
    misses = np.abs(rough[head] - rough[tail] - rise) > APART_M
    torn = np.zeros(part.max() + 1, dtype=bool)
    torn[part[tail[misses]]] = True
    at = where(marks["mark"].to_numpy(object), names)
    use = np.flatnonzero((at >= 0) & ~np.isnan(known))
    use = use[~torn[part[at[use]]]]
    for _, those in pd.Series(use).groupby(part[at[use]]):
        rows = those.to_numpy()
        if len(rows) > 1:
            _doubt(marks.iloc[rows], files["marks"], rough[at[rows]], length, problems)


def _ties(frames: Frames, settings: Settings) -> tuple[Ints, Ints, Floats, Names]:
    """What ties two places: tail, head, rise in m; and the names of the places, those of marks as they are."""
    tails, heads, rises = [], [], []
    shots = frames["shots"]
    if len(shots):
        setup, on_setup, up = _stand_of(shots, frames["setups"], "setup")
        _, target, down = _stand_of(shots, frames["targets"], "target")
        slope, zenith = shots["slope_distance"].to_numpy(float), shots["zenith_angle"].to_numpy(float)
        flat = slope * np.sin(zenith)
        bent = (1 - settings.air.refraction) * flat**2 / (2 * settings.earth.radius_m)
        tails.append(np.where(on_setup == "", "\0free " + setup.astype(object), on_setup))
        heads.append(target)
        rises.append(np.where(on_setup == "", 0.0, up) + slope * np.cos(zenith) + bent - down)
    staff = frames["staff"]
    if len(staff):
        tails.append("\0level " + staff["level_setup"].to_numpy(object))
        heads.append(staff["mark"].to_numpy(object))
        rises.append(-staff["reading"].to_numpy(float))
    levels = frames["levels"]
    if len(levels):
        tails.append(levels["from_mark"].to_numpy(object))
        heads.append(levels["to_mark"].to_numpy(object))
        rises.append(levels["rise"].to_numpy(float))
    if not rises:
        return np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0), np.zeros(0, dtype=object)
    tail, head, rise = (np.concatenate(parts) for parts in (tails, heads, rises))
    use = np.isfinite(rise) & (head != "") & (tail != "")
    code, names = pd.factorize(np.concatenate([tail[use], head[use]]))
    half = int(use.sum())
    return code[:half].astype(np.int64), code[half:].astype(np.int64), rise[use], np.asarray(names, object)


def _stand_of(shots: pd.DataFrame, stands: pd.DataFrame, kind: str) -> tuple[Names, Names, Floats]:
    """Of each sight the name of its stand, its mark ("" for none) and its height, the usual one where none is said."""
    name = shots[kind].to_numpy(object)
    at = where(name, stands[kind].to_numpy(object))
    height = np.append(stands["height"].to_numpy(float), np.nan)[at]
    return name, np.append(stands["mark"].to_numpy(object), "")[at], np.where(np.isnan(height), STAND_M, height)


def _walk(tail: Ints, head: Ints, rise: Floats, number: int) -> tuple[Ints, Floats]:
    """Of each place the part it belongs to, and its height above the first place of that part, over one tree."""
    ties = sparse.coo_matrix((np.ones(len(tail)), (tail, head)), shape=(number, number)).tocsr()
    _, part = csgraph.connected_components(ties, directed=False)
    roots = np.unique(part, return_index=True)[1]
    above = np.full(len(roots), number)  # one place more, to which each part hangs
    tail, head = np.concatenate([tail, above]), np.concatenate([head, roots])
    rise = np.concatenate([rise, np.zeros(len(roots))])
    whole = sparse.coo_matrix((np.ones(len(tail)), (tail, head)), shape=(number + 1, number + 1)).tocsr()
    order, parent = csgraph.breadth_first_order(whole, number, directed=False)
    up: dict[tuple[int, int], float] = {}
    for a, b, by in zip(tail.tolist(), head.tolist(), rise.tolist(), strict=True):
        up.setdefault((a, b), by)
        up.setdefault((b, a), -by)
    rough = np.zeros(number + 1)
    of = rough.tolist()
    for place, before in zip(order[1:].tolist(), parent[order[1:]].tolist(), strict=True):
        of[place] = of[before] + up[before, place]
    return part.astype(np.int64), np.array(of[:number])


def _doubt(marks: pd.DataFrame, file: str, rough: Floats, length: Length, problems: Problems) -> None:
    """Known heights of one part of the job against what its observations make of them."""
    known, name = marks["height"].to_numpy(float), marks["mark"].to_numpy(object)
    shift = known - rough
    off = np.abs(shift - np.median(shift)) > APART_M
    if len(marks) == 2:
        off[:] = np.ptp(shift) > APART_M
    if not off.any():
        return
    row = marks["row"].to_numpy(np.int64)
    if unit := _unit_of_all(known, rough):
        said = f"known heights differ from each other by other amounts than the observations between them: {unit}"
        problems.note("doubt", said, file, int(row[0]))
    elif 2 * off.sum() >= len(marks):
        low, high = int(np.argmin(shift)), int(np.argmax(shift))
        by, seen = length(known[high] - known[low]), length(rough[high] - rough[low])
        said = f"the known height of {name[high]} less that of {name[low]} is {by}, by the observations between them "
        problems.note("doubt", f"{said}{seen}: is one of them, or its name, wrong?", file, int(row[high]))
    else:
        expected = rough + np.median(shift)
        for i in np.flatnonzero(off).tolist():
            others = known[off & (np.arange(len(known)) != i)]
            said = (
                f"the known height of {name[i]}, {length(known[i])}, is about {length(round(expected[i], 1))} by the "
            )
            said += f"observations from the other known marks. {_cause(known[i], expected[i], others, length)}"
            problems.note("doubt", said.strip(), file, int(row[i]), "known heights unlike those of their neighbours")


def _unit_of_all(known: Floats, rough: Floats) -> str:
    """What all known heights would have to be in, where one factor makes them fit; "" where none does."""
    here, seen = known - known.mean(), rough - rough.mean()
    for factor, unit in UNITS.items():
        if np.ptp(seen) > APART_M and np.abs(here - factor * seen).max() < max(1.0, 0.01 * np.ptp(here)):
            return f"are they {unit}?"
    return ""


def _cause(read: float, expected: float, others: Floats, length: Length) -> str:
    """The likely slip behind a known height that is not about what was expected; "" where none fits."""

    def near(value: float) -> bool:
        return abs(value - expected) < max(1.0, 0.005 * abs(expected))

    if any(near(other) for other in others):
        return "Has it changed places with that of another mark?"
    for factor, unit in UNITS.items():
        if near(read / factor):
            return f"Is it {unit}?"
    if any(near(read * ten) for ten in (0.001, 0.01, 0.1, 10.0, 100.0, 1000.0)):
        return "Does the point stand in the wrong place?"
    # whole digits as a person reads them, in the unit of the tables; what is rough may be one more or less
    digits, seen = (float(length(x).split()[0].replace(",", "")) for x in (read, expected))
    wrote = str(int(abs(digits)))
    for meant in (str(int(abs(seen)) + more) for more in (0, -1, 1)):
        if wrote in {meant[:i] + meant[i + 1 :] for i in range(len(meant))}:
            return "Is a digit lost?"
        if len(wrote) == len(meant) and wrote != meant:
            if sorted(wrote) == sorted(meant):
                return "Are two digits exchanged?"
            if sum(a != b for a, b in zip(wrote, meant, strict=True)) == 1:
                return "Is one digit wrong?"
    return ""
