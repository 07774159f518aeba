"""The next measurement in words: what to do, what is written down then, and what it would show."""

from __future__ import annotations

from heightnet.report.claims import capital, claim, name
from heightnet.report.numbers import count, listing
from heightnet.report.words import LITTLE, Words
from heightnet.rows import Record
from heightnet.tasks.measurements import AT_THE_STAND

SIGHT = ("slope distance", "zenith angle, face left", "zenith angle, face right", "by, time")
LEVELLED = ("backsight", "foresight", "backsight, second time", "foresight, second time", "by, time")
BOXES = {
    "second_tape": ("reading, metres", "reading, feet and inches", "held to (point)", "vertical or slant", "by, time"),
    "other_scale": ("reading", "scale", "by, time"),
    "other_person": ("reading", "scale", "held to (point)", "vertical or slant", "by, time"),
    "in_parts": ("mark to tripod head", "head to axis", "by, time"),
    "pole_shot": ("pole height", *SIGHT),
    "check_shot": ("target height", *SIGHT),
    "antenna_reoccupation": ("before, metres", "before, feet", "held to (point)", "after, metres", "by, from, to"),
    "reoccupation": ("reading, metres", "reading, feet and inches", "pole height", *SIGHT),
    "level_tie": LEVELLED,
    "relevel": LEVELLED,
    "look_up": ("height", "list, date or epoch", "mark as described", "by, time"),
}


def instruction(words: Words, step: Record, sure: bool = False) -> str:
    """A measurement as an instruction that can be followed; sure : that the stand is still there."""
    at, mark = name(step["from_mark"]), name(step["mark"] or "")
    match step["kind"]:
        case "look_up":
            source = f" ({name(step['source'])})" if step["source"] else ""
            asked = "the figure, the date, and which mark it is"
            return f"Look up the known height of {at} where it came from{source}: {asked}."
        case "level_tie":
            return f"Level from {at} to {mark}: no tape comes into it, and it can be done any day."
        case "relevel":
            return f"Level from {at} to {mark} again ({count(round(step['setups']), 'set-up')})."
        case "reoccupation":
            return f"Set up again over {at}, tape anew, and sight {_pole(step)} on {mark}."
        case "antenna_reoccupation":
            beside = f" together with one over {mark}" if mark != at else ""
            said = f"Put the antenna up again over {at}{beside}, tape it anew and observe again"
            return f"{said}: two tapings that share nothing."
    assert step["kind"] in AT_THE_STAND
    setup = step["setup"]
    stand = words.whose(step["stand"])
    if sure:
        stand = name(f"set-up {setup}{f' over {at}' if at != setup else ''}") if setup else stand
        return f"{capital(stand)}: {_at_the_stand(words, step, 'the height')}"
    over = f"{name(setup)} still stands over {at}" if setup else "it still stands"
    return f"If {over}: {_at_the_stand(words, step, stand)}"


def _at_the_stand(words: Words, step: Record, what: str) -> str:
    match step["kind"]:
        case "second_tape":
            return f"a second person tapes {what} in the other scale, and books before looking."
        case "other_scale":
            return f"read {what} again in the tape's other scale."
        case "other_person":
            return f"another person tapes {what}, told nothing before."
        case "in_parts":
            to = "the antenna's reference point" if words.is_antenna(step["stand"]) else "the axis"
            return f"tape {what} in two parts, mark to tripod head and head to {to}."
        case "check_shot":
            return f"sight {_pole(step)} on the known mark {name(step['mark'])}; no tape comes into it."
    return f"sight {_pole(step)} on mark {name(step['mark'])}, a second way to it."


def _pole(step: Record) -> str:
    """What is sighted, where it is known what there is."""
    if not step.get("pole"):
        return "a pole of known height"
    measured = "which may itself be wrong and is measured first," if step["pole_doubted"] else "its height read anew,"
    return f"{name(step['pole'])}, {measured}"


def gain(words: Words, record: Record) -> str:
    """What a measurement would prove."""
    of, after = f"step:{record['order']}", record["found_after_mm"]
    proves = listing(record["proves"], 2, called=words.label)
    about = record["tests"] if record["tests"] in record["proves"] or not proves else record["proves"][0]
    before = (words.records.get(about) or {}).get("smallest_found_mm")
    about_mm = words.lengths.about
    if after is None or (before is not None and about_mm(before) == about_mm(min(before, after))):
        return f"It tests {proves or words.label(about)}."
    now = "today one of any size could hide"
    if before is not None:
        now = f"today one of {words.size(about, 'smallest_found_mm', before)} could hide"
    shown = "" if record["proves"] in ([], [record["stand"]]) and record["tests"] == record["stand"] else proves
    shown = f" in {shown or words.label(record['tests'])}"
    after_ = claim(of, "found_after_mm", after, about_mm(after))
    earlier = record["found_before_mm"] if about == record["tests"] else None
    shared = before is not None and earlier is not None and earlier < LITTLE * before
    then = "Together with what comes before it" if shared else "Then"
    return f"{then} an error of {after_}{shown} would show; {now}."
