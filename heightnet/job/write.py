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
from heightnet.ledger.recorded import TABLES
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
    for name, columns in _columns(job, units).items():
        kept = {c: cells for c, cells in columns.items() if TABLES[name].column(c).required or any(cells)}
        rows = list(zip(*kept.values(), strict=True))
        if rows:
            written[name] = [list(kept), *(list(r) for r in rows)]
    return written


class _Texts:
    """Columns of a job as its tables write them, in the job's units."""

    def __init__(self, units: Units) -> None:
        self.units = units

    def length(self, values: pd.Series) -> Cells:
        return [_scaled(v, METRES[self.units.length]) for v in values.tolist()]

    def mm(self, values: pd.Series) -> Cells:
        return [_scaled(v, 0.001) for v in values.tolist()]

    def sec(self, values: pd.Series) -> Cells:
        return [_scaled(v, ARCSEC) for v in values.tolist()]

    def angle(self, values: pd.Series) -> Cells:
        return [angle_text(v, self.units.angle) for v in values.tolist()]

    def text(self, values: pd.Series) -> Cells:
        return [protect(str(v)) for v in values.tolist()]


def _columns(job: Job, units: Units) -> dict[str, dict[str, Cells]]:
    write = _Texts(units)
    return _of_stands(write, job) | _of_tapes(write, job) | _of_ties(write, job)


def _of_stands(write: _Texts, job: Job) -> dict[str, dict[str, Cells]]:
    m, s, t, text = job.marks, job.setups, job.targets, write.text
    length, mm = write.length, write.mm
    return {
        "marks": {
            "mark": text(m["mark"]), "height": length(m["height"]), "sd_mm": mm(m["sd"]), "east": length(m["east"]),
            "north": length(m["north"]), "separation": length(m["separation"]),
            "separation_sd_mm": mm(m["separation_sd"]),
        },
        "setups": {
            "setup": text(s["setup"]), "mark": text(s["mark"]), "height": length(s["height"]), "sd_mm": mm(s["sd"]),
            **{c: text(s[c]) for c in ("instrument", "tripod", "when", "observer")},
        },
        "targets": {
            "target": text(t["target"]), "mark": text(t["mark"]), "height": length(t["height"]), "sd_mm": mm(t["sd"]),
            **{c: text(t[c]) for c in ("equipment", "tripod", "when", "observer")},
        },
    }  # fmt: skip


def _of_tapes(write: _Texts, job: Job) -> dict[str, dict[str, Cells]]:
    tape, eq, text, mm = job.tape, job.equipment, write.text, write.mm
    own = _own_point_values(job)
    return {
        "tape": {
            **{k: text(tape["stand"].where(tape["stand_kind"] == k, "")) for k in ("setup", "target", "tripod")},
            "reading": text(tape["text"]), "scale": text(tape["scale"]), "kind": text(tape["kind"]),
            "point": text(tape["point"]), "radius_mm": mm(tape["radius"].where(own)),
            "offset_mm": mm(tape["offset"].where(own)), "part": text(tape["part"]), "tape": text(tape["tape"]),
            "by": text(tape["by"]), "when": text(tape["when"]), "sd_mm": mm(tape["sd"]),
        },
        "equipment": {
            "equipment": text(eq["equipment"]), "point": text(eq["point"]), "radius_mm": mm(eq["radius"]),
            "offset_mm": mm(eq["offset"]), "usual": ["yes" if u else "" for u in eq["usual"]],
            "carries": text(eq["carries"]),
        },
    }  # fmt: skip


def _of_ties(write: _Texts, job: Job) -> dict[str, dict[str, Cells]]:
    h, lv, st, gn, text = job.shots, job.levels, job.staff, job.gnss, write.text
    length, mm = write.length, write.mm
    return {
        "shots": {
            "setup": text(h["setup"]), "target": text(h["target"]), "slope_distance": length(h["slope_distance"]),
            "zenith_angle": write.angle(h["zenith_angle"]), "face": text(h["face"]),
            "sd_zenith_sec": write.sec(h["sd_zenith"]), "sd_distance_mm": mm(h["sd_distance"]),
            "session": text(h["session"]),
        },
        "levels": {
            "from": text(lv["from_mark"]), "to": text(lv["to_mark"]), "rise": length(lv["rise"]),
            "length": length(lv["length"]), "setups": [_scaled(v, 1.0) for v in lv["setups"].tolist()],
            "sd_mm": mm(lv["sd"]), "run": text(lv["run"]),
        },
        "staff": {
            "level_setup": text(st["level_setup"]), "mark": text(st["name"].where(st["name"] != "", st["mark"])),
            "reading": length(st["reading"]),
            "sight": text(st["sight"]), "distance": length(st["distance"].replace(0.0, np.nan)), "sd_mm": mm(st["sd"]),
            "run": text(st["run"]),
        },
        "gnss": {
            "from": text(gn["from_setup"]), "to": text(gn["to_setup"]), "rise": length(gn["rise"]),
            "height": length(gn["height"]), "sd_mm": mm(gn["sd"]), "session": text(gn["session"]),
        },
    }  # fmt: skip


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
