"""What the things of a job are called: one dispatch from a thing's kind to all the ways to name it."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable
from functools import cached_property
from typing import NamedTuple

from heightnet.kinds.kind import Words
from heightnet.kinds.registry import common_error, of_blunder, shared_by
from heightnet.ledger.thing import NOT_NAMED, ROWS, TABLES, Thing
from heightnet.reduce.moments import moment
from heightnet.report.claims import capital, claim, name
from heightnet.report.lookup import Lookup, Register
from heightnet.report.numbers import Lengths, listing
from heightnet.rows import Record, column

SHARED = {
    "equipment": ("{name}", "target"),
    "instrument": ("{name}", "instrument"),
    "tape": ("{name}", "tape"),
    "observer": ("instrument heights read by {name}", ""),
    "equipment_scale": ("the graduation of {name}", "pole"),
    "tape_scale": ("the graduation of {name}", "tape"),
    "index": ("the vertical index of {name}", "instrument"),
}
"""What each kind of thing that jobs share is called, and the word put before a name that has none in it."""
SIGHTS = {"BS": "backsight", "FS": "foresight", "IS": "intermediate sight"}
KINDS_SHOWN = 3  # of the members of a finding, the most numerous
SWAPPED = "in each other's place"


class Called(NamedTuple):
    """What one thing is called.

    noun : in a sentence, after its article: "instrument height of set-up S4 (over P4)".
    short : in a picture, never a bare number: "S4".
    brief : in a table, "instrument height S4"; "" for the short one.
    more : what a sentence says after the noun, ", in each other's place".
    listed : among others, where there is no room for ``more``; "" for the noun alone.
    lead : what a sentence about it begins with where there are several; "" for the short one.
    """

    noun: str
    short: str
    article: str = "the "
    brief: str = ""
    more: str = ""
    listed: str = ""
    lead: str = ""

    @property
    def told(self) -> str:
        """For a sentence that says the rest: "backsight and foresight at L5"."""
        return f"{self.article}{self.noun}"


class Namer:
    """Knows the things of one job, by the id of a hypothesis or reading or by name, and what each is called."""

    def __init__(self, facts: Record) -> None:
        self.facts = facts
        self.lengths = Lengths(facts["job"]["length_unit"])
        self.records = Register(facts)
        self.setups = Lookup((facts["setups"],), "setup")
        self.targets = Lookup((facts["targets"],), "target")
        self.antennas = set(facts.get("antennas") or antennas_of(facts))

    # what there is

    @cached_property
    def models(self) -> set[str]:
        """Models of the antennas."""
        if not self.antennas:
            return set()
        setups = self.facts["setups"]
        named = zip(column(setups, "setup"), column(setups, "instrument"), strict=True)
        return {str(model) for name, model in named if name in self.antennas and model}

    @cached_property
    def of_antennas(self) -> set[str]:
        """Ids of the readings of antenna heights."""
        stands = self.facts["setups"] if self.antennas else []
        return {reading["id"] for stand in stands if stand["setup"] in self.antennas for reading in stand["readings"]}

    @cached_property
    def sighted(self) -> dict[str, list[tuple[str, int]]]:
        """Set-up and row of the sights to each target."""
        out: dict[str, list[tuple[str, int]]] = defaultdict(list)
        shots = self.facts["shots"]
        for target, setup, row in zip(*(column(shots, c) for c in ("target", "setup", "row")), strict=True):
            out[target].append((setup, row))
        return out

    @cached_property
    def pages(self) -> dict[tuple[str, int], tuple[str | None, str | None]]:
        """Page and line of the field book from which the row of a file was copied."""
        copied = self.facts.get("pages", [])
        return {(one["file"], one["row"]): (one["page"], one["line"]) for one in copied}

    def page_of(self, file: str, rows: Iterable[int], between: str = "and") -> str:
        """Where rows stand in the field book: "page 3, lines 4 to 9", "page 12", ""; the page of most where several."""
        found = [self.pages[file, row] for row in rows if (file, row) in self.pages] if self.pages else []
        told = list(dict.fromkeys(page for page, _ in found if page))
        said = f"{'page' if len(told) == 1 else 'pages'} {listing(told, 4, between)}" if told else ""
        lines = list(dict.fromkeys(line for _, line in found if line))
        if not lines or len(told) > 1:
            return said
        of = f"line {lines[0]}" if len(lines) == 1 else f"lines {_in_a_row(lines) or listing(lines, 6, between)}"
        return f"{said}, {of}" if said else of

    def at(self, file: str, row: int) -> str:
        """A row as it is found again, in the field book first: "page 12, line 7, row 14"."""
        page = self.page_of(file, [row])
        return f"{page}, row {row}" if page else f"row {row}"

    @cached_property
    def _stand_of(self) -> dict[str, tuple[str, str, Record]]:
        """Kind and name of the stand of each reading, and the reading."""
        return {
            reading["id"]: (kind, stand[kind], reading)
            for kind in ("setup", "target")
            for stand in self.facts[f"{kind}s"]
            for reading in stand["readings"]
        }

    def stand_of(self, id: str) -> tuple[str, Record]:
        """Kind and record of the stand of a reading: "setup" or "target"."""
        kind, stand, _ = self._stand_of[id]
        return kind, (self.setups if kind == "setup" else self.targets)[stand]

    @staticmethod
    def key(record: Record) -> str:
        """Id of the set-up or target that a record is of; its hypothesis may be that of a stand it shares."""
        return str(Thing("setup", record["setup"]) if "setup" in record else Thing("target", record["target"]))

    # what one thing is called

    def label(self, id: str) -> str:
        """``setup:S4`` -> "the instrument height of set-up S4 (over P4)"."""
        called = self.called(id)
        return f"{called.told}{called.more}"

    def bare(self, id: str) -> str:
        """A label that takes its place in a list: "the collimation error of the level"."""
        return (called := self.called(id)).listed or called.told

    def brief(self, id: str) -> str:
        """A label for a table: `instrument height S4`."""
        return (called := self.called(id)).brief or called.short

    def short(self, id: str) -> str:
        """A few words for a picture; never a bare number."""
        return self.called(id).short

    def row(self, id: str) -> str:
        """The least that finds it again: "sight row 5"; of what is no row the short one."""
        thing = Thing.of(id)
        return f"{words_of(thing.kind).cell} row {thing.row}" if thing.row else self.short(id)

    def lead(self, id: str) -> str:
        """What a sentence is about, of several: "S4: ", "Satellite row 34: "; a name stays as it is written."""
        called = self.called(id)
        lead = called.lead or called.short
        return f"{lead if lead == Thing.of(id).called else capital(lead)}: "

    def called(self, id: str) -> Called:
        thing = Thing.of(id)
        of, (first, second) = thing.name, thing.pair
        match thing.kind:
            case "setup":
                height = f"{self.thing(of)} height"
                called = Called(f"{height} of {self.whose(id)}", _named(of, "set-up"), brief=f"{height} {of}")
            case "target":
                called = Called(f"height of {self.whose(id)}", self._target_in_short(of))
            case "tripod":
                called = Called(f"height of {self.whose(id)}", f"stand {_bare(of)}", brief=f"shared stand {of}")
            case "swap":
                noun = f"heights of set-up {first} and {self.target(second)}"
                short = f"{_named(first, 'set-up')} and {self._target_in_short(second)} exchanged"
                called = Called(noun, short, more=f", {SWAPPED}", listed=f"the {noun} {SWAPPED}")
            case "exchange":
                at = ", run ".join(filter(None, thing.pair))
                noun, listed = f"backsight and foresight at {at}", f"the pair of readings {SWAPPED} at {at}"
                called = Called(noun, f"{first} exchanged", "", more=f", {SWAPPED}", listed=listed)
            case "pointing":
                level, run, sight, mark = thing.names
                at = f"{SIGHTS.get(sight, 'sight')} on {mark} at {level}{f', run {run}' if run else ''}"
                called = Called(f"reading of the {at}", at, "every ")
            case "known":
                called = Called(f"known height of {of}", f"mark {of}", brief=f"known height {of}")
            case "separation":
                called = Called(f"separation at {of}", of, brief=f"separation at {of}")
            case "group":
                called = self._group(first, second)
            case "spell" | "local" | "source" | "moved":
                called = self._together(thing)
            case "misnamed":
                called = self._misnamed(thing)
            case _:
                called = self._row(thing, self.records.get(id) or {}) if thing.row else Called(of, of, "")
        return Called(*map(name, called))

    def _row(self, thing: Thing, r: Record) -> Called:
        """A row of a file; of one whose record is not at hand what its id says."""
        row = short = f"row {thing.row}"
        words = words_of(thing.kind)
        page = self.page_of(thing.file, [thing.row])
        place = row if thing.file == f"{TABLES.get(thing.kind)}.csv" else f"{thing.file}, {row}"  # the kind says it
        place = f"{page}, {place}" if page else place
        article, lead = "the ", ""
        match thing.kind:
            case "shot":
                noun = f"sight {r['setup']} to {r['to_mark'] or r['target']}" if r else "sight"
                short = noun if r else f"sight in {row}"
            case "gnss":
                ends = "" if not r else f" difference {r['from']} to {r['to']}" if r["from"] else f" of {r['to']}"
                noun, short = f"satellite height{ends}", f"satellite {row}"
            case "staff" if r:
                sight, run = SIGHTS.get(r["sight"] or "", "staff reading"), f", run {r['run']}" if r["run"] else ""
                of = {"wires": "outer wires of the ", "other scale": "other scale of the "}.get(thing.name, "")
                noun = f"{of}{sight} on {r['name'] or r['mark']} at {r['level_setup']}{run}"
            case "reading" if found := self._stand_of.get(str(thing)):
                kind, stand, reading = found
                where = f"set-up {stand}" if kind == "setup" else self.target(stand)
                noun = f"tape reading {self._read(reading)} at {where}"
            case "reading":
                noun, article = words.noun, "a "
            case _:
                short = words.row.format_map(r) if r and words.row else row
                lead = f"{words.noun} {short}" if words.row else ""
                noun = lead if r and words.row else words.noun
        return Called(f"{noun} ({place})", short, article, lead=lead)

    def _group(self, group: str, member: str) -> Called:
        words = common_error(group)
        noun = words.unnamed if member == NOT_NAMED else words.called.format(name=member)
        if group == "instrument" and member in self.models:
            noun = f"every antenna height of {member}"
        return Called(noun, f"{noun}{words.more}", "", more=words.more)

    def _together(self, thing: Thing) -> Called:
        """What several have wrong alike for a while or at one place, and what a stand's sights have that moved."""
        names, shared = thing.names, shared_by(thing)
        if thing.kind == "moved":
            stand = self.stood_at(names[0], names[1])
            rows = f"from row {names[2]} on" if names[2] else f"up to row {names[3]}"
            rows = f"from row {names[2]} to row {names[3]}" if all(names[2:4]) else rows
            short, listed = f"{_named(names[1], names[0])} moved", f"a move of {stand}"
            return Called(f"sights of {stand} {rows}", short, brief=f"{names[1]} moved", listed=listed)
        if thing.kind == "spell":
            called = self._group(*thing.common)
            if names[0] == "staff_joint":
                row, _, sight = names[2].partition(" ")
                told = f"{called.noun} at or above that of row {row}{f' ({sight})' if sight else ''}"
                return Called(told, f"joint of {'the staff' if names[1] == NOT_NAMED else names[1]}", "")
            kind = "set-up" if names[0] in ("instrument", "observer_setups", "index") else "target"
            ends = [f" {word} {kind} {name}" for word, name in zip(("from", "to"), names[2:], strict=True) if name]
            more = "".join(ends) + ("" if names[3] else " on")
            return Called(f"{called.noun}{more}", f"{called.short}{more}", "")
        noun = shared.called.format(name=names[-1 if thing.kind == "source" else 1], place=names[-1])
        if thing.kind == "source" and thing.name == NOT_NAMED:
            noun = shared.unnamed
        if names[0] == "readings_to_point":
            noun += f" at {self.whose(str(Thing(names[1], names[2])))}"
        return Called(noun, noun, "")

    def _misnamed(self, thing: Thing) -> Called:
        """A name that is not that of what was measured, and the one that would fit."""
        kind, *of, instead = thing.names
        if kind == "shot":
            file, row = of
            booked = (self.records.get(str(Thing("shot", "", file, int(row)))) or {}).get("target")
            noun = f"target of the sight in {self.at(file, int(row))} of {file} ({booked} booked, {instead} fits)"
            return Called(noun, f"sight in row {row}, to {instead}", brief=f"target of row {row}: {instead}")
        if kind == "known":
            noun = f"name of known mark {of[0]} ({instead} fits)"
            return Called(noun, f"mark {of[0]} was {instead}", brief=f"name of {of[0]}: {instead}")
        stand = _named(of[0], "set-up" if kind == "setup" else "target")
        mark = ((self.setups if kind == "setup" else self.targets).get(of[0]) or {}).get("mark")
        which = f"{'set-up' if kind == 'setup' else 'target'} {of[0]}"
        noun = f"name of the mark under {which} ({mark} booked, {instead} fits)"
        return Called(noun, f"{stand} on {instead}", brief=f"mark under {of[0]}: {instead}")

    def whose(self, id: str) -> str:
        """Whose height a height is: "set-up S4 (over P4)", "the target on R2 sighted from R3 (row 14)"."""
        kind, of, *_ = Thing.of(id)
        if kind != "setup":
            return name(f"the shared stand {_bare(of)}" if kind == "tripod" else self.target(of))
        mark = (self.setups.get(of) or {}).get("mark")
        return name(f"set-up {of} (over {mark})" if mark and mark != of else f"set-up {of}")

    def stood_at(self, kind: str, of: str) -> str:
        """A set-up or target with its mark, where its sights are told beside it: "target P6 on M6"."""
        mark = (self.targets.get(of) or {}).get("mark") if kind == "target" else None
        if kind == "setup" or called_after(of, mark or ""):
            return self.whose(str(Thing(kind, of)))
        return name(f"target {of} on {mark}" if mark else f"target {of}")

    def target(self, of: str) -> str:
        """A target as the crew would point at it: "the target on R2 sighted from R3 (row 14)"."""
        mark, sights = (self.targets.get(of) or {}).get("mark"), self.sighted.get(of, [])
        on = f" on {mark}" if mark else ""
        said = f"the target{on}" if called_after(of, mark or "") else f"target {of}{on}"
        setups = list(dict.fromkeys(setup for setup, _ in sights))
        if len(setups) == 1:
            rows = [row for _, row in sights]
            page = self.page_of(self.facts["shots"][0]["file"], rows)
            where = f"{'row' if len(rows) == 1 else 'rows'} {listing([str(row) for row in rows], 3)}"
            return f"{said} sighted from {setups[0]} ({f'{page}, {where}' if page else where})"
        return f"{said} sighted from {listing(setups, 3)}" if setups else said

    def _target_in_short(self, of: str) -> str:
        mark = (self.targets.get(of) or {}).get("mark")
        setups = list(dict.fromkeys(setup for setup, _ in self.sighted.get(of, [])))
        from_ = f" from {setups[0]}" if len(setups) == 1 else ""
        return f"target on {mark}{from_}" if called_after(of, mark or "") else _named(of, "target")

    @property
    def stood(self) -> str:
        """What stood on the job's set-ups."""
        if not self.antennas:
            return "instrument"
        return "antenna" if len(self.antennas) == len(self.setups) else "instrument or antenna"

    def thing(self, setup: str) -> str:
        """What stood there: an instrument or an antenna."""
        return "antenna" if setup in self.antennas else "instrument"

    def is_antenna(self, id: str) -> bool:
        """Whether a thing is a set-up on which an antenna stood."""
        thing = Thing.of(id)
        return thing.kind == "setup" and thing.name in self.antennas

    # several together

    def rows(self, ids: list[str], between: str = "or") -> str:
        """Rows of one file in short, "rows 12 to 17": only where all ids are rows of one kind and file; else ""."""
        things = [Thing.of(id) for id in ids]
        if len({(kind, file) for kind, _, file, _ in things}) != 1 or things[0].kind not in ROWS:
            return ""
        rows, file = sorted({thing.row for thing in things}), things[0].file
        together = rows == list(range(rows[0], rows[-1] + 1)) and len(rows) > 2
        page = self.page_of(file, rows, "and" if together else between)
        lead = f"{page}; " if page else ""
        if together:
            return f"{lead}rows {rows[0]} to {rows[-1]} of {file}"
        noun = "row" if len(rows) == 1 else "rows"
        return f"{lead}{noun} {listing([str(row) for row in rows], 6, between)} of {file}"

    def plural(self, kind: str) -> str:
        """What things of a kind are, many of them: "staff readings"."""
        return f"{self.stood} heights" if kind == "setup" else words_of(kind).many

    def several(self, finding: Record) -> str:
        """The members of a finding by how many there are of each kind, as claims: "24 staff readings or the collimation
        of the level"; of a kind with one member that one."""
        of, kinds = f"finding:{finding['order']}", finding["kinds"]
        if len(kinds) == 1:
            return self._counted(of, "count", finding["count"], kinds[0]["what"])
        shown = kinds if len(kinds) <= KINDS_SHOWN + 1 else kinds[:KINDS_SHOWN]
        said = [
            self.bare(one["id"]) if one["id"] else self._counted(of, f"kinds.{i}.count", one["count"], one["what"])
            for i, one in enumerate(shown)
        ]
        if rest := sum(one["count"] for one in kinds[len(shown) :]):
            said.append(f"{rest:,} others")
        return listing(said, KINDS_SHOWN, "or")

    def _counted(self, of: str, fact: str, number: int, kind: str) -> str:
        return f"{claim(of, fact, number, f'{number:,}')} {self.plural(kind)}"

    # readings, with what they were made by

    def reading_name(self, reading: Record) -> str:
        """A reading as it was booked, and by whom: `1.612 m by N. Brandt, tape 1`."""
        by = f" by {reading['by']}" if reading["by"] else ""
        tape = f", {reading['tape']}" if reading["tape"] else ""
        told = moment(reading["when"] or "")
        when = f", {reading['when']}" if told is not None and told[0] == "word" else ""
        return name(f"{self._read(reading)}{by}{tape}{when}")

    def _read(self, reading: Record) -> str:
        if reading["kind"] == "booked":
            return f"{self.lengths.height(reading['value_m'])} {self.lengths.name}, as booked"
        scale = {"ftin": "", "ftUS": " US survey ft"}.get(reading["scale"], f" {reading['scale']}")
        return f"{reading['text']}{scale}"

    def reading_note(self, reading: Record) -> str:
        """How a reading was taken: `slant to side mark, radius 102 mm`."""
        if reading["kind"] == "booked":
            return "height column, no separate reading"
        parts = [{"slant": "slant", "vertical": "vertical", "parts": "sum of parts"}[reading["kind"]]]
        if reading["point"]:
            parts[0] += f" to {reading['point']}"
        if reading["radius_mm"] and reading["kind"] == "slant":
            parts.append(f"radius {reading['radius_mm']:g} mm")
        if reading["offset_mm"]:
            up = "below" if reading["offset_mm"] > 0 else "above"
            to = "reference point" if reading["id"] in self.of_antennas else "axis"
            parts.append(f"point {abs(reading['offset_mm']):g} mm {up} the {to}")
        return name(", ".join(parts))


def shared(kind: str, name: str) -> str:
    """What a thing that jobs share is called in a sentence.

    >>> shared("equipment", "prism 9"), shared("instrument", "1205"), shared("tape_scale", "T2")
    ('prism 9', 'instrument 1205', 'the graduation of tape T2')
    """
    text, word = SHARED[kind]
    return text.format(name=name if not word or re.search(r"[^\W\d_]{3}", name) else f"{word} {name}")


def words_of(kind: str) -> Words:
    """The words for hypotheses of a kind."""
    return of_blunder(kind).words[kind]


def counted(table: str) -> str:
    """What a record of a table is called that has an s where there are more; of heights of any sort "height"."""
    return next((words_of(kind).noun for kind, name in TABLES.items() if name == table), "height")


def called_after(name: str, mark: str) -> bool:
    """Whether a target has no name of its own but that of its mark, numbered where there are several.

    >>> called_after("M2", "M2"), called_after("M2 (3)", "M2"), called_after("M2 (west)", "M2"), called_after("P1", "")
    (True, True, False, False)
    """
    return name == mark or re.fullmatch(re.escape(mark) + r" \(\d+\)", name) is not None


def antennas_of(facts: Record) -> set[str]:
    """The set-ups that satellite heights name."""
    gnss = facts.get("gnss", [])
    return {name for end in ("from", "to") for name in column(gnss, end) if name is not None}


def _in_a_row(lines: list[str]) -> str:
    """Lines that follow one another: "4 to 9"; "" where they do not, or are no numbers."""
    if len(lines) < 3 or not all(line.isdigit() for line in lines):
        return ""
    numbers = sorted(map(int, lines))
    return f"{numbers[0]} to {numbers[-1]}" if numbers == list(range(numbers[0], numbers[-1] + 1)) else ""


def _named(of: str, word: str) -> str:
    """A name, a bare number with a word before it."""
    return f"{word} {of}" if of.isdigit() else of


def _bare(name: str) -> str:
    """``stand 2`` -> ``2``, so that nobody reads "the stand stand 2"."""
    for word in ("stand ", "tripod "):
        if name.lower().startswith(word):
            return name[len(word) :]
    return name
