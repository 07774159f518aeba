"""One job of an archive: the same code as ``check``, and a record whatever becomes of it.

This is what a worker runs, in a pool of processes or on a cluster.  A job that is spoilt gives a record with its error,
never an exception; what was checked before and has not changed is not checked again.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Collection
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import heightnet
from heightnet.archives.find import Found
from heightnet.errors import HeightnetError, InputErrors
from heightnet.exits import Exit, status_of
from heightnet.faults import Fault
from heightnet.job.readers.registry import Reader, named, register
from heightnet.memory import TooLarge

if TYPE_CHECKING:
    from heightnet.job.model import Job

RECORD = 7  # raised when a record, or what `reduced_job` gives, holds something else: old ones are made anew
REPORTS = "jobs"  # folder of the reports in an archive's output
FIGURES = "figures"
NEW = ".new.part"  # what a report is written into before it takes the place of the old one
RESULTS, ERRORS = "results.json", "errors.txt"
OURS = (RESULTS, "report.html", "setups.csv", "targets.csv", "marks.csv", "sights.csv", ERRORS)
PROBLEMS_KEPT = 20
REFUSED = ":refused"  # at the end of the key of a job that has errors in place of results


@dataclass(frozen=True)
class Order:
    """What is to be done with every job.

    folder, output : of the archive, absolute.
    settings : settings to replace, as `heightnet.check` takes them.
    page : whether report.html and the figures are written too.
    hide : "" or the way observers are hidden, see `heightnet.job.observers`.
    hide_key : what their codes are made with, hexadecimal.
    seconds : that the search of one job may take; None: as many as its budget needs.
    readers, kinds : of field files, and modules of kinds of observations, that a worker has to be told of.
    hidden : what a workbook does not show, as in `heightnet.read_job`.
    """

    folder: str
    output: str
    settings: dict[str, Any] = field(default_factory=dict)
    page: bool = True
    hide: str = ""
    hide_key: str = ""
    seconds: float | None = None
    readers: tuple[Reader, ...] = ()
    kinds: tuple[str, ...] = ()
    hidden: str = ""


@dataclass(frozen=True)
class Outcome:
    """What became of one job; without a record where nothing had to be done.

    fault : what failed, where this program itself did.
    """

    path: str
    key: str
    record: dict[str, Any] | None = None
    reduced: dict[str, Any] | None = None
    fault: Fault | None = None


def check_jobs(jobs: list[tuple[Found, str | None]], order: Order) -> list[Outcome]:
    """Check some jobs, each with the key of its last check; one task of a worker."""
    for reader in order.readers:
        register(reader)
    for module in order.kinds:
        from heightnet.kinds.registry import learn

        learn(module)
    return [check_one(found, known, order) for found, known in jobs]


def check_one(found: Found, known: str | None, order: Order) -> Outcome:
    """Check one job, unless it was checked under this key and its report is there."""
    folder = report_folder(found, order)
    try:
        key = key_of(found, order)
        report = {key: RESULTS, key + REFUSED: ERRORS}.get(known or "")
        if known and report and (folder / report).is_file():
            return Outcome(found.path, known)
        tidy(found, order)
    except Exception as error:  # whatever it is: one job must not stop the others
        return refused(found, order, error)
    try:
        return _checked(found, order, key, folder)
    except Exception as error:
        return refused(found, order, error, key)


def key_of(found: Found, order: Order) -> str:
    """A hash of all that a record depends on: the job's content, the settings, this program's version."""
    digest = hashlib.sha256()
    path = Path(order.folder, found.path)
    for file in named(found.kind).files(path):
        digest.update(f"{file.name}\0".encode("utf-8", "surrogateescape"))
        with file.open("rb") as stream:
            digest.update(hashlib.file_digest(stream, "sha256").digest())
    made_with = {"record": RECORD, "heightnet": heightnet.__version__, "kind": found.kind, **asdict(order)}
    for name in ("folder", "output", "readers"):  # an archive may be moved; of readers that of the job counts
        del made_with[name]
    digest.update(json.dumps(made_with, sort_keys=True).encode("utf-8"))
    return digest.hexdigest()


def report_folder(found: Found, order: Order) -> Path:
    """Where a job's report goes: under the same path as the job."""
    name = Path(order.folder).name or "job" if found.path == "." else found.path
    return Path(order.output, REPORTS, *PurePosixPath(name).parts)


def _checked(found: Found, order: Order, key: str, folder: Path) -> Outcome:
    from heightnet.archives.record import record_of
    from heightnet.archives.reduced import reduced_job
    from heightnet.job.settings import with_settings
    from heightnet.result import Result
    from heightnet.tasks.check import facts_of, judged

    def quiet(stage: str) -> None:
        """Nobody watches one job of many."""

    job = _read(found, order)
    if order.settings:
        job = with_settings(job, order.settings)
    facts = judged(job, quiet, order.seconds)
    result = Result(facts_of(facts, quiet))
    result.write(folder / NEW, page=order.page)
    record = record_of(found, result, link(order, _put(folder)))
    reduced = reduced_job(facts.judgement, result.facts)
    return Outcome(found.path, key, record, reduced)


def _put(folder: Path) -> list[Path]:
    """A report just written takes the place of the old one; there are results only where all of it is there."""
    (folder / RESULTS).unlink(missing_ok=True)
    entries = sorted((folder / NEW).iterdir(), key=lambda entry: entry.name == RESULTS)
    _tidy(folder, keep=(NEW,))
    written = [entry.rename(folder / entry.name) for entry in entries]
    (folder / NEW).rmdir()
    return written


def _read(found: Found, order: Order) -> Job:
    """The job as ``check`` reads it."""
    from heightnet.job.read import read_job

    job = read_job(Path(order.folder, found.path), hidden=order.hidden)
    if order.hide:
        from heightnet.job.observers import hide_observers

        job = hide_observers(job, order.hide, bytes.fromhex(order.hide_key))
    return job


def refused(found: Found, order: Order, error: BaseException, key: str = "") -> Outcome:
    """The record of a job that could not be checked; the whole of its error goes into errors.txt."""
    from heightnet.archives.record import record_of_error

    text, said = _said(error, bool(order.hide))
    lasting = said["kind"] in ("input", "job")  # anything else may go well another day: the next run tries again
    key = key + REFUSED if key and lasting else ""
    folder = report_folder(found, order)
    try:
        from heightnet.report.writing import write_text

        _tidy(folder, keep=())
        written = [write_text(folder / ERRORS, [text, "\n"])]
    except OSError:  # a full disk: the record says at least what happened
        written = []
    fault = Fault.of(error) if status_of(error) is Exit.FAULT else None
    return Outcome(found.path, key, record_of_error(found, said, link(order, written)), fault=fault)


def _said(error: BaseException, hide: bool) -> tuple[str, dict[str, Any]]:
    """An error in full, and the facts of it that go into the record."""
    if isinstance(error, InputErrors):
        problems = [replace(p, read="(not shown)") for p in error.problems] if hide else list(error.problems)
        kept = [str(p) for p in problems[:PROBLEMS_KEPT]]
        text = str(InputErrors(problems))
        return text, {"kind": "input", "text": text.splitlines()[0], "problems": kept, "count": len(problems)}
    if isinstance(error, HeightnetError):
        kind, text = "memory" if isinstance(error, TooLarge) else "job", str(error)
    elif isinstance(error, MemoryError):
        kind, text = "memory", "The job needs more memory than there is."
    elif isinstance(error, OSError):
        place = f"{error.filename}: " if error.filename else ""
        kind, text = "file", f"Could not read or write {place}{error.strerror or error}."
    else:
        kind = "unexpected"
        shown = type(error).__name__ if hide else f"{type(error).__name__}: {error}"
        text = f"heightnet failed at this job, which is a fault of heightnet: {shown[:500]}"
    text = text.encode("utf-8", "backslashreplace").decode("utf-8")  # it may quote a path that is no text
    return text, {"kind": kind, "text": text.partition("\n")[0], "problems": [], "count": 0}


def lost(found: Found, order: Order) -> Outcome:
    """The record of a job whose worker was lost twice: once in company, and once when it was alone with it."""
    from heightnet.archives.record import record_of_error

    text = (
        "The process that checked this job was killed, twice: by the system for want of memory, or by a fault of a "
        "library. Check it by itself, on a machine with more memory."
    )
    said = {"kind": "killed", "text": text, "problems": [], "count": 0}
    return Outcome(found.path, "", record_of_error(found, said, None))


def link(order: Order, written: list[Path]) -> str | None:
    """The address of a job's report as seen from the index page: the page, else the results, else the errors."""
    names = {path.name: path for path in written}
    best = next((names[name] for name in ("report.html", RESULTS, ERRORS) if name in names), None)
    return None if best is None else quote(best.relative_to(order.output).as_posix(), errors="surrogateescape")


def tidy(found: Found, order: Order) -> None:
    """Take away what a process that was ended wrote by halves."""
    _tidy(report_folder(found, order), keep=(*OURS, FIGURES))


def _tidy(folder: Path, keep: Collection[str]) -> None:
    """Take away what an earlier run left: reports that no longer hold, what a process that died wrote by halves."""
    for half in folder.glob(".*.part"):
        if half.name not in keep:
            shutil.rmtree(half) if half.is_dir() else half.unlink(missing_ok=True)
    for name in OURS:
        if name not in keep:
            (folder / name).unlink(missing_ok=True)
    if FIGURES not in keep:
        shutil.rmtree(folder / FIGURES, ignore_errors=True)
