"""What a wrong value does to sound observations around it: their residuals as recorded, and once it is left out."""

from __future__ import annotations

from heightnet.report.claims import claim
from heightnet.report.keys import Keys
from heightnet.report.words import Words
from heightnet.rows import Record

ACCUSED = ("suspect", "either")
FAR = 3.0  # standard deviations of an observation from which its residual asks for a word
FELT = 0.5  # of a residual: what is left of it once the wrong value is out, for the wrong value to be the reason


class Spoilt:
    """Residuals under the likeliest explanation, and which value spoils an observation that is sound."""

    def __init__(self, words: Words, keys: Keys) -> None:
        self.words, self.keys = words, keys
        facts = words.facts
        likeliest = facts["explanations"][0] if facts["explanations"] and facts["findings"] else {"members": []}
        self.then: dict[str, float] = likeliest["residuals_mm"] if likeliest["members"] else {}
        named = [f["id"] for f in facts["findings"] if f["named"]]
        self._touching = {id: _stands(keys.about(id)) for id in named}

    def by(self, record: Record) -> str:
        """ "spoilt by S4", "spoilt" where it could be by several, "" for what is accused itself or fits."""
        now, then, sd = record["residual_mm"], self.then.get(record["id"]), record["sd_mm"]
        if now is None or then is None or not sd or record["verdict"] in ACCUSED:
            return ""
        if abs(now) <= FAR * sd or abs(then) > FELT * abs(now):
            return ""
        if not self._touching:
            return "spoilt"
        own = _stands(self.keys.about(record["id"]))
        touching = [id for id, stands in self._touching.items() if stands & own] or list(self._touching)
        return f"spoilt by {self.words.row(touching[0])}" if len(touching) == 1 else "spoilt"

    def residual(self, record: Record) -> str:
        """The residual as a cell: "spoilt by S4 −73.2"."""
        column = self.words.lengths.column
        by = self.by(record)
        if not by:
            return column(record["residual_mm"])
        return f"{by} {claim(record['id'], 'residual_mm', record['residual_mm'], column(record['residual_mm']))}"

    def afterwards(self, record: Record) -> float | None:
        return self.then.get(record["id"])


def _stands(about: str) -> set[str]:
    """Keys of set-ups and targets among some keys."""
    return {key for key in about.split() if key[0] in "st"}
