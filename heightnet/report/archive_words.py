"""What is said of an archive and of each of its jobs."""

from __future__ import annotations

from heightnet.report.document import DOUBTFUL, SOUND, WORD, WRONG, Counts, Document
from heightnet.report.listings import Column
from heightnet.report.numbers import NONE, count, fixed
from heightnet.result import CONTRADICTED
from heightnet.rows import Record

STATES = {
    state: WORD[state]
    for state in ("unexplained", "many", "wrong", "unclear", "error", "untested", "scatters", "closes")
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

STAGES = {"finding": "finding jobs", "checking": "checking", "writing": "writing the index"}


def found(record: Record) -> str:
    """What was found in a job, in one sentence or two."""
    error = record["error"]
    if not error or not error["problems"]:
        stopped = " The search was stopped after the seconds asked for." if record["stopped"] == "seconds" else ""
        return f"{record['headline']}{stopped}"
    more = f" And {count(error['count'] - 1, 'more problem')}." if error["count"] > 1 else ""
    return f"{error['problems'][0]}{more}"


def _heights(record: Record) -> str:
    return NONE if record["error"] else str(record["size"]["setups"] + record["size"]["targets"])


COLUMNS = (
    Column("Job", lambda r: r["path"], "name", "", "its path below the archive's folder; leads to its report"),
    Column("State", lambda r: r["state"], "verdict", "", "what the whole job comes to"),
    Column("What was found", found, "text", "", "the headline of its report, or why it could not be checked"),
    Column("Error, mm", lambda r: fixed(abs(r["worst"]["error_mm"]), 1) if r["worst"] else NONE, "number", "",
           "of what is named first; none where nothing is named"),
    Column("Untested of 100",
           lambda r: NONE if r["unproved_share"] is None else fixed(100 * r["unproved_share"], 0), "number", "",
           "how many in a hundred of its instrument and target heights nothing tests"),
    Column("Heights", _heights, "number", "", "its instrument and target heights"),
    Column("Last day", lambda r: r["dates"][-1] if r["dates"] else "", "text", "", "the last day written in the job"),
    Column("Observers", lambda r: ", ".join(r["observers"]), "text"),
    Column("Equipment", lambda r: ", ".join(r["equipment"]), "text"),
)  # fmt: skip


HAPPENED = ["Job ", "What ", "How much, mm", "Of 100"]
NOT_COUNTED = (
    "Named in these jobs; not counted among the slips of a tape, by which observers, methods and causes are compared."
)


def happened(record: Record) -> list[list[str]]:
    """A job's rows of what happened in the field."""
    return [
        [record["path"], one["text"], fixed(abs(one["error_mm"]), 1), fixed(100 * one["probability"], 0)]
        for one in record["happened"]
    ]


def cells(record: Record) -> list[str]:
    """A job's row of the page, one text for each of ``COLUMNS``; the state by its name."""
    return [column.show(record) for column in COLUMNS]


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


def done_document(name: str, counts: Record, checked: int, no_parquet: bool) -> Document:
    """What a run did; checked : jobs checked now."""
    said = [f"{checked:,} checked now, {counts['checked'] - checked:,} as they were."]
    if counts["dropped"]:
        said.append(f"{counts['dropped']:,} no longer there, left out; their reports are left in place.")
    if counts["passed_over"]:
        said.append(f"{counts['passed_over']:,} passed over; the page says which and why.")
    if no_parquet:
        said.append("No archive.parquet: it needs pyarrow (pip install 'heightnet[parquet]').")
    by_state = Counts({state: counts[state] for state in STATES})
    return Document(f"Archive {name}", tone(counts), headline(counts), "", [by_state, *said])


def progress_in_words(done: int, total: int, seconds: float) -> str:
    """How far it is, how fast it goes and how long it will take; seconds : 0 while that is not known yet.

    >>> progress_in_words(600, 4200, 120.0)
    '600 of 4,200 jobs, 5.0 a second, 12 min left'
    >>> progress_in_words(600, 0, 0.0), progress_in_words(0, 0, 9.0)
    ('600 jobs', '')
    """
    if not total:
        return f"{done:,} jobs" if done else ""
    said = f"{done:,} of {total:,} jobs"
    if not (seconds and done):
        return said
    left = (total - done) * seconds / done
    for unit, size in (("h", 3600.0), ("min", 60.0), ("s", 1.0)):
        if left > 2 * size or size == 1.0:
            return f"{said}, {done / seconds:.1f} a second, {left / size:.0f} {unit} left"
    return said
