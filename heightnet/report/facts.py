"""results.json as text: the facts in the order of the schema, rounded far below anything a tape can read.

Rounding (1 um, 0.1 um where the key ends in ``_mm``) keeps the last bits of floating point, which differ from
machine to machine, out of files that people compare.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from functools import cache
from importlib.resources import files
from typing import Any

DECIMALS = {"_m": 6, "_mm": 4, "_sec": 4, "_deg": 7, "_km": 6}
OTHER_DECIMALS = 6
RECORDS_AT_ONCE = 2000

Shape = Callable[[Any], Any]


@cache
def schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of results.json.

    >>> schema()["properties"]["schema"]["const"]
    'heightnet-results/1'
    """
    text = files("heightnet.report").joinpath("results.schema.json").read_text(encoding="utf-8")
    found: dict[str, Any] = json.loads(text)
    return found


def fields_of(table: str) -> list[str]:
    """The keys of one record of a table of results.json, or of a definition in its schema, in order.

    >>> fields_of("loops")[:3]
    ['marks', 'ids', 'length_km']
    """
    whole = schema()
    part = whole["properties"].get(table) or whole["$defs"][table]
    part = part.get("items", part)
    if "$ref" in part:
        part = whole["$defs"][part["$ref"].rsplit("/", 1)[1]]
    return list(part["properties"])


def json_chunks(facts: dict[str, Any]) -> Iterator[str]:
    """The text of results.json in pieces: one record a line, so that two results compare line by line.

    Raises ValueError where a number is not finite: a number that does not exist is None.
    """
    shapes = _shapes()
    yield "{"
    keys = [key for key in shapes if key in facts] + [key for key in facts if key not in shapes]
    for number, key in enumerate(keys):
        shape = shapes.get(key, _same)
        yield f"{',' if number else ''}\n{_dumps(key)}: "
        value = facts[key]
        if not isinstance(value, list) or not value:
            yield _dumps(shape(value))
            continue
        yield "[\n"
        for start in range(0, len(value), RECORDS_AT_ONCE):
            records = shape(value[start : start + RECORDS_AT_ONCE])
            yield (",\n" if start else "") + ",\n".join(map(_dumps, records))
        yield "\n]"
    yield "\n}\n"


def as_written(facts: dict[str, Any]) -> dict[str, Any]:
    """The facts as results.json holds them: rounded, and so ordered alike on every machine where two are equal."""
    shapes = _shapes()
    return {key: shapes.get(key, _same)(value) for key, value in facts.items()}


_dumps = json.JSONEncoder(ensure_ascii=False, allow_nan=False).encode


@cache
def _shapes() -> dict[str, Shape]:
    return {key: _shape(key, part) for key, part in schema()["properties"].items()}


def _shape(key: str, part: dict[str, Any]) -> Shape:
    """How a value under this key is ordered and rounded."""
    if "$ref" in part:
        part = schema()["$defs"][part["$ref"].rsplit("/", 1)[1]]
    kind = part.get("type")
    if kind == "array":
        inner = _shape(key, part["items"])
        return lambda values: [inner(value) for value in values]
    if kind == "object" and "properties" in part:
        shapes = {name: _shape(name, inner) for name, inner in part["properties"].items()}
        return lambda record: _record(record, shapes)
    if kind == "object" and isinstance(part.get("additionalProperties"), dict):
        rounded = _rounded(key)
        return lambda values: {name: rounded(value) for name, value in values.items()}
    if kind is not None and "number" in kind:
        return _rounded(key)
    return _same


def _record(record: dict[str, Any], shapes: dict[str, Shape]) -> dict[str, Any]:
    ordered = {name: shape(record[name]) for name, shape in shapes.items() if name in record}
    if len(ordered) < len(record):
        ordered.update((name, value) for name, value in record.items() if name not in ordered)
    return ordered


def _rounded(key: str) -> Shape:
    decimals = next((n for end, n in DECIMALS.items() if key.endswith(end)), OTHER_DECIMALS)
    return lambda value: None if value is None else round(value, decimals) + 0.0  # + 0.0: no "-0.0"


def _same(value: Any) -> Any:
    return value
