"""The kinds there are, in their order; a kind of one's own is registered, and its contract checked then."""

from __future__ import annotations

from heightnet.kinds import gnss, group, height, known, level, separation, sight, staff
from heightnet.kinds.kind import OUTSIDE, Kind

KINDS: dict[str, Kind] = {
    module.KIND.name: module.KIND for module in (height, sight, known, level, staff, gnss, separation, group)
}
"""By name; hypotheses stand in this order."""

KNOWLEDGE = ("refraction", "index", "separations")
FIRST_KNOWLEDGE = 100  # code of the first of them


def of_blunder(name: str) -> Kind:
    """The kind that makes hypotheses of this name."""
    return next(kind for kind in KINDS.values() if name in (*kind.blunders, kind.pair))


def observed() -> list[Kind]:
    """Kinds with observations of their own, in the order of a network's rows: what was known beforehand comes first."""
    return sorted((kind for kind in KINDS.values() if kind.edges), key=lambda kind: kind.scatter != OUTSIDE)


def code_of(name: str) -> int:
    """Of the observations of a kind, or of what is known beforehand of a nuisance."""
    if name in KNOWLEDGE:
        return FIRST_KNOWLEDGE + KNOWLEDGE.index(name)
    return [kind.name for kind in observed()].index(name)
