"""What is said of things: the words of page, terminal and summary."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from functools import cached_property

from heightnet.ledger.thing import EXCHANGED, MISNAMED, POINTING, TOGETHER, Thing
from heightnet.reduce.moments import moment
from heightnet.report.claims import claim, name
from heightnet.report.namer import Namer, counted
from heightnet.report.numbers import chance, count, likelihood, listing, of_100
from heightnet.rows import Record, column

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

DOUBTS = 3  # of reading, told beside what contradicts itself
IN_DOUBT = "What reading the files left in doubt"

LIMIT = {True: "within the limit", False: "outside the limit", None: "nothing to compare with"}
"""What is said of a loop, a section or a run by what it may miss; whether the job closes is another question."""

ON_AVERAGE = {
    "tape_scale": "height", "slant_instrument": "height", "slant_observer": "height", "index": "sight",
    "refraction": "sight", "collimation": "reading",
}  # fmt: skip
"""Groups whose members are off by different amounts, and what these are: their error is the quadratic mean."""

SCREENING = {
    "zero": "is zero",
    "negative": "is negative",
    "outside": "is unusual, {value}",
    "same_as_before": "is that of {other}, to the last digit: {value}",
    "same_as_target": "is the same as {other}, to the last digit: {value}",
    "booked_differs": "was booked as {value}, but its readings give {other_value}",
    "readings_disagree": "gives {value}, but {other} gives {other_value}",
    "lone_part": "is one part of a height measured in parts, and no other part is recorded: {value}",
    "other_kind": "is {kind} where the other readings to this point are {other_kind}: {value}",
}
"""What a value itself gives away, by rule of the screening."""

METRE_MM = 1000.0
LITTLE = 0.99  # of a size: one that measurements told before bring below that is partly theirs
A_HEIGHT = 0.05
"""Probability from which a height that a place may have is told beside the likeliest."""


class Words(Namer):
    """Speaks of the things of one job."""

    @cached_property
    def several_days(self) -> bool:
        """Whether the job's set-ups were on several days, as far as the facts at hand say when they were."""
        told = [moment(when) for setup in self.facts["setups"] if (when := setup.get("when"))]
        return len({at.partition("T")[0] for kind, at in filter(None, told) if kind.startswith("date")}) > 1

    @property
    def tolerance_mm(self) -> float:
        return float(self.facts["settings"]["test"]["tolerance_mm"])

    @property
    def limit(self) -> str:
        """The tolerance, as a claim."""
        return claim("settings", "tolerance_mm", self.tolerance_mm, self.lengths.about(self.tolerance_mm))

    @staticmethod
    def stand(record: Record) -> str:
        """A set-up or target with what is below it: "S4 over H3", "P7 on H4"."""
        name, below = (record["setup"], "over") if "setup" in record else (record["target"], "on")
        return f"{name} {below} {record['mark']}" if record["mark"] else name

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
        thing = Thing.of(id)
        kind, high = thing.kind, f" too {'high' if mm > 0 else 'low'}"
        of = of or id
        if kind == MISNAMED and abs(mm) >= METRE_MM:
            apart = self.lengths.height_in_words(abs(mm) / 1000, sd_mm)
            return claim(of, "error_mm", mm, f"the two are {apart} apart in height")
        if kind == MISNAMED:
            return self.sized(of, mm, sd_mm, "the two are ", " apart in height")
        if kind == "moved":
            slowly = " slowly, in all by" if all(thing.names[2:4]) else ""
            return self.sized(of, mm, sd_mm, f"it {'sank' if mm > 0 else 'rose'}{slowly} ")
        if kind in TOGETHER:
            if thing.common[0] in ON_AVERAGE:
                return self.sized(of, mm, sd_mm, "off by about ", f" in a usual {ON_AVERAGE[thing.common[0]]}")
            return self.sized(of, mm, sd_mm, "each recorded ", high)
        if kind in ("shot", "level") or (kind == "gnss" and self.records.get(id, {}).get("from")):
            return self.sized(of, mm, sd_mm, "its height difference recorded ", high)
        if kind in EXCHANGED:
            return self.sized(of, mm, sd_mm, "a difference of ")
        return self.sized(of, mm, sd_mm, "read " if kind in ("staff", POINTING) else "recorded ", high)

    def chance(self, of: str, probability: float | None) -> str:
        """ "likely (63 in 100)", as a claim."""
        return claim(of, "probability", probability, chance(probability))

    @staticmethod
    def of_100(of: object, probability: float, fact: str = "probability") -> str:
        """ "17 in 100", as a claim."""
        return claim(of, fact, probability, of_100(probability))

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
        word = claim(of or self.key(record), "verdict", verdict, VERDICTS[verdict].capitalize())
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
        of = Thing("mark", mark["mark"])
        heights = [h for h in mark["heights"] if h["probability"] >= A_HEIGHT]
        sd = max(h["sd_mm"] for h in heights)
        parts = []
        for i, h in enumerate(heights):
            height = self.lengths.height_in_words(h["height_m"], sd)
            likely = self.of_100(of, h["probability"], f"heights.{i}.probability")
            parts.append(f"{claim(of, f'heights.{i}.height_m', h['height_m'], height)} ({likely})")
        return f"{mark['mark']} is at {listing(parts, 4, 'or')}"

    def hidden(self, mark: Record) -> str:
        """What could hide in a mark's height."""
        if not mark["hidden_by"]:
            return "nothing"
        by, size = self.brief(mark["hidden_by"]), mark["hidden_mm"]
        told = "no limit" if size is None else self.lengths.about(size)
        of = Thing("mark", mark["mark"])
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

    def loop_word(self, number: int, loop: Record) -> str:
        """Whether a loop keeps its limit; that is another question than whether something contradicts."""
        return claim(f"loop:{number}", "closes", loop["closes"], LIMIT[loop["closes"]])

    def numbered(self, table: str) -> Iterator[tuple[int, Record]]:
        """The records of a table with their place in results.json, counted from 1."""
        for number, record in enumerate(self.facts[table], start=1):
            yield record.get("number", number), record

    def group(self, group: Record) -> str:
        """What was found of a group."""
        if group["verdict"] in ("suspect", "either"):
            return self.error(group["id"], group["error_mm"], group["error_sd_mm"])
        return "cannot be tested" if group["verdict"] == "unproved" else "nothing found"

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
        counted = Counter(column(self.facts.get(table, []), "verdict"))
        return [(verdict, counted[verdict]) for verdict in VERDICTS if counted[verdict]]

    def counts(self, table: str) -> str:
        """ "12 instrument heights: 1 probably wrong, 2 untested, 9 proved"."""
        name_ = f"{self.stood} height" if table == "setups" else counted(table)
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


UNUSED = "not used: "


def doubts(facts: Record) -> list[str]:
    """What else reading the files doubts, beside what contradicts itself: a name of two places is no wrong reading."""
    above = facts.get("read_with_doubt", [])
    return _told([note for note in facts["notes"] if note["kind"] == "doubt" and note not in above])


def read_with_doubt(facts: Record) -> list[str]:
    """What stands above the verdict: doubts of reading about what it names or rests on."""
    first, *more = _told(facts.get("read_with_doubt", [])) or [""]
    return [f"Read with doubt: {first}", *more] if first else []


def _told(notes: Sequence[Record]) -> list[str]:
    told = [name(f"{noted_at(note)}{note['text'].rstrip('.')}") for note in notes]
    if len(told) > DOUBTS:
        told[DOUBTS:] = [f"And {len(told) - DOUBTS} more; `heightnet show` has them all"]
    return [text if text.endswith("?") else f"{text}." for text in told]


def unused(notes: Sequence[Record]) -> list[str]:
    """The columns of the files that were left unread, as one line: a reading lost in one is seen."""
    said = [
        f"{note['text'].removeprefix(UNUSED)} ({note['file']})" for note in notes if note["text"].startswith(UNUSED)
    ]
    return [name(f"Columns not used: {'; '.join(said)}.")] if said else []


def noted_at(note: Record) -> str:
    """Where reading noted something, to be set before what it noted."""
    if not note["file"]:
        return ""
    return f"{note['file']}, row {note['row']}: " if note["row"] else f"{note['file']}: "
