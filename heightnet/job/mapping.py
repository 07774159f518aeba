"""A mapping kept beside a job: what the headings of an office's export mean, in ``columns.toml``.

::

    who = "M. Adeyemi"
    when = "2026-11-28"
    encoding = "cp1252"          # of text files that are not UTF-8
    hidden = "skip"              # rows, columns and sheets of a workbook that are not seen: left out, or "read"
    decimal = ","                # where the file alone does not say what a comma is

    [file.shots]                 # of an export that holds shots: a text file, or a sheet, of any name
    separator = ";"              # or "spaces"
    first_row = 4                # where its headings stand
    heading_rows = 2
    skip = ["Sum", "Page"]       # rows that begin so
    ends = ["Totals"]            # the table ends above such a row
    above = ["Setup", "HI"]      # "HI: 1.543" on a line of its own holds for the rows below it; or how such lines
                                 # are written: "{setup}: over {at}, HI {instrument_height} m"
    files = ["stations.csv"]     # read with it
    length = "ft"
    angle = "gon"

    [shots]
    "Hgt" = "instrument_height"
    "Elevation" = "zenith_angle, scale -1, constant 90"      # an angle from the horizon
    "Pole (ft)" = "target_height, unit ft"
    "Stn" = "at, carried"                                    # blank below the first: holds until the next
    "Deg" = "zenith_angle, part deg"                         # in columns of their own: deg, min and sec
    "Foo" = ""                                               # not used

A value is a column, "" for a heading that is left unread, and after the column how its numbers become the column's:
``unit`` of the cells, ``scale`` (a sign is scale -1), ``constant`` added last, in the unit of the cells.
"""

from __future__ import annotations

import codecs
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

from heightnet.job.problems import Problems, nearest
from heightnet.ledger.arguments import HIDDEN
from heightnet.ledger.field import METRES
from heightnet.ledger.recorded import TABLES, Table
from heightnet.ledger.settings import Units

if TYPE_CHECKING:
    from heightnet.job.readers.registry import Reader

FILE = "columns.toml"
LARGEST_FILE = 200_000  # bytes
ABOUT = ("who", "when", "encoding", "decimal", "table", "hidden")
LISTS, WHOLE = ("skip", "ends", "above", "files"), ("first_row", "heading_rows")
SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", "spaces": "spaces"}
PARTS = ("deg", "min", "sec")
EXPECTED = 'a column of the table and how its numbers are made: "target_height, unit ft", or "" where it is not used'
_PART = re.compile(r"(unit|scale|constant|part)\s+(\S+)")


@dataclass(frozen=True)
class Meant:
    """What stands under one heading.

    column : of the table; "" for none.
    unit : of the cells where it is not the job's, a key of ``METRES``.
    scale, constant : a cell times ``scale`` and ``constant`` more is the column's value, in the unit of the cells.
    part : of an angle in columns of their own, one of ``PARTS``.
    carried : a blank cell holds what stands above it.
    """

    column: str
    unit: str = ""
    scale: float = 1.0
    constant: float = 0.0
    part: str = ""
    carried: bool = False


@dataclass(frozen=True)
class Export:
    """What a person said of the file that holds a table, nothing where the file itself shows it.

    separator : between cells, a key of ``SEPARATORS``.
    first_row : where its headings stand, counted from 1; heading_rows : in how many rows, one or two.
    skip : beginnings of rows that are none of the table.  ends : of one above which the table ends.  above : names of
        what is said on lines of their own and holds for the rows below.  files : further ones, in the same folder.
    length, angle : units, as in settings.
    """

    separator: str = ""
    first_row: int = 0
    heading_rows: int = 0
    skip: tuple[str, ...] = ()
    ends: tuple[str, ...] = ()
    above: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    length: str = ""
    angle: str = ""


@dataclass(frozen=True)
class Columns:
    """The mapping of one job.

    tables : by table and heading.  who, when : said so; "" where the file does not say.
    encoding : the code page of files not in UTF-8.  decimal : "," or ".".  table : which one a file is, where its
        headings leave it open.
    hidden : what becomes of what a workbook does not show, "read", "skip" or "".
    exports : by table, what was said of the file that holds it.
    """

    file: str = ""
    tables: Mapping[str, Mapping[str, Meant]] = field(default_factory=dict)
    who: str = ""
    when: str = ""
    encoding: str = ""
    decimal: str = ""
    table: str = ""
    hidden: str = ""
    exports: Mapping[str, Export] = field(default_factory=dict)

    def of(self, table: str) -> Mapping[str, Meant]:
        return self.tables.get(table, {})

    def export_of(self, table: str) -> Export:
        return self.exports.get(table, Export())

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


def kept(job: Path) -> Path:
    """The mapping that a job is read with: its own, else, of a file, the one of the folder it lies in."""
    own = beside(job)
    return own if own.is_file() or job.is_dir() or not job.with_name(FILE).is_file() else job.with_name(FILE)


def to_keep(reader: Reader, job: Path) -> Path:
    """Where answers go: to the mapping a job is read with; of an export without one to that of its folder, so that the
    next file there with the same headings is read as well."""
    found = kept(job)
    return job.with_name(FILE) if reader.name == "export" and not found.is_file() else found


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
    tables: dict[str, dict[str, Meant]] = {}
    for name, part in tree.items():
        if name in ABOUT or (name == "file" and isinstance(part, dict)):  # what is said of files comes below
            continue
        if name not in TABLES or not isinstance(part, dict):
            expected = f"one of file, {', '.join(TABLES)}, or {' or '.join(ABOUT)}"
            problems.add(path.name, None, name, name, expected, nearest(name, TABLES, "nearest table"))
            continue
        found = {heading: _meant(path.name, TABLES[name], heading, said, problems) for heading, said in part.items()}
        tables[name] = {heading.strip(): meant for heading, meant in found.items() if meant}
    about = {key: value for key, value in tree.items() if key in ABOUT}
    about = _kept(path.name, about, _ABOUT, problems)
    exports = {}
    for name, part in tree.get("file", {}).items():
        if name not in TABLES or not isinstance(part, dict):
            problems.add(path.name, None, f"file.{name}", str(part)[:60], f"[file.TABLE], of {', '.join(TABLES)}")
        else:
            exports[name] = Export(**_kept(path.name, part, _EXPORT, problems))
    return Columns(path.name, tables, **about, exports=exports)


def of_tables(columns: Columns) -> Columns:
    """What of a mapping holds for a folder's tables: nothing of where headings stand in some other file."""
    of_rows = {table: Export(skip=said.skip, ends=said.ends) for table, said in columns.exports.items()}
    return replace(columns, exports=of_rows)


def _meant(file: str, table: Table, heading: str, said: object, problems: Problems) -> Meant | None:
    if not isinstance(said, str):
        problems.add(file, None, heading, str(said), EXPECTED)
        return None
    column, *parts = (part.strip() for part in said.split(","))
    if column and column not in table.names:
        problems.add(file, None, heading, said, f"a column of {table.name}", nearest(column, table.names))
        return None
    values = {"unit": "", "scale": "1", "constant": "0", "part": ""}
    carried = "carried" in parts
    for part in parts:
        match = _PART.fullmatch(part)
        if part == "carried" and column:
            continue
        if match is None or not column or not table.column(column).numeric:
            problems.add(file, None, heading, said, EXPECTED)
            return None
        values[match[1]] = match[2]
    unit, kind = values["unit"], table.column(column).kind if column else ""
    numbers = [_number(values[key]) for key in ("scale", "constant")]
    if None in numbers or not numbers[0] or (unit and (unit not in METRES or kind != "length")):
        problems.add(file, None, heading, said, EXPECTED, f"Units of lengths are {', '.join(METRES)}.")
        return None
    if values["part"] and (kind != "angle" or values["part"] not in PARTS):
        problems.add(file, None, heading, said, EXPECTED, f"Parts of an angle are {', '.join(PARTS)}.")
        return None
    scale, constant = (n or 0.0 for n in numbers)
    return Meant(column, unit, scale, constant, values["part"], carried)


def _one_of(*words: str) -> tuple[Callable[[Any], bool], str]:
    return lambda said: said in words, f"one of {', '.join(map(repr, words))}"


def _text(said: Any) -> bool:
    return isinstance(said, str)


def _texts(said: Any) -> bool:
    return isinstance(said, list) and all(isinstance(one, str) and one.strip() for one in said)


def _lines(said: Any) -> bool:
    """Names, and lines with names of columns in braces, each once."""
    if not _texts(said):
        return False
    named = [name for text in said for name in re.findall(r"{(.*?)}", text)]
    every = {name for table in TABLES.values() for name in table.names}
    return len(set(named)) == len(named) and every.issuperset(named)


def _row(said: Any) -> bool:
    return isinstance(said, int) and not isinstance(said, bool) and 1 <= said <= 1_000


def _is_page(name: Any) -> bool:
    try:
        return bool(codecs.lookup(name)) and bool("".encode(name) == b"")
    except (LookupError, TypeError, ValueError):
        return False


Rules = Mapping[str, tuple[Callable[[Any], bool], str]]
_UNITS = {one.name: one.metadata["choices"] for one in fields(Units)}
_ABOUT: Rules = {
    "who": (_text, "a name"), "when": (_text, "a date as text"),
    "encoding": (_is_page, "the name of a code page, cp1252 say"), "decimal": _one_of(",", "."),
    "table": _one_of(*TABLES), "hidden": _one_of(*HIDDEN.choices),
}  # fmt: skip
_EXPORT: Rules = {
    "separator": _one_of(*SEPARATORS), "first_row": (_row, "a row, counted from 1"),
    "heading_rows": (lambda said: said in (1, 2), "1 or 2"),
    "skip": (_texts, 'beginnings of rows: ["Sum", "Page"]'),
    "ends": (_texts, 'beginnings of a row: ["Totals"]'),
    "above": (_lines, 'names, or lines with columns in braces: ["Setup", "HI {instrument_height} m"]'),
    "files": (_texts, 'names of files: ["stations.csv"]'),
    "length": _one_of(*_UNITS["length"]), "angle": _one_of(*_UNITS["angle"]),
}  # fmt: skip


def _kept(file: str, said: Mapping[str, Any], rules: Rules, problems: Problems) -> dict[str, Any]:
    """What keeps its rule, lists as tuples; the rest is a problem each."""
    out = {}
    for key, value in said.items():
        keeps, expected = rules.get(key, (None, f"one of {', '.join(rules)}"))
        if keeps is None or not keeps(value):
            cause = "" if keeps else nearest(key, rules)
            problems.add(file, None, key, str(value), expected, cause)
        else:
            out[key] = tuple(value) if isinstance(value, list) else value
    return out


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if isfinite(value) else None


def with_answers(text: str, answers: Iterable[tuple[str, str, str]], who: str = "", when: str = "") -> str:
    """A mapping with what a person answered, each a part ("" for the top), a key and the answer; what it says else
    stays.

    An answer to what is a list is one more of the list.

    >>> text = '[shots]' + chr(10) + '"HI x" = "instrument_height"'
    >>> with_answers(text, [("shots", "Foo", "")], "M. Orr", "2026").splitlines()
    ['who = "M. Orr"', 'when = "2026"', '[shots]', '"Foo" = ""', '"HI x" = "instrument_height"']
    """
    lines = text.splitlines()
    for part, key, answer in [("", "when", when), ("", "who", who), *answers]:
        if not part and key in ("who", "when") and (not answer or _at(lines, part, key) is not None):
            continue
        if part and f"[{part}]" not in lines:
            lines += [f"[{part}]"]
        at = _at(lines, part, key)
        before = tomllib.loads(lines[at]).get(key) if at is not None else None
        if key in LISTS and part.startswith("file."):
            shown = f"[{', '.join(map(_quoted, dict.fromkeys([*(before or ()), answer])))}]"
        else:
            shown = answer if key in WHOLE and part.startswith("file.") else _quoted(answer)
        line = f"{_quoted(key) if part in TABLES else key} = {shown}"
        if at is not None:
            lines[at] = line
        else:
            lines.insert(lines.index(f"[{part}]") + 1 if part else 0, line)
    return "\n".join(lines) + "\n"


def _at(lines: list[str], part: str, key: str) -> int | None:
    """Where a key stands in a part, on one line."""
    here = ""
    for i, line in enumerate(lines):
        text = line.strip()
        if text.startswith("["):
            here = text.split("#")[0].strip().strip("[]")
        elif here == part and text.partition("=")[0].strip() in (key, _quoted(key)):
            return i
    return None


def for_tables(columns: Columns) -> str:
    """The mapping of a folder into which an export was brought: what its headings mean, and the decimal sign."""
    about = [(key, getattr(columns, key)) for key in ("who", "when", "decimal")]
    lines = [f"{key} = {_quoted(value)}" for key, value in about if value]
    for table, headings in columns.tables.items():
        lines += ["", f"[{table}]", *(f"{_quoted(heading)} = {_quoted(told(m))}" for heading, m in headings.items())]
    return "\n".join(lines) + "\n"


def told(meant: Meant) -> str:
    """What stands under a heading, as `read_columns` reads it.

    >>> told(Meant("zenith_angle", scale=-1, constant=90))
    'zenith_angle, scale -1, constant 90'
    """
    words = [meant.column, f"unit {meant.unit}" if meant.unit else "", f"part {meant.part}" if meant.part else ""]
    words += [f"scale {meant.scale:.17g}" if meant.scale != 1 else ""]
    words += [f"constant {meant.constant:.17g}" if meant.constant else "", "carried" if meant.carried else ""]
    return ", ".join(filter(None, words))


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\t", "\\t")
    return f'"{escaped}"'


def line_for(table: str, heading: str, column: str) -> str:
    """What to write into the mapping, for messages.

    >>> line_for("shots", "Hgt", "instrument_height")
    'under [shots] of columns.toml: "Hgt" = "instrument_height"'
    """
    return f"under [{table}] of {FILE}: {_quoted(heading)} = {_quoted(column)}"


def file_line(table: str, key: str, *values: str) -> str:
    """The same for what holds of a file as a whole.

    >>> file_line("shots", "skip", "Sum")
    'under [file.shots] of columns.toml: skip = ["Sum"]  # one list for all'
    """
    if key in LISTS:
        shown = f"[{', '.join(map(_quoted, values))}]  # one list for all"
    else:
        shown = values[0] if key in WHOLE else _quoted(values[0])
    return f"under [file.{table}] of {FILE}: {key} = {shown}"
