"""index.html of an archive: one page of all its jobs, made in one pass, that needs nothing else and no network."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from itertools import chain, islice

from heightnet.report import archive_words as words
from heightnet.report import caution
from heightnet.report import document as doc
from heightnet.report.across_words import across_blocks
from heightnet.report.claims import strong
from heightnet.report.html import pieces
from heightnet.report.listings import Listing, Row
from heightnet.report.numbers import count
from heightnet.rows import Record

FIRST_ROWS = 200  # in the page as they are; the others are made of data when they are asked for
MOST_ROWS = 50_000  # the worst of them: a browser sorts so many at once
LISTED = 500  # of what was dropped and passed over
TONES = {
    doc.WRONG: ("wrong", "Something contradicts"),
    doc.DOUBTFUL: ("untested", "Nothing contradicts, but not everything was tested"),
    doc.SOUND: ("closes", "Nothing contradicts"),
}
EACH_REPORT = "Each job's report says what it could test and what not."


def page_pieces(
    head: Record,
    jobs: Iterator[Record],
    again: Iterable[Record],
    dropped: Iterable[str],
    passed_over: Iterable[dict[str, str]],
) -> Iterator[str]:
    """The text of index.html in pieces.

    Parameters
    ----------
    head : the facts of archive.json but for its lists.
    jobs, again : records of the jobs, worst first; each is read once.
    dropped, passed_over : as in archive.json.
    """
    counts, tone = head["counts"], words.tone(head["counts"])
    sign, says = TONES[tone]
    across = across_blocks(head["across"]) if head["across"] else []
    rates = doc.Link("rates.toml", "rates.toml", ", for the next check of a job.")
    left_out = [
        *_paths("no longer there", counts["dropped"], islice(dropped, LISTED)),
        *_paths(
            "passed over",
            counts["passed_over"],
            (f"{strong(one['path'])}: {one['reason']}" for one in islice(passed_over, LISTED)),
        ),
    ]
    together = doc.Section("What all jobs tell together", [*across, rates], "together", "All jobs together")
    legend = [doc.Sign(state, word, words.MEANINGS[state]) for state, word in words.STATES.items()]
    return pieces(
        doc.Document(
            title=f"Archive {head['archive']['name']}",
            tone=tone,
            headline=words.headline(counts),
            says=says,
            sign=sign,
            size=count(counts["found"], "job"),
            blocks=[doc.Counts({state: counts[state] for state in words.STATES}), *words.lines(head)],
            below=[
                *([together] if across else []),
                *_happened(again),
                _jobs(counts, jobs),
                *([doc.Section("Left out", left_out, "left-out", "Left out")] if left_out else []),
                doc.Section(
                    "Signs and words", [doc.Legend(legend), EACH_REPORT, caution.NOTE], "signs", "Signs and words"
                ),
            ],
            foot=f"heightnet {head['heightnet']['version']}. The same facts, all of them, are in archive.json beside "
            "this page; as a table in archive.csv.",
            scripts=("tables.js",),
            data={"more-rows": _more_rows(islice(jobs, MOST_ROWS - FIRST_ROWS))},
        )
    )


def _jobs(counts: Record, jobs: Iterator[Record]) -> doc.Section:
    table = Listing("jobs", "Jobs", "", list(words.COLUMNS), leads=True, at_once=FIRST_ROWS, total=counts["checked"])
    table.kept_in = "archive.csv"
    table.rows = [Row(words.cells(job), job["report"] or "", "", "", []) for job in islice(jobs, FIRST_ROWS)]
    table.fetched = min(counts["checked"], MOST_ROWS) - len(table.rows)
    meanings = [doc.Number(column.heading, "", column.meaning) for column in words.COLUMNS if column.meaning]
    return doc.Section("Job by job", [table, doc.Numbers("What the columns mean", meanings)], "jobs", "Job by job")


def _happened(jobs: Iterable[Record]) -> Iterator[doc.Section]:
    """What happened in the field, job by job; nothing where nothing is named that did."""
    rows = list(islice((row for job in jobs for row in words.happened(job)), LISTED + 1))
    if rows:
        more = ["More of them are in archive.json."] if len(rows) > LISTED else []
        said: list[doc.Block] = [words.NOT_COUNTED, doc.Table(words.HAPPENED, rows[:LISTED]), *more]
        yield doc.Section("What happened in the field", said, "happened", "In the field")


def _paths(what: str, number: int, paths: Iterable[str]) -> list[doc.Block]:
    if not (listed := list(paths)):
        return []
    more = ["All of them are in archive.json."] if number > len(listed) else []
    return [doc.Fold(f"{number:,} {what}", [doc.Bullets(listed), *more], "paths")]


def _more_rows(jobs: Iterable[Record]) -> Iterator[str]:
    """The rows that are not in the page yet, as the JSON its script reads: cells, address of the report, nothing."""
    rows = (
        json.dumps([*words.cells(job), job["report"] or "", ""], ensure_ascii=False, separators=(",", ":"))
        for job in jobs
    )
    yield '{"jobs":['
    for separator, row in zip(chain([""], iter(lambda: ",\n", None)), rows, strict=False):
        yield separator + row
    yield "]}"
