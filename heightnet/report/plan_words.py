"""The plan of measurements as a field sheet, in words."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from heightnet.report.document import Document, Part, Table
from heightnet.report.numbers import Lengths, count, listing

Record = dict[str, Any]

STAND_KINDS = {"setup": "instrument height", "target": "target height", "tripod": "height of"}
HEIGHTS_SHOWN = 40


def name(id_: str, antennas: Collection[str] = ()) -> str:
    """``setup:S4`` -> "instrument height S4"."""
    kind, _, stand = id_.partition(":")
    if kind == "setup" and stand in antennas:
        return f"antenna height {stand}"
    return f"{STAND_KINDS.get(kind, kind)} {stand}"


def instruction(step: Record, antennas: Collection[str] = ()) -> str:
    """What to do."""
    stand, at, mark = step["stand"].partition(":")[2], step["from_mark"], step["mark"]
    over = f" over {at}" if at != stand else ""
    match step["kind"]:
        case "other_scale":
            return f"{stand}{over}: read the height again in the tape's other scale."
        case "other_person":
            return f"{stand}{over}: another person tapes the height, told nothing before."
        case "in_parts":
            to = "the antenna's reference point" if stand in antennas else "axis"
            return f"{stand}{over}: tape the height in two parts, mark to tripod head and head to {to}."
        case "check_shot":
            return f"From {stand}{over}: shoot a pole of known length on the known mark {mark}."
        case "pole_shot":
            return f"From {stand}{over}: shoot a pole of known length on mark {mark}."
        case "reoccupation":
            return f"Set up again over {at}, tape anew, and shoot a pole on {mark}."
        case "antenna_reoccupation":
            beside = f" together with one over {mark}" if mark != at else ""
            return f"Put the antenna up again over {at}{beside}, tape anew by another point, and observe again."
    return f"Level from {at} to {mark}."


BOXES = {
    "other_scale": "reading ______ scale ____ by ____",
    "other_person": "reading ______ scale ____ by ____",
    "in_parts": "mark to head ______ head to axis ______ by ____",
    "check_shot": "pole ______ distance ________ zenith L ________ R ________",
    "pole_shot": "pole ______ distance ________ zenith L ________ R ________",
    "reoccupation": "height ______ pole ______ distance ________ zenith L ________ R ________",
    "antenna_reoccupation": "before ______ point ______ after ______ by ____",
    "level_tie": "BS ______ FS ______ second time BS ______ FS ______",
}


def plan_document(facts: Record) -> Document:
    """The facts as a field sheet."""
    lengths = Lengths(facts["job"]["length_unit"])
    title = (facts["job"]["title"] or facts["job"]["name"]).replace("(invented)", "").strip()
    heights, steps = facts["heights"], facts["steps"]
    left = [h for h in heights if not h["proved_after"]]
    tone = "sound" if heights and not left else "doubtful"
    parts = [p for p in (_sheet(facts, lengths), _left(facts, lengths), _heights(facts, lengths)) if p]
    foot = "Minutes are settings: " + ", ".join(f"{k.replace('_', ' ')} {v:g}" for k, v in facts["minutes"].items())
    head = _headline(facts, lengths, len(heights), len(left), len(steps))
    says = "What to measure" if facts["steps"] else "Nothing to measure"
    return Document(title, tone, head, parts, facts["job"]["invented"], f"{foot}.", says)


def _headline(facts: Record, lengths: Lengths, all_: int, left: int, steps: int) -> str:
    limit = lengths.about(facts["tolerance_mm"])
    if not all_:
        return "There is no taped height in this job: nothing to prove."
    if not steps and not left:
        return f"Every height is proved to {limit} already: no more measurements are needed."
    if not steps:
        return f"{count(left, 'height')} cannot be proved to {limit} by any measurement that this job allows."
    done = f"{count(steps, 'measurement')}, {facts['total_min']:g} minutes"
    if left:
        return f"{done}: then {count(all_ - left, 'height')} of {all_} {_are(all_ - left)} proved to {limit}."
    return f"{done}: then every height is proved to {limit}."


def _are(number: int) -> str:
    return "is" if number == 1 else "are"


def _sheet(facts: Record, lengths: Lengths) -> Part | None:
    if not facts["steps"]:
        return None
    lines = []
    for step in facts["steps"]:
        says = []
        for gain in [g for g in step["improves"] if g["id"] in step["proves"]] or step["improves"][:2]:
            now = "an error of any size" if gain["before_mm"] is None else lengths.about(gain["before_mm"])
            then = "any size" if gain["after_mm"] is None else lengths.about(gain["after_mm"])
            says.append(f"{name(gain['id'], facts['antennas'])} ({now} could hide, then {then})")
        proof = "Proves" if step["proves"] else "A step towards proving"
        what = instruction(step, facts["antennas"])
        lines.append(f"[ ] {step['order']}. {what} {step['minutes']:g} min ({step['minutes_so_far']:g}).")
        lines.append(f"    {proof} {listing(says, 3)}.")
        lines.append(f"    {BOXES[step['kind']]}")
    for why in dict.fromkeys(step["why"] for step in facts["steps"]):
        lines.append(f"Why: {why}.")
    return Part("Field sheet", lines)


def _left(facts: Record, lengths: Lengths) -> Part | None:
    left = [h for h in facts["heights"] if not h["proved_after"]]
    if not left:
        return None
    lines = []
    short = [name(h["id"], facts["antennas"]) for h in left if h["reachable"]]
    never = [name(h["id"], facts["antennas"]) for h in left if not h["reachable"]]
    if short:
        lines.append(f"For lack of minutes: {listing(short, 8)}.")
    gone = [h["id"] for h in left if not h["reachable"] and h["accused"] and _is_antenna(h["id"], facts)]
    if gone:
        names = listing([name(id_, facts["antennas"]) for id_ in gone], 8)
        lines.append(f"A repeat occupation of its mark, the height taped anew, takes the place of {names}.")
    if never:
        lines.append(f"No measurement between marks and stands of this job proves: {listing(never, 8)}.")
    if facts["cut"]:
        many = f"{facts['candidates']:,}"
        lines.append(
            f"Only {many} candidates were weighed, those of the heights with most to hide: plan again after these."
        )
    return Part("What stays unproved", lines)


def _is_antenna(id_: str, facts: Record) -> bool:
    return id_.startswith("setup:") and id_.partition(":")[2] in facts["antennas"]


def _heights(facts: Record, lengths: Lengths) -> Part | None:
    heights = facts["heights"]
    if not heights:
        return None

    def size(mm: float | None) -> str:
        return "no limit" if mm is None else lengths.column(mm)

    order = sorted(heights, key=lambda h: (h["proved_before"], -(h["before_mm"] or 1e9)))
    rows = [
        [
            name(h["id"], facts["antennas"]), size(h["before_mm"]), size(h["after_mm"]), lengths.column(h["goal_mm"]),
            ("accused; " if h["accused"] else "") + ("proved" if h["proved_after"] else "NOT PROVED"),
        ]
        for h in order[:HEIGHTS_SHOWN]
    ]  # fmt: skip
    small = lengths.small_short
    more = len(heights) - len(rows)
    lines = ["The smallest error that would show, now and after these steps."]
    if more > 0:
        lines.append(f"{HEIGHTS_SHOWN} of {len(heights)}; all are in plan.json.")
    return Part("Heights", lines, Table(["height ", f"now {small}", f"then {small}", f"goal {small}", " "], rows))
