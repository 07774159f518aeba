"""Errors that everything of one kind could share without anything in the job showing it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from heightnet.judge.reduction import UNTESTABLE
from heightnet.kinds.registry import common_error

if TYPE_CHECKING:
    from heightnet.tasks.facts import JobFacts, Record

LEAST_MOVE = 1e-6  # of an error: a mark that moves less does not move


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
             "shot_that_would_show": None if harmless else common_error(kind).shown_by}
        )  # fmt: skip
    return out
