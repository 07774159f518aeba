"""Set-ups, targets and shots from what the tables say, in the rich form or the flat one.

Rich: setups and targets have tables of their own and shots name them.  Flat: every shot says itself where the
instrument and the target stood and how high.  The two may be mixed in one job.
"""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.job.convert import Raw, frame
from heightnet.job.problems import Problems, nearest

SAME_M = 1e-9  # heights written twice agree when no digit differs
Names = npt.NDArray[np.object_]
Frames = dict[str, pd.DataFrame]


def expand(raw: dict[str, Raw], problems: Problems) -> tuple[Frames, dict[str, str]]:
    """Frames of setups, targets and shots with the columns of `Table.held`, and the files they stand in."""
    setups, targets, shots = raw["setups"], raw["targets"], raw["shots"]
    files = {"setups": setups.file, "targets": targets.file, "shots": shots.file}
    setup_frame = setups.held()
    target_frame = targets.held()
    if not len(shots):
        return {"setups": setup_frame, "targets": target_frame, "shots": shots.held()}, files
    setup_names = _setup_names(shots, problems)
    new_setups = _setups_of_shots(shots, setup_names, setups, problems)
    target_names, new_targets = _targets_of_shots(shots, targets, problems)
    if len(new_setups):
        files["setups"] = shots.file if not len(setups) else setups.file
        setup_frame = pd.concat([setup_frame, new_setups], ignore_index=True)[list(setup_frame)]
    if len(new_targets):
        files["targets"] = shots.file if not len(targets) else targets.file
        target_frame = pd.concat([target_frame, new_targets], ignore_index=True)[list(target_frame)]
    frames = {
        "setups": setup_frame,
        "targets": target_frame,
        "shots": shots.held(setup=np.asarray(setup_names, object), target=np.asarray(target_names, object)),
    }
    return frames, files


def _setup_names(shots: Raw, problems: Problems) -> Names:
    """The set-up of each shot; where a row names none, one for each mark, height and instrument."""
    written, whole_at = shots["setup"], shots["at"]
    unnamed = written == ""
    for i in np.flatnonzero(unnamed & (whole_at == "") & shots.has("at")).tolist():
        problems.add(
            shots.file, int(shots.rows[i]), "setup", "", "a set-up, or the mark at which the instrument stood",
            "A free set-up, over no mark, needs a name in setup.",
        )  # fmt: skip
    if not (unnamed & (whole_at != "")).any():
        return written
    at, height, instrument = (shots[c][unnamed] for c in ("at", "instrument_height", "instrument"))
    group = frame({"at": at, "height": height, "instrument": instrument})
    number = group.groupby(["at", "height", "instrument"], sort=False, dropna=False).ngroup().to_numpy()
    first = np.unique(number, return_index=True)[1]
    names = np.empty(len(first), dtype=object)
    times: dict[str, int] = {}
    named = {*written}
    taken = {*at, *written}
    for n, i in enumerate(first):
        name = at[i]
        times[name] = times.get(name, 0) + 1
        names[n] = name if times[name] == 1 and name not in named else _free_name(name, times[name], taken)
    problems.note(
        "understood",
        f"no set-up named: shots of one mark, instrument height and instrument are one set-up ({len(names)} in all)",
        shots.file,
    )
    # rows of one set-up that are not together may be two set-ups that happened to have one height
    starts = np.r_[0, np.flatnonzero(np.diff(number)) + 1]
    blocks = number[starts]
    order = np.argsort(blocks, kind="stable")
    repeated, first_block, count = np.unique(blocks[order], return_index=True, return_counts=True)
    for n, again in zip(repeated[count > 1], starts[order[first_block[count > 1] + 1]], strict=True):
        problems.note(
            "doubt",
            f"shots of set-up {names[n]} do not stand together; if the instrument was set up anew, name the set-ups in "
            "a column setup",
            shots.file,
            int(shots.rows[unnamed][again]),
            like="set-ups whose shots do not stand together",
        )
    all_names = written.copy()
    all_names[unnamed] = np.where(at == "", "", names[number])
    return all_names


def _free_name(name: str, number: int, taken: set[str]) -> str:
    while f"{name} ({number})" in taken:
        number += 1
    taken.add(f"{name} ({number})")
    return f"{name} ({number})"


def _setups_of_shots(shots: Raw, names: Names, setups: Raw, problems: Problems) -> pd.DataFrame:
    """Set-ups that only shots describe; what shots say of the others must agree with their table."""
    inside = where(names, setups["setup"])
    flat = shots.has("at") or shots.has("instrument_height")
    if flat:
        known = np.flatnonzero(inside >= 0)
        _agree(shots, known, "at", setups["mark"][inside[known]], setups, problems)
        _agree(shots, known, "instrument_height", setups["height"][inside[known]], setups, problems)
        _agree(shots, known, "instrument", setups["instrument"][inside[known]], setups, problems)
    new = np.flatnonzero((inside < 0) & (names != ""))
    if not flat or len(setups) or (setups.columns and not shots.used("at")):
        strange = new if not flat else new[shots["at"][new] == ""]
        _unknown(shots, strange, "setup", names, setups, "setups", "the columns at and instrument_height", problems)
        new = np.setdiff1d(new, strange)
    if not len(new):
        return pd.DataFrame()
    rows = frame(
        {
            "setup": names[new], "mark": shots["at"][new], "height": shots["instrument_height"][new],
            "instrument": shots["instrument"][new], "row": shots.rows[new],
        }
    )  # fmt: skip
    whole = _one_of_each(
        rows, "setup", {"mark": "at", "height": "instrument_height", "instrument": "instrument"}, shots, problems
    )
    return whole.assign(sd=np.nan, tripod="", when="", observer="")


def where(names: Names, listed: Names) -> npt.NDArray[np.int64]:
    """Where each name is listed first, -1 for nowhere."""
    index = pd.Index(listed, dtype=object)
    if index.is_unique:
        return index.get_indexer(pd.Index(names, dtype=object)).astype(np.int64)
    first = {name: i for i, name in reversed(list(enumerate(listed)))}
    return np.array([first.get(name, -1) for name in names], dtype=np.int64)


def _targets_of_shots(shots: Raw, targets: Raw, problems: Problems) -> tuple[Names, pd.DataFrame]:
    """The target of each shot, and the targets that only shots describe."""
    names, mark = shots["target"].copy(), shots["mark"]
    height, placement = shots["target_height"], shots["placement"]
    if not len(targets) and not shots.used("mark") and shots.has("target") and shots.has("target_height"):
        problems.note("understood", "no targets and no column mark: target is read as the mark sighted", shots.file)
        mark, names = names, np.full(len(names), "", dtype=object)
    inside = where(names, targets["target"])
    known = np.flatnonzero(inside >= 0)
    if shots.has("mark") or shots.has("target_height"):
        _agree(shots, known, "mark", targets["mark"][inside[known]], targets, problems)
        _agree(shots, known, "target_height", targets["height"][inside[known]], targets, problems)
    strange = np.flatnonzero((inside < 0) & (names != "") & (mark == ""))
    _unknown(shots, strange, "target", names, targets, "targets", "the columns mark and target_height", problems)
    for i in np.flatnonzero((names == "") & (mark == "")).tolist():
        problems.add(
            shots.file, int(shots.rows[i]), "target", "", "a target, or the mark sighted and target_height",
        )  # fmt: skip
    parts = []
    named = np.flatnonzero((inside < 0) & (names != "") & (mark != ""))
    if len(named):
        rows = frame({"target": names[named], "mark": mark[named], "height": height[named], "row": shots.rows[named]})
        columns = {"mark": "mark", "height": "target_height"}
        parts.append(_one_of_each(rows, "target", columns, shots, problems))
    flat = np.flatnonzero((names == "") & (mark != ""))
    if len(flat):
        rows = frame(
            {"mark": mark[flat], "height": height[flat], "placement": placement[flat], "row": shots.rows[flat]}
        )
        grouped = rows.groupby(["mark", "height", "placement"], sort=False, dropna=False)
        number = grouped.ngroup().to_numpy()
        one = rows.iloc[np.unique(number, return_index=True)[1]].reset_index(drop=True)
        one.insert(0, "target", _putting_up_names(one, set(targets["target"]) | set(names)))
        names[flat] = one["target"].to_numpy(dtype=object)[number]
        parts.append(one.drop(columns="placement"))
        problems.note(
            "understood",
            f"shots of one mark, target height and placement share one putting-up of a target ({len(one)} in all)",
            shots.file,
        )
    if not parts:
        return names, pd.DataFrame()
    blank: dict[str, Any] = {"sd": np.nan, "equipment": "", "tripod": "", "when": "", "observer": ""}
    return names, pd.concat(parts, ignore_index=True).assign(**blank)


def _putting_up_names(one: pd.DataFrame, taken: set[str]) -> Names:
    """A name for each putting-up: the mark; where a mark has several, the placement's word or a number with it."""
    times: dict[str, int] = {}
    names = np.empty(len(one), dtype=object)
    for i, (mark, placement) in enumerate(zip(one["mark"], one["placement"], strict=True)):
        times[mark] = times.get(mark, 0) + 1
        name = mark if times[mark] == 1 and not placement else f"{mark} ({placement or times[mark]})"
        number = times[mark]
        while name in taken:
            number += 1
            name = f"{mark} ({number})"
        taken.add(name)
        names[i] = name
    return names


def _one_of_each(rows: pd.DataFrame, key: str, columns: dict[str, str], shots: Raw, problems: Problems) -> pd.DataFrame:
    """One row of each name; what its rows say must be the same on all of them, blanks take what the others say."""
    blank = rows.replace({"": np.nan})
    for column, heading in columns.items():
        filled = blank[blank[column].notna()]
        first = filled.groupby(key, sort=False)[[column, "row"]].transform("first")
        wrong = (filled[column] != first[column]).to_numpy()
        said = (filled[wrong], first[wrong])
        for row, name, other, one, at in zip(
            said[0]["row"], said[0][key], said[0][column], said[1][column], said[1]["row"], strict=True
        ):
            problems.add(
                shots.file, int(row), heading, _show(other, shots.length_m),
                f"{_show(one, shots.length_m)}, which row {at} gives for {key} {name}",
                f"One {key} has one {heading}; another one needs another name.",
                like=f"one {heading} for each {key}",
            )  # fmt: skip
    groups = blank.groupby(key, sort=False)
    out = groups.first().reset_index()
    out["row"] = groups["row"].min().to_numpy(np.int64)
    for column in columns:
        if column != "height":
            out[column] = out[column].astype(object).where(out[column].notna(), "")
    out["height"] = out["height"].astype(float)
    return out


def _agree(shots: Raw, at: npt.NDArray[Any], column: str, listed: Any, table: Raw, problems: Problems) -> None:
    """A flat column that repeats what a table says must repeat it truly; blanks say nothing."""
    if not shots.has(column) or not len(at):
        return
    said = shots[column][at]
    if said.dtype.kind == "f":
        with np.errstate(invalid="ignore"):
            wrong = np.isfinite(said) & ~(np.abs(said - listed) < SAME_M)
    else:
        wrong = (said != "") & (said != listed)
    for i in np.flatnonzero(wrong).tolist():
        problems.add(
            shots.file, int(shots.rows[at[i]]), column, _show(said[i], shots.length_m),
            f"what {table.file} says, or blank: {_show(listed[i], shots.length_m)}",
            f"This is listed in {table.file} already.",
            like=f"what {table.file} says, or blank",
        )  # fmt: skip


def _unknown(
    shots: Raw,
    at: npt.NDArray[Any],
    column: str,
    names: Names,
    table: Raw,
    listed: str,
    instead: str,
    problems: Problems,
) -> None:
    known = [n for n in table[column] if n]
    without = f"The job has no {listed}: add the table, or {instead} to shots."
    for i in at:
        name = names[i]
        problems.add(
            shots.file, int(shots.rows[i]), column, name, f"a {column} of {table.file}",
            partial(nearest, name, known) if known else without,
        )  # fmt: skip


def _show(value: Any, length_m: float) -> str:
    """A name, or a height in the job's own unit."""
    if isinstance(value, float):
        return "" if np.isnan(value) else f"{value / length_m:.6f}".rstrip("0").rstrip(".")
    return str(value)
