"""The table of satellite heights: which set-ups are antennas, and what each row must say to be used."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.arrays import Names
from heightnet.job.convert import Raw
from heightnet.job.expand import where
from heightnet.job.model import complete
from heightnet.job.problems import Problems, nearest
from heightnet.ledger.settings import Settings

Frames = dict[str, pd.DataFrame]


def gnss_frame(
    tables: dict[str, Raw], frames: Frames, files: dict[str, str], settings: Settings, problems: Problems
) -> pd.DataFrame:
    """Satellite rises and heights; each needs its set-ups, these a mark, and the marks a separation."""
    raw = tables["gnss"]
    if not len(raw):
        return complete("gnss", None)
    start, end, rise, height = raw["from"], raw["to"], raw["rise"], raw["height"]
    _check_filled(raw, problems)
    setups = frames["setups"]
    listed = setups["setup"].to_numpy(object)
    over = np.append(setups["mark"].to_numpy(object), "")
    at = {"from": where(start, listed), "to": where(end, listed)}
    known = [name for name in listed if name]
    for column, names in (("from", start), ("to", end)):
        strange, free = (at[column] < 0) & (names != ""), (at[column] >= 0) & (over[at[column]] == "")
        raw.refuse(problems, strange, column, "a set-up of the job", partial(_cause, names, known))
        cause = "A free set-up has no mark, so no separation and no height to judge."
        raw.refuse(problems, free, column, "a set-up over a mark", cause)
    raw.refuse(problems, (start == end) & (start != ""), "to", "another set-up than from")
    antennas = np.unique(np.concatenate([at["from"], at["to"]]))
    antennas = antennas[antennas >= 0]
    _check_sighted(frames, files, listed[antennas], problems)
    _check_things(frames, setups.iloc[antennas], files, problems)
    _check_marks(raw, at, over, frames["marks"], files["marks"], settings, problems)
    return raw.held(from_setup=start, to_setup=end, rise=rise, height=height)


def _cause(names: Names, known: list[str], i: int) -> str:
    otherwise = "An antenna's set-up is listed in setups like any other, with its mark and its height."
    return nearest(names[i], known) or otherwise


def _check_filled(raw: Raw, problems: Problems) -> None:
    """A rise goes from one antenna to another; a height is of one alone."""
    start = raw["from"]
    rise, height = ~np.isnan(raw["rise"]), ~np.isnan(raw["height"])
    between, alone = "a rise between two set-ups, or the height of one; not both", "Leave from blank beside a height."

    def say(which: npt.NDArray[np.bool_], column: str, expected: str, cause: str) -> None:
        raw.refuse(problems, raw.unsaid(problems, which), column, expected, cause)

    say(rise & height, "height", between, "A row is one observation; give the other one a row of its own.")
    say((start != "") & height & ~rise, "height", between, alone)
    say((start == "") & rise & ~height, "from", "the set-up that the rise starts from",
        "The height of one antenna by itself belongs in height.")  # fmt: skip
    nothing = ~rise & ~height
    say(nothing & (start != ""), "rise", "the rise from `from` to `to`", "")
    say(nothing & (start == ""), "height", "a height, or from and rise", "")


def _check_sighted(frames: Frames, files: dict[str, str], antennas: Names, problems: Problems) -> None:
    """An antenna sights nothing: whatever stood on the same stand is a set-up of its own."""
    shots = frames["shots"]
    if not len(shots):
        return
    sighting = np.flatnonzero(np.isin(shots["setup"].to_numpy(object), antennas))
    for i in sighting.tolist():
        name = shots["setup"].iloc[i]
        problems.add(
            files["shots"], int(shots["row"].iloc[i]), "setup", name, "the set-up of an instrument",
            f"{files['gnss']} has an antenna on {name}. Give the antenna a set-up of its own; that both stood on one "
            "stand is said by one name in tripod.", like="the set-up of an instrument",
        )  # fmt: skip


def _check_things(frames: Frames, antennas: pd.DataFrame, files: dict[str, str], problems: Problems) -> None:
    equipment = frames["equipment"]
    other = set(equipment["equipment"][equipment["carries"].isin(["instrument", "target"])])
    for name in dict.fromkeys(n for n in antennas["instrument"] if n in other):
        problems.note(
            "doubt", f"{name} stands on set-ups of {files['gnss']}, but equipment says it is no antenna",
            files["equipment"],
        )  # fmt: skip


def _check_marks(
    raw: Raw, at: dict[str, npt.NDArray[np.int64]], over: Names, marks: pd.DataFrame, marks_file: str,
    settings: Settings, problems: Problems,
) -> None:  # fmt: skip
    """Every mark under an antenna that a row compares with another place needs a separation, for a tilt a position."""
    place = {column: over[at[column]] for column in at}
    compared = place["from"] != place["to"]  # two antennas over one mark: its separation falls out
    row_of = {name: i for i, name in reversed(list(enumerate(marks["mark"])))}
    separation, east, north = (marks[c].to_numpy(float) for c in ("separation", "east", "north"))
    for column, i, mark in _ends(place, at, compared):
        row = int(raw.rows[i])
        found = row_of.get(mark, -1)
        said = f"{marks_file}, row {int(marks['row'].iloc[found])}" if found >= 0 else marks_file
        if found >= 0 and problems.in_row(marks_file, int(marks["row"].iloc[found])):
            continue
        if found < 0 or np.isnan(separation[found]):
            problems.add(
                raw.file, row, column, raw[column][i], f"a set-up over a mark with a separation: {mark}",
                f"{said} gives none. A satellite height is above the ellipsoid; separation is the geoid's height above "
                "it. Where it is the same all over a small job, say 0 and how much it may differ in separation_sd_mm.",
                like="a set-up over a mark with a separation",
            )  # fmt: skip
        elif settings.separation.tilt_sd_mm_km > 0 and np.isnan(east[found] + north[found]):
            problems.add(
                marks_file, int(marks["row"].iloc[found]), "east", "", f"east and north of {mark}",
                "separation.tilt_sd_mm_km asks for a tilt over the job, which needs the places of the marks.",
                like="east and north of a mark under an antenna",
            )  # fmt: skip


def _ends(
    place: dict[str, Names], at: dict[str, npt.NDArray[np.int64]], compared: npt.NDArray[np.bool_]
) -> Iterator[tuple[str, int, str]]:
    """Column, position and mark of each end that needs a separation; each mark once."""
    seen: set[str] = set()
    for column, marks in place.items():
        for i in np.flatnonzero(compared & (at[column] >= 0) & (marks != "")).tolist():
            if marks[i] not in seen:
                seen.add(str(marks[i]))
                yield column, i, str(marks[i])
