"""What the things of a job are called: one dispatch from a thing's kind to all the ways to name it."""

from __future__ import annotations

import re
from collections import defaultdict
from functools import cached_property
from typing import Any, NamedTuple

from heightnet.ledger.thing import NOT_NAMED, ROWS, Thing
from heightnet.reduce.moments import moment
from heightnet.report.claims import capital, claim, name
from heightnet.report.lookup import Lookup, Register
from heightnet.report.numbers import Lengths, listing
from heightnet.rows import column

Record = dict[str, Any]

GROUPS = {
    "tape": "every height taped with {name}",
    "tape_scale": "the scale of {name}",
    "instrument": "every instrument height of {name}",
    "equipment": "every target height of {name}",
    "slant_instrument": "the slant readings to {name}, booked without reduction",
    "slant_observer": "the slant readings by {name}, booked without reduction",
    "antenna_observer": "every antenna height taped by {name}",
    "gnss_session": "every satellite height of session {name}",
    "separations": "every separation",
    "collimation": "the collimation of {name}",
    "index": "the vertical index error of {name}",
    "refraction": "the refraction of {name}",
}
UNNAMED = {
    "tape": "every height taped",
    "tape_scale": "the scale of the tape",
    "instrument": "every instrument height",
    "equipment": "every target height",
    "slant_instrument": "the slant readings, booked without reduction",
    "index": "the vertical index error of the instrument",
}
MEMBERS = {
    "setup": "instrument heights",
    "target": "target heights",
    "tripod": "heights of shared stands",
    "reading": "tape readings",
    "swap": "pairs of heights in each other's place",
    "exchange": "pairs of readings in each other's place",
    "shot": "sights",
    "level": "levelled differences",
    "staff": "staff readings",
    "gnss": "satellite heights",
    "known": "known heights",
    "separation": "separations",
    "group": "common errors",
}
COUNTED = {
    "setups": "instrument height",
    "targets": "target height",
    "known": "known height",
    "shots": "sight",
    "levels": "levelled difference",
    "staff": "staff reading",
    "gnss": "satellite height",
}
SIGHTS = {"BS": "backsight", "FS": "foresight", "IS": "intermediate sight"}
OWN_FILES = ("shots.csv", "staff.csv", "levels.csv", "gnss.csv")  # need not be told beside a row: the kind says it
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
        return f"{called.article}{called.noun}{called.more}"

    def subject(self, id: str) -> str:
        """The label for a sentence that says the rest: "backsight and foresight at L5"."""
        called = self.called(id)
        return f"{called.article}{called.noun}"

    def bare(self, id: str) -> str:
        """A label that takes its place in a list: "the collimation of the level"."""
        called = self.called(id)
        return called.listed or f"{called.article}{called.noun}"

    def noun(self, id: str) -> str:
        """A label without its article: "instrument height of set-up S4 (over P4)"."""
        called = self.called(id)
        return f"{called.noun}{called.more}"

    def brief(self, id: str) -> str:
        """A label for a table: `instrument height S4`."""
        called = self.called(id)
        return called.brief or called.short

    def short(self, id: str) -> str:
        """A few words for a picture; never a bare number."""
        return self.called(id).short

    def lead(self, id: str) -> str:
        """What a sentence is about, of several: "S4: ", "Satellite row 34: "; a name stays as it is written."""
        called = self.called(id)
        lead = called.lead or called.short
        return f"{lead if lead == Thing.of(id).called else capital(lead)}: "

    def called(self, id: str) -> Called:
        thing = Thing.of(id)
        record, of, (first, second) = self.records.get(id) or {}, thing.name, thing.pair
        place, row = self._place(thing), f"row {thing.row}"
        match thing.kind:
            case "setup":
                height = f"{self.thing(of)} height"
                called = Called(f"{height} of set-up {of}{self.over(of)}", _named(of, "set-up"), brief=f"{height} {of}")
            case "target":
                called = Called(f"height of {self.target(of)}", self._target_in_short(of))
            case "tripod":
                of = _bare(of)
                called = Called(f"height of the shared stand {of}", f"stand {of}", brief=f"shared stand {thing.name}")
            case "reading":
                article = "the " if id in self._stand_of else "a "
                called = Called(f"tape reading {self._reading(id)}({place})", row, article)
            case "swap":
                noun = f"heights of set-up {first} and {self.target(second)}"
                short = f"{_named(first, 'set-up')} and {self._target_in_short(second)} exchanged"
                called = Called(noun, short, more=f", {SWAPPED}", listed=f"the {noun} {SWAPPED}")
            case "exchange":
                at = ", run ".join(filter(None, thing.pair))
                noun, listed = f"backsight and foresight at {at}", f"the pair of readings {SWAPPED} at {at}"
                called = Called(noun, f"{first} exchanged", "", more=f", {SWAPPED}", listed=listed)
            case "shot":
                noun = f"sight {self._sight(record)}"
                called = Called(f"{noun}({place})", noun.strip() if record else f"sight in {row}")
            case "known":
                called = Called(f"known height of {of}", f"mark {of}", brief=f"known height {of}")
            case "level":
                ends = f"{record['from_mark']} to {record['to_mark']} " if record else ""
                short, noun = ends.strip() or row, "levelled difference"
                called = Called(f"{noun} {ends}({place})", short, lead=f"{noun} {short}")
            case "gnss":
                called = Called(f"satellite {self._satellite(record)}({place})", f"satellite {row}")
            case "separation":
                called = Called(f"separation at {of}", of, brief=f"separation at {of}")
            case "staff":
                called = Called(f"{self._staff(record)}({place})", row)
            case "group":
                called = self._group(first, second)
            case _:
                called = Called(of, of, "")
        return Called(*map(name, called))

    def _group(self, group: str, member: str) -> Called:
        more = " (its line of sight is not level)" if group == "collimation" else ""
        if member == NOT_NAMED:
            noun = UNNAMED.get(group, "everything that has no name")
        elif group == "instrument" and member in self.models:
            noun = f"every antenna height of {member}"
        else:
            noun = GROUPS.get(group, "everything of {name}").format(name=member)
        return Called(noun, f"{noun}{more}", "", more=more)

    def target(self, of: str) -> str:
        """A target as the crew would point at it: "the target on R2 sighted from R3 (row 14)"."""
        mark, sights = (self.targets.get(of) or {}).get("mark"), self.sighted.get(of, [])
        on = f" on {mark}" if mark else ""
        said = f"the target{on}" if called_after(of, mark or "") else f"target {of}{on}"
        setups = list(dict.fromkeys(setup for setup, _ in sights))
        if len(setups) == 1:
            rows = listing([str(row) for _, row in sights], 3)
            return f"{said} sighted from {setups[0]} ({'row' if len(sights) == 1 else 'rows'} {rows})"
        return f"{said} sighted from {listing(setups, 3)}" if setups else said

    def _target_in_short(self, of: str) -> str:
        mark = (self.targets.get(of) or {}).get("mark")
        setups = list(dict.fromkeys(setup for setup, _ in self.sighted.get(of, [])))
        from_ = f" from {setups[0]}" if len(setups) == 1 else ""
        return f"target on {mark}{from_}" if called_after(of, mark or "") else _named(of, "target")

    def over(self, setup: str) -> str:
        """The mark under a set-up, " (over P4)", where it is not called after it."""
        mark = (self.setups.get(setup) or {}).get("mark")
        return f" (over {mark})" if mark and mark != setup else ""

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

    def _reading(self, id: str) -> str:
        if id not in self._stand_of:
            return ""
        kind, stand, reading = self._stand_of[id]
        return f"{self._read(reading)} at {f'set-up {stand}' if kind == 'setup' else self.target(stand)} "

    @staticmethod
    def _sight(record: Record) -> str:
        return f"{record['setup']} to {record['to_mark'] or record['target']} " if record else ""

    @staticmethod
    def _staff(record: Record) -> str:
        if not record:
            return "staff reading "
        run = f", run {record['run']}" if record["run"] else ""
        sight = SIGHTS.get(record["sight"] or "", "staff reading")
        return f"{sight} on {record['name'] or record['mark']} at {record['level_setup']}{run} "

    @staticmethod
    def _satellite(record: Record) -> str:
        if not record:
            return "height "
        if record["from"]:
            return f"height difference {record['from']} to {record['to']} "
        return f"height of {record['to']} "

    @staticmethod
    def _place(thing: Thing) -> str:
        return f"row {thing.row}" if thing.file in OWN_FILES else f"{thing.file}, row {thing.row}"

    # several together

    def rows(self, ids: list[str]) -> str:
        """Rows of one file in short, "rows 12 to 17": only where all ids are rows of one kind and file; else ""."""
        things = [Thing.of(id) for id in ids]
        if len({(kind, file) for kind, _, file, _ in things}) != 1 or things[0].kind not in ROWS:
            return ""
        rows, file = sorted(thing.row for thing in things), things[0].file
        if rows == list(range(rows[0], rows[-1] + 1)) and len(rows) > 2:
            return f"rows {rows[0]} to {rows[-1]} of {file}"
        return f"rows {listing([str(row) for row in rows], 6, 'or')} of {file}"

    def plural(self, kind: str) -> str:
        """What things of a kind are, many of them: "staff readings"."""
        return f"{self.stood} heights" if kind == "setup" else MEMBERS[kind]

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


def _named(of: str, word: str) -> str:
    """A name, a bare number with a word before it."""
    return f"{word} {of}" if of.isdigit() else of


def _bare(name: str) -> str:
    """``stand 2`` -> ``2``, so that nobody reads "the stand stand 2"."""
    for word in ("stand ", "tripod "):
        if name.lower().startswith(word):
            return name[len(word) :]
    return name
