"""``heightnet tape READING...``"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from heightnet.commands.command import Command, Number, outputs
from heightnet.exits import Exit
from heightnet.ledger.ranges import TAPE_SD_MM, WORK_MM


@click.command(name="tape", cls=Command)
@click.argument("readings", nargs=-1, required=True, metavar="READING...")
@click.option("--slant", is_flag=True, help="The readings are slant: from the mark to a point beside the axis.")
@click.option("--radius", default="", metavar="LENGTH", help="Horizontal distance from the axis to that point: 100mm.")
@click.option("--offset", default="", metavar="LENGTH", help="From that point up to the axis, down negative: 52mm.")
@click.option(
    "--scale", type=click.Choice(["m", "mm", "ft", "ftUS", "ftin"]), default=None, help="Of numbers without a unit."
)
@click.option(
    "--sd", "sd_mm", type=Number(TAPE_SD_MM), default=1.0, metavar="MM",
    help="Standard deviation of one reading; 1 if not given.",
)  # fmt: skip
@click.option(
    "--work", "work_mm", type=Number(WORK_MM), multiple=True, metavar="MM",
    help="May the slant reduction be left out in work to so many millimetres? Default: 1, 3 and 10.",
)  # fmt: skip
@outputs("Folder for tape.html and tape.json.", "tape")
def command(
    readings: tuple[str, ...],
    slant: bool,
    radius: str,
    offset: str,
    scale: str | None,
    sd_mm: float,
    work_mm: tuple[float, ...],
    to: Path | None,
    pdf: bool,
    as_json: bool,
) -> None:
    """Reduce the tape readings of one height, say whether they agree, and what to book.

    \b
    heightnet tape 1.586 "5' 2 7/16\\""
        metres, and feet and inches
    heightnet tape 1.592 5.222ft --slant --radius 100mm
        two slants to a side mark
    heightnet tape "1.592, slant, radius 100mm" 1.589
        a slant, and one upright
    heightnet tape "1.343 + 0.243" 1.586
        two parts, and one length
    """
    from heightnet.answers import tape
    from heightnet.errors import InputErrors
    from heightnet.report.console import say
    from heightnet.report.task_output import give

    try:
        answer = tape(
            readings, slant=slant, radius=radius, offset=offset, scale=scale or "", sd_mm=sd_mm, work_mm=work_mm
        )
    except InputErrors as errors:
        say("\n".join(str(problem) for problem in errors.problems), err=True)
        sys.exit(Exit.REFUSED)
    give(answer, as_json, to, pdf)
    sys.exit(Exit(answer.status))
