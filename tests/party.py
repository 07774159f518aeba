"""A field party in a world whose heights are known: it puts up, sights, levels and reads without error.

What it records is a job as it would be read from files (names made unique to their run, readings as the tape shows
them); `tests.noise` puts errors into it.  Lengths in metres, angles in radians.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from heightnet.job.model import Job
from heightnet.job.tapes import INCH
from heightnet.ledger.field import METRES
from heightnet.ledger.recorded import TABLES
from heightnet.ledger.settings import Settings

MARKED = (("marks", "mark"), ("setups", "mark"), ("targets", "mark"), ("levels", "from_mark"), ("levels", "to_mark"))
FINEST = 64  # parts of an inch that a tape in feet and inches is read to


@dataclass
class Party:
    """The world and what has been recorded of it so far.

    height, east, north, separation : of marks; separation is the geoid's height above the ellipsoid.
    centre : east, north and height of the axis or centre of each ("setup" or "target", name).
    over : the mark under each of them, "" for a free set-up.
    rows : of each table, as they will stand in the job.
    """

    settings: Settings = field(default_factory=Settings)
    height: dict[str, float] = field(default_factory=dict)
    east: dict[str, float] = field(default_factory=dict)
    north: dict[str, float] = field(default_factory=dict)
    separation: dict[str, float] = field(default_factory=dict)
    centre: dict[tuple[str, str], tuple[float, float, float]] = field(default_factory=dict)
    over: dict[tuple[str, str], str] = field(default_factory=dict)
    rows: dict[str, list[dict[str, Any]]] = field(default_factory=lambda: {table: [] for table in TABLES})

    def mark(
        self, name: str, east: float, north: float, height: float, known: bool = False, listed: bool = True,
        separation: float = np.nan, **more: Any,
    ) -> str:  # fmt: skip
        """A mark; known ones have their height in the table of marks, unlisted ones no row there at all."""
        self.east[name], self.north[name], self.height[name] = float(east), float(north), float(height)
        self.separation[name] = separation
        if listed:
            row = {"mark": name, "height": height if known else np.nan, "east": east, "north": north}
            self.rows["marks"].append(row | {"separation": separation} | more)
        return name

    def setup(self, name: str, mark: str, above: float, booked: bool = True, **more: Any) -> str:
        """An instrument or antenna ``above`` a mark, with that height booked or not."""
        return self._stand("setup", name, mark, above, booked, more)

    def target(self, name: str, mark: str, above: float, booked: bool = True, **more: Any) -> str:
        return self._stand("target", name, mark, above, booked, more)

    def _stand(self, kind: str, name: str, mark: str, above: float, booked: bool, more: dict[str, Any]) -> str:
        self.centre[kind, name] = self.east[mark], self.north[mark], self.height[mark] + above
        self.over[kind, name] = mark
        row = {kind: name, "mark": mark, "height": above if booked else np.nan} | more
        self.rows[f"{kind}s"].append(row)
        return name

    def free(self, name: str, east: float, north: float, axis: float, **more: Any) -> str:
        """An instrument over no mark."""
        self.centre["setup", name] = east, north, axis
        self.over["setup", name] = ""
        self.rows["setups"].append({"setup": name, "mark": ""} | more)
        return name

    def equip(self, name: str, point: str, radius: float = 0.0, offset: float = 0.0, **more: Any) -> None:
        row = {"equipment": name, "point": point, "radius": radius, "offset": offset, "usual": False}
        self.rows["equipment"].append(row | more)

    def tape(
        self, kind: str, stand: str, above: float, scale: str = "m", how: str = "vertical", radius: float = 0.0,
        offset: float = 0.0, **more: Any,
    ) -> None:  # fmt: skip
        """A reading of a stand's height: ``above`` is the axis, or of a tripod the seat, above the mark."""
        text, reading = as_read(np.hypot(above - offset, radius) if how == "slant" else above - offset, scale)
        row = {"stand_kind": kind, "stand": stand, "text": text, "reading": reading, "scale": scale, "kind": how}
        self.rows["tape"].append(row | {"radius": radius, "offset": offset} | more)

    def distance(self, one: tuple[str, str], other: tuple[str, str]) -> float:
        (e, n, _), (e2, n2, _) = self.centre[one], self.centre[other]
        return float(np.hypot(e - e2, n - n2))

    def sight(self, setup: str, target: str, face: str = "", **more: Any) -> None:
        far = self.distance(("setup", setup), ("target", target))
        bow = (1 - self.settings.air.refraction) * far**2 / (2 * self.settings.earth.radius_m)
        rise = self.centre["target", target][2] - self.centre["setup", setup][2] - bow
        zenith = float(np.arctan2(far, rise))
        row = {"setup": setup, "target": target, "slope_distance": float(np.hypot(far, rise)), "face": face}
        self.rows["shots"].append(row | {"zenith_angle": 2 * np.pi - zenith if face == "R" else zenith} | more)

    def level(self, start: str, end: str, **more: Any) -> None:
        """A levelled difference; ``more`` says its length, number of set-ups or sd."""
        row = {"from_mark": start, "to_mark": end, "rise": self.height[end] - self.height[start]}
        self.rows["levels"].append(row | more)

    def read(
        self, level_setup: str, line: float, mark: str, sight: str, run: str = "", distance: float = 0.0, **more: Any
    ) -> None:
        """A staff reading from a line of sight ``line`` to a mark or change point known to the world by ``mark``.

        ``more`` may hold ``name``, as the book has it, where several places share it.
        """
        bent = (1 - self.settings.air.refraction) * distance**2 / (2 * self.settings.earth.radius_m)
        row = {"level_setup": level_setup, "mark": mark, "name": mark, "reading": line - self.height[mark] + bent}
        self.rows["staff"].append(row | {"sight": sight, "run": run, "distance": distance} | more)

    def book(
        self, rng: np.random.Generator, run: str, stops: Sequence[str], counts: Sequence[int], far: float = 0.0,
        numbered: bool = False,
    ) -> list[tuple[str, float, str, str]]:  # fmt: skip
        """Level from stop to stop, so many set-ups each; returns level set-up, line, place and name of every reading.

        far : longest sight, m; 0: distances are not recorded.
        numbered : the book numbers its set-ups and change points, in every run from 1 on.
        """
        done: list[tuple[str, float, str, str]] = []
        number, label = 0, "" if numbered else f"{run} "
        for (start, end), count in zip(pairwise(stops), counts, strict=True):
            step = (self.height[end] - self.height[start]) / count
            here = name = start
            for left in range(count - 1, -1, -1):
                number += 1
                there = following = end
                if left:
                    there, following = f"{run} {number}", f"{label}{number}"
                    self.height[there] = self.height[here] + step + rng.normal(0, 0.3)
                line = max(self.height[here], self.height[there]) + rng.uniform(0.5, 1.5)
                back = rng.uniform(0.4, 1.0) * far
                ahead = max(0.0, back + rng.normal(0, 0.04) * far)
                for place, called, sight, away in ((here, name, "BS", back), (there, following, "FS", ahead)):
                    self.read(f"{label}{number}", line, place, sight, run, away, name=called)
                    done.append((f"{label}{number}", line, place, called))
                here, name = there, following
        return done

    def rise(self, start: str, end: str, **more: Any) -> None:
        """A satellite rise between two antennas."""
        row = {"from_setup": start, "to_setup": end, "rise": self._ellipsoidal(end) - self._ellipsoidal(start)}
        self.rows["gnss"].append(row | more)

    def satellite(self, end: str, **more: Any) -> None:
        """The height of one antenna by a positioning service."""
        self.rows["gnss"].append({"from_setup": "", "to_setup": end, "height": self._ellipsoidal(end)} | more)

    def _ellipsoidal(self, setup: str) -> float:
        return self.centre["setup", setup][2] + self.separation[self.over["setup", setup]]

    def job(self, name: str) -> Job:
        """The job as it would be read from its files."""
        self._name_within_runs()
        frames = {table: pd.DataFrame(rows) for table, rows in self.rows.items() if rows}
        for table, frame in frames.items():  # what some rows leave out was not recorded there
            texts = [c for c in frame if TABLES[table].held[c] == "str"]
            frame[texts] = frame[texts].fillna("")
        return Job.from_frames(name, self.settings, **frames)

    def _name_within_runs(self) -> None:
        """A change point or level set-up whose name several runs use is a place of its own in each: "1 (out)"."""
        staff = self.rows["staff"]
        fixed = {row[c] for t, c in MARKED for row in self.rows[t]}
        for column, source, kept in (("mark", "name", fixed), ("level_setup", "level_setup", set())):
            runs: dict[str, set[str]] = defaultdict(set)
            for row in staff:
                runs[row[source]].add(row["run"])
            for row in staff:
                name = row[source]
                unique = f"{name} ({row['run']})" if len(runs[name]) > 1 and name not in kept else name
                if column == "mark" and row["mark"] != unique:
                    self.height[unique] = self.height[row["mark"]]
                row[column] = unique


def as_read(metres: float, scale: str) -> tuple[str, float]:
    """The text of a length as the tape shows it, to a hundredth of a millimetre or a 64th of an inch, and its metres.

    >>> as_read(1.5240, "ftin")[1], as_read(1.586, "m"), as_read(1.586, "mm")[0]
    (1.524, ('1.58600', 1.586), '1586.00')
    """
    if scale == "ftin":
        feet, parts = divmod(round(metres / INCH * FINEST), 12 * FINEST)
        inches, part = divmod(parts, FINEST)
        fraction = Fraction(part, FINEST)
        text = f"{feet}' {inches}" + (f" {fraction}" if part else "") + '"'
        return text, float((12 * feet + inches + fraction) * Fraction(254, 10000))
    size = METRES.get(scale, 0.001)
    text = f"{metres / size:.{2 if scale == 'mm' else 5}f}"
    return text, float(text) * size
