"""What was recorded, after reading: settings and tables in metres and radians.

Every table is a pandas DataFrame whose column ``row`` is the row of the file (as a spreadsheet numbers it) it came
from; ``Job.files`` gives the file of each table.  Text that was not recorded is "", a number that was not recorded is
NaN.  Names are text.  A standard deviation that a row does not state is NaN here; `reduce` and `network` take the
job's precision for it.

==========  =======================================================================================================
table       columns (m, rad)
==========  =======================================================================================================
marks       mark, height, sd, east, north, separation, separation_sd (geoid above the ellipsoid, NaN)
setups      setup, mark ("" free set-up), height, sd, instrument, tripod, when, observer
targets     target, mark, height, sd, equipment, tripod, when, observer
shots       setup, target, slope_distance, zenith_angle (as read: face R lies beyond pi), face ("L", "R", ""),
            sd_zenith, sd_distance, session
tape        stand_kind ("setup", "target", "tripod"), stand, text (as read), reading (the number read, in m),
            scale, kind ("vertical", "slant", "part"), point, radius, offset (0 where none applies), part, tape,
            by, when, sd
equipment   equipment, point, radius, offset, usual (bool), carries
levels      from_mark, to_mark, rise, length (NaN), setups (NaN), sd, run
staff       level_setup, mark (change points made unique to their run), name (as written), reading, sight, distance
            (0 where not recorded), sd, run
gnss        from_setup ("" where one-sided), to_setup, rise (NaN where one-sided), height (NaN otherwise), sd, session
==========  =======================================================================================================
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from heightnet.ledger.settings import Settings

TABLES = ("marks", "setups", "targets", "shots", "tape", "equipment", "levels", "staff", "gnss")

COLUMNS: dict[str, dict[str, str]] = {
    "marks": {
        "mark": "str", "height": "float", "sd": "float", "east": "float", "north": "float", "separation": "float",
        "separation_sd": "float", "row": "int",
    },
    "setups": {
        "setup": "str", "mark": "str", "height": "float", "sd": "float", "instrument": "str", "tripod": "str",
        "when": "str", "observer": "str", "row": "int",
    },
    "targets": {
        "target": "str", "mark": "str", "height": "float", "sd": "float", "equipment": "str", "tripod": "str",
        "when": "str", "observer": "str", "row": "int",
    },
    "shots": {
        "setup": "str", "target": "str", "slope_distance": "float", "zenith_angle": "float", "face": "str",
        "sd_zenith": "float", "sd_distance": "float", "session": "str", "row": "int",
    },
    "tape": {
        "stand_kind": "str", "stand": "str", "text": "str", "reading": "float", "scale": "str", "kind": "str",
        "point": "str", "radius": "float", "offset": "float", "part": "str", "tape": "str", "by": "str",
        "when": "str", "sd": "float", "row": "int",
    },
    "equipment": {
        "equipment": "str", "point": "str", "radius": "float", "offset": "float", "usual": "bool",
        "carries": "str", "row": "int",
    },
    "levels": {
        "from_mark": "str", "to_mark": "str", "rise": "float", "length": "float", "setups": "float",
        "sd": "float", "run": "str", "row": "int",
    },
    "staff": {
        "level_setup": "str", "mark": "str", "name": "str", "reading": "float", "sight": "str",
        "distance": "float", "sd": "float", "run": "str", "row": "int",
    },
    "gnss": {
        "from_setup": "str", "to_setup": "str", "rise": "float", "height": "float", "sd": "float", "session": "str",
        "row": "int",
    },
}  # fmt: skip


@dataclass(frozen=True)
class Note:
    """Something that reading understood, filled in or doubts, and the user should know.

    kind is "understood", "filled" or "doubt"; file and row say where, row None for a whole file.
    """

    kind: str
    text: str
    file: str = ""
    row: int | None = None


@dataclass(frozen=True)
class Job:
    """One job as recorded: see the module's table for the columns."""

    name: str
    settings: Settings
    marks: pd.DataFrame
    setups: pd.DataFrame
    targets: pd.DataFrame
    shots: pd.DataFrame
    tape: pd.DataFrame
    equipment: pd.DataFrame
    levels: pd.DataFrame
    staff: pd.DataFrame
    gnss: pd.DataFrame
    files: dict[str, str]
    path: Path | None = None
    notes: tuple[Note, ...] = ()

    @classmethod
    def from_frames(cls, name: str = "job", settings: Settings | None = None, **frames: pd.DataFrame) -> Job:
        """A job from tables already in metres and radians; columns left out are filled with "not recorded"."""
        unknown = set(frames) - set(TABLES)
        if unknown:
            raise KeyError(f"no such table: {', '.join(sorted(unknown))}")
        settings = settings or Settings()
        full: dict[str, Any] = {table: complete(table, frames.get(table)) for table in TABLES}
        return cls(name=name, settings=settings, files={t: f"{t}.csv" for t in TABLES}, **full)


def complete(table: str, frame: pd.DataFrame | None) -> pd.DataFrame:
    """The table with every column of its kind, in order; blanks where nothing was given."""
    source = frame if frame is not None else pd.DataFrame()
    blank: dict[str, Any] = {"str": "", "float": float("nan"), "bool": False}
    columns: dict[str, Any] = {}
    for column, kind in COLUMNS[table].items():
        if column in source:
            values = source[column]
        elif kind == "int":
            values = pd.Series(range(2, len(source) + 2), index=source.index)
        else:
            values = pd.Series([blank[kind]] * len(source), index=source.index)
        dtype: Any = {"str": "object", "float": "float64", "int": "int64", "bool": "bool"}[kind]
        columns[column] = values.astype(dtype)
    return pd.DataFrame(columns).reset_index(drop=True)
