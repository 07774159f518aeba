"""``heightnet import FILE.xml JOB``"""

from __future__ import annotations

from pathlib import Path

import click

from heightnet.commands.command import Command
from heightnet.report.console import one_line, say

DOUBTS_SHOWN = 20


@click.command(name="import", cls=Command)
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("job", type=click.Path(path_type=Path))
@click.option(
    "--known", multiple=True, metavar="POINT",
    help="A point whose elevation in the file is known beforehand; may be given several times.",
)  # fmt: skip
def command(file: Path, job: Path, known: tuple[str, ...]) -> None:
    """Make a job folder of a LandXML file (1.0, 1.1 or 1.2).

    Every element used, ignored or doubted is listed with its line in import-log.txt, in the new folder JOB. Nothing
    that is there already is overwritten.
    """
    from heightnet.job.landxml_job import LOG, import_landxml
    from heightnet.job.read import read_job

    imported, to = import_landxml(file, job, known), one_line(job)
    tables = ", ".join(f"{len(imported.job.tables[t])} {t}" for t in ("marks", "setups", "targets", "shots", "staff"))
    say(f"Wrote {to}: {tables}.")
    known_marks = int(imported.job.marks["height"].notna().sum())
    say(f"Known heights: {known_marks}." if known_marks else "No height is known; heights will be relative.")
    fates = ", ".join(f"{imported.fates.get(fate, 0)} {fate}" for fate in ("used", "ignored", "doubted"))
    say(f"Elements of {one_line(file.name)}: {fates}; each with its line in {to}/{LOG}.")
    if imported.doubts:
        say("Have a look at:")
        for doubt in imported.doubts[:DOUBTS_SHOWN]:
            say(f"  {doubt}")
        if len(imported.doubts) > DOUBTS_SHOWN:
            say(f"  ... and {len(imported.doubts) - DOUBTS_SHOWN} more in {to}/{LOG}")
    read_job(job)  # what the file holds may still be no job: say so now, with rows of the tables written
    say(f"Then: heightnet show {to}, heightnet check {to}")
