"""``heightnet bust JOB``"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from heightnet.commands.command import Command, Number, columns_asked, outputs, recorded
from heightnet.exits import Exit
from heightnet.ledger.ranges import CLOSING_KM, CLOSING_SETUPS


@click.command(name="bust", cls=Command)
@click.argument("job", type=click.Path(path_type=Path))
@columns_asked
@click.option(
    "--closing", type=Number(CLOSING_KM), metavar="C",
    help="Limit of your own: C mm per root kilometre; without any three times what the job's precision lets expect.",
)  # fmt: skip
@click.option("--closing-setups", type=Number(CLOSING_SETUPS), metavar="C", help="Limit: C mm per root set-up.")
@click.option("--points-stand", is_flag=True, help="Change points can be found again; re-levelling may begin at them.")
@outputs("Folder for bust.html and bust.json.", "bust")
def command(
    job: Path,
    columns: Path | None,
    hidden: str | None,
    closing: float | None,
    closing_setups: float | None,
    points_stand: bool,
    to: Path | None,
    pdf: bool,
    as_json: bool,
) -> None:
    """A level run or loop does not close: say where, why, and what to level again.

    JOB is a folder of CSV tables, a workbook or a LandXML file: staff readings, levelled differences and sights in any
    mixture.
    """
    from heightnet.answers import bust
    from heightnet.report.task_output import give

    answer = bust(
        recorded(job, columns, hidden), closing=closing, closing_setups=closing_setups, points_stand=points_stand
    )
    give(answer, as_json, to, pdf)
    sys.exit(Exit(answer.status))
