"""Set-ups, targets and shots from what the tables say, in the rich form or the flat one.

Rich: setups and targets have tables of their own and shots name them.  Flat: every shot says itself where the
instrument and the target stood and how high.  The two may be mixed in one job.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.arrays import Names
from heightnet.job.convert import Raw, frame
from heightnet.job.model import complete
from heightnet.job.problems import Problems, nearest

SAME_M = 1e-9  # heights written twice agree when no digit differs
Frames = dict[str, pd.DataFrame]


def expand(raw: dict[str, Raw], problems: Problems) -> tuple[Frames, dict[str, str]]:
    """Frames of setups, targets and shots with the columns of `Table.held`, and the files they stand in."""
    setups, targets, shots = raw["setups"], raw["targets"], raw["shots"]
    files = {"setups": setups.file, "targets": targets.file, "shots": shots.file}
    frames = {"setups": setups.held(), "targets": targets.held(), "shots": shots.held()}
    if not len(shots):
        return frames, files
    setup_names = _setup_names(shots, problems)
    shots = _exchanged(shots, setup_names, problems)
    new = {"setups": _setups_of_shots(shots, setup_names, setups, problems)}
    target_names, new["targets"] = _targets_of_shots(shots, targets, problems)
    for table, rows in new.items():
        if len(rows):
            files[table] = raw[table].file if len(raw[table]) else shots.file
            frames[table] = pd.concat([frames[table], complete(table, rows)], ignore_index=True)
    frames["shots"] = shots.held(setup=np.asarray(setup_names, object), target=np.asarray(target_names, object))
    return frames, files


def _setup_names(shots: Raw, problems: Problems) -> Names:
    """The set-up of each shot; where a row names none, one for each mark, height and instrument."""
    written, whole_at = shots["setup"], shots["at"]
    unnamed = written == ""
    expected = "a set-up, or the mark at which the instrument stood"
    cause = "A free set-up, over no mark, needs a name in setup."
    shots.refuse(problems, unnamed & (whole_at == "") & shots.has("at"), "setup", expected, cause)
    if not (unnamed & (whole_at != "")).any():
        return written
    at, height, instrument = (shots[c][unnamed] for c in ("at", "instrument_height", "instrument"))
    group = frame({"at": at, "height": height, "instrument": instrument})
    number = group.groupby(["at", "height", "instrument"], sort=False, dropna=False).ngroup().to_numpy()
    first = np.unique(number, return_index=True)[1]
    names = _new_names(at[first], np.full(len(first), ""), set(written))
    said = f"no set-up named: shots of one mark, instrument height and instrument are one set-up ({len(names)} in all)"
    problems.note("understood", said, shots.file)
    _maybe_exchanged(shots, np.flatnonzero(unnamed), number, names, problems)
    # rows of one set-up that are not together may be two set-ups that happened to have one height
    starts = np.r_[0, np.flatnonzero(np.diff(number)) + 1]
    blocks = number[starts]
    order = np.argsort(blocks, kind="stable")
    repeated, first_block, count = np.unique(blocks[order], return_index=True, return_counts=True)
    for n, again in zip(repeated[count > 1], starts[order[first_block[count > 1] + 1]], strict=True):
        said = f"shots of set-up {names[n]} do not stand together; if the instrument was set up anew, name the set-ups"
        like = "set-ups whose shots do not stand together"
        problems.note("doubt", f"{said} in a column setup", shots.file, int(shots.rows[unnamed][again]), like)
    all_names = written.copy()
    all_names[unnamed] = np.where(at == "", "", names[number])
    return all_names


def _maybe_exchanged(
    shots: Raw, rows: npt.NDArray[np.int64], number: npt.NDArray[Any], names: Names, problems: Problems
) -> None:  # fmt: skip
    """Heights that are those of a neighbouring row in each other's place make a set-up of their own: doubted.

    rows, number : the rows that name no set-up, and the set-up of each, a place in names.
    """
    at, height, target = (shots[column][rows] for column in ("at", "instrument_height", "target_height"))
    crossed = (height[:-1] == target[1:]) & (target[:-1] == height[1:]) & (height[:-1] != target[:-1])
    size = np.bincount(number)
    doubted: set[int] = set()
    for i in np.flatnonzero(crossed & (at[:-1] == at[1:]) & (at[:-1] != "")).tolist():
        odd, other = (i, i + 1) if size[number[i]] < size[number[i + 1]] else (i + 1, i)
        if {int(number[odd]), int(number[other])} & doubted:
            continue
        doubted.add(int(number[odd]))
        row, beside = (int(shots.rows[rows[one]]) for one in (odd, other))
        one, two = (shots.shown(column, int(rows[odd])) for column in ("instrument_height", "target_height"))
        said = f"instrument_height {one} and target_height {two} are those of row {beside} in each other's place"
        problems.note(
            "doubt", f"{said}, and are taken for a set-up of their own, {names[number[odd]]}; if they are exchanged, "
            "put them right", shots.file, row, "heights that may be exchanged",
        )  # fmt: skip


def _exchanged(shots: Raw, setup_names: Names, problems: Problems) -> Raw:
    """Instrument and target height that changed places in a row are put right where the set-up's other heights say so.

    They say so where one height of the set-up makes each of its rows right, exchanged or not, no other is in more rows,
    and none in as many makes them right too, as the height of a pole may.
    """
    height, target = shots["instrument_height"], shots["target_height"]
    said = np.flatnonzero(~np.isnan(height) & (setup_names != ""))
    if len(said) < 2:
        return shots
    code, _ = pd.factorize(setup_names[said])
    least, most = (pd.Series(height[said]).groupby(code).transform(which).to_numpy() for which in ("min", "max"))
    changed = []
    for _, rows in pd.Series(said[least < most]).groupby(code[least < most], sort=False):
        at = rows.to_numpy()
        mine, other = height[at], target[at]  # a row that has one height twice says nothing of it
        sure, times = np.unique(mine[mine != other], return_counts=True)
        often = sure[times == times.max(initial=0)][:100]
        fits = [one for one in often if ((mine == one) | (other == one)).all()]
        if len(fits) == 1:
            changed.append(at[mine != fits[0]])
    if not changed:
        return shots
    wrong = np.concatenate(changed)
    for i in np.sort(wrong).tolist():
        one, other = (shots.shown(column, i) for column in ("instrument_height", "target_height"))
        problems.note(
            "understood", f"instrument_height {one} and target_height {other} are read as exchanged: other rows of "
            f"set-up {setup_names[i]} have {other}", shots.file, int(shots.rows[i]), "heights read as exchanged",
        )  # fmt: skip
    put_right = {"instrument_height": height.copy(), "target_height": target.copy()}
    put_right["instrument_height"][wrong], put_right["target_height"][wrong] = target[wrong], height[wrong]
    return replace(shots, columns=shots.columns | put_right)


def _new_names(bases: Names, words: Names, taken: set[str]) -> Names:
    """A name for each base: itself where it is free and has no word with it, else with that word or a number."""
    times: Counter[str] = Counter()
    others = set(bases)
    names = np.empty(len(bases), dtype=object)
    for i, (base, word) in enumerate(zip(bases, words, strict=True)):
        times[base] += 1
        number = times[base]
        name = base if number == 1 and not word else f"{base} ({word or number})"
        while name in taken or (name != base and name in others):
            number += 1
            name = f"{base} ({number})"
        taken.add(name)
        names[i] = name
    return names


def _setups_of_shots(shots: Raw, names: Names, setups: Raw, problems: Problems) -> pd.DataFrame:
    """Set-ups that only shots describe; what shots say of the others must agree with their table."""
    inside = where(names, setups["setup"])
    flat = shots.has("at") or shots.has("instrument_height")
    said_of = {"mark": "at", "height": "instrument_height", "instrument": "instrument"}
    for of, column in said_of.items():
        _agree(shots, column, setups, of, inside, problems)
    new = np.flatnonzero((inside < 0) & (names != ""))
    if not flat or len(setups) or (setups.columns and not shots.used("at")):
        strange = new if not flat else new[shots["at"][new] == ""]
        _unknown(shots, strange, "setup", setups, "the columns at and instrument_height", problems)
        new = np.setdiff1d(new, strange)
    if not len(new):
        return pd.DataFrame()
    said = {column: shots[heading][new] for column, heading in said_of.items()}
    return _one_of_each(frame({"setup": names[new], **said, "row": shots.rows[new]}), "setup", said_of, shots, problems)


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
    said_of = {"mark": "mark", "height": "target_height"}
    for of, column in said_of.items():
        _agree(shots, column, targets, of, inside, problems)
    strange = np.flatnonzero((inside < 0) & (names != "") & (mark == ""))
    _unknown(shots, strange, "target", targets, "the columns mark and target_height", problems)
    nothing = (names == "") & (mark == "")
    shots.refuse(problems, shots.unsaid(problems, nothing), "target", "a target, or the mark sighted and target_height")
    parts = []
    named = np.flatnonzero((inside < 0) & (names != "") & (mark != ""))
    if len(named):
        rows = frame({"target": names[named], "mark": mark[named], "height": height[named], "row": shots.rows[named]})
        parts.append(_one_of_each(rows, "target", said_of, shots, problems))
    flat = np.flatnonzero((names == "") & (mark != ""))
    if len(flat):
        columns = {"mark": mark, "height": height, "placement": placement, "row": shots.rows}
        rows = frame({name: values[flat] for name, values in columns.items()})
        grouped = rows.groupby(["mark", "height", "placement"], sort=False, dropna=False)
        number = grouped.ngroup().to_numpy()
        one = rows.iloc[np.unique(number, return_index=True)[1]].reset_index(drop=True)
        taken = set(targets["target"]) | set(names)
        one.insert(0, "target", _new_names(one["mark"].to_numpy(object), one["placement"].to_numpy(object), taken))
        names[flat] = one["target"].to_numpy(dtype=object)[number]
        parts.append(one.drop(columns="placement"))
        said = f"shots of one mark, target height and placement share one putting-up of a target ({len(one)} in all)"
        problems.note("understood", said, shots.file)
    return names, pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _one_of_each(rows: pd.DataFrame, key: str, columns: dict[str, str], shots: Raw, problems: Problems) -> pd.DataFrame:
    """One row of each name; what its rows say must be the same on all of them, blanks take what the others say."""
    blank = rows.replace({"": np.nan}).assign(block=(rows[key] != rows[key].shift()).cumsum())
    for column, heading in columns.items():
        for name, (row, other, block), (at, one, first) in _minority(blank, key, column):
            again = block != first and key == "setup"
            question = f"{name} comes again after other set-ups: was its name used twice? " if again else ""
            if heading == "instrument_height":
                here, there = np.searchsorted(shots.rows, (row, at)).tolist()
                if shots["target_height"][here] == one or shots["target_height"][there] == other:
                    both = f"{shots.told(heading, other)} and target_height {shots.shown('target_height', here)}"
                    question = (
                        f"Are {heading} {both} exchanged, here or in row {at}? The rows of {name} leave it open. "
                    )
            problems.add(
                shots.file, int(row), heading, shots.told(heading, other),
                f"{shots.told(heading, one)}, which row {at} gives for {key} {name}",
                f"{question}One {key} has one {heading}; another one needs another name.",
                like=f"one {heading} for each {key}",
            )  # fmt: skip
    groups = blank.drop(columns="block").groupby(key, sort=False)
    out = groups.first().reset_index()
    out["row"] = groups["row"].min().to_numpy(np.int64)
    for column in columns:
        if column != "height":
            out[column] = out[column].astype(object).where(out[column].notna(), "")
    out["height"] = out["height"].astype(float)
    return out


def _minority(rows: pd.DataFrame, key: str, column: str) -> Iterator[tuple[str, list[Any], list[Any]]]:
    """Rows that say another thing than most rows of their name do, the first ones where as many do.

    Yields the name, then row, value and block of a row, and the same of the first row that says what most say.
    """
    filled = rows[rows[column].notna()]
    several = filled[key][filled[column] != filled.groupby(key, sort=False)[column].transform("first")]
    if not len(several):
        return
    filled = filled[filled[key].isin(set(several))]
    times = filled.groupby([key, column], sort=False)["row"].transform("size").to_numpy()
    most = filled.iloc[np.argsort(-times, kind="stable")].drop_duplicates(key).set_index(key)
    told = ["row", column, "block"]
    for name, *said in zip(filled[key], *(filled[c] for c in told), strict=True):
        if said[1] != most.at[name, column]:
            yield name, said, [most.at[name, c] for c in told]


def _agree(
    shots: Raw, column: str, table: Raw, of: str, inside: npt.NDArray[np.int64], problems: Problems
) -> None:  # fmt: skip
    """A flat column that repeats what a table says must repeat it truly; blanks say nothing."""
    if not len(table):
        return
    said, listed = shots[column], table[of][inside]
    if said.dtype.kind == "f":
        with np.errstate(invalid="ignore"):
            wrong = np.isfinite(said) & ~(np.abs(said - listed) < SAME_M)
    else:
        wrong = (said != "") & (said != listed)
    like = f"what {table.file} says, or blank"
    shots.refuse(
        problems, wrong & (inside >= 0), column, lambda i: f"{like}: {shots.told(column, listed[i])}",
        f"This is listed in {table.file} already.", like,
    )  # fmt: skip


def _unknown(
    shots: Raw, strange: npt.NDArray[np.int64], column: str, table: Raw, instead: str, problems: Problems
) -> None:
    known = [n for n in table[column] if n]
    without = f"The job has no {table.table.name}: add the table, or {instead} to shots."
    cause = (lambda i: nearest(str(shots[column][i]), known)) if known else without
    shots.refuse(problems, strange, column, f"a {column} of {table.file}", cause)
