"""The things that a task speaks of, in short tables like those of results.json: what it takes to name each of them."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from heightnet.network.model import Network
from heightnet.reduce.tape import reading_ids
from heightnet.tasks.facts import Record

READ = ("text", "scale", "kind", "point", "tape", "by", "when")


def named(net: Network, ids: Iterable[str]) -> Record:
    """``setups, targets, shots, levels, staff, gnss, known, antennas`` of the things behind some ids.

    A target comes with all sights to it, by which a crew points at it.
    """
    job, asked = net.job, set(ids)
    of: dict[str, set[str]] = {}
    for id_ in asked:
        kind, _, name = id_.partition(":")
        of.setdefault(kind, set()).add(name)
    readings = net.readings.assign(id=reading_ids(net.readings)) if "reading" in of else net.readings.iloc[:0]
    readings = readings[readings["id"].isin(asked)] if len(readings) else readings
    for name in of.get("swap", ()):
        setup, _, target = name.partition("/")
        of.setdefault("setup", set()).add(setup)
        of.setdefault("target", set()).add(target)
    stands: dict[str, dict[str, list[Record]]] = {"setup": {}, "target": {}}
    for kind, found in stands.items():
        found.update({name: [] for name in of.get(kind, ())})
    for r in readings.to_dict("records"):
        of_stand = stands[r["stand_kind"]].setdefault(r["stand"], []) if r["stand_kind"] in stands else []
        of_stand.append({"id": r["id"], **{key: r[key] or None for key in READ}, "value_m": float(r["value"])})
    antennas = [str(s) for s in job.setups["setup"][net.antennas]]
    if "group" in of:  # one of all antennas of a model is told from one of instruments
        for name in antennas:
            stands["setup"].setdefault(name, [])
    return {
        "setups": _stands(job.setups, "setup", "instrument", stands["setup"]),
        "targets": _stands(job.targets, "target", "equipment", stands["target"]),
        "shots": _shots(net, of.get("shot", set()), set(stands["target"])),
        "levels": _rows(job.levels, "level", job.files["levels"], of, ("from_mark", "to_mark", "run"), "rise"),
        "staff": _rows(job.staff, "staff", job.files["staff"], of, ("level_setup", "mark", "name", "run", "sight"),
                       "reading"),
        "gnss": [{"id": f"gnss:{r['file']}:{r['row']}", "row": r["row"], "from": r["from_setup"] or None,
                  "to": r["to_setup"]} for r in _wanted(job.gnss, job.files["gnss"], of.get("gnss", set()))],
        "known": [{"id": f"known:{m}", "mark": m, "height_m": float(h)}
                  for m, h in zip(job.marks["mark"], job.marks["height"], strict=True) if m in of.get("known", ())],
        "antennas": antennas,
    }  # fmt: skip


def _wanted(table: pd.DataFrame, file: str, names: set[str]) -> list[Record]:
    """Rows of a table named ``FILE:ROW``."""
    rows = {int(name.rpartition(":")[2]) for name in names}
    records: list[Record] = table[table["row"].isin(rows)].to_dict("records")  # type: ignore[assignment]
    return [r | {"file": file, "row": int(r["row"])} for r in records]


def _stands(table: pd.DataFrame, kind: str, thing: str, wanted: dict[str, list[Record]]) -> list[Record]:
    rows = zip(*(table[c].tolist() for c in (kind, "mark", thing, "tripod")), strict=True)
    return [
        {kind: name, "mark": mark or None, thing: of or None, "hypothesis": f"tripod:{on}" if on else f"{kind}:{name}",
         "readings": wanted[name]}
        for name, mark, of, on in rows if name in wanted
    ]  # fmt: skip


def _shots(net: Network, names: set[str], targets: set[str]) -> list[Record]:
    job, file = net.job, net.job.files["shots"]
    on = dict(zip(job.targets["target"], job.targets["mark"], strict=True))
    at = dict(zip(job.setups["setup"], job.setups["mark"], strict=True))
    columns = (job.shots[c].tolist() for c in ("row", "setup", "target"))
    return [
        {"id": f"shot:{file}:{row}", "file": file, "row": int(row), "setup": setup, "target": target,
         "from_mark": at[setup] or None, "to_mark": on[target] or None}
        for row, setup, target in zip(*columns, strict=True) if target in targets or f"{file}:{row}" in names
    ]  # fmt: skip


def _rows(
    table: pd.DataFrame, kind: str, file: str, of: dict[str, set[str]], columns: tuple[str, ...], value: str
) -> list[Record]:
    return [
        {"id": f"{kind}:{file}:{r['row']}", "file": file, "row": r["row"], **{c: r[c] for c in columns},
         f"{value}_m": float(r[value])}
        for r in _wanted(table, file, of.get(kind, set()))
    ]  # fmt: skip
