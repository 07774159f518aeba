"""A folder of CSV tables, with an optional job.toml."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from heightnet.job.intake import Intake
from heightnet.job.mapping import FILE as COLUMNS
from heightnet.job.mapping import of_tables
from heightnet.job.problems import Problems, nearest
from heightnet.job.readers.csvfile import open_csv
from heightnet.job.readers.registry import Reader, not_a_job, readers
from heightnet.job.settings import read_toml
from heightnet.ledger.recorded import TABLES
from heightnet.memory import require, rows_in

SETTINGS = "job.toml"


def _read(folder: Path, intake: Intake) -> None:
    """Only files with the names of tables are opened, and only inside the folder."""
    require(rows_in(folder), folder.resolve().name)
    problems = intake.problems
    found = _tables(folder, problems)
    if toml := found.pop(SETTINGS, None):
        intake.set_up(read_toml(toml.read_bytes()[:1_000_000], toml.name, problems), toml.name)
    if not found and not problems:
        raise not_a_job(folder, "no table", _instead(folder))
    for name in TABLES:
        if name not in found:
            continue
        file = found[name].name
        intake.raw[name].file = file
        with open_csv(found[name], file, TABLES[name], problems, of_tables(intake.columns)) as sheet:
            if sheet:
                intake.take(name, sheet)


def _tables(folder: Path, problems: Problems) -> dict[str, Path]:
    """The files by table, and ``job.toml``."""
    home = folder.resolve()
    found: dict[str, Path] = {}
    for entry in sorted(_files(folder, ordinary=False)):
        name = SETTINGS if entry.name.casefold() == SETTINGS else entry.stem.casefold()
        if name != SETTINGS and name not in TABLES:
            if close := nearest(name, TABLES, "nearest table"):
                problems.add(entry.name, None, "", entry.name, f"one of {', '.join(TABLES)}", close)
            else:
                problems.note("doubt", f"{entry.name} is not a table of a job and is not read", entry.name)
        elif name in found:
            problems.add(entry.name, None, "", entry.name, f"one file for {name}", f"{found[name].name} is there too.")
        elif not entry.is_file():
            problems.add(entry.name, None, "", "no ordinary file", "a file")
        elif not entry.resolve().is_relative_to(home):
            problems.add(
                entry.name, None, "", "a link out of the job's folder", "a file in the job's folder",
                "Copy the file there.",
            )  # fmt: skip
        else:
            found[name] = entry
    return found


def _files(folder: Path, ordinary: bool = True) -> Iterator[Path]:
    """What may be a table or the settings: every CSV file, lest a misspelt name be passed over in silence."""
    for entry in folder.iterdir():
        name = entry.name.casefold()
        wanted = (name.endswith(".csv") or name == SETTINGS) and not name.startswith(".")
        if wanted and (not ordinary or entry.is_file()):
            yield entry


def _names() -> frozenset[str]:
    return frozenset({SETTINGS, *(f"{table}.csv" for table in TABLES)})


def _job_files(folder: Path) -> list[Path]:
    return sorted([*_files(folder), *(file for file in [folder / COLUMNS] if file.is_file())])


def _instead(folder: Path) -> str:
    """The way out where a folder holds no table: files of another reader in it, or an empty job."""
    suffixes = {suffix for reader in readers() for suffix in reader.suffixes}
    if files := sorted(entry.name for entry in folder.iterdir() if entry.suffix.casefold() in suffixes):
        return f"It holds {files[0]}: give that file itself."
    return "`heightnet new` writes an empty job."


READER = Reader(
    name="folder",
    called="folder of tables",
    expects=f"a folder of CSV tables ({', '.join(TABLES)}) with an optional {SETTINGS}",
    read=_read,
    inside=_names,
    files=_job_files,
    label="{table}.csv",
)
