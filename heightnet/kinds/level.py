"""A levelled difference between two marks."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from heightnet.arrays import Floats
from heightnet.kinds import slips, written
from heightnet.kinds.cause import Cause, Evidence
from heightnet.kinds.kind import Edges, Kind, Words
from heightnet.kinds.records import Records
from heightnet.ledger.thing import Thing

if TYPE_CHECKING:
    from heightnet.job.model import Job
    from heightnet.network.build import Ties

CAUSES = (
    *written.CAUSES,
    written.SIGN,
    Cause("exchanged", written.EXCHANGED, 0.06, slips.wrong_sign),
    *written.STAFF,
)


def evidence(records: Records, thing: Thing) -> Evidence:
    recorded = float(records.row("levels", thing.row)["rise"])
    return Evidence(
        "level",
        recorded,
        readings=records.written(recorded),
        figures=records.figures("levels", "rise"),
        sections=records.sections,
        feet=records.feet,
    )


def edges(ties: Ties) -> Edges:
    """H_to - H_from = rise."""
    levels = ties.job.levels
    start, end = (ties.mark_node(levels[column]) for column in ("from_mark", "to_mark"))
    return Edges(start, end, levels["rise"].to_numpy(float), level_sd(ties.job), np.arange(len(levels)))


def level_sd(job: Job) -> Floats:
    """Standard deviation of each levelled difference: its own, by the root of the distance, or of the set-ups."""
    levels, precision = job.levels, job.settings.precision
    by_length = precision.level_mm_sqrt_km / 1000 * np.sqrt(levels["length"].to_numpy(float) / 1000)
    by_setups = precision.level_mm_setup / 1000 * np.sqrt(levels["setups"].to_numpy(float))
    usual = np.where(np.isnan(by_length), by_setups, by_length)
    return np.where(levels["sd"].isna(), usual, levels["sd"].to_numpy(float))


KIND = Kind(
    "level", ("level",), CAUSES, evidence, table="levels", marks=("from_mark", "to_mark"), edges=edges, rate="level",
    length=lambda net: np.nan_to_num(net.job.levels["length"].to_numpy(float)),
    line=("from_mark", "to_mark", "length_m"),
    words={"level": Words("levelled difference", row="{from_mark} to {to_mark}", cell="levelled")},
    nominal=written.NOMINAL,
)  # fmt: skip
