"""A mapping kept beside a job: what the headings of an office's export mean, in ``columns.toml``.

::

    who = "M. Adeyemi"
    when = "2026-11-28"
    encoding = "cp1252"          # of text files that are not UTF-8
    hidden = "skip"              # rows, columns and sheets of a workbook that are not seen: left out, or "read"

    [shots]
    "Hgt" = "instrument_height"
    "Elevation" = "zenith_angle, scale -1, constant 90"      # an angle from the horizon
    "Pole (ft)" = "target_height, unit ft"
    "Foo" = ""                                               # not used

A value is a column, "" for a heading that is left unread, and after the column how its numbers become the column's:
``unit`` of the cells, ``scale`` (a sign is scale -1), ``constant`` added last, in the unit of the cells.
"""

from __future__ import annotations

import codecs
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite
from pathlib import Path

from heightnet.job.problems import Problems, nearest
from heightnet.ledger.arguments import HIDDEN
from heightnet.ledger.field import METRES
from heightnet.ledger.recorded import TABLES, Table

FILE = "columns.toml"
LARGEST_FILE = 200_000  # bytes
ABOUT = ("who", "when", "encoding", "hidden")
EXPECTED = 'a column of the table and how its numbers are made: "target_height, unit ft", or "" where it is not used'
_PART = re.compile(r"(unit|scale|constant)\s+(\S+)")


@dataclass(frozen=True)
class Meant:
    """What stands under one heading.

    column : of the table; "" for none.
    unit : of the cells where it is not the job's, a key of ``METRES``.
    scale, constant : a cell times ``scale`` and ``constant`` more is the column's value, in the unit of the cells.
    """

    column: str
    unit: str = ""
    scale: float = 1.0
    constant: float = 0.0


@dataclass(frozen=True)
class Columns:
    """The mapping of one job: by table and heading; who said so and when, ""; the code page of files not in UTF-8; what
    becomes of what a workbook does not show, "read", "skip" or ""."""

    file: str = ""
    tables: Mapping[str, Mapping[str, Meant]] = field(default_factory=dict)
    who: str = ""
    when: str = ""
    encoding: str = ""
    hidden: str = ""

    def of(self, table: str) -> Mapping[str, Meant]:
        return self.tables.get(table, {})

    @property
    def said(self) -> str:
        """The file, and who made it when."""
        by = ", ".join(filter(None, (self.who, self.when)))
        return f"{self.file} ({by})" if by else self.file


def beside(job: Path) -> Path:
    """Where the mapping of a job is kept: in its folder, or beside its file.

    >>> beside(Path("survey.xlsx")).name
    'survey.columns.toml'
    """
    return job / FILE if job.is_dir() else job.with_name(f"{job.stem}.{FILE}")


def read_columns(path: Path, problems: Problems) -> Columns:
    """The mapping of a file, nothing where there is none; everything wrong goes to ``problems``."""
    if not path.is_file():
        return Columns()
    data = path.read_bytes()
    if len(data) > LARGEST_FILE:
        problems.add(path.name, None, "", f"{len(data)} bytes", f"at most {LARGEST_FILE} bytes")
        return Columns()
    try:
        tree = tomllib.loads(data.decode("utf-8-sig").replace("\r\n", "\n"))
    except (ValueError, RecursionError) as error:
        problems.add(path.name, None, "", "", 'TOML: [table] lines and "heading" = "column" lines', f"{error}.")
        return Columns()
    page = tree.get("encoding", "")
    if not (isinstance(page, str) and (not page or _is_page(page))):
        problems.add(path.name, None, "encoding", str(page), "the name of a code page, cp1252 say")
    if tree.get("hidden", "read") not in HIDDEN.choices:
        problems.add(path.name, None, "hidden", str(tree["hidden"]), " or ".join(HIDDEN.choices))
    tables: dict[str, dict[str, Meant]] = {}
    for name, part in tree.items():
        if name in ABOUT and isinstance(part, str):
            continue
        if name not in TABLES or not isinstance(part, dict):
            expected = f"one of {', '.join(TABLES)}, or {' or '.join(ABOUT)}"
            problems.add(path.name, None, name, name, expected, nearest(name, TABLES, "nearest table"))
            continue
        found = {heading: _meant(path.name, TABLES[name], heading, said, problems) for heading, said in part.items()}
        tables[name] = {heading.strip(): meant for heading, meant in found.items() if meant}
    return Columns(path.name, tables, *(str(tree.get(key, "")) for key in ABOUT))


def _meant(file: str, table: Table, heading: str, said: object, problems: Problems) -> Meant | None:
    if not isinstance(said, str):
        problems.add(file, None, heading, str(said), EXPECTED)
        return None
    column, *parts = (part.strip() for part in said.split(","))
    if column and column not in table.names:
        problems.add(file, None, heading, said, f"a column of {table.name}", nearest(column, table.names))
        return None
    values = {"unit": "", "scale": "1", "constant": "0"}
    for part in parts:
        match = _PART.fullmatch(part)
        if match is None or not column or not table.column(column).numeric:
            problems.add(file, None, heading, said, EXPECTED)
            return None
        values[match[1]] = match[2]
    unit = values["unit"]
    numbers = [_number(values[key]) for key in ("scale", "constant")]
    if None in numbers or not numbers[0] or (unit and (unit not in METRES or table.column(column).kind != "length")):
        problems.add(file, None, heading, said, EXPECTED, f"Units of lengths are {', '.join(METRES)}.")
        return None
    return Meant(column, unit, *(n or 0.0 for n in numbers))


def _is_page(name: str) -> bool:
    try:
        return bool(codecs.lookup(name)) and bool("".encode(name) == b"")
    except (LookupError, TypeError, ValueError):
        return False


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if isfinite(value) else None


def with_answers(
    text: str, answers: Mapping[tuple[str, str], str], who: str, when: str, hidden: str = ""
) -> str:  # fmt: skip
    """A mapping with what a person answered: by table and heading the column, "" for none; what it says stays.

    hidden : what was answered about rows and columns that a workbook does not show, "" for nothing.

    >>> text = '[shots]' + chr(10) + '"HI x" = "instrument_height"'
    >>> with_answers(text, {("shots", "Foo"): ""}, "M. Orr", "2026").splitlines()
    ['who = "M. Orr"', 'when = "2026"', '[shots]', '"Foo" = ""', '"HI x" = "instrument_height"']
    """
    lines = text.splitlines()
    top = next((i for i, line in enumerate(lines) if line.lstrip().startswith("[")), len(lines))
    said = {line.partition("=")[0].strip() for line in lines[:top]}
    about = {"who": who, "when": when} | ({"hidden": hidden} if hidden else {})
    lines[top:top] = [f"{key} = {_quoted(value)}" for key, value in about.items() if key not in said]
    for (table, heading), column in answers.items():
        if f"[{table}]" not in lines:
            lines += [f"[{table}]"]
        lines.insert(lines.index(f"[{table}]") + 1, f"{_quoted(heading)} = {_quoted(column)}")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def line_for(table: str, heading: str, column: str) -> str:
    """What to write into the mapping, for messages.

    >>> line_for("shots", "Hgt", "instrument_height")
    'under [shots] of columns.toml: "Hgt" = "instrument_height"'
    """
    return f"under [{table}] of {FILE}: {_quoted(heading)} = {_quoted(column)}"
