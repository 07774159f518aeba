"""When something was done, as far as the field book says it: before or after another."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime, time, timedelta, timezone

Moment = tuple[str, str]

_WORDS = (("before", "start", "begin", "beginning"), ("after", "end", "finish"))
_HOUR = r"(\d{1,2}):(\d{2})(?!\d)(?::(\d{2})(?!\d)(\.\d{1,6})?)?(?:\s*([ap])\.?m\b)?"
_TIME = re.compile(_HOUR, re.IGNORECASE | re.ASCII)
_DATE = re.compile(
    rf"(\d{{4}}-\d{{2}}-\d{{2}})(?!\d)(?:[T\s,]+{_HOUR}\s*(?:(Z)\b|([+-])(\d{{2}}):?(\d{{2}}))?)?(.*)",
    re.IGNORECASE | re.ASCII | re.DOTALL,
)


def moment(when: str) -> Moment | None:
    """A time that can be set against another of its kind: the words before and after, a date, or a time of day.

    A date with an offset from UTC is of a kind of its own; a date alone is that day, some time in it.

    >>> moment("After session 2"), moment("9:05"), moment("1:05 pm"), moment("in the afternoon")
    (('word', '1'), ('hour', '09:05:00'), ('hour', '13:05:00'), None)
    >>> moment("2026-05-04 9:05"), moment("2026-05-04"), moment("2026-05-04T09:05:30+02:00"), moment("2026-02-30")
    (('date', '2026-05-04T09:05:00'), ('date', '2026-05-04'), ('date in UTC', '2026-05-04T07:05:30'), None)
    """
    text = when.strip()
    first = text.split(maxsplit=1)[0].strip(",.:;").casefold() if text else ""
    for place, words in enumerate(_WORDS):
        if first in words:
            return "word", str(place)
    try:
        if found := _DATE.match(text):
            return _date(found)
        if found := _TIME.match(text):
            return "hour", _hour(found.groups()).isoformat()
    except (ValueError, OverflowError):  # no 30 February, no 25 o'clock
        pass
    return None


def _date(found: re.Match[str]) -> Moment | None:
    day, *hour, utc, sign, hours, minutes, rest = found.groups()
    date = datetime.fromisoformat(day)
    if hour[0] is None:  # digits behind a date may be a time in a form that is not known
        return None if re.search(r"\d", rest) else ("date", day)
    at = datetime.combine(date, _hour(hour))
    if not (utc or sign):
        return "date", at.isoformat()
    offset = timedelta(hours=int(hours or 0), minutes=int(minutes or 0)) * (-1 if sign == "-" else 1)
    zoned = at.replace(tzinfo=timezone(offset))
    return "date in UTC", zoned.astimezone(UTC).replace(tzinfo=None).isoformat()


def _hour(parts: Sequence[str | None]) -> time:
    hour, minute, second, fraction, half = parts
    number = int(hour or 0)
    if half:
        if not 1 <= number <= 12:
            raise ValueError(f"{number} o'clock of half a day")
        number = number % 12 + 12 * (half in "pP")
    return time(number, int(minute or 0), int(second or 0), round(float(fraction or 0) * 1e6) % 1_000_000)


def holds(one: str, other: str) -> bool:
    """Whether the first, as `moment` has it, is the day of the second: neither is before the other."""
    return one != other and other.startswith(f"{one}T")


def is_later(one: str, other: str) -> bool:
    """Whether ``one`` is said to be after ``other``.

    >>> is_later("after", "before"), is_later("before", "after"), is_later("after", "9:05")
    (True, False, False)
    >>> is_later("2026-05-04T10:05", "2026-05-04 9:05"), is_later("2026-05-04T10:05", "2026-05-04")
    (True, False)
    """
    a, b = moment(one), moment(other)
    return a is not None and b is not None and a[0] == b[0] and a > b and not holds(b[1], a[1])


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
