"""Doubts of reading that touch what a task says: they stand above its verdict.

A doubt touches a verdict if its row is about a thing that the verdict names, or that this thing hangs on: the mark
under a set-up, the ends of a sight.  Of a job of which no part is named all of it is meant.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from heightnet.job.model import Job
from heightnet.job.problems import Note
from heightnet.ledger.settings import BY_NAME
from heightnet.ledger.thing import ROWS, STANDS, TABLES, Thing
from heightnet.rows import Record

Token = tuple[str, object]
"""A kind of thing and a name, or a file and a row."""

ABOUT = {
    "marks": {"mark": "mark"},
    "setups": {"setup": "setup", "tripod": "tripod", "instrument": "equipment"},
    "targets": {"target": "target", "tripod": "tripod", "equipment": "equipment"},
    "shots": {"setup": "setup", "target": "target"},
    "levels": {"from_mark": "mark", "to_mark": "mark"},
    "staff": {"level_setup": "level_setup", "mark": "mark"},
    "gnss": {"from_setup": "setup", "to_setup": "setup"},
    "equipment": {"equipment": "equipment"},
}
"""What a row of each table is about: its columns, and the kind of thing that each names."""
UNDER = ("setups", "targets")
"""Tables whose rows hang on a mark that they name."""


def read_with_doubt(job: Job, ids: Iterable[str] | None) -> Record:
    """``read_with_doubt``: the doubts, as in ``notes``, that touch some things; nothing where none does.

    ids : of what is named; None: all of the job.
    """
    notes = [note for note in job.notes if note.kind == "doubt" and note.file]
    if not notes:
        return {}
    named = None if ids is None else {token for id_ in ids for token in _named(job, Thing.of(id_))}
    touching = [note for note in notes if _touches(job, note, named)]
    records = [{"kind": n.kind, "text": n.text, "file": n.file, "row": n.row} for n in touching]
    return {"read_with_doubt": records} if records else {}


def _touches(job: Job, note: Note, named: set[Token] | None) -> bool:
    if note.text.partition(" ")[0] in BY_NAME:  # a setting: everything is judged with it
        return True
    if note.row is None or note.file not in job.files.values():
        return False
    return named is None or not named.isdisjoint(_of_row(job, note.file, note.row))


def _of_row(job: Job, file: str, row: int) -> Iterator[Token]:
    """What a row of a file is about."""
    yield file, row
    for table, at in job.files.items():
        if at == file and table in ABOUT:
            yield from _cells(job, table, "row", row, ABOUT[table])
    if file == job.files["tape"]:
        yield from _taped(job, row)


def _taped(job: Job, row: int) -> Iterator[Token]:
    """The stands of a tape reading."""
    read = job.tape[job.tape["row"] == row]
    yield from zip(read["stand_kind"].tolist(), read["stand"].tolist(), strict=True)


def _cells(job: Job, table: str, column: str, value: object, of: dict[str, str]) -> Iterator[Token]:
    frame = job.tables[table]
    rows = frame[frame[column] == value]
    for name, kind in of.items():
        yield from ((kind, text) for text in rows[name].tolist() if text)


def _named(job: Job, thing: Thing) -> Iterator[Token]:
    """What an id names, and the marks, set-ups and targets that a sentence about it names as well."""
    if thing.row:
        yield thing.file, thing.row
        table = TABLES.get(thing.kind, "") if thing.kind in ROWS else ""
        yield from _cells(job, table, "row", thing.row, ABOUT[table]) if table in ABOUT else ()
        yield from _taped(job, thing.row) if thing.file == job.files["tape"] else ()
    elif thing.kind in STANDS:
        yield thing.kind, thing.name
        for table in UNDER:
            if thing.kind in ABOUT[table].values():
                own = {"mark": "mark", table[:-1]: table[:-1], "tripod": "tripod"}
                yield from _cells(job, table, thing.kind, thing.name, own)
    elif thing.kind in ("known", "mark", "separation"):
        yield "mark", thing.name
    elif thing.kind == "swap":
        yield from zip(("setup", "target"), thing.pair, strict=True)
    elif thing.kind in ("exchange", "pointing"):
        yield "level_setup", thing.pair[0]
    elif thing.common[1]:
        yield "equipment", thing.common[1]
    else:  # of several names some are marks, stands or equipment
        yield from ((kind, name) for name in thing.names for kind in ("setup", "target", "mark", "equipment") if name)
