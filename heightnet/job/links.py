"""What belongs to what: tape rows to stands and measuring points, change points to their runs."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.job.convert import Raw
from heightnet.job.model import complete
from heightnet.job.problems import Problems, nearest
from heightnet.job.tapes import read_tape

SAME_READING_M = 1e-6
LISTED = 5  # names that a note spells out
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
        for name, row in zip(things[column], things["row"], strict=True):
            if name and name not in known:
                problems.add(
                    files[table], int(row), column, name, "a name that equipment lists",
                    partial(_nearest_equipment, name, listed),
                )  # fmt: skip


def _nearest_equipment(name: str, listed: list[str]) -> str:
    return f"{nearest(name, listed)} A row of equipment with point 'axis' is enough to list one more.".strip()


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


def levels_frame(raw: Raw, problems: Problems) -> pd.DataFrame:
    """Levelled differences; each must have a standard deviation, or what it follows from."""
    raw.refuse(problems, (raw["from"] != "") & (raw["from"] == raw["to"]), "to", "another mark than from")
    nothing = np.isnan(raw["sd_mm"]) & np.isnan(raw["length"]) & np.isnan(raw["setups"])
    raw.refuse(
        problems, raw.unsaid(problems, nothing), "sd_mm", "sd_mm, length or setups",
        "A levelled difference needs its standard deviation, or the distance or number of set-ups it follows from.",
    )  # fmt: skip
    return raw.held()


def staff_frame(raw: Raw, frames: Frames, problems: Problems) -> pd.DataFrame:
    """Staff readings, from single readings or a book's columns, with names that are unique in the job."""
    if not len(raw):
        return complete("staff", None)
    if any(raw.used(column) for column in ("back_sight", "intermediate_sight", "fore_sight")):
        readings = _book(raw, problems)
    else:
        _check_filled(raw, problems)
        readings = raw.held()
    _check_collimation(raw, problems)
    readings["distance"] = readings["distance"].fillna(0.0)
    listed = set(frames["marks"]["mark"])
    elsewhere: set[str] = set()
    for table, column in (("setups", "mark"), ("targets", "mark"), ("levels", "from_mark"), ("levels", "to_mark")):
        elsewhere |= set(frames[table][column])
    elsewhere -= {""}
    readings.insert(1, "mark", _within_runs(readings["name"], readings["run"], listed | elsewhere))
    changed = readings["level_setup"].copy()
    readings["level_setup"] = _within_runs(changed, readings["run"], set())
    if (readings["level_setup"] != changed).any():
        problems.note("understood", "a level set-up's name used in several runs is one set-up in each run", raw.file)
    for name in dict.fromkeys(n for n in readings["name"] if n in elsewhere and n not in listed):
        said = f"{name} is not listed in marks, but other tables name it: taken as that mark, not as a change point"
        problems.note("doubt", said, raw.file, like="marks that other tables name, but not marks")
    repeated = readings[readings["mark"] != readings["name"]]
    if len(repeated):
        points, runs = (list(dict.fromkeys(repeated[c].replace("", "(no run named)"))) for c in ("name", "run"))
        said = f"{', '.join(points)}: change points of several runs, a place of its own in each of {', '.join(runs)}"
        problems.note("understood", f"{said}; a mark belongs in marks", raw.file)
    _check_sights(readings, raw.file, problems)
    _come_again(readings, listed | elsewhere, raw.file, problems)
    return readings


def _come_again(readings: pd.DataFrame, marks: set[str], file: str, problems: Problems) -> None:
    """Names that come again after others, and may be of two things: level set-ups and change points.

    Pegs of the way back come in the order opposite to that of the way there, and a run ends where it began.
    """
    setups, rows = readings["level_setup"].to_numpy(object), readings["row"].to_numpy()
    # readings of one level set-up that stand together
    block = (readings["level_setup"] != readings["level_setup"].shift()).cumsum().to_numpy() - 1
    starts = np.unique(block, return_index=True)[1]
    begun = set(readings.drop_duplicates("run")["mark"])
    # where most stand alone, rows are in another order than they were read in
    in_order = bool(np.count_nonzero(np.bincount(block) > 1) * 2 > len(starts))
    for (name, *more), before, at in _apart(setups, block, {""}, in_order):
        said = f"level set-up {name} of row {rows[starts[before]]} comes again after others: if these are two set-ups"
        if more:
            said = f"level set-ups {_listed([name, *more])} come again in the same order: if these are others"
        like = "level set-ups that come again after others"
        problems.note("doubt", f"{said}, give them {_names(more)}", file, int(rows[at]), like)
    for (name, *more), before, at in _apart(readings["mark"].to_numpy(object), block, marks | begun | {""}, in_order):
        said = f"{name} is read at {setups[starts[before]]} and again at {setups[at]}, with others between: if these"
        said += " are two places"
        if more:
            points = f"{_listed([name, *more])} are read again in the same order"
            said = f"{points}, {name} at {setups[starts[before]]} and again at {setups[at]}: if these are other places"
        like = "change points that are read again after others"
        problems.note("doubt", f"{said}, give them {_names(more)}", file, int(rows[at]), like)


def _listed(names: list[str]) -> str:
    shown = names if len(names) <= LISTED else names[: LISTED - 1]
    last = names[-1] if shown is names else f"{len(names) - len(shown)} more"
    return f"{', '.join(names[: min(len(names), LISTED) - 1])} and {last}"


def _names(more: list[str]) -> str:
    return "other names" if more else "two names"


def _apart(
    names: npt.NDArray[Any], block: npt.NDArray[np.int64], known: set[str], in_order: bool
) -> Iterator[tuple[list[str], int, int]]:  # fmt: skip
    """Names that come again more than one block on, those together that do so in the order in which they came before.

    Yields the names, the block in which the first one was before, and its row again.  Names of the way back are left
    out; where rows are not in order, all of them, unless most names come once.
    """
    table = pd.DataFrame({"name": names, "block": block}).drop_duplicates()
    table = table[~table["name"].isin(known)]
    of_name = table.groupby("name", sort=False)
    table = table.assign(before=of_name["block"].shift(), apart=of_name["block"].diff() > 1)
    again = table[table["apart"]].drop_duplicates("name")
    if not len(again) or (not in_order and len(again) > max(1, len(of_name) / 2)):
        return
    # a peg beside the place of turning comes again without others between, and shows the way as well
    turned = table[(of_name.cumcount() > 1) & ~table["name"].isin(again["name"])].drop_duplicates("name")
    again = pd.concat([again, turned]).sort_index()
    last, lone = again["before"].to_numpy(int), again["apart"].to_numpy(bool)
    place = np.cumsum(np.r_[0, np.diff(last) != 0])  # of those that were in one block: one
    down = np.diff(last[np.unique(place, return_index=True)[1]]) < 0
    asked = lone & ~(np.r_[False, down] | np.r_[down, False])[place]
    group = np.cumsum(np.r_[True, ~asked[:-1] | (np.diff(last) < 0)])
    for _, some in again[asked].groupby(group[asked], sort=False):
        yield some["name"].tolist(), int(some["before"].iloc[0]), int(some.index[0])


def _check_filled(raw: Raw, problems: Problems) -> None:
    """Rows that leave out what the columns of a level book would have said."""
    if not (raw.has("back_sight") or raw.has("fore_sight")):
        return  # then each cell has been asked for already
    expected = "a level set-up, or a reading in back_sight or fore_sight"
    raw.refuse(problems, raw["level_setup"] == "", "level_setup", expected)
    bare = raw.unsaid(problems, np.isnan(raw["reading"]))
    raw.refuse(problems, bare, "reading", "a staff reading, here or in back_sight or fore_sight")


def _within_runs(names: pd.Series, runs: pd.Series, fixed: set[str]) -> pd.Series:
    """Names made unique to their run where several runs use them, unless they are fixed."""
    pairs = pd.DataFrame({"name": names, "run": runs}).drop_duplicates()
    pairs = pairs[~pairs["name"].isin(fixed)]
    several = set(pairs["name"][pairs["name"].duplicated()])
    if not several:
        return names
    taken = set(names) | fixed
    new: dict[tuple[str, str], str] = {}
    for name, run in zip(pairs["name"], pairs["run"], strict=True):
        if name in several:
            unique = f"{name} ({run})" if run else name
            while run and unique in taken:
                unique += "'"
            taken.add(unique)
            new[name, run] = unique
    return pd.Series([new.get(p, p[0]) for p in zip(names, runs, strict=True)], index=names.index, dtype=object)


def _book(raw: Raw, problems: Problems) -> pd.DataFrame:
    """Staff readings from a level book with a column for each sight: a back sight opens the next level set-up."""
    readings: list[tuple[str, str, float]] = []
    at: list[int] = []  # row of each
    current: dict[str, int] = {}
    # a change point closes, then opens
    sights = (("fore_sight", "FS"), ("back_sight", "BS"), ("intermediate_sight", "IS"))
    open_: dict[str, bool] = {}
    for i, row in enumerate(raw.rows.tolist()):
        run = raw["run"][i]
        any_read, alone = False, float(raw["reading"][i])
        for column, sight in sights:
            reading = float(raw[column][i])
            if np.isnan(reading):
                continue
            any_read = True
            if not np.isnan(alone) and abs(alone - reading) > SAME_READING_M:
                problems.add(
                    raw.file, row, "reading", raw.shown("reading", i), f"nothing, or {raw.shown(column, i)} again",
                    f"The reading is in {column} already; a second number beside it may be another one.",
                )  # fmt: skip
            if sight == "BS":
                current[run] = current.get(run, 0) + 1
                open_[run] = True
            elif not open_.get(run):
                problems.add(
                    raw.file, row, column, raw.shown(column, i), "a back sight before it",
                    "A level set-up opens with a back sight and closes with a fore sight.",
                )  # fmt: skip
                continue
            readings.append((str(current[run]), sight, reading))
            at.append(i)
            if sight == "FS":
                open_[run] = False
        if not any_read:
            problems.add(raw.file, row, "back_sight", "", "a back sight, intermediate sight or fore sight")
    said = "a level book with columns for the sights: each back sight opens a level set-up, numbered in its run"
    problems.note("understood", said, raw.file)
    read = pd.DataFrame(readings, columns=["level_setup", "sight", "reading"])
    return raw.held().iloc[at].reset_index(drop=True).assign(**read)


def _check_collimation(raw: Raw, problems: Problems) -> None:
    """A booked HI must be the elevation of the line of sight; an instrument height has strayed in where it is not."""
    booked = [c for c in ("collimation", "reduced_level", "rise", "fall") if raw.used(c)]
    if booked:
        problems.note("understood", f"{', '.join(booked)}: as booked, not used; heights are worked out anew", raw.file)
    if not raw.used("collimation"):
        return
    collimation, level, back = raw["collimation"], raw["reduced_level"], raw["back_sight"]
    with np.errstate(invalid="ignore"):
        fits = np.isnan(collimation) | np.isnan(level) | np.isnan(back) | (np.abs(level + back - collimation) < 0.02)
        looks_like_height = ~np.isnan(collimation) & (collimation > 0.2) & (collimation < 2.5)
        below = ~np.isnan(level) & (np.abs(level + back - collimation) >= 0.02)
    strayed = looks_like_height & (below | (np.isnan(level) & (np.nanmax(np.abs(np.r_[level, 0.0])) > 5)))
    raw.refuse(
        problems, strayed, "collimation", "the elevation of the line of sight, or blank",
        "In a level book HI is the elevation of the line of sight (reduced level + back sight); a height of about "
        "1.5 m is the instrument above its mark, which levelling does not need.",
    )  # fmt: skip
    like = "lines of sight that are not reduced level + back sight"
    for i in np.flatnonzero(~fits & ~looks_like_height).tolist():
        said = f"booked line of sight {raw.shown('collimation', i)} is not reduced level + back sight"
        problems.note("doubt", said, raw.file, int(raw.rows[i]), like)


def _check_sights(readings: pd.DataFrame, file: str, problems: Problems) -> None:
    """A level set-up ties two places at least, and opens with one back sight."""
    setups = readings.assign(back=readings["sight"] == "BS").groupby("level_setup", sort=False)
    book = setups.agg(count=("row", "size"), back=("back", "sum"), row=("row", "first"))
    book = book[(book["count"] == 1) | (book["back"] > 1)]
    for name, count, row in zip(book.index, book["count"], book["row"], strict=True):
        if count > 1:
            text, like = f"level set-up {name} has more than one back sight", "level set-ups with several back sights"
        else:
            text, like = f"level set-up {name} has one reading, which ties nothing", "level set-ups with one reading"
        if name:
            problems.note("doubt", text, file, int(row), like)
