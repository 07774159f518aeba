"""The tasks as a script and the commands ask for them: a job or its path in, an `Answer` out, errors of ours for wrong
settings.  What a check found is a `heightnet.Result`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from heightnet.errors import WrongSettings
from heightnet.job.model import Job
from heightnet.job.settings import check_arguments
from heightnet.report.facts import as_written
from heightnet.rows import Record
from heightnet.tasks.measurements import WALKING, Minutes

if TYPE_CHECKING:
    from heightnet.archives.screen import Screened
    from heightnet.report.document import Document

TaskJob = Job | str | Path


@dataclass(frozen=True)
class Answer:
    """The answer of one task about one job.

    name : of the task: "bust", "prove", "plan", "show" or "tape".
    facts : plain Python, as NAME.json holds them; lengths end in ``_m`` or ``_mm``.
    status : as the command ends: 0 nothing is wrong or missing, 1 something is.
    files : names of further files that `write` makes, and what makes their text of the facts.
    """

    name: str
    facts: Record
    status: int
    tell: Callable[[Record], Document] = field(repr=False)
    files: Mapping[str, Callable[[Record], str]] = field(default_factory=dict, repr=False)

    def exit_status(self) -> int:
        return self.status

    @cached_property
    def story(self) -> Document:
        return self.tell(self.facts)

    def summary(self) -> str:
        """The story in plain words."""
        from heightnet.report.text import plain

        return plain(self.story)

    def to_json(self) -> str:
        return json.dumps(self.facts, indent=2, ensure_ascii=False, allow_nan=False) + "\n"

    def page(self) -> str:
        """The text of NAME.html: one file, nothing loaded from elsewhere."""
        from heightnet.report import caution
        from heightnet.report.html import html

        return html(replace(self.story, below=[*self.story.below, caution.NOTE]))

    def write(self, folder: str | Path) -> list[Path]:
        """Write NAME.json, NAME.html and what else there is, each beside its place and renamed; returns the paths.

        Raises HeightnetError where the folder holds a job: a report is never written among a job's own tables.
        """
        from heightnet.report.writing import spare_jobs, write_text

        folder = Path(folder)
        spare_jobs(folder, set())
        texts = {f"{self.name}.json": self.to_json(), f"{self.name}.html": self.page()}
        texts |= {name: make(self.facts) for name, make in self.files.items()}
        return [write_text(folder / name, [text]) for name, text in texts.items()]


def _read(job: TaskJob) -> Job:
    if isinstance(job, Job):
        return job
    from heightnet.job.read import read_job

    return read_job(job)


def _path(path: object) -> object:
    """A path as its text, anything else as it is."""
    return str(path) if isinstance(path, Path) else path


def _several(name: str, values: object) -> tuple[object, ...]:
    """A list of values as a tuple; raises WrongSettings for what is none."""
    if isinstance(values, str) or not isinstance(values, Iterable):
        raise WrongSettings(f"{name}: read {values!r}, expected a list.")
    return tuple(values)


def bust(
    job: TaskJob, *, closing: float | None = None, closing_setups: float | None = None, points_stand: bool = False
) -> Answer:
    """Where a levelling does not close, as ``heightnet bust``.

    Parameters
    ----------
    closing, closing_setups : limits of one's own, mm for each root of a kilometre, of a set-up; by default three times
        what the job's precision lets expect.
    points_stand : change points can be found again.
    """
    from heightnet.network.closing import Closing
    from heightnet.report.bust_words import bust_document
    from heightnet.tasks import bust as task

    check_arguments(closing=closing, closing_setups=closing_setups)
    facts = as_written(task.bust(_read(job), Closing(closing, closing_setups), points_stand=points_stand))
    return Answer("bust", facts, task.exit_status(facts), bust_document)


def prove(
    job: TaskJob, *, setup: str | None = None, mark: str | None = None, tolerance_mm: float | None = None
) -> Answer:
    """Check shots, as ``heightnet prove``: of one set-up, of one known mark, or without either all of the job.

    tolerance_mm : error of a height that must be caught; by default the job's.
    """
    from heightnet.tasks import prove as of_setup
    from heightnet.tasks import prove_marks

    check_arguments(setup=setup, mark=mark, tolerance_mm=tolerance_mm)
    if setup is not None and mark is not None:
        raise WrongSettings("prove: a set-up or a mark, not both.")
    limit, read = None if tolerance_mm is None else tolerance_mm / 1000, _read(job)
    if setup is not None:
        from heightnet.report.prove_words import prove_document

        facts = as_written(of_setup.prove(read, setup, limit))
        return Answer("prove", facts, of_setup.exit_status(facts), prove_document)
    from heightnet.report.prove_marks_words import check_shots_csv, prove_all_document, prove_mark_document

    found = prove_marks.prove_all(read, limit) if mark is None else prove_marks.prove_mark(read, mark, limit)
    tell, facts = prove_all_document if mark is None else prove_mark_document, as_written(found)
    return Answer("prove", facts, prove_marks.exit_status(facts), tell, {"check-shots.csv": check_shots_csv})


def plan(
    job: TaskJob, *, tolerance_mm: float | None = None, budget: float | None = None, minutes: Minutes | None = None,
    planned: bool = False, gone: bool = False, stands: Sequence[str] | None = None, walking: float = WALKING,
    start: str | None = None,
) -> Answer:  # fmt: skip
    """Which measurements prove every height, as ``heightnet plan``; parameters as of `heightnet.tasks.plan.plan`.

    tolerance_mm : error that must not be able to hide in a height; by default the job's.
    """
    from heightnet.report.plan_words import plan_document
    from heightnet.tasks import plan as task

    check_arguments(tolerance_mm=tolerance_mm, budget=budget)
    if minutes is not None and not isinstance(minutes, Minutes):
        raise WrongSettings(f"minutes: read {minutes!r}, expected heightnet.Minutes(...).")
    limit = None if tolerance_mm is None else tolerance_mm / 1000
    found = task.plan(
        _read(job), tolerance=limit, budget=budget, minutes=minutes, planned=planned, gone=gone, stands=stands,
        walking=walking, start=start,
    )  # fmt: skip
    facts = as_written(found)
    return Answer("plan", facts, task.exit_status(facts), plan_document)


def show(job: TaskJob, *, everything: bool = False) -> Answer:
    """What was read, before any adjustment, as ``heightnet show``."""
    from heightnet.report.show_words import SHORT, show_document
    from heightnet.tasks.show import show as task

    return Answer("show", task(job), 0, lambda facts: show_document(facts, None if everything else SHORT))


def tape(
    readings: Sequence[str], *, slant: bool = False, radius: str = "", offset: str = "", scale: str = "",
    sd_mm: float = 1.0, work_mm: Sequence[float] = (),
) -> Answer:  # fmt: skip
    """One height from its readings, as ``heightnet tape``: texts as typed there.

    Raises InputErrors with everything that is not understood, WrongSettings for an argument that keeps no rule.
    """
    from heightnet.report.tape_words import tape_document
    from heightnet.tasks.tape import WORK_MM, weigh_readings
    from heightnet.tasks.tape_arguments import read_arguments

    typed, works = _several("readings", readings), _several("work_mm", work_mm)
    check_arguments(readings=typed, radius=radius, offset=offset, scale=scale, sd_mm=sd_mm, work_mm=works)
    if not typed:
        raise WrongSettings("readings: read none, expected one or more.")
    read = read_arguments(readings, slant=slant, radius=radius, offset=offset, scale=scale)
    facts = weigh_readings(read, sd_mm / 1000, sorted(work_mm) or WORK_MM)
    return Answer("tape", facts.as_dict(), int(not facts.agree), lambda _: tape_document(facts))


def archive(
    folder: str | Path, to: str | Path, *, workers: int | None = None, scheduler: str = "", page: bool = True,
    again: bool = False, hide: str = "", parquet: bool | None = None, seconds: float | None = None, **settings: Any,
) -> Screened:  # fmt: skip
    """Every job below a folder, as ``heightnet archive``: what was done, where the index lies, how many of each state.

    It starts processes: keep the call of a script under ``if __name__ == "__main__":``.

    Parameters
    ----------
    to : folder for index and reports; what an earlier run wrote there is built upon.
    workers, scheduler, page, again, hide, parquet, seconds, settings : as of
        `heightnet.archives.screen.screen_archive`.
    """
    from heightnet.archives.screen import screen_archive

    check_arguments(folder=_path(folder), to=_path(to), scheduler=scheduler)
    return screen_archive(
        folder, to, workers=workers, scheduler=scheduler, page=page, again=again, hide=hide, parquet=parquet,
        seconds=seconds, **settings,
    )  # fmt: skip
