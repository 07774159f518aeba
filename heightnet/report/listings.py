"""The tables of the page: each cell is already text, so that the script that sorts them knows nothing of heights.

A cell states the fact of its column, about the thing of its row; where it states more than that, it holds claims.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, NamedTuple

from heightnet.kinds.kind import Kind
from heightnet.kinds.registry import KINDS
from heightnet.ledger.record import NUMBER, Fact, Maybe
from heightnet.ledger.results import table as declared
from heightnet.ledger.thing import Thing
from heightnet.report.claims import capital, claim, is_claim
from heightnet.report.keys import Keys
from heightnet.report.numbers import NONE, fixed, in_100, listing
from heightnet.report.spoilt import Spoilt
from heightnet.report.words import A_HEIGHT, VERDICTS, Words
from heightnet.rows import Record, column

Show = Callable[[Record], str]

MOST = 12_000  # rows of one table inside the page; of larger tables those that need attention most
ROWS = 120  # so many rows are in the page's text; a script fetches further ones from the data inside the page
ORDER = list(VERDICTS)
TESTED = "error_mm error_sd_mm smallest_found_mm verdict probability w redundancy"
STATISTICS = ("w", "redundancy", "expected_sd_mm", "tolerance")  # shown on demand
IN_100 = claim("vocabulary", "unit", "in 100", "in 100")


class Column(NamedTuple):
    """kind: "name", "text", "number", "verdict"; ``stat`` columns are shown on demand.

    show : the cell of a record; of a verdict the verdict itself.
    fact : what the cell states of its row's thing; "" where it states nothing, or says so itself.
    digits, divisor : of a cell that is its value over the divisor with so many decimals and nothing else; digits -1
        of all others.
    """

    heading: str
    show: Show
    kind: str = "number"
    fact: str = ""
    meaning: str = ""
    stat: bool = False
    digits: int = -1
    divisor: float = 1.0


class Row(NamedTuple):
    """of : the thing of the row; values : of the columns that state a fact, in their order."""

    cells: list[str]
    key: str
    about: str
    of: str
    values: list[Any]


@dataclass
class Listing:
    """One table; ``rows`` in the order of the job, or those that need attention first where there are many."""

    id: str
    title: str
    says: str
    columns: list[Column]
    rows: list[Row] = field(default_factory=list)
    total: int = 0  # rows there would be
    linked: Collection[str] = ()  # keys of rows that have a card
    leads: bool = False  # the keys are addresses of pages
    at_once: int = ROWS  # rows in the page's text
    fetched: int = 0  # rows that a script fetches from elsewhere
    order: str = "those that need attention most"
    kept_in: str = "results.json"  # what has all of the rows

    def link(self, row: Row) -> str:
        """Where a row's name leads; "" where it leads nowhere."""
        if self.leads:
            return row.key
        return f"#{row.key}" if row.key in self.linked else ""

    @property
    def without_script(self) -> str:
        """What is said of the rows that only a script shows; "" where there are none."""
        kept = f"; all of them are in {self.kept_in}" if self.kept_in else ""
        return f"The first {len(self.first)}, {self.order}, are shown here{kept}." if self.more or self.fetched else ""

    @property
    def left_out(self) -> str:
        """What is said of the rows that are not on the page at all; "" where there are none."""
        kept = f"; all {self.total:,} are in {self.kept_in}" if self.kept_in else f" of {self.total:,}"
        held = len(self.rows) + self.fetched
        return f"The {held:,} {self.order.partition(' ')[2]}{kept}." if self.total > held else ""

    @property
    def first(self) -> list[Row]:
        return self.rows[: self.at_once]

    @property
    def more(self) -> list[Row]:
        return self.rows[self.at_once :]

    def add(self, r: Record, of: str, key: str = "", about: str = "", **derived: Any) -> None:
        """A record as a row; ``derived`` are facts that follow from several records."""
        known = r | derived
        values = [known[c.fact] for c in self.columns if c.fact and c.kind != "verdict"]
        self.rows.append(Row([c.show(known) for c in self.columns], key, about, of, values))

    def stated(self, row: Row) -> list[tuple[Column, str, str, Any]]:
        """Column, cell, the fact it states and its value; fact "" where the cell states none or says so itself."""
        values = iter(row.values)
        out = []
        for one, text in zip(self.columns, row.cells, strict=True):
            value = text if one.kind == "verdict" else next(values) if one.fact else None
            out.append((one, text, "" if is_claim(text) else one.fact, value))
        return out

    @property
    def of(self) -> str:
        """What comes before a row's first cell in the name of its thing, where that is so for all rows; else ""."""
        starts = {row.of.removesuffix(row.cells[0]) if row.of.endswith(row.cells[0]) else "" for row in self.rows}
        return starts.pop() if len(starts) == 1 else ""

    def packed(self) -> list[list[Any]]:
        """The rows that a script fetches: cells, then key, further keys that light it up, its thing, its values.

        A cell that the script can write from its value is 0, a thing that it can name from the first cell "".
        """
        stating = [i for i, c in enumerate(self.columns) if c.fact and c.kind != "verdict"]
        plain = [
            (i, n, 2 * 10**c.digits, c.divisor) for n, i in enumerate(stating) if (c := self.columns[i]).digits >= 0
        ]
        start, out = self.of, []
        for row in self.more:
            cells: list[Any] = list(row.cells)
            for i, n, halves, divisor in plain:
                value = row.values[n]
                # a value half-way between two texts is rounded up by one language and to even by the other
                if cells[i] == NONE if value is None else abs(value / divisor * halves) % 2 != 1:
                    cells[i] = cells[i] if is_claim(cells[i]) else 0
            named = bool(start) and row.of == f"{start}{row.cells[0]}"
            about = row.about.removeprefix(row.key).lstrip()
            out.append([*cells, row.key, about, "" if named else row.of, row.values])
        return out


def attention(records: Sequence[Record]) -> Sequence[Record]:
    """In the order of the job, or, where not all fit on the page, those that need attention first."""
    if len(records) <= ROWS:
        return records
    return sorted(records, key=lambda r: (ORDER.index(r["verdict"]), -abs(r["w"] or 0)))[:MOST]


class Tables:
    """Makes the tables of one job."""

    def __init__(self, words: Words, keys: Keys) -> None:
        self.words, self.keys, self.lengths = words, keys, words.lengths
        self.m, self.spoilt = words.lengths.small_short, Spoilt(words, keys)

    def all(self) -> list[Listing]:
        """The tables that have rows."""
        made = {
            "setups": self.stands("setups"),
            "targets": self.stands("targets"),
            "marks": self.marks(),
            "known": self.known(),
            "shots": self.shots(),
            "levels": self.levels(),
            "staff": self.staff(),
            "gnss": self.gnss(),
            "separations": self.separations(),
            "groups": self.groups(),
            "loops": self.loops(),
        }
        made |= {kind.table: self.rows_of(kind) for kind in KINDS.values() if kind.record}
        for name, table in made.items():
            table.total = len(self.words.facts.get(name, []))
        return [table for table in made.values() if table.rows]

    # ---- columns ----

    def of(self, table: str, names: str, **shown: Show) -> list[Column]:
        """Columns of a table of results.json, called and explained as the ledger has it; some cells shown by hand."""
        record = declared(table)
        return [self.column(record[name], shown.get(name)) for name in names.split()]

    def column(self, fact: Fact, show: Show | None) -> Column:
        name, type = fact.name, fact.type.of if isinstance(fact.type, Maybe) else fact.type
        number = type in ("number", "share", "whole")
        of_value, unit, digits = self.told(name)
        kind = "verdict" if name == "verdict" else "number" if number else "text"
        states = name if number or kind == "verdict" or type == "yes" else ""
        return Column(f"{fact.heading}{unit}", show or (lambda r: of_value(r[name])), kind, states, fact.meaning,
                      name in STATISTICS, *digits)  # fmt: skip

    def told(self, name: str) -> tuple[Callable[[Any], str], str, tuple[()] | tuple[int] | tuple[int, float]]:
        """How a value is told, what its heading says of the unit; digits and divisor where a script can write it."""
        lengths = self.lengths
        match name:
            case "probability":
                return in_100, f", {IN_100}", ()
            case "w":
                return partial(fixed, decimals=2), "", (2,)
            case "redundancy":
                return partial(fixed, decimals=3), "", (3,)
            case "horizontal_m":
                return lengths.distance, f", {lengths.name}", lengths.distance_digits
        if name.endswith("_sec"):
            return partial(fixed, decimals=1), ", arc-seconds", (1,)
        if name.endswith("_km"):
            return partial(fixed, decimals=2), ", km", ()
        if name.endswith("_mm"):
            return lengths.column, f", {self.m}", lengths.column_digits
        if name.endswith("_m"):
            return lengths.height, f", {lengths.name}", lengths.height_digits
        return lambda value: NONE if value in (None, "") else f"{value}", "", ()

    def residuals(self, table: str) -> list[Column]:
        """Residuals as recorded and, where something is wrong, once it is left out."""
        (now,) = self.of(table, "residual_mm", residual_mm=self.spoilt.residual)
        now = now._replace(meaning=f"{now.meaning}; spoilt: by what is wrong elsewhere")
        if not self.spoilt.then or table == "separations":
            return [now]
        meaning = "the residual once what is likeliest wrong is left out"
        return [now, self.column(Fact("residual_then_mm", NUMBER, meaning, "Then"), None)]

    # ---- tables ----

    def listing(self, name: str, title: str, says: str, columns: list[Column], id: str = "") -> Listing:
        """A table whose first column names its rows."""
        first, *others = columns
        return Listing(id or name, title, says, [first._replace(kind="name", fact=""), *others])

    def stands(self, name: str) -> Listing:
        setups, kind = name == "setups", name[:-1]
        key_of = self.keys.setup if setups else self.keys.target
        columns = self.of(
            name,
            f"{kind} mark verdict recorded_m error_mm error_sd_mm smallest_found_mm smallest_named_mm "
            "independent_checks corrected_m probability w redundancy",
            smallest_named_mm=self.named_from,
            corrected_m=lambda r: self.one_or_two(r, "corrected_m", self.words.key(r)),
        )
        says = f"One row for each time {'an instrument' if setups else 'a target'} was put up."
        table = self.listing(name, "Set-ups" if setups else "Targets", says, columns)
        for r in attention(self.words.facts[name]):
            key = key_of(r[kind])
            table.add(r, self.words.key(r), key, self.keys.join(key, self.keys.mark(r["mark"])))
        return table

    def named_from(self, r: Record) -> str:
        """From what size an error is named; "never" where it shows, but always together with what looks like it."""
        shows = r["smallest_found_mm"] is not None and self.words.facts["judgement"]["named_sizes"]
        return "never" if shows and r["smallest_named_mm"] is None else self.lengths.column(r["smallest_named_mm"])

    def one_or_two(self, r: Record, fact: str, of: str) -> str:
        """A height, or where the job leaves it open each of those it may have; rarer ones with their chance."""
        heights = list(enumerate(r["heights"]))
        single, told = r[fact], self.lengths.height
        if not heights:
            return told(single)

        def one(i: int, h: Record) -> str:
            likely = self.words.of_100(of, h["probability"], f"heights.{i}.probability")
            return f"{claim(of, f'heights.{i}.height_m', h['height_m'], told(h['height_m']))} ({likely})"

        if single is None:
            return " or ".join(one(i, h) for i, h in heights if h["probability"] >= A_HEIGHT)
        rarer = " or ".join(one(i, h) for i, h in heights[1:])
        return f"{claim(of, fact, single, told(single))}, or {rarer}" if rarer else told(single)

    def marks(self) -> Listing:
        hidden = Column("What could still hide", self.words.hidden, "text", "", declared("marks")["hidden_mm"].meaning)
        columns = self.of(
            "marks",
            "mark known_m height_m sd_mm corrected_height_m corrected_sd_mm low_m high_m",
            corrected_height_m=lambda r: self.one_or_two(r, "corrected_height_m", str(Thing("mark", r["mark"]))),
            corrected_sd_mm=self.sd_of_mark,
        )
        says = "Heights with all data as recorded, and corrected for what is wrong."
        table = self.listing("marks", "Marks", says, [*columns, hidden])
        marks = self.words.facts["marks"]
        if len(marks) > ROWS:
            marks = sorted(marks, key=lambda r: (r["hidden_mm"] is not None, -(r["hidden_mm"] or 0)))[:MOST]
        for r in marks:
            key = self.keys.mark(r["mark"])
            table.add(r, str(Thing("mark", r["mark"])), key, key)
        return table

    def sd_of_mark(self, r: Record) -> str:
        if r["corrected_height_m"] is not None or not r["heights"]:
            return self.lengths.column(r["corrected_sd_mm"])
        of = str(Thing("mark", r["mark"]))
        return " or ".join(
            claim(of, f"heights.{i}.sd_mm", h["sd_mm"], self.lengths.column(h["sd_mm"]))
            for i, h in enumerate(r["heights"])
            if h["probability"] >= A_HEIGHT
        )

    def observed(self, name: str, title: str, says: str, columns: list[Column]) -> Listing:
        """A table of observations."""
        residuals = [] if name == "known" else self.residuals(name)
        table = self.listing(name, title, says, [*columns, *residuals, *self.of(name, TESTED)])
        for r in attention(self.words.facts.get(name, [])):
            about = self.keys.of(r) if name == "shots" else self.keys.about(r["id"])
            table.add(r, r["id"], "", about, residual_then_mm=self.spoilt.afterwards(r))
        return table

    def rows_of(self, kind: Kind) -> Listing:
        """The rows of a kind that was registered, as its record has them."""
        many = capital(kind.words[kind.name].many)
        columns = self.of(kind.table, " ".join(["row", *(fact.name for fact in kind.record if fact.heading)]))
        return self.observed(kind.table, many, f"{many} as recorded.", columns)

    def known(self) -> Listing:
        says = "Each known height against the rest of the job."
        return self.observed("known", "Known marks", says, self.of("known", "mark height_m sd_mm"))

    def shots(self) -> Listing:
        says = "Each sight as a height difference from instrument axis to target centre."
        names = "row setup to_mark target horizontal_m rise_m"
        shots = self.words.facts["shots"]
        for twice in ("faces_mm index_sec", "forward_back_mm"):  # shown where a sight has them
            first = twice.partition(" ")[0]
            if len(shots) and first in shots[0] and any(value is not None for value in column(shots, first)):
                names += f" {twice}"
        return self.observed("shots", "Sights", says, self.of("shots", names))

    def levels(self) -> Listing:
        columns = self.of("levels", "row from_mark to_mark run rise_m")
        return self.observed("levels", "Levelled differences", "Each levelled height difference.", columns)

    def staff(self) -> Listing:
        on = self.of("staff", "row level_setup name sight reading_m", name=lambda r: r["name"] or r["mark"])
        return self.observed("staff", "Staff readings", "Each reading of the levelling book.", on)

    def gnss(self) -> Listing:
        def value(r: Record) -> str:
            return self.lengths.height(r["height_m"] if r["rise_m"] is None else r["rise_m"])

        above = "above the ellipsoid, of the antenna's reference point"
        both = Column(f"Rise or height, {self.lengths.name}", value, meaning=above)
        columns = [*self.of("gnss", "row from to to_mark session"), both, *self.of("gnss", "separation_m")]
        says = "Each rise from antenna to antenna, and each height of one antenna by a positioning service."
        return self.observed("gnss", "Satellite heights", says, columns)

    def separations(self) -> Listing:
        says = "The geoid's height above the ellipsoid at each mark with an antenna, against the rest of the job."
        return self.observed("separations", "Separations", says, self.of("separations", "mark separation_m sd_mm"))

    def groups(self) -> Listing:
        def found(r: Record) -> str:
            return f"cannot be tested: {r['reason']}" if r["reason"] else self.words.group(r)

        what = Column("What", lambda r: self.words.label(r["id"]))
        members = self.of("groups", "members", members=lambda r: f"{r['members']:,}")
        columns = [what, *members, Column("What was found", found, "text"), *self.of("groups", TESTED)]
        says = "One wrong prism, pole, tape or habit spoils many heights in the same way. Each is tested as a whole."
        table = self.listing("groups", "Everything of one kind alike", says, columns)
        for r in self.words.facts["groups"]:
            table.add(r, r["id"])
        return table

    def loops(self) -> Listing:
        words = self.words

        def end(r: Record) -> str:
            return {True: "within", False: "outside", None: NONE}[r["closes"]]

        columns = self.of(
            "loops",
            "marks length_km misclosure_mm expected_sd_mm allowed_mm closes tolerance",
            marks=lambda r: listing(words.loop(r), 6),
            closes=end,
        )
        says = (
            "Every closed way through the job, with its misclosure. Whether a loop keeps its limit is another "
            "question than whether a value in it is wrong."
        )
        table = self.listing("loops", "Loops", says, columns, id="loops-table")
        loops: Iterable[tuple[int, Record]] = words.numbered("loops")
        if len(words.facts["loops"]) > ROWS:
            loops = sorted(loops, key=lambda n: -abs(n[1]["misclosure_mm"] or 0) / (n[1]["allowed_mm"] or 1))[:MOST]
        for number, r in loops:
            about = self.keys.join(*(self.keys.about(id) for id in r["ids"]))
            table.add(r, f"loop:{number}", "", about)
        return table
