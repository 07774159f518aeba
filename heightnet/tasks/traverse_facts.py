"""The misclosure in height from known mark to known mark along sights, out of the job's loops."""

from __future__ import annotations

from collections.abc import Sequence

from heightnet.ledger.thing import STANDS, Thing
from heightnet.rows import Record, column

ALONG = {*STANDS, "shot", "known"}  # what a traverse is made of


def traverse(loops: Sequence[Record], shots: Sequence[Record], known: Sequence[Record]) -> Record | None:
    """``traverse`` of results.json: the way between two known marks that misses most for its expected sd.

    A job with one known mark has the longest loop that comes back to it by three marks or more.
    """
    marks = column(known, "mark")
    if not len(shots) or not marks:
        return None
    ways = [(number, loop, sights) for number, loop in enumerate(loops, start=1) if (sights := _sights(loop))]
    if len(marks) > 1:
        ways = [(n, loop, s) for n, loop, s in ways if loop["marks"] and loop["marks"][0] != loop["marks"][-1]]
        found = max(ways, key=lambda w: abs(w[1]["misclosure_mm"]) / (w[1]["expected_sd_mm"] or 1.0), default=None)
        ends = (found[1]["marks"][0], found[1]["marks"][-1]) if found else ("", "")
    else:
        ends_of = dict(zip(column(shots, "id"), zip(column(shots, "from_mark"), column(shots, "to_mark"), strict=True),
                           strict=True))  # fmt: skip
        passed = [({m for id in sights for m in ends_of[id]} - {None}, n, loop, sights) for n, loop, sights in ways]
        ways = [(n, loop, sights) for at, n, loop, sights in passed if marks[0] in at and len(at) > 2]
        found, ends = max(ways, key=lambda w: len(w[2]), default=None), (marks[0], marks[0])
    if found is None:
        return None
    number, _, sights = found
    return {"loop": number, "from_mark": ends[0], "to_mark": ends[1], "sights": len(sights), "ways": len(ways)}


def _sights(loop: Record) -> list[str]:
    """The ids of a loop's sights; none where it is made of other things too."""
    kinds = [Thing.of(id).kind for id in loop["ids"]]
    if not set(kinds) <= ALONG:
        return []
    return [id for id, kind in zip(loop["ids"], kinds, strict=True) if kind == "shot"]
