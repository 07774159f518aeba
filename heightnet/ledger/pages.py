"""What the ledger declares as tables of the pages in ``docs``."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from heightnet.ledger.archive import ACROSS, ARCHIVE, JOB
from heightnet.ledger.record import Fact, Keyed, Many, Maybe, Record, Type, Words
from heightnet.ledger.recorded import TABLES, Column, Table
from heightnet.ledger.results import PARTS, RESIDUAL, VERDICT, results, table, tested
from heightnet.ledger.settings import SETTINGS, default

_OPENING = """# Every table and column

A job is a folder of CSV tables with an optional `job.toml`, or one `.xlsx` workbook whose sheets have the same names.
UTF-8 text, one header row, cells apart by comma, semicolon or tab; columns in any order. A blank cell means "not
recorded". A column that no height needs is left unread and listed ("not used: Remarks, HzAngle"); one in which
something needed may be lost, because a heading resembles it or its cells look like it, is a problem that says what it
may be. A column whose name starts with `note` is never asked about.

Headings are recognised in any case and spacing, with the trade's short words (Inst Hgt, Stn. No.) and initials (I.H.),
and so are the other words listed; what was recognised is said. A unit
may follow a heading in brackets, `height (m)`; in a job it is checked, never converted. A table may stand in a file as
an office has it, with titles, totals, units and decimal commas: [exports.md](exports.md) says what is found out and
what is asked.

What the headings of your own exports mean is kept in `columns.toml` beside the tables (`NAME.columns.toml` beside a
workbook or a LandXML file), a line a heading; the same headings are then read silently, with one line that says so:

```toml
who = "M. Adeyemi"
when = "2026-11-28"
encoding = "cp1252"          # of text files that are not UTF-8
hidden = "skip"              # what a workbook does not show (workbooks.md); or "read"

[shots]
"Hgt" = "instrument_height"
"Pole (ft)" = "target_height, unit ft"
"Elevation" = "zenith_angle, scale -1, constant 90"     # an angle from the horizon
"Foo" = ""                                              # not used
```

After the column: `unit` of the cells where it is not the job's (m, ft, ftUS), `scale` (another sign is `scale -1`,
millimetres are `scale 0.001`), and `constant`, added last, in the unit of the cells; `carried` and `part` are in
[exports.md](exports.md). At a terminal a heading that may
be needed is asked about, and the answer is kept there; elsewhere the line to write is said. `--columns FILE` of every
command that reads a job takes an office's own instead.

Names are kept as recorded. Two of one kind that look alike, of marks, set-ups, targets, tripods, equipment, staffs or
tapes, stay two and are a doubt with the place of both, which says what tells them apart: case or spaces, a Cyrillic or
Greek letter among Latin ones (by a table of our own), a character without width, an accent that is a character by
itself, a zero or the letter O, a one, a small L or a capital i. A name that nothing else looks like is left as it is,
and nothing is said of it.

## What is doubted

Every number has three zones. What is usual, as the tables below say, is read in silence. What is unusual, up to the
limits, is read as it is, and is a doubt that says file, row and what is usual: a roof mark whose staff hangs 3 m down
is one. What lies beyond the limits is refused. What is usual is our judgement, or has its source beside it in
`heightnet/ledger/ranges.py`. A doubt never changes a number, and one about something that a verdict names stands above
the verdict.

Some numbers are held against others of the job as well, and all of these limits are ours:

| what | is a doubt where |
| --- | --- |
| a zenith angle read in one face | it is more than 45° from the horizon, and most sights of the job are within 5° |
| a slope distance between marks with east and north | it differs from the coordinates by more than 1 m and 1 %; one \
doubt where all do by one factor, as feet for metres, or most of one mark |
| a known height | it differs by more than 10 m from what sights and levels make of the others; one doubt where all do \
by one factor |
| an instrument or target height | it differs by more than 3 m from the middle one of that instrument or pole, and no \
more than a quarter of them do |
| a date | its year is before 1850 or after 2100; a date or time of day that does not exist is refused |

This page is made from the list that drives the reading itself.
"""
_HOLDS = {
    "length": "number, `units.length`", "mm": "number, mm", "sec": "number, arc-seconds", "count": "number",
    "angle": "angle, `units.angle`", "reading": "text of the tape", "yes": "yes or no",
}  # fmt: skip

# ---- columns.md ----


def columns_page() -> str:
    """The page of tables, columns and settings as Markdown."""
    parts = [_OPENING]
    for one in TABLES.values():
        parts.append(f"## {one.name}\n\n{one.meaning}\n\n{_columns(one)}")
        if one.key:
            parts.append(f"{' and '.join(one.key)} occur{'s' if len(one.key) == 1 else ''} once.\n")
    rows = [(f"`{s.name}`", _default(s.name), s.zones or "text", s.meaning) for s in SETTINGS]
    parts.append(
        "## job.toml\n\nDotted here; in the file the part before the dot is a group, `[precision]`. In a workbook: a "
        "sheet `job` with the columns `setting` and `value`, the setting written dotted.\n\n"
        + _markdown(("setting", "default", "holds", "meaning"), rows)
    )
    return "\n".join(parts)


def _columns(one: Table) -> str:
    rows = [(f"`{c.name}`", c.must, _cell(c), c.meaning, ", ".join(c.also)) for c in one.columns]
    return _markdown(("column", "must", "holds", "meaning", "also recognised"), rows)


def _cell(column: Column) -> str:
    if column.choices:
        return column.limits
    return ", ".join(filter(None, (_HOLDS.get(column.kind, column.kind), column.zones)))


def _default(name: str) -> str:
    value = default(name)
    return "" if value in (None, "") else f"`{value:g}`" if isinstance(value, float) and value < 1e5 else f"`{value}`"


def _markdown(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = ["| " + " | ".join(heads) + " |", "| " + " | ".join("---" for _ in heads) + " |"]
    lines += ["| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in rows]
    return "\n".join(lines) + "\n"


# ---- pages with tables between marks ----

_MARKED = re.compile(r"(<!-- keys of (.+?) -->\n).*?(<!-- so far -->)", re.DOTALL)
_TESTED = tested("estimated error; above 0: recorded too high")
_SHARED = {"id", *(fact.name for fact in _TESTED)}
_UNITS = {"_mm_per_m": "mm per m", "_mm_km": "mm per km", "_mm": "mm", "_m": "m", "_sec": "arc-seconds",
          "_deg": "degrees", "_km": "km"}  # fmt: skip
_KINDS = {"text": "text", "yes": "true or false", "whole": "whole number", "count": "whole number",
          "number": "number", "share": "0 to 1", "day": "a day", "object": "object"}  # fmt: skip


def with_tables(page: str) -> str:
    """The text of a page with the tables between its marks made anew.

    >>> print(with_tables("<!-- keys of move -->\\n<!-- so far -->"))
    <!-- keys of move -->
    | key | holds | meaning |
    | --- | --- | --- |
    | `mark` | text |  |
    | `per_mm` | number, mm or null | for one millimetre of undetected error |
    <!-- so far -->
    """
    return _MARKED.sub(lambda found: found[1] + _keys(found[2]) + found[3], page)


def marked(page: str) -> list[str]:
    """What a page has tables of."""
    return [found[2] for found in _MARKED.finditer(page)]


def _keys(of: str) -> str:
    if of == "what has a test":
        return _table((Fact("id", "text"), RESIDUAL, *_TESTED))
    facts: Sequence[Fact] = _whole(of).facts
    if of != "setups" and set(_TESTED[1:]) <= set(facts):
        facts = [fact for fact in facts if fact.name not in _SHARED and fact != RESIDUAL]
    return _table(facts, deep=of not in ("results", "archive"))


def _whole(of: str) -> Record:
    """The file, the part of results.json, or the record with a name."""
    files = {"results": results(), "archive": ARCHIVE, "across": ACROSS, "job of an archive": JOB}
    if of in files or of in PARTS:
        return files.get(of) or table(of)
    return next(record for file in files.values() for record in _records(file) if record.name == of)


def _records(record: Record) -> Iterator[Record]:
    """Every record in a record."""
    for fact in record:
        inner = _within(fact.type)
        if isinstance(inner, Record):
            yield inner
            yield from _records(inner)


def _within(type: Type) -> Type:
    while isinstance(type, Maybe | Many | Keyed):
        type = type.of
    return type


def _table(facts: Sequence[Fact], deep: bool = True) -> str:
    return _markdown(("key", "holds", "meaning"), list(_rows(facts, "", deep)))


def _rows(facts: Sequence[Fact], before: str, deep: bool) -> Iterator[tuple[str, str, str]]:
    """Key, type and meaning of each; of records without a name also of what is in them."""
    for fact in facts:
        yield f"`{before}{fact.name}`", _holds(fact.name, fact.type), fact.said
        inner = _within(fact.type)
        if deep and isinstance(inner, Record) and not inner.name:
            several = "[]" if isinstance(fact.type, Many) else ""
            yield from _rows(inner.facts, f"{before}{fact.name}{several}.", deep)


def _holds(name: str, type: Type) -> str:
    match type:
        case Maybe(of=inner):
            return f"{_holds(name, inner)} or null"
        case Many(of=inner):
            one = _holds(name, inner)
            return f"list of {one}{'s' if one in ('text', 'record', 'whole number') else ''}"
        case Keyed(of=inner):
            return f"by name: {_holds(name, inner)}"
        case Words(name="verdict") if type == VERDICT:
            return "a [verdict](results.md#verdicts)"
        case Words(choices=choices):
            return ", ".join(f"`{choice}`" if choice and " " not in choice else f'"{choice}"' for choice in choices)
        case Record():
            return f"*{type.name}*" if type.name else "record"
    if type != "number":
        return _KINDS[type]
    return ", ".join(filter(None, ("number", next((u for end, u in _UNITS.items() if name.endswith(end)), ""))))
