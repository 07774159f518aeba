"""Tape readings to vertical heights, with everything that went into each kept beside it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from heightnet.job.model import Job
from heightnet.ledger.thing import Thing, row_ids
from heightnet.reduce.reading import slant_to_vertical

READINGS = (
    "stand_kind", "stand", "kind", "file", "rows", "text", "scale", "point", "radius", "offset", "part", "tape", "by",
    "when", "value", "value_sd", "height", "sd",
)  # fmt: skip
"""Columns of a table of reduced readings; lengths in metres.

stand_kind, stand : whose height ("setup", "target" or "tripod").
kind : "booked" (the height column of setups or targets), "vertical", "slant" or "parts" (a sum).
file, rows : where it stands; rows is a tuple, several for parts.
text, scale : as read; parts joined with " + ".
value, value_sd : the tape's length and its standard deviation, before reduction.
height, sd : mark to trunnion axis or target centre, and its standard deviation.
"""


def reduce_tape(job: Job) -> pd.DataFrame:
    """Every reading of every stand's height, reduced to the vertical: columns ``READINGS``.

    A stand with rows in ``tape`` takes its height from them alone; the others from their booked height, when there is
    one.  A slant's standard deviation grows by s / sqrt(s^2 - r^2); parts add their variances.
    """
    taped = _taped(job)
    with_tape = set(zip(taped["stand_kind"], taped["stand"], strict=True))
    booked = [
        _booked(job, "setup", "setups", job.settings.precision.tape_mm, with_tape),
        _booked(job, "target", "targets", target_sd_mm(job), with_tape),
    ]
    frames = [frame for frame in (*booked, taped) if len(frame)]
    if not frames:
        return pd.DataFrame({column: [] for column in READINGS})
    return pd.concat(frames, ignore_index=True)[list(READINGS)]


def reading_ids(readings: pd.DataFrame) -> list[str]:
    """Id of each reading of a table of ``READINGS``, ``reading:FILE:ROW``: its file and first row.

    Of two heights that one row books, the instrument's and the target's, the second is told apart by its kind.
    """
    ids = pd.Series(row_ids("reading", readings["file"], (rows[0] for rows in readings["rows"])), dtype=object)
    for i in np.flatnonzero(ids.duplicated()).tolist():
        ids[i] = str(Thing.of(ids[i])._replace(name=readings["stand_kind"].iloc[i]))
    return ids.tolist()


def mean_height(heights: Sequence[float], sds: Sequence[float]) -> tuple[float, float]:
    """Of several reduced readings of one height the mean, weighted by their precision, and its standard deviation.

    >>> mean, sd = mean_height([1.50, 1.53], [0.001, 0.002])
    >>> round(mean, 4), round(sd, 5)
    (1.506, 0.00089)
    """
    weights = [sd**-2 for sd in sds]
    return sum(w * h for w, h in zip(weights, heights, strict=True)) / sum(weights), sum(weights) ** -0.5


def taped_heights(readings: pd.DataFrame) -> pd.Series:
    """The `mean_height` of each stand's own readings, by kind and name, in the order of a table of ``READINGS``."""
    weight = readings["sd"].astype(float) ** -2
    stand = [readings["stand_kind"], readings["stand"]]
    total = (weight * readings["height"].astype(float)).groupby(stand, sort=False).sum()
    return total / weight.groupby(stand, sort=False).sum()


def target_sd_mm(job: Job) -> float:
    precision = job.settings.precision
    return precision.tape_mm if precision.target_mm is None else precision.target_mm


def _booked(job: Job, kind: str, table: str, sd_mm: float, with_tape: set[tuple[str, str]]) -> pd.DataFrame:
    source = job.tables[table]
    rows = source[source["height"].notna()]
    if with_tape:
        taped = {stand for of, stand in with_tape if of == kind}
        rows = rows[~rows[kind].isin(taped)]
    count = len(rows)
    height = rows["height"].to_numpy(float)
    sd = rows["sd"].fillna(sd_mm / 1000).to_numpy(float)
    blank = np.full(count, "", dtype=object)
    return pd.DataFrame(
        {
            "stand_kind": np.full(count, kind, dtype=object),
            "stand": rows[kind].to_numpy(object),
            "kind": np.full(count, "booked", dtype=object),
            "file": np.full(count, job.files[table], dtype=object),
            "rows": list(zip(rows["row"], strict=True)),
            "text": blank,
            "scale": blank,
            "point": blank,
            "radius": np.zeros(count),
            "offset": np.zeros(count),
            "part": blank,
            "tape": blank,
            "by": rows["observer"].to_numpy(object),
            "when": rows["when"].to_numpy(object),
            "value": height,
            "value_sd": sd,
            "height": height,
            "sd": sd,
        }
    )


def _taped(job: Job) -> pd.DataFrame:
    tape = job.tape
    if not len(tape):
        return pd.DataFrame({column: [] for column in READINGS})
    default_mm = np.where(tape["stand_kind"] == "target", target_sd_mm(job), job.settings.precision.tape_mm)
    tape = tape.assign(
        value=tape["reading"],
        value_sd=np.where(tape["sd"].isna(), default_mm / 1000, tape["sd"]),
        radius=tape["radius"].fillna(0.0),
        offset=tape["offset"].fillna(0.0),
        file=job.files["tape"],
    ).reset_index(drop=True)
    part = (tape["kind"] == "part").to_numpy()
    frames = [_single(tape[~part])]
    order = [np.flatnonzero(~part)]
    if part.any():
        # parts that share stand and letter add up
        groups = tape[part].groupby(["stand_kind", "stand", "part"], sort=False)
        frames.append(pd.DataFrame([_one_reading(group) for _, group in groups], columns=list(READINGS)))
        order.append(groups.head(1).index.to_numpy())
    both = pd.concat([f for f in frames if len(f)], ignore_index=True)
    return both.iloc[np.argsort(np.concatenate(order), kind="stable")].reset_index(drop=True)


def _single(tape: pd.DataFrame) -> pd.DataFrame:
    """Readings of one row each, all at once."""
    slant = (tape["kind"] == "slant").to_numpy()
    value, radius, sd = (tape[name].to_numpy(float) for name in ("value", "radius", "value_sd"))
    upright = np.where(slant, slant_to_vertical(np.where(slant, value, radius + 1), radius), value)
    return tape.assign(
        rows=pd.Series([(int(r),) for r in tape["row"].tolist()], index=tape.index, dtype=object),
        height=upright + tape["offset"].to_numpy(float),
        sd=sd * np.where(slant, value, 1.0) / np.where(slant, upright, 1.0),
    )[list(READINGS)]


def _one_reading(group: pd.DataFrame) -> dict[str, object]:
    """The reduced reading that parts make up."""
    first = group.iloc[0]
    value = float(group["value"].sum())
    value_sd = float(np.sqrt((group["value_sd"] ** 2).sum()))
    offset = float(group["offset"].sum())
    radius = float(first["radius"]) if first["kind"] == "slant" else 0.0
    height, sd = value + offset, value_sd
    if first["kind"] == "slant":
        upright = slant_to_vertical(value, radius)
        height, sd = upright + offset, value_sd * value / upright
    same = {name: "/".join(dict.fromkeys(str(x) for x in group[name] if x)) for name in ("tape", "by", "when", "scale")}
    return {
        "stand_kind": first["stand_kind"],
        "stand": first["stand"],
        "kind": "parts" if first["kind"] == "part" else first["kind"],
        "file": first["file"],
        "rows": tuple(int(r) for r in group["row"]),
        "text": " + ".join(group["text"]),
        "point": first["point"] if len(group) == 1 else "/".join(dict.fromkeys(p for p in group["point"] if p)),
        "radius": radius if first["kind"] == "slant" else float(first["radius"]),
        "offset": offset,
        "part": first["part"],
        "value": value,
        "value_sd": value_sd,
        "height": height,
        "sd": sd,
        **same,
    }
