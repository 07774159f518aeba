"""The kinds there are, in their order; a kind of one's own is registered, and its contract checked then."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields
from importlib import import_module
from string import Formatter
from typing import TYPE_CHECKING

from heightnet.kinds import (
    ADDED,
    gnss,
    group,
    height,
    known,
    level,
    local,
    misnamed,
    moved,
    separation,
    sight,
    source,
    spell,
    staff,
)
from heightnet.kinds.kind import OUTSIDE, SIGHT, TAPE, Kind, Shared
from heightnet.ledger import recorded, results, thing
from heightnet.ledger.record import Fact
from heightnet.ledger.settings import Rates
from heightnet.ledger.thing import Thing

if TYPE_CHECKING:
    from heightnet.kinds.sequence import Sequence
    from heightnet.network.model import Network

KINDS: dict[str, Kind] = {
    module.KIND.name: module.KIND
    for module in (height, sight, known, level, staff, gnss, separation, group, spell, local, moved, source, misnamed)
}
"""By name; hypotheses stand in this order."""

KNOWLEDGE = ("refraction", "index", "separations")
FIRST_KNOWLEDGE = 100  # code of the first of them


def of_blunder(name: str) -> Kind:
    """The kind that makes hypotheses of this name."""
    return next(kind for kind in KINDS.values() if name in (*kind.blunders, kind.pair))


def common_error(name: str) -> Shared:
    """What a common error of this kind is."""
    found = next((kind.shared[name] for kind in KINDS.values() if name in kind.shared), None)
    if found is None:
        raise ValueError(f"no kind says in `shared` what the common error {name!r} is")
    return found


def shared_by(thing: Thing) -> Shared:
    """What those have in common that are wrong together (`heightnet.ledger.thing.TOGETHER`)."""
    return common_error(thing.common[0] or (thing.names[0] if thing.kind == "local" else thing.kind))


def sequences_of(net: Network) -> Iterator[Sequence]:
    """What was used one time after the other, or read one above the other, of every kind."""
    for kind in KINDS.values():
        if kind.sequences:
            yield from kind.sequences(net)


def observed() -> list[Kind]:
    """Kinds with observations of their own, in the order of a network's rows: what was known beforehand comes first."""
    return sorted((kind for kind in KINDS.values() if kind.edges), key=lambda kind: kind.scatter != OUTSIDE)


def code_of(name: str) -> int:
    """Of the observations of a kind, or of what is known beforehand of a nuisance."""
    if name in KNOWLEDGE:
        return FIRST_KNOWLEDGE + KNOWLEDGE.index(name)
    return [kind.name for kind in observed()].index(name)


def register(kind: Kind) -> None:
    """Add a kind whose observations are the rows of a table of its own; it comes last.

    Raises ValueError that says everything the kind lacks, or that others have already.
    """
    if problems := list(_problems(kind)):
        raise ValueError(f"the kind {kind.name!r} cannot be registered: {'; '.join(problems)}")
    KINDS[kind.name] = kind
    assert kind.recorded
    recorded.declare(kind.recorded)
    results.declare(
        Fact(kind.table, results.observed(*kind.record, error=kind.error), kind.words[kind.name].many, required=False),
        after="separation_model",
    )
    ADDED.append(kind.evidence.__module__)
    thing.ROWS.append(kind.name)
    thing.OBSERVED.append(kind.name)
    thing.TABLES[kind.name] = kind.table


def unregister(name: str) -> None:
    """Forget a kind that was registered."""
    table = thing.TABLES.pop(name)
    ADDED.remove(KINDS[name].evidence.__module__)
    del KINDS[name], recorded.TABLES[table], results.PARTS[table]
    thing.ROWS.remove(name)
    thing.OBSERVED.remove(name)


def learn(module: str) -> None:
    """Register the ``KIND`` of a module, once."""
    if module not in ADDED:
        register(import_module(module).KIND)


def _problems(kind: Kind) -> Iterator[str]:
    """What keeps a kind from being registered, each in a few words."""
    for what in ("edges", "recorded", "table", "rate", "record", "causes"):
        if not getattr(kind, what):
            yield f"no {what}"
    if getattr(import_module(kind.evidence.__module__), "KIND", None) != kind:
        yield "it is not the KIND of the module that its evidence is in, where other processes look for it"
    if kind.blunders != (kind.name,):
        yield f"its one blunder is not {kind.name!r}: each row is wrong by itself"
    taken = {*KINDS, *thing.TABLES, *(name for one in KINDS.values() for name in (*one.blunders, one.pair))}
    yield from (f"there is a kind {name!r} already" for name in (kind.name, kind.pair) if name in taken - {""})
    if kind.table in {*recorded.TABLES, *results.PARTS}:
        yield f"there is a table {kind.table!r} already"
    if kind.common and not kind.shared:
        yield "its common errors are not in `shared`"
    others = {name for one in KINDS.values() for name in one.shared}
    yield from (f"there is a common error {name!r} already" for name in kind.shared if name in others)
    yield from (f"the common error {name!r} lacks words" for name, s in kind.shared.items() if not all(s[:3]))
    yield from (f"no noun for {name!r}" for name, words in kind.words.items() if not words.noun)
    if kind.line and len(kind.line) != 3:
        yield "its line is not two marks and a length"
    yield from (
        f"its line goes by {name!r}, which is no column of marks" for name in kind.line[:2] if name not in kind.marks
    )
    names = [fact.name for fact in kind.record]
    yield from (f"the key {name!r} is there twice" for name in sorted({n for n in names if names.count(n) > 1}))
    held = kind.recorded.held if kind.recorded else {}
    if kind.recorded and kind.recorded.name != kind.table:
        yield f"its table is {kind.table!r}, what it records is {kind.recorded.name!r}"
    yield from (f"{kind.table!r} has no column {name!r}" for name in kind.marks if name not in held)
    if not kind.told:
        untold = [fact.name for fact in kind.record if fact.name.removesuffix("_m") not in held]
        yield from (f"nothing tells {key!r}" for key in untold)
    if kind.rate and kind.rate not in {field.name for field in fields(Rates)}:
        yield f"there is no setting rates.{kind.rate}"
    if kind.scatter not in (OUTSIDE, TAPE, SIGHT):
        yield f"a scatter {kind.scatter!r} is not known"
    yield from (f"an edge has no {end!r}" for end in kind.at_marks if end not in ("tail", "head"))
    yield from (f"no words for {name!r}" for name in (kind.name, kind.pair) if name and name not in kind.words)
    keys = {"id", "file", "row", *(fact.name for fact in kind.record)}
    yield from (f"its line speaks of {name!r}, its record does not" for name in kind.line if name and name not in keys)
    if kind.value not in keys:
        yield f"its value is {kind.value!r}, which its record has not"
    for words in kind.words.values():
        wanted = {name for _, name, _, _ in Formatter().parse(words.row) if name}
        yield from (f"its words speak of {name!r}, its record does not" for name in sorted(wanted - keys))
    causes = [cause.key for cause in kind.causes]
    yield from (f"the cause {key!r} is there twice" for key in sorted({key for key in causes if causes.count(key) > 1}))
