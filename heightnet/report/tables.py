"""setups.csv, targets.csv, marks.csv and sights.csv: the heights in the job's own unit, for a spreadsheet.

Column names end in their unit: ``_m``, ``_ft`` or ``_ftUS`` for heights, ``_mm`` or, in a job in feet, ``_ft1000``
(thousandths of a foot) for small lengths.  Where the job leaves a height open, ``heights`` has each one it may have and
how many in 100 speak for it, and the column of the one to use is empty.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from heightnet.ledger.field import METRES
from heightnet.ledger.record import Fact, Many
from heightnet.ledger.results import HEIGHT, VERDICT
from heightnet.ledger.results import table as declared
from heightnet.report.numbers import Lengths, of_100
from heightnet.report.words import VERDICTS
from heightnet.report.writing import csv_text
from heightnet.rows import Record, Rows, column, plain

STAND = (
    "mark", "{thing}", "observer", "when", "tripod", "verdict", "recorded_m", "booked_m", "sd_mm", "error_mm",
    "error_sd_mm", "probability", "corrected_m", "corrected_sd_mm", "low_m", "high_m", "heights", "found_m",
    "found_sd_mm", "independent_checks", "smallest_found_mm", "smallest_named_mm", "w", "redundancy", "same_as",
)  # fmt: skip
MARK = (
    "mark", "known", "known_m", "height_m", "sd_mm", "corrected_height_m", "corrected_sd_mm", "low_m", "high_m",
    "heights", "hidden_mm", "hidden_by", "east_m", "north_m", "piece",
)  # fmt: skip
SIGHT = (
    "file", "row", "setup", "target", "from_mark", "to_mark", "session", "face", "horizontal_m", "rise_m", "faces_mm",
    "index_sec", "forward_back_mm", "sd_mm", "residual_mm", "error_mm", "error_sd_mm", "smallest_found_mm", "verdict",
    "probability", "w", "redundancy",
)  # fmt: skip


def csv_tables(facts: Record) -> dict[str, str]:
    """The text of each CSV table by file name."""
    lengths = Lengths(facts["job"]["length_unit"])
    columns = {
        "setups": ("setup", *(c.format(thing="instrument") for c in STAND)),
        "targets": ("target", *(c.format(thing="equipment") for c in STAND)),
        "marks": MARK,
    }
    out = {f"{table}.csv": _csv(table, facts[table], names, lengths) for table, names in columns.items()}
    if len(facts["shots"]):
        # not called shots.csv: a folder with that is the flat form of a job
        out["sights.csv"] = _csv("shots", facts["shots"], [n for n in SIGHT if n in facts["shots"][0]], lengths)
    return out


def _csv(table: str, records: Sequence[Record], names: Sequence[str], lengths: Lengths) -> str:
    record = declared(table)
    header = [_heading(name, lengths) for name in names]
    return csv_text(header, [_cells(record[name], records, lengths) for name in names])


def _heading(name: str, lengths: Lengths) -> str:
    if lengths.metric:
        return name
    if name.endswith("_mm"):
        return f"{name.removesuffix('_mm')}_ft1000"
    return f"{name.removesuffix('_m')}_{lengths.unit}" if name.endswith("_m") else name


def _cells(fact: Fact, records: Sequence[Record], lengths: Lengths) -> list[Any]:
    """The cells of a column, None for an empty one."""
    name = fact.name
    if fact.type == VERDICT:
        return [VERDICTS[value] for value in column(records, name)]
    if fact.type == "yes":
        return ["yes" if value else "no" for value in column(records, name)]
    if fact.type == Many("text"):
        return [" ".join(value) for value in column(records, name)]
    if fact.type == Many(HEIGHT):
        return [
            " or ".join(f"{lengths.height(h['height_m'])} ({of_100(h['probability'])})" for h in heights)
            for heights in column(records, name)
        ]
    factor, decimals = 1.0, 4
    if name.endswith("_mm"):
        factor, decimals = lengths.in_small_units(1.0) or 1.0, 2
    elif name.endswith("_m"):
        factor, decimals = 1 / METRES[lengths.unit], 5
    if isinstance(records, Rows) and records.is_float(name):
        return plain((records.columns[name] * factor).round(decimals) + 0.0)
    return [round(v * factor, decimals) + 0.0 if isinstance(v, float) else v for v in column(records, name)]
