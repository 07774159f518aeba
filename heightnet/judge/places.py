"""Where a blunder may lie, in the places a person would point at.

A thing (a stand's height with its readings, one sight, one known height ...), everything at a set-up, a target with
its sights, a mark with what stands on it, a section of levelling, a class that nothing tells apart.  The smallest place
that holds a slot's probability is what is told; where none is smaller than the list of its classes, the list is.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from heightnet.arrays import Ints
from heightnet.judge.family import Family
from heightnet.kinds.kind import Kind
from heightnet.kinds.registry import observed, of_blunder
from heightnet.ledger.thing import AT_MARKS, EXCHANGED, MISNAMED, POINTING, TAPED
from heightnet.network.model import Network
from heightnet.network.runs import Chain, chains_of, level_legs, permanent_marks, sections_of, staff_legs

Key = tuple[str, int]

STAND, EVENT, OTHER = "stand", "event", "other"


@dataclass(frozen=True)
class Place:
    """A set of hypotheses with a name.

    kind : "thing", "setup", "target", "mark", "section", "class", "alike" or "list".
    subject : of a thing its key; of the others the position of the set-up, target or section in its table, the node of
        the mark, or -1.
    hypotheses : rising.
    """

    kind: str
    subject: Key | int
    hypotheses: frozenset[int]


@dataclass(frozen=True)
class Section:
    """A stretch of levelling between two marks that last, levelled in one run, or in all of them (run None)."""

    from_mark: str
    to_mark: str
    run: str | None
    setups: float


class Places:
    """What belongs together in one job; asked for the neighbourhood of single hypotheses."""

    def __init__(self, net: Network, family: Family) -> None:
        self.net, self.family = net, family

    # ---- things ----

    def key_of(self, h: int) -> Key:
        """The thing a hypothesis is about: a stand for its heights and readings, an event for its moments, else the
        hypothesis itself."""
        if self.family.kind[h] in TAPED:
            return STAND, int(self.family.node[h])
        if self.family.event[h] >= 0:
            return EVENT, int(self.family.event[h])
        return OTHER, int(h)

    def thing(self, key: Key) -> Ints:
        """The hypotheses of a thing; swaps of a stand are things of their own."""
        kind, at = key
        if kind == EVENT:
            return np.flatnonzero(self.family.event == at)
        return self._of_node(self._heights, at) if kind == STAND else np.array([at], dtype=np.int64)

    def other_ways(self, node: int) -> list[int]:
        """Hypotheses of their own that a stand is wrong in another way than its height: swaps, wrong names, all
        readings to one point of it."""
        return self._ways.get(node, [])

    def stands_of_swap(self, h: int) -> list[int]:
        return sorted({int(n) for n in self.net.head[self.family.members(h)]})

    def size(self, place: Place) -> int:
        """How many hypotheses a place holds, all moments of an event for one; two values in each other's place, wrong
        names and all readings to one point are about what is counted already, a reading about the sight to a staff that
        it belongs to where that is there too."""
        of, again = self.family, {*EXCHANGED, MISNAMED}
        counted = [h for h in place.hypotheses if of.kind[h] not in again and (of.kind[h] != "local" or of.node[h] < 0)]
        counted = [h for h in counted if self._pointing_of.get(h, -1) not in place.hypotheses]
        events = [int(self.family.event[h]) for h in counted if self.family.event[h] >= 0]
        return len(counted) - len(events) + len(set(events))

    # ---- places ----

    def around(self, hypotheses: Iterable[int]) -> Iterator[Place]:
        """Every place that holds one of these, each once."""
        seen: set[tuple[str, Key | int]] = set()
        for h in hypotheses:
            for kind, subject in self._subjects(int(h)):
                if (kind, subject) not in seen:
                    seen.add((kind, subject))
                    yield Place(kind, subject, frozenset(self._members(kind, subject)))

    def _subjects(self, h: int) -> Iterator[tuple[str, Key | int]]:
        yield "thing", self.key_of(h)
        of = of_blunder(str(self.family.kind[h]))
        for kind, subject in of.lies(self, h) if of.lies else self._usually(of, h):
            yield (kind, subject) if kind != STAND else ("thing", (STAND, subject))

    def _usually(self, kind: Kind, h: int) -> Iterator[tuple[str, int]]:
        node, observation = int(self.family.node[h]), int(self.family.observation[h])
        if node >= 0:
            yield "mark", node
        elif observation >= 0:
            yield from (("mark", int(getattr(self.net, end)[observation])) for end in kind.at_marks)
        yield from (("section", i) for i in self._sections_of.get(h, ()))

    def _members(self, kind: str, subject: Key | int) -> Iterable[int]:
        if kind == "thing":
            assert isinstance(subject, tuple)
            return self.thing(subject).tolist() + (self.other_ways(subject[1]) if subject[0] == STAND else [])
        assert isinstance(subject, int)
        return {"setup": self._of_setup, "target": self._of_target, "mark": self._of_mark,
                "section": self._of_section}[kind](subject)  # fmt: skip

    def _of_stand(self, node: int) -> set[int]:
        of = self._of_node
        return {*of(self._heights, node).tolist(), *of(self._moved, node).tolist(), *self.other_ways(node)}

    def _of_setup(self, s: int) -> set[int]:
        """Its height, its sights, and the heights of targets that only it sighted."""
        net = self.net
        out = self._of_stand(int(net.setup_node[s]))
        shots = self._at(self._shots_from, s)
        out |= set(self._of_observation[net.rows("shot").start + np.array(shots, dtype=np.int64)].tolist())
        for t in {int(net.shot_target[i]) for i in shots}:
            if self.only_setup(t):
                out |= self._of_stand(int(net.target_node[t]))
        return out

    def _of_target(self, t: int) -> set[int]:
        """Its height and its sights."""
        net = self.net
        shots = np.array(self._at(self._shots_to, t), dtype=np.int64)
        return self._of_stand(int(net.target_node[t])) | set(
            self._of_observation[net.rows("shot").start + shots].tolist()
        )

    def _of_mark(self, node: int) -> set[int]:
        """Its known height and separation, the heights that stand on it, the sights to it, what else was read on it."""
        out = {*self._of_node(self._marks, node).tolist(), *self.other_ways(node)}
        for stand in self._at(self._stands_on, node):
            out |= self._of_stand(stand)
            for t in self.targets_at(stand):
                out |= self._of_target(t)
        for first, table in self._on_marks:
            out |= set(self._of_observation[first + np.array(self._at(table, node), dtype=np.int64)].tolist())
        return out

    def _of_section(self, i: int) -> set[int]:
        return self._sections[i][1]

    def section(self, i: int) -> Section:
        return self._sections[i][0]

    def setups_at(self, stand: int) -> list[int]:
        return self._at(self._setups_at, stand)

    def targets_at(self, stand: int) -> list[int]:
        return self._at(self._targets_at, stand)

    def only_setup(self, t: int) -> list[int]:
        """The one set-up that sighted a target, [] where several did."""
        setups = {int(self.net.shot_setup[i]) for i in self._at(self._shots_to, t)}
        return list(setups) if len(setups) == 1 else []

    # ---- what lies where ----

    @staticmethod
    def _sorted(keys: Ints) -> tuple[Ints, Ints]:
        order = np.argsort(keys, kind="stable")
        return order, keys[order]

    @staticmethod
    def _at(table: tuple[Ints, Ints], key: int) -> list[int]:
        """Positions with this key, rising."""
        order, keys = table
        first, last = np.searchsorted(keys, [key, key + 1])
        return order[first:last].tolist()  # type: ignore[no-any-return]

    def _of_node(self, table: tuple[Ints, Ints, Ints], node: int) -> Ints:
        hypotheses, order, nodes = table
        return np.sort(hypotheses[self._at((order, nodes), node)])

    def _by_node(self, kinds: tuple[str, ...]) -> tuple[Ints, Ints, Ints]:
        h = np.flatnonzero(self.family.of(*kinds))
        return (h, *self._sorted(self.family.node[h]))

    @cached_property
    def _heights(self) -> tuple[Ints, Ints, Ints]:
        return self._by_node(TAPED)

    @cached_property
    def _moved(self) -> tuple[Ints, Ints, Ints]:
        return self._by_node(("moved",))

    @cached_property
    def _marks(self) -> tuple[Ints, Ints, Ints]:
        return self._by_node(AT_MARKS)

    @cached_property
    def _ways(self) -> dict[int, list[int]]:
        out: dict[int, list[int]] = {}
        for h in np.flatnonzero(self.family.of("swap")).tolist():
            for node in self.stands_of_swap(h):
                out.setdefault(node, []).append(h)
        for h in np.flatnonzero(self.family.of(MISNAMED, "local") & (self.family.node >= 0)).tolist():
            out.setdefault(int(self.family.node[h]), []).append(h)
        return out

    @cached_property
    def _shots_from(self) -> tuple[Ints, Ints]:
        return self._sorted(self.net.shot_setup)

    @cached_property
    def _shots_to(self) -> tuple[Ints, Ints]:
        return self._sorted(self.net.shot_target)

    @cached_property
    def _setups_at(self) -> tuple[Ints, Ints]:
        return self._sorted(self.net.setup_node)

    @cached_property
    def _targets_at(self) -> tuple[Ints, Ints]:
        return self._sorted(self.net.target_node)

    @cached_property
    def _stands_on(self) -> tuple[Ints, Ints]:
        return self._sorted(self.net.nodes.mark)

    @cached_property
    def _on_marks(self) -> list[tuple[int, tuple[Ints, Ints]]]:
        """First row and marks of the observations that belong to the mark at one of their ends."""
        ends = [(self.net.rows(kind.name), end) for kind in observed() for end in kind.at_marks]
        return [(rows.start, self._sorted(getattr(self.net, end)[rows])) for rows, end in ends]

    @cached_property
    def _of_observation(self) -> Ints:
        """(m,) the hypothesis of each observation by itself, -1 where it has none."""
        family = self.family
        out = np.full(len(self.net.y), -1, dtype=np.int64)
        own = ~family.of(*TAPED) & (family.observation >= 0)
        out[family.observation[own]] = np.flatnonzero(own)
        return out

    @cached_property
    def _sections(self) -> list[tuple[Section, set[int]]]:
        """Stretches of levelling, each run by itself, and where there are several runs all of them together."""
        job = self.net.job
        if not len(job.staff) and not len(job.levels):
            return []
        at = {str(id_): h for h, id_ in enumerate(self.family.ids) if self.family.kind[h] in ("staff", "level")}
        exchanges = {str(self.family.ids[h]): h for h in np.flatnonzero(self.family.of("exchange", POINTING)).tolist()}
        chains = chains_of(staff_legs(job)[0]) + chains_of(level_legs(job))
        uses = Counter(point for chain in chains for point in {leg.end for leg in chain.legs} | {chain.start})
        junctions = {point for point, count in uses.items() if count > 1}
        out: list[tuple[Section, set[int]]] = []
        for (start, end), parts in sections_of(chains, permanent_marks(job) | junctions).items():
            each = [self._of_chain(part, at, exchanges) for part in parts]
            for part, inside in zip(parts, each, strict=True):
                out.append((Section(start, end, part.run if len(parts) > 1 else None, part.setups), inside))
            if len(parts) > 1:
                out.append((Section(start, end, None, min(p.setups for p in parts)), set().union(*each)))
        for _, inside in out:
            inside |= self._spells_within(inside)
        return out

    def _spells_within(self, hypotheses: set[int]) -> set[int]:
        """What began at some reading, all of them among those of a stretch."""
        observed = np.zeros(len(self.net.y), dtype=bool)
        observed[[o for o in self.family.observation[sorted(hypotheses)] if o >= 0]] = True
        return {h for h in self._spells if observed[self.family.members(h)].all()}

    @cached_property
    def _pointing_of(self) -> dict[int, int]:
        """The sight to a staff, as a hypothesis, to which a reading belongs, of those with several readings."""
        pointings = np.flatnonzero(self.family.of(POINTING)).tolist()
        of = self._of_observation if pointings else None
        return {int(of[o]): p for p in pointings for o in self.family.members(p).tolist()} if of is not None else {}

    @cached_property
    def _spells(self) -> list[int]:
        return np.flatnonzero(self.family.of("spell")).tolist()

    @staticmethod
    def _of_chain(chain: Chain, at: dict[str, int], exchanges: dict[str, int]) -> set[int]:
        return {at[id_] for id_ in chain.ids} | {exchanges[id_] for id_ in chain.together if id_ in exchanges}

    @cached_property
    def _sections_of(self) -> dict[int, list[int]]:
        out: dict[int, list[int]] = {}
        for i, (_, hypotheses) in enumerate(self._sections):
            for h in hypotheses:
                out.setdefault(h, []).append(i)
        return out
