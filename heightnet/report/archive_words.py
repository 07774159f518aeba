"""What is said of an archive and of each of its jobs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from heightnet.report.numbers import NONE, count, fixed
from heightnet.report.story import DOUBTFUL, SOUND, WRONG
from heightnet.report.words import STATES as WORDS
from heightnet.result import CONTRADICTED

Record = dict[str, Any]

STATES = {state: WORDS[state] for state in ("unexplained", "many", "wrong", "unclear")} | {
    "error": "not readable",
    **{state: WORDS[state] for state in ("untested", "scatters", "closes")},
}
"""The word for each state of a job, as every report has it, those first that want attention."""

MEANINGS = {
    "unexplained": "the job contradicts itself, and few errors would not explain it",
    "many": "so many things are wrong that they can hardly be told apart",
    "wrong": "something in the job is wrong, or probably wrong; the job's own report says what",
    "unclear": "the job contradicts itself, and does not show where",
    "error": "the job could not be read or adjusted; what is the matter with it is listed",
    "untested": "no measurement is more than needed, so none contradicts another",
    "scatters": "its readings scatter more than stated; nothing in it is accused",
    "closes": "nothing contradicts; what in it is untested or weakly tested its own report says",
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
    Column("verdict", "State", "what the whole job comes to"),
    Column("text", "What was found", "the headline of its report, or why it could not be checked"),
    Column("number", "Error, mm", "of what is named first; none where nothing is named"),
    Column("number", "Untested of 100", "how many in a hundred of its instrument and target heights nothing tests"),
    Column("number", "Heights", "its instrument and target heights"),
    Column("text", "Last day", "the last day written in the job"),
    Column("text", "Observers"),
    Column("text", "Equipment"),
)


def cells(record: Record) -> list[str]:
    """A job's row of the page, one text for each of ``COLUMNS``; the state by its name."""
    worst, share = record["worst"], record["unproved_share"]
    heights = record["size"]["setups"] + record["size"]["targets"]
    return [
        record["path"],
        record["state"],
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
        stopped = " The search was stopped after the seconds asked for." if record["stopped"] == "seconds" else ""
        return f"{record['headline']}{stopped}"
    more = f" And {count(error['count'] - 1, 'more problem')}." if error["count"] > 1 else ""
    return f"{error['problems'][0]}{more}"


def tone(counts: Record) -> str:
    if _contradicted(counts):
        return WRONG
    return DOUBTFUL if any(counts[key] for key in ("error", "untested", "scatters", "gaps", "waiting")) else SOUND


def _contradicted(counts: Record) -> int:
    return sum(counts[state] for state in CONTRADICTED)


def headline(counts: Record) -> str:
    """The archive in one sentence.

    >>> from collections import Counter
    >>> headline(Counter(checked=350, error=10, wrong=12, unclear=1))
    '13 of 340 jobs contradict themselves.'
    >>> headline(Counter(checked=3, closes=3, gaps=1))
    'None of 3 jobs contradicts itself; in 1 of them not everything is proved.'
    """
    wrong, readable = _contradicted(counts), counts["checked"] - counts["error"]
    jobs = count(readable, "job")
    if not counts["checked"]:
        return "No job is checked yet."
    if not readable:
        return "None of the jobs could be read."
    if wrong:
        return f"{wrong:,} of {jobs} {'contradicts itself' if wrong == 1 else 'contradict themselves'}."
    gaps = f"; in {counts['gaps']:,} of them not everything is proved" if counts["gaps"] else ""
    if readable == 1:
        gaps = "; not everything in it is proved" if counts["gaps"] else ""
        return f"The job does not contradict itself{gaps}."
    return f"None of {jobs} contradicts itself{gaps}."


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
    if head["seconds"]:
        out.append(f"In each job the search was to end after {head['seconds']:g} seconds; where it did, that is said.")
    if head["observers"] != "shown":
        out.append(f"Observers are hidden by {head['observers']}.")
    return out
