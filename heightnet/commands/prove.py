"""``heightnet prove JOB --setup S``, ``--all``, ``--mark M``"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from heightnet.commands.command import Command, columns_asked, outputs, recorded, tolerance_asked
from heightnet.exits import Exit


@click.command(name="prove", cls=Command)
@click.argument("job", type=click.Path(path_type=Path))
@columns_asked
@click.option("--setup", metavar="S", help="The set-up whose height is to be proved.")
@click.option("--all", "every", is_flag=True, help="Every check shot to a known mark, as one table.")
@click.option("--mark", metavar="M", help="The known mark that is to be proved: is it where it is listed?")
@tolerance_asked
@outputs("Folder for prove.html, prove.json and check-shots.csv.", "prove")
def command(
    job: Path,
    columns: Path | None,
    hidden: str | None,
    setup: str | None,
    every: bool,
    mark: str | None,
    tolerance: float | None,
    to: Path | None,
    pdf: bool,
    as_json: bool,
) -> None:
    """Check shots: the instrument height of one set-up by each known mark, together, and against the tape; with --all
    every check shot of the job; with --mark whether one known mark is where it is listed.

    JOB is a folder of CSV tables, a workbook or a LandXML file.
    """
    from heightnet.answers import prove
    from heightnet.report.task_output import give

    if sum((setup is not None, every, mark is not None)) != 1:
        raise click.UsageError("Say what is to be proved: --setup S, --all, or --mark M; one of them.")
    answer = prove(recorded(job, columns, hidden), setup=setup, mark=mark, tolerance_mm=tolerance)
    give(answer, as_json, to, pdf)
    sys.exit(Exit(answer.status))
