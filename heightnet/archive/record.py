"""The record of one job in an archive: what its results say, in a few facts that many jobs can be told by."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from heightnet.archive.find import Found
from heightnet.report.facts import as_written
from heightnet.report.story import tell
from heightnet.report.words import VERDICTS, Words
from heightnet.result import Result

Record = dict[str, Any]

ACCUSED = ("suspect", "either")
HEIGHTS = ("setup", "target", "tripod", "reading", "swap")  # kinds of suspects that are a height or one of its readings
COUNTED = ("setups", "targets", "marks", "shots", "levels", "staff", "gnss")
DATE = re.compile(r"(\d{4}-\d{2}-\d{2})(?!\d)")


def record_of(found: Found, result: Result, report: str | None) -> Record:
    """The record of a job that was checked.

    report : address of its report as seen from the index page.
    """
    facts = as_written(result.facts)
    stands = [*facts["setups"], *facts["targets"]]
    verdicts = {name: sum(stand["verdict"] == name for stand in stands) for name in VERDICTS}
    judged = len(stands) - verdicts["free"]
    return {
        "path": found.path,
        "kind": found.kind,
        "name": facts["job"]["name"],
        "title": facts["job"]["title"],
        "invented": facts["job"]["invented"],
        "length_unit": facts["job"]["length_unit"],
        "verdict": _verdict(result, facts),
        "headline": tell(Words(facts)).headline,
        "worst": _worst(facts),
        "heights": verdicts,
        "unproved_share": round(verdicts["unproved"] / judged, 4) if judged else None,
        "suspects": len(facts["suspects"]),
        "size": {table: len(facts[table]) for table in COUNTED},
        "redundancy": facts["fit"]["redundancy"],
        "passed": facts["fit"]["passed"],
        "dates": _dates(_named(stands, "when")),
        "observers": _named([*stands, *({"observer": r["by"]} for s in stands for r in s["readings"])], "observer"),
        "equipment": sorted({*_named(facts["setups"], "instrument"), *_named(facts["targets"], "equipment")}),
        "report": report,
        "error": None,
    }


def record_of_error(found: Found, error: Record, report: str | None) -> Record:
    """The record of a job that could not be checked; error : its "kind", "text", first "problems" and their "count"."""
    empty: Record = {
        "path": found.path,
        "kind": found.kind,
        "name": found.path.rpartition("/")[2],
        "title": "",
        "invented": False,
        "length_unit": None,
        "verdict": "error",
        "headline": error["text"],
        "worst": None,
        "heights": dict.fromkeys(VERDICTS, 0),
        "unproved_share": None,
        "suspects": 0,
        "size": dict.fromkeys(COUNTED, 0),
        "redundancy": None,
        "passed": None,
        "dates": [],
        "observers": [],
        "equipment": [],
        "report": report,
        "error": error,
    }
    return empty


def _verdict(result: Result, facts: Record) -> str:
    """The worst verdict: of anything, where something is accused; else of its heights, or, without any, of its rows."""
    tables = ("shots", "levels", "staff", "gnss", "separations", "known", "groups")
    stands = {stand["verdict"] for table in ("setups", "targets") for stand in facts[table]}
    others = {row["verdict"] for table in tables for row in facts[table]}
    if result.exit_status():
        return "suspect" if facts["suspects"] and "suspect" in stands | others else "either"
    judged = stands - {"free"} or {row["verdict"] for table in tables[:4] for row in facts[table]}
    return next((verdict for verdict in VERDICTS if verdict in judged), "unproved")


def _worst(facts: Record) -> Record | None:
    """The accused height with the largest error; of anything else accused where no height is."""
    found = [s for s in facts["suspects"] if s["error_mm"] is not None]
    heights = [s for s in found if s["what"] in HEIGHTS]
    if not (heights or found):
        return None
    worst = max(heights or found, key=lambda s: abs(s["error_mm"]))
    return {key: worst[key] for key in ("id", "what", "name", "error_mm", "error_sd_mm", "probability", "cause")}


def _named(records: Iterable[Record], key: str) -> list[str]:
    return sorted({record[key] for record in records if record[key]})


def _dates(texts: list[str]) -> list[str]:
    """The first and last day among texts that hold one in ISO form; none where none does.

    >>> _dates(["2025-05-03T09:10", "3 May", "2025-04-30"])
    ['2025-04-30', '2025-05-03']
    """
    days = sorted(match[1] for text in texts if (match := DATE.search(text)))
    return [days[0], days[-1]] if days else []
