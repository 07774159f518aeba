"""Short keys by which the parts of a page know each other: ``s3`` is the fourth set-up, wherever it is shown."""

from __future__ import annotations

from typing import Any

from heightnet.ledger.thing import Thing

Record = dict[str, Any]


class Keys:
    """Keys of set-ups (s), targets (t) and marks (m) by name; names themselves may hold any character."""

    def __init__(self, facts: Record) -> None:
        self._setups = {r["setup"]: f"s{i}" for i, r in enumerate(facts["setups"])}
        self._targets = {r["target"]: f"t{i}" for i, r in enumerate(facts["targets"])}
        self._marks = {r["mark"]: f"m{i}" for i, r in enumerate(facts["marks"])}
        self._stands: dict[str, list[str]] = {}
        for table, key in (("setups", self.setup), ("targets", self.target)):
            for record in facts[table]:
                for id in (record["hypothesis"], *(r["id"] for r in record["readings"])):
                    if id:
                        self._stands.setdefault(id, []).append(key(record[table[:-1]]))
        self._shots = {r["id"]: r for r in facts["shots"]}
        self._levels = {
            r["id"]: self.join(self.mark(r["from_mark"]), self.mark(r["to_mark"])) for r in facts["levels"]
        } | {r["id"]: self.mark(r["mark"]) for table in ("staff", "known") for r in facts[table]}
        for r in facts.get("gnss", []):
            ends = self.setup(r["from"]), self.setup(r["to"]), self.mark(r["from_mark"]), self.mark(r["to_mark"])
            self._levels[r["id"]] = self.join(*ends)
        self._levels |= {r["id"]: self.mark(r["mark"]) for r in facts.get("separations", [])}

    def setup(self, name: str | None) -> str:
        return self._setups.get(name or "", "")

    def target(self, name: str | None) -> str:
        return self._targets.get(name or "", "")

    def mark(self, name: str | None) -> str:
        return self._marks.get(name or "", "")

    def shot(self, record: Record) -> str:
        return self.join(
            self.setup(record["setup"]),
            self.target(record["target"]),
            self.mark(record["from_mark"]),
            self.mark(record["to_mark"]),
        )

    def about(self, id: str) -> str:
        """The keys that a hypothesis id touches."""
        if id in self._shots:
            return self.shot(self._shots[id])
        setup, target = thing.pair if (thing := Thing.of(id)).kind == "swap" else ("", "")
        ends = self.setup(setup), self.target(target)
        return self.join(*ends, *self._stands.get(id, []), self._levels.get(id, ""))

    @staticmethod
    def join(*keys: str) -> str:
        return " ".join(dict.fromkeys(word for key in keys for word in key.split()))
