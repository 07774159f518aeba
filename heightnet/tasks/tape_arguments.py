"""Readings as typed on the command line: a length with its unit, and behind commas how it was measured."""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal

from heightnet.errors import InputErrors, InputProblem
from heightnet.job.tapes import INCH, read_tape
from heightnet.ledger.ranges import OFFSET_MM, RADIUS_MM
from heightnet.reduce.reading import Reading

BARE_UP_TO_M = 2.5  # a number without a unit is metres if it could be a height in metres

_US_FEET = r"ftus|us\s*ft\.?|us\s*(?:survey\s*)?f(?:ee|oo)t"
_NUMBER = r"\d+(?:\.\d*)?|\.\d+"
_UNIT = re.compile(rf"({_NUMBER})\s*(mm|cm|m|{_US_FEET}|ft\.?|feet|foot|')", re.IGNORECASE)
_THOUSANDS = re.compile(r"\s*(\d{1,3}),(\d{3})(?=\s*mm)", re.IGNORECASE)
_DECIMAL_COMMA = re.compile(r"\s*(\d+),(\d+)")
_BARE = re.compile(_NUMBER)
_NAMES = {"mm": "mm", "m": "m"}


def read_arguments(
    texts: Sequence[str], *, slant: bool = False, radius: str = "", offset: str = "", scale: str = ""
) -> list[Reading]:
    """Readings from what was typed; the options hold for every reading that does not say otherwise behind a comma.

    Raises
    ------
    InputErrors : everything that could not be understood, at once.

    >>> [round(r.height, 4) for r in read_arguments(["1.343 + 0.243", "1.592, slant, radius 100mm, offset -3 mm"])]
    [1.586, 1.5859]
    """
    problems: list[InputProblem] = []
    readings = []
    common = {"radius": radius, "offset": offset}
    for number, text in enumerate(texts, start=1):
        try:
            readings.append(_read_one(text, slant, common, scale))
        except _NotUnderstood as error:
            problems.append(InputProblem(f"reading {number}", None, "", error.read, error.expected, error.cause))
    if problems:
        raise InputErrors(problems)
    return readings


class _NotUnderstood(Exception):
    def __init__(self, read: str, expected: str, cause: str = ""):
        self.read, self.expected, self.cause = read, expected, cause


def _read_one(text: str, slant: bool, common: dict[str, str], scale: str) -> Reading:
    # 1,546 is 1.546 m to one and 1546 mm to another, and both are right; 1,546mm can only be the latter
    text = _DECIMAL_COMMA.sub(r"\1.\2", _THOUSANDS.sub(r"\1\2", text, count=1), count=1)
    shown, *said = [part.strip() for part in text.split(",")]
    own = dict(common)
    for option in said:
        word, _, value = option.partition(" ")
        if word in ("slant", "vertical") and not value:
            slant = word == "slant"
        elif word in ("radius", "offset") and value:
            own[word] = value
        else:
            raise _NotUnderstood(option, "slant, vertical, radius 100mm or offset 52mm behind the comma")
    pieces = [piece.strip() for piece in shown.split("+")]
    lengths = [_length(piece, scale) for piece in pieces]
    total = sum(length for length, _ in lengths)
    scales = list(dict.fromkeys(name for _, name in lengths))
    if len(scales) > 1:
        raise _NotUnderstood(shown, "all parts in one scale")
    up = _signed(own["offset"], "offset") if own["offset"] else 0.0
    out = _signed(own["radius"], "radius") if own["radius"] else 0.0
    for name, size, within in (("radius", out, RADIUS_MM), ("offset", up, OFFSET_MM)):
        if not within.holds(size * 1000):
            article = "an" if name == "offset" else "a"
            raise _NotUnderstood(own[name], f"{article} {name} {within.span}")
    clean = " + ".join(pieces) if scales[0] == "ftin" else " + ".join(_digits(piece) for piece in pieces)
    if len(pieces) > 1:
        if slant:
            raise _NotUnderstood(shown, "one length for a slant", "Parts that add up are measured upright.")
        return Reading(clean, total, scales[0], "parts", 0.0, up, parts=tuple(length for length, _ in lengths))
    if not slant:
        return Reading(clean, total, scales[0], "vertical", out, up)
    if not out:
        raise _NotUnderstood(shown, "a radius for a slant, such as --radius 100mm")
    if total <= out:
        cause = f"The radius read is {own['radius']}."
        raise _NotUnderstood(shown, "a slant longer than its radius", cause)
    return Reading(clean, total, scales[0], "slant", out, up)


def _length(text: str, scale: str) -> tuple[float, str]:
    """Metres and scale of one length."""
    name = _scale_of(text, scale)
    try:
        return read_tape(_digits(text) if name != "ftin" else text, name).metres, name
    except ValueError as error:
        said = str(error)
        raise _NotUnderstood(text, "a tape reading", f"{said[:1].upper()}{said[1:]}.") from None


def _scale_of(text: str, scale: str) -> str:
    if unit := _UNIT.fullmatch(text):
        name = " ".join(unit[2].lower().split())
        if name == "cm":
            return "m"
        if name.startswith("us") or name == "ftus":
            return "ftUS"
        if name == "'" and "." not in text:
            return "ftin"
        return _NAMES.get(name, "ft")
    if not _BARE.fullmatch(text):
        return "ftin"
    if scale:
        return scale
    number = float(text)
    if "." in text and number <= BARE_UP_TO_M:
        return "m"
    as_feet = f"{text}ft" if number < 30 else f"{text}mm"
    raise _NotUnderstood(text, f"a unit, {as_feet} or {text}m", "Without one, only a height in metres is understood.")


def _digits(text: str) -> str:
    """The number alone; of centimetres that of the metres.

    >>> _digits("154.6cm"), _digits("5.07 US ft")
    ('1.546', '5.07')
    """
    number = _BARE.match(text)
    if number and text[number.end() :].strip().lower() == "cm":
        return str(Decimal(number.group()).scaleb(-2))
    return number.group() if number else text


def _signed(text: str, what: str) -> float:
    """A length with its unit and perhaps a sign, m."""
    size = text.strip()
    sign = -1.0 if size[:1] in ("-", "−") else 1.0
    size = size.lstrip("+-− ").strip()
    unit = _UNIT.fullmatch(size)
    if unit and unit[2].lower() == "cm":
        return sign * float(unit[1]) * 0.01
    if unit and unit[2].lower() in ("mm", "m"):
        return sign * float(unit[1]) * (0.001 if unit[2].lower() == "mm" else 1.0)
    inches = re.fullmatch(rf'({_NUMBER})\s*(?:"|in\.?)', size)
    if inches:
        return sign * float(inches[1]) * INCH
    try:
        return sign * read_tape(_digits(size) if unit else size, "ft" if unit else "ftin").metres
    except ValueError:
        article = "an" if what == "offset" else "a"
        raise _NotUnderstood(text, f'{article} {what} with its unit: 100mm, 0.1m, 0.33ft or 3 15/16"') from None
