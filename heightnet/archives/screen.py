"""Screening an archive: find every job, check what is new or changed, tell all of them together."""

from __future__ import annotations

import os
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import heightnet
from heightnet.archives import run
from heightnet.archives.find import STORE_FILE, find_jobs
from heightnet.archives.index import write_index
from heightnet.archives.one import RECORD, REPORTS, Order
from heightnet.archives.store import Store
from heightnet.errors import HeightnetError
from heightnet.exits import Exit
from heightnet.faults import Fault
from heightnet.job.readers.registry import added, readers
from heightnet.kinds import ADDED
from heightnet.result import CONTRADICTED

Tell = Callable[[str, int, int], None]
"""Told the stage ("finding", "checking", "writing"), how many are done and how many there are (0: not known)."""


@dataclass(frozen=True)
class Screened:
    """What a run did.

    counts : of the whole archive, see `Store.counts`.
    checked : jobs checked in this run; all others were as they had been.
    stopped : asked to stop before everything was done.
    written : the files of the index.
    faults : by the path of a job, what failed there where this program itself did.
    """

    folder: Path
    output: Path
    counts: dict[str, int]
    checked: int
    stopped: bool
    written: list[Path]
    faults: dict[str, Fault] = field(default_factory=dict)

    def exit_status(self, strict: bool = False) -> Exit:
        """The highest that ``check`` gives for any of the jobs."""
        counts = self.counts
        if self.faults:
            return Exit.FAULT
        if counts["error"]:
            return Exit.REFUSED
        found = sum(counts[state] for state in CONTRADICTED)
        found += counts["gaps"] + counts["untested"] + counts["scatters"] if strict else 0
        return Exit.CONTRADICTED if found else Exit.FINE


def screen_archive(
    folder: str | Path,
    output: str | Path,
    *,
    workers: int | None = None,
    scheduler: str = "",
    page: bool = True,
    again: bool = False,
    hide: str = "",
    hidden: str = "",
    parquet: bool | None = None,
    seconds: float | None = None,
    tell: Tell = lambda stage, done, total: None,
    stop: Callable[[], bool] = lambda: False,
    **settings: Any,
) -> Screened:
    """Check every job below a folder and write one index of them.

    Parameters
    ----------
    folder : where the jobs are.
    output : where reports and index go; what an earlier run wrote there is built upon.
    workers : processes on this machine; None: as many as it has cores for this program.
    scheduler : address of a Dask scheduler, ``tcp://host:8786``, whose workers are used instead.
    page : whether each job gets a report.html with figures, or its results and tables only.
    again : check what has not changed too.
    hide, hidden : "" or how observers are hidden: "codes", "initials"; what a workbook does not show, as in `read_job`.
    parquet : whether archive.parquet is written; None: if pyarrow is installed.
    seconds : that the search of one job may take, as in `heightnet.check`.
    tell, stop : see `Tell`; asked now and then whether to stop.
    settings : settings to replace in every job, as in `heightnet.check`.

    Raises
    ------
    WrongSettings : a setting, or another argument, keeps no rule.
    HeightnetError : there is no job, no worker, or the output belongs to another archive, is hidden otherwise or holds
        something else.
    """
    from heightnet.job.settings import check_arguments, check_values

    check_values(settings)  # wrong ones are said once, before any job is looked for
    check_arguments(seconds=seconds, workers=workers, hide=hide or None, hidden=hidden or None)
    folder, output = Path(folder).resolve(), Path(output).resolve()
    if not folder.is_dir():
        raise HeightnetError(f"{folder} is no folder.")
    if parquet or parquet is None:
        parquet = _has_pyarrow(asked_for=bool(parquet))
    _only_ours(folder, output)
    with Store(output) as store:
        key = _same_archive(store, folder, hide)
        order = Order(str(folder), str(output), settings, page, hide, key, seconds, added(), tuple(ADDED), hidden)
        store.made_with(f"heightnet {heightnet.__version__}, record {RECORD}")
        _find(store, folder, output, tell, stop)
        faults: dict[str, Fault] = {}
        some = store.counts()["found"]
        checked = _check(store, order, workers, scheduler, again, tell, stop, faults) if some else 0
        store.commit(at_once=True)
        tell("writing", 0, 0)
        written = write_index(store, order, parquet)
        return Screened(folder, output, store.counts(), checked, stop(), written, faults)


def _find(store: Store, folder: Path, output: Path, tell: Tell, stop: Callable[[], bool]) -> None:
    """Put into the store what there is below the folder; raises HeightnetError where there is and was no job."""
    store.begin_finding()
    for number, found in enumerate(find_jobs(folder, output), start=1):
        store.add(found)
        tell("finding", number, 0)
        if stop():
            raise KeyboardInterrupt
    store.end_finding()
    counts = store.counts()
    if not counts["found"] and not counts["dropped"]:
        passed = f" {counts['passed_over']} were passed over." if counts["passed_over"] else ""
        kinds = ", ".join(f"no {reader.called}" for reader in readers())
        raise HeightnetError(f"{folder}: no job in it: {kinds}.{passed}")


def _check(
    store: Store, order: Order, workers: int | None, scheduler: str, again: bool, tell: Tell, stop: Callable[[], bool],
    faults: dict[str, Fault],
) -> int:  # fmt: skip
    """Check what is new or changed; how many that were.  What fails at a job is put into ``faults``."""
    total, checked = store.counts()["found"], 0
    jobs = ((found, None if again else key) for found, key in store.jobs())
    crew = run.cluster_workers(scheduler, order) if scheduler else run.local_workers(min(workers or cores(), total))
    with crew:
        for number, outcome in enumerate(run.run(jobs, order, crew, stop), start=1):
            if outcome.record is not None:
                store.keep(outcome.path, outcome.key, outcome.record, outcome.reduced)
                checked += 1
            if outcome.fault is not None:
                faults[outcome.path] = outcome.fault
            tell("checking", number, total)
    return checked


def cores() -> int:
    """Cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _only_ours(folder: Path, output: Path) -> None:
    """Refuse an output where reports could take the place of somebody's files, or hide jobs from the next run.

    A job's report has tables of the same names as the job's own.
    """
    reports = output / REPORTS
    if folder in (output, reports) or reports in folder.parents:
        raise HeightnetError(f"{output}: reports written there would lie among the jobs. Give another --to.")
    if output.is_dir() and not (output / STORE_FILE).is_file() and any(output.iterdir()):
        raise HeightnetError(
            f"{output} holds something else than an archive's index; nothing was written. "
            "Give a folder that is new or empty as --to."
        )


def _same_archive(store: Store, folder: Path, hide: str) -> str:
    """The key of the observers' codes; refuses an output that belongs to another archive or is hidden otherwise.

    An archive that was moved keeps its output; one of the same name, while the other is still there, does not get it.
    """
    before, hidden = store.meta("folder"), store.meta("hide")
    if before not in (None, str(folder)) and (Path(before).is_dir() or Path(before).name != folder.name):
        raise HeightnetError(f"{store.path.parent} holds the index of another archive, {before}; give another --to.")
    if hidden is not None and hidden != hide:
        ways = {"": "shown", "codes": "hidden by codes", "initials": "hidden by initials"}
        raise HeightnetError(
            f"In {store.path.parent} observers are {ways[hidden]}; reports written before would stay as they are. "
            "Give another --to."
        )
    store.set_meta("folder", str(folder))
    store.set_meta("hide", hide)
    if hide != "codes":
        return ""
    key = store.meta("hide_key") or secrets.token_hex(16)
    store.set_meta("hide_key", key)
    return str(key)


def _has_pyarrow(asked_for: bool) -> bool:
    found = find_spec("pyarrow") is not None
    if asked_for and not found:
        raise HeightnetError("archive.parquet needs pyarrow: pip install 'heightnet[parquet]'")
    return found
