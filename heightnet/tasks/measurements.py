"""The measurements that are proposed to a field party: one list of kinds, what each takes and what it is good for."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from heightnet.errors import WrongSettings
from heightnet.ledger.ranges import MINUTES
from heightnet.ledger.thing import Thing
from heightnet.rows import Record

WHY = {
    "second_tape": "read the height again, by another person or in another scale, before the stand is taken down",
    "other_scale": "read the tape's other scale: it shows a misread figure or a mixed-up scale, not a wrong point",
    "other_person": "another person tapes anew: it shows a misreading and a wrong point, if nothing is said before",
    "in_parts": "tape mark to tripod head and head to axis apart: it shows a wrong point, a slant and a wrong hook",
    "pole_shot": "sight a pole of known length on the mark: a second, independent way from this set-up to it",
    "check_shot": "sight a pole of known length on the known mark: it gives the instrument height without the tape",
    "antenna_reoccupation": "put the antenna up anew, tape it anew and observe again: two tapings that share nothing",
    "level_tie": "level between the two marks: it bypasses the tape, and works after the set-up is gone",
    "reoccupation": "set up there again, tape anew and sight the mark: it works after the set-up is gone",
    "look_up": "look the height up where it came from: a wrong figure, another list or another mark shows at the desk",
    "relevel": "level that stretch again: it differs from the old levelling where that is wrong",
}
BY_TAPE = ("second_tape", "other_scale", "other_person", "in_parts")
SIGHTED = ("check_shot", "pole_shot", "reoccupation")
"""What a pole is put up for."""
AT_THE_STAND = (*BY_TAPE, "check_shot", "pole_shot")
"""What can be done only while the stand is still there."""

WALKING = 15.0  # minutes a kilometre: 4 km/h with the equipment carried, common practice


def _takes(minutes: float, what: str) -> Any:
    return field(default=minutes, metadata={"what": what})


@dataclass(frozen=True)
class Minutes:
    """What each kind of measurement takes, in minutes; all are settings of the person who plans."""

    other_scale: float = _takes(1.0, "reading the tape's other scale")
    other_person: float = _takes(2.0, "a second taping by another person")
    in_parts: float = _takes(3.0, "a second taping in parts")
    check_shot: float = _takes(4.0, "a shot to a pole on a known mark")
    pole_shot: float = _takes(5.0, "a shot to a pole on another mark")
    level_tie: float = _takes(15.0, "levelling between two marks")
    reoccupation: float = _takes(20.0, "setting up again over a mark")
    antenna_reoccupation: float = _takes(40.0, "putting an antenna up again and observing")
    look_up: float = _takes(5.0, "looking a known height up in its list")
    relevel: float = _takes(5.0, "each set-up of a stretch levelled again")

    def __post_init__(self) -> None:
        """Raises WrongSettings for what are no minutes."""
        wrong = {name: value for name, value in asdict(self).items() if not MINUTES.takes(value)}
        if wrong:
            raise WrongSettings(
                "\n".join(f"{name}: read {value}, expected {MINUTES}." for name, value in wrong.items())
            )


def measurement(
    order: int, kind: str, stand: str | None, from_mark: str, mark: str, **more: Any
) -> Record:  # fmt: skip
    """A measurement as every task gives it; ``stand``: whose height it is about, None of a stretch of levelling."""
    thing = Thing.of(stand) if stand else None
    setup = thing.name if thing and thing.kind == "setup" else None
    named = {"order": order, "kind": kind, "stand": stand, "setup": setup, "from_mark": from_mark, "mark": mark}
    return {**named, "why": WHY[kind], **more}
