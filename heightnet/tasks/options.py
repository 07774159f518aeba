"""What a plan chooses from: each measurement that could be made about some heights, and what it takes."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Collection
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from heightnet.arrays import Floats, Ints
from heightnet.judge.judgement import DOUBT
from heightnet.ledger.thing import TOGETHER
from heightnet.network.model import Network
from heightnet.rows import Record
from heightnet.tasks.facts import JobFacts
from heightnet.tasks.measurements import SIGHTED, Minutes, measurement
from heightnet.tasks.next import (
    CANDIDATES_UP_TO,
    LARGE_M,
    NUMBERS_HELD,
    Candidate,
    candidates,
    occupied_again,
)
from heightnet.tasks.route import Work

POLE = re.compile(r"\b(?:pole|rod|staff)\b", re.IGNORECASE)
PER_STAND = 2  # candidates kept for each stand that is looked at, on average


@dataclass(frozen=True)
class Option:
    """A measurement that could be made, and what it takes."""

    kind: str
    base: Candidate
    minutes: float

    @property
    def work(self) -> Work:
        """Where it is made: a level tie may begin at either mark."""
        both = self.kind == "level_tie"
        return Work((self.base.from_mark, self.base.mark) if both else (self.base.from_mark,))

    def step(self, doubted: Collection[str], **more: Any) -> Record:
        """It as a step of a plan, whose place among the others is not known yet."""
        base = self.base
        told: Record = {
            "finding": None, "pole": base.pole or None, "pole_doubted": base.pole in doubted, "sd_mm": base.sd * 1000,
            "separates": [], "minutes": self.minutes, "proves": [], "proves_kinds": [], "improves": [],
        }  # fmt: skip
        return measurement(0, self.kind, base.stand or None, base.from_mark, base.mark, **{**told, **more})

    @property
    def told(self) -> Record:
        """It by itself, for one that is not made."""
        return {"kind": self.kind, "stand": self.base.stand, "from_mark": self.base.from_mark, "mark": self.base.mark}


def options_of(
    net: Network, nodes: Ints, before: Floats, minutes: Minutes, gone: set[int], distrusted: set[int],
    doubted: Collection[str] = (),
) -> list[Option]:  # fmt: skip
    """Every candidate about these stands with its kind and minutes, the stands with most to hide first.

    A stand whose height is in question, or that was read twice already, gains nothing by one more look at the same
    tape: only another way to its height counts.  Stands that are gone are neither taped nor sighted from.  A height
    that nobody taped has no other scale, and a pole is not taped in parts.

    doubted : poles and prisms that may be wrong themselves: another one is sighted if there is one.
    """
    if not len(nodes):
        return []
    rows = net.rows("height")
    read = np.bincount(net.head[rows], minlength=len(net.nodes))
    order = np.argsort(-np.minimum(before, LARGE_M), kind="stable")
    limit = stands_up_to(net)
    cost = asdict(minutes)
    untaped, on_poles = _untaped(net)
    poles = Poles(net, doubted)
    out: list[Option] = []
    seen: set[tuple[str, int, int]] = set()

    def add(kind: str, base: Candidate) -> None:
        ends = (kind, *sorted((base.tail, base.head))) if kind == "level_tie" else (kind, base.tail, base.head)
        if ends not in seen:
            seen.add(ends)  # type: ignore[arg-type]
            pole = poles.about(base.about) if kind in SIGHTED else ""
            out.append(Option(kind, replace(base, pole=pole), cost[kind]))

    for base in candidates(net, nodes[order][:limit], gone):
        if base.kind in ("second_tape", "in_parts"):
            once = replace(base, sd=net.job.settings.precision.tape_mm / 1000)
            if base.head not in distrusted:
                if read[base.head] < 2 and base.head not in untaped:
                    add("other_scale", once)
                if base.kind == "second_tape":
                    add("other_person", once)
            if base.head not in on_poles:
                add("in_parts", replace(once, sd=once.sd * np.sqrt(2)))
        else:
            add(base.kind, base)
            at = int(net.nodes.mark[base.tail])
            if base.kind in ("check_shot", "pole_shot") and at >= 0 and at != base.head:
                add("reoccupation", occupied_again(net, base))
    return out[: PER_STAND * limit]


class Poles:
    """The poles and prisms that there are: those of the job's targets, most used first, then what else is listed."""

    def __init__(self, net: Network, doubted: Collection[str]) -> None:
        targets, listed = net.job.targets, net.job.equipment
        self.own: dict[int, set[str]] = {}
        for node, name in zip(net.target_node.tolist(), targets["equipment"].tolist(), strict=True):
            self.own.setdefault(node, set()).add(name)
        used = Counter(name for name in targets["equipment"].tolist() if name)
        more = listed["equipment"][listed["carries"] == "target"].tolist()
        self.names = list(dict.fromkeys([*(name for name, _ in used.most_common()), *more]))
        self.doubted = set(doubted)

    def about(self, node: int) -> str:
        """What to sight in order to test the height of a stand: nothing in doubt, and not what stood there itself; ""
        where nothing is named."""
        own = self.own.get(node, set())
        return min(self.names, key=lambda name: (name in self.doubted, name in own), default="")


def doubted_poles(facts: JobFacts) -> set[str]:
    """Poles and prisms that are likelier wrong, everywhere or for a time, than a height that counts as cleared."""
    chance: defaultdict[str, float] = defaultdict(float)
    for h in np.flatnonzero(facts.family.of(*TOGETHER)).tolist():
        kind, name = facts.family.thing(h).common
        if kind == "equipment":
            chance[name] += float(facts.judgement.probability[h])
    return {name for name, likely in chance.items() if likely > DOUBT}


def _untaped(net: Network) -> tuple[set[int], set[int]]:
    """Nodes of stands whose height nobody taped, as far as the book says, and those of them that are on poles.

    An instrument's height is always taped.  A pole is called one, or has one and the same height at several marks.
    """
    readings, targets = net.readings, net.job.targets
    booked = set(readings["node"][(readings["kind"] == "booked").to_numpy(dtype=bool)].tolist())
    taped = set(net.setup_node[~net.antennas].tolist())
    called = targets["equipment"].str.contains(POLE).to_numpy(dtype=bool)
    alike = targets.assign(height=targets["height"].round(6)).groupby(["equipment", "height"])["mark"]
    several = (alike.transform("nunique") > 1).to_numpy(dtype=bool)
    loose = (called | several) & (targets["tripod"] == "").to_numpy(dtype=bool)
    untaped = booked - taped
    return untaped, untaped & set(net.target_node[loose].tolist())


def stands_up_to(net: Network) -> int:
    """Stands whose candidates are weighed."""
    return max(30, min(CANDIDATES_UP_TO, NUMBERS_HELD // max(1, net.A.shape[1])))
