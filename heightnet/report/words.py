"""What things are called and what is said of them: the words of page, terminal and summary."""

from __future__ import annotations

import re
from collections import Counter
from functools import cached_property
from typing import Any

from heightnet.judge.moments import moment
from heightnet.report.lookup import Lookup, Register
from heightnet.report.numbers import Lengths, chance, count, listing
from heightnet.rows import column

Record = dict[str, Any]

VERDICTS = {
    "suspect": "probably wrong",
    "either": "in question",
    "unproved": "unproved",
    "weak": "weakly tested",
    "proved": "proved",
    "free": "free set-up",
}
"""The word for each verdict, worst first."""

MEANINGS = {
    "suspect": "the rest of the job contradicts it",
    "either": "this or another one is wrong, and the job cannot tell which",
    "unproved": "nothing in the job tests it: an error of any size could hide",
    "weak": "tested, but an error larger than the tolerance could still hide",
    "proved": "tested, and an error as large as the tolerance would have shown",
    "free": "the instrument stood over no mark, so there is no taped height to judge",
}

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
    "index": "the vertical index error of {name}",
    "refraction": "the refraction of {name}",
}
UNNAMED = {
    "tape": "every height taped",
    "instrument": "every instrument height",
    "equipment": "every target height",
    "slant_instrument": "the slant readings, booked without reduction",
    "index": "the vertical index error of the instrument",
}
ON_AVERAGE = ("tape_scale", "slant_instrument", "slant_observer", "index", "refraction")
"""Groups whose members are off by different amounts: their error is the quadratic mean."""

SCREENING = {
    "zero": "is zero",
    "negative": "is negative",
    "outside": "is unusual, {value}",
    "same_as_before": "is that of {other}, to the last digit: {value}",
    "same_as_target": "is the same as {other}, to the last digit: {value}",
    "booked_differs": "was booked as {value}, but its readings give {other_value}",
    "readings_disagree": "is {value} by one reading and {other_value} by another",
}
"""What a value itself gives away, by rule of the screening."""

ROW_KINDS = {"shot": "sights", "level": "levelled differences", "staff": "staff readings", "gnss": "satellite heights"}
SHORT = {"shot": "sight", "gnss": "satellite"}
COUNTED = {
    "setups": "instrument height",
    "targets": "target height",
    "known": "known height",
    "shots": "sight",
    "levels": "levelled difference",
    "staff": "staff reading",
    "gnss": "satellite height",
}

CAUTION = (
    "A statistical check is no substitute for an independent measurement. Before anyone digs, builds, passes "
    "under or relies on a flood level by these heights, follow the specifications that apply to the work and the "
    "judgement of a licensed surveyor. A height called proved was tested for blunders of the stated size, under "
    "the stated precision; it was not measured twice."
)
SD_NOTE = "± is one standard deviation"


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

    # what things are called

    def label(self, id: str) -> str:
        """``setup:S4`` -> "the instrument height of set-up S4 (over P4)"."""
        kind, _, name = id.partition(":")
        record = self.records.get(id, {})
        match kind:
            case "setup":
                return f"the {self.thing(name)} height of set-up {name}{self._over(self.setups.get(name))}"
            case "target":
                return f"the target height {name}{self._over(self.targets.get(name), 'on')}"
            case "tripod":
                return f"the height of the shared stand {_bare(name)}"
            case "reading":
                return f"a tape reading ({self._place(name)})"
            case "swap":
                setup, _, target = name.partition("/")
                return f"the heights of set-up {setup} and target {target}, booked in each other's place"
            case "shot":
                return f"the sight {self._sight(record)}({self._place(name)})"
            case "known":
                return f"the known height of {name}"
            case "level":
                between = f"{record['from_mark']} to {record['to_mark']} " if record else ""
                return f"the levelled difference {between}({self._place(name)})"
            case "gnss":
                return f"the satellite {self._satellite(record)}({self._place(name)})"
            case "separation":
                return f"the separation at {name}"
            case "staff":
                on = f"on {record['name'] or record['mark']} " if record else ""
                return f"the staff reading {on}({self._place(name)})"
            case "group":
                of, _, member = name.partition(":")
                if member == NOT_NAMED:
                    return UNNAMED.get(of, "everything that has no name")
                if of == "instrument" and member in self.models:
                    return f"every antenna height of {member}"
                return GROUPS.get(of, "everything of {name}").format(name=member)
        return name

    def rows(self, ids: list[str]) -> str:
        """Rows of one file in short, "rows 12 to 17": only where all ids are rows of one kind and file; else ""."""
        places = [id.rpartition(":") for id in ids]
        if len({place for place, _, _ in places}) != 1 or ids[0].partition(":")[0] not in ROW_KINDS:
            return ""
        rows = sorted(int(row) for _, _, row in places)
        if rows == list(range(rows[0], rows[-1] + 1)) and len(rows) > 2:
            return f"rows {rows[0]} to {rows[-1]} of {places[0][0].partition(':')[2]}"
        return f"rows {listing([str(row) for row in rows], 6, 'or')} of {places[0][0].partition(':')[2]}"

    def brief(self, id: str) -> str:
        """A label for a table: `instrument height S4`."""
        kind, _, name = id.partition(":")
        thing = {
            "setup": f"{self.thing(name)} height",
            "target": "target height",
            "tripod": "shared stand",
            "separation": "separation at",
            "known": "known height",
        }.get(kind)
        return f"{thing} {name}" if thing else self.short(id)

    def short(self, id: str) -> str:
        """A few letters for a picture."""
        kind, _, name = id.partition(":")
        if kind == "tripod":
            return _bare(name)
        if kind in ("setup", "target", "swap"):
            return name
        if kind == "group":
            return "the separations" if name.startswith("separations:") else name.partition(":")[2]
        if kind in ("shot", "level", "staff", "gnss", "reading"):
            return f"{SHORT.get(kind, kind)} row {name.rpartition(':')[2]}"
        return name

    def _over(self, record: Record | None, word: str = "over") -> str:
        if not record or not record["mark"]:
            return ""
        name = record.get("setup") or record.get("target") or ""
        # a flat sheet names its targets by their marks already
        return "" if name == record["mark"] or name.startswith(f"{record['mark']} (") else f" ({word} {record['mark']})"

    def _sight(self, record: Record) -> str:
        if not record:
            return ""
        return f"{record['setup']} to {record['to_mark'] or record['target']} "

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
    def _place(name: str) -> str:
        file, _, row = name.rpartition(":")
        return f"{file}, row {row}"

    # what is said of them

    def error(self, id: str, mm: float | None, sd_mm: float | None = None) -> str:
        """How wrong, its sign in words: "recorded 24 ± 2 mm too high"."""
        if mm is None:
            return "by an unknown amount"
        kind, _, name = id.partition(":")
        size = self.lengths.plus_minus(mm, sd_mm)
        high = _high(mm)
        if kind == "group":
            of = name.partition(":")[0]
            if of in ON_AVERAGE:
                return f"its members off by {size} in the quadratic mean"
            return f"each recorded {size} {high}"
        if kind in ("shot", "level") or (kind == "gnss" and self.records.get(id, {}).get("from")):
            return f"its height difference recorded {size} {high}"
        if kind == "swap":
            return f"a difference of {size}"
        if kind == "staff":
            return f"read {size} {high}"
        return f"recorded {size} {high}"

    def verdict(self, record: Record) -> str:
        """The verdict on a height in a sentence, with its own numbers."""
        size = record["smallest_detectable_mm"]
        match record["verdict"]:
            case "suspect":
                said = self.error(record.get("hypothesis") or "", record["error_mm"], record["error_sd_mm"])
                return f"Probably wrong ({chance(record['probability'])}): {said}."
            case "either":
                labels = [self.label(id) for id in record.get("same_as", [])]
                said = self.error("", record["error_mm"], record["error_sd_mm"])
                others = listing(labels, 3, "or") or "another one"
                return f"Either this is wrong, {said}, or {others} is; the job cannot tell which."
            case "proved":
                return f"Proved: an error of {self.lengths.about(size)} or more would have shown."
            case "weak":
                return f"Weakly tested: an error of up to {self.lengths.about(size)} could hide."
            case "unproved":
                return "Unproved: nothing in the job tests it; an error of any size could hide."
        return "Free set-up: no taped height to judge."

    def checks(self, record: Record) -> str:
        """What the independent checks of a height are good for."""
        number = record["independent_checks"]
        if not number:
            return "No independent way to this height: nothing can contradict it."
        if number == 1:
            return "One independent way to this height: an error shows, but may as well be an error in that way."
        small = record["smallest_attributable_mm"]
        said = f"{number} independent ways to this height"
        if small is None:
            return f"{said}, but an error here cannot be told from an error elsewhere."
        return f"{said}: an error of {self.lengths.about(small)} or more shows and is put down to this height."

    def moved(self, moved: list[Record], most: int = 4) -> str:
        """Which marks an error has moved, and where to."""
        sizes = [abs(m["moved_mm"] or 0.0) for m in moved]
        most_mm = max(sizes, default=0.0)
        if most_mm < 0.1:
            return "It moved no mark by as much as 0.1 mm." if self.lengths.metric else "It moved no mark noticeably."
        felt = [m for m, size in zip(moved, sizes, strict=True) if size >= 0.15 * most_mm]
        felt = sorted(felt, key=lambda m: -abs(m["moved_mm"]))[:most]
        parts = [
            f"{m['mark']} {self.lengths.about(m['moved_mm'])} too {'high' if m['moved_mm'] > 0 else 'low'}"
            for m in felt
        ]
        shown = {m["mark"] for m in felt}
        rest = max((size for m, size in zip(moved, sizes, strict=True) if m["mark"] not in shown), default=0.0)
        tail = f"; the other marks by {self.lengths.about(rest)} at most" if rest >= 0.1 else ""
        return f"It put {listing(parts, most)}{tail}."

    def hidden(self, mark: Record) -> str:
        """What could hide in a mark's height."""
        if not mark["hidden_by"]:
            return "nothing"
        by = self.brief(mark["hidden_by"])
        if mark["hidden_mm"] is None:
            return f"no limit: {by}"
        return f"{self.lengths.about(mark['hidden_mm'])}: {by}"

    def measurement(self, record: Record) -> str:
        """The next measurement as an instruction."""
        setup, mark = record["setup"], record["mark"]
        by = f" from set-up {setup}" if setup else ""
        match record["kind"]:
            case "second_tape":
                at = (
                    f"the height of set-up {setup}{self._over(self.setups.get(setup))}"
                    if setup
                    else self.label(record["stand"])
                )
                return f"Tape {at} again while it still stands: another scale, another person, booked before comparing."
            case "pole_shot":
                return f"Sight a pole of known height on mark {mark}{by}: a second, independent way to it."
            case "antenna_reoccupation":
                beside = f" together with one over {mark}" if mark != record["from_mark"] else ""
                said = f"Put the antenna up again over {record['from_mark']}{beside}, tape it anew and observe again"
                return f"{said}: two tapings that share nothing."
            case "check_shot":
                return f"Sight a pole of known height on known mark {mark}{by}: it gives the height without the tape."
            case _:
                said = f"Level from mark {record['from_mark']} to mark {mark}"
                return f"{said}: it bypasses every tape, and works after the set-ups are gone."

    def measurement_gain(self, record: Record) -> str:
        """What a measurement would prove."""
        proves = listing([self.label(id) for id in record["proves"]], 2)
        before, after = record["detectable_before_mm"], record["detectable_after_mm"]
        if after is None:
            return f"It tests {proves}." if proves else ""
        now = "an error of any size can hide now" if before is None else f"now {self.lengths.about(before)} can hide"
        shown = "it" if record["proves"] in ([], [record["stand"]]) and record["tests"] == record["stand"] else proves
        shown = shown or self.label(record["tests"])
        return f"It would show an error of {self.lengths.about(after)} in {shown}; {now}."

    def loop(self, loop: Record) -> list[str]:
        """The marks a loop passes; where it runs from stand to stand, the marks under its sights."""
        if len(loop["marks"]) > 1:
            return list(loop["marks"])
        passed: dict[str, None] = {}
        for id in loop["ids"]:
            record = self.records.get(id, {})
            passed.update((record[key], None) for key in ("from_mark", "to_mark", "mark") if record.get(key))
        return list(passed) or list(loop["marks"])

    def group(self, group: Record) -> str:
        """What was found of a group."""
        if group["verdict"] in ("suspect", "either"):
            return self.error(group["id"], group["error_mm"], group["error_sd_mm"])
        if group["verdict"] == "unproved":
            return "cannot be tested"
        return "nothing found"

    def reading_name(self, reading: Record) -> str:
        """A reading as it was booked, and by whom: `1.612 m by N. Brandt, tape 1`."""
        if reading["kind"] == "booked":
            text = f"{self.lengths.height(reading['value_m'])} {self.lengths.name}, as booked"
        else:
            scale = {"ftin": "", "ftUS": " US survey ft"}.get(reading["scale"], f" {reading['scale']}")
            text = f"{reading['text']}{scale}"
        by = f" by {reading['by']}" if reading["by"] else ""
        tape = f", {reading['tape']}" if reading["tape"] else ""
        told = moment(reading["when"] or "")
        when = f", {reading['when']}" if told is not None and told[0] == "word" else ""
        return f"{text}{by}{tape}{when}"

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
        return ", ".join(parts)

    def cause(self, cause: Record) -> str:
        """A cause with the size it would have."""
        text = str(cause["text"])
        if cause["expected_mm"] is None or re.search(r"\d (mm|m|ft)\b", text):
            return text
        expected, found = self.lengths.small(cause["expected_mm"]), cause["found_mm"]
        high = _high(cause["expected_mm"])
        tail = f", found {self.lengths.small(found)}" if found is not None else ""
        return f"{text}: it would make {expected} {high}{tail}"

    def verdict_counts(self, table: str) -> list[tuple[str, int]]:
        """How many heights have each verdict, worst first, those that occur."""
        counted = Counter(column(self.facts[table], "verdict"))
        return [(verdict, counted[verdict]) for verdict in VERDICTS if counted[verdict]]

    def counts(self, table: str) -> str:
        """ "12 instrument heights: 1 probably wrong, 2 unproved, 9 proved"."""
        name = f"{self.stood} height" if table == "setups" else COUNTED[table]
        parts = [f"{number:,} {VERDICTS[verdict]}" for verdict, number in self.verdict_counts(table)]
        return f"{count(len(self.facts[table]), name)}: {', '.join(parts)}" if parts else f"no {name}s"

    @property
    def title(self) -> str:
        """The job's title; that it is invented is said beside it."""
        job = self.facts["job"]
        title: str = job["title"] or job["name"]
        return title.replace("(invented)", "").strip() if job["invented"] else title


def _high(mm: float) -> str:
    return "too high" if mm > 0 else "too low"


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
