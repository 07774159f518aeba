"""The record of one job in an archive: what its results say, in a few facts that many jobs can be told by."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from heightnet.archives.find import Found
from heightnet.gaps import gaps
from heightnet.ledger.archive import COUNTED, JOB
from heightnet.ledger.record import blank
from heightnet.ledger.thing import HAPPENED, Thing
from heightnet.report.claims import capital, plain
from heightnet.report.findings import place_of
from heightnet.report.words import VERDICTS, Words
from heightnet.result import Result
from heightnet.rows import Record
from heightnet.tasks.next import DAY

ERROR = "error"  # the state of a job that could not be read or adjusted


def record_of(found: Found, result: Result, report: str | None) -> Record:
    """The record of a job that was checked.

    report : address of its report as seen from the index page.
    """
    facts = result.shown
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
        "state": facts["judgement"]["state"],
        "headline": plain(result.story.headline),
        "stopped": facts["judgement"]["stopped"],
        "worst": _worst(facts),
        "happened": list(_happened(facts)),
        "heights": verdicts,
        "unproved_share": round(verdicts["unproved"] / judged, 4) if judged else None,
        "findings": len(facts["findings"]),
        "gap": next(iter(gaps(facts)), None),
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
    said = {"name": found.path.rpartition("/")[2], "state": ERROR, "headline": error["text"]}
    return blank(JOB) | {"path": found.path, "kind": found.kind, **said, "report": report, "error": error}


def _worst(facts: Record) -> Record | None:
    """What is named first; None where nothing is."""
    named = next((finding for finding in facts["findings"] if finding["named"]), None)
    if named is None:
        return None
    told = next(suspect for suspect in facts["suspects"] if suspect["id"] == named["id"])
    sizes = {key: named[key] for key in ("error_mm", "error_sd_mm", "probability")}
    return {**{key: told[key] for key in ("id", "what", "name")}, **sizes, "cause": told["cause"]}


def _happened(facts: Record) -> Iterator[Record]:
    """What is named that happened in the field."""
    words = Words(facts)
    for finding in facts["findings"]:
        if finding["named"] and Thing.of(finding["id"]).kind in HAPPENED:
            sizes = {key: finding[key] for key in ("error_mm", "error_sd_mm", "probability")}
            yield {"id": finding["id"], "text": capital(plain(place_of(words, finding))), **sizes}


def _named(records: Iterable[Record], key: str) -> list[str]:
    return sorted({record[key] for record in records if record[key]})


def _dates(texts: list[str]) -> list[str]:
    """The first and last day among texts that hold one in ISO form; none where none does.

    >>> _dates(["2025-05-03T09:10", "3 May", "2025-04-30"])
    ['2025-04-30', '2025-05-03']
    """
    days = sorted(match[1] for text in texts if (match := DAY.search(text)))
    return [days[0], days[-1]] if days else []
