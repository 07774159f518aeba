"""What a plan chooses from: each measurement that could be made about some heights, and what it takes."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace

import numpy as np

from heightnet.arrays import Floats, Ints
from heightnet.network.model import Network
from heightnet.rows import Record
from heightnet.tasks.measurements import Minutes
from heightnet.tasks.next import (
    CANDIDATES_UP_TO,
    LARGE_M,
    NUMBERS_HELD,
    Candidate,
    candidates,
    occupied_again,
)
from heightnet.tasks.route import Work

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

    @property
    def told(self) -> Record:
        """It by itself, for one that is not made."""
        return {"kind": self.kind, "stand": self.base.stand, "from_mark": self.base.from_mark, "mark": self.base.mark}


def options_of(
    net: Network, nodes: Ints, before: Floats, minutes: Minutes, gone: set[int], distrusted: set[int]
) -> list[Option]:
    """Every candidate about these stands with its kind and minutes, the stands with most to hide first.

    A stand whose height is in question, or that was read twice already, gains nothing by one more look at the same
    tape: only another way to its height counts.  Stands that are gone are neither taped nor sighted from.
    """
    if not len(nodes):
        return []
    rows = net.rows("height")
    read = np.bincount(net.head[rows], minlength=len(net.nodes))
    order = np.argsort(-np.minimum(before, LARGE_M), kind="stable")
    limit = stands_up_to(net)
    cost = asdict(minutes)
    out: list[Option] = []
    seen: set[tuple[str, int, int]] = set()

    def add(kind: str, base: Candidate) -> None:
        ends = (kind, *sorted((base.tail, base.head))) if kind == "level_tie" else (kind, base.tail, base.head)
        if ends not in seen:
            seen.add(ends)  # type: ignore[arg-type]
            out.append(Option(kind, base, cost[kind]))

    for base in candidates(net, nodes[order][:limit], gone):
        if base.kind in ("second_tape", "in_parts"):
            once = replace(base, sd=net.job.settings.precision.tape_mm / 1000)
            if base.head not in distrusted:
                if read[base.head] < 2:
                    add("other_scale", once)
                if base.kind == "second_tape":
                    add("other_person", once)
            add("in_parts", replace(once, sd=once.sd * np.sqrt(2)))
        else:
            add(base.kind, base)
            at = int(net.nodes.mark[base.tail])
            if base.kind in ("check_shot", "pole_shot") and at >= 0 and at != base.head:
                add("reoccupation", occupied_again(net, base))
    return out[: PER_STAND * limit]


def stands_up_to(net: Network) -> int:
    """Stands whose candidates are weighed."""
    return max(30, min(CANDIDATES_UP_TO, NUMBERS_HELD // max(1, net.A.shape[1])))
