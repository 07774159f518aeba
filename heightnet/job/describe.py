"""The tables of a job described for others: an open-standard description beside the data."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

from heightnet.job.headings import known_headings, nothing_under, plain_heading
from heightnet.ledger.field import METRES
from heightnet.ledger.recorded import TABLES, Column, Table
from heightnet.ledger.settings import Settings

PACKAGE = "datapackage.json"
PROFILES = "https://datapackage.org/profiles/2.0"
LINKS = {
    "shots": (("setup", "setups", "setup"), ("target", "targets", "target")),
    "tape": (("setup", "setups", "setup"), ("target", "targets", "target")),
    "gnss": (("from", "setups", "setup"), ("to", "setups", "setup")),
}
"""table: (column, table it points into, column there)."""


def data_package(folder: str | Path, settings: Settings) -> dict[str, Any]:
    """The tables of a job folder as a Data Package 2.0 (datapackage.org), each with its Table Schema.

    Parameters
    ----------
    folder : a job folder of UTF-8 CSV tables that `read_job` reads.
    settings : of that job; its units decide what angle cells look like.

    Returns
    -------
    dict : ready for JSON.  Headings are described as the files write them; ``note`` columns as free text.
    """
    folder = Path(folder)
    resources = []
    present = {name for name in TABLES if (folder / f"{name}.csv").is_file()}
    for name in TABLES:
        if name not in present:
            continue
        with (folder / f"{name}.csv").open(encoding="utf-8-sig", newline="") as stream:
            rows = csv.reader(stream)
            header = next(rows, [])
            columns = known_headings(TABLES[name], header, nothing_under(TABLES[name], header, rows))
        resources.append(
            {
                "name": name,
                "path": f"{name}.csv",
                "title": TABLES[name].meaning,
                "type": "table",
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "schema": _schema(TABLES[name], header, columns, settings, present),
            }
        )
    package: dict[str, Any] = {"$schema": f"{PROFILES}/datapackage.json", "name": _slug(folder.resolve().name)}
    if settings.title:
        package["title"] = settings.title
    return package | {"resources": resources}


def write_data_package(folder: str | Path, settings: Settings) -> Path:
    """Write ``datapackage.json`` into a job folder, which reading passes over."""
    path = Path(folder) / PACKAGE
    text = json.dumps(data_package(folder, settings), indent=2, ensure_ascii=False, allow_nan=False)
    beside = path.with_suffix(".part")
    beside.write_text(text + "\n", encoding="utf-8")
    beside.replace(path)
    return path


def _schema(
    table: Table, header: list[str], known: dict[str, Column], settings: Settings, present: set[str]
) -> dict[str, Any]:  # fmt: skip
    columns = {heading: known.get(plain_heading(heading)) for heading in header}
    heading_of = {c.name: heading for heading, c in columns.items() if c}
    schema: dict[str, Any] = {
        "$schema": f"{PROFILES}/tableschema.json",
        "fields": [_field(heading, c, settings) for heading, c in columns.items()],
        "missingValues": [""],
    }
    if table.key:
        schema["primaryKey"] = [heading_of[k] for k in table.key]
    links = [
        {"fields": [heading_of[column]], "reference": {"resource": other, "fields": [there]}}
        for column, other, there in LINKS.get(table.name, ())
        if other in present and column in heading_of
    ]
    if links:
        schema["foreignKeys"] = links
    return schema


def _field(heading: str, column: Column | None, settings: Settings) -> dict[str, Any]:
    """One field; `unit` is said in the description, since Table Schema has no property for it."""
    if column is None:
        return {"name": heading, "type": "string", "description": "A note; not read."}
    unit = {"units.length": settings.units.length, "units.angle": settings.units.angle}.get(column.unit, column.unit)
    rules: dict[str, Any] = {}
    if column.required and not column.unless:
        rules["required"] = True
    if column.choices:
        rules["enum"] = list(column.choices)
    number = column.numeric and not (column.kind == "angle" and settings.units.angle in ("dms", "packed"))
    field: dict[str, Any] = {"name": heading, "type": "number" if number else "string"}
    if column.within and number:
        metres = METRES[settings.units.length] if column.kind == "length" else 1.0
        low, high = (0 if column.within.zero else column.within.low), column.within.high
        rules["minimum"], rules["maximum"] = _outward(low / metres, math.floor), _outward(high / metres, math.ceil)
    field["description"] = column.meaning + (f" Unit: {unit}." if unit else "")
    if rules:
        field["constraints"] = rules
    return field


def _outward(limit: float, way: Callable[[float], int]) -> float | int:
    """A limit rounded so that nothing is refused that reading takes."""
    rounded = way(limit * 1e6) / 1e6
    return int(rounded) if rounded == round(rounded) else rounded


def _slug(name: str) -> str:
    """A name of a package: lower case letters, digits and ``-._``.

    >>> _slug("Quay 7 (north)")
    'quay-7-north'
    """
    kept = "".join(c if c.isascii() and (c.isalnum() or c in "-._") else " " for c in name.casefold())
    return "-".join(kept.split()) or "job"
