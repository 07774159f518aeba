"""One error again and again for a while: from a moment on, until one, or from one to another; or from a reading on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from heightnet.kinds import group, slips
from heightnet.kinds.cause import Cause, Evidence
from heightnet.kinds.kind import Kind, Words
from heightnet.kinds.records import Records
from heightnet.kinds.written import JOINT, USUAL_GAP
from heightnet.ledger.thing import Thing

if TYPE_CHECKING:
    from heightnet.judge.family import Builder
    from heightnet.kinds.sequence import Sequence
    from heightnet.network.model import Network

HEIGHTS = ("equipment", "instrument", "observer_setups", "observer_targets")
CAUSES = (
    Cause("section", "a section of the pole drawn out or put back", 0.40, slips.constant("sections"),
          of=("equipment",)),
    Cause("other_point", "the tape held to {detail}, for that time", 0.05, slips.other_point_always, of=HEIGHTS),
    Cause("height_changed", "its height changed, and not booked anew", 0.45, slips.usually(0.2), of=("equipment",)),
    Cause("way", "heights read in another way, for that time", 0.10, slips.usually(0.02), of=HEIGHTS),
    Cause("joint", JOINT, 1.0,
          slips.usually(USUAL_GAP[1], -USUAL_GAP[0]), of=("staff_joint",)),
    Cause("index_changed", "the instrument knocked, or its index set anew", 1.0, group.itself, of=("index",)),
)  # fmt: skip
LEAST, LEAST_BETWEEN = 2, 3  # uses that a slip is repeated in; from one moment to another
CHANGES = 100  # moments at which something may begin or end: of more, every so many
STRETCHES = 20  # likewise, where it both begins and ends

Stretch = tuple[int, int]


def add(family: Builder, net: Network, sequences: Iterable[Sequence]) -> None:
    """All spells of some sequences; a chance is shared evenly among the moments of each."""
    rate = net.job.settings.rates.spell
    for sequence in sequences:
        uses = sequence.rank[np.unique(sequence.called.astype(str), return_index=True)[1]]
        count = np.bincount(uses, minlength=int(sequence.rank.max(initial=-1)) + 1)
        for stretches in _kinds_of(count, sequence.ends):
            for stretch in stretches:
                _one(family, sequence, stretch, rate / len(stretches))


def finer(family: Builder, coarse: dict[Thing, float], sequences: Iterable[Sequence]) -> None:
    """Around some of the spells every stretch that was passed over because only every so many moments were tried.

    Parameters
    ----------
    coarse : spells and the chance of each, which its neighbours share.
    """
    of = {(sequence.kind, sequence.name): sequence for sequence in sequences}
    done: set[tuple[str, str, int, int]] = set()
    for thing, rate in coarse.items():
        sequence = of[thing.common]
        rank, end = {name: k for k, name in enumerate(sequence.moments)}, len(sequence.moments) - 1
        begins, ends = thing.names[2:4]
        most = STRETCHES if begins and ends else CHANGES
        firsts, first_tried = _between(rank[begins], 1, end - bool(ends), most) if begins else ([0], [0])
        lasts, last_tried = _between(rank[ends], int(bool(begins)), end - 1, most) if ends else ([end], [end])
        fine = [(k, n) for k in firsts for n in lasts if k <= n and not (k in first_tried and n in last_tried)]
        for stretch in fine:
            if (key := (*thing.common, *stretch)) not in done:
                done.add(key)
                _one(family, sequence, stretch, rate / len(fine))


def _between(k: int, first: int, last: int, most: int) -> tuple[list[int], list[int]]:
    """The moments around one of those tried, up to the next ones, and those tried."""
    tried = _some(first, last, most)
    i = tried.index(k)
    return list(range(tried[max(i - 1, 0)], tried[min(i + 1, len(tried) - 1)] + 1)), tried


def _one(family: Builder, sequence: Sequence, stretch: Stretch, rate: float) -> None:
    first, last = stretch
    names = sequence.moments
    inside = (sequence.rank >= first) & (sequence.rank <= last)
    begins, ends = names[first] if first else "", names[last] if last < len(names) - 1 else ""
    thing = Thing.several("spell", sequence.kind, sequence.name, begins, ends)
    family.shared(thing, sequence.rows[inside], sequence.pattern[inside], rate)


def _kinds_of(count: npt.NDArray[np.int64], ends: bool) -> Iterator[list[Stretch]]:
    """Stretches of moments with so many uses each: those from one on, until one, and from one to another."""
    m = len(count)
    upto = np.concatenate([[0], np.cumsum(count)])

    def held(first: int, last: int, least: int) -> bool:
        return bool(upto[last + 1] - upto[first] >= least)

    yield [(k, m - 1) for k in _some(1, m - 1, CHANGES) if held(k, m - 1, LEAST)]
    if not ends:
        return
    yield [(0, k) for k in _some(0, m - 2, CHANGES) if held(0, k, LEAST)]
    inner = _some(1, m - 2, STRETCHES)
    yield [(k, n) for k in inner for n in inner if n >= k and held(k, n, LEAST_BETWEEN)]


def _some(first: int, last: int, most: int) -> list[int]:
    """All from first to last, or so many of them, evenly."""
    if last < first:
        return []
    return [int(k) for k in np.unique(np.linspace(first, last, min(most, last - first + 1)).round())]


def evidence(records: Records, thing: Thing) -> Evidence:
    """As of the common error that it would be if it had lasted."""
    return replace(group.evidence(records, Thing.both("group", *thing.common)), kind="spell")


KIND = Kind(
    "spell", ("spell",), CAUSES, evidence,
    words={"spell": Words("error that began or ended during the job", "errors that began or ended during the job")},
)  # fmt: skip
