"""The plan of measurements as a field sheet, in words."""

from __future__ import annotations

from typing import Any

from heightnet.report.claims import capital, claim, name
from heightnet.report.document import DOUBTFUL, SOUND, WRONG, Document, Section, Table
from heightnet.report.numbers import count, listing, of_100
from heightnet.report.story import about, headline, look_up, state_word
from heightnet.report.words import VERDICTS, Words

Record = dict[str, Any]

HEIGHTS_SHOWN = 40
NAMES_SHOWN = 8
STAND_NEEDED = ("other_scale", "other_person", "in_parts", "check_shot", "pole_shot")

BOXES = {
    "other_scale": "reading ______ scale ____ by ____",
    "other_person": "reading ______ scale ____ by ____",
    "in_parts": "mark to head ______ head to axis ______ by ____",
    "check_shot": "pole ______ distance ________ zenith L ________ R ________",
    "pole_shot": "pole ______ distance ________ zenith L ________ R ________",
    "reoccupation": "height ______ pole ______ distance ________ zenith L ________ R ________",
    "antenna_reoccupation": "before ______ point ______ after ______ by ____",
    "level_tie": "BS ______ FS ______ second time BS ______ FS ______",
    "relevel": "rise ______ by ____",
}


def plan_document(facts: Record) -> Document:
    """The facts as a field sheet."""
    words = Words(facts)
    contradicted = bool(facts["findings"]) or _unexplained(facts)
    tone = WRONG if contradicted else SOUND if facts["reached"] and facts["heights"] else DOUBTFUL
    parts = [p for p in (_sheet(words), _waits(words), _left(words), _heights(words)) if p]
    foot = "Minutes are settings: " + ", ".join(f"{k.replace('_', ' ')} {v:g}" for k, v in facts["minutes"].items())
    says = "What to measure" if facts["steps"] else "Nothing to measure"
    if contradicted:
        says = capital(state_word(words))
    return Document(words.title, tone, _headline(words), says, parts, facts["job"]["invented"], f"{foot}.")


def _unexplained(facts: Record) -> bool:
    return facts["judgement"]["state"] in ("unclear", "unexplained")


def _headline(words: Words) -> str:
    facts = words.facts
    heights, steps, findings = facts["heights"], facts["steps"], facts["findings"]
    limit = claim("settings", "tolerance_mm", words.tolerance_mm, words.lengths.about(words.tolerance_mm))
    done = _done(words)
    if findings and facts["judgement"]["state"] != "unexplained":
        measure = f": {done}" if steps else "" if facts["needs"] else ", in the field book"
        return f"First find out about {about(words, findings)}{measure}. Planning the rest waits for it."
    if findings or _unexplained(facts):
        return f"{headline(words)} Planning measurements waits for it."
    if not heights:
        return "There is no taped height in this job: nothing to plan for."

    def stated(text: str) -> str:
        return claim("plan", "reached", facts["reached"], text)

    left = [h for h in heights if not h["proved_after"]]
    if not steps and not left:
        return f"{stated('Every height is proved already')}, to {limit}: no more measurements are needed."
    if not steps:
        said = stated(f"{count(len(left), 'height')} cannot be proved")
        return f"{said} to {limit} by any measurement that this job allows."
    if left:
        number = len(heights) - len(left)
        then = stated(f"then {count(number, 'height')} of {len(heights)} {'is' if number == 1 else 'are'} proved")
        return f"{done}: {then} to {limit}."
    return f"{done}: {stated('then every height is proved')} to {limit}."


def _done(words: Words) -> str:
    minutes = words.facts["total_min"]
    return f"{count(len(words.facts['steps']), 'measurement')}, {minutes:g} minute{'' if minutes == 1 else 's'}"


def thing(words: Words, id_: str) -> str:
    """ "instrument height of set-up S4 (over H3)"."""
    return words.label(id_).removeprefix("the ")


def instruction(words: Words, step: Record) -> str:
    """What to do."""
    at, mark = name(step["from_mark"]), name(step["mark"])
    match step["kind"]:
        case "relevel":
            return f"Level from {at} to {mark} again ({count(round(step['setups']), 'set-up')})."
        case "level_tie":
            return f"Level from {at} to {mark}."
        case "reoccupation":
            return f"Set up again over {at}, tape anew, and shoot a pole on {mark}."
        case "antenna_reoccupation":
            beside = f" together with one over {mark}" if mark != at else ""
            return f"Put the antenna up again over {at}{beside}, tape anew by another point, and observe again."
    kind, _, stand = step["stand"].partition(":")
    antenna = kind == "setup" and stand in words.antennas
    named = (
        words.target(stand)
        if kind == "target"
        else f"set-up {stand}"
        if kind == "setup"
        else words.label(step["stand"])
    )
    over = f" over {at}" if kind == "setup" and at != stand else ""
    where = name(f"{named}{over}")
    match step["kind"]:
        case "other_scale":
            return f"{capital(where)}: read the height again in the tape's other scale."
        case "other_person":
            return f"{capital(where)}: another person tapes the height, told nothing before."
        case "in_parts":
            to = "the antenna's reference point" if antenna else "axis"
            return f"{capital(where)}: tape the height in two parts, mark to tripod head and head to {to}."
        case "check_shot":
            return f"From {where}: shoot a pole of known length on the known mark {mark}."
    return f"From {where}: shoot a pole of known length on mark {mark}."


def _sheet(words: Words) -> Section | None:
    facts = words.facts
    if not facts["steps"]:
        return None
    lines = []
    for step in facts["steps"]:
        lines.append(
            f"[ ] {step['order']}. {instruction(words, step)} {step['minutes']:g} min ({step['minutes_so_far']:g})."
        )
        lines.append(f"    {_gain(words, step)}")
        lines.append(f"    {BOXES[step['kind']]}")
    if not facts["gone"] and not facts["planned"] and any(s["kind"] in STAND_NEEDED for s in facts["steps"]):
        lines.append(
            "This counts on the stands that are sighted from or taped still being there; else plan with --gone."
        )
    for why in dict.fromkeys(step["why"] for step in facts["steps"]):
        lines.append(f"Why: {why}.")
    return Section("Field sheet", lines)


def _gain(words: Words, step: Record) -> str:
    """What a step brings."""
    of = f"step:{step['order']}"
    if step["kind"] == "relevel":
        likely = claim(of, "probability", step["probability"], of_100(step["probability"]))
        return f"The error lies there with a chance of {likely}."

    def size(i: int, fact: str, nothing: str) -> str:
        mm = step["improves"][i][fact]
        return claim(of, f"improves.{i}.{fact}", mm, nothing if mm is None else words.lengths.about(mm))

    proved = [i for i, gain in enumerate(step["improves"]) if gain["id"] in step["proves"]]
    says = [
        f"{thing(words, step['improves'][i]['id'])} ({size(i, 'before_mm', 'an error of any size')} could hide, "
        f"then {size(i, 'after_mm', 'any size')})"
        for i in proved or range(min(2, len(step["improves"])))
    ]
    if not says:
        return "It is another way to that height, whatever was taped."
    return f"{'Proves' if step['proves'] else 'A step towards proving'} {listing(says, 3)}."


def _waits(words: Words) -> Section | None:
    """What a contradiction asks for that is no measurement of the plan."""
    facts = words.facts
    needs = {need["finding"]: need["what"] for need in facts["needs"]}
    told = {step["finding"] for step in facts["steps"]} | needs.keys()
    lines = [f"{capital(what)} would show it." for what in needs.values()]
    for finding in facts["findings"]:
        members = [m["id"] for m in finding["members"]]
        planned = finding["order"] in told or (facts["steps"] and any(_is_height(id_) for id_ in members))
        if not planned:
            lines += look_up(words, finding, NAMES_SHOWN)
    return Section("Before any measurement", lines) if lines else None


def _is_height(id_: str) -> bool:
    return id_.partition(":")[0] in ("setup", "target", "tripod", "reading")


def _left(words: Words) -> Section | None:
    facts = words.facts
    left = [h for h in facts["heights"] if not h["proved_after"]]
    if not left or facts["findings"] or _unexplained(facts):
        return None
    lines = []

    def names(some: list[Record]) -> str:
        return listing([thing(words, h["id"]) for h in some], NAMES_SHOWN)

    short, never = [h for h in left if h["reachable"]], [h for h in left if not h["reachable"]]
    if short:
        lines.append(f"For lack of minutes: {names(short)}.")
    again = [h for h in never if h["accused"] and _is_antenna(words, h["id"])]
    if again:
        lines.append(f"A repeat occupation of its mark, the height taped anew, takes the place of {names(again)}.")
    if never:
        lines.append(f"No measurement between marks and stands of this job proves: {names(never)}.")
    if facts["cut"]:
        many = f"{facts['candidates']:,}"
        lines.append(
            f"Only {many} candidates were weighed, those of the heights with most to hide: plan again after these."
        )
    return Section("What these do not prove", lines)


def _is_antenna(words: Words, id_: str) -> bool:
    return id_.startswith("setup:") and id_.partition(":")[2] in words.antennas


def _heights(words: Words) -> Section | None:
    facts, lengths = words.facts, words.lengths
    heights = facts["heights"]
    if not heights:
        return None

    def size(h: Record, fact: str) -> str:
        return claim(h["id"], fact, h[fact], "no limit" if h[fact] is None else lengths.column(h[fact]))

    order = sorted(heights, key=lambda h: (h["proved_before"], not h["accused"], -(h["before_mm"] or 1e9)))
    waits = bool(facts["findings"]) or _unexplained(facts)
    rows = [
        [
            thing(words, h["id"]), claim(h["id"], "verdict", h["verdict"], VERDICTS[h["verdict"]]),
            size(h, "before_mm"), size(h, "after_mm"), lengths.column(h["goal_mm"]),
            "waits" if waits and not h["proved_after"] else
            claim(h["id"], "proved_after", h["proved_after"], "proved" if h["proved_after"] else "NOT PROVED"),
        ]
        for h in order[:HEIGHTS_SHOWN]
    ]  # fmt: skip
    small = lengths.small_short
    lines = ["The smallest error that would show, now and after these steps."]
    if len(heights) > len(rows):
        lines.append(f"{HEIGHTS_SHOWN} of {len(heights):,}; all are in plan.json.")
    header = ["height ", "is now ", f"now, {small}", f"then, {small}", f"goal, {small}", "then "]
    return Section("Heights", [*lines, Table(header, rows)])
