"""Errors that everything of one kind could share without anything in the job showing it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from heightnet.judge.reduction import UNTESTABLE

if TYPE_CHECKING:
    from heightnet.tasks.facts import JobFacts, Record

LEAST_MOVE = 1e-6  # of an error: a mark that moves less does not move

NEED = {
    "tape": "one height measured with another tape, or a check shot to a known mark",
    "tape_scale": "one height measured with another tape, or a check shot to a known mark",
    "instrument": "a shot to a fixed-height pole on a known mark, or a level read to the instrument's axis",
    "equipment": "one sight to another target, its height measured to another point, on a mark already shot",
    "slant_instrument": "one height measured vertically in parts beside the slant",
    "slant_observer": "one height measured vertically in parts beside the slant",
    "antenna_observer": "one antenna height taped by another person",
    "gnss_session": "the height of one of these antennas observed again in another session",
    "separations": "an antenna of another model on a known mark, its height taped in parts",
    "collimation": "the level tested by two pegs, or a stretch levelled with equal sights",
    "index": "the same target observed in both faces",
    "refraction": "a reciprocal sight, or a levelled difference between two of the marks",
}


def common_errors(facts: JobFacts) -> list[Record]:
    """Groups that nothing tests: which marks they would move, or that they are harmless, and what would show them."""
    out = []
    family = facts.family
    for h in np.flatnonzero(family.kind == "group").tolist():
        if facts.bench.classes.redundancy[h] > UNTESTABLE:
            continue
        kind, name = family.thing(h).pair
        harmless = bool(np.abs(facts.effect(np.array([h]))).max(initial=0.0) <= LEAST_MOVE)
        out.append(
            {"id": str(family.ids[h]), "group": name, "kind": kind, "members": len(family.members(h)),
             "moves": facts.moves(h), "harmless": harmless,
             "shot_that_would_show": None if harmless else NEED[kind]}
        )  # fmt: skip
    return out
