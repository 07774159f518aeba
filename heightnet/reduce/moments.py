"""When a reading was made, as far as the field book says it: before or after another of the same height."""

from __future__ import annotations

import re

Moment = tuple[str, str]

_WORDS = (("before", "start", "begin", "beginning"), ("after", "end", "finish"))


def moment(when: str) -> Moment | None:
    """A time that can be set against another of its kind: the words before and after, a date, or a time of day.

    >>> moment("After session 2"), moment("9:05"), moment("2026-05-04T09:05"), moment("in the afternoon")
    (('word', '1'), ('hour', '09:05'), ('date', '2026-05-04T09:05'), None)
    """
    first = when.split(maxsplit=1)[0].strip(",.:;").casefold() if when.strip() else ""
    for place, words in enumerate(_WORDS):
        if first in words:
            return "word", str(place)
    if re.match(r"\d{4}-\d{2}-\d{2}", when.strip()):
        return "date", when.strip()
    if hour := re.match(r"(\d{1,2}):(\d{2})(?!\d)", when.strip()):
        return "hour", f"{int(hour[1]):02d}:{hour[2]}"
    return None


def is_later(one: str, other: str) -> bool:
    """Whether ``one`` is said to be after ``other``.

    >>> is_later("after", "before"), is_later("before", "after"), is_later("after", "9:05")
    (True, False, False)
    """
    a, b = moment(one), moment(other)
    return a is not None and b is not None and a[0] == b[0] and a > b


def change_between(first: str, second: str, difference: float) -> float | None:
    """Height at the later time less that at the earlier, from first less second; None where the times do not say.

    >>> change_between("before", "after", 0.004), change_between("2026-05-04T11:10", "2026-05-04T08:05", 0.004)
    (-0.004, 0.004)
    >>> change_between("before", "11:10", 0.004) is None
    True
    """
    if is_later(second, first):
        return -difference
    return difference if is_later(first, second) else None
