"""``heightnet prove JOB --setup S``, ``--all``, ``--mark M``"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from heightnet.commands.command import Command, Number
from heightnet.exits import Exit
from heightnet.ledger.ranges import TOLERANCE_MM


@click.command(name="prove", cls=Command)
@click.argument("job", type=click.Path(path_type=Path))
@click.option("--setup", metavar="S", help="The set-up whose height is to be proved.")
@click.option("--all", "every", is_flag=True, help="Every check shot to a known mark, as one table.")
@click.option("--mark", metavar="M", help="The known mark that is to be proved: is it where it is listed?")
@click.option(
    "--tolerance", type=Number(TOLERANCE_MM), metavar="MM",
    help="Largest error that may stay in a height; default: the job's tolerance.",
)  # fmt: skip
@click.option("--to", type=click.Path(path_type=Path), help="Folder for prove.html, prove.json and check-shots.csv.")
@click.option("--json", "as_json", is_flag=True, help="Print the facts as JSON.")
def command(
    job: Path, setup: str | None, every: bool, mark: str | None, tolerance: float | None, to: Path | None, as_json: bool
) -> None:
    """Check shots: the instrument height of one set-up by each known mark, together, and against the tape; with --all
    every check shot of the job; with --mark whether one known mark is where it is listed.

    JOB is a folder of CSV tables, a workbook or a LandXML file.
    """
    from heightnet.job.read import read_job
    from heightnet.report.facts import as_written
    from heightnet.report.task_output import give
    from heightnet.report.writing import write_text
    from heightnet.tasks import prove_marks
    from heightnet.tasks.prove import exit_status, prove

    if sum((setup is not None, every, mark is not None)) != 1:
        raise click.UsageError("Say what is to be proved: --setup S, --all, or --mark M; one of them.")
    limit = None if tolerance is None else tolerance / 1000
    recorded = read_job(job)
    if setup is not None:
        from heightnet.report.prove_words import prove_document

        facts = as_written(prove(recorded, setup, limit))
        give("prove", facts, lambda: prove_document(facts), as_json, to)
        sys.exit(Exit(exit_status(facts)))
    from heightnet.report.prove_marks_words import check_shots_csv, prove_all_document, prove_mark_document

    found = prove_marks.prove_all(recorded, limit) if mark is None else prove_marks.prove_mark(recorded, mark, limit)
    facts = as_written(found)
    story = prove_all_document if mark is None else prove_mark_document
    if to is not None:
        write_text(to / "check-shots.csv", [check_shots_csv(facts)])
    give("prove", facts, lambda: story(facts), as_json, to)
    sys.exit(Exit(prove_marks.exit_status(facts)))
