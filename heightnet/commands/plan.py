"""``heightnet plan JOB``"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import click

KINDS = {  # minutes of each kind; tests hold them equal to those of heightnet.tasks.plan.Minutes
    "other_scale": (1.0, "reading the tape's other scale"),
    "other_person": (2.0, "a second taping by another person"),
    "in_parts": (3.0, "a second taping in parts"),
    "check_shot": (4.0, "a shot to a pole on a known mark"),
    "pole_shot": (5.0, "a shot to a pole on another mark"),
    "antenna_reoccupation": (40.0, "putting an antenna up again and observing"),
    "level_tie": (15.0, "levelling between two marks"),
    "reoccupation": (20.0, "setting up again over a mark"),
    "relevel": (5.0, "each set-up of a stretch levelled again"),
}


def _number(ctx: click.Context, param: click.Parameter, value: float | None) -> float | None:
    """Ranges let NaN through."""
    if value is not None and math.isnan(value):
        raise click.BadParameter("not a number")
    return value


def _minutes(command: click.Command) -> click.Command:
    for kind, (minutes, what) in KINDS.items():
        option = click.Option(
            [f"--{kind.replace('_', '-')}"], type=click.FloatRange(0.01, 10_000.0), default=minutes, metavar="MIN",
            show_default=True, callback=_number, help=f"Minutes for {what}.",
        )  # fmt: skip
        command.params.append(option)
    return command


@_minutes
@click.command(name="plan")
@click.argument("job", type=click.Path(path_type=Path))
@click.option(
    "--budget", type=click.FloatRange(0.0, 100_000.0), callback=_number, metavar="MIN",
    help="Minutes there are; default: as many as it takes.",
)  # fmt: skip
@click.option(
    "--tolerance", type=click.FloatRange(0.01, 1000.0), callback=_number, metavar="MM",
    help="A height error this large must not be able to hide; default: the job's.",
)  # fmt: skip
@click.option("--planned", is_flag=True, help="Nothing is observed yet: rough values, blank heights will be taped.")
@click.option("--gone", is_flag=True, help="The set-ups are taken down: only what works without them.")
@click.option("--to", type=click.Path(path_type=Path), help="Folder for plan.html and plan.json.")
@click.option("--json", "as_json", is_flag=True, help="Print the facts as JSON.")
def command(
    job: Path,
    budget: float | None,
    tolerance: float | None,
    planned: bool,
    gone: bool,
    to: Path | None,
    as_json: bool,
    **minutes: float,
) -> None:
    """Which measurements prove every height for the fewest minutes: before going back, or before going out.

    JOB is a folder of CSV tables, or a workbook. Exit status: 0 after these steps every height is proved, 1 some is
    not or the job contradicts itself, 2 the job could not be read.
    """
    from heightnet.job.read import read_job
    from heightnet.report.facts import as_written
    from heightnet.report.plan_words import plan_document
    from heightnet.report.task_output import give
    from heightnet.tasks.plan import Minutes, exit_status, plan

    facts = as_written(
        plan(
            read_job(job),
            tolerance=None if tolerance is None else tolerance / 1000,
            budget=budget,
            minutes=Minutes(**minutes),
            planned=planned,
            gone=gone,
        )
    )
    give("plan", facts, plan_document(facts), to, as_json)
    sys.exit(exit_status(facts))
