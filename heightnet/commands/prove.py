"""``heightnet prove JOB --setup S``"""

from __future__ import annotations

import sys
from pathlib import Path

import click


@click.command(name="prove")
@click.argument("job", type=click.Path(path_type=Path))
@click.option("--setup", required=True, metavar="S", help="The set-up whose height is to be proved.")
@click.option(
    "--tolerance", type=click.FloatRange(0.01, 1000.0), metavar="MM",
    help="Largest error that may stay in the instrument height; default: the job's tolerance.",
)  # fmt: skip
@click.option("--to", type=click.Path(path_type=Path), help="Folder for prove.html and prove.json.")
@click.option("--json", "as_json", is_flag=True, help="Print the facts as JSON.")
def command(job: Path, setup: str, tolerance: float | None, to: Path | None, as_json: bool) -> None:
    """Check shots: the instrument height of one set-up by each known mark, together, and against the tape.

    JOB is a folder of CSV tables, or a workbook. Exit status: 0 the taped height is accepted, or without any tape the
    marks give it and agree; 1 rejected, undecided, untested, or too weak to accept; 2 the job could not be read or has
    no such set-up.
    """
    import math

    from heightnet.job.read import read_job
    from heightnet.report.facts import as_written
    from heightnet.report.prove_words import prove_document
    from heightnet.report.task_output import give
    from heightnet.tasks.prove import exit_status, prove

    if tolerance is not None and math.isnan(tolerance):
        raise click.BadParameter("not a number", param_hint="--tolerance")
    facts = as_written(prove(read_job(job), setup, None if tolerance is None else tolerance / 1000))
    give("prove", facts, prove_document(facts), to, as_json)
    sys.exit(exit_status(facts))
