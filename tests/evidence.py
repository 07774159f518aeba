"""Evidence about a value by itself, without a job that it stands in."""

from __future__ import annotations

from typing import Any

from heightnet.kinds import staff
from heightnet.kinds.cause import Evidence
from heightnet.reduce.reading import Reading


def written(kind: str, recorded: float, error: float, sd: float, scale: str = "m", **more: Any) -> Evidence:
    """About a value of a table, written with the usual decimals, or as ``text`` says."""
    text = more.pop("text", "") or Reading.booked(recorded, scale).text
    span = staff.SPAN if kind == "staff" else None
    return Evidence(kind, recorded, error, sd, (Reading(text, recorded, scale, "written"),), span=span, **more)


def common(of: str, error: float, sd: float, **more: Any) -> Evidence:
    """About a common error."""
    return Evidence("group", 0.0, error, sd, of=of, **more)
