"""A levelling book: levelled differences; staff readings singly or in a book's columns, change points in their runs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.job.booked import FIGURES as BOOKED
from heightnet.job.booked import slips_of_arithmetic
from heightnet.job.convert import Raw
from heightnet.job.links import Frames
from heightnet.job.model import complete
from heightnet.job.problems import Problems
from heightnet.ledger.settings import Settings

SAME_READING_M = 1e-6
LISTED = 5  # names that a note spells out
STADIA = 100.0  # distance of the staff for each metre between the outer wires, common practice
SAME_SCALES = 3  # pairs of readings of both scales, from which what lies between them is taken from the book


def levels_frame(raw: Raw, problems: Problems) -> pd.DataFrame:
    """Levelled differences; each must have a standard deviation, or what it follows from."""
    raw.refuse(problems, (raw["from"] != "") & (raw["from"] == raw["to"]), "to", "another mark than from")
    nothing = np.isnan(raw["sd_mm"]) & np.isnan(raw["length"]) & np.isnan(raw["setups"])
    raw.refuse(
        problems, raw.unsaid(problems, nothing), "sd_mm", "sd_mm, length or setups",
        "A levelled difference needs its standard deviation, or the distance or number of set-ups it follows from.",
    )  # fmt: skip
    return raw.held()


def staff_frame(raw: Raw, frames: Frames, settings: Settings, problems: Problems) -> pd.DataFrame:
    """Staff readings, from single readings or a book's columns, with names that are unique in the job."""
    if not len(raw):
        return complete("staff", None)
    if any(raw.used(column) for column in ("back_sight", "intermediate_sight", "fore_sight")):
        readings = _book(raw, problems)
    else:
        _check_filled(raw, problems)
        readings = raw.held().assign(cell="")
    _check_line_of_sight(raw, problems)
    readings = _with_further(raw, readings, frames["equipment"], settings.precision.staff_mm / 1000, problems)
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
    _re_add(readings, frames["marks"], raw, problems)
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
    out = raw.held().iloc[at].reset_index(drop=True).assign(**read)
    several = out["row"].duplicated(keep=False)
    out.loc[out["row"].duplicated(), list(BOOKED[:3])] = np.nan  # a row books them once, with its first reading
    out.loc[several & (out["sight"] != "BS"), "line_of_sight"] = np.nan
    return out.assign(cell=out["sight"].where(several, ""))


def _with_further(
    raw: Raw, readings: pd.DataFrame, equipment: pd.DataFrame, precision: float, problems: Problems
) -> pd.DataFrame:  # fmt: skip
    """The outer wires and the staff's other scale as further readings, each after the one it stands beside.

    The mean of the outer wires has the middle wire's standard deviation over the root of two, so that all three
    together weigh as the mean of the three.
    """
    upper, lower, other = raw["upper_wire"], raw["lower_wire"], raw["other_scale"]
    wires, scale = ~np.isnan(upper) & ~np.isnan(lower), ~np.isnan(other)
    lone = np.isnan(upper) != np.isnan(lower)
    raw.refuse(problems, lone & np.isnan(upper), "upper_wire", "a reading of both outer wires, or of neither")
    raw.refuse(problems, lone & np.isnan(lower), "lower_wire", "a reading of both outer wires, or of neither")
    if not (wires.any() or scale.any()):
        return readings
    at = pd.Series(np.arange(len(raw)), index=raw.rows).loc[readings["row"]].to_numpy()
    many = readings["row"].duplicated(keep=False).to_numpy()
    for column, there in (("upper_wire", wires), ("other_scale", scale)):
        twice = np.zeros(len(raw), dtype=bool)
        twice[at[many & there[at]]] = True
        raw.refuse(
            problems, twice, column, "blank beside two sights in one row",
            "It does not say of which sight it is: give the back sight and the fore sight a row each.",
        )  # fmt: skip
    between = _between_scales(raw, equipment, scale, problems)
    far = readings["distance"].to_numpy(float)
    stadia = np.abs(upper - lower)[at] * STADIA
    taken = wires[at] & ~(far > 0)
    if taken.any():
        said = (
            f"distances not recorded are {STADIA:g} times what lies between the outer wires ({taken.sum():,} readings)"
        )
        problems.note("understood", said, raw.file)
    readings = readings.assign(distance=np.where(taken, stadia, far))
    bare = dict.fromkeys(BOOKED, np.nan)
    sd = readings["sd"].fillna(precision) / np.sqrt(2)
    of_wires = readings.assign(reading=((upper + lower) / 2)[at], sd=sd, cell="wires", **bare)[wires[at]]
    of_scale = readings.assign(reading=(other - between)[at], cell="other scale", **bare)[scale[at]]
    together = pd.concat([readings, of_wires, of_scale])
    problems.note(
        "understood", f"further readings beside the staff readings: {len(of_wires):,} of the outer wires, "
        f"{len(of_scale):,} of the other scale", raw.file,
    )  # fmt: skip
    return together.iloc[np.argsort(together.index.to_numpy(), kind="stable")].reset_index(drop=True)


def _between_scales(
    raw: Raw, equipment: pd.DataFrame, there: npt.NDArray[np.bool_], problems: Problems
) -> npt.NDArray[np.float64]:  # fmt: skip
    """How much more the other scale reads on each row: what equipment says of its staff, else the book's median."""
    point = equipment["point"].str.casefold() == "other scale"
    listed = dict(zip(equipment["equipment"][point], equipment["offset"][point], strict=True))
    more, staff = raw["other_scale"] - raw["reading"], raw["staff"]
    for column in ("back_sight", "intermediate_sight", "fore_sight"):
        more = np.where(np.isnan(more), raw["other_scale"] - raw[column], more)
    out = np.full(len(raw), np.nan)
    for name in dict.fromkeys(staff[there]):
        own = there & (staff == name)
        if name in listed:
            out[own] = listed[name]
            continue
        if own.sum() < SAME_SCALES:
            of = name or "STAFF"
            raw.refuse(
                problems, own, "other_scale", "what lies between the two scales",
                f"List it in equipment: equipment {of}, point other scale, offset_mm how much more that scale reads.",
            )  # fmt: skip
            continue
        out[own] = np.nanmedian(more[own])
        called = f" of {name}" if name else ""
        size = raw.told("other_scale", float(out[own][0]))
        said = f"the other scale{called} reads {size} more: the median of {own.sum():,} pairs"
        problems.note("understood", f"{said}; a row of equipment, point other scale, would say it", raw.file)
    return out


def _check_line_of_sight(raw: Raw, problems: Problems) -> None:
    """A booked HI must be the height of the line of sight; an instrument height has strayed in where it is not."""
    if not raw.used("line_of_sight"):
        return
    line, level, back = raw["line_of_sight"], raw["reduced_level"], raw["back_sight"]
    with np.errstate(invalid="ignore"):
        looks_like_height = ~np.isnan(line) & (line > 0.2) & (line < 2.5)
        below = ~np.isnan(level) & (np.abs(level + back - line) >= 0.02)
    strayed = looks_like_height & (below | (np.isnan(level) & (np.nanmax(np.abs(np.r_[level, 0.0])) > 5)))
    raw.refuse(
        problems, strayed, "line_of_sight", "the height of the line of sight, or blank",
        "In a level book HI is the height of the line of sight (reduced level + back sight); a height of about "
        "1.5 m is the instrument above its mark, which levelling does not need.",
    )  # fmt: skip


def _re_add(readings: pd.DataFrame, marks: pd.DataFrame, raw: Raw, problems: Problems) -> None:
    """What the book itself reckoned: re-added, slips doubted; nothing of it is used."""
    booked = [column for column in BOOKED if raw.used(column)]
    if not booked:
        return
    slips, count = slips_of_arithmetic(readings, marks, raw.length_m)
    said = f"{', '.join(booked)}: as booked, re-added ({count:,} figures), not used; heights are worked out anew"
    problems.note("understood", said, raw.file)
    for slip in slips:
        column = "reduced_level" if slip.what == "known" else slip.what
        figure, makes = (raw.told(column, value) for value in (slip.booked, slip.makes))
        told = f"{column} {figure} is booked, marks says {makes}"
        if slip.what != "known":
            told = f"{column} {figure} is booked, what stands before it makes {makes}"
        problems.note("doubt", told, raw.file, slip.row, "slips of arithmetic in the book")


def _check_sights(readings: pd.DataFrame, file: str, problems: Problems) -> None:
    """A level set-up ties two places at least, and opens with one back sight."""
    back = readings["mark"].where(readings["sight"] == "BS")
    setups = readings.assign(back=back).groupby("level_setup", sort=False)
    book = setups.agg(count=("mark", "nunique"), back=("back", "nunique"), row=("row", "first"))
    book = book[(book["count"] == 1) | (book["back"] > 1)]
    for name, count, row in zip(book.index, book["count"], book["row"], strict=True):
        if count > 1:
            text, like = f"level set-up {name} has more than one back sight", "level set-ups with several back sights"
        else:
            text, like = f"level set-up {name} has one reading, which ties nothing", "level set-ups with one reading"
        if name:
            problems.note("doubt", text, file, int(row), like)
