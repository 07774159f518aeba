"""``heightnet check JOB``"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import click

from heightnet.commands.command import (
    Command,
    Number,
    columns_asked,
    outputs,
    recorded,
    settings_asked,
    tolerance_asked,
)
from heightnet.exits import STRICT, Exit
from heightnet.ledger.arguments import FIGURES, SECONDS
from heightnet.report.console import console, one_line, say_json
from heightnet.report.console import say as print_line

STAGES_SHOWN_AFTER_S = 2.0


def progress() -> Callable[[str], None]:
    """Says each stage on stderr once the work has taken long enough for a person to wonder."""
    begun = time.monotonic()

    def say(stage: str) -> None:
        seconds = time.monotonic() - begun
        if seconds > STAGES_SHOWN_AFTER_S:
            print_line(f"{seconds:6.1f} s  {stage}", err=True)

    return say


@click.command(name="check", cls=Command)
@click.argument("job", type=click.Path(path_type=Path))
@columns_asked
@tolerance_asked
@click.option("--rates", type=click.Path(path_type=Path), help="Prior rates, such as the rates.toml of an archive.")
@click.option("--seconds", type=Number(SECONDS), metavar="S", help="Stop the search for errors after so many seconds.")
@click.option("--strict", is_flag=True, help=f"Exit status 1 too where {STRICT}.")
@click.option("--no-page", is_flag=True, help="Leave out report.html and the figures.")
@click.option(
    "--figures", type=click.Choice(FIGURES.choices), multiple=True, help="Write the pictures as such files too."
)
@outputs("Folder for the report; default: reports/<job name>, with --json none.", "report")
def command(
    job: Path, columns: Path | None, hidden: str | None, to: Path | None, tolerance: float | None, rates: Path | None,
    seconds: float | None, strict: bool, no_page: bool, figures: tuple[str, ...], pdf: bool, as_json: bool,
) -> None:  # fmt: skip
    """Read a job, adjust it, test every height and write the report.

    JOB is a folder of CSV tables, a workbook or a LandXML file.
    """
    from heightnet.tasks.check import check

    if pdf and no_page:
        raise click.UsageError("--pdf prints the page, which --no-page leaves out.")
    say = progress()
    say("reading")
    read = recorded(job, columns, hidden)
    result = check(read, say=say, seconds=seconds, **settings_asked(tolerance, rates))
    folder = to if as_json else to or Path("reports") / read.name
    if folder:
        say("writing the report")
        result.write(folder, page=not no_page, figures=figures)
        if pdf:
            from heightnet.report.pdf import print_page

            print_page(folder / "report.html", folder / "report.pdf")
    if as_json:
        say_json(result.to_json())
    elif folder:
        from heightnet.report.text import show

        show(result.story, console())
        page_ = folder / "report.html"
        print_line(f"The whole report: {one_line(page_ if page_.exists() else folder / 'results.json')}")
    sys.exit(Exit(result.exit_status(strict=strict)))
