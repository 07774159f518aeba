"""Every job below a folder, as the readers of field files claim them; what is passed over is said.

A folder with one of a job's tables, or a job.toml, is a job, and no other job is looked for inside it.  Reports and
hidden folders are not entered.  Nothing is opened further than to see what it is.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from heightnet.job.readers.registry import Reader, readers

STORE_FILE = "archive.sqlite"  # its folder is what an archive run wrote
REPORT_FILE, REPORT_SIGN = "results.json", b"heightnet-results/"


@dataclass(frozen=True)
class Found:
    """A job: its path below the archive's folder ("." where that folder is the job), what it is, its size in bytes.

    kind : the name of the reader that claims it: "folder", "workbook", "landxml".
    """

    path: str
    kind: str
    size: int


@dataclass(frozen=True)
class PassedOver:
    """Something that might have been taken for a job, and why it was not."""

    path: str
    reason: str


def find_jobs(folder: Path, output: Path) -> Iterator[Found | PassedOver]:
    """Walk a folder in the order of its names; ``output`` is never entered. Links to folders are not followed."""
    home = output.resolve()
    waiting: list[tuple[Path, str, str]] = [(folder, "", "")]
    while waiting:
        here, path, inside = waiting.pop()
        try:
            with os.scandir(here) as scan:
                entries = sorted(scan, key=lambda entry: entry.name)
            if Path(here).resolve() == home or _is_report(entries):
                continue
            names = {entry.name.casefold() for entry in entries}
            reader = next((reader for reader in readers() if names & reader.inside()), None)
            if reader and inside:
                yield PassedOver(path, f"inside the job {inside}")
            elif reader:
                inside = path or "."
                yield Found(inside, reader.name, _size(reader.files(Path(here))))
            below = []
            for entry in entries:
                name = f"{path}/{entry.name}" if path else entry.name
                if entry.name.startswith((".", "~$")):
                    continue
                shown = name.encode("utf-8", "replace").decode("utf-8")
                if shown != name:
                    yield PassedOver(shown, "its name is not UTF-8; give it another")
                elif entry.is_dir(follow_symlinks=False):
                    below.append((Path(entry.path), name, inside))
                elif entry.is_dir():
                    yield PassedOver(name, "a link to a folder; give the folder itself")
                elif entry.is_file():
                    yield from _file(entry, name, inside)
            waiting += reversed(below)
        except OSError as error:
            yield PassedOver(path or ".", f"could not be read: {error.strerror or error}")


def _is_report(entries: list[os.DirEntry[str]]) -> bool:
    """Whether a folder was written by this program: the report of a job, or of an archive."""
    for entry in entries:
        if entry.name == STORE_FILE:
            return True
        if entry.name == REPORT_FILE and entry.is_file():
            with open(entry.path, "rb") as stream:
                return REPORT_SIGN in stream.read(200)
    return False


def _file(entry: os.DirEntry[str], name: str, inside: str) -> Iterator[Found | PassedOver]:
    suffix = os.path.splitext(entry.name)[1].casefold()
    for reader in readers():
        if suffix in reader.turned_away:
            yield PassedOver(name, reader.turned_away[suffix])
        elif suffix in reader.suffixes:
            yield from _looked_at(reader, Path(entry.path), name, inside)


def _looked_at(reader: Reader, path: Path, name: str, inside: str) -> Iterator[Found | PassedOver]:
    try:
        why_not = reader.look(path)
    except OSError as error:
        why_not = f"could not be read: {error.strerror or error}"
    if why_not or (inside and why_not is not None):
        yield PassedOver(name, why_not or f"inside the job {inside}")
    elif why_not is not None:
        yield Found(name, reader.name, _size(reader.files(path)))


def _size(files: Iterable[Path]) -> int:
    size = 0
    for file in files:
        try:
            size += file.stat().st_size
        except OSError:  # a link that leads nowhere: reading it will say so
            continue
    return size
