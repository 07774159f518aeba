"""What leaves something of a job unproved: one answer for its headline, for ``--strict`` and for an archive's index."""

from __future__ import annotations

from typing import Any

from heightnet.rows import column

HEIGHTS = ("setups", "targets")
ROWS = ("levels", "staff", "gnss")
"""Tables whose rows are judged by themselves, as heights are."""

NOT_PROVED: dict[str, tuple[str, ...]] = {
    "unproved": (*HEIGHTS, "shots", *ROWS),
    "missing": HEIGHTS,
    "doubted": (*HEIGHTS, *ROWS),
    "weak": (*HEIGHTS, *ROWS),
}
"""Verdicts that are no proof, the worst first, each with the tables where it counts.

Of a sight only counts that nothing tests it: the heights at its two ends are judged themselves, and where several
sights prove these, each of the sights may be weakly tested all the same.
"""


def gaps(facts: dict[str, Any]) -> list[str]:
    """The verdicts that leave something of a job unproved, the worst first; none where all of it is proved."""
    found = {table: set(column(facts[table], "verdict")) for table in NOT_PROVED["unproved"]}
    return [verdict for verdict, tables in NOT_PROVED.items() if any(verdict in found[table] for table in tables)]
