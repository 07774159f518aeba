"""The field sheet: what to observe again, where and why, with boxes for what is read."""

from __future__ import annotations

from dataclasses import dataclass

from heightnet.report.story import accusations
from heightnet.report.words import Words

STEPS = 8  # one printed page


@dataclass(frozen=True)
class Step:
    what: str
    why: str
    boxes: list[str]


SIGHT = ["slope distance", "zenith angle, face left", "zenith angle, face right", "by, time"]
BOXES = {
    "second_tape": ["reading, metres", "reading, feet and inches", "held to (point)", "vertical or slant", "by, time"],
    "pole_shot": ["pole height", *SIGHT],
    "check_shot": ["target height", *SIGHT],
    "antenna_reoccupation": ["before, metres", "before, feet", "held to (point)", "after, metres", "by, from, to"],
    "level_tie": ["backsight", "foresight", "backsight, second time", "foresight, second time", "by, time"],
}


def steps(words: Words) -> list[Step]:
    """The steps in the order to take them; first the field book, where something is accused."""
    found = []
    for one in accusations(words)[:2]:
        label = words.label(one.ids[0])
        found.append(
            Step(
                f"Field book: look up {label}.",
                f"It is suspected: {words.error(one.ids[0], one.error_mm, one.error_sd_mm)}.",
                ["booked", "which point, which scale", "who, when"],
            )
        )
    for record in words.facts["next_measurements"][: STEPS - len(found)]:
        found.append(
            Step(
                words.measurement(record),
                words.measurement_gain(record),
                BOXES[record["kind"]],
            )
        )
    return found
