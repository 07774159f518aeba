"""Every job below a folder: job folders, workbooks, LandXML files; what is passed over is said.

A folder with one of a job's tables, or a job.toml, is a job, and no other job is looked for inside it.  Reports and
hidden folders are not entered.  Nothing is opened further than to see what it is.
"""

from __future__ import annotations

import os
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from heightnet.ledger.recorded import TABLES

STORE_FILE = "archive.sqlite"  # its folder is what an archive run wrote
REPORT_FILE, REPORT_SIGN = "results.json", b"heightnet-results/"
WORKBOOKS, OLD_WORKBOOKS = (".xlsx", ".xlsm"), (".xls", ".ods", ".xlsb")
LANDXML = (".xml", ".landxml")
SHEET = re.compile(rb"<(?:\w+:)?sheet\s[^<>]*?\bname\s*=\s*[\"']([^\"']{1,120})[\"']")
SURVEY = re.compile(rb"<(?:\w+:)?Survey[\s>/]")
BLOCK = 2**20


@dataclass(frozen=True)
class Found:
    """A job: its path below the archive's folder ("." where that folder is the job), what it is, its size in bytes.

    kind : "folder", "workbook" or "landxml".
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
            is_job = any(_is_job_file(entry) for entry in entries)
            if is_job and inside:
                yield PassedOver(path, f"inside the job {inside}")
            elif is_job:
                inside = path or "."
                yield Found(inside, "folder", sum(_size(entry) for entry in entries if _is_job_file(entry)))
            below = []
            for entry in entries:
                name = f"{path}/{entry.name}" if path else entry.name
                if entry.name.startswith((".", "~$")):
                    continue
                if not _writable(entry.name):
                    yield PassedOver(
                        name.encode("utf-8", "replace").decode("utf-8"), "its name is not UTF-8; give it another"
                    )
                elif entry.is_dir(follow_symlinks=False):
                    below.append((Path(entry.path), name, inside))
                elif entry.is_dir():
                    yield PassedOver(name, "a link to a folder; give the folder itself")
                elif entry.is_file():
                    yield from _file(entry, name, inside)
            waiting += reversed(below)
        except OSError as error:
            yield PassedOver(path or ".", f"could not be read: {error.strerror or error}")


def _is_job_file(entry: os.DirEntry[str]) -> bool:
    stem, suffix = os.path.splitext(entry.name.casefold())
    return entry.name.casefold() == "job.toml" or (suffix == ".csv" and stem in TABLES)


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
    kind = why_not = ""
    try:
        if suffix in WORKBOOKS:
            kind, why_not = (
                "workbook",
                "" if _has_tables(entry.path) else "a workbook without a sheet named like a table",
            )
        elif suffix in OLD_WORKBOOKS:
            kind, why_not = "workbook", "a workbook of a kind that is not read; if it is a job, save it as .xlsx"
        elif suffix in LANDXML and _is_landxml(entry.path):
            kind, why_not = "landxml", "" if _has_survey(entry.path) else "LandXML without a survey in it"
    except OSError as error:
        kind, why_not = "file", f"could not be read: {error.strerror or error}"
    if kind and (why_not or inside):
        yield PassedOver(name, why_not or f"inside the job {inside}")
    elif kind:
        yield Found(name, kind, _size(entry))


def _has_tables(path: str) -> bool:
    """Whether a workbook has a sheet named like a table; a damaged one may have had."""
    try:
        with zipfile.ZipFile(path) as book, book.open("xl/workbook.xml") as stream:
            names = [m.decode("utf-8", "replace").strip().casefold() for m in SHEET.findall(stream.read(BLOCK))]
    except OSError:
        raise
    except Exception:  # zipfile and zlib have a dozen ways to say that a file is damaged; reading it says which
        return True
    return any(name in TABLES for name in names)


def _is_landxml(path: str) -> bool:
    with open(path, "rb") as stream:
        return b"<LandXML" in re.sub(rb"<\w+:LandXML", b"<LandXML", stream.read(4096).replace(b"\0", b""))


def _has_survey(path: str) -> bool:
    tail = b""
    with open(path, "rb") as stream:
        while block := stream.read(BLOCK):
            plain = (tail + block).replace(b"\0", b"")  # however wide its characters are written
            if SURVEY.search(plain):
                return True
            tail = plain[-100:]
    return False


def _size(entry: os.DirEntry[str]) -> int:
    try:
        return entry.stat().st_size
    except OSError:  # a link that leads nowhere: reading it will say so
        return 0


def _writable(name: str) -> bool:
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True
