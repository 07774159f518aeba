"""An export: one text file of any name that holds a table, and those that the mapping says are read with it.

Which table it is, where its headings stand and in which units it is written the file shows by its headings and cells,
or a person says it; what was taken for granted is said.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack
from itertools import chain
from pathlib import Path

from heightnet.errors import Question
from heightnet.job.angles import looks_packed, looks_separated
from heightnet.job.convert import Batch, Sheet
from heightnet.job.headings import angle_parts, heading_unit, known_headings, plain_heading, without_unit
from heightnet.job.intake import Intake
from heightnet.job.layout import Layout
from heightnet.job.mapping import FILE as COLUMNS
from heightnet.job.mapping import Columns, beside, file_line, kept
from heightnet.job.problems import Problems, nearest, printable
from heightnet.job.readers.csvfile import TextTable, open_text
from heightnet.job.readers.registry import Reader
from heightnet.ledger.field import METRES
from heightnet.ledger.recorded import TABLES
from heightnet.ledger.settings import Settings, Units

SUFFIXES = (".csv", ".txt", ".tsv", ".tab", ".asc", ".dat", ".prn")
_IN_FEET = re.compile(r"\b(feet|foot|ft|survey foot|us ?ft)\b", re.IGNORECASE)
_WHOLE = re.compile(r"[+-]?(\d{1,3})")


def _read(path: Path, intake: Intake) -> None:
    columns, problems = intake.columns, intake.problems
    with ExitStack() as open_files:
        tables: list[TextTable] = []
        waiting = [path]
        while waiting:
            file = waiting.pop(0)
            text = open_files.enter_context(open_text(file, file.name, columns, problems))
            begun = TextTable.begun(text, file.name, list(TABLES.values()), columns, problems) if text else None
            if begun is None:
                if not problems:
                    expected = "a table whose headings show what it is"
                    problems.add(file.name, None, "", _start(file), expected, _name(file))
                return
            _settle(begun, columns, problems)
            tables.append(begun)
            if file == path:
                said = columns.export_of(begun.layout.table.name).files
                waiting += [*intake.further, *_beside(path, said, problems)]
        intake.log = _log(problems)
        intake.set_up(Settings(units=_units(tables, columns, problems)), columns.file or COLUMNS)
        if problems:
            return
        for name in TABLES:
            if same := [one for one in tables if one.layout.table.name == name]:
                intake.raw[name].file = " with ".join(one.name for one in same)
                if sheet := _joined(same, intake.settings.units, columns, problems):
                    intake.take(name, sheet)


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


def _settle(begun: TextTable, columns: Columns, problems: Problems) -> None:
    """Ask which table it is where its headings fit two alike."""
    if not begun.rivals or columns.of(begun.layout.table.name):
        return
    may_be = [begun.layout.table.name, *(table.name for table in begun.rivals)]
    if columns.table not in may_be:
        problems.add(
            begun.name, begun.layout.at + 1, "", ", ".join(begun.layout.header)[:100], "headings of one table",
            f'They fit {" and ".join(may_be)}. Write table = "{may_be[0]}", say, into {COLUMNS}.',
            question=Question("", "table", f"The headings of {begun.name} fit more than one table.", may_be[0],
                              "Which is it", tuple(may_be)),
        )  # fmt: skip
    elif columns.table != may_be[0]:
        table = TABLES[columns.table]
        one = begun.layout
        begun.layout = Layout(table, one.header, one.at, one.above, one.known, one.complete)


def _units(tables: Sequence[TextTable], columns: Columns, problems: Problems) -> Units:
    """The units of the files, as a person, their headings or their cells say; what is open is asked."""
    lengths = {unit for one in tables if (unit := _length(one, columns, problems))}
    angles = {unit for one in tables if (unit := _angle(one, columns, problems))}
    for said, what in ((lengths, "length"), (angles, "angle")):
        if len(said) > 1:
            names = " and ".join(one.name for one in tables)
            problems.add(names, None, what, " and ".join(sorted(said)), f"one unit of {what} in files read together")
    length = next(iter(lengths), "m")
    if not lengths and not problems:
        problems.note("understood", "lengths are read in metres; nothing in the file says another unit", tables[0].name)
    return Units(length=length, angle=next(iter(angles), "dms"))


def _length(one: TextTable, columns: Columns, problems: Problems) -> str:
    table = one.layout.table.name
    if said := columns.export_of(table).length:
        return said
    in_headings = _said_by_headings(one.layout, "length", columns) & {*METRES}
    if len(in_headings) == 1:
        return in_headings.pop()
    titles = " ".join(chain.from_iterable(one.titles()))
    if _IN_FEET.search(titles):
        problems.add(
            one.name, None, "", titles[:100], "a unit of length in the headings",
            f"A title speaks of feet. Write the unit, {file_line(table, 'length', 'ft')}; or m, or ftUS.",
            question=Question(f"file.{table}", "length", f"A title of {one.name} speaks of feet: {titles[:100]}", "ft",
                              "In which unit are its lengths", tuple(METRES)),
        )  # fmt: skip
    return "m" if "m" in in_headings else ""


def _said_by_headings(layout: Layout, kind: str, columns: Columns) -> set[str]:
    known, mapped = known_headings(layout.table, layout.header), columns.of(layout.table.name)
    out = set()
    for heading in map(str.strip, layout.header):
        column = known.get(plain_heading(without_unit(heading)))
        if column and column.kind == kind and heading not in mapped and (unit := heading_unit(heading)):
            out.add(unit)
    return out


def _angle(one: TextTable, columns: Columns, problems: Problems) -> str:
    """How angles are written; "" where the table has none, or they are asked about."""
    layout, table = one.layout, one.layout.table.name
    if said := columns.export_of(table).angle:
        return said
    known, mapped, parts = known_headings(layout.table, layout.header), columns.of(table), angle_parts(layout.header)
    cells: list[str] = []
    for i, heading in enumerate(map(str.strip, layout.header)):
        column = known.get(plain_heading(without_unit(heading)))
        name = mapped[heading].column if heading in mapped else column.name if column else ""
        if name and layout.table.column(name).kind == "angle" and i not in parts:
            cells += [row[i].strip() for row in one.first().cells if i < len(row) and row[i].strip()]
    if not cells:
        return ""
    if all(map(looks_separated, cells)):
        return "dms"
    in_headings = _said_by_headings(layout, "angle", columns)
    packed = all(looks_packed(cell.replace(",", ".")) for cell in cells)
    if len(in_headings) == 1 and (in_headings != {"deg"} or not packed):
        return in_headings.pop()
    whole = [int(match[1]) for cell in cells if (match := _WHOLE.match(cell))]
    near_gon = sum(abs(n % 200 - 100) < 5 for n in whole) > len(whole) / 2
    likely = "gon" if near_gon else "packed" if packed else "deg"
    problems.add(
        one.name, layout.at + 1, "", cells[0], "a unit of angle in the headings",
        f"Nothing in the file says whether it is degrees, gon, or degrees, minutes and seconds packed as ddd.mmss. "
        f"Write the unit, {file_line(table, 'angle', likely)}; or deg, gon, packed, dms.",
        question=Question(f"file.{table}", "angle", f"{one.name}: {cells[0]} may be decimal degrees, gon, or packed "
                          "as ddd.mmss; nothing in the file says which.", likely, "How are its angles written",
                          ("deg", "gon", "packed")),
    )  # fmt: skip
    return ""


def _joined(tables: Sequence[TextTable], units: Units, columns: Columns, problems: Problems) -> Sheet | None:
    """One table of the rows of several files; rows of the later ones are counted on."""
    sheets = [sheet for one in tables if (sheet := one.sheet(units, columns))]
    if len(sheets) < len(tables):
        return None
    whole = sheets[0]
    if len(sheets) == 1:
        return whole
    headings = {heading.strip() for heading in whole.header}
    for other in sheets[1:]:
        if extra := [text for heading in other.header if (text := heading.strip()) and text not in headings]:
            problems.add(
                other.file, other.header_row, extra[0], ", ".join(extra), f"the headings of {whole.file}",
                "Files that are read together as one table have the same headings.",
            )  # fmt: skip
    if len({sheet.decimal for sheet in sheets} - {""}) > 1:
        problems.add(whole.file, None, "", "both", "one decimal sign in files that are read together")
    name = " with ".join(sheet.file for sheet in sheets)
    decimal = max(sheet.decimal for sheet in sheets)
    batches = _one_after_another(sheets, problems)
    return Sheet(name, whole.header, whole.header_row, batches, decimal, whole.decimal_said, blank=whole.blank)


def _one_after_another(sheets: Sequence[Sheet], problems: Problems) -> Iterable[Batch]:
    header, last = [heading.strip() for heading in sheets[0].header], 0
    for sheet in sheets:
        place = {heading.strip(): i for i, heading in enumerate(sheet.header)}
        order, before = [place.get(heading, -1) for heading in header], last
        if before:
            problems.note("understood", f"its row 1 is counted as row {before + 1} of the whole", sheet.file)
        for batch in sheet.batches:
            rows = [row + before for row in batch.rows]
            cells = [[row[i] if 0 <= i < len(row) else "" for i in order] for row in batch.cells]
            last = max(last, *rows)
            yield Batch(rows, cells)


def _look(path: Path) -> str | None:
    """In a folder of many files one is a job where a mapping says what it holds."""
    if beside(path).is_file():
        return ""
    tables = {f"{table}.csv" for table in TABLES}
    job = any(entry.name.casefold() in tables for entry in path.parent.iterdir())
    return "" if not job and path.with_name(COLUMNS).is_file() else None


def _files(path: Path) -> list[Path]:
    """The file, its mapping and the files that are read with it."""
    from heightnet.job.mapping import read_columns

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
