"""A stand booked over another mark than it stood on, a sight booked to another target than it went to, a known mark
that was another one in the field."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from heightnet.kinds.cause import Evidence
from heightnet.kinds.kind import Kind, Words
from heightnet.kinds.records import Records
from heightnet.ledger.thing import Thing

if TYPE_CHECKING:
    from heightnet.judge.places import Places


def evidence(records: Records, thing: Thing) -> Evidence:
    return Evidence("misnamed", 0.0)


def lies(places: Places, h: int) -> Iterator[tuple[str, int]]:
    """Of a stand it is one more way to be wrong, of a known mark too; of a sight it is by itself."""
    stand = int(places.family.node[h])
    if stand >= 0 and places.net.nodes.kind[stand] == "mark":
        yield "mark", stand
    elif stand >= 0:
        yield "stand", stand
        yield from (("setup", s) for s in places.setups_at(stand))
        yield from (("target", t) for t in places.targets_at(stand))


KIND = Kind(
    "misnamed", ("misnamed",), (), evidence, lies=lies,
    words={"misnamed": Words("wrong name")},
)  # fmt: skip
"""The judgement makes these itself, of what is in question (`heightnet.judge.names`): their sizes are the job's own."""
