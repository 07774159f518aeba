"""The things that a task speaks of, in short tables like those of results.json: what it takes to name each of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from itertools import repeat
from typing import Any

import pandas as pd

from heightnet.job.model import Job
from heightnet.kinds.registry import KINDS
from heightnet.ledger.thing import MISNAMED, ROWS, TABLES, Thing, ids_of, row_ids
from heightnet.network.model import Network
from heightnet.reduce.tape import reading_ids
from heightnet.tasks.facts import Record

READ = ("text", "scale", "kind", "point", "tape", "by", "when")
COLUMNS = {
    "shot": ({"setup": "setup", "target": "target"}, ""),
    "level": ({c: c for c in ("from_mark", "to_mark", "run")}, "rise"),
    "staff": ({c: c for c in ("level_setup", "mark", "name", "run", "sight")}, "reading"),
    "gnss": ({"from": "from_setup", "to": "to_setup"}, ""),
}
"""Of each kind of row the columns that name it as results.json calls them, and its value."""


def named(net: Network, ids: Iterable[str]) -> Record:
    """``setups, targets, shots, levels, staff, gnss, known, antennas`` of the things behind some ids, and `pages`.

    A target comes with all sights to it, by which a crew points at it.
    """
    job, asked = net.job, set(ids)
    of: dict[str, set[Any]] = defaultdict(set)  # names, of rows their numbers
    for thing in map(Thing.of, asked):
        for kind, name in zip(("setup", "target"), thing.pair, strict=True) if thing.kind == "swap" else ():
            of[kind].add(name)
        for kind, name in _of_several(thing):
            of[kind].add(name)
        of[thing.kind].add(thing.row or thing.name)
    readings: dict[tuple[str, str], list[Record]] = defaultdict(list)
    if of["reading"]:
        every = net.readings.assign(id=reading_ids(net.readings))
        for r in every[every["id"].isin(asked)].to_dict("records"):
            of[r["stand_kind"]].add(r["stand"])
            told = {"id": r["id"], **{key: r[key] or None for key in READ}, "value_m": float(r["value"])}
            readings[r["stand_kind"], r["stand"]].append(told)
    antennas = [str(s) for s in job.setups["setup"][net.antennas]]
    if of["group"]:  # one of all antennas of a model is told from one of instruments
        of["setup"].update(antennas)
    tables = {TABLES[kind]: (_rows if kind in COLUMNS else _told)(net, kind, of) for kind in ROWS}
    at, on = (
        dict(zip(t[kind], t["mark"], strict=True)) for kind, t in (("setup", job.setups), ("target", job.targets))
    )
    for shot in tables["shots"]:
        shot |= {"from_mark": at[shot["setup"]] or None, "to_mark": on[shot["target"]] or None}
    marks = job.marks[job.marks["mark"].isin(of["known"])]
    known = zip(ids_of("known", marks["mark"]), marks["mark"], marks["height"].astype(float), strict=True)
    return {
        "setups": _stands(job.setups, "setup", "instrument", of["setup"], readings),
        "targets": _stands(job.targets, "target", "equipment", of["target"], readings),
        **tables,
        "known": [{"id": id_, "mark": mark, "height_m": height} for id_, mark, height in known],
        "antennas": antennas,
        **pages(job),
    }


def pages(job: Job) -> Record:
    """``pages``: page and line of the field book that each row was copied from; nothing where no row says."""
    records = []
    for name, table in job.tables.items():
        if "page" in table:
            copied = table[(table["page"] != "") | (table["line"] != "")].drop_duplicates("row")
            for row, page, line in zip(*(copied[c].tolist() for c in ("row", "page", "line")), strict=True):
                records.append({"file": job.files[name], "row": row, "page": page or None, "line": line or None})
    return {"pages": records} if records else {}


def ids_in(findings: Iterable[Record]) -> Iterator[str]:
    """What findings speak of: their members, and the uses that an event is told of."""
    for finding in findings:
        yield from (member["id"] for member in finding["members"])
        if event := finding["event"]:
            yield from (use["id"] for use in event["uses"])


def _of_several(thing: Thing) -> Iterator[tuple[str, Any]]:
    """A stand that moved, and what has a wrong name."""
    if thing.kind == "moved":
        yield thing.names[0], thing.names[1]
    elif thing.kind == MISNAMED:
        kind, *of, _ = thing.names
        yield kind, int(of[1]) if kind == "shot" else of[0]


def _stands(
    table: pd.DataFrame, kind: str, thing: str, wanted: set[str], readings: Mapping[tuple[str, str], list[Record]]
) -> list[Record]:
    table = table[table[kind].isin(wanted)]
    rows = zip(*(table[c].tolist() for c in (kind, "mark", thing, "tripod")), strict=True)
    return [
        {kind: name, "mark": mark or None, thing: of or None, "readings": readings.get((kind, name), []),
         "hypothesis": str(Thing("tripod", on) if on else Thing(kind, name))}
        for name, mark, of, on in rows
    ]  # fmt: skip


def _rows(net: Network, kind: str, of: Mapping[str, set[Any]]) -> list[Record]:
    columns, value = COLUMNS[kind]
    table, file = getattr(net.job, TABLES[kind]), net.job.files[TABLES[kind]]
    wanted = table["row"].isin(of[kind])
    table = table[wanted | table["target"].isin(of["target"]) if kind == "shot" else wanted].replace({"": None})
    columns = {"row": "row", **columns, **({f"{value}_m": value} if value else {})}
    records = table[list(columns.values())].set_axis(list(columns), axis=1).to_dict("records")
    ids = row_ids(kind, file, table["row"], table["cell"].fillna("") if kind == "staff" else repeat(""))
    return [{"id": id_, "file": file, **r} for id_, r in zip(ids, records, strict=True)]


def _told(net: Network, kind: str, of: Mapping[str, set[Any]]) -> list[Record]:
    """The rows of a kind that was registered, as its own table of results.json has them."""
    of_kind, table = KINDS[kind], net.job.tables[TABLES[kind]]
    told = of_kind.told(net) if of_kind.told else {}
    own = {fact.name: told.get(fact.name, table.get(fact.name.removesuffix("_m"))) for fact in of_kind.record}
    rows = pd.DataFrame({"row": table["row"], **own})
    rows = rows[rows["row"].isin(of[kind])]
    file = net.job.files[TABLES[kind]]
    records = zip(row_ids(kind, file, rows["row"]), rows.to_dict("records"), strict=True)
    return [{"id": id_, "file": file} | {str(key): value for key, value in one.items()} for id_, one in records]
