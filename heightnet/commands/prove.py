"""``heightnet prove JOB --setup S``"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from heightnet.commands.command import Command, Number
from heightnet.exits import Exit
from heightnet.ledger.ranges import TOLERANCE_MM


@click.command(name="prove", cls=Command)
@click.argument("job", type=click.Path(path_type=Path))
@click.option("--setup", required=True, metavar="S", help="The set-up whose height is to be proved.")
@click.option(
    "--tolerance", type=Number(TOLERANCE_MM), metavar="MM",
    help="Largest error that may stay in the instrument height; default: the job's tolerance.",
)  # fmt: skip
@click.option("--to", type=click.Path(path_type=Path), help="Folder for prove.html and prove.json.")
@click.option("--json", "as_json", is_flag=True, help="Print the facts as JSON.")
def command(job: Path, setup: str, tolerance: float | None, to: Path | None, as_json: bool) -> None:
    """Check shots: the instrument height of one set-up by each known mark, together, and against the tape.

    JOB is a folder of CSV tables, a workbook or a LandXML file.
    """
    from heightnet.job.read import read_job
    from heightnet.report.facts import as_written
    from heightnet.report.prove_words import prove_document
    from heightnet.report.task_output import give
    from heightnet.tasks.prove import exit_status, prove

    facts = as_written(prove(read_job(job), setup, None if tolerance is None else tolerance / 1000))
    give("prove", facts, lambda: prove_document(facts), as_json, to)
    sys.exit(Exit(exit_status(facts)))
