"""Jobs with known truth, for tests, benchmarks and teaching.

``simulate("S1", seed=3, blunders={"setup:S4": 0.05})`` makes a job as a field party would bring it, with that
instrument height recorded 50 mm too high, and says what was true.  The kinds:

====  ==========================================================================================================
S1    free reciprocal traverse: 10 set-ups, every target put up for one sight, sights over one mark too
S2    forced centring: 8 stands that instrument and prism share, one tape height each, some levelled ties
S3    areal: 12 set-ups, two targets over each mark that several set-ups sight, 3 known marks
M1    areal: 60 set-ups, likewise, 6 known marks
G1    mixed: 18 antenna set-ups in two sessions, 3 total stations, levelled ties, 4 known marks
====  ==========================================================================================================

The areal jobs have two parties, each with its instrument and tape, and three prisms; every fourth set-up is taped
twice, in metres and in feet.  All names and numbers are invented.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.job.model import Job
from heightnet.ledger.field import METRES
from heightnet.ledger.settings import Settings
from tests.simulate import antennas
from tests.simulate.antennas import mixed
from tests.simulate.design import Design

Floats = npt.NDArray[np.float64]

KINDS = ("S1", "S2", "S3", "M1", "G1")
PRECISION = {
    "precision.zenith_sec": 2.0, "precision.distance_mm": 1.0, "precision.distance_ppm": 1.5, "precision.tape_mm": 1.0,
    "precision.known_mm": 1.0,
}  # fmt: skip
SIDE_MARK_M = 0.100  # radius of the side mark of an instrument, for those who measure to it slant


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


def design(kind: str, seed: int = 0) -> Design:
    """The lie of one kind of job; the seed moves its marks."""
    if kind not in KINDS:
        raise ValueError(f"no such kind of job: {kind}; there are {', '.join(KINDS)}")
    rng = np.random.default_rng((seed, KINDS.index(kind)))
    if kind == "G1":
        return mixed(rng)
    return _traverse(rng) if kind == "S1" else _centred(rng) if kind == "S2" else _areal(rng, *AREAL[kind])


def _line_of_marks(rng: np.random.Generator, count: int) -> dict[str, tuple[float, float, float]]:
    east = np.cumsum(rng.uniform(90, 150, count))
    north, height = np.cumsum(rng.normal(0, 30, count)), 100 + np.cumsum(rng.normal(0, 2.5, count))
    return {f"M{i}": (1000 + east[i], 1000 + north[i], height[i]) for i in range(count)}


def _traverse(rng: np.random.Generator) -> Design:
    marks = _line_of_marks(rng, 10)
    names = list(marks)
    plan = Design(marks, ("M0", "M1", "M8", "M9"), {f"S{i}": m for i, m in enumerate(names)}, {}, [])
    plan.equipment |= dict.fromkeys(plan.setups, "instrument 1")
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
        plan.equipment |= {f"S{i}": "instrument 1", f"P{i}": "carrier prism"}
        plan.sights += [(f"S{i}", f"P{j}") for j in (i - 1, i + 1) if 0 <= j < 8]
    plan.ties += [(names[i], names[i + 1]) for i in range(7)] + [(names[i], names[i + 2]) for i in (0, 2, 4)]
    return plan


AREAL = {"S3": (12, 3, 5), "M1": (60, 6, 5)}


def _areal(rng: np.random.Generator, count: int, known: int, seen: int) -> Design:
    """Marks on a jittered grid, a set-up over each; each sights its nearest neighbours, where a target stands twice."""
    side = int(np.ceil(np.sqrt(count)))
    places = [(120.0 * (i % side), 120.0 * (i // side)) for i in range(count)]
    marks = {
        f"M{i}": (1000 + e + rng.normal(0, 12), 1000 + n + rng.normal(0, 12), 100 + rng.normal(0, 4))
        for i, (e, n) in enumerate(places)
    }
    chosen = tuple(f"M{i}" for i in np.linspace(0, count - 1, known).round().astype(int))
    plan = Design(marks, chosen, {f"S{i}": f"M{i}" for i in range(count)}, {}, [])
    sighted = dict.fromkeys(range(count), 0)
    for i in range(count):
        plan.equipment[f"S{i}"], plan.tape[f"S{i}"] = f"instrument {1 + (i // 2) % 2}", f"tape {1 + (i // 2) % 2}"
        near = sorted((plan.distance(f"M{i}", f"M{j}"), j) for j in range(count) if j != i)[:seen]
        for _, j in near:
            target = f"P{j}{'ab'[sighted[j] % 2]}"  # put up anew half-way through the job
            sighted[j] += 1
            plan.targets[target] = f"M{j}"
            plan.equipment[target] = f"prism {1 + (2 * j + sighted[j] % 2) % 3}"
            plan.tape[target] = plan.tape.get(target, f"tape {1 + (j // 2 + sighted[j]) % 2}")
            plan.sights.append((f"S{i}", target))
    plan.twice = tuple(f"S{i}" for i in range(1, count, 4))
    return plan


@dataclass(frozen=True)
class Sds:
    """The size of a blunder in standard deviations of what the job would estimate for it."""

    count: float


def simulate(
    kind: str,
    seed: int = 0,
    blunders: Mapping[str, float | Sds] | None = None,
    *,
    settings: Settings | None = None,
    tape_factor: float = 1.0,
    sight_factor: float = 1.0,
) -> tuple[Job, Truth]:
    """A job of one kind with its truth.

    Parameters
    ----------
    blunders : errors in m, or in `Sds`, by hypothesis id: ``setup:S4``, ``target:P45``, ``tripod:stand 3``,
        ``reading:tape.csv:3``, ``known:M0``, ``level:levels.csv:2``, ``shot:shots.csv:7``,
        ``gnss:gnss.csv:4``, ``separation:M3``,
        ``group:equipment:prism 1``, ``group:instrument:instrument 1``, ``group:tape:tape 2``, and ``swap:S4/P45`` (its
        size is what the two heights make it, whatever is given).
    settings : of the job; the true standard deviations are its own, times the factors.

    >>> job, truth = simulate("S1", seed=3, blunders={"setup:S4": 0.05})
    >>> len(job.setups), truth.blunders
    (10, {'setup:S4': 0.05})
    """
    if settings is None:
        own = antennas.SETTINGS if kind == "G1" else {}
        settings = Settings(title=f"Simulated {kind} (invented)").with_values(**PRECISION, **own)
    plan = design(kind, seed)
    job, k = observe(plan, settings, np.random.default_rng((seed, 99)), tape_factor, sight_factor, f"{kind}-{seed}")
    sizes = _in_metres(job, blunders or {})
    for id_, size in sizes.items():
        job = blunder(job, id_, size)
    return job, Truth({m: h for m, (_, _, h) in plan.marks.items()}, sizes, k)


def _in_metres(job: Job, blunders: Mapping[str, float | Sds]) -> dict[str, float]:
    if not any(isinstance(size, Sds) for size in blunders.values()):
        return {id_: float(size) for id_, size in blunders.items()}  # type: ignore[arg-type]
    from heightnet.judge.bench import Bench
    from heightnet.network import build_network

    bench = Bench(build_network(job), factors=False)
    position = {str(id_): h for h, id_ in enumerate(bench.family.ids)}
    sizes = {}
    for id_, size in blunders.items():
        if isinstance(size, Sds):
            if id_ not in position or bench.classes.label[position[id_]] < 0:
                raise ValueError(f"nothing in the job tests {id_}: its estimate has no standard deviation")
            size = size.count / np.sqrt(bench.diagonal[position[id_]])
        sizes[id_] = float(size)
    return sizes


def observe(
    plan: Design, settings: Settings, rng: np.random.Generator, tape_factor: float = 1.0, sight_factor: float = 1.0,
    name: str = "simulated",
) -> tuple[Job, float]:  # fmt: skip
    """Observe a design with noise: true heights of stands, readings and sights; the job, and the true refraction."""
    precision, air = settings.precision, settings.air
    k = air.refraction + air.refraction_sd * rng.standard_normal()
    tape_sd = precision.tape_mm / 1000 * tape_factor
    seats = {stand: rng.uniform(1.42, 1.68) for stand in dict.fromkeys(plan.tripod.values())}
    height = {s: seats.get(plan.tripod.get(s, ""), rng.uniform(1.45, 1.65)) for s in plan.setups}
    height |= {t: seats.get(plan.tripod.get(t, ""), rng.uniform(1.35, 1.75)) for t in plan.targets}
    where = plan.setups | plan.targets
    true_z = {stand: plan.marks[mark][2] + height[stand] for stand, mark in where.items()}
    read = {seat: h + tape_sd * rng.standard_normal() for seat, h in seats.items()}
    read |= {s: h + tape_sd * rng.standard_normal() for s, h in height.items() if s not in plan.tripod}

    def stands(kind: str, thing: str, marks: dict[str, str]) -> pd.DataFrame:
        return pd.DataFrame(
            {kind: s, "mark": m, "height": np.nan if s in plan.tape else read[plan.tripod.get(s, s)],
             thing: plan.equipment.get(s, ""), "tripod": plan.tripod.get(s, "")} for s, m in marks.items()
        )  # fmt: skip

    known_sd = precision.known_mm / 1000
    frames = {
        "setups": stands("setup", "instrument", plan.setups),
        "targets": stands("target", "equipment", plan.targets),
        "shots": pd.DataFrame(_sight(plan, settings, rng, k, sight_factor, true_z, s, t) for s, t in plan.sights),
        "marks": pd.DataFrame(
            {"mark": m, "height": h + known_sd * rng.standard_normal() if m in plan.known else np.nan,
             "east": e, "north": n} for m, (e, n, h) in plan.marks.items()
        ),
        "levels": pd.DataFrame(_tie(plan, settings, rng, sight_factor, a, b) for a, b in plan.ties),
        "tape": pd.DataFrame(_taped(plan, height, read, tape_sd, rng)),
        "equipment": pd.DataFrame(_points(plan)),
    }  # fmt: skip
    job = Job.from_frames(name, settings, **{t: f for t, f in frames.items() if len(f)})
    if plan.heights or plan.rises:
        job = antennas.with_satellites(job, plan, true_z, rng, sight_factor)
    return job, float(k)


def _points(plan: Design) -> Iterator[dict[str, object]]:
    """Rows of the equipment table; the heights of shared stands are those of the axes."""
    over_antennas = dict.fromkeys(plan.equipment[s] for s, _ in plan.heights)
    for thing in over_antennas:
        yield from antennas.points(thing)
    for thing in dict.fromkeys(t for t in plan.equipment.values() if t not in over_antennas):
        yield {"equipment": thing, "point": "axis", "radius": 0.0, "offset": 0.0, "usual": False}
    for thing in dict.fromkeys(t for s in plan.setups if (t := plan.equipment[s]) not in over_antennas):
        yield {"equipment": thing, "point": "side mark", "radius": SIDE_MARK_M, "offset": 0.0, "usual": True}


def _taped(
    plan: Design, height: dict[str, float], read: dict[str, float], sd: float, rng: np.random.Generator
) -> Iterator[dict[str, object]]:
    """Rows of the tape table, for stands whose tape is named."""
    for stand in (s for s in (*plan.setups, *plan.targets) if s in plan.tape):
        for scale in ("m", "ft") if stand in plan.twice else ("m",):
            reading = read[stand] if scale == "m" else height[stand] + sd * rng.standard_normal()
            yield {
                "stand_kind": "setup" if stand in plan.setups else "target", "stand": stand,
                "text": shown(reading, scale), "reading": reading, "scale": scale, "kind": "vertical", "radius": 0.0,
                "offset": 0.0, "tape": plan.tape[stand], "by": plan.observer.get(stand, ""),
            }  # fmt: skip


def shown(metres: float, scale: str) -> str:
    """A reading as the tape shows it.

    >>> shown(1.524, "m"), shown(1.524, "ft")
    ('1.52400', '5.00000')
    """
    return f"{metres / METRES[scale]:.5f}"


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

    A sight's slope distance and angle are moved so that its rise is off; a swap exchanges the two heights.
    """
    kind, _, name = id_.partition(":")
    setups, targets = job.setups, job.targets
    if kind == "swap":
        setup, _, target = name.partition("/")
        stands = ("setup", setup), ("target", target)
        hi, ht = (_recorded(job, *stand) for stand in stands)
        return _raised(job, dict(zip(stands, (ht - hi, hi - ht), strict=True)))
    if kind in ("setup", "target"):
        _recorded(job, kind, name)  # there must be such a height
        return _raised(job, {(kind, name): size})
    if kind == "tripod":
        on = {("setup", s): size for s in setups["setup"][setups["tripod"] == name]}
        return _raised(job, on | {("target", t): size for t in targets["target"][targets["tripod"] == name]})
    if kind == "group":
        of, _, thing = name.partition(":")
        if of == "tape":
            return job.with_tables(tape=_reread(job.tape, job.tape["tape"] == thing, size))
        frame, stand, column = {"instrument": (setups, "setup", "instrument"),
                                "equipment": (targets, "target", "equipment")}[of]  # fmt: skip
        return _raised(job, {(stand, s): size for s in frame[stand][frame[column] == thing]})
    if kind == "separation":
        wrong = job.marks["separation"] + np.where(job.marks["mark"] == name, size, 0.0)
        return job.with_tables(marks=job.marks.assign(separation=wrong))
    table = {"known": "marks", "level": "levels", "shot": "shots", "reading": "tape", "gnss": "gnss"}[kind]
    frame = job.tables[table]
    at = (frame["mark"] == name if kind == "known" else frame["row"] == int(name.rpartition(":")[2])).to_numpy()
    if at.sum() != 1:
        raise ValueError(f"nothing in the job is called {id_}")
    if kind == "reading":
        return job.with_tables(tape=_reread(frame, at, size))
    if kind == "shot":
        s, z = frame["slope_distance"].to_numpy(float), frame["zenith_angle"].to_numpy(float)
        rise, far = s * np.cos(z) + np.where(at, size, 0.0), s * np.sin(z)
        return job.with_tables(
            shots=frame.assign(slope_distance=np.hypot(rise, far), zenith_angle=np.arctan2(far, rise))
        )
    columns = {"level": ("rise",), "gnss": ("rise", "height")}.get(kind, ("height",))  # of a row one is recorded
    return job.with_tables(**{table: frame.assign(**{c: frame[c] + np.where(at, size, 0.0) for c in columns})})


def _recorded(job: Job, kind: str, name: str) -> float:
    """The height of a stand as booked, or the mean of its readings."""
    frame = job.setups if kind == "setup" else job.targets
    booked = frame.loc[frame[kind] == name, "height"]
    readings = job.tape.loc[(job.tape["stand_kind"] == kind) & (job.tape["stand"] == name), "reading"]
    if len(booked) != 1 or (booked.isna().all() and not len(readings)):
        raise ValueError(f"nothing in the job is called {kind}:{name}")
    return float(readings.mean() if len(readings) else booked.iloc[0])


def _raised(job: Job, stands: dict[tuple[str, str], float]) -> Job:
    """The job with all that was recorded of some stands' heights too high."""

    def booked(frame: pd.DataFrame, kind: str) -> pd.DataFrame:
        return frame.assign(height=frame["height"] + np.array([stands.get((kind, s), 0.0) for s in frame[kind]]))

    tape = job.tape
    for (kind, name), size in stands.items():
        tape = _reread(tape, (tape["stand_kind"] == kind) & (tape["stand"] == name), size)
    return job.with_tables(setups=booked(job.setups, "setup"), targets=booked(job.targets, "target"), tape=tape)


def _reread(tape: pd.DataFrame, at: npt.ArrayLike, size: float) -> pd.DataFrame:
    """The tape table with some vertical readings too high."""
    reading = tape["reading"] + np.where(at, size, 0.0)
    return tape.assign(reading=reading, text=[shown(r, s) for r, s in zip(reading, tape["scale"], strict=True)])
