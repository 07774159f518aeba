"""``heightnet new PATH``"""

from __future__ import annotations

from pathlib import Path

import click

from heightnet.commands.command import Command
from heightnet.report.console import one_line, say


@click.command(name="new", cls=Command)
@click.argument("path", type=click.Path(path_type=Path))
def command(path: Path) -> None:
    """Write an empty job to fill in, with every column.

    PATH is a folder for CSV tables, or a file ending in .xlsx for a workbook with lists to choose from. Nothing that is
    there already is overwritten.
    """
    from heightnet.job.template import new_folder, new_workbook

    if path.suffix.casefold() == ".xlsx":
        new_workbook(path)
        said = "a sheet for each table; the sheet 'notes on columns' says what each column holds."
    else:
        new_folder(path)
        said = "a CSV file for each table; columns.txt says what each column holds."
    say(f"Wrote {one_line(path)}: {said}")
    say("Tables you do not need may stay empty. Then: heightnet check " + one_line(path))
