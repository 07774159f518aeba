"""The page of a job that could not be read, where a command that writes a page would have written its own."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from heightnet import faults
from heightnet.errors import HeightnetError, InputErrors
from heightnet.report.console import one_line

PAGE = "not-read.html"
OURS = b'name="generator" content="heightnet '
HEAD = 4096  # bytes of a page within which it says who made it


def forget(command: str, given: Mapping[str, Any]) -> None:
    """Take away the page of an earlier run, lest it be taken for one of this; what we did not write stays."""
    with suppress(OSError, InputErrors):
        folder = _folder(command, given)
        page = folder / PAGE if folder else None
        if page and page.is_file():
            with page.open("rb") as stream:
                ours = OURS in stream.read(HEAD)
            if ours:
                page.unlink()


def show_in_place(error: InputErrors, command: str, given: Mapping[str, Any]) -> None:
    """Write the page and say in ``error.shown`` where it is, or why there is none; nothing where none is written.

    command, given : the name of the command and its arguments.
    """
    try:
        folder = _folder(command, given)
    except (OSError, InputErrors):  # nobody reads such a path: there is no table to show
        return
    if folder is None or given.get("no_page"):
        return
    try:
        error.shown = _written(error, command, given, folder)
    except OSError as failed:
        error.shown = f"No page of it could be written: {failed.strerror or failed}."
    except HeightnetError as refused:
        error.shown = f"No page of it was written: {refused}"
    except Exception as fault:  # what the job's own errors say must not be lost to one of ours
        error.shown = faults.tell([faults.Fault.of(fault)], at=" at the page of it")


def _folder(command: str, given: Mapping[str, Any]) -> Path | None:
    """The folder of a command's page; None where it writes none."""
    by_itself = command == "check" and not given["as_json"]
    if "job" not in given or not (by_itself or given.get("to")):
        return None
    from heightnet.job.read import job_name
    from heightnet.job.readers.registry import claimed

    home = claimed(given["job"])[1]
    return given["to"] or Path("reports") / job_name(home)


def _written(error: InputErrors, command: str, given: Mapping[str, Any], folder: Path) -> str:
    from heightnet.job.again import look_again
    from heightnet.job.mapping import to_keep
    from heightnet.job.readers.registry import claimed
    from heightnet.ledger.recorded import TABLES
    from heightnet.report.html import html
    from heightnet.report.not_read_words import not_read_document
    from heightnet.report.writing import spare_jobs, write_text

    job, columns = given["job"], given.get("columns")
    spare_jobs(folder, {f"{table}.csv" for table in TABLES})  # a report's own are there, and stay
    name = f"{'report' if command == 'check' else command}.html"
    older = name if (folder / name).is_file() else ""
    reader, home = claimed(job)
    story = not_read_document(
        one_line(home.resolve().name), error.problems, look_again(job, columns, error.problems),
        columns or to_keep(reader, home), f"heightnet {faults.at_work.full}", older,
    )  # fmt: skip
    page = write_text(folder / PAGE, [html(story)])
    said = f"The table with each problem in its cell: {one_line(page)}"
    return f"{said}\n{older} in that folder is of an earlier run." if older else said
