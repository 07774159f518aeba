"""The tables of the page: each cell is already text, so that the script that sorts them knows nothing of heights."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NamedTuple

from heightnet.report.keys import Keys
from heightnet.report.numbers import chance, fixed, listing
from heightnet.report.words import VERDICTS, Words

Record = dict[str, Any]

MOST = 12_000  # rows of one table inside the page; of larger tables those that need attention most
ROWS = 120  # so many rows are in the page's text; a script fetches further ones from the data inside the page
ORDER = list(VERDICTS)


class Column(NamedTuple):
    """kind: "name", "text", "number", "verdict"; ``stat`` columns are shown on demand."""

    heading: str
    kind: str = "number"
    stat: bool = False
    meaning: str = ""


class Row(NamedTuple):
    cells: list[str]  # a verdict cell holds the verdict itself
    key: str
    about: str


@dataclass
class Listing:
    """One table; ``rows`` in the order of the job, or those that need attention first where there are many."""

    id: str
    title: str
    says: str
    columns: list[Column]
    rows: list[Row] = field(default_factory=list)
    total: int = 0  # rows there would be

    @property
    def first(self) -> list[Row]:
        return self.rows[:ROWS]

    @property
    def more(self) -> list[Row]:
        return self.rows[ROWS:]

    @property
    def has_stat(self) -> bool:
        return any(column.stat for column in self.columns)


STATISTICS = [
    Column("Chance it is wrong", stat=True, meaning="probability of a blunder, from the search over all explanations"),
    Column("Error / its sd", stat=True, meaning="estimated error over its standard deviation (w-test, Baarda 1968)"),
    Column("Share that shows", stat=True, meaning="redundancy number: the part of an error that residuals show"),
]  # fmt: skip


TABLES = ("setups", "targets", "marks", "known", "shots", "levels", "staff", "gnss", "separations", "groups", "loops")


def listings(words: Words, keys: Keys) -> list[Listing]:
    """The tables of the job, the empty ones left out."""
    found = [
        _stands(words, keys, "setups"),
        _stands(words, keys, "targets"),
        _marks(words, keys),
        _known(words, keys),
        _shots(words, keys),
        _levels(words, keys),
        _staff(words, keys),
        _gnss(words, keys),
        _separations(words, keys),
        _groups(words),
        _loops(words, keys),
    ]
    for table, kind in zip(found, TABLES, strict=True):
        table.total = len(words.facts.get(kind, []))
    return [table for table in found if table.rows]


def attention(records: list[Record]) -> list[Record]:
    """In the order of the job, or, where not all fit on the page, those that need attention first."""
    if len(records) <= ROWS:
        return records
    return sorted(records, key=lambda r: (ORDER.index(r["verdict"]), -abs(r["w"] or 0)))[:MOST]


def _statistics(record: Record) -> list[str]:
    return [chance(record["probability"]), fixed(record["w"], 2), fixed(record["redundancy"], 3)]


def _stands(words: Words, keys: Keys, name: str) -> Listing:
    m, lengths = words.lengths.small_short, words.lengths
    setups = name == "setups"
    kind = name[:-1]
    key_of = keys.setup if setups else keys.target
    table = Listing(
        name,
        "Set-ups" if setups else "Targets",
        f"One row for each time {'an instrument' if setups else 'a target'} was put up.",
        [
            Column("Set-up" if setups else "Target", "name"),
            Column("Over" if setups else "On", "text", meaning="the mark below"),
            Column("Verdict", "verdict"),
            Column(f"Recorded, {lengths.name}", meaning="the height recorded, reduced to the vertical"),
            Column(f"Error, {m}", meaning="recorded too high by so much, says the rest of the job (minus: too low)"),
            Column(f"± , {m}", meaning="standard deviation of that error"),
            Column(f"Shows from, {m}", meaning="the smallest error that would show"),
            Column(f"Pinned down from, {m}", meaning="the smallest error put down to this height and no other"),
            Column("Ways", meaning="independent ways by which the rest of the job knows this height"),
            Column(f"Corrected, {lengths.name}", meaning="the height to use if the likeliest explanations are right"),
            *STATISTICS,
        ],
    )  # fmt: skip
    for r in attention(words.facts[name]):
        key = key_of(r[kind])
        ways = "–" if r["independent_checks"] is None else str(r["independent_checks"])
        table.rows.append(
            Row(
                [
                    r[kind],
                    r["mark"] or "–",
                    r["verdict"],
                    lengths.height(r["recorded_m"]),
                    lengths.column(r["error_mm"]),
                    lengths.column(r["error_sd_mm"]),
                    lengths.column(r["smallest_detectable_mm"]),
                    lengths.column(r["smallest_attributable_mm"]),
                    ways,
                    lengths.height(r["corrected_m"]),
                    *_statistics(r),
                ],
                key,
                keys.join(key, keys.mark(r["mark"])),
            )
        )
    return table


def _marks(words: Words, keys: Keys) -> Listing:
    lengths, m = words.lengths, words.lengths.small_short
    table = Listing(
        "marks",
        "Marks",
        "Heights with all data as recorded, and corrected for what is probably wrong.",
        [
            Column("Mark", "name"),
            Column(f"Known, {lengths.name}", meaning="the known height; none: to be found"),
            Column(f"As recorded, {lengths.name}", meaning="adjusted height, nothing left out"),
            Column(f"± , {m}", meaning="standard deviation"),
            Column(f"Corrected, {lengths.name}", meaning="the likeliest explanations taken into account"),
            Column(f"± , {m}", meaning="standard deviation, the doubt about the explanation included"),
            Column(
                "What could still hide",
                "text",
                meaning="the most an undetected error could move it, and whose",
            ),
        ],
    )
    marks = words.facts["marks"]
    if len(marks) > ROWS:
        marks = sorted(marks, key=lambda r: (r["hidden_mm"] is not None, -(r["hidden_mm"] or 0)))[:MOST]
    for r in marks:
        key = keys.mark(r["mark"])
        table.rows.append(
            Row(
                [
                    r["mark"],
                    lengths.height(r["known_m"]),
                    lengths.height(r["height_m"]),
                    lengths.column(r["sd_mm"]),
                    lengths.height(r["corrected_height_m"]),
                    lengths.column(r["corrected_sd_mm"]),
                    words.hidden(r),
                ],
                key,
                key,
            )
        )
    return table


def _tested(words: Words, error: str, meaning: str) -> list[Column]:
    m = words.lengths.small_short
    return [
        Column(f"{error}, {m}", meaning=meaning),
        Column(f"± , {m}", meaning="standard deviation of that error"),
        Column(f"Shows from, {m}", meaning="the smallest error that would show"),
        Column("Verdict", "verdict"),
        *STATISTICS,
    ]


def _tests(words: Words, r: Record) -> list[str]:
    column = words.lengths.column
    return [
        column(r["error_mm"]),
        column(r["error_sd_mm"]),
        column(r["smallest_detectable_mm"]),
        r["verdict"],
        *_statistics(r),
    ]


def _known(words: Words, keys: Keys) -> Listing:
    lengths = words.lengths
    table = Listing(
        "known",
        "Known marks",
        "Each known height against the rest of the job.",
        [
            Column("Mark", "name"),
            Column(f"Known height, {lengths.name}"),
            Column(f"Stated sd, {lengths.small_short}"),
            *_tested(words, "Error", "by how much the known height seems too high (minus: too low)"),
        ],
    )
    for r in attention(words.facts["known"]):
        cells = [r["mark"], lengths.height(r["height_m"]), lengths.column(r["sd_mm"]), *_tests(words, r)]
        table.rows.append(Row(cells, "", keys.mark(r["mark"])))
    return table


def _shots(words: Words, keys: Keys) -> Listing:
    lengths = words.lengths
    table = Listing(
        "shots",
        "Sights",
        "Each sight as a height difference from instrument axis to target centre.",
        [
            Column("Row", "name", meaning="row of the file"),
            Column("Set-up", "text"),
            Column("To mark", "text"),
            Column("Target", "text"),
            Column(f"Distance, {lengths.name}", meaning="horizontal"),
            Column(f"Rise, {lengths.name}", meaning="target centre above instrument axis"),
            Column(f"Residual, {lengths.small_short}", meaning="observed less adjusted, nothing left out"),
            *_tested(words, "Error", "by how much its rise seems too large (minus: too small)"),
        ],
    )
    for r in attention(words.facts["shots"]):
        cells = [
            f"{r['row']}",
            r["setup"],
            r["to_mark"] or "–",
            r["target"],
            lengths.distance(r["horizontal_m"]),
            lengths.height(r["rise_m"]),
            lengths.column(r["residual_mm"]),
            *_tests(words, r),
        ]
        table.rows.append(Row(cells, "", keys.shot(r)))
    return table


def _levels(words: Words, keys: Keys) -> Listing:
    lengths = words.lengths
    table = Listing(
        "levels",
        "Levelled differences",
        "Each levelled height difference.",
        [
            Column("Row", "name"),
            Column("From", "text"),
            Column("To", "text"),
            Column("Run", "text"),
            Column(f"Rise, {lengths.name}"),
            Column(f"Residual, {lengths.small_short}", meaning="observed less adjusted, nothing left out"),
            *_tested(words, "Error", "by how much its rise seems too large (minus: too small)"),
        ],
    )
    for r in attention(words.facts["levels"]):
        cells = [f"{r['row']}", r["from_mark"], r["to_mark"], r["run"] or "–", lengths.height(r["rise_m"])]
        cells += [lengths.column(r["residual_mm"]), *_tests(words, r)]
        table.rows.append(Row(cells, "", keys.about(r["id"])))
    return table


def _staff(words: Words, keys: Keys) -> Listing:
    lengths = words.lengths
    table = Listing(
        "staff",
        "Staff readings",
        "Each reading of the levelling book.",
        [
            Column("Row", "name"),
            Column("Level set-up", "text"),
            Column("On", "text"),
            Column("Sight", "text"),
            Column(f"Reading, {lengths.name}"),
            Column(f"Residual, {lengths.small_short}", meaning="observed less adjusted, nothing left out"),
            *_tested(words, "Error", "by how much it seems read too high (minus: too low)"),
        ],
    )
    for r in attention(words.facts["staff"]):
        cells = [f"{r['row']}", r["level_setup"], r["name"] or r["mark"], r["sight"] or "–"]
        cells += [lengths.height(r["reading_m"]), lengths.column(r["residual_mm"]), *_tests(words, r)]
        table.rows.append(Row(cells, "", keys.about(r["id"])))
    return table


def _gnss(words: Words, keys: Keys) -> Listing:
    lengths = words.lengths
    table = Listing(
        "gnss",
        "Satellite heights",
        "Each rise from antenna to antenna, and each height of one antenna by a positioning service.",
        [
            Column("Row", "name"),
            Column("From", "text", meaning="set-up of the antenna; none: a height by itself"),
            Column("To", "text", meaning="set-up of the antenna"),
            Column("To mark", "text"),
            Column("Session", "text"),
            Column(f"Rise or height, {lengths.name}", meaning="above the ellipsoid, of the antenna's reference point"),
            Column(f"Separation, {lengths.name}", meaning="of geoid and ellipsoid: at to, less at from"),
            Column(f"Residual, {lengths.small_short}", meaning="observed less adjusted, nothing left out"),
            *_tested(words, "Error", "by how much it seems too high (minus: too low)"),
        ],
    )
    for r in attention(words.facts.get("gnss", [])):
        value = r["height_m"] if r["rise_m"] is None else r["rise_m"]
        cells = [f"{r['row']}", r["from"] or "–", r["to"], r["to_mark"] or "–", r["session"] or "–"]
        cells += [lengths.height(value), lengths.height(r["separation_m"]), lengths.column(r["residual_mm"])]
        table.rows.append(Row([*cells, *_tests(words, r)], "", keys.about(r["id"])))
    return table


def _separations(words: Words, keys: Keys) -> Listing:
    lengths, m = words.lengths, words.lengths.small_short
    table = Listing(
        "separations",
        "Separations",
        "The geoid's height above the ellipsoid at each mark with an antenna, against the rest of the job.",
        [
            Column("Mark", "name"),
            Column(f"Separation, {lengths.name}"),
            Column(f"Stated sd, {m}"),
            Column(f"Residual, {m}", meaning="recorded less adjusted, nothing left out"),
            *_tested(words, "Error", "by how much it seems too high (minus: too low)"),
        ],
    )
    for r in attention(words.facts.get("separations", [])):
        cells = [r["mark"], lengths.height(r["separation_m"]), lengths.column(r["sd_mm"])]
        cells += [lengths.column(r["residual_mm"]), *_tests(words, r)]
        table.rows.append(Row(cells, "", keys.mark(r["mark"])))
    return table


def _groups(words: Words) -> Listing:
    table = Listing(
        "groups",
        "Everything of one kind alike",
        "One wrong prism, pole, tape or habit spoils many heights in the same way. Each is tested as a whole.",
        [
            Column("What", "name"),
            Column("Members"),
            Column("What was found", "text"),
            *_tested(words, "Error", "common to all members; above 0: recorded too high"),
        ],
    )
    for r in words.facts["groups"]:
        said = f"cannot be tested: {r['reason']}" if r["reason"] else words.group(r)
        table.rows.append(Row([words.label(r["id"]), f"{r['members']:,}", said, *_tests(words, r)], "", ""))
    return table


def _loops(words: Words, keys: Keys) -> Listing:
    lengths, m = words.lengths, words.lengths.small_short
    table = Listing(
        "loops-table",
        "Loops",
        "Every closed way through the job, with its misclosure.",
        [
            Column("Marks", "name"),
            Column("Length, km"),
            Column(f"Misclosure, {m}"),
            Column(f"Expected sd, {m}", stat=True, meaning="from the stated precision"),
            Column(f"Allowed, {m}"),
            Column("Closes", "text"),
            Column("By", "text", stat=True, meaning="the tolerance used"),
        ],
    )
    loops = words.facts["loops"]
    if len(loops) > ROWS:
        loops = sorted(loops, key=lambda r: -abs(r["misclosure_mm"] or 0) / (r["allowed_mm"] or 1))[:MOST]
    for r in loops:
        cells = [
            listing(words.loop(r), 6),
            fixed(r["length_km"], 2),
            lengths.column(r["misclosure_mm"]),
            lengths.column(r["expected_sd_mm"]),
            lengths.column(r["allowed_mm"]),
            {True: "yes", False: "no", None: "–"}[r["closes"]],
            r["tolerance"],
        ]
        table.rows.append(Row(cells, "", keys.join(*(keys.about(id) for id in r["ids"]))))
    return table
