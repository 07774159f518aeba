"""results.json as text: the facts in the order of the ledger, rounded far below anything a tape can read.

Rounding (1 um, 0.1 um where the key ends in ``_mm``) keeps the last bits of floating point, which differ from
machine to machine, out of files that people compare.  Whatever is shown is made from the rounded facts.  Only the
settings stay as they were given.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from math import isfinite
from typing import Any

from heightnet.ledger.record import Fact, Keyed, Many, Maybe, Record, Type, decimals, record_of
from heightnet.ledger.results import results
from heightnet.rows import Column, Nested, Rows

RECORDS_AT_ONCE = 2000

Shape = Callable[[Any], Any]


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
    return _record(facts, _shapes(results()))


def _dumps(value: Any) -> str:
    import orjson

    return orjson.dumps(value).decode("utf-8")


@cache
def _shapes(record: Record) -> dict[str, Shape]:
    return {fact.name: _shape(fact.name, fact.type) for fact in record}


@cache
def _shape(key: str, type: Type) -> Shape:
    """How a value under this key is ordered and rounded."""
    match type:
        case Maybe(of=inner):
            return _or_none(_shape(key, inner))
        case Many(of=inner):
            return _or_none(_of_list(key, inner))
        case Keyed(of=inner):
            shape = _shape(key, inner)
            return _or_none(lambda values: {name: shape(value) for name, value in values.items()})
        case Record():
            shapes = _shapes(type)
            return _or_none(lambda record: _record(record, shapes))
        case "number" | "share":
            return _rounded(key)
    return _same


def _or_none(shape: Shape) -> Shape:
    return lambda value: None if value is None else shape(value)


def _unknown(key: str) -> Shape:
    """What the ledger does not declare: every number in it rounded all the same."""
    rounded = _rounded(key)

    def shaped(value: Any) -> Any:
        if isinstance(value, float):
            return rounded(value)
        if isinstance(value, dict):
            return {name: _unknown(name)(inner) for name, inner in value.items()}
        return [shaped(inner) for inner in value] if isinstance(value, list | tuple) else value

    return shaped


def _of_list(key: str, of: Type) -> Shape:
    """The shape of a list: of records one by one, or of `Rows` column by column."""
    inner, record = _shape(key, of), record_of(of)
    facts: dict[str, Fact] = {fact.name: fact for fact in record} if record else {}

    def column(name: str, values: Column) -> Column:
        fact = facts.get(name)
        if isinstance(values, Nested):
            nested = record_of(fact.type) if fact else None
            return Nested(_of_list(name, nested or "object")(values.rows), values.starts)
        if getattr(getattr(values, "dtype", None), "kind", "") == "f":
            return _rounded_column(name, values)
        shape = _shape(name, fact.type) if fact else _unknown(name)
        return values if shape is _same else [value if not value and value != 0 else shape(value) for value in values]

    def shaped(values: Any) -> Any:
        return values.mapped(list(facts), column) if isinstance(values, Rows) else [inner(value) for value in values]

    return shaped


def _record(record: dict[str, Any], shapes: dict[str, Shape]) -> dict[str, Any]:
    ordered = {name: shape(record[name]) for name, shape in shapes.items() if name in record}
    if len(ordered) < len(record):
        ordered.update((name, _unknown(name)(value)) for name, value in record.items() if name not in ordered)
    return ordered


def _rounded(key: str) -> Shape:
    places = decimals(key)

    def rounded(value: float | None) -> float | None:
        if value is None:
            return None
        if not isfinite(value):
            raise ValueError(f"{key} is {value}: a number that does not exist is None")
        return round(value, places) + 0.0  # + 0.0: no "-0.0"

    return rounded


def _rounded_column(key: str, values: Column) -> Column:
    import numpy as np

    return np.round(values, decimals(key)) + 0.0


def _same(value: Any) -> Any:
    return value
