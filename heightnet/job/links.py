"""What belongs to what: tape rows to stands and measuring points, stands to their equipment."""

from __future__ import annotations

from collections import defaultdict
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.job.convert import Raw
from heightnet.job.model import complete
from heightnet.job.problems import Problems, nearest
from heightnet.job.tapes import read_tape

Frames = dict[str, pd.DataFrame]
Point = tuple[float, float]  # radius, offset in metres


def equipment_frame(raw: Raw, problems: Problems) -> pd.DataFrame:
    """The equipment table; one usual point each, offsets not recorded taken as 0."""
    usual: dict[str, int] = {}
    for name, yes, row in zip(raw["equipment"], raw["usual"], raw.rows.tolist(), strict=True):
        if yes and name in usual:
            problems.add(
                raw.file, row, "usual", "yes", f"one usual point for {name}",
                f"Row {usual[name]} is its usual point already.", like="one usual point for each equipment",
            )  # fmt: skip
        elif yes:
            usual[name] = row
    for name, group in pd.Series(raw["carries"]).groupby(pd.Series(raw["equipment"]), sort=False):
        said = {c for c in group if c}
        if len(said) > 1:
            row = int(raw.rows[group.index[-1]])
            problems.add(
                raw.file, row, "carries", str(group.iloc[-1]), f"one and the same for every point of {name}",
                like="one and the same for every point of an equipment",
            )  # fmt: skip
    radius, offset = (np.nan_to_num(raw[column], nan=0.0) for column in ("radius_mm", "offset_mm"))
    return raw.held(radius=radius, offset=offset)


def check_equipment_names(frames: Frames, files: dict[str, str], problems: Problems) -> None:
    """Where equipment lists instruments (targets), a set-up's instrument (a target's equipment) is one of them."""
    equipment = frames["equipment"]
    for table, column, kind in (("setups", "instrument", "instrument"), ("targets", "equipment", "target")):
        kinds = (kind, "", "antenna") if kind == "instrument" else (kind, "")
        listed = [e for e, c in zip(equipment["equipment"], equipment["carries"], strict=True) if c in kinds]
        if not listed:
            continue
        things = frames[table]
        known = set(equipment["equipment"])
        strange = things[(things[column] != "") & ~things[column].isin(known)]
        for name in dict.fromkeys(strange[column].tolist()):
            rows = strange["row"][strange[column] == name]
            problems.add(
                files[table], int(rows.iloc[0]), column, name, "a name that equipment lists",
                partial(_nearest_equipment, name, listed, len(rows) - 1),
            )  # fmt: skip


def _nearest_equipment(name: str, listed: list[str], more: int) -> str:
    again = f"So in {more:,} more {'row' if more == 1 else 'rows'}. " if more else ""
    return f"{again}{nearest(name, listed)} A row of equipment with point 'axis' is enough to list one more.".strip()


class _Points:
    """Measuring points of equipment, and the equipment of each stand."""

    def __init__(self, frames: Frames) -> None:
        self.points: dict[str, dict[str, Point]] = defaultdict(dict)
        self.usual: dict[str, str] = {}
        eq = frames["equipment"]
        columns = (eq["equipment"], eq["point"], eq["radius"], eq["offset"], eq["usual"])
        for name, point, radius, offset, usual in zip(*columns, strict=True):
            self.points[name][point] = (float(radius), float(offset))
            if usual:
                self.usual.setdefault(name, point)
        setups, targets = frames["setups"], frames["targets"]
        self.of: dict[str, dict[str, list[str]]] = {
            "setup": {s: [i] for s, i in zip(setups["setup"], setups["instrument"], strict=True)},
            "target": {t: [e] for t, e in zip(targets["target"], targets["equipment"], strict=True)},
            "tripod": defaultdict(list),
        }
        for stands, column in ((setups, "instrument"), (targets, "equipment")):
            for tripod, name in zip(stands["tripod"], stands[column], strict=True):
                if tripod and name not in self.of["tripod"][tripod]:
                    self.of["tripod"][tripod].append(name)

    def axis(self, name: str) -> float:
        return self.points.get(name, {}).get("axis", (0.0, 0.0))[1]


def tape_frame(raw: Raw, frames: Frames, problems: Problems) -> pd.DataFrame:
    """The tape table with readings in metres, each tied to its stand and reduced to a radius and an offset."""
    if not len(raw):
        return complete("tape", None)
    points = _Points(frames)
    kinds, stands = _stands(raw, points, problems)
    count = len(raw)
    reading, radius, offset = (np.full(count, np.nan) for _ in range(3))
    kind = np.where(raw["kind"] == "", "vertical", raw["kind"]).astype(object)
    filled: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    for i, (text, scale, row) in enumerate(zip(raw["reading"], raw["scale"], raw.rows.tolist(), strict=True)):
        if text and scale:
            try:
                reading[i] = read_tape(text, scale).metres
            except ValueError as error:
                problems.add(raw.file, row, "reading", text, f"a tape reading in {scale}", f"{error}.".capitalize())
        if kinds[i]:
            found = _radius_and_offset(raw, i, kind[i], kinds[i], stands[i], points, filled, problems)
            radius[i], offset[i] = found or (np.nan, np.nan)
    stray = (raw["part"] != "") & (kind != "part")
    raw.refuse(problems, stray, "part", lambda i: f"blank for a {kind[i]} reading", "Parts have kind part.")
    like = "a slant longer than its radius"
    raw.refuse(
        problems, (kind == "slant") & (reading <= radius), "reading",
        lambda i: f"{like} of {radius[i] * 1000:g} mm", "Is the scale right?", like,
    )  # fmt: skip
    for (name, point, what), rows in filled.items():
        listed = ", ".join(map(str, rows[:8])) + (f" and {len(rows) - 8} more" if len(rows) > 8 else "")
        place = f"row {listed}" if len(rows) == 1 else f"rows {listed}"
        said = f"{what} readings in {place} name no point: the usual one of {name}, {point}, is taken"
        problems.note("filled", said, raw.file, rows[0])
    _lone_parts(raw, kind, kinds, stands, problems)
    points_named = raw["point"].copy()
    for (_, point, _), rows in filled.items():
        points_named[np.isin(raw.rows, rows)] = point
    return raw.held(
        stand_kind=kinds, stand=stands, reading=reading, kind=kind, point=points_named, radius=radius, offset=offset
    )


def _stands(raw: Raw, points: _Points, problems: Problems) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    """Kind and name of the stand of each row, "" where it is none or unknown."""
    kinds, stands = np.full(len(raw), "", dtype=object), np.full(len(raw), "", dtype=object)
    columns = {kind: raw[kind] for kind in ("setup", "target", "tripod")}
    for i, row in enumerate(raw.rows.tolist()):
        said = [(kind, names[i]) for kind, names in columns.items() if names[i]]
        if len(said) != 1:
            read = ", ".join(f"{k} {n}" for k, n in said)
            problems.add(raw.file, row, "", read, "one of setup, target and tripod filled: whose height it is")
            continue
        kind, name = said[0]
        if name not in points.of[kind]:
            elsewhere = [k for k in points.of if name in points.of[k]]
            problems.add(
                raw.file, row, kind, name, f"a {kind} of the job",
                f"{name!r} is a {elsewhere[0]}." if elsewhere else partial(nearest, name, points.of[kind]),
            )  # fmt: skip
            continue
        kinds[i], stands[i] = kind, name
    return kinds, stands


def _radius_and_offset(
    raw: Raw, i: int, kind: str, stand_kind: str, stand: str, points: _Points,
    filled: dict[tuple[str, str, str], list[int]], problems: Problems,
) -> Point | None:  # fmt: skip
    """Radius and offset of one reading: of its point, as given in the row, or of the equipment's usual point."""
    row, point = int(raw.rows[i]), raw["point"][i]
    own_radius, own_offset = float(raw["radius_mm"][i]), float(raw["offset_mm"][i])
    given = not (np.isnan(own_radius) and np.isnan(own_offset))
    names = [n for n in points.of[stand_kind][stand] if n]
    having = [n for n in names if point in points.points.get(n, {})] if point else []
    radius, offset = own_radius, own_offset
    if having:
        places = {_at(points, n, point, stand_kind) for n in having}
        if len(places) > 1 and not given:
            problems.add(
                raw.file, row, "point", point, "a point that one thing on the stand has",
                f"{' and '.join(having)} each have one; give radius_mm and offset_mm.",
            )  # fmt: skip
            return None
        listed = places.pop()
        own = {"radius_mm": own_radius - listed[0], "offset_mm": own_offset - listed[1]}
        differs = next((column for column, more in own.items() if abs(more) > 1e-9), "")
        if stand_kind != "tripod" and differs:
            problems.add(
                raw.file, row, differs, raw.shown(differs, i),
                f"blank, or what equipment says of {having[0]}, {point}: "
                f"radius {listed[0] * 1000:g} mm, offset {listed[1] * 1000:g} mm",
                like="blank, or what equipment says of the point",
            )  # fmt: skip
            return None
        radius = listed[0] if np.isnan(own_radius) else own_radius
        offset = listed[1] if np.isnan(own_offset) else own_offset
    elif point and not given:
        known = [p for n in names for p in points.points.get(n, {})]
        thing = " and ".join(names)
        what = f"a measuring point of {thing}" if thing else "a measuring point"
        if not thing:
            column = {"setup": "instrument", "target": "equipment"}.get(stand_kind, "instrument or equipment")
            cause = f"The {stand_kind} names no {column}; or give radius_mm and offset_mm."
        else:
            cause = f"{nearest(point, known)} Or give radius_mm and offset_mm.".strip()
        problems.add(raw.file, row, "point", point, what, cause)
        return None
    elif not given and kind != "part":
        usual = [(n, points.usual[n]) for n in names if n in points.usual]
        if len(usual) == 1:
            name, point = usual[0]
            filled[name, point, kind].append(row)
            radius, offset = _at(points, name, point, stand_kind)
    if kind == "slant" and np.isnan(radius):
        problems.add(
            raw.file, row, "radius_mm", "", "a radius: a slant is measured beside the vertical axis",
            "Name the point, give radius_mm, or list the equipment with its usual point.",
        )  # fmt: skip
        return None
    return (0.0 if np.isnan(radius) else radius), (0.0 if np.isnan(offset) else offset)


def _at(points: _Points, name: str, point: str, stand_kind: str) -> Point:
    """Radius and offset of a point; for a shared stand the offset leads to its seat, not to the axis."""
    radius, offset = points.points[name][point]
    return radius, offset - (points.axis(name) if stand_kind == "tripod" else 0.0)


def _lone_parts(raw: Raw, kind: Any, kinds: Any, stands: Any, problems: Problems) -> None:
    sets: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    for i in np.flatnonzero(kind == "part").tolist():
        sets[kinds[i], stands[i], raw["part"][i]].append(int(raw.rows[i]))
    for (_, stand, letter), rows in sets.items():
        if len(rows) == 1 and stand:
            problems.note(
                "doubt", f"part {letter} of {stand} stands alone; parts add up to one reading", raw.file, rows[0],
                like="parts that stand alone",
            )  # fmt: skip
