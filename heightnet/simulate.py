"""Jobs with known truth, for tests, benchmarks and teaching.

``simulate("S1", seed=3, blunders={"setup:S4": 0.05})`` makes a job as a field party would bring it, with that
instrument height recorded 50 mm too high, and says what was true.  The kinds:

====  ==========================================================================================================
S1    free reciprocal traverse: 10 set-ups, every target put up for one sight, sights over one mark too
S2    forced centring: 8 stands that instrument and prism share, one tape height each, some levelled ties
S3    areal: 12 set-ups, targets that stay put while several set-ups sight them, 3 known marks
M1    areal: 60 set-ups, 6 known marks
====  ==========================================================================================================

All names and numbers are invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.job.model import Job, Settings

Floats = npt.NDArray[np.float64]

KINDS = ("S1", "S2", "S3", "M1")
PRECISION = {
    "precision.zenith_sec": 2.0, "precision.distance_mm": 1.0, "precision.distance_ppm": 1.5, "precision.tape_mm": 1.0,
    "precision.known_mm": 1.0,
}  # fmt: skip
TAKES = {"setup": "setups", "target": "targets", "known": "marks", "level": "levels", "shot": "shots"}


@dataclass(frozen=True)
class Truth:
    """What was true of a simulated job.

    heights : of the marks, m.
    blunders : error of each hypothesis that was made wrong, m, > 0 recorded too high.
    refraction : the coefficient in force.
    """

    heights: dict[str, float]
    blunders: dict[str, float]
    refraction: float


@dataclass
class Design:
    """Who stands where and sees what, before any number is observed.

    sights : (set-up, target, horizontal distance m).
    ties : (from mark, to mark, levelled distance m).
    """

    marks: dict[str, tuple[float, float, float]]
    known: tuple[str, ...]
    setups: dict[str, str]
    targets: dict[str, str]
    sights: list[tuple[str, str]]
    ties: list[tuple[str, str]] = field(default_factory=list)
    tripod: dict[str, str] = field(default_factory=dict)
    equipment: dict[str, str] = field(default_factory=dict)

    def distance(self, one: str, other: str) -> float:
        (e, n, _), (e2, n2, _) = self.marks[one], self.marks[other]
        return float(np.hypot(e - e2, n - n2))


def design(kind: str, seed: int = 0) -> Design:
    """The lie of one kind of job; the seed moves its marks."""
    rng = np.random.default_rng((seed, KINDS.index(kind)))
    return _traverse(rng) if kind == "S1" else _centred(rng) if kind == "S2" else _areal(rng, *AREAL[kind])


def _line_of_marks(rng: np.random.Generator, count: int) -> dict[str, tuple[float, float, float]]:
    east = np.cumsum(rng.uniform(90, 150, count))
    north, height = np.cumsum(rng.normal(0, 30, count)), 100 + np.cumsum(rng.normal(0, 2.5, count))
    return {f"M{i}": (1000 + east[i], 1000 + north[i], height[i]) for i in range(count)}


def _traverse(rng: np.random.Generator) -> Design:
    marks = _line_of_marks(rng, 10)
    names = list(marks)
    plan = Design(marks, ("M0", "M1", "M8", "M9"), {f"S{i}": m for i, m in enumerate(names)}, {}, [])
    for i in range(10):
        for j in (i - 2, i - 1, i + 1, i + 2):
            if 0 <= j < 10:
                target = f"P{i}{j}"
                plan.targets[target] = names[j]
                plan.equipment[target] = f"prism {1 + j % 2}"
                plan.sights.append((f"S{i}", target))
    return plan


def _centred(rng: np.random.Generator) -> Design:
    marks = _line_of_marks(rng, 8)
    names = list(marks)
    plan = Design(marks, ("M0", "M7"), {}, {}, [])
    for i, mark in enumerate(names):
        plan.setups[f"S{i}"] = mark
        plan.targets[f"P{i}"] = mark
        plan.tripod |= {f"S{i}": f"stand {i}", f"P{i}": f"stand {i}"}
        plan.equipment[f"P{i}"] = "carrier prism"
        plan.sights += [(f"S{i}", f"P{j}") for j in (i - 1, i + 1) if 0 <= j < 8]
    plan.ties += [(names[i], names[i + 1]) for i in range(7)] + [(names[i], names[i + 2]) for i in (0, 2, 4)]
    return plan


AREAL = {"S3": (12, 3, 5), "M1": (60, 6, 5)}


def _areal(rng: np.random.Generator, count: int, known: int, seen: int) -> Design:
    """Marks on a jittered grid, a set-up and a target over each; each set-up sights its nearest neighbours."""
    side = int(np.ceil(np.sqrt(count)))
    places = [(120.0 * (i % side), 120.0 * (i // side)) for i in range(count)]
    marks = {
        f"M{i}": (1000 + e + rng.normal(0, 12), 1000 + n + rng.normal(0, 12), 100 + rng.normal(0, 4))
        for i, (e, n) in enumerate(places)
    }
    chosen = tuple(f"M{i}" for i in np.linspace(0, count - 1, known).round().astype(int))
    plan = Design(marks, chosen, {f"S{i}": f"M{i}" for i in range(count)}, {f"P{i}": f"M{i}" for i in range(count)}, [])
    for i in range(count):
        plan.equipment[f"P{i}"] = f"prism {1 + i % 3}"
        near = sorted((plan.distance(f"M{i}", f"M{j}"), j) for j in range(count) if j != i)[:seen]
        plan.sights += [(f"S{i}", f"P{j}") for _, j in near]
    return plan


def simulate(
    kind: str,
    seed: int = 0,
    blunders: Mapping[str, float] | None = None,
    *,
    settings: Settings | None = None,
    tape_factor: float = 1.0,
    sight_factor: float = 1.0,
) -> tuple[Job, Truth]:
    """A job of one kind with its truth.

    Parameters
    ----------
    blunders : errors in m by hypothesis id: ``setup:S4``, ``target:P45``, ``tripod:stand 3``, ``known:M0``,
        ``level:levels.csv:2``, ``shot:shots.csv:7``, ``group:equipment:prism 1``, ``group:instrument:theodolite``, and
        ``swap:S4/P45`` (its size is what the two heights make it).
    settings : of the job; the true standard deviations are its own, times the factors.

    >>> job, truth = simulate("S1", seed=3, blunders={"setup:S4": 0.05})
    >>> len(job.setups), truth.blunders
    (10, {'setup:S4': 0.05})
    """
    if kind not in KINDS:
        raise ValueError(f"no such kind of job: {kind}; there are {', '.join(KINDS)}")
    settings = settings or Settings(title=f"Simulated {kind} (invented)").with_values(**PRECISION)
    return observe(design(kind, seed), settings, np.random.default_rng((seed, 99)), dict(blunders or {}),
                   tape_factor, sight_factor, name=f"{kind}-{seed}")  # fmt: skip


def observe(
    plan: Design, settings: Settings, rng: np.random.Generator, blunders: dict[str, float], tape_factor: float = 1.0,
    sight_factor: float = 1.0, name: str = "simulated",
) -> tuple[Job, Truth]:  # fmt: skip
    """Observe a design: true heights of stands, readings and sights with noise, then the blunders."""
    precision, air = settings.precision, settings.air
    k = air.refraction + air.refraction_sd * rng.standard_normal()
    tape_sd = precision.tape_mm / 1000 * tape_factor
    seats = {stand: rng.uniform(1.42, 1.68) for stand in dict.fromkeys(plan.tripod.values())}
    height = {s: seats.get(plan.tripod.get(s, ""), rng.uniform(1.45, 1.65)) for s in plan.setups}
    height |= {t: seats.get(plan.tripod.get(t, ""), rng.uniform(1.35, 1.75)) for t in plan.targets}
    where = plan.setups | plan.targets
    true_z = {stand: plan.marks[mark][2] + height[stand] for stand, mark in where.items()}

    def taped(stand: str) -> float:
        return float(np.round(height[stand] + tape_sd * rng.standard_normal(), 4))

    booked = {seat: float(np.round(h + tape_sd * rng.standard_normal(), 4)) for seat, h in seats.items()}
    setups = pd.DataFrame(
        {"setup": s, "mark": m, "height": booked.get(plan.tripod.get(s, "")) or taped(s), "instrument": "theodolite",
         "tripod": plan.tripod.get(s, "")} for s, m in plan.setups.items()
    )  # fmt: skip
    targets = pd.DataFrame(
        {"target": t, "mark": m, "height": booked.get(plan.tripod.get(t, "")) or taped(t),
         "equipment": plan.equipment.get(t, ""), "tripod": plan.tripod.get(t, "")} for t, m in plan.targets.items()
    )  # fmt: skip
    shots = pd.DataFrame(_sight(plan, settings, rng, k, sight_factor, true_z, s, t) for s, t in plan.sights)
    known_sd = precision.known_mm / 1000
    marks = pd.DataFrame(
        {
            "mark": m,
            "height": h + known_sd * rng.standard_normal() if m in plan.known else np.nan,
            "east": e,
            "north": n,
        }
        for m, (e, n, h) in plan.marks.items()
    )
    levels = pd.DataFrame(_tie(plan, settings, rng, sight_factor, a, b) for a, b in plan.ties)
    frames = {"marks": marks, "setups": setups, "targets": targets, "shots": shots}
    job = Job.from_frames(name, settings, **(frames | ({"levels": levels} if len(levels) else {})))
    truth = Truth({m: h for m, (_, _, h) in plan.marks.items()}, dict(blunders), float(k))
    for id_, size in blunders.items():
        job = blunder(job, id_, size)
    return job, truth


def _sight(
    plan: Design, settings: Settings, rng: np.random.Generator, k: float, factor: float, true_z: dict[str, float],
    setup: str, target: str,
) -> dict[str, object]:  # fmt: skip
    distance = plan.distance(plan.setups[setup], plan.targets[target])
    bow = (1 - k) * distance**2 / (2 * settings.earth.radius_m)
    rise = true_z[target] - true_z[setup] - bow
    p, s = settings.precision, np.hypot(distance, rise)
    zenith = np.arctan2(distance, rise) + factor * np.radians(p.zenith_sec / 3600) * rng.standard_normal()
    s += factor * np.hypot(p.distance_mm / 1000, p.distance_ppm * 1e-6 * s) * rng.standard_normal()
    return {"setup": setup, "target": target, "slope_distance": s, "zenith_angle": zenith}


def _tie(
    plan: Design, settings: Settings, rng: np.random.Generator, factor: float, start: str, end: str
) -> dict[str, object]:
    length = 1.2 * plan.distance(start, end)
    sd = factor * settings.precision.level_mm_sqrt_km / 1000 * np.sqrt(length / 1000)
    rise = plan.marks[end][2] - plan.marks[start][2] + sd * rng.standard_normal()
    return {"from_mark": start, "to_mark": end, "rise": rise, "length": length}


def blunder(job: Job, id_: str, size: float) -> Job:
    """The job with one recorded value (or all of a group) wrong by ``size`` metres, > 0 too high.

    A sight's slope distance and angle are moved so that its rise is off; a swap exchanges the two booked heights.
    """
    kind, _, name = id_.partition(":")
    if kind == "group":
        of, _, thing = name.partition(":")
        table, column = {"instrument": ("setups", "instrument"), "equipment": ("targets", "equipment")}[of]
        frame = getattr(job, table)
        moved = frame["height"] + np.where(frame[column] == thing, size, 0.0)
        return replace(job, **{table: frame.assign(height=moved)})
    if kind == "swap":
        setup, _, target = name.partition("/")
        hi = float(job.setups.loc[job.setups["setup"] == setup, "height"].iloc[0])
        ht = float(job.targets.loc[job.targets["target"] == target, "height"].iloc[0])
        return blunder(blunder(job, f"setup:{setup}", ht - hi), f"target:{target}", hi - ht)
    if kind == "tripod":
        for table in ("setups", "targets"):
            frame = getattr(job, table)
            moved = frame["height"] + np.where(frame["tripod"] == name, size, 0.0)
            job = replace(job, **{table: frame.assign(height=moved)})
        return job
    table = TAKES[kind]
    frame = getattr(job, table)
    if kind in ("setup", "target", "known"):
        at = (frame["mark" if kind == "known" else kind] == name).to_numpy()
    else:
        at = (frame["row"] == int(name.rpartition(":")[2])).to_numpy()
    if at.sum() != 1:
        raise ValueError(f"nothing in the job is called {id_}")
    if kind == "shot":
        s, z = frame["slope_distance"].to_numpy(float), frame["zenith_angle"].to_numpy(float)
        rise, far = s * np.cos(z) + np.where(at, size, 0.0), s * np.sin(z)
        return replace(job, shots=frame.assign(slope_distance=np.hypot(rise, far), zenith_angle=np.arctan2(far, rise)))
    column = "rise" if kind == "level" else "height"
    return replace(job, **{table: frame.assign(**{column: frame[column] + np.where(at, size, 0.0)})})
