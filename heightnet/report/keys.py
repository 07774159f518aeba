"""Short keys by which the parts of a page know each other: ``s3`` is the fourth set-up, wherever it is shown."""

from __future__ import annotations

from heightnet.ledger.thing import AT_MARKS, ROWS, TABLES, Thing
from heightnet.report.lookup import Lookup
from heightnet.rows import Record

NAMED = {"setup": "s", "target": "t", "from": "s", "to": "s", "from_mark": "m", "to_mark": "m", "mark": "m"}
"""What a record of a row or a mark may name, and which keys it has."""


class Keys:
    """Keys of set-ups (s), targets (t) and marks (m) by name; names themselves may hold any character."""

    def __init__(self, facts: Record) -> None:
        self._keys = {
            table[0]: {record[table[:-1]]: f"{table[0]}{i}" for i, record in enumerate(facts[table])}
            for table in ("setups", "targets", "marks")
        }
        self._stands: dict[str, list[str]] = {}
        for kind in ("setup", "target"):
            for record in facts[TABLES[kind]]:
                for id in filter(None, (record["hypothesis"], *(r["id"] for r in record["readings"]))):
                    self._stands.setdefault(id, []).append(self._keys[kind[0]][record[kind]])
        self._rows = Lookup([facts.get(TABLES[kind], []) for kind in (*ROWS, *AT_MARKS)], "id")

    def setup(self, name: str | None) -> str:
        return self._keys["s"].get(name or "", "")

    def target(self, name: str | None) -> str:
        return self._keys["t"].get(name or "", "")

    def stand(self, record: Record) -> str:
        """The key of the set-up or target that a record is of."""
        return self.setup(record["setup"]) if "setup" in record else self.target(record["target"])

    def mark(self, name: str | None) -> str:
        return self._keys["m"].get(name or "", "")

    def of(self, record: Record) -> str:
        """Of all that a record names."""
        return self.join(*(self._keys[key].get(record.get(column) or "", "") for column, key in NAMED.items()))

    def about(self, id: str) -> str:
        """The keys that a hypothesis id touches."""
        if id in self._rows:
            return self.of(self._rows[id])
        pair = zip(("setup", "target"), thing.pair, strict=True) if (thing := Thing.of(id)).kind == "swap" else ()
        return self.join(self.of(dict(pair)), *self._stands.get(id, []))

    @staticmethod
    def join(*keys: str) -> str:
        return " ".join(dict.fromkeys(word for key in keys for word in key.split()))
