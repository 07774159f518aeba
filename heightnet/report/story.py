"""The answers of a check in plain sentences, in the order in which a person asks them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from heightnet.report.numbers import chance, count, listing
from heightnet.report.words import ROW_KINDS, SD_NOTE, Words
from heightnet.rows import column

Record = dict[str, Any]

SETTLES_MM = 15.0  # a tripod that sinks further than this was kicked; another slip is likelier
WRONG, DOUBTFUL, SOUND = "wrong", "doubtful", "sound"


@dataclass(frozen=True)
class Answer:
    """One question a person comes with, and what this job can say to it."""

    question: str
    lines: list[str]


@dataclass(frozen=True)
class Accusation:
    """Something probably wrong: one thing, or several that the job cannot tell apart (likeliest first)."""

    ids: list[str]
    error_mm: float | None
    error_sd_mm: float | None
    probability: float | None
    suspect: Record = field(default_factory=dict)  # its entry in suspects, where it has one

    @property
    def certain_which(self) -> bool:
        return len(self.ids) == 1


@dataclass(frozen=True)
class Story:
    tone: str  # WRONG, DOUBTFUL (nothing wrong found, something unproved) or SOUND
    headline: str
    answers: list[Answer]


def accusations(words: Words) -> list[Accusation]:
    """Suspects, and the sets of which one member is wrong, each said once."""
    facts = words.facts
    told, found = set(), []
    for suspect in facts["suspects"]:
        id = suspect["id"]
        if id in told:
            continue
        same = _cannot_be_told_from(words, id)
        ids = [id, *same]
        told.update(ids)
        total = sum(words.records.get(i, suspect)["probability"] or 0 for i in ids)
        probability = suspect["probability"] if not same else min(1.0, max(total, suspect["probability"] or 0))
        found.append(Accusation(ids, suspect["error_mm"], suspect["error_sd_mm"], probability, suspect))
    undecided = words.records.with_verdict("either")  # a reading in question is told with its stand
    either = [(id, r) for id, r in undecided if id not in told and not id.startswith("reading:")]
    for id, record in sorted(either, key=lambda item: -(item[1]["probability"] or 0)):
        if id in told:
            continue
        ids = [id, *_cannot_be_told_from(words, id)]
        told.update(ids)
        probability = min(1.0, sum(words.records[i]["probability"] or 0 for i in ids if i in words.records))
        found.append(Accusation(ids, record["error_mm"], record["error_sd_mm"], probability))
    return found


def _cannot_be_told_from(words: Words, id: str) -> list[str]:
    """Ids that nothing can tell from this one, likeliest first; none where it stands accused alone."""
    record = words.records.get(id, {})
    if record.get("verdict") == "suspect":
        return []
    same = list(record.get("same_as", []))
    for explanation in words.facts["explanations"][:1]:
        for member, also in zip(explanation["members"], explanation["also"], strict=True):
            group = [member["id"], *also]
            if id in group and len(group) > 1:
                same += group
    others = [other for other in dict.fromkeys(same) if other != id]
    return sorted(others, key=lambda other: -(words.records.get(other, {}).get("probability") or 0))


def tell(words: Words) -> Story:
    """The whole story of a job."""
    accused = accusations(words)
    unproved = _unproved(words)
    answers = [Answer("Is a height wrong?", _is_one_wrong(words, accused))]
    if accused:
        answers.append(Answer("Why?", _why(words, accused)))
        answers.append(Answer("What did it do to the marks?", _what_it_did(words, accused)))
    answers.append(Answer("What to do in the field", _what_to_do(words, accused)))
    answers.append(Answer("What was proved", _proved(words)))
    answers.append(Answer("What nothing here can prove", _cannot_prove(words)))
    tone = WRONG if accused else DOUBTFUL if unproved else SOUND
    return Story(tone, _headline(words, accused, len(unproved)), answers)


def _unproved(words: Words) -> list[str]:
    """Hypothesis ids of the heights that nothing tests, a shared stand once."""
    return list(dict.fromkeys(id for id, verdict in _heights(words, "hypothesis", "verdict") if verdict == "unproved"))


def _heights(words: Words, *names: str) -> Iterator[tuple[Any, ...]]:
    """Some values of every height, set-ups first; where a name differs between the tables, "setup/target"."""
    for number, table in enumerate(("setups", "targets")):
        of_table = [name.split("/")[min(number, name.count("/"))] for name in names]
        yield from zip(*(column(words.facts[table], name) for name in of_table), strict=True)


def _headline(words: Words, accused: list[Accusation], unproved: int) -> str:
    if not accused:
        if not words.facts["setups"] and not words.facts["targets"]:
            return "No sign of a wrong height."
        if not unproved:
            return "No sign of a wrong height, and every height was tested."
        return f"No sign of a wrong height, but nothing tests {count(unproved, 'height')} of this job."
    first = accused[0]
    if len(accused) > 1:
        names = listing([words.short(a.ids[0]) for a in accused], 5)
        return f"{len(accused)} things are probably wrong in this job: {names}."
    if not first.certain_which:
        rows = words.rows(first.ids)
        kind = ROW_KINDS[first.ids[0].partition(":")[0]] if rows else "things"
        names = rows or listing([words.short(id) for id in first.ids], 4, "or")
        size = f" by {words.lengths.about(first.error_mm)}" if rows and first.error_mm is not None else ""
        return f"One of {len(first.ids)} {kind} is wrong{size}, and this job cannot tell which: {names}."
    label = words.label(first.ids[0])
    is_wrong = "is wrong" if (first.probability or 0) >= 0.9 else "is probably wrong"
    return f"{_capital(label)} {is_wrong}: {words.error(first.ids[0], first.error_mm)}."


def _is_one_wrong(words: Words, accused: list[Accusation]) -> list[str]:
    if not accused:
        return [_nothing_found(words)]
    lines = [_accuse(words, one) for one in accused[:3]]
    if "±" in lines[0]:
        lines[0] = lines[0].replace(").", f"; {SD_NOTE}).", 1) if ")." in lines[0] else lines[0]
    if len(accused) > 3:
        rest = listing([words.label(a.ids[0]) for a in accused[3:]], 4)
        lines.append(f"Also: {rest}.")
    facts = words.facts
    if not facts["cross_check"]["agrees"]:
        other = listing([words.label(id) for id in facts["cross_check"]["best_subset"]], 3) or "nothing"
        lines.append(f"A second way of searching blames {other}: read the other explanations before deciding.")
    return lines


def _accuse(words: Words, one: Accusation) -> str:
    if one.certain_which:
        id = one.ids[0]
        sure = "is wrong" if (one.probability or 0) >= 0.9 else "is probably wrong"
        said = words.error(id, one.error_mm, one.error_sd_mm)
        return f"{_capital(words.label(id))} {sure}: {said} (chance {chance(one.probability)})."
    parts = []
    for id in one.ids[:3]:
        record = words.records.get(id, {})
        said = words.error(id, record.get("error_mm"), record.get("error_sd_mm"))
        parts.append(f"{words.label(id)}, {said} (chance {chance(record.get('probability'))})")
    more = f"; or one of {len(one.ids) - 3:,} more" if len(one.ids) > 3 else ""
    if rows := words.rows(one.ids[3:]):
        more = f"; or one of {rows}" if len(one.ids) > 4 else f"; or {words.label(one.ids[3])}"
    return f"One of these is wrong, and nothing in the job can tell which: {'; or '.join(parts)}{more}."


def _nothing_found(words: Words) -> str:
    fit = words.facts["fit"]
    if not fit["redundancy"]:
        return "Nothing can be said: no observation is more than needed, so nothing contradicts anything."
    seen = count(fit["observations"], "observation")
    return f"No sign of it: {seen}, {fit['redundancy']:,} more than needed, contradict no height."


def _why(words: Words, accused: list[Accusation]) -> list[str]:
    lines = []
    for one in accused[:3]:
        id = one.ids[0]
        causes = words.records.get(id, {}).get("causes") or []
        name = f"{words.short(id)}: " if len(accused) > 1 or not (one.certain_which or words.rows(one.ids)) else ""
        named = [c for c in causes if c["cause"] != "none"]
        if named and causes[0]["cause"] != "none":
            best = named[0]
            line = f"{name}{words.cause(best)} (chance {chance(best['probability'])})"
            rivals = [c for c in named[1:3] if c["probability"] and c["probability"] >= 0.1]
            for rival in rivals:
                line += f"; or {words.cause(rival)} ({chance(rival['probability'])})"
            lines.append(_capital(line) + ".")
        elif one.suspect.get("cause_text"):
            lines.append(_capital(f"{name}{one.suspect['cause_text']}".rstrip(".")) + ".")
        elif causes:
            lines.append(f"{name}No usual slip has this size. Look at the field book and ask who taped it.")
        elif id.partition(":")[0] in ("setup", "target", "tripod", "reading"):
            lines.append(f"{name}No usual slip was found that fits. Look at the field book.")
    wrong_readings = [c for c in words.facts["reading_checks"] if not c["agrees"]]
    lines += [reading_check(words, check) for check in wrong_readings[:2]]
    return lines or ["The size gives no hint. Look at the field book for these rows."]


def reading_check(words: Words, check: Record) -> str:
    """Two readings of one stand against each other."""
    size = words.lengths.small(check["difference_mm"])
    change = check.get("change_mm")
    if check["agrees"]:
        pair = "two readings" if change is None else "readings before and after"
        return f"The {pair} at {check['stand']} agree: {size} apart."
    if change is not None:
        return _before_and_after(words, check, change)
    said = f"The readings at {check['stand']} disagree by {size}"
    if check["slip_text"]:
        said += f": {check['slip_text'].rstrip('.')}"
    side = check.get("sides_with")
    if side in ("first", "second"):
        said += f"; the rest of the job sides with {words.reading_name(words.records[check[side]])}"
    elif side == "neither":
        said += "; the rest of the job sides with neither"
    return f"{said}."


def _before_and_after(words: Words, check: Record, change: float) -> str:
    """Two readings at different times that disagree."""
    moved = f"{words.lengths.small(abs(change))} {'lower' if change < 0 else 'higher'}"
    said = f"At {check['stand']} the height read after is {moved} than the one before: "
    said += "the stand settled, or one of them is wrong" if change < 0 else "a stand does not rise, so one is wrong"
    if check["slip_text"] and not -SETTLES_MM < change < 0:
        said += f"; {check['slip_text'].rstrip('.')}"
    side = check.get("sides_with")
    if side in ("first", "second"):
        said += f"; the rest of the job sides with {words.reading_name(words.records[check[side]])}"
    return f"{said}."


def _what_it_did(words: Words, accused: list[Accusation]) -> list[str]:
    lines = []
    for one in accused[:3]:
        if one.suspect and one.certain_which:
            name = f"{words.short(one.ids[0])}: " if len(accused) > 1 else ""
            lines.append(name + words.moved(one.suspect["moved"]))
    if not lines:
        lines.append("How far it moved which marks depends on which of them is wrong.")
    lines.append("The corrected heights leave it out. Nothing was changed in your files.")
    return lines


def _what_to_do(words: Words, accused: list[Accusation]) -> list[str]:
    steps = words.facts["next_measurements"]
    lines = [f"{words.measurement(step)} {words.measurement_gain(step)}".strip() for step in steps[:2]]
    if len(steps) > 2:
        lines.append(f"{count(len(steps) - 2, 'further step')} on the field sheet.")
    if lines:
        return lines
    stretch = _stretch(words, accused[0]) if accused else ""
    if stretch:
        return [f"Level {stretch} again before its heights are used."]
    kind, _, name = accused[0].ids[0].partition(":") if accused else ("", "", "")
    if kind == "setup" and name in words.antennas:
        over = words.setups[name]["mark"]
        return [
            f"Put the antenna up again over {over}, tape it anew to another point, before and after, and observe "
            "again: a repeat occupation is the proof."
        ]
    if accused:
        return ["Look these rows up in the field book, and observe them again before their heights are used."]
    return ["Nothing needs to be observed again for the blunders this check looks for."]


def _stretch(words: Words, one: Accusation) -> str:
    """The stretch of levelling that the accused rows lie in, between marks that last; "" where it is no such thing."""
    records = [words.records[id] for id in one.ids if id in words.records]
    if not all(id.startswith(("staff:", "level:")) for id in one.ids):
        return ""
    marks: dict[str, None] = {}
    for r in records:
        if "from_mark" in r:
            marks.update({r["from_mark"]: None, r["to_mark"]: None})
        elif r["name"] == r["mark"]:  # a change point is named by its run as well
            marks[r["mark"]] = None
    if len(marks) < 2:
        return ""
    ends = list(marks)
    return f"from {ends[0]} to {ends[-1]}" if len(ends) == 2 else f"between {listing(ends, 5)}"


def _proved(words: Words) -> list[str]:
    tables = [t for t in ("setups", "targets", "levels", "staff", "gnss") if words.facts.get(t)]
    lines = [f"{_capital(words.counts(table))}." for table in tables]
    proved = [
        size
        for table in tables
        for verdict, size in zip(
            *(column(words.facts[table], n) for n in ("verdict", "smallest_detectable_mm")), strict=True
        )
        if verdict == "proved" and size is not None
    ]
    if proved:
        least, most = words.lengths.about(min(proved)), words.lengths.about(max(proved))
        sizes = least if least == most else f"{least.rpartition(' ')[0]} to {most}"
        power = words.facts["settings"]["test"]["power"]
        lines.append(f"Where it says proved, an error of {sizes} would have shown, with {chance(power)} certainty.")
    factors = words.facts["fit"]
    for key, name in (("tape_factor", "tape readings"), ("sight_factor", "sights and levels")):
        if factors[key] is not None and factors[key] >= 1.35:
            times = f"{factors[key]:.1f}"
            lines.append(f"The {name} scatter about {times} times as much as stated: check the stated precision.")
    return lines or ["Nothing: the job holds no height to test."]


def _cannot_prove(words: Words) -> list[str]:
    facts = words.facts
    lines = []
    bare = _unproved(words)
    for kind, name, plural in (
        ("setup", f"the {words.stood} height of", f"the {words.stood} heights of"),
        ("target", "the target height", "the target heights"),
        ("tripod", "the height of the shared stand", "the heights of the shared stands"),
    ):
        of_kind = [words.short(id) for id in bare if id.startswith(f"{kind}:")]
        if of_kind:
            names = f"{name if len(of_kind) == 1 else plural} {listing(of_kind, 6)}"
            lines.append(f"Nothing tests {names}: an error of any size there would not show.")
    heights = _heights(words, "setup/target", "verdict", "smallest_detectable_mm")
    weak = [(name, size) for name, verdict, size in heights if verdict == "weak"]
    if weak:
        worst = max((size for _, size in weak if size is not None), default=None)
        names = listing([name for name, _ in weak], 6)
        size = words.lengths.about(worst) if worst is not None else "more than the tolerance"
        lines.append(f"Up to {size} could hide in {names}.")
    lines += [common_error(words, error) for error in facts["common_errors"] if not error["harmless"]][:3]
    lines += _like_separations(words)
    harmless = [words.label(e["id"]) for e in facts["common_errors"] if e["harmless"]]
    if harmless:
        lines.append(f"An error common to {listing(harmless, 2)} does not show, and does no harm: it cancels.")
    for lost in facts["undetermined"][:3]:
        kind = {"mark": "Mark", "setup": "Set-up", "target": "Target"}[lost["kind"]]
        lines.append(f"{kind} {lost['name']} has no height: {lost['reason'].rstrip('.')}.")
    loose = [p for p in facts["pieces"] if not p["tied"]]
    for piece in loose[:2]:
        lines.append(
            f"The heights of {listing(piece['marks'], 3)} are relative: no known mark is tied to them"
            + (f" ({piece['datum_mark']} was held at 0)." if piece["datum_mark"] else ".")
        )
    if not lines:
        lines.append("Errors smaller than the sizes above, and several errors that happen to cancel each other.")
    return lines


def _like_separations(words: Words) -> list[str]:
    """What looks the same as separations that are all wrong alike."""
    model = words.facts.get("separation_model")
    same = model["same_as"] if model else []
    if not same:
        return []
    labels = listing([words.label(id) for id in same], 3, "or")
    return [
        f"An error common to {labels} looks the same in this job as one common to all separations: nothing here tells "
        "one from the other. An antenna of another model on a known mark, or a level read to an antenna's reference "
        "point, would."
    ]


def common_error(words: Words, error: Record) -> str:
    """An error of one kind alike that nothing in the job can show."""
    label = words.label(error["id"])
    if error["harmless"]:
        return f"An error common to {label} would not show, and does no harm: it cancels."
    marks = listing([m["mark"] for m in error["moves"]], 4)
    said = f"An error common to {label} would not show" + (f", and would move {marks}" if marks else "")
    shot = error["shot_that_would_show"]
    return f"{said}. {_capital(shot.rstrip('.'))} would show it." if shot else f"{said}."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
