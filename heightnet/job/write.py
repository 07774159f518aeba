"""Writing a job as CSV tables and job.toml that read back as the same job.

Everything is written beside its place and moved in at the end.  A text cell that a spreadsheet would take for a formula
(it begins with = + - @ or a tab) is written with an apostrophe before it; reading takes that apostrophe away again, so
names survive.
"""

from __future__ import annotations

import csv
import math
import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from heightnet.job.angles import read_angle
from heightnet.job.model import Job
from heightnet.ledger.field import METRES
from heightnet.ledger.recorded import TABLES, Column
from heightnet.ledger.settings import SETTINGS, Settings, Units, default, value_of

ARCSEC = math.pi / (180 * 3600)
_FORMULA = re.compile(r"'*[=+\-@\t\r]")
Cells = list[str]


def write_job(job: Job, folder: str | Path, units: Units | None = None) -> Path:
    """Write a job into a folder as CSV tables and job.toml.

    Parameters
    ----------
    job : any job; set-ups and targets get tables of their own, whichever form it was read from.
    folder : made where it is not there; tables in it are replaced, other files left alone.
    units : units to write in; None: the job's own.

    Returns
    -------
    Path : the folder.  `read_job` gives the same tables back (numbers to the last digit a float holds, angles to
        1e-14 rad), row numbers apart.
    """
    folder = Path(folder)
    units = units or job.settings.units
    texts = {f"{name}.csv": rows for name, rows in job_tables(job, units).items()}
    settings = job.settings.with_values(units=units)
    with beside(folder) as made:
        for file, rows in texts.items():
            with (made / file).open("w", encoding="utf-8", newline="") as stream:
                csv.writer(stream, lineterminator="\n").writerows(rows)
        (made / "job.toml").write_text(settings_toml(settings), encoding="utf-8")
    for name in TABLES:
        if f"{name}.csv" not in texts:
            (folder / f"{name}.csv").unlink(missing_ok=True)
    return folder


@contextmanager
def beside(folder: Path) -> Iterator[Path]:
    """A folder to fill, moved to ``folder`` when all is written; what is there already is replaced file by file."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    made = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}-"))
    try:
        yield made
        if not folder.exists():
            made.chmod(0o755)
            os.rename(made, folder)
        else:
            for file in sorted(made.iterdir()):
                os.replace(file, folder / file.name)
    finally:
        shutil.rmtree(made, ignore_errors=True)


def job_tables(job: Job, units: Units) -> dict[str, list[Cells]]:
    """Rows of text, heading first, of each table that has any; columns nobody filled are left out."""
    written: dict[str, list[Cells]] = {}
    for name, frame in _as_recorded(job).items():
        columns = [c for c in TABLES[name].columns if (c.held or c.name) in frame]
        texts = {c: _texts(c, frame[c.held or c.name], units) for c in columns}
        kept = {c.name: cells for c, cells in texts.items() if c.required or any(cells)}
        rows = list(zip(*kept.values(), strict=True))
        if rows:
            written[name] = [list(kept), *(list(r) for r in rows)]
    return written


def _as_recorded(job: Job) -> dict[str, pd.DataFrame]:
    """The job's tables with what reading made of several columns, or of blank cells, as it was."""
    tape, staff, own = job.tape, job.staff, _own_point_values(job)
    whose = {k: tape["stand"].where(tape["stand_kind"] == k, "") for k in ("setup", "target", "tripod")}
    name, distance = staff["name"].where(staff["name"] != "", staff["mark"]), staff["distance"].replace(0.0, np.nan)
    return {
        **job.tables,
        "tape": tape.assign(**whose, radius=tape["radius"].where(own), offset=tape["offset"].where(own)),
        "staff": staff.assign(name=name, distance=distance),
    }


def _texts(column: Column, values: pd.Series, units: Units) -> Cells:
    """The cells of a column, in the job's units."""
    if column.kind == "yes":
        return ["yes" if value else "" for value in values]
    if column.kind == "angle":
        return [angle_text(value, units.angle) for value in values.tolist()]
    if column.numeric:
        size = {"length": METRES[units.length], "mm": 0.001, "sec": ARCSEC}.get(column.kind, 1.0)
        return [_scaled(value, size) for value in values.tolist()]
    return [protect(str(value)) for value in values.tolist()]


def _own_point_values(job: Job) -> pd.Series:
    """Tape rows that must state radius and offset because their point alone does not give them."""
    eq = job.equipment
    listed = {
        (e, p): (r, o) for e, p, r, o in zip(eq["equipment"], eq["point"], eq["radius"], eq["offset"], strict=True)
    }
    carried = {
        "setup": dict(zip(job.setups["setup"], job.setups["instrument"], strict=True)),
        "target": dict(zip(job.targets["target"], job.targets["equipment"], strict=True)),
    }
    own = []
    columns = (job.tape[c] for c in ("stand_kind", "stand", "point", "radius", "offset"))
    for kind, stand, point, radius, offset in zip(*columns, strict=True):
        thing = carried.get(kind, {}).get(stand, "")
        own.append(not point or listed.get((thing, point)) != (radius, offset))
    return pd.Series(own, index=job.tape.index, dtype=bool)


def protect(text: str) -> str:
    """A text cell no spreadsheet takes for a formula; reading takes the apostrophe away.

    >>> protect("=A1"), protect("-7"), protect("TP 7")
    ("'=A1", "'-7", 'TP 7')
    """
    return f"'{text}" if _FORMULA.match(text) else text


def _scaled(metres: float, size: float) -> str:
    """The shortest text that reads back as this number times its unit's size, "" for not recorded."""
    if math.isnan(metres):
        return ""
    value = metres / size
    for digits in (9, 12, 15, 16, 17):
        text = f"{value:.{digits}g}"
        if float(text) * size == metres:
            return _plain_digits(text)
    for other in (math.nextafter(value, math.inf), math.nextafter(value, -math.inf)):
        if other * size == metres:
            return _plain_digits(repr(other))
    return _plain_digits(repr(value))


def _plain_digits(text: str) -> str:
    return format(Decimal(text), "f").removesuffix(".0")


def angle_text(radians: float, unit: str) -> str:
    """An angle as its unit writes it, exact to 1e-14 rad, "" for not recorded.

    >>> import math
    >>> angle_text(math.radians(92 + 14 / 60 + 35.5 / 3600), "dms")
    '92-14-35.5'
    >>> angle_text(math.pi / 2, "packed"), angle_text(math.pi / 2, "gon")
    ('90.0000', '100')
    """
    if math.isnan(radians):
        return ""
    for places in (1, 2, 3, 4, 6, 8, 9):
        text = _angle(radians, unit, places)
        if abs(read_angle(text, unit) - radians) <= 5e-16 * max(1.0, abs(radians)):
            return text
    return _angle(radians, unit, 10)


def _angle(radians: float, unit: str, places: int) -> str:
    """Rounded once, at ``places`` decimals of a second (five more for decimal degrees and gon)."""
    if unit in ("deg", "gon"):
        full = 180.0 if unit == "deg" else 200.0
        return _trimmed(f"{radians * full / math.pi:.{places + 4}f}")
    size = 10**places
    units_of_second = round(math.degrees(abs(radians)) * 3600 * size)
    minutes, rest = divmod(units_of_second, 60 * size)
    degrees, minutes = divmod(minutes, 60)
    seconds, fraction = divmod(rest, size)
    sign, tail = ("-" if radians < 0 else ""), f"{fraction:0{places}d}".rstrip("0")
    if unit == "packed":
        return f"{sign}{degrees}.{minutes:02d}{seconds:02d}{tail}"
    return f"{sign}{degrees}-{minutes:02d}-{seconds:02d}" + (f".{tail}" if tail else "")


def _trimmed(text: str) -> str:
    return text.rstrip("0").rstrip(".")


def settings_toml(settings: Settings) -> str:
    """The settings that differ from the defaults, and the units, as a job.toml."""
    groups: dict[str, list[str]] = {"": []}
    for setting in SETTINGS:
        value = value_of(settings, setting.name)
        group, _, key = setting.name.rpartition(".")
        if value is None or (value == default(setting.name) and group != "units"):
            continue
        groups.setdefault(group, []).append(f"{key} = {_toml(value)}")
    parts = ["\n".join(groups.pop(""))]
    parts += [f"[{group}]\n" + "\n".join(lines) for group, lines in groups.items() if lines]
    return "\n\n".join(p for p in parts if p) + "\n"


def _toml(value: Any) -> str:
    if not isinstance(value, str):
        return repr(value)
    return '"' + re.sub(r'[\x00-\x1f\x7f"\\]', lambda m: f"\\u{ord(m[0]):04x}", value) + '"'
