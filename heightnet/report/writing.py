"""Files are written beside their place and renamed: nobody sees half of one.  CSV without formulas."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "|")


@contextmanager
def beside(path: Path, binary: bool = False) -> Iterator[IO[Any]]:
    """A file of text, or bytes, that takes the place of ``path`` when all of it is written, or leaves no trace."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("wb") if binary else part.open("w", encoding="utf-8", newline="") as file:
            yield file
        os.replace(part, path)
    except BaseException as error:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        if isinstance(error, OSError) and error.filename == str(part):
            error.filename = str(path)  # the one that was asked for
        raise


def spare_jobs(folder: Path, ours: set[str]) -> None:
    """Refuse a folder with tables that no report wrote: a report's tables have names of a job's."""
    from heightnet.errors import HeightnetError
    from heightnet.ledger.recorded import TABLES

    if not folder.is_dir():
        return
    there = {path.name.casefold() for path in folder.iterdir()}
    recorded = there & {"job.toml", *(f"{table}.csv" for table in TABLES)}
    if recorded - ours or (recorded and "results.json" not in there):
        raise HeightnetError(
            f"{folder} holds a job's own tables ({', '.join(sorted(recorded))}); a report there would replace some of "
            "them. Nothing was written. Give the report another folder."
        )


def write_text(path: Path, pieces: Iterable[str]) -> Path:
    with beside(path) as file:
        file.writelines(pieces)
    return path


def write_bytes(path: Path, data: bytes) -> Path:
    with beside(path, binary=True) as file:
        file.write(data)
    return path


def csv_text(header: list[str], columns: list[list[Any]]) -> str:
    r"""A CSV table that no spreadsheet runs: text that looks like a formula gets an apostrophe before it.

    >>> csv_text(["mark", "height_m"], [["=1+1", "P1"], [-2.5, None]])
    "mark,height_m\r\n'=1+1,-2.5\r\nP1,\r\n"
    """
    return csv_rows([[name] for name in header]) + csv_rows(columns)


def csv_rows(columns: list[list[Any]]) -> str:
    """Rows of such a table without its header."""
    out = io.StringIO()
    csv.writer(out).writerows(zip(*map(_safe, columns), strict=True))
    return out.getvalue()


def _safe(values: list[Any]) -> list[Any]:
    """A column without formulas."""
    if str not in set(map(type, values)):
        return values
    return [f"'{v}" if isinstance(v, str) and v.startswith(FORMULA_STARTS) else v for v in values]
