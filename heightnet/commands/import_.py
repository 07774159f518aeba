"""``heightnet import FILE JOB``"""

from __future__ import annotations

from pathlib import Path

import click

from heightnet.commands.command import Command, ask_hidden, asking, columns_asked, recorded
from heightnet.report.console import one_line, say

DOUBTS_SHOWN = 20


@click.command(name="import", cls=Command)
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("job", type=click.Path(path_type=Path))
@click.option(
    "--known", multiple=True, metavar="POINT",
    help="A point whose elevation in the file is known beforehand; may be given several times.",
)  # fmt: skip
@click.option(
    "--with", "further", multiple=True, type=click.Path(path_type=Path, exists=True, dir_okay=False), metavar="FILE",
    help="Another text file that is read with it; may be given several times.",
)  # fmt: skip
@columns_asked
def command(
    file: Path, job: Path, known: tuple[str, ...], further: tuple[Path, ...], columns: Path | None, hidden: str | None
) -> None:
    """Make a job folder of an export: a text file with a table in it, a workbook, or a LandXML file (1.0, 1.1, 1.2).

    Five rows are shown as they stand in the file and as they are understood. What the file leaves open is asked at a
    terminal, and the answers are kept in columns.toml beside the file, so that the next file with the same headings is
    read without a question; elsewhere the line to write there is said. Cells are written as the file has them. Every
    element of a LandXML file that was used, ignored or doubted is listed with its line in import-log.txt, in the new
    folder JOB. Nothing that is there already is overwritten.
    """
    from heightnet.job.bring_in import LOG, bring_in
    from heightnet.report.preview_words import preview_lines

    ask, to = ask_hidden(file, columns), one_line(job)
    brought = asking(lambda: bring_in(file, job, known, columns, further, hidden or "", ask), file, columns)
    for seen in brought.previews:
        for line in preview_lines(seen):
            say(line)
    say(f"Wrote {to}.")
    for note in brought.notes:
        if note.kind != "doubt":
            say(f"{one_line(note.file or file.name)}: {note.text}.")
    if brought.logged:
        say(f"What became of each part of the file: {to}/{LOG}.")
    doubted = [note for note in brought.notes if note.kind == "doubt"]
    # a sheet of a workbook is named, a file is known
    if doubts := [f"{n.file}: {n.text}" if n.file not in ("", file.name) else n.text for n in doubted]:
        say("Have a look at:")
        for doubt in doubts[:DOUBTS_SHOWN]:
            say(f"  {doubt}")
        if len(doubts) > DOUBTS_SHOWN:
            say(f"  ... and {len(doubts) - DOUBTS_SHOWN} more" + (f" in {to}/{LOG}" if brought.logged else ""))
    read = recorded(job, None)  # what the file holds may still be no job: say so now, with rows of the tables written
    tables = ", ".join(f"{len(frame)} {table}" for table, frame in read.tables.items() if len(frame))
    known_marks = int(read.marks["height"].notna().sum())
    say(f"Read: {tables}.")
    say(f"Known heights: {known_marks}." if known_marks else "No height is known; heights will be relative.")
    say(f"Then: heightnet show {to}, heightnet check {to}")
