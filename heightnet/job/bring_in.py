"""Bringing a job in: what a reader understood of a file, written as a folder of tables."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from pathlib import Path

from heightnet.errors import HeightnetError
from heightnet.job.intake import Copy
from heightnet.job.mapping import FILE as MAPPING
from heightnet.job.mapping import for_tables, kept, read_columns
from heightnet.job.preview import Preview
from heightnet.job.problems import Note
from heightnet.job.read import labels, reading
from heightnet.job.write import beside, settings_toml

LOG = "import-log.txt"


@dataclass(frozen=True)
class BroughtIn:
    """What came of bringing a job in.

    notes : what was understood and doubted of the file.
    logged : ``import-log.txt`` says what became of each part of it.
    previews : of each table, what its first rows are read as.
    """

    notes: tuple[Note, ...]
    logged: bool
    previews: tuple[Preview, ...]


def bring_in(
    path: str | Path, folder: str | Path, known: Collection[str] = (), columns: str | Path | None = None,
    further: Iterable[str | Path] = (), hidden: str = "", ask: Callable[[str], str] | None = None,
) -> BroughtIn:  # fmt: skip
    """Write what was understood of a file as a job folder, cells as the file has them.

    Parameters
    ----------
    path : a file that a reader claims.
    folder : where the job goes; must not be there yet.
    known : points whose recorded height is known, besides those the file says are.
    columns : a mapping of headings (`heightnet.job.mapping`) that goes with the job; by default the file's own.
    further : text files that are read with an export.
    hidden, ask : as for `heightnet.read_job`.

    Raises
    ------
    InputErrors : the file cannot be read, or leaves open what a person must say; nothing is written.  Values that break
        a rule are written: reading the folder says so, with rows of its tables.
    HeightnetError : the path is a folder of tables itself, or ``folder`` is there already; nothing is written.
    """
    path, folder = Path(path), Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise HeightnetError(f"{folder} is there already and is not empty; nothing was written.")
    with beside(folder) as made, reading(path) as (reader, home):
        if reader.inside():
            raise HeightnetError(f"{home} is a {reader.called} already; nothing was written.")
        copy = Copy(labels(reader, home), made, known)
        copy.columns = read_columns(Path(columns) if columns else kept(home), copy.problems)
        copy.further = [Path(file) for file in further]
        copy.hidden, copy.ask = hidden, ask
        reader.read(home, copy)
        copy.problems.raise_if_any([copy.settings_file])
        if copy.columns.file:
            (made / MAPPING).write_text(for_tables(copy.columns), encoding="utf-8")
        (made / "job.toml").write_text(settings_toml(copy.settings), encoding="utf-8")
        log = list(copy.log)
        if log:
            (made / LOG).write_text("\n".join(log) + "\n", encoding="utf-8")
    return BroughtIn(tuple(copy.problems.notes), bool(log), tuple(copy.previews))
