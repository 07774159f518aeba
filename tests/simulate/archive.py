"""A simulated country: archives of any number of jobs, with known truth, for tests, benchmarks and teaching.

    python -m tests.simulate.archive FOLDER --jobs 1000 --seed 1

writes job folders below FOLDER/OFFICE/YEAR, one after the other, with what was true in truth.json and every planted
blunder in blunders.csv.  Each office has instruments, prisms, tapes and people of its own; a job takes some of them.
Most are as they should be within a few tenths of a millimetre.  Some are not: a prism whose point is wrong, one whose
point changed one day, a tape that is too long or too short, a person who slips more often than the others.  All names,
places and numbers are invented.
"""

from __future__ import annotations

import argparse
import csv
import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, replace
from datetime import date, timedelta
from functools import cache
from pathlib import Path

import numpy as np

from heightnet.job.model import Job
from heightnet.ledger.settings import Rates, Settings
from tests.simulate.jobs import PRECISION, Design, blunder, design, observe, shown

JOBS_PER_OFFICE = 400
FIRST_DAY, DAYS = date(2019, 1, 7), 2000
KINDS, DESIGNS = ("S3", "S1"), 24  # two of three jobs are areal; different lies of each kind
INSTRUMENTS, PRISMS, TAPES, PEOPLE = 4, 9, 5, 5  # of an office
USUAL_M = 0.0003  # sd of the offset of a thing that is as it should be
BAD, CHANGED, STRETCHED, CARELESS = 0.1, 0.1, 0.15, 0.15  # shares of prisms, prisms, tapes, people
BAD_M, SCALE = (0.003, 0.006), (0.0008, 0.002)
SLIPS_M = (0.01, 0.01, 0.1, 0.1, 0.3048, 1.0)  # a centimetre, a decimetre, a foot, a metre; and any size beside them
ANY_SIZE = 0.4
FIRST_NAMES = ("Ada", "Bo", "Cleo", "Dag", "Eli", "Fay", "Gus", "Hal", "Ida", "Jon", "Kai", "Liv", "Mo", "Nel", "Ole")
LAST_NAMES = ("Arden", "Brook", "Crane", "Dale", "Elm", "Fenn", "Grove", "Heath", "Ives", "Kell", "Lund", "Marsh")


@dataclass
class Office:
    """What an office owns and what is true of it; errors above 0: heights recorded too high.

    offset : m, of instruments, prisms, tapes, and of the people's way of reading instrument heights.
    scale : of tapes, share of the length read.
    changed : prisms, {name: (day from which, offset from then on, m)}.
    careless : people, {name: how many times as often as the others they slip}.
    """

    name: str
    instruments: list[str]
    prisms: list[str]
    tapes: list[str]
    people: list[str]
    offset: dict[str, float] = field(default_factory=dict)
    scale: dict[str, float] = field(default_factory=dict)
    changed: dict[str, tuple[str, float]] = field(default_factory=dict)
    careless: dict[str, float] = field(default_factory=dict)

    def offset_on(self, thing: str, day: str) -> float:
        """Of an instrument, prism, tape or person, m."""
        since, size = self.changed.get(thing, ("9999", 0.0))
        return size if day >= since else self.offset[thing]


@dataclass(frozen=True)
class Country:
    """Offices, and how many jobs they made between them."""

    jobs: int
    seed: int
    rates: Rates
    offices: tuple[Office, ...]


@dataclass(frozen=True)
class SimulatedJob:
    """A job, where it belongs, and the blunders planted in it, m by id."""

    path: str
    job: Job
    blunders: dict[str, float]


def country(jobs: int, seed: int = 0, offices: int | None = None, rates: Rates | None = None) -> Country:
    """The truth behind an archive.

    >>> land = country(1000, seed=1)
    >>> len(land.offices), len(land.offices[0].prisms)
    (3, 9)
    """
    count = offices or max(1, -(-jobs // JOBS_PER_OFFICE))
    made = (_office(i, np.random.default_rng((seed, 1, i))) for i in range(count))
    return Country(jobs, seed, rates or Rates(), tuple(made))


def _office(number: int, rng: np.random.Generator) -> Office:
    tag = f"{number + 1:03d}"
    pairs = rng.choice(len(FIRST_NAMES) * len(LAST_NAMES), PEOPLE, replace=False)
    office = Office(
        f"office-{tag}",
        [f"instrument {tag}-{i + 1}" for i in range(INSTRUMENTS)],
        [f"prism {tag}-{i + 1}" for i in range(PRISMS)],
        [f"tape {tag}-{i + 1}" for i in range(TAPES)],
        [f"{FIRST_NAMES[p % len(FIRST_NAMES)]} {LAST_NAMES[p // len(FIRST_NAMES)]} {tag}" for p in pairs],
    )
    for thing in (*office.instruments, *office.prisms, *office.tapes, *office.people):
        office.offset[thing] = float(rng.normal(0, USUAL_M))
    for prism in office.prisms:
        what = rng.uniform()
        if what < BAD:
            office.offset[prism] = _either(rng, *BAD_M)
        elif what < BAD + CHANGED:
            day = FIRST_DAY + timedelta(days=int(rng.uniform(0.2, 0.8) * DAYS))
            office.changed[prism] = (day.isoformat(), office.offset[prism] + _either(rng, *BAD_M))
    for tape in office.tapes:
        office.scale[tape] = _either(rng, *SCALE) if rng.uniform() < STRETCHED else 0.0
    office.careless |= {p: float(rng.uniform(4, 8)) for p in office.people if rng.uniform() < CARELESS}
    return office


def _either(rng: np.random.Generator, low: float, high: float) -> float:
    return float(rng.uniform(low, high) * rng.choice((-1, 1)))


def simulate_jobs(land: Country) -> Iterator[SimulatedJob]:
    """The jobs of a country one after the other, each with a random stream of its own."""
    for number in range(land.jobs):
        yield simulate_job(land, number)


def simulate_job(land: Country, number: int) -> SimulatedJob:
    """One job of a country by its number."""
    rng = np.random.default_rng((land.seed, 2, number))
    office = land.offices[number % len(land.offices)]
    kind = KINDS[int(rng.uniform() < 1 / 3)]
    day = FIRST_DAY + timedelta(days=int(rng.integers(DAYS)))
    plan, crew = staffed(_lie(kind, int(rng.integers(DESIGNS))), office, rng)
    title = f"Simulated job of {office.name} (invented)"
    settings = replace(Settings(title=title).with_values(**PRECISION), rates=land.rates)
    job, _ = observe(plan, settings, rng, name=f"{day:%Y%m%d}-{number + 1:06d}")
    job = signed(job, plan, crew, day.isoformat())
    job = with_common_errors(job, office, day.isoformat())
    blunders = _slips(job, office, land.rates, rng)
    for id_, size in blunders.items():
        job = blunder(job, id_, size)
    return SimulatedJob(f"{office.name}/{day.year}/{job.name}", job, blunders)


@cache
def _lie(kind: str, seed: int) -> Design:
    return design(kind, seed)


def staffed(plan: Design, office: Office, rng: np.random.Generator) -> tuple[Design, dict[str, str]]:
    """The design with instruments, prisms and tapes of an office, and who stood at each set-up and target."""
    stands = (*plan.setups, *plan.targets)
    tape = plan.tape or {s: f"tape {1 + i % 2}" for i, s in enumerate(stands)}
    role: dict[str, str] = {}
    for name, owned in (("instrument", office.instruments), ("prism", office.prisms), ("tape", office.tapes)):
        roles = sorted({r for r in (*plan.equipment.values(), *tape.values()) if r.startswith(name)})
        role |= dict(zip(roles, rng.permutation(owned)[: len(roles)].tolist(), strict=True))
    people = rng.permutation(office.people)[:2].tolist()
    crew = {s: people[i // 2 % 2] for i, s in enumerate(plan.setups)}
    crew |= {t: people[i % 2] for i, t in enumerate(plan.targets)}
    equipment = {s: role[r] for s, r in plan.equipment.items()}
    return replace(plan, equipment=equipment, tape={s: role[r] for s, r in tape.items()}), crew


def signed(job: Job, plan: Design, crew: dict[str, str], day: str) -> Job:
    """The job with who observed and when."""
    when = f"{day}T09:00"
    return job.with_tables(
        setups=job.setups.assign(observer=[crew[s] for s in job.setups["setup"]], when=when),
        targets=job.targets.assign(observer=[crew[t] for t in job.targets["target"]], when=when),
        tape=job.tape.assign(by=[crew[s] for s in job.tape["stand"]], when=when),
    )


def with_common_errors(job: Job, office: Office, day: str) -> Job:
    """The job as the office's things, true or not, would have recorded it."""
    thing = dict(zip(job.setups["setup"], job.setups["instrument"], strict=True))
    thing |= dict(zip(job.targets["target"], job.targets["equipment"], strict=True))
    tape = job.tape
    offset = np.array([
        office.offset_on(thing[stand], day) + office.offset_on(t, day)
        + (office.offset_on(who, day) if of == "setup" else 0.0)
        for of, stand, t, who in zip(tape["stand_kind"], tape["stand"], tape["tape"], tape["by"], strict=True)
    ])  # fmt: skip
    stretch = np.array([office.scale[t] for t in tape["tape"]])
    reading = tape["reading"] * (1 + stretch) + offset
    text = [shown(r, s) for r, s in zip(reading, tape["scale"], strict=True)]
    return job.with_tables(tape=tape.assign(reading=reading, text=text))


def _slips(job: Job, office: Office, rates: Rates, rng: np.random.Generator) -> dict[str, float]:
    """Blunders at the country's rates, more of them where a careless person stood."""
    chances: list[tuple[str, float]] = []
    for table, kind, rate in ((job.setups, "setup", rates.setup), (job.targets, "target", rates.target)):
        for stand, who in zip(table[kind], table["observer"], strict=True):
            chances.append((f"{kind}:{stand}", min(0.5, rate * office.careless.get(who, 1.0))))
    chances += [(f"shot:{job.files['shots']}:{row}", rates.shot) for row in job.shots["row"]]
    known = job.marks["mark"][job.marks["height"].notna()]
    chances += [(f"known:{mark}", rates.known) for mark in known]
    hit = rng.uniform(size=len(chances)) < np.array([rate for _, rate in chances])
    return {chances[i][0]: slip(rng) for i in np.flatnonzero(hit).tolist()}


def slip(rng: np.random.Generator) -> float:
    if rng.uniform() < ANY_SIZE:
        return float(np.exp(rng.uniform(np.log(0.006), np.log(0.15))) * rng.choice((-1, 1)))
    return float(rng.choice(SLIPS_M) * rng.choice((-1, 1)))


def write_archive(folder: Path, jobs: int, seed: int = 0, offices: int | None = None) -> Country:
    """Write an archive of job folders, one at a time, and the truth beside them: truth.json and blunders.csv."""
    from heightnet.job.write import write_job
    from heightnet.report.writing import write_text

    land = country(jobs, seed, offices)
    folder.mkdir(parents=True, exist_ok=True)
    beside = folder / "blunders.csv.part"
    with beside.open("w", newline="", encoding="utf-8") as stream:
        table = csv.writer(stream)
        table.writerow(["job", "id", "error_mm"])
        for one in simulate_jobs(land):
            write_job(one.job, folder / one.path)
            table.writerows([one.path, id_, f"{size * 1000:.3f}"] for id_, size in one.blunders.items())
    beside.rename(folder / "blunders.csv")
    truth = {
        "invented": "every name, place and number",
        "note": "errors in m, above 0: recorded too high",
        **asdict(land),
    }
    write_text(folder / "truth.json", [json.dumps(truth, indent=1), "\n"])
    return land


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.simulate.archive", description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--jobs", type=int, default=100)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--offices", type=int, help=f"default: one for {JOBS_PER_OFFICE} jobs")
    asked = parser.parse_args()
    from heightnet.report.console import one_line, say

    land = write_archive(asked.folder, asked.jobs, asked.seed, asked.offices)
    offices = f"{len(land.offices)} office{'s' if len(land.offices) > 1 else ''}"
    say(f"{land.jobs} jobs of {offices} in {one_line(asked.folder)}, all invented; what is true: truth.json")


if __name__ == "__main__":
    main()
