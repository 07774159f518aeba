"""What is said of an archive and of each of its jobs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from heightnet.report.numbers import NONE, count, fixed
from heightnet.report.story import DOUBTFUL, SOUND, WRONG

Record = dict[str, Any]

VERDICTS = {
    "suspect": "probably wrong",
    "either": "in question",
    "error": "not readable",
    "unproved": "not all tested",
    "weak": "weakly tested",
    "proved": "proved",
}
"""The word for each verdict of a whole job, worst first."""

MEANINGS = {
    "suspect": "something in the job is probably wrong; the job's own report says what",
    "either": "one of several things in the job is wrong, and the job cannot tell which",
    "error": "the job could not be read or adjusted; what is wrong with it is listed",
    "unproved": "nothing wrong was found, but at least one height is tested by nothing",
    "weak": "nothing wrong was found, but an error larger than the tolerance could hide in at least one height",
    "proved": "nothing wrong was found, and in no height could an error as large as the tolerance have hidden",
}

KINDS = {"folder": "folder of tables", "workbook": "workbook", "landxml": "LandXML"}


@dataclass(frozen=True)
class Column:
    """kind : "name", "verdict", "number" or "text", by which the page sorts it."""

    kind: str
    heading: str
    meaning: str = ""


COLUMNS = (
    Column("name", "Job", "its path below the archive's folder; leads to its report"),
    Column("verdict", "Verdict", "the worst of the job's verdicts"),
    Column("text", "What was found", "the headline of its report, or why it could not be checked"),
    Column("number", "Worst height, mm", "the largest error among the heights accused, or of what else is accused"),
    Column("number", "Unproved, %", "share of its instrument and target heights that nothing tests"),
    Column("number", "Heights", "its instrument and target heights"),
    Column("text", "Last day", "the last day written in the job"),
    Column("text", "Observers"),
    Column("text", "Equipment"),
)


def cells(record: Record) -> list[str]:
    """A job's row of the page, one text for each of ``COLUMNS``; the verdict by its name."""
    worst, share = record["worst"], record["unproved_share"]
    heights = record["size"]["setups"] + record["size"]["targets"]
    return [
        record["path"],
        record["verdict"],
        found(record),
        fixed(abs(worst["error_mm"]), 1) if worst else NONE,
        NONE if share is None else fixed(100 * share, 0),
        str(heights) if not record["error"] else NONE,
        record["dates"][-1] if record["dates"] else "",
        ", ".join(record["observers"]),
        ", ".join(record["equipment"]),
    ]


def found(record: Record) -> str:
    """What was found in a job, in one sentence or two."""
    error = record["error"]
    if not error or not error["problems"]:
        return str(record["headline"])
    more = f" And {count(error['count'] - 1, 'more problem')}." if error["count"] > 1 else ""
    return f"{error['problems'][0]}{more}"


def tone(counts: Record) -> str:
    if counts["suspect"] or counts["either"]:
        return WRONG
    return DOUBTFUL if counts["error"] or counts["unproved"] or counts["weak"] or counts["waiting"] else SOUND


def headline(counts: Record) -> str:
    """The archive in one sentence.

    >>> headline({"checked": 350, "error": 10, "suspect": 12, "either": 1})
    '13 of 340 jobs hold something that is wrong, or probably wrong.'
    """
    accused = counts["suspect"] + counts["either"]
    readable = counts["checked"] - counts["error"]
    jobs = count(readable, "job")
    if not counts["checked"]:
        return "No job is checked yet."
    if not readable:
        return "None of the jobs could be read."
    if not accused:
        return f"No sign of a wrong height in {jobs}."
    return f"{accused:,} of {jobs} hold{'s' if accused == 1 else ''} something that is wrong, or probably wrong."


def lines(head: Record) -> list[str]:
    """What else there is to say of the archive as a whole."""
    counts, out = head["counts"], []
    if counts["waiting"]:
        are = "is" if counts["waiting"] == 1 else "are"
        waiting = f"{count(counts['waiting'], 'job')} {are} not yet checked: the run was stopped."
        out.append(f"{waiting} Run the same command again to go on.")
    if counts["error"]:
        out.append(f"{count(counts['error'], 'job')} could not be read or adjusted, each listed with its error.")
    if counts["dropped"]:
        were = "job of the last run is" if counts["dropped"] == 1 else "jobs of the last run are"
        out.append(
            f"{counts['dropped']:,} {were} no longer there and left out here; the old reports are left in place."
        )
    if counts["passed_over"]:
        things = count(counts["passed_over"], "thing that might be a job was", "things that might be jobs were")
        out.append(f"{things} passed over; which and why is at the end of this page.")
    if head["settings"]:
        said = ", ".join(f"{name} = {value}" for name, value in head["settings"].items())
        out.append(f"Checked with {said} in every job.")
    if head["observers"] != "shown":
        out.append(f"Observers are hidden by {head['observers']}.")
    return out
