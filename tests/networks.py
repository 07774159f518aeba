"""Small jobs with known truth, built by hand for the tests; lengths in metres, angles in radians."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from heightnet.job.model import Job
from heightnet.ledger.settings import Settings

K, R = 0.13, 6_371_000.0
SEC = np.pi / 648_000


@dataclass
class Field:
    """A field party with a true world: sight, tape and level, then ask for the job.

    noise scales every standard deviation of the settings; 0 makes a job without error.
    """

    heights: dict[str, float]
    noise: float = 1.0
    seed: int = 1
    settings: Settings = field(default_factory=Settings)
    k: float = K
    marks: list = field(default_factory=list)
    setups: list = field(default_factory=list)
    targets: list = field(default_factory=list)
    shots: list = field(default_factory=list)
    tape: list = field(default_factory=list)
    levels: list = field(default_factory=list)
    staff: list = field(default_factory=list)
    equipment: list = field(default_factory=list)

    def __post_init__(self):
        self.rng = np.random.default_rng(self.seed)
        self.true = {}

    def error(self, sd):
        return self.noise * sd * self.rng.standard_normal()

    def known(self, mark, sd=0.001, wrong=0.0):
        self.marks.append({"mark": mark, "height": self.heights[mark] + self.error(sd) + wrong, "sd": sd})

    def setup(self, name, mark, height, wrong=0.0, taped=True, sd=0.001, **more):
        self.true[name] = self.heights[mark] + height
        booked = height + self.error(sd) + wrong if taped else np.nan
        self.setups.append({"setup": name, "mark": mark, "height": booked, "sd": sd, **more})

    def target(self, name, mark, height, wrong=0.0, taped=True, sd=0.001, **more):
        self.true[name] = self.heights[mark] + height
        booked = height + self.error(sd) + wrong if taped else np.nan
        self.targets.append({"target": name, "mark": mark, "height": booked, "sd": sd, **more})

    def shot(self, setup, target, distance, wrong=0.0, index=0.0, face="", sd=0.001, **more):
        rise = self.true[target] - self.true[setup] - (1 - self.k) * distance**2 / (2 * R)
        z, s = np.arctan2(distance, rise), np.hypot(distance, rise)
        z += self.error(sd / distance) - wrong / distance
        read = {"": z, "L": z + index, "R": 2 * np.pi - z + index}[face]
        self.shots.append(
            {"setup": setup, "target": target, "slope_distance": s, "zenith_angle": read, "face": face,
             "sd_zenith": sd / distance, "sd_distance": 1e-6, **more}
        )  # fmt: skip

    def level(self, start, end, sd=0.001, wrong=0.0, **more):
        rise = self.heights[end] - self.heights[start] + self.error(sd) + wrong
        self.levels.append({"from_mark": start, "to_mark": end, "rise": rise, "sd": sd, **more})

    def read(self, setup, line, mark, sight, sd=0.0005, wrong=0.0, run=""):
        reading = line - self.heights[mark] + self.error(sd) + wrong
        self.staff.append(
            {"level_setup": setup, "mark": mark, "name": mark, "reading": reading, "sight": sight, "sd": sd, "run": run,
             "distance": 0.0}
        )  # fmt: skip

    def job(self, **frames):
        tables = ("marks", "setups", "targets", "shots", "tape", "levels", "staff", "equipment")
        built = {t: pd.DataFrame(getattr(self, t)) for t in tables if getattr(self, t)}
        return Job.from_frames("made up", self.settings, **(built | frames))


def reciprocal(count=5, noise=1.0, seed=1, wrong=None, levelled=(), settings=None):
    """A reciprocal traverse K0 - M1 ... - K1 with ties over one mark; ``wrong`` maps a name to an error in metres.

    Set-ups S0, S1, ... over every mark; target P{i}{j} over mark j for set-up i.
    """
    wrong = wrong or {}
    marks = ["K0", *(f"M{i}" for i in range(1, count + 1)), "K1"]
    rng = np.random.default_rng(seed + 1000)
    heights = dict(zip(marks, 100 + np.cumsum(rng.normal(0, 3, len(marks))), strict=True))
    party = Field(heights, noise, seed, settings or Settings())
    for mark in ("K0", "K1"):
        party.known(mark, wrong=wrong.get(mark, 0.0))
    for i, mark in enumerate(marks):
        party.setup(f"S{i}", mark, 1.5 + 0.01 * i, wrong=wrong.get(f"S{i}", 0.0), instrument="one")
    for i in range(len(marks)):
        for j in (i - 2, i - 1, i + 1, i + 2):
            if not 0 <= j < len(marks):
                continue
            name = f"P{i}{j}"
            party.target(
                name, marks[j], 1.4 + 0.02 * ((3 * i + j) % 9), wrong=wrong.get(name, 0.0), equipment=f"prism {j % 2}"
            )
            party.shot(f"S{i}", name, 120.0 * abs(i - j), wrong=wrong.get(f"S{i}-{name}", 0.0), sd=0.001 * abs(i - j))
    for start, end in levelled:
        party.level(start, end)
    return party
