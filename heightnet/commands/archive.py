"""``heightnet archive FOLDER``"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from heightnet.commands.command import Command, Number, hidden_asked, outputs, settings_asked, tolerance_asked
from heightnet.exits import STRICT, Exit
from heightnet.ledger.arguments import HIDE, SECONDS, WORKERS

if TYPE_CHECKING:
    from rich.console import Console

    from heightnet.archives.screen import Screened


@click.command(name="archive", cls=Command)
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--workers", type=Number(WORKERS), help=WORKERS.meaning)
@click.option(
    "--scheduler", default="", metavar="ADDRESS", help="Use the workers of this Dask scheduler, tcp://host:8786."
)
@click.option("--no-page", is_flag=True, help="Leave out each job's report.html and figures; the index is written.")
@click.option("--again", is_flag=True, help="Check what has not changed too.")
@click.option(
    "--hide-observers", "hide", type=click.Choice(HIDE.choices), default=None,
    help="Write codes or initials in place of the observers' names.",
)  # fmt: skip
@hidden_asked
@click.option("--parquet/--no-parquet", default=None, help="Write archive.parquet; default: if pyarrow is installed.")
@tolerance_asked
@click.option("--rates", type=click.Path(path_type=Path), help="Prior rates, such as the rates.toml of an archive.")
@click.option(
    "--seconds",
    type=Number(SECONDS),
    metavar="S",
    help="Stop the search for errors in a job after so many seconds.",
)
@click.option("--strict", is_flag=True, help=f"Exit status 1 too where {STRICT}.")
@outputs("Folder for index and reports; default: reports/archive-<folder name>.", "index", "--output")
def command(
    folder: Path, to: Path | None, workers: int | None, scheduler: str, no_page: bool, again: bool,
    hide: str | None, hidden: str | None, parquet: bool | None, tolerance: float | None, rates: Path | None,
    seconds: float | None, strict: bool, pdf: bool, as_json: bool,
) -> None:  # fmt: skip
    """Check every job below FOLDER and write one index page of them.

    Jobs are folders of CSV tables, workbooks and LandXML files. A job that cannot be read is listed with its error and
    stops nothing. A second run checks only what is new or changed. Ctrl-C keeps what is done.
    """
    from heightnet.archives.run import Stop
    from heightnet.archives.screen import screen_archive
    from heightnet.report.archive_words import done_document
    from heightnet.report.console import console, one_line, say, say_json
    from heightnet.report.text import show

    output = to or Path("reports") / f"archive-{folder.resolve().name}"
    go_on = "What is done is kept. To go on, run the same command again."
    with (
        _Bar(console(err=True)) as bar,
        Stop(lambda: bar.say("Stopping after the jobs at work; Ctrl-C again to stop at once.")) as stop,
    ):
        try:
            done = screen_archive(
                folder, output, workers=workers, scheduler=scheduler, page=not no_page, again=again, hide=hide or "",
                hidden=hidden or "", parquet=parquet, seconds=seconds, tell=bar.tell, stop=stop,
                **settings_asked(tolerance, rates),
            )  # fmt: skip
        except KeyboardInterrupt:
            bar.say(f"Stopped. {go_on}")
            sys.exit(Exit.INTERRUPTED)
    no_parquet = parquet is None and not any(path.name == "archive.parquet" for path in done.written)
    if pdf:
        from heightnet.report.pdf import print_page

        print_page(done.output / "index.html", done.output / "index.pdf")
    if as_json:
        with (done.output / "archive.json").open(encoding="utf-8") as lines:
            for line in lines:  # one job a line: an archive's facts may be larger than the memory
                say_json(line)
    else:
        show(done_document(done.folder.name, done.counts, done.checked, no_parquet), console())
        say(f"The index: {one_line(done.output / 'index.html')}")
    if done.faults:
        say(_faults(done), err=True)
    if done.stopped:
        say(f"Stopped: {done.counts['waiting']:,} jobs are not checked yet. {go_on}", err=True)
        sys.exit(Exit.INTERRUPTED)
    sys.exit(done.exit_status(strict))


class _Bar:
    """A bar with rate and time left on stderr; where that is no terminal, a line now and then."""

    LINE_EVERY_S = 30.0
    RATE_AFTER_S = 2.0

    def __init__(self, console: Console) -> None:
        from rich.progress import BarColumn, TextColumn

        from heightnet.report.console import progress

        columns = TextColumn("{task.description}"), BarColumn(), TextColumn("{task.fields[said]}")
        self._console = console
        self._bar = progress(*columns, to=console)
        self._stage, self._begun, self._line_at = "", 0.0, time.monotonic()
        self._task = self._bar.add_task("", total=None, said="")

    def __enter__(self) -> _Bar:
        self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._bar.stop()

    def say(self, text: str) -> None:
        from heightnet.report.console import put

        put(self._bar.console, text)

    def tell(self, stage: str, done: int, total: int) -> None:
        from heightnet.report.archive_words import STAGES, progress_in_words

        now = time.monotonic()
        if stage != self._stage:
            self._stage, self._begun = stage, now
            self._bar.remove_task(self._task)
            self._task = self._bar.add_task(STAGES[stage], total=total or None, said="")
        said = progress_in_words(done, total, now - self._begun if now - self._begun > self.RATE_AFTER_S else 0.0)
        self._bar.update(self._task, completed=done, said=said)
        if not self._console.is_terminal and now - self._line_at > self.LINE_EVERY_S:
            self._line_at = now
            self.say(f"{STAGES[stage]}: {said}")


def _faults(done: Screened) -> str:
    """What is said where heightnet itself failed at some jobs; of those that failed alike one is kept."""
    from heightnet.faults import tell

    kept = {fault.where: (fault, path) for path, fault in done.faults.items()}.values()
    at = f" at {len(done.faults):,} of {done.counts['found']:,} jobs"
    return tell([fault for fault, _ in kept], [(f"jobs/{path}", done.folder / path) for _, path in kept], at)
