"""Numbers of a job held against one another: by itself each may be, together they raise a question.

Every limit here is ours, and wide: what is told is told before anything is adjusted, and no number is changed.
`docs/columns.md` has the limits in words.  Rough heights against known ones are in `heightnet.job.rough`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.arrays import Floats, Ints
from heightnet.job.expand import Frames, where
from heightnet.job.problems import Problems
from heightnet.job.rough import doubt_heights
from heightnet.ledger import ranges
from heightnet.ledger.field import METRES
from heightnet.ledger.settings import Settings

LEVEL_RAD, STEEP_RAD, FILLER_RAD = np.radians([5.0, 45.0, 80.0])
APART_M, APART = 1.0, 0.01  # a distance against coordinates, whichever is more
ALIKE_M = 3.0  # a height against the others of its instrument or pole
FEW = 0.25  # share of them that may be unlike the others
OF_ONE = 0.8  # share of distances that one factor explains
SEVERAL = 5  # sights from which it is known what is common in a job

FACTORS = ((1 / 0.3048, "feet", "metres"), (0.3048, "metres", "feet"), (1000.0, "mm", "metres"))
"""Of distances to coordinates: what the first are in, and the second."""


@dataclass(frozen=True)
class Told:
    """Lengths and angles as the tables of the job write them."""

    metre: float
    unit: str
    circle: float
    sign: str

    @classmethod
    def of(cls, settings: Settings) -> Told:
        gon = settings.units.angle == "gon"
        unit = settings.units.length or "m"  # "" where it was not understood
        return cls(METRES[unit], unit, 400.0 if gon else 360.0, " gon" if gon else "°")

    def length(self, metres: float, digits: int = 3) -> str:
        number = f"{metres / self.metre:,.{digits}f}"
        return f"{number.rstrip('0').rstrip('.') if digits else number} {self.unit}"

    def angle(self, radians: float, digits: int = 4) -> str:
        return f"{radians * self.circle / (2 * np.pi):.{digits}f}{self.sign}"


def doubt_together(frames: Frames, files: dict[str, str], settings: Settings, problems: Problems) -> None:
    """Doubt angles, distances and heights that are unlike what stands beside them."""
    told = Told.of(settings)
    _angles(frames["shots"], files["shots"], told, problems)
    _distances(frames, files, told, problems)
    for table, thing, what, within in (
        ("setups", "instrument", "instrument height", ranges.INSTRUMENT_M),
        ("targets", "equipment", "target height", ranges.TARGET_M),
    ):
        _heights(frames[table], files[table], (thing, what), within, told, problems)
    doubt_heights(frames, files, settings, told.length, problems)


def _angles(shots: pd.DataFrame, file: str, told: Told, problems: Problems) -> None:
    """Steep sights of one face in a job of level ones; two faces bear each other out, or are told to differ."""
    zenith = shots["zenith_angle"].to_numpy(float)
    from_horizon = np.abs(np.where(zenith > np.pi, 2 * np.pi - zenith, zenith) - np.pi / 2)
    if len(shots) < SEVERAL or np.mean(from_horizon < LEVEL_RAD) <= 0.5:
        return
    steep = from_horizon > STEEP_RAD
    if not steep.any():
        return
    rows = shots["row"].to_numpy(np.int64)
    faces = shots[shots["face"] != ""].groupby(["setup", "target"])["face"].nunique()
    both = {pair for pair, number in faces.items() if number > 1}
    usually = f"while most sights of the job are within {told.angle(LEVEL_RAD, 1)} of it"
    for i in np.flatnonzero(steep).tolist():
        if (shots["setup"].iat[i], shots["target"].iat[i]) in both:
            continue
        cause = "Is a digit lost, or exchanged?"
        if from_horizon[i] > FILLER_RAD:
            cause = "Does a staff reading, a height or an angle from the horizon stand here?"
        said = (
            f"the zenith angle {told.angle(zenith[i])} is {told.angle(from_horizon[i], 0)} from the horizon, {usually}"
        )
        problems.note("doubt", f"{said}. {cause}", file, int(rows[i]), "sights steeper than the others")


# ---- distances against coordinates ----


@dataclass
class _Pairs:
    """Distances sighted between two marks with coordinates, one of each pair of marks.

    one, other : places in the table of marks; row : of the first sight; sighted, laid : horizontal distances, m, from
        the sight and from coordinates.
    """

    one: Ints
    other: Ints
    row: Ints
    sighted: Floats
    laid: Floats

    @property
    def off(self) -> Floats:
        return np.abs(self.sighted - self.laid)

    @property
    def apart(self) -> npt.NDArray[np.bool_]:
        return self.off > np.maximum(APART_M, APART * np.maximum(self.sighted, self.laid))


def _pairs(frames: Frames) -> _Pairs:
    marks, shots = frames["marks"], frames["shots"]
    east, north = (np.append(marks[c].to_numpy(float), np.nan) for c in ("east", "north"))
    ends = []
    for table, name in (("setups", "setup"), ("targets", "target")):
        of = where(shots[name].to_numpy(object), frames[table][name].to_numpy(object))
        mark = np.append(frames[table]["mark"].to_numpy(object), "")[of]
        ends.append(where(mark, marks["mark"].to_numpy(object)))
    laid = np.hypot(np.diff(east[ends], axis=0)[0], np.diff(north[ends], axis=0)[0])
    sighted = shots["slope_distance"].to_numpy(float) * np.abs(np.sin(shots["zenith_angle"].to_numpy(float)))
    use = np.flatnonzero(np.isfinite(laid + sighted) & (ends[0] != ends[1]))
    one, other = np.minimum(*ends)[use], np.maximum(*ends)[use]
    first = use[np.unique(one * len(east) + other, return_index=True)[1]]
    return _Pairs(
        ends[0][first], ends[1][first], shots["row"].to_numpy(np.int64)[first], sighted[first], laid[first]
    )  # fmt: skip


def _distances(frames: Frames, files: dict[str, str], told: Told, problems: Problems) -> None:
    """Distances that are not those of the coordinates: all alike by a factor, most of one mark, or each by itself."""
    marks = frames["marks"]
    if marks["east"].notna().sum() < 2:
        return
    pairs, name, rows = _pairs(frames), marks["mark"].to_numpy(object), marks["row"].to_numpy(np.int64)
    if not len(pairs.row) or not pairs.apart.any():
        return
    factor = _factor(pairs)
    if factor != 1.0:
        said = f"slope distances are {factor:.4g} times those of the coordinates of their marks, all alike"
        cause = next(
            (f": are distances in {one}, and coordinates in {other}?" for of, one, other in FACTORS
             if abs(factor / of - 1) < APART), ": are they in one unit, and is there a scale on one of them?",
        )  # fmt: skip
        problems.note("doubt", said + cause, files["shots"], int(pairs.row[0]))
        pairs.laid = pairs.laid * factor
    apart = pairs.apart
    if apart.mean() > 0.5 and apart.sum() >= SEVERAL:
        most = told.length(float(pairs.off[apart].max()), 0)
        said = f"{apart.sum()} of {len(apart)} distances sighted are not those of the coordinates, by up to {most}"
        problems.note("doubt", f"{said}: are coordinates rough, or of two systems?", files["shots"], int(pairs.row[0]))
        return
    for mark, those in _of_marks(pairs, apart):
        all_, off = np.sum((pairs.one == mark) | (pairs.other == mark)), pairs.off[those]
        said = f"east and north of {name[mark]} contradict {len(those)} of {all_} distances sighted to or from it, by "
        said += f"{told.length(float(off.min()), 0)} to {told.length(float(off.max()), 0)}"
        problems.note("doubt", said, files["marks"], int(rows[mark]), "marks away from their coordinates")
        apart[those] = False
    for i in np.flatnonzero(apart).tolist():
        one, other = name[pairs.one[i]], name[pairs.other[i]]
        laid, sighted = told.length(float(pairs.laid[i])), told.length(float(pairs.sighted[i]))
        said = f"the slope distance from {one} to {other}, made horizontal, is {sighted}, and by coordinates {laid}"
        problems.note("doubt", said, files["shots"], int(pairs.row[i]), "distances unlike those of coordinates")


def _factor(pairs: _Pairs) -> float:
    """By what nearly all distances differ alike from coordinates; 1 where there is no such factor."""
    use = pairs.laid > APART_M
    if use.sum() < 3:
        return 1.0
    ratio = pairs.sighted[use] / pairs.laid[use]
    factor = float(np.median(ratio))
    alike = np.mean(np.abs(ratio / factor - 1) < APART) >= OF_ONE if factor else False
    return factor if alike and abs(factor - 1) > APART else 1.0


def _of_marks(pairs: _Pairs, apart: npt.NDArray[np.bool_]) -> list[tuple[int, Ints]]:
    """Marks of three distances or more most of which are off, the worst first, each with those."""
    size = int(max(pairs.one.max(), pairs.other.max())) + 1
    every = np.bincount(pairs.one, minlength=size) + np.bincount(pairs.other, minlength=size)
    left = apart.copy()
    out: list[tuple[int, Ints]] = []
    while True:
        off = np.bincount(pairs.one[left], minlength=size) + np.bincount(pairs.other[left], minlength=size)
        worst = int(np.argmax(np.where(2 * off > every, off, 0)))
        if off[worst] < 3 or 2 * off[worst] <= every[worst]:
            return out
        those = np.flatnonzero(left & ((pairs.one == worst) | (pairs.other == worst)))
        out.append((worst, those))
        left[those] = False


# ---- heights of stands ----


def _heights(
    stands: pd.DataFrame, file: str, called: tuple[str, str], within: ranges.Range, told: Told, problems: Problems
) -> None:
    """A height unlike the others of its instrument or pole; one that its range doubts is told already."""
    thing, what = called
    height, of = stands["height"].to_numpy(float), stands[thing].to_numpy(object)
    spread = np.nanmax(height, initial=-np.inf) - np.nanmin(height, initial=np.inf)
    if not spread > ALIKE_M:
        return
    groups = stands["height"].groupby(of)
    middle, number = groups.transform("median").to_numpy(float), groups.transform("count").to_numpy(float)
    unlike = np.abs(height - middle) > ALIKE_M
    share = pd.Series(unlike).groupby(of).transform("sum").to_numpy(float) / number
    rows = stands["row"].to_numpy(np.int64)
    doubted = np.flatnonzero(unlike & (number >= SEVERAL) & (share <= FEW) & ~within.doubts(height))
    for i in doubted.tolist():
        others = f"the others of {of[i]}" if of[i] else "the others"
        said = f"{what} {told.length(height[i])} is unlike {others}, which are about {told.length(middle[i], 1)}"
        problems.note("doubt", said, file, int(rows[i]), f"{what}s unlike the others of their {thing}")
