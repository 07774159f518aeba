"""Simulated jobs in which satellite antennas, total stations and a level work side by side; see `tests.simulate.jobs`.

Twelve marks on a square kilometre.  Every mark has an antenna on it in a first session, every other one again in a
second, another model of antenna by another person; rises go to the nearest antennas of the same session, and a
positioning service gives the height of each.  Three total stations sight the marks around them, and some neighbours
are levelled.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from heightnet.job.model import Job
from tests.simulate.design import Design

SETTINGS = {"separation.offset_sd_mm": 50.0}
GEOID_M = (41.3, 0.012, -0.021)  # at the middle, and its slopes to the east and north in m a km
RISE_SD_M = 0.004
RIM = (0.142, 0.031)  # radius and offset of the point antennas are usually taped to
PHASE_M = 0.064  # phase centre above the reference point
ACROSS, DOWN, APART_M = 4, 3, 400.0


def mixed(rng: np.random.Generator) -> Design:
    """The lie of a mixed job."""
    count = ACROSS * DOWN
    marks = {
        f"M{i}": (
            1000 + APART_M * (i % ACROSS) + rng.normal(0, 25), 1000 + APART_M * (i // ACROSS) + rng.normal(0, 25),
            100 + rng.normal(0, 4),
        )
        for i in range(count)
    }  # fmt: skip
    names = list(marks)
    plan = Design(marks, ("M0", "M3", "M6", "M8"), {}, {}, [])
    for i, mark in enumerate(names):
        for session in (1, 2)[: 1 + (i % 2 == 0)]:
            name = f"G{session}{mark[1:]}"
            plan.setups[name] = mark
            plan.equipment[name] = f"antenna {1 + (i + session) % 2}"
            plan.observer[name] = f"observer {1 + (i // 2 + session) % 2}"
            plan.tape[name] = f"tape {1 + (i // 3) % 2}"
            plan.heights.append((name, f"session {session}"))
    for session in (1, 2):
        of = [s for s in plan.setups if s.startswith(f"G{session}")]
        pairs = {tuple(sorted((s, t))) for s in of for t in _nearest(plan, s, of, 3)}
        plan.rises += [(a, b, f"session {session}") for a, b in sorted(pairs)]
    for number, at in enumerate((1, 5, 10)):
        setup = f"S{number}"
        plan.setups[setup], plan.equipment[setup] = names[at], f"instrument {1 + number % 2}"
        plan.tape[setup] = "tape 2"
        for mark in _nearest_marks(plan, names[at], 4):
            target = f"P{number}-{mark[1:]}"
            plan.targets[target], plan.equipment[target] = mark, f"prism {1 + number % 2}"
            plan.tape[target] = "tape 2"
            plan.sights.append((setup, target))
    plan.ties += [(names[i], names[i + 1]) for i in range(count - 1) if (i + 1) % ACROSS and i % 3 != 1]
    return plan


def _nearest(plan: Design, setup: str, of: list[str], count: int) -> list[str]:
    at = plan.setups[setup]
    return sorted((s for s in of if s != setup), key=lambda s: plan.distance(at, plan.setups[s]))[:count]


def _nearest_marks(plan: Design, mark: str, count: int) -> list[str]:
    return sorted((m for m in plan.marks if m != mark), key=lambda m: plan.distance(mark, m))[:count]


def points(thing: str) -> Iterator[dict[str, Any]]:
    """Rows of the equipment table of an antenna."""
    for point, radius, offset in (("axis", 0.0, 0.0), ("rim", *RIM), ("phase centre", 0.0, -PHASE_M)):
        usual = point == "rim"
        yield {"equipment": thing, "point": point, "radius": radius, "offset": offset, "usual": usual}


def with_satellites(job: Job, plan: Design, true_z: dict[str, float], rng: np.random.Generator, factor: float) -> Job:
    """The job with its satellite rows, and separations wrong as its settings say they may be."""

    from heightnet.network.separation import separations_of

    precision = job.settings.precision
    e, n = (np.array([plan.marks[m][i] for m in job.marks["mark"]]) / 1000 for i in (0, 1))
    height, east, north = GEOID_M
    true = height + east * (e - e.mean()) + north * (n - n.mean())
    over = dict(zip(job.marks["mark"], true, strict=True))
    rows: list[dict[str, Any]] = []
    for start, end, session in plan.rises:
        rise = true_z[end] + over[plan.setups[end]] - true_z[start] - over[plan.setups[start]]
        rows.append({"from_setup": start, "to_setup": end, "rise": rise + factor * RISE_SD_M * rng.standard_normal(),
                     "sd": RISE_SD_M, "session": session})  # fmt: skip
    for end, session in plan.heights:
        sd = precision.gnss_mm / 1000
        rows.append({"from_setup": "", "to_setup": end, "session": session, "sd": np.nan,
                     "height": true_z[end] + over[plan.setups[end]] + factor * sd * rng.standard_normal()})  # fmt: skip
    gnss = Job.from_frames("satellites", gnss=pd.DataFrame(rows)).gnss
    job = job.with_tables(gnss=gnss, marks=job.marks.assign(separation=true))
    known = separations_of(job)
    R, sds = known.knowledge()
    errors = np.linalg.solve(R.toarray(), sds * rng.standard_normal(len(sds)))
    wrong = np.zeros(len(known.mark))
    wrong[known.unknown] = errors[: len(known.unknown)]
    arms = {"offset": np.ones(len(wrong)), "tilt east": known.east, "tilt north": known.north}
    for name, size in zip(known.linear, errors[len(known.unknown) :], strict=True):
        wrong += arms[name] * size
    recorded = pd.Series(known.value - wrong, index=known.mark)
    separation = job.marks["mark"].map(recorded).fillna(job.marks["separation"]).astype(float)
    sd_known = pd.Series(known.sd, index=known.mark)
    return job.with_tables(marks=job.marks.assign(separation=separation, separation_sd=job.marks["mark"].map(sd_known)))
