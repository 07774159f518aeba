"""What was recorded, after reading: settings and tables in metres and radians.

Every table is a pandas DataFrame whose column ``row`` is the row of the file (as a spreadsheet numbers it) it came
from; those copied from a field book have ``page`` and ``line``, text.  ``Job.files`` gives the file of each table.
Text that was not recorded is "", a number that was not recorded is NaN.  Names are text.  A standard deviation that a
row does not state is NaN here; `reduce` and `network` take the job's precision for it.

==========  =======================================================================================================
table       columns (m, rad)
==========  =======================================================================================================
marks       mark, height, sd, east, north, separation, separation_sd (geoid above the ellipsoid, NaN), source
setups      setup, mark ("" free set-up), height, sd, instrument, tripod, when, observer
targets     target, mark, height, sd, equipment, tripod, when, observer
shots       setup, target, slope_distance, zenith_angle (as read: face R lies beyond pi), face ("L", "R", ""),
            sd_zenith, sd_distance, session, when
tape        stand_kind ("setup", "target", "tripod"), stand, text (as read), reading (the number read, in m),
            scale, kind ("vertical", "slant", "part"), point, radius, offset (0 where none applies), part, tape,
            by, when, sd
equipment   equipment, point, radius, offset, usual (bool), carries
levels      from_mark, to_mark, rise, length (NaN), setups (NaN), sd, run
staff       level_setup, mark (change points made unique to their run), name (as written), reading, staff, sight,
            distance (0 where not recorded), sd, run, when, rise, fall, reduced_level, line_of_sight (as booked), cell
            (which reading of its row: "BS", "FS", "wires", "other scale"; "" where the row has one)
two_peg     test, level_setup, peg, reading, distance, sd, when
gnss        from_setup ("" where one-sided), to_setup, rise (NaN where one-sided), height (NaN otherwise), sd, session
==========  =======================================================================================================
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from heightnet.job.problems import Note
from heightnet.ledger.recorded import TABLES
from heightnet.ledger.settings import Settings


@dataclass(frozen=True)
class Job:
    """One job as recorded: see the module's table for the columns.

    tables : each by its name; ``job.marks`` is one too.
    files : the file that each table stands in.
    """

    name: str
    settings: Settings
    tables: Mapping[str, pd.DataFrame]
    files: dict[str, str]
    path: Path | None = None
    notes: tuple[Note, ...] = ()

    @classmethod
    def from_frames(cls, name: str = "job", settings: Settings | None = None, **frames: pd.DataFrame) -> Job:
        """A job from tables already in metres and radians; columns left out are filled with "not recorded"."""
        unknown = set(frames) - set(TABLES)
        if unknown:
            raise KeyError(f"no such table: {', '.join(sorted(unknown))}")
        tables = {table: complete(table, frames.get(table)) for table in TABLES}
        return cls(name, settings or Settings(), tables, files={table: f"{table}.csv" for table in TABLES})

    def __getattr__(self, name: str) -> pd.DataFrame:
        tables: Mapping[str, pd.DataFrame] = self.__dict__.get("tables", {})
        if name not in tables:
            raise AttributeError(f"a job has no table {name}")
        return tables[name]

    def with_tables(self, **frames: pd.DataFrame) -> Job:
        """The same job with some of its tables in place of those of these names."""
        return replace(self, tables={**self.tables, **frames})


def complete(table: str, frame: pd.DataFrame | None) -> pd.DataFrame:
    """The table with every column of its kind, in order; blanks where nothing was given."""
    source = frame if frame is not None else pd.DataFrame()
    blank: dict[str, Any] = {"str": "", "float": float("nan"), "bool": False}
    columns: dict[str, Any] = {}
    for column, kind in TABLES[table].held.items():
        if column in source:
            values = source[column]
        elif kind == "int":
            values = pd.Series(range(2, len(source) + 2), index=source.index)
        else:
            values = pd.Series([blank[kind]] * len(source), index=source.index)
        dtype: Any = {"str": "object", "float": "float64", "int": "int64", "bool": "bool"}[kind]
        columns[column] = values.astype(dtype)
    return pd.DataFrame(columns).reset_index(drop=True)
