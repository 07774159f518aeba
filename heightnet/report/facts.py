"""results.json as text: the facts in the order of the schema, rounded far below anything a tape can read.

Rounding (1 um, 0.1 um where the key ends in ``_mm``) keeps the last bits of floating point, which differ from
machine to machine, out of files that people compare.  Whatever is shown is made from the rounded facts.  Only the
settings stay as they were given.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from functools import cache
from importlib.resources import files
from math import isfinite
from typing import Any

from heightnet.rows import Column, Nested, Rows

DECIMALS = {"_m": 6, "_mm": 4, "_sec": 4, "_deg": 7, "_km": 6}
OTHER_DECIMALS = 6
RECORDS_AT_ONCE = 2000

Shape = Callable[[Any], Any]


@cache
def schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of results.json.

    >>> schema()["properties"]["schema"]["const"]
    'heightnet-results/2'
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
    return written_chunks(as_written(facts))


def written_chunks(written: dict[str, Any]) -> Iterator[str]:
    """The same of facts as `as_written` gives them."""
    yield "{"
    for number, (key, value) in enumerate(written.items()):
        yield f"{',' if number else ''}\n{_dumps(key)}: "
        if not isinstance(value, list | Rows) or not len(value):
            yield _dumps([] if isinstance(value, Rows) else value)
            continue
        yield "[\n"
        for start in range(0, len(value), RECORDS_AT_ONCE):
            yield (",\n" if start else "") + _lines(value[start : start + RECORDS_AT_ONCE])
        yield "\n]"
    yield "\n}\n"


def _lines(records: list[Any]) -> str:
    """Records as JSON, one a line."""
    text = _dumps(records)[1:-1]
    if isinstance(records[0], dict) and records[0]:
        begin = f"{{{_dumps(next(iter(records[0])))}:"  # quotes stand bare only where a key begins
        text = text.replace(f"}},{begin}", f"}},\n{begin}")
    return text


def as_written(facts: dict[str, Any]) -> dict[str, Any]:
    """The facts as results.json holds them: rounded, and so ordered alike on every machine where two are equal."""
    shapes = _shapes()
    keys = [key for key in shapes if key in facts] + [key for key in facts if key not in shapes]
    return {key: shapes.get(key, _unknown(key))(facts[key]) for key in keys}


def _dumps(value: Any) -> str:
    import orjson

    return orjson.dumps(value).decode("utf-8")


@cache
def _shapes() -> dict[str, Shape]:
    return {key: _shape(key, part) for key, part in schema()["properties"].items()}


def _shape(key: str, part: dict[str, Any]) -> Shape:
    """How a value under this key is ordered and rounded."""
    if "$ref" in part:
        part = schema()["$defs"][part["$ref"].rsplit("/", 1)[1]]
    if "items" in part:
        return _or_none(_of_list(key, part["items"]))
    if "properties" in part:
        shapes = {name: _shape(name, inner) for name, inner in part["properties"].items()}
        return _or_none(lambda record: _record(record, shapes))
    if isinstance(part.get("additionalProperties"), dict):
        rounded = _rounded(key)
        return _or_none(lambda values: {name: rounded(value) for name, value in values.items()})
    if "type" not in part:
        return _unknown(key)
    return _rounded(key) if "number" in part["type"] else _same


def _or_none(shape: Shape) -> Shape:
    return lambda value: None if value is None else shape(value)


def _unknown(key: str) -> Shape:
    """What the schema does not describe: every number in it rounded all the same."""
    rounded = _rounded(key)

    def shaped(value: Any) -> Any:
        if isinstance(value, float):
            return rounded(value)
        if isinstance(value, dict):
            return {name: _unknown(name)(inner) for name, inner in value.items()}
        return [shaped(inner) for inner in value] if isinstance(value, list | tuple) else value

    return shaped


def _of_list(key: str, items: dict[str, Any]) -> Shape:
    """The shape of a list: of records one by one, or of `Rows` column by column."""
    inner = _shape(key, items)
    if "$ref" in items:
        items = schema()["$defs"][items["$ref"].rsplit("/", 1)[1]]
    parts = items.get("properties", {})

    def column(name: str, values: Column) -> Column:
        part = parts.get(name, {})
        if isinstance(values, Nested):
            return Nested(_of_list(name, part.get("items", {}))(values.rows), values.starts)
        if getattr(getattr(values, "dtype", None), "kind", "") == "f":
            return _rounded_column(name, values)
        shape = _shape(name, part)
        return values if shape is _same else [value if not value and value != 0 else shape(value) for value in values]

    def shaped(values: Any) -> Any:
        return values.mapped(list(parts), column) if isinstance(values, Rows) else [inner(value) for value in values]

    return shaped


def _record(record: dict[str, Any], shapes: dict[str, Shape]) -> dict[str, Any]:
    ordered = {name: shape(record[name]) for name, shape in shapes.items() if name in record}
    if len(ordered) < len(record):
        ordered.update((name, _unknown(name)(value)) for name, value in record.items() if name not in ordered)
    return ordered


def _decimals(key: str) -> int:
    return next((n for end, n in DECIMALS.items() if key.endswith(end)), OTHER_DECIMALS)


def _rounded(key: str) -> Shape:
    decimals = _decimals(key)

    def rounded(value: float | None) -> float | None:
        if value is None:
            return None
        if not isfinite(value):
            raise ValueError(f"{key} is {value}: a number that does not exist is None")
        return round(value, decimals) + 0.0  # + 0.0: no "-0.0"

    return rounded


def _rounded_column(key: str, values: Column) -> Column:
    import numpy as np

    return np.round(values, _decimals(key)) + 0.0


def _same(value: Any) -> Any:
    return value
