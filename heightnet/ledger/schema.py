"""JSON Schema (2020-12) of what the ledger declares."""

from __future__ import annotations

import re
from typing import Any

from heightnet.ledger.archive import ACROSS, ARCHIVE
from heightnet.ledger.record import Fact, Keyed, Many, Maybe, Record, Type, Words
from heightnet.ledger.results import results

Node = dict[str, Any]

DIALECT = "https://json-schema.org/draft/2020-12/schema"
_PLAIN: dict[str, Node] = {
    "text": {"type": "string"},
    "yes": {"type": "boolean"},
    "whole": {"type": "integer"},
    "count": {"type": "integer", "minimum": 0},
    "number": {"type": "number"},
    "share": {"type": "number", "minimum": 0, "maximum": 1},
    "day": {"type": "string", "format": "date"},
    "object": {"type": "object"},
}


def schemas() -> dict[str, Node]:
    """The schema of every file with declared keys, by the name of its own file.

    >>> schemas()["results.schema.json"]["properties"]["schema"]["const"]
    'heightnet-results/2'
    """
    return {
        "results.schema.json": schema(results(), "heightnet results, version 2", id="heightnet-results-2"),
        "archive.schema.json": schema(ARCHIVE, "heightnet archive, version 2", id="heightnet-archive-2"),
        "across.schema.json": schema(ACROSS, "What the jobs of an archive tell together"),
    }


def schema(record: Record, title: str, id: str = "") -> Node:
    """The schema of a whole file; what has a name stands in ``$defs`` once."""
    named: dict[str, Node] = {}
    whole = _record(record, named)
    head = {"$schema": DIALECT, "$id": id, "title": title, "description": record.meaning}
    return {name: said for name, said in head.items() if said} | whole | {"$defs": named}


def _node(type: Type, named: dict[str, Node]) -> Node:
    match type:
        case str():
            return dict(_PLAIN[type])
        case Maybe(of=inner):
            return _or_null(_node(inner, named))
        case Many(of=inner, most=most):
            return {"type": "array", "items": _node(inner, named)} | ({"maxItems": most} if most else {})
        case Keyed(of=inner, names=names):
            of = {"type": "object", "additionalProperties": _node(inner, named)}
            return of | ({"propertyNames": {"enum": list(names)}} if names else {})
        case Words(choices=choices, name=name):
            return _by_name(name, {"enum": list(choices)} if choices[1:] else {"const": choices[0]}, named)
        case Record(name=name):
            if name and name in named:
                return {"$ref": f"#/$defs/{name}"}
            said = {"description": type.meaning} if name and type.meaning else {}
            return _by_name(name, _record(type, named) | said, named)


def _by_name(name: str, node: Node, named: dict[str, Node]) -> Node:
    if not name:
        return node
    if named.setdefault(name, node) != node:
        raise ValueError(f"two things are called {name}")
    return {"$ref": f"#/$defs/{name}"}


def _or_null(node: Node) -> Node:
    if "$ref" in node:
        return {"oneOf": [node, {"type": "null"}]}
    return node | ({"enum": [*node["enum"], None]} if "enum" in node else {"type": [node["type"], "null"]})


def _record(record: Record, named: dict[str, Node]) -> Node:
    return {
        "type": "object",
        "properties": {fact.name: _fact(fact, named) for fact in record},
        "required": [fact.name for fact in record if fact.required],
        "additionalProperties": False,
    }


def _fact(fact: Fact, named: dict[str, Node]) -> Node:
    said = re.sub(r"\[(.*?)\]\(.*?\)", r"\1", fact.said)  # the pages link, a schema does not
    return _node(fact.type, named) | ({"description": said} if said else {})
