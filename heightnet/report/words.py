"""What things are called and what is said of them: the words of page, terminal and summary."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterator
from functools import cached_property
from typing import Any

from heightnet.reduce.moments import moment
from heightnet.report.claims import claim, name
from heightnet.report.lookup import Lookup, Register
from heightnet.report.numbers import INTERVAL, Lengths, chance, count, likelihood, listing, of_100
from heightnet.rows import column

Record = dict[str, Any]

VERDICTS = {
    "suspect": "probably wrong",
    "either": "in question",
    "unproved": "untested",
    "missing": "no height",
    "doubted": "not cleared",
    "weak": "weakly tested",
    "proved": "proved",
    "free": "free set-up",
}
"""The word for each verdict, worst first."""

MEANINGS = {
    "suspect": "the rest of the job contradicts it",
    "either": "this or another one is wrong, and the job cannot tell which",
    "unproved": "nothing in the job tests it: an error of any size could hide",
    "missing": "it stood over a mark, and its height was not recorded",
    "doubted": "tested, and not accused; but the job does not clear it of an error that is there",
    "weak": "tested, but an error larger than the tolerance could still hide",
    "proved": "tested, and an error as large as the tolerance would have shown",
    "free": "it stood over no mark, so there is no taped height to judge",
}

STATES = {
    "closes": "closes",
    "scatters": "closes, but scatters more than stated",
    "unclear": "contradicted, cause not shown",
    "wrong": "something is wrong",
    "many": "many things are wrong",
    "unexplained": "not explained",
    "untested": "nothing tests it",
}
"""The word for each state of a job."""

TOLERANCE = {True: "within the tolerance", False: "beyond the tolerance", None: "no tolerance"}
"""What is said of a loop, a section or a run by what it may miss; whether the job closes is another question."""

NOT_NAMED = "(not named)"
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
    "collimation": "the collimation of {name} (its line of sight is not level)",
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
ON_AVERAGE = ("tape_scale", "slant_instrument", "slant_observer", "index", "refraction", "collimation")
"""Groups whose members are off by different amounts: their error is the quadratic mean."""

SCREENING = {
    "zero": "is zero",
    "negative": "is negative",
    "outside": "is unusual, {value}",
    "same_as_before": "is that of {other}, to the last digit: {value}",
    "same_as_target": "is the same as {other}, to the last digit: {value}",
    "booked_differs": "was booked as {value}, but its readings give {other_value}",
    "readings_disagree": "gives {value}, but {other} gives {other_value}",
}
"""What a value itself gives away, by rule of the screening."""

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
KINDS_SHOWN = 3  # of the members of a finding, the most numerous
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

LITTLE = 0.99  # of a size: one that measurements told before bring below that is partly theirs
A_HEIGHT = 0.05
"""Probability from which a height that a place may have is told beside the likeliest."""

CAUTION = (
    "A statistical check is no substitute for an independent measurement. Before anyone digs, builds, passes "
    "under or relies on a flood level by these heights, follow the specifications that apply to the work and the "
    "judgement of a licensed surveyor. A height that this page clears was tested for blunders of the stated size, "
    "under the stated precision; it was not measured twice."
)


class Words:
    """Looks things of one job up by hypothesis id and speaks of them."""

    def __init__(self, facts: Record) -> None:
        self.facts = facts
        self.lengths = Lengths(facts["job"]["length_unit"])
        self.tolerance_mm: float = facts["settings"]["test"]["tolerance_mm"]
        self.records = Register(facts)
        self.setups = Lookup((facts["setups"],), "setup")
        self.targets = Lookup((facts["targets"],), "target")
        self.antennas = set(facts.get("antennas") or antennas_of(facts))

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
    def _stand_of(self) -> dict[str, tuple[str, Record]]:
        """Kind and record of the stand of each reading."""
        return {
            reading["id"]: (kind, reading | {"stand": stand[kind]})
            for kind in ("setup", "target")
            for stand in self.facts[f"{kind}s"]
            for reading in stand["readings"]
        }

    def stand_of(self, id: str) -> tuple[str, Record]:
        """Kind and record of the stand of a reading: "setup" or "target"."""
        kind, reading = self._stand_of[id]
        return kind, (self.setups if kind == "setup" else self.targets)[reading["stand"]]

    # what things are called

    def label(self, id: str) -> str:
        """``setup:S4`` -> "the instrument height of set-up S4 (over P4)"."""
        return name(self._label(id))

    def _label(self, id: str) -> str:
        kind, _, of = id.partition(":")
        record = self.records.get(id, {})
        match kind:
            case "setup":
                return f"the {self.thing(of)} height of set-up {of}{self._over(self.setups.get(of))}"
            case "target":
                return f"the height of {self.target(of)}"
            case "tripod":
                return f"the height of the shared stand {_bare(of)}"
            case "reading":
                return self._reading(id, of)
            case "swap":
                setup, _, target = of.partition("/")
                return f"the heights of set-up {setup} and {self.target(target)}, in each other's place"
            case "shot":
                return f"the sight {self._sight(record)}({self._place(of)})"
            case "known":
                return f"the known height of {of}"
            case "level":
                between = f"{record['from_mark']} to {record['to_mark']} " if record else ""
                return f"the levelled difference {between}({self._place(of)})"
            case "gnss":
                return f"the satellite {self._satellite(record)}({self._place(of)})"
            case "separation":
                return f"the separation at {of}"
            case "staff":
                return f"the {self._staff(record)}({self._place(of)})"
            case "exchange":
                level, _, run = of.partition(":")
                of_run = f", run {run}" if run else ""
                return f"backsight and foresight at {level}{of_run}, in each other's place"
            case "group":
                group, _, member = of.partition(":")
                if member == NOT_NAMED:
                    return UNNAMED.get(group, "everything that has no name")
                if group == "instrument" and member in self.models:
                    return f"every antenna height of {member}"
                return GROUPS.get(group, "everything of {name}").format(name=member)
        return of

    def target(self, of: str) -> str:
        """A target as the crew would point at it: "the target on R2 sighted from R3 (row 14)"."""
        record = self.targets.get(of) or {}
        mark, sights = record.get("mark"), self.sighted.get(of, [])
        unnamed = of == mark or re.fullmatch(re.escape(mark or "") + r" \(\d+\)", of) is not None
        on = f" on {mark}" if mark else ""
        said = f"the target{on}" if unnamed else f"target {of}{on}"
        setups = list(dict.fromkeys(setup for setup, _ in sights))
        if len(setups) == 1:
            rows = listing([str(row) for _, row in sights], 3)
            return f"{said} sighted from {setups[0]} ({'row' if len(sights) == 1 else 'rows'} {rows})"
        return f"{said} sighted from {listing(setups, 3)}" if setups else said

    def _reading(self, id: str, of: str) -> str:
        kind, reading = self._stand_of.get(id, ("", {}))
        if not reading:
            return f"a tape reading ({self._place(of)})"
        where = f"set-up {reading['stand']}" if kind == "setup" else self.target(reading["stand"])
        return f"the tape reading {self._read(reading)} at {where} ({self._place(of)})"

    def rows(self, ids: list[str]) -> str:
        """Rows of one file in short, "rows 12 to 17": only where all ids are rows of one kind and file; else ""."""
        places = [id.rpartition(":") for id in ids]
        if len({place for place, _, _ in places}) != 1 or ids[0].partition(":")[0] not in (
            "shot", "level", "staff", "gnss",
        ):  # fmt: skip
            return ""
        rows = sorted(int(row) for _, _, row in places)
        file = places[0][0].partition(":")[2]
        if rows == list(range(rows[0], rows[-1] + 1)) and len(rows) > 2:
            return f"rows {rows[0]} to {rows[-1]} of {file}"
        return f"rows {listing([str(row) for row in rows], 6, 'or')} of {file}"

    def brief(self, id: str) -> str:
        """A label for a table: `instrument height S4`."""
        kind, _, of = id.partition(":")
        thing = {
            "setup": f"{self.thing(of)} height",
            "tripod": "shared stand",
            "separation": "separation at",
            "known": "known height",
        }.get(kind)
        return name(f"{thing} {of}" if thing else self.short(id))

    def short(self, id: str) -> str:
        """A few words for a picture; never a bare number."""
        kind, _, of = id.partition(":")
        record = self.records.get(id, {})
        match kind:
            case "tripod":
                said = f"stand {_bare(of)}"
            case "target":
                mark = (self.targets.get(of) or {}).get("mark")
                setups = list(dict.fromkeys(setup for setup, _ in self.sighted.get(of, [])))
                unnamed = called_after(of, mark or "")
                from_ = f" from {setups[0]}" if len(setups) == 1 else ""
                said = f"target on {mark}{from_}" if unnamed else of if not of.isdigit() else f"target {of}"
            case "setup":
                said = of if not of.isdigit() else f"set-up {of}"
            case "swap":
                setup, _, target = of.partition("/")
                said = f"{self.short(f'setup:{setup}')} and {self.short(f'target:{target}')} exchanged"
            case "group":
                said = self.label(id)
            case "shot":
                said = f"sight {self._sight(record)}".strip() if record else f"sight in row {of.rpartition(':')[2]}"
            case "level":
                said = f"{record['from_mark']} to {record['to_mark']}" if record else f"row {of.rpartition(':')[2]}"
            case "staff" | "gnss" | "reading":
                said = f"{'satellite ' if kind == 'gnss' else ''}row {of.rpartition(':')[2]}"
            case "known":
                said = f"mark {of}"
            case "exchange":
                said = f"{of.partition(':')[0]} exchanged"
            case _:
                said = of
        return name(said)

    def _over(self, record: Record | None, word: str = "over") -> str:
        if not record or not record["mark"]:
            return ""
        of = record.get("setup") or record.get("target") or ""
        return "" if of == record["mark"] else f" ({word} {record['mark']})"

    def _sight(self, record: Record) -> str:
        if not record:
            return ""
        return f"{record['setup']} to {record['to_mark'] or record['target']} "

    def _staff(self, record: Record) -> str:
        if not record:
            return "staff reading "
        run = f", run {record['run']}" if record["run"] else ""
        sight = SIGHTS.get(record["sight"] or "", "staff reading")
        return f"{sight} on {record['name'] or record['mark']} at {record['level_setup']}{run} "

    @property
    def stood(self) -> str:
        """What stood on the job's set-ups."""
        if not self.antennas:
            return "instrument"
        return "antenna" if len(self.antennas) == len(self.setups) else "instrument or antenna"

    def thing(self, setup: str) -> str:
        """What stood there: an instrument or an antenna."""
        return "antenna" if setup in self.antennas else "instrument"

    def _satellite(self, record: Record) -> str:
        if not record:
            return "height "
        if record["from"]:
            return f"height difference {record['from']} to {record['to']} "
        return f"height of {record['to']} "

    @staticmethod
    def _place(of: str) -> str:
        file, _, row = of.rpartition(":")
        return f"row {row}" if file in ("shots.csv", "staff.csv", "levels.csv", "gnss.csv") else f"{file}, row {row}"

    def kind_of(self, id: str) -> str:
        """What things like this one are, in the plural: "staff readings"."""
        kind = id.partition(":")[0]
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
        return f"{claim(of, fact, number, f'{number:,}')} {self.kind_of(kind)}"

    def bare(self, id: str) -> str:
        """A label that takes its place in a list: "the collimation of the level"."""
        kind, _, of = id.partition(":")
        if kind == "exchange":
            return name(f"the pair of readings in each other's place at {of.replace(':', ', run ', 1)}")
        if kind == "swap":
            return self.label(id).replace(", in each", " in each")
        return self.label(id).partition(" (its ")[0]

    # what is said of them

    def sized(self, of: str, mm: float | None, sd_mm: float | None, before: str = "", after: str = "") -> str:
        """A size with the range that holds 95 of 100, as claims: "245 mm too low (242 to 249)"."""
        if mm is None:
            return "by an unknown amount"
        said = claim(of, "error_mm", mm, f"{before}{self.lengths.small(mm, sd_mm)}{after}")
        if sd_mm:
            said += f" ({claim(of, 'error_sd_mm', sd_mm, self.lengths.span(mm, sd_mm))})"
        return said

    def error(self, id: str, mm: float | None, sd_mm: float | None = None, of: str = "") -> str:
        """How wrong, its sign in words: "recorded 245 mm too low (242 to 249)".

        of : the record whose error it is; by default the thing's own.
        """
        if mm is None:
            return "by an unknown amount"
        kind, _, name_ = id.partition(":")
        high = f" too {'high' if mm > 0 else 'low'}"
        of = of or id
        if kind == "group":
            if name_.partition(":")[0] in ON_AVERAGE:
                return self.sized(of, mm, sd_mm, "its members off by ", " in the quadratic mean")
            return self.sized(of, mm, sd_mm, "each recorded ", high)
        if kind in ("shot", "level") or (kind == "gnss" and self.records.get(id, {}).get("from")):
            return self.sized(of, mm, sd_mm, "its height difference recorded ", high)
        if kind in ("swap", "exchange"):
            return self.sized(of, mm, sd_mm, "a difference of ")
        return self.sized(of, mm, sd_mm, "read " if kind == "staff" else "recorded ", high)

    def chance(self, of: str, probability: float | None) -> str:
        """ "likely (63 in 100)", as a claim."""
        return claim(of, "probability", probability, chance(probability))

    def certainty(self, of: str, probability: float) -> str:
        """ "Almost certain: more than 99 in 100.", as a claim."""
        said = f"{likelihood(probability).capitalize()}: {of_100(probability)}"
        return f"{claim(of, 'probability', probability, said)}."

    def size(self, of: str, fact: str, mm: float) -> str:
        """A size of its own, with two digits at most, as a claim."""
        return claim(of, fact, mm, self.lengths.about(mm))

    def verdict(self, record: Record) -> str:
        """The verdict on a height in a sentence, with its own numbers."""
        of, verdict = record.get("hypothesis") or "", record["verdict"]
        found = record["smallest_found_mm"]
        word = claim(of or self._key(record), "verdict", verdict, VERDICTS[verdict].capitalize())
        match verdict:
            case "suspect":
                said = self.error(of, record["error_mm"], record["error_sd_mm"])
                return f"{word}, {self.chance(of, record['probability'])}: {said}."
            case "either":
                said = self.error(of, record["error_mm"], record["error_sd_mm"])
                return f"{word}: it is {self.chance(of, record['probability'])} that this one is wrong, {said}."
            case "proved":
                return f"{word}: an error of {self.size(of, 'smallest_found_mm', found)} or more would have shown."
            case "weak":
                return f"{word}: an error of up to {self.size(of, 'smallest_found_mm', found)} could hide."
            case "doubted":
                return f"{word}: an error here is {self.chance(of, record['probability'])}."
            case "unproved":
                return f"{word}: an error of any size could hide."
            case "missing":
                return f"{word} was recorded here."
        return f"{word}: no taped height to judge."

    @staticmethod
    def _key(record: Record) -> str:
        return f"setup:{record['setup']}" if "setup" in record else f"target:{record['target']}"

    def checks(self, record: Record) -> str:
        """What the independent checks of a height are good for."""
        number, of = record["independent_checks"], record["hypothesis"]
        if not number:
            return "No independent way to this height: nothing can contradict it."
        if number == 1:
            return "One independent way to this height: an error shows, but may as well be an error in that way."
        named = record["smallest_named_mm"]
        said = f"{number} independent ways to this height"
        if named is None and not self.facts["judgement"]["named_sizes"]:
            return f"{said}."
        if named is None:
            return f"{said}; an error here is never named alone, only together with what looks like it."
        return f"{said}: an error of {self.size(of, 'smallest_named_mm', named)} or more is laid at this door alone."

    def moved(self, moved: list[Record], of: str = "", most: int = 4) -> str:
        """Which marks an error has moved, and where to; ``of`` is whose list of them it is."""
        sizes = [abs(m["moved_mm"] or 0.0) for m in moved]
        most_mm = max(sizes, default=0.0)
        if most_mm < 0.1:
            return "It moved no mark by as much as 0.1 mm." if self.lengths.metric else "It moved no mark noticeably."
        order = sorted(range(len(moved)), key=lambda i: (-sizes[i], i))
        felt = [i for i in order if sizes[i] >= 0.15 * most_mm][:most]

        def size(i: int, high: str = "") -> str:
            return claim(of, f"moved.{i}.moved_mm", moved[i]["moved_mm"], f"{self.lengths.about(sizes[i])}{high}")

        parts = [f"{moved[i]['mark']} {size(i, ' too high' if moved[i]['moved_mm'] > 0 else ' too low')}" for i in felt]
        rest = order[len(felt) : len(felt) + 1]
        tail = f"; the other marks by {size(rest[0])} at most" if rest and sizes[rest[0]] >= 0.1 else ""
        return f"It put {listing(parts, most)}{tail}."

    def two_minds(self, mark: Record) -> str:
        """The heights that a mark may have: "67.203 m (66 in 100) or 67.403 m (34 in 100)", as fine as the worst."""
        of = f"mark:{mark['mark']}"
        heights = [h for h in mark["heights"] if h["probability"] >= A_HEIGHT]
        sd = max(h["sd_mm"] for h in heights)
        parts = []
        for i, h in enumerate(heights):
            height = self.lengths.height_in_words(h["height_m"], sd)
            likely = claim(of, f"heights.{i}.probability", h["probability"], of_100(h["probability"]))
            parts.append(f"{claim(of, f'heights.{i}.height_m', h['height_m'], height)} ({likely})")
        return f"{mark['mark']} is at {listing(parts, 4, 'or')}"

    def hidden(self, mark: Record) -> str:
        """What could hide in a mark's height."""
        if not mark["hidden_by"]:
            return "nothing"
        by, size = self.brief(mark["hidden_by"]), mark["hidden_mm"]
        told = "no limit" if size is None else self.lengths.about(size)
        of = f"mark:{mark['mark']}"
        return f"{claim(of, 'hidden_mm', size, told)}: {by}"

    def loop(self, loop: Record) -> list[str]:
        """The marks a loop passes; where it runs from stand to stand, the marks under its sights."""
        if len(loop["marks"]) > 1:
            return list(loop["marks"])
        passed: dict[str, None] = {}
        for id in loop["ids"]:
            record = self.records.get(id, {})
            passed.update((record[key], None) for key in ("from_mark", "to_mark", "mark") if record.get(key))
        return list(passed) or list(loop["marks"])

    def loop_size(self, number: int, loop: Record) -> str:
        """By how much a loop misses, and what is allowed: "5.2 mm, allowed 8.9 mm"."""
        size, allowed = (
            claim(f"loop:{number}", fact, loop[fact], self.lengths.small(loop[fact]))
            for fact in ("misclosure_mm", "allowed_mm")
        )
        return f"{size}, allowed {allowed}"

    def loop_end(self, number: int, loop: Record) -> str:
        """Whether a loop keeps its tolerance; that is another question than whether something contradicts."""
        said = self.loop_word(number, loop)
        return f"{said}, but no further than the stated precision leads to expect" if self.expected(loop) else said

    def loop_word(self, number: int, loop: Record) -> str:
        return claim(f"loop:{number}", "closes", loop["closes"], TOLERANCE[loop["closes"]])

    def expected(self, loop: Record) -> bool:
        """Whether a loop beyond its tolerance lies within what the job's own precision leads to expect."""
        size, sd = loop["misclosure_mm"], loop["expected_sd_mm"]
        return loop["closes"] is False and sd is not None and abs(size) <= INTERVAL * sd

    def numbered(self, table: str) -> Iterator[tuple[int, Record]]:
        """The records of a table with their place in results.json, counted from 1."""
        for number, record in enumerate(self.facts[table], start=1):
            yield record.get("number", number), record

    def group(self, group: Record) -> str:
        """What was found of a group."""
        if group["verdict"] in ("suspect", "either"):
            return self.error(group["id"], group["error_mm"], group["error_sd_mm"])
        return "cannot be tested" if group["verdict"] == "unproved" else "nothing found"

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

    def cause(self, cause: Record, of: str = "") -> str:
        """A cause with the size it would have; a constant that nobody recorded is marked as usual, not as known."""
        text = name(str(cause["text"]))
        if cause["expected_mm"] is None or re.search(r"\d (mm|m|ft)\b", text):
            return text
        key = f"cause:{of}:{cause['cause']}"
        sd = (self.records.get(of) or {}).get("error_sd_mm")  # what is found is told as fine as the error itself
        if cause.get("spread_mm"):
            low, high = (abs(cause["expected_mm"]) + side * cause["spread_mm"] for side in (-1, 1))
            usual = self.lengths.between(max(low, 0.0), high)
            said = f"{text}; that is usually {claim(key, 'expected_mm', cause['expected_mm'], usual)}, assumed"
        else:
            high_ = f" too {'high' if cause['expected_mm'] > 0 else 'low'}"
            made = claim(
                key, "expected_mm", cause["expected_mm"], f"{self.lengths.small(cause['expected_mm'], sd)}{high_}"
            )
            said = f"{text}: that would make {made}"
        if cause["found_mm"] is None:
            return said
        found = claim(key, "found_mm", cause["found_mm"], self.lengths.small(cause["found_mm"], sd))
        return f"{said}; the job shows {found}"

    def scatter(self) -> list[tuple[str, str, float]]:
        """How many times as much as stated readings scatter: key of `fit`, what, factor; tapes where there are any."""
        taped = [("tape_factor", "tape readings")] if len(self.facts["setups"]) + len(self.facts["targets"]) else []
        both = [*taped, ("sight_factor", "sights and levels")]
        return [(key, what, factor) for key, what in both if (factor := self.facts["fit"][key]) is not None]

    def verdict_counts(self, table: str) -> list[tuple[str, int]]:
        """How many heights have each verdict, worst first, those that occur."""
        counted = Counter(column(self.facts[table], "verdict"))
        return [(verdict, counted[verdict]) for verdict in VERDICTS if counted[verdict]]

    def counts(self, table: str) -> str:
        """ "12 instrument heights: 1 probably wrong, 2 untested, 9 proved"."""
        name_ = f"{self.stood} height" if table == "setups" else COUNTED[table]
        parts = [
            claim(table, verdict, number, f"{number:,} {VERDICTS[verdict]}")
            for verdict, number in self.verdict_counts(table)
        ]
        return f"{count(len(self.facts[table]), name_)}: {', '.join(parts)}" if parts else f"no {name_}s"

    @property
    def title(self) -> str:
        """The job's title; that it is invented is said beside it."""
        job = self.facts["job"]
        title: str = job["title"] or job["name"]
        return name(title.replace("(invented)", "").strip() if job["invented"] else title)


def called_after(name: str, mark: str) -> bool:
    """Whether a target has no name of its own but that of its mark, numbered where there are several.

    >>> called_after("M2", "M2"), called_after("M2 (3)", "M2"), called_after("M2 (west)", "M2"), called_after("P1", "")
    (True, True, False, False)
    """
    return name == mark or re.fullmatch(re.escape(mark) + r" \(\d+\)", name) is not None


def _bare(name: str) -> str:
    """``stand 2`` -> ``2``, so that nobody reads "the stand stand 2"."""
    for word in ("stand ", "tripod "):
        if name.lower().startswith(word):
            return name[len(word) :]
    return name


def antennas_of(facts: Record) -> set[str]:
    """The set-ups that satellite heights name."""
    gnss = facts.get("gnss", [])
    return {name for end in ("from", "to") for name in column(gnss, end) if name is not None}
