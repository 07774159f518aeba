"""``heightnet show JOB``"""

from __future__ import annotations

from pathlib import Path

import click

from heightnet.commands.command import Command, columns_asked, outputs, recorded


@click.command(name="show", cls=Command)
@click.argument("job", type=click.Path(path_type=Path))
@columns_asked
@click.option("--all", "everything", is_flag=True, help="Every row of every section, however long.")
@outputs("Folder for show.html and show.json.", "show")
def command(
    job: Path, columns: Path | None, hidden: str | None, everything: bool, to: Path | None, pdf: bool, as_json: bool
) -> None:
    """Print what was read, before any adjustment.

    Tables, units, equipment, how each height was reduced, which shots belong to which set-up, what ties to what, which
    heights nothing tests, and odd values. JOB is a folder of CSV tables, a workbook or a LandXML file.
    """
    from heightnet.answers import show
    from heightnet.report.task_output import give

    give(show(recorded(job, columns, hidden), everything=everything), as_json, to, pdf)
