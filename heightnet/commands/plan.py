"""``heightnet plan JOB``"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path

import click

from heightnet.commands.command import Command, Number, columns_asked, outputs, recorded, tolerance_asked
from heightnet.exits import Exit
from heightnet.ledger.arguments import BUDGET, START, WALKING
from heightnet.ledger.ranges import MINUTES
from heightnet.tasks.measurements import WALKING as DEFAULT
from heightnet.tasks.measurements import Minutes


def _minutes(function: Callable[..., None]) -> Callable[..., None]:
    for kind in reversed(fields(Minutes)):
        function = click.option(
            f"--{kind.name.replace('_', '-')}", type=Number(MINUTES), default=kind.default, metavar="MIN",
            show_default=True, help=f"Minutes for {kind.metadata['what']}.",
        )(function)  # fmt: skip
    return function


def _names(ctx: click.Context, param: click.Parameter, value: str | None) -> list[str] | None:
    """Names with commas between them."""
    return None if value is None else [part.strip() for part in value.split(",") if part.strip()]


@click.command(name="plan", cls=Command)
@click.argument("job", type=click.Path(path_type=Path))
@columns_asked
@click.option("--budget", type=Number(BUDGET), metavar="MIN", help=BUDGET.meaning)
@tolerance_asked
@click.option("--planned", is_flag=True, help="Nothing is observed yet: rough values, blank heights will be taped.")
@click.option("--gone", is_flag=True, help="The set-ups are taken down: only what works without them.")
@click.option(
    "--stands", metavar="NAMES", callback=_names,
    help="Set-ups and targets that still stand, S4,S5 say: all others are gone.",
)  # fmt: skip
@click.option(
    "--walking", type=Number(WALKING), default=DEFAULT, metavar="MIN", show_default=True, help=WALKING.meaning
)
@click.option("--start", metavar="MARK", help=START.meaning)
@outputs("Folder for plan.html and plan.json.", "plan")
@_minutes
def command(
    job: Path,
    columns: Path | None,
    hidden: str | None,
    budget: float | None,
    tolerance: float | None,
    planned: bool,
    gone: bool,
    stands: list[str] | None,
    walking: float,
    start: str | None,
    to: Path | None,
    pdf: bool,
    as_json: bool,
    **minutes: float,
) -> None:
    """Which measurements prove every height for the fewest minutes: before going back, or before going out.

    JOB is a folder of CSV tables, a workbook or a LandXML file.
    """
    from heightnet.answers import plan
    from heightnet.report.task_output import give

    chosen = Minutes(**minutes)
    answer = plan(
        recorded(job, columns, hidden), tolerance_mm=tolerance, budget=budget, minutes=chosen, planned=planned,
        gone=gone, stands=stands, walking=walking, start=start,
    )  # fmt: skip
    give(answer, as_json, to, pdf)
    sys.exit(Exit(answer.status))
