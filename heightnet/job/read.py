"""Reading a job, whatever files it stands in: the one door that every command and script goes through.

What was recorded is read safely, what was understood beyond the letter is noted, and everything that is wrong is said
at once; nothing is guessed silently.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pandas as pd

from heightnet.errors import InputErrors, InputProblem, WrongSettings
from heightnet.job.alike import check_names
from heightnet.job.convert import Raw
from heightnet.job.expand import expand, where
from heightnet.job.gnss import gnss_frame
from heightnet.job.intake import Intake
from heightnet.job.levelling import levels_frame, staff_frame
from heightnet.job.links import check_equipment_names, equipment_frame, tape_frame
from heightnet.job.mapping import kept, read_columns
from heightnet.job.model import Job, complete
from heightnet.job.plausible import doubt_together
from heightnet.job.problems import Problems, printable
from heightnet.job.readers.registry import Reader, claimed
from heightnet.job.settings import check_arguments
from heightnet.ledger.recorded import TABLES
from heightnet.ledger.settings import Settings

NOT_OBSERVED = ("marks", "setups", "targets", "equipment", "two_peg")
STEEP_RAD = np.radians(60.0)  # zenith angles further than this from the horizon, on most shots, are no zenith angles


def read_job(
    path: str | Path, columns: str | Path | None = None, hidden: str = "", ask: Callable[[str], str] | None = None
) -> Job:  # fmt: skip
    """Read a job.

    Parameters
    ----------
    path : a folder of CSV tables with an optional ``job.toml``, that ``job.toml``, one of its CSV tables, a workbook
        ``.xlsx`` whose sheets are the tables, a LandXML file, or what another registered reader claims.
    columns : a mapping of headings (`heightnet.job.mapping`) instead of the one kept with the job.
    hidden : "read" or "skip" rows, columns and sheets that a workbook does not show; "": as the mapping says, or else
        they are read and each is a doubt.
    ask : called with what there is of such where nobody has decided; gives "read" or "skip".

    Returns
    -------
    Job : tables in metres and radians; ``Job.notes`` says what was understood, filled in and doubted.

    Raises
    ------
    InputErrors : everything that could not be understood, each with file, row and column.
    TooLarge : the job would not fit into memory.
    WrongSettings : what is no path, or another word for hidden.
    """
    if not isinstance(path, str | Path):
        raise WrongSettings(f"job: read {path!r}, expected a job or the path of one.")
    check_arguments(hidden=hidden or None)
    with reading(Path(path)) as (reader, home):
        intake = Intake(labels(reader, home))
        intake.columns = read_columns(Path(columns) if columns else kept(home), intake.problems)
        intake.hidden, intake.ask = hidden, ask
        reader.read(home, intake)
    return _assemble(home, intake)


@contextmanager
def reading(path: Path) -> Iterator[tuple[Reader, Path]]:
    """The reader of a path and the path of its job; what cannot be opened is an `InputErrors` too."""
    try:
        yield claimed(path)
    except OSError as error:
        problem = InputProblem(printable(str(path)), None, "", str(error.strerror), "a file or folder that can be read")
        raise InputErrors([problem]) from error


def labels(reader: Reader, path: Path) -> dict[str, str]:
    """What each table of a job is called where its reader says nothing else."""
    return {table: printable(reader.label.format(file=path.name, table=table)) for table in TABLES}


def job_name(path: Path) -> str:
    return printable(path.resolve().name) or "job" if path.is_dir() else printable(path.stem)


def _assemble(path: Path, intake: Intake) -> Job:
    """A job from its tables as read; raises everything that is wrong."""
    raw, settings, problems = intake.raw, intake.settings, intake.problems
    files = {table: r.file for table, r in raw.items()}
    frames = {"marks": raw["marks"].held()}
    expanded, expanded_files = expand(raw, problems)
    frames |= expanded
    files |= expanded_files
    frames["equipment"] = equipment_frame(raw["equipment"], problems)
    frames["tape"] = tape_frame(raw["tape"], frames, problems)
    frames["levels"] = levels_frame(raw["levels"], problems)
    frames["staff"] = staff_frame(raw["staff"], frames, settings, problems)
    frames["gnss"] = gnss_frame(raw, frames, files, settings, problems)
    frames |= {table: raw[table].held() for table in TABLES if table not in frames}
    check_equipment_names(frames, files, problems)
    _check_zeniths(frames["shots"], raw["shots"], settings, problems)
    _check_stands(frames, files, problems)
    check_names(raw, problems)
    if not problems:
        doubt_together(frames, files, settings, problems)
    observing = [table for table in TABLES if table not in NOT_OBSERVED]
    if not problems and not any(len(frames[table]) for table in observing):
        expected = f"at least one row in {', '.join(observing[:-1])} or {observing[-1]}"
        problems.add(str(path.name), None, "", "no observation", expected, "The tables are empty.")
    order = [intake.settings_file, *(raw[t].file for t in TABLES)]
    problems.raise_if_any(order)
    return Job(
        name=job_name(path),
        settings=settings,
        files=files,
        path=path,
        notes=tuple(problems.notes),
        tables={table: complete(table, frames[table]) for table in TABLES},
    )


def _check_zeniths(shots: pd.DataFrame, raw: Raw, settings: Settings, problems: Problems) -> None:
    """Most angles near 0 or 180 degrees are vertical angles from the horizon; face and value must agree."""
    zenith = shots["zenith_angle"].to_numpy(float)
    read = zenith[~np.isnan(zenith)]
    folded = np.where(read > np.pi, 2 * np.pi - read, read)
    if len(read) and np.mean(np.abs(folded - np.pi / 2) > STEEP_RAD) > 0.5:
        row = int(shots["row"].to_numpy()[~np.isnan(zenith)][0])
        problems.add(
            raw.file, row, "zenith_angle", "angles within 30° of straight up or down on most shots",
            "zenith angles, 90° being level",
            "They look like vertical angles from the horizon: zenith_angle = 90° less the vertical angle. "
            "Or units.angle is not what the instrument wrote.",
        )  # fmt: skip
        return
    face = shots["face"].to_numpy(object)
    with np.errstate(invalid="ignore"):
        wrong = ((face == "L") & (zenith > np.pi)) | ((face == "R") & (zenith < np.pi))
        beyond = (face == "") & (zenith > np.pi)
    half = 200 if settings.units.angle == "gon" else 180

    def angle(i: int) -> str:
        return f"a zenith angle of {zenith[i] * half / np.pi:.4f}"

    raw.refuse(
        problems, wrong, "face", lambda i: f"face {'R' if face[i] == 'L' else 'L'} with {angle(i)}",
        "Face L reads below 180° (200 gon), face R above.", "the face that the zenith angle says",
    )  # fmt: skip
    raw.refuse(
        problems, beyond, "face", lambda i: f"R beside {angle(i)}",
        f"A mean of both faces lies below {half}; a reading beyond it is of face R alone, and carries the "
        "instrument's index error.", "R, where the zenith angle says so",
    )  # fmt: skip


def _check_stands(frames: dict[str, pd.DataFrame], files: dict[str, str], problems: Problems) -> None:
    """One undisturbed stand stands over one mark."""
    over: dict[str, tuple[str, str, int]] = {}
    for table in ("setups", "targets"):
        stands = frames[table]
        some = stands[(stands["tripod"] != "") & (stands["mark"] != "")]
        for tripod, mark, row in zip(some["tripod"], some["mark"], some["row"], strict=True):
            first = over.setdefault(tripod, (mark, table, row))
            if first[0] != mark:
                problems.add(
                    files[table], int(row), "tripod", tripod, f"a stand over {mark}",
                    f"{files[first[1]]}, row {first[2]} has it over {first[0]}. Give the stand a new name each time it "
                    "is put up.", like="one stand over one mark",
                )  # fmt: skip
    shots = frames["shots"]
    if not len(shots):
        return
    at, to = (
        np.append(frames[table]["mark"].to_numpy(object), "")[
            where(shots[name].to_numpy(object), frames[table][name].to_numpy(object))
        ]
        for table, name in (("setups", "setup"), ("targets", "target"))
    )
    for i in np.flatnonzero((at == to) & (at != ""))[:20].tolist():
        row = int(shots["row"].iloc[i])
        problems.note("doubt", f"the shot sights {to[i]} from a set-up over {to[i]} itself", files["shots"], row)
