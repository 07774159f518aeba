"""What began or ended at some moment: between which uses, and which of them are wrong or perhaps so."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from heightnet.arrays import Floats, Ints
from heightnet.judge.judgement import Finding
from heightnet.judge.places import EVENT, Key
from heightnet.kinds import moved
from heightnet.kinds.sequence import Sequence
from heightnet.ledger.results import PERHAPS, SURE

if TYPE_CHECKING:
    from heightnet.tasks.facts import JobFacts

Record = dict[str, Any]

HOLDS = 0.95  # probability of the range of moments that is told


class Moments(NamedTuple):
    """The moments of an event as a finding has them.

    uses : of the thing, one after the other.
    first, last : (k,) ranks of the first and the last wrong use; share : (k,) probability given the event.
    total : probability of the event.
    """

    uses: Sequence
    first: Ints
    last: Ints
    share: Floats
    total: float

    @property
    def wrong(self) -> Floats:
        """(moments,) probability that the uses of each are wrong, given the event."""
        at = np.arange(int(self.uses.rank.max()) + 1)[:, None]
        return np.asarray(((at >= self.first) & (at <= self.last)) @ self.share)


def event(facts: JobFacts, finding: Finding, key: Key) -> Record | None:
    """``findings[].event`` of results.json; None where nothing began or ended."""
    found = _moments(facts, finding, key)
    if found is None:
        return None
    end = int(found.uses.rank.max())
    began, ended = _range(found.first, found.share), _range(found.last, found.share)
    return {
        "order": found.uses.by,
        "began": None if began[1] == 0 else _between(facts, found.uses, began[0] - 1, began[1]),
        "ended": None if ended[0] == end else _between(facts, found.uses, ended[0], ended[1] + 1),
        "uses": _told(facts, found),
    }


def event_parts(facts: JobFacts, finding: Finding, key: Key) -> tuple[set[int], set[int]] | None:
    """Heights and sights that an event makes wrong, and those that it makes so perhaps; None where nothing began."""
    found = _moments(facts, finding, key)
    if found is None:
        return None
    of_row = found.wrong[found.uses.rank]
    sure, perhaps = of_row >= SURE, (of_row >= PERHAPS) & (of_row < SURE)
    return facts.touching(found.uses.rows[sure]), facts.touching(found.uses.rows[perhaps])


def event_shares(facts: JobFacts, finding: Finding) -> dict[int, float]:
    """Probability that an event of a finding makes each height and sight wrong, over all of its moments."""
    out: dict[int, float] = {}
    keys = {facts.bench.places.key_of(m.hypothesis) for m in finding.members}
    for key in sorted(keys):
        if found := _moments(facts, finding, key):
            for rank, p in enumerate((found.total * found.wrong).tolist()):
                for h in facts.touching(found.uses.rows[found.uses.rank == rank]):
                    out[h] = max(out.get(h, 0.0), p)
    return out


def _moments(facts: JobFacts, finding: Finding, key: Key) -> Moments | None:
    held = [m for m in finding.members if facts.bench.places.key_of(m.hypothesis) == key]
    if key[0] != EVENT or not held:
        return None
    uses = _uses(facts, held[0].hypothesis)
    rank_of = {name: rank for name, rank in zip(uses.called.tolist(), uses.rank.tolist(), strict=True)}
    ends = []
    for member in held:
        thing = facts.family.thing(member.hypothesis)
        begins, stops = thing.names[2:4] if thing.kind != "group" else ("", "")
        ends.append((rank_of[begins] if begins else 0, rank_of[stops] if stops else int(uses.rank.max())))
    first, last = np.array(ends).T
    share = np.array([m.probability for m in held])
    return Moments(uses, first, last, share / share.sum(), float(share.sum()))


def _uses(facts: JobFacts, h: int) -> Sequence:
    """The uses of the thing that an event is about."""
    thing = facts.family.thing(h)
    if thing.kind == "moved":
        return moved.sights_of(facts.net, *thing.names[:2])
    return facts.sequences[thing.common]


def _range(moments: Ints, share: Floats) -> tuple[int, int]:
    """The fewest neighbouring moments that hold the event's beginning or end, of equal ranges the likeliest."""
    held = np.bincount(moments, weights=share)
    upto = np.concatenate([[0.0], np.cumsum(held)])
    n = len(held)
    ranges = [(b - a, -round(upto[b + 1] - upto[a], 9), a, b) for a in range(n) for b in range(a, n)
              if upto[b + 1] - upto[a] >= HOLDS]  # fmt: skip
    return min(ranges)[2:]


def _told(facts: JobFacts, found: Moments) -> list[Record]:
    """Each use once, in their order."""
    uses, out = found.uses, dict[tuple[str, str | None], Record]()
    order = np.argsort(uses.rank, kind="stable")
    for i in order.tolist():
        use = _use_at(facts, uses, i)
        out.setdefault((use["id"], use["when"]), {**use, "probability": float(found.wrong[uses.rank[i]])})
    return list(out.values())


def _between(facts: JobFacts, uses: Sequence, after: int, before: int) -> Record:
    """The last use before a range of moments and the first one after it; null where there is none."""
    return {"after": _use(facts, uses, after, -1), "before": _use(facts, uses, before, 0)}


def _use(facts: JobFacts, uses: Sequence, rank: int, which: int) -> Record | None:
    at = np.flatnonzero(uses.rank == rank)
    return _use_at(facts, uses, int(at[which])) if len(at) else None


def _use_at(facts: JobFacts, uses: Sequence, i: int) -> Record:
    return {"id": facts.observation_ids(uses.rows[[i]])[0], "when": str(uses.when[i]) or None}
