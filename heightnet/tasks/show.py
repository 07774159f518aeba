"""What was read? Everything a person may want to look at before any adjustment: values, reductions, ties, oddities."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.adjust.graph import bridges, components, series_classes
from heightnet.arrays import Floats
from heightnet.job.model import Job
from heightnet.job.write import angle_text
from heightnet.judge.screening import screen
from heightnet.kinds.kind import DATUM
from heightnet.kinds.level import level_sd
from heightnet.kinds.registry import code_of
from heightnet.kinds.stands import recorded_heights
from heightnet.ledger.recorded import TABLES
from heightnet.ledger.settings import SETTINGS, default, value_of
from heightnet.ledger.thing import row_ids
from heightnet.network import build_network
from heightnet.network.loops import PRECISION, loops_of
from heightnet.network.model import Network
from heightnet.rows import Record

STEEP_RAD = np.radians(30.0)  # further from level than this is unusual over a long distance
LONG_M = 100.0
APART_M, APART_SHARE = 0.1, 0.001  # a distance and the marks' coordinates may differ by these two together
WORST = 10  # loops listed


def show(job: Job | str | Path) -> Record:
    """Facts of a job as read; lengths in metres or millimetres as the names say.

    Parameters
    ----------
    job : a job, or the path of what `read_job` reads.

    Returns
    -------
    dict : ``job, title, path, units, tables, notes, settings, equipment, known, heights, setups, targets, shots,
        levels, level_setups, gnss, pieces, undetermined, loops, warnings``.  ``check`` of a height is "unproved"
        (nothing in the job tests it), "shared" (an error would show, but not whose it is), "own", or "none" (no height
        to test).

    Raises
    ------
    InputErrors : the job could not be read.
    """
    if not isinstance(job, Job):
        from heightnet.job.read import read_job

        job = read_job(job)
    net = build_network(job)
    checks = _checks(net)
    return {
        "job": job.name,
        "title": job.settings.title,
        "path": str(job.path) if job.path else None,
        "units": {"length": job.settings.units.length, "angle": job.settings.units.angle},
        "tables": [{"table": t, "file": job.files[t], "rows": len(job.tables[t])} for t in TABLES],
        "notes": [{"kind": n.kind, "file": n.file, "row": n.row, "text": n.text} for n in job.notes]
        + [{"kind": "understood", "file": "", "row": None, "text": text} for text in net.notes],
        "settings": _settings(job),
        "equipment": _equipment(job),
        "known": _known(job),
        "heights": _heights(job, net),
        "setups": _stands(job, net, "setup", checks),
        "targets": _stands(job, net, "target", checks),
        "shots": _shots(job),
        "levels": _levels(job),
        "level_setups": _level_setups(job),
        "gnss": _gnss(job, net),
        "pieces": _pieces(job, net),
        "undetermined": [{"kind": str(net.nodes.kind[n]), "name": str(net.nodes.name[n])} for n in net.undetermined],
        "loops": _loops(net),
        "warnings": [*screen(job, net.readings), *_odd_shots(job, net)],
    }


def _settings(job: Job) -> list[Record]:
    return [
        {
            "setting": s.name,
            "value": value_of(job.settings, s.name),
            "default": value_of(job.settings, s.name) == default(s.name),
            "about": s.meaning,
        }
        for s in SETTINGS
    ]


def _equipment(job: Job) -> list[Record]:
    return [
        {
            "equipment": row["equipment"],
            "point": row["point"],
            "radius_mm": row["radius"] * 1000,
            "offset_mm": row["offset"] * 1000,
            "usual": bool(row["usual"]),
            "carries": row["carries"],
        }
        for row in job.equipment.to_dict("records")
    ]


def _known(job: Job) -> list[Record]:
    known = job.marks[job.marks["height"].notna()]
    sd_mm = known["sd"].fillna(job.settings.precision.known_mm / 1000) * 1000
    return [
        {"mark": mark, "height_m": float(height), "sd_mm": float(sd), "row": int(row)}
        for mark, height, sd, row in zip(known["mark"], known["height"], sd_mm, known["row"], strict=True)
    ]


def _shots(job: Job) -> list[Record]:
    """Each sight as it was read; its zenith angle in degrees, and as the job's tables would have it."""
    unit = job.settings.units.angle
    return [
        {
            "setup": row["setup"],
            "target": row["target"],
            "slope_distance_m": float(row["slope_distance"]),
            "zenith_deg": float(np.degrees(row["zenith_angle"])),
            "zenith": angle_text(row["zenith_angle"], unit),
            "face": row["face"],
            "row": int(row["row"]),
        }
        for row in job.shots.to_dict("records")
    ]


def _levels(job: Job) -> list[Record]:
    return [
        {
            "from": row["from_mark"],
            "to": row["to_mark"],
            "rise_m": float(row["rise"]),
            "sd_mm": float(sd) * 1000,
            "run": row["run"],
            "row": int(row["row"]),
        }
        for row, sd in zip(job.levels.to_dict("records"), level_sd(job), strict=True)
    ]


def _gnss(job: Job, net: Network) -> list[Record]:
    """Each satellite rise or height, with the separation that it was taken down to the geoid by."""
    rows = net.rows("gnss")
    by = job.gnss["rise"].fillna(job.gnss["height"]).to_numpy(float) - net.rise[rows]
    return [
        {
            "from": row["from_setup"] or None,
            "to": row["to_setup"],
            "rise_m": None if np.isnan(row["rise"]) else float(row["rise"]),
            "height_m": None if np.isnan(row["height"]) else float(row["height"]),
            "separation_m": float(separation),
            "sd_mm": float(sd) * 1000,
            "session": row["session"],
            "row": int(row["row"]),
        }
        for row, separation, sd in zip(job.gnss.to_dict("records"), by, net.sd[rows], strict=True)
    ]


def _level_setups(job: Job) -> list[Record]:
    """Each set-up of a level with its readings."""
    return [
        {
            "level_setup": str(name),
            "run": str(group["run"].iloc[0]),
            "readings": [
                {"mark": r["mark"], "sight": r["sight"], "reading_m": float(r["reading"]), "row": int(r["row"])}
                for r in group.to_dict("records")
            ],
        }
        for name, group in job.staff.groupby("level_setup", sort=False)
    ]


def _heights(job: Job, net: Network) -> list[Record]:
    """Each reading of each height and what it was reduced to, in the order of stands."""
    names, mark = net.nodes.name, net.nodes.mark
    return [
        {
            "stand_kind": r["stand_kind"],
            "stand": r["stand"],
            "mark": str(names[mark[r["node"]]]) if mark[r["node"]] >= 0 else "",
            "kind": r["kind"],
            "text": r["text"],
            "scale": r["scale"],
            "value_m": float(r["value"]),
            "point": r["point"],
            "radius_mm": float(r["radius"]) * 1000,
            "offset_mm": float(r["offset"]) * 1000,
            "height_m": float(r["height"]),
            "sd_mm": float(r["sd"]) * 1000,
            "tape": r["tape"],
            "by": r["by"],
            "file": r["file"],
            "rows": list(r["rows"]),
        }
        for r in sorted(
            net.readings.to_dict("records"), key=lambda r: ("setup", "tripod", "target").index(r["stand_kind"])
        )
    ]


def _checks(net: Network) -> npt.NDArray[np.object_]:
    """For each node, what tests the height of the stand there: "none", "unproved", "shared", "own".

    All readings of one height are one tie from its mark to its stand.  A height is unproved where this tie is a bridge
    of the network, and shares its check where another tie would, together with it, part the network.
    """
    count, total = net.edge_count, len(net.nodes)
    merged = np.arange(total)
    merged[net.held] = DATUM
    heights = net.rows("height")
    first = np.ones(count, dtype=bool)
    taped = net.head[heights]
    first[heights] = np.unique(taped, return_index=True)[1][np.unique(taped, return_inverse=True)[1]] == np.arange(
        len(taped)
    )
    tail, head = merged[net.tail[:count][first]], merged[net.head[:count][first]]
    of_height = (net.kind[:count] == code_of("height"))[first]
    bridge = bridges(tail, head, total)
    label = series_classes(tail, head, total)
    alone = np.bincount(label[label >= 0], minlength=1)[np.maximum(label, 0)] == 1
    said = np.where(bridge, "unproved", np.where(alone, "own", "shared")).astype(object)
    out = np.full(total, "none", dtype=object)
    out[head[of_height]] = said[of_height]
    return out


def _stands(job: Job, net: Network, kind: str, checks: npt.NDArray[np.object_]) -> list[Record]:
    """Each set-up (target) with its height, and what is sighted from it (from where it is sighted)."""
    table = job.setups if kind == "setup" else job.targets
    other, other_kind = (job.targets, "target") if kind == "setup" else (job.setups, "setup")
    node = net.setup_node if kind == "setup" else net.target_node
    here = net.shot_setup if kind == "setup" else net.shot_target
    there = net.shot_target if kind == "setup" else net.shot_setup
    height = recorded_heights(net, kind)[0]
    seen = pd.Series(there).groupby(here).agg(list) if len(here) else pd.Series(dtype=object)
    names = other[other_kind].to_numpy(object)
    marks = other["mark"].to_numpy(object)
    thing = "instrument" if kind == "setup" else "equipment"
    out = []
    for i, row in enumerate(table[[kind, "mark", thing, "tripod", "row"]].to_dict("records")):
        ends = list(dict.fromkeys(seen.get(i, [])))
        out.append(
            {
                kind: row[kind],
                "mark": row["mark"],
                "height_m": float(height[i]) if np.isfinite(height[i]) else None,
                thing: row[thing],
                "tripod": row["tripod"],
                "shots": len(seen.get(i, [])),
                "sights": [{other_kind: str(names[e]), "mark": str(marks[e])} for e in ends],
                "check": str(checks[node[i]]),
                "row": int(row["row"]),
            }
        )
    return out


def _pieces(job: Job, net: Network) -> list[Record]:
    kind, names = net.nodes.kind, net.nodes.name
    setups = job.setups["setup"].to_numpy(object)
    setup_piece = net.nodes.piece[net.setup_node]
    return [
        {
            "tied": piece.tied,
            "datum_mark": None if piece.tied else str(names[piece.datum]),
            "marks": [str(n) for n in names[piece.nodes[kind[piece.nodes] == "mark"]]],
            "setups": [str(s) for s in setups[setup_piece == piece.label]],
        }
        for piece in net.pieces
    ]


def _loops(net: Network) -> Record:
    """How many loops there are, and those that miss most against what is allowed."""
    loops = loops_of(net)  # the shorter ones, where there are very many
    tail = np.concatenate([net.tail[: net.edge_count], np.full(len(net.held), DATUM)])
    head = np.concatenate([net.head[: net.edge_count], net.held])
    pieces = int(components(tail, head, len(net.nodes)).max()) + 1
    measured = [loop for loop in loops if loop.length_km > 0 and loop.marks]
    ranked = sorted(measured, key=lambda loop: -abs(loop.misclosure) / loop.allowed)
    return {
        "count": len(tail) - len(net.nodes) + pieces,
        "looked_at": len(loops),
        "rule": PRECISION.name,
        "wide": sum(abs(loop.misclosure) > loop.allowed for loop in measured),
        "worst": [
            {
                "marks": list(loop.marks),
                "length_km": loop.length_km,
                "misclosure_mm": loop.misclosure * 1000,
                "allowed_mm": loop.allowed * 1000,
            }
            for loop in ranked[:WORST]
        ],
    }


def _odd_shots(job: Job, net: Network) -> Iterator[Record]:
    """Shots that look odd in themselves: records ``rule, id, value_m, other_id, other_value_m`` like `screen`."""
    shots = job.shots
    if not len(shots):
        return
    ids = row_ids("shot", job.files["shots"], shots["row"])
    distance, zenith = shots["slope_distance"].to_numpy(float), shots["zenith_angle"].to_numpy(float)
    folded = np.where(zenith > np.pi, 2 * np.pi - zenith, zenith)

    def finding(rule: str, i: int, value: float, other: str | None = None, other_value: float | None = None) -> Record:
        return {"rule": rule, "id": ids[i], "value_m": value, "other_id": other,
                "other_value_m": other_value}  # fmt: skip

    for i in np.flatnonzero((np.abs(folded - np.pi / 2) > STEEP_RAD) & (distance > LONG_M)).tolist():
        yield finding("steep", i, float(net.sights.rise[i]))
    apart = _between_marks(job, net)
    with np.errstate(invalid="ignore"):
        wrong = np.abs(net.sights.horizontal - apart) > APART_M + APART_SHARE * apart
    for i in np.flatnonzero(wrong).tolist():
        yield finding("not_the_coordinates", i, float(net.sights.horizontal[i]), None, float(apart[i]))
    same = ["setup", "target", "face", "slope_distance", "zenith_angle", "session"]
    if shots.duplicated(same).any():
        first: dict[tuple[Any, ...], int] = {}
        for i, key in enumerate(shots[same].itertuples(index=False, name=None)):
            if key in first:
                other = ids[first[key]]
                yield finding("recorded_twice", i, float(distance[i]), other, float(distance[first[key]]))
            first.setdefault(key, i)


def _between_marks(job: Job, net: Network) -> Floats:
    """Distance between the marks of each shot by their coordinates, m; NaN where one has none."""
    place = job.marks.drop_duplicates("mark").set_index("mark")[["east", "north"]]
    at = place.reindex(job.setups["mark"].to_numpy(object)[net.shot_setup]).to_numpy(float)
    to = place.reindex(job.targets["mark"].to_numpy(object)[net.shot_target]).to_numpy(float)
    return np.hypot(*(to - at).T)
