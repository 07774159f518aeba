"""The tables of the page: each cell is already text, so that the script that sorts them knows nothing of heights.

A cell states the fact of its column, about the thing of its row; where it states more than that, it holds claims.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from heightnet.kinds.kind import Kind
from heightnet.kinds.registry import KINDS
from heightnet.ledger.thing import Thing
from heightnet.report.claims import capital, claim, is_claim
from heightnet.report.keys import Keys
from heightnet.report.numbers import NONE, fixed, in_100, listing
from heightnet.report.spoilt import Spoilt
from heightnet.report.words import A_HEIGHT, VERDICTS, Words
from heightnet.rows import Record

Show = Callable[[Record], str]

MOST = 12_000  # rows of one table inside the page; of larger tables those that need attention most
ROWS = 120  # so many rows are in the page's text; a script fetches further ones from the data inside the page
ORDER = list(VERDICTS)
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
        for column, text in zip(self.columns, row.cells, strict=True):
            value = text if column.kind == "verdict" else next(values) if column.fact else None
            out.append((column, text, "" if is_claim(text) else column.fact, value))
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


def text(heading: str, key: str, meaning: str = "", kind: str = "text") -> Column:
    """A column of names."""
    return Column(heading, lambda r: f"{NONE if r[key] in (None, '') else r[key]}", kind, "", meaning)


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

    def height(self, heading: str, fact: str, meaning: str = "") -> Column:
        return Column(f"{heading}, {self.lengths.name}", lambda r: self.lengths.height(r[fact]), "number", fact,
                      meaning, False, *self.lengths.height_digits)  # fmt: skip

    def small(self, heading: str, fact: str, meaning: str = "", stat: bool = False) -> Column:
        return Column(f"{heading}, {self.m}", lambda r: self.lengths.column(r[fact]), "number", fact, meaning, stat,
                      *self.lengths.column_digits)  # fmt: skip

    def residuals(self) -> list[Column]:
        """Residuals as recorded and, where something is wrong, once it is left out."""
        now = Column(f"Residual, {self.m}", self.spoilt.residual, "number", "residual_mm",
                     "observed less adjusted, nothing left out; spoilt: by what is wrong elsewhere", False,
                     *self.lengths.column_digits)  # fmt: skip
        if not self.spoilt.then:
            return [now]
        return [now, self.small("Then", "residual_then_mm", "the residual once what is likeliest wrong is left out")]

    def tested(self, error: str, meaning: str) -> list[Column]:
        return [
            self.small(error, "error_mm", meaning),
            self.small("sd", "error_sd_mm", "standard deviation of that error"),
            self.small("Shows from", "smallest_found_mm", "the smallest error that would show"),
            Column("Verdict", lambda r: r["verdict"], "verdict", "verdict"),
            *self.statistics(),
        ]

    @staticmethod
    def statistics() -> list[Column]:
        return [
            Column(f"Wrong, {IN_100}", lambda r: in_100(r["probability"]), "number", "probability",
                   "how likely it is wrong, of all that could explain the job"),
            Column("Error / sd", lambda r: fixed(r["w"], 2), "number", "w",
                   "the error over its standard deviation as stated (w)", True, 2),
            Column("Share that shows", lambda r: fixed(r["redundancy"], 3), "number", "redundancy",
                   "redundancy number: the part of an error that the residuals show", True, 3),
        ]  # fmt: skip

    # ---- tables ----

    def stands(self, name: str) -> Listing:
        setups, kind = name == "setups", name[:-1]
        key_of = self.keys.setup if setups else self.keys.target
        table = Listing(
            name,
            "Set-ups" if setups else "Targets",
            f"One row for each time {'an instrument' if setups else 'a target'} was put up.",
            [
                text("Set-up" if setups else "Target", kind, kind="name"),
                text("Over" if setups else "On", "mark", "the mark below"),
                Column("Verdict", lambda r: r["verdict"], "verdict", "verdict"),
                self.height("Recorded", "recorded_m", "the height recorded, reduced to the vertical"),
                self.small("Error", "error_mm",
                           "recorded too high by so much, says the rest of the job (minus: too low)"),
                self.small("sd", "error_sd_mm", "standard deviation of that error"),
                self.small("Shows from", "smallest_found_mm", "the smallest error that would show"),
                Column(f"Named from, {self.m}", self.named_from, "number", "smallest_named_mm",
                       "the smallest error that would be laid on this height and no other", False,
                       *self.lengths.column_digits),
                Column("Ways", lambda r: NONE if r["independent_checks"] is None else f"{r['independent_checks']}",
                       "number", "independent_checks", "independent ways by which the rest of the job knows it"),
                Column(f"Corrected, {self.lengths.name}",
                       lambda r: self.one_or_two(r, "corrected_m", self.words.key(r)), "number", "corrected_m",
                       "the height to use; two where the job cannot tell which", False, *self.lengths.height_digits),
                *self.statistics(),
            ],
        )  # fmt: skip
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
        table = Listing(
            "marks",
            "Marks",
            "Heights with all data as recorded, and corrected for what is wrong.",
            [
                text("Mark", "mark", kind="name"),
                self.height("Known", "known_m", "the known height; none: to be found"),
                self.height("As recorded", "height_m", "adjusted height, nothing left out"),
                self.small("sd", "sd_mm", "standard deviation"),
                Column(f"Corrected, {self.lengths.name}",
                       lambda r: self.one_or_two(r, "corrected_height_m", str(Thing("mark", r["mark"]))), "number",
                       "corrected_height_m", "what is wrong taken into account; two where nothing tells which", False,
                       *self.lengths.height_digits),
                Column(f"sd, {self.m}", self.sd_of_mark, "number", "corrected_sd_mm",
                       "standard deviation, with the doubt about what is wrong", False, *self.lengths.column_digits),
                self.height("Lowest", "low_m", "95 of 100 such heights lie between lowest and highest"),
                self.height("Highest", "high_m", "95 of 100 such heights lie between lowest and highest"),
                Column("What could still hide", self.words.hidden, "text", "",
                       "the most an undetected error could move it, and whose"),
            ],
        )  # fmt: skip
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

    def observed(self, name: str, title: str, says: str, columns: list[Column], error: list[Column]) -> Listing:
        """A table of observations."""
        table = Listing(name, title, says, [*columns, *error])
        for r in attention(self.words.facts.get(name, [])):
            about = self.keys.of(r) if name == "shots" else self.keys.about(r["id"])
            table.add(r, r["id"], "", about, residual_then_mm=self.spoilt.afterwards(r))
        return table

    def rows_of(self, kind: Kind) -> Listing:
        """The rows of a kind that was registered, as its record has them."""
        of_unit = {"_m": self.height, "_mm": self.small}
        columns = [text("Row", "row", "row of the file", "name")]
        for fact in kind.record:
            made = next((column for unit, column in of_unit.items() if fact.name.endswith(unit)), None)
            if fact.heading:
                told = made(fact.heading, fact.name, fact.meaning) if made else text(fact.heading, fact.name, fact.said)
                columns.append(told)
        many = capital(kind.words[kind.name].many)
        error = self.tested("Error", kind.error)
        return self.observed(kind.table, many, f"{many} as recorded.", [*columns, *self.residuals()], error)

    def known(self) -> Listing:
        columns = [
            text("Mark", "mark", kind="name"),
            self.height("Known height", "height_m"),
            self.small("Stated sd", "sd_mm"),
        ]
        error = self.tested("Error", "by how much the known height seems too high (minus: too low)")
        return self.observed("known", "Known marks", "Each known height against the rest of the job.", columns, error)

    def shots(self) -> Listing:
        columns = [
            text("Row", "row", "row of the file", "name"),
            text("Set-up", "setup"),
            text("To mark", "to_mark"),
            text("Target", "target"),
            Column(f"Distance, {self.lengths.name}", lambda r: self.lengths.distance(r["horizontal_m"]), "number",
                   "horizontal_m", "horizontal", False, *self.lengths.distance_digits),
            self.height("Rise", "rise_m", "target centre above instrument axis"),
            *self.residuals(),
        ]  # fmt: skip
        error = self.tested("Error", "by how much its rise seems too large (minus: too small)")
        says = "Each sight as a height difference from instrument axis to target centre."
        return self.observed("shots", "Sights", says, columns, error)

    def levels(self) -> Listing:
        columns = [
            text("Row", "row", kind="name"),
            text("From", "from_mark"),
            text("To", "to_mark"),
            text("Run", "run"),
            self.height("Rise", "rise_m"),
            *self.residuals(),
        ]
        error = self.tested("Error", "by how much its rise seems too large (minus: too small)")
        return self.observed("levels", "Levelled differences", "Each levelled height difference.", columns, error)

    def staff(self) -> Listing:
        columns = [
            text("Row", "row", kind="name"),
            text("Level set-up", "level_setup"),
            Column("On", lambda r: r["name"] or r["mark"], "text"),
            text("Sight", "sight"),
            self.height("Reading", "reading_m"),
            *self.residuals(),
        ]
        error = self.tested("Error", "by how much it seems read too high (minus: too low)")
        return self.observed("staff", "Staff readings", "Each reading of the levelling book.", columns, error)

    def gnss(self) -> Listing:
        columns = [
            text("Row", "row", kind="name"),
            text("From", "from", "set-up of the antenna; none: a height by itself"),
            text("To", "to", "set-up of the antenna"),
            text("To mark", "to_mark"),
            text("Session", "session"),
            Column(f"Rise or height, {self.lengths.name}",
                   lambda r: self.lengths.height(r["height_m"] if r["rise_m"] is None else r["rise_m"]), "number", "",
                   "above the ellipsoid, of the antenna's reference point"),
            self.height("Separation", "separation_m", "of geoid and ellipsoid: at to, less at from"),
            *self.residuals(),
        ]  # fmt: skip
        error = self.tested("Error", "by how much it seems too high (minus: too low)")
        says = "Each rise from antenna to antenna, and each height of one antenna by a positioning service."
        return self.observed("gnss", "Satellite heights", says, columns, error)

    def separations(self) -> Listing:
        columns = [
            text("Mark", "mark", kind="name"),
            self.height("Separation", "separation_m"),
            self.small("Stated sd", "sd_mm"),
            *self.residuals()[:1],
        ]
        error = self.tested("Error", "by how much it seems too high (minus: too low)")
        says = "The geoid's height above the ellipsoid at each mark with an antenna, against the rest of the job."
        return self.observed("separations", "Separations", says, columns, error)

    def groups(self) -> Listing:
        def found(r: Record) -> str:
            return f"cannot be tested: {r['reason']}" if r["reason"] else self.words.group(r)

        table = Listing(
            "groups",
            "Everything of one kind alike",
            "One wrong prism, pole, tape or habit spoils many heights in the same way. Each is tested as a whole.",
            [
                Column("What", lambda r: self.words.label(r["id"]), "name"),
                Column("Members", lambda r: f"{r['members']:,}"),
                Column("What was found", found, "text"),
                *self.tested("Error", "common to all members; above 0: recorded too high"),
            ],
        )
        for r in self.words.facts["groups"]:
            table.add(r, r["id"])
        return table

    def loops(self) -> Listing:
        words = self.words

        def end(r: Record) -> str:
            told = {True: "within", False: "beyond", None: NONE}[r["closes"]]
            return f"{told}, as the precision leads to expect" if words.expected(r) else told

        table = Listing(
            "loops-table",
            "Loops",
            "Every closed way through the job, with its misclosure. Whether a loop keeps a tolerance is another "
            "question than whether a value in it is wrong.",
            [
                Column("Marks", lambda r: listing(words.loop(r), 6), "name"),
                Column("Length, km", lambda r: fixed(r["length_km"], 2), "number", "length_km"),
                self.small("Misclosure", "misclosure_mm"),
                self.small("Expected sd", "expected_sd_mm", "from the stated precision", True),
                self.small("Allowed", "allowed_mm", "by the tolerance"),
                Column("Tolerance", end, "text", "closes", "whether the misclosure keeps the tolerance"),
                Column("By", lambda r: r["tolerance"], "text", "", "the tolerance used", True),
            ],
        )
        loops: Iterable[tuple[int, Record]] = words.numbered("loops")
        if len(words.facts["loops"]) > ROWS:
            loops = sorted(loops, key=lambda n: -abs(n[1]["misclosure_mm"] or 0) / (n[1]["allowed_mm"] or 1))[:MOST]
        for number, r in loops:
            about = self.keys.join(*(self.keys.about(id) for id in r["ids"]))
            table.add(r, f"loop:{number}", "", about)
        return table
