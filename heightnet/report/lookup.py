"""Finding the record behind an id among tables that may hold a million of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property
from itertools import chain
from typing import Any

from heightnet.ledger.thing import STANDS, TABLES, kind_of
from heightnet.rows import Nested, Record, Rows, column


class Lookup(Mapping[str, Record]):
    """Records of some tables by the value of one key; the first table that has it wins.  Sorted out when first asked.

    >>> Lookup(([{"mark": "A", "height_m": 1.5}],), "mark")["A"]["height_m"]
    1.5
    """

    def __init__(self, tables: Sequence[Sequence[Record]], key: str) -> None:
        self.tables, self.key = tables, key

    @cached_property
    def _place(self) -> dict[str, tuple[int, int]]:
        found: dict[str, tuple[int, int]] = {}
        for number in reversed(range(len(self.tables))):
            values = column(self.tables[number], self.key)
            found.update((value, (number, i)) for i, value in enumerate(values) if value is not None)
        return found

    def __getitem__(self, value: str) -> Record:
        table, row = self._place[value]
        return self.tables[table][row]

    def __iter__(self) -> Iterator[str]:
        return iter(self._place)

    def __len__(self) -> int:
        return len(self._place)


class Register(Mapping[str, Record]):
    """Every record that has an id, by that id: hypotheses, and the readings behind heights."""

    def __init__(self, facts: Mapping[str, Any]) -> None:
        heights = Lookup((facts["setups"], facts["targets"]), "hypothesis")
        self._of = {kind: Lookup((facts.get(table, []),), "id") for kind, table in TABLES.items()}
        self._of |= dict.fromkeys(STANDS, heights)
        self._of["reading"] = Lookup([_readings(facts[table]) for table in ("setups", "targets")], "id")
        self._lookups = [self._of[kind] for kind in (*TABLES, "reading") if kind != "target"]

    def __getitem__(self, id: str) -> Record:
        return self._of[kind_of(id)][id]

    def __iter__(self) -> Iterator[str]:
        return chain.from_iterable(self._lookups)

    def __len__(self) -> int:
        return sum(map(len, self._lookups))

    def with_verdict(self, verdict: str) -> list[tuple[str, Record]]:
        """Ids and records of that verdict."""
        found: dict[str, Record] = {}
        for lookup in self._lookups:
            for table in lookup.tables:
                ids, verdicts = column(table, lookup.key), column(table, "verdict")
                at = [i for i, one in enumerate(verdicts) if one == verdict and ids[i] is not None]
                found.update((ids[i], lookup[ids[i]]) for i in at if ids[i] not in found)
        return list(found.items())


def _readings(stands: Sequence[Record]) -> Sequence[Record]:
    """The readings of some stands."""
    if isinstance(stands, Rows) and isinstance(nested := stands.columns["readings"], Nested):
        return nested.rows
    return [reading for stand in stands for reading in stand["readings"]]
