"""``heightnet bust JOB``"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from heightnet.commands.command import Command
from heightnet.exits import Exit


@click.command(name="bust", cls=Command)
@click.argument("job", type=click.Path(path_type=Path))
@click.option(
    "--tolerance", "asked", default="fgcc-3", show_default=True, metavar="NAME|C",
    help="What may be missed: fgcc-1-1 to fgcc-3, icsm-l2a to icsm-le, canada-special to canada-4, australia-1, or "
    "your own C in C mm * sqrt(km).",
)  # fmt: skip
@click.option("--points-stand", is_flag=True, help="Change points can be found again; re-levelling may begin at them.")
@click.option("--to", type=click.Path(path_type=Path), help="Folder for bust.html and bust.json.")
@click.option("--json", "as_json", is_flag=True, help="Print the facts as JSON.")
def command(job: Path, asked: str, points_stand: bool, to: Path | None, as_json: bool) -> None:
    """A level run or loop does not close: say where, why, and what to level again.

    JOB is a folder of CSV tables, a workbook or a LandXML file: staff readings, levelled differences and sights in any
    mixture.
    """
    from heightnet.job.read import read_job
    from heightnet.network.tolerance import tolerance
    from heightnet.report.bust_words import bust_document
    from heightnet.report.facts import as_written
    from heightnet.report.task_output import give
    from heightnet.tasks.bust import bust, exit_status

    rule = tolerance(asked)
    facts = as_written(bust(read_job(job), rule, points_stand=points_stand))
    give("bust", facts, lambda: bust_document(facts), as_json, to)
    sys.exit(Exit(exit_status(facts)))
