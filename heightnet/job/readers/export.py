"""An export: one text file of any name that holds a table, and those that the mapping says are read with it.

Which table it is, where its headings stand and in which units it is written the file shows by its headings and cells,
or a person says it; what was taken for granted is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import IO

from heightnet.job.found import joined
from heightnet.job.intake import Intake
from heightnet.job.mapping import FILE as COLUMNS
from heightnet.job.mapping import Columns, beside, kept, read_columns
from heightnet.job.problems import Problems, nearest, printable
from heightnet.job.readers.csvfile import TextTable, open_text
from heightnet.job.readers.registry import Reader
from heightnet.job.settle import settle, units_of
from heightnet.ledger.recorded import TABLES
from heightnet.ledger.settings import Settings

SUFFIXES = (".csv", ".txt", ".tsv", ".tab", ".asc", ".dat", ".prn")


def _read(path: Path, intake: Intake) -> None:
    columns, problems = intake.columns, intake.problems
    with ExitStack() as open_files:
        tables: list[TextTable] = []
        waiting = [path]
        while waiting:
            file = waiting.pop(0)
            text = open_files.enter_context(open_text(file, file.name, columns, problems))
            begun = _begun(text, file.name, columns, problems) if text else None
            if begun is None:
                if not problems:
                    expected = "a table whose headings show what it is"
                    problems.add(file.name, None, "", _start(file), expected, _name(file))
                return
            settle(begun, columns, problems)
            tables.append(begun)
            if file == path:
                said = columns.export_of(begun.layout.table.name).files
                waiting += [*intake.further, *_beside(path, said, problems)]
        intake.log = _log(problems)
        intake.set_up(Settings(units=units_of(tables, columns, problems)), columns.file or COLUMNS)
        if problems:
            return
        for name in TABLES:
            if same := [one for one in tables if one.layout.table.name == name]:
                intake.raw[name].file = " with ".join(one.name for one in same)
                if sheet := joined(same, intake.settings.units, columns, problems):
                    intake.take(name, sheet)


def _begun(text: IO[str], name: str, columns: Columns, problems: Problems) -> TextTable | None:
    return TextTable.begun(text, name, list(TABLES.values()), columns, problems, found=True)


def _log(problems: Problems) -> Iterator[str]:
    """Everything that was understood of the files, once they have been read."""
    for note in problems.notes:
        yield f"{note.file}{f', row {note.row}' if note.row else ''}: {note.text}"


def _beside(path: Path, names: Iterable[str], problems: Problems) -> list[Path]:
    """The files that are read with it; only of the same folder."""
    found = []
    for name in names:
        file = path.with_name(name) if Path(name).name == name else None
        if file is None or not file.is_file():
            problems.add(COLUMNS, None, "files", name, f"a file in the folder of {path.name}")
        elif file != path:
            found.append(file)
    return found


def _start(file: Path) -> str:
    with file.open("rb") as stream:
        return printable(stream.read(60).decode("utf-8", errors="replace")).strip()


def _name(file: Path) -> str:
    close = nearest(file.stem, TABLES, "nearest name of a table")
    return f"{close} No row near the top names two columns of any table; say where they stand in {COLUMNS}.".strip()


def _look(path: Path) -> str | None:
    """In a folder of many files one is a job where a mapping says what it holds."""
    if beside(path).is_file():
        return ""
    tables = {f"{table}.csv" for table in TABLES}
    job = any(entry.name.casefold() in tables for entry in path.parent.iterdir())
    return "" if not job and path.with_name(COLUMNS).is_file() else None


def _files(path: Path) -> list[Path]:
    """The file, its mapping and the files that are read with it."""
    mapping = kept(path)
    columns = read_columns(mapping, Problems())
    further = _beside(path, dict.fromkeys(f for one in columns.exports.values() for f in one.files), Problems())
    return [path, *([mapping] if mapping.is_file() else []), *further]


READER = Reader(
    name="export",
    called="export",
    expects=f"a text file with a table in it ({', '.join(SUFFIXES)})",
    read=_read,
    suffixes=SUFFIXES,
    look=_look,
    files=_files,
)
