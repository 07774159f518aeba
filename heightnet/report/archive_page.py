"""index.html of an archive: one page of all its jobs, made in one pass, that needs nothing else and no network."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from itertools import chain, islice
from typing import Any

from heightnet.report import archive_words as words
from heightnet.report.across_words import across_parts
from heightnet.report.page import environment, hash_of, script_json_text, style_sheet, template
from heightnet.report.pictures import drawing
from heightnet.report.story import DOUBTFUL, SOUND, WRONG

Record = dict[str, Any]

FIRST_ROWS = 200  # in the page as they are; the others are made of data when they are asked for
MOST_ROWS = 50_000  # the worst of them: a browser sorts so many at once
LISTED = 500  # of what was dropped and passed over
SCRIPTS = ("archive_top.js", "tables.js", "archive.js")
TONES = {
    WRONG: ("wrong", "Something contradicts"),
    DOUBTFUL: ("untested", "Nothing contradicts, but not everything was tested"),
    SOUND: ("closes", "Nothing contradicts"),
}
SIGNS = {
    "unexplained": "suspect", "many": "suspect", "wrong": "suspect", "unclear": "either", "error": "error",
    "untested": "unproved", "scatters": "weak", "closes": "proved",
}  # fmt: skip
"""The sign of a height's verdict that stands for each state."""


def page_pieces(
    head: Record, jobs: Iterator[Record], dropped: Iterable[str], passed_over: Iterable[dict[str, str]]
) -> Iterator[str]:
    """The text of index.html in pieces.

    Parameters
    ----------
    head : the facts of archive.json but for its lists.
    jobs : records of the jobs, worst first; read once.
    dropped, passed_over : as in archive.json.
    """
    style, script = style_sheet() + template("archive.css"), "".join(map(template, SCRIPTS))
    counts, tone = head["counts"], words.tone(head["counts"])
    sign, tone_says = TONES[tone]
    first = [(words.cells(job), job["report"]) for job in islice(jobs, FIRST_ROWS)]
    return environment().get_template("archive.html.j2").generate(
        head=head,
        counts=counts,
        version=head["heightnet"]["version"],
        tone=tone,
        tone_sign=sign,
        tone_says=tone_says,
        headline=words.headline(counts),
        lines=words.lines(head),
        across=across_parts(head["across"]) if head["across"] else [],
        verdicts=words.STATES,
        meanings=words.MEANINGS,
        columns=words.COLUMNS,
        first=first,
        shown=min(counts["checked"], MOST_ROWS),
        more_rows=_more_rows(islice(jobs, MOST_ROWS - FIRST_ROWS)),
        dropped=list(islice(dropped, LISTED)),
        passed_over=list(islice(passed_over, LISTED)),
        style=style,
        script=script,
        csp=(
            f"default-src 'none'; style-src {hash_of(style)}; script-src {hash_of(script)}; img-src data:; "
            "base-uri 'none'; form-action 'none'"
        ),
        signs={state: drawing.sign_svg(SIGNS[state]) for state in words.STATES},
    )  # fmt: skip


def _more_rows(jobs: Iterable[Record]) -> Iterator[str]:
    """The rows that are not in the page yet, as the JSON its script reads: cells, address of the report, nothing."""
    rows = (
        json.dumps([*words.cells(job), job["report"] or "", ""], ensure_ascii=False, separators=(",", ":"))
        for job in jobs
    )
    separators = chain([""], iter(lambda: ",\n", None))
    yield '{"jobs":['
    for separator, row in zip(separators, rows, strict=False):
        yield separator + script_json_text(row)
    yield "]}"
