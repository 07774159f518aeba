"""What leaves something of a job unproved: one answer for its headline, for ``--strict`` and for an archive's index."""

from __future__ import annotations

from typing import Any

from heightnet.ledger.thing import ROWS, TABLES
from heightnet.rows import column

HEIGHTS = ("setups", "targets")


def row_tables() -> list[str]:
    """Tables whose rows are judged by themselves, as heights are."""
    return [TABLES[kind] for kind in ROWS if kind != "shot"]


def not_proved() -> dict[str, list[str]]:
    """Verdicts that are no proof, the worst first, each with the tables where it counts.

    Of a sight only counts that nothing tests it: the heights at its two ends are judged themselves, and where several
    sights prove these, each of the sights may be weakly tested all the same.
    """
    judged = [*HEIGHTS, *row_tables()]
    return {"unproved": [*HEIGHTS, "shots", *row_tables()], "missing": [*HEIGHTS], "doubted": judged, "weak": judged}


def gaps(facts: dict[str, Any]) -> list[str]:
    """The verdicts that leave something of a job unproved, the worst first; none where all of it is proved."""
    counted = not_proved()
    found = {table: set(column(facts.get(table, []), "verdict")) for table in counted["unproved"]}
    return [verdict for verdict, tables in counted.items() if any(verdict in found[table] for table in tables)]
