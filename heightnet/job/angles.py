"""The text of an angle: degrees-minutes-seconds, packed ddd.mmss, decimal degrees, gon.

Angle text and angle number are separate things: the digits of a packed angle are split from its text, never from a
float (0.29 as a float becomes 28'100").
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

UNITS = ("dms", "packed", "deg", "gon")
FULL_CIRCLE = {"dms": 360, "packed": 360, "deg": 360, "gon": 400}

_SEPARATED = re.compile(
    r"([+-]?)(\d{1,3})\s*[-°ºd: ]\s*(\d{1,2})\s*[-'’′m: ]\s*(\d{1,2}(?:\.\d*)?)\s*(?:\"|''|’’|”|″|s)?", re.ASCII
)
_PACKED = re.compile(r"([+-]?)(\d{1,3})(?:\.(\d*))?", re.ASCII)
_TIDY_COLUMN = re.compile(r"(?:\d{1,3}-\d{1,2}-\d{1,2}(?:\.\d+)?\n)+", re.ASCII)
_TIDY_NUMBERS = re.compile(r"(?:\d+(?:\.\d*)?\n)+", re.ASCII)
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)", re.ASCII)
_DASHES = str.maketrans({"–": "-", "−": "-", "‑": "-", "\u00a0": " "})
_EXPECTED = {
    "dms": "degrees, minutes and seconds such as 92-14-35.5",
    "packed": "a packed angle ddd.mmss such as 92.14355 for 92°14'35.5\"",
    "deg": "decimal degrees such as 92.2432",
    "gon": "gon such as 102.4924",
}


def expected_angle(unit: str) -> str:
    """What an angle of this unit looks like, for messages."""
    return _EXPECTED[unit]


def looks_separated(text: str) -> bool:
    """Whether it is degrees, minutes and seconds by the way it is written."""
    return _SEPARATED.fullmatch(text.translate(_DASHES).strip()) is not None


def looks_packed(text: str) -> bool:
    """Whether a number may be packed degrees, minutes and seconds: four decimals or more, minutes and seconds below 60.

    >>> looks_packed("92.1435"), looks_packed("92.7435"), looks_packed("92.24")
    (True, False, False)
    """
    match = _PACKED.fullmatch(text.strip())
    digits = (match[3] or "") if match else ""
    return len(digits) >= 4 and int(digits[:2]) < 60 and int(digits[2:4]) < 60


def read_angle(text: str, unit: str) -> float:
    """An angle in radians from its text.

    Parameters
    ----------
    text : ``92-14-35.5``, ``92 14 35.5``, ``92:14:35.5`` or ``92°14'35.5"`` (dms); ``92.14355`` (packed);
        ``92.2432`` (deg); ``102.4924`` (gon).  A sign is read; whether it makes sense is the caller's to judge.
    unit : ``dms``, ``packed``, ``deg`` or ``gon``.

    Raises
    ------
    ValueError : the text is no angle of this unit; the message says what would be one.

    >>> import math
    >>> round(math.degrees(read_angle("92-14-35.5", "dms")), 7)
    92.2431944
    >>> read_angle("92.14355", "packed") == read_angle("92-14-35.5", "dms")
    True
    >>> round(math.degrees(read_angle("0.29", "packed")) * 60)
    29
    """
    if unit not in UNITS:
        raise ValueError(f"no such unit of angle: {unit!r}; the units are {', '.join(UNITS)}")
    clean = text.translate(_DASHES).strip()
    if unit == "dms":
        return _separated(clean)
    if unit == "packed":
        return _packed(clean)
    if not _NUMBER.fullmatch(clean):
        other = '; degrees, minutes and seconds are said by units.angle = "dms"' if _SEPARATED.fullmatch(clean) else ""
        raise ValueError(f"expected {_EXPECTED[unit]}{other}")
    return math.radians(float(clean)) if unit == "deg" else float(clean) * math.pi / 200


def _separated(text: str) -> float:
    match = _SEPARATED.fullmatch(text)
    if match is None:
        other = ""
        if _NUMBER.fullmatch(text):
            other = '; a plain number is said by units.angle = "deg", "packed" (ddd.mmss) or "gon"'
        raise ValueError(f"expected {_EXPECTED['dms']}{other}")
    sign, degrees, minutes, seconds = match.groups()
    return _sum(sign, int(degrees), int(minutes), float(seconds))


def _packed(text: str) -> float:
    match = _PACKED.fullmatch(text)
    if match is None:
        other = '; separated parts are said by units.angle = "dms"' if _SEPARATED.fullmatch(text) else ""
        raise ValueError(f"expected {_EXPECTED['packed']}{other}")
    sign, degrees, digits = match.groups()
    digits = (digits or "").ljust(4, "0")  # zeros at the end get lost on the way through spreadsheets
    minutes, seconds = int(digits[:2]), float(f"{digits[2:4]}.{digits[4:] or '0'}")
    if minutes >= 60 or seconds >= 60:
        raise ValueError(
            f"packed digits say {minutes} minutes and {seconds:g} seconds, both run from 0 to 59; "
            'decimal degrees are said by units.angle = "deg"'
        )
    return _sum(sign, int(degrees), minutes, seconds)


def _sum(sign: str, degrees: int, minutes: int, seconds: float) -> float:
    if minutes >= 60:
        raise ValueError(f"{minutes} minutes: minutes run from 0 to 59")
    if seconds >= 60:
        raise ValueError(f"{seconds:g} seconds: seconds run from 0 to 59.999")
    size = math.radians((degrees * 3600 + minutes * 60 + seconds) / 3600)
    return -size if sign == "-" else size


def read_angles(texts: Sequence[str], unit: str) -> npt.NDArray[np.float64]:
    """Angles of a whole column in radians, NaN where ``read_angle`` would complain or the text is blank.

    The same grammar as `read_angle` for the ordinary forms, at about a microsecond an angle.

    >>> [round(float(x), 6) for x in read_angles(["90-00-00", "", "90-61-00"], "dms")]
    [1.570796, nan, nan]
    """
    if unit in ("deg", "gon"):
        degrees = _floats(texts)
        return np.radians(degrees) if unit == "deg" else degrees * (math.pi / 200)
    if unit == "dms":
        tidy = _tidy(texts)
        if tidy is not None:
            return tidy
        match = _SEPARATED.fullmatch
        found = [m.groups() if (m := match(t)) else ("", "nan", "nan", "nan") for t in texts]
    else:
        match = _PACKED.fullmatch
        found = [_split_packed(m) if (m := match(t)) else ("", "nan", "nan", "nan") for t in texts]
    if not found:
        return np.zeros(0)
    sign, degrees_text, minutes_text, seconds_text = zip(*found, strict=True)
    deg, minute, sec = (np.array(part, dtype=np.float64) for part in (degrees_text, minutes_text, seconds_text))
    sec[(minute >= 60) | (sec >= 60)] = np.nan
    size = np.radians((deg * 3600 + minute * 60 + sec) / 3600)
    return np.where(np.array(sign) == "-", -size, size)


def _tidy(texts: Sequence[str]) -> npt.NDArray[np.float64] | None:
    """A column of dms angles with one kind of separator and no sign, all at once; None for any other."""
    column = "\n".join(texts) + "\n"
    for separator in " :°'":
        column = column.replace(separator, "-")
    column = column.replace('"', "")
    if not _TIDY_COLUMN.fullmatch(column):
        return None
    parts = np.array(list(map(float, column.replace("-", "\n").split()))).reshape(-1, 3)
    degrees, minutes, seconds = parts.T
    whole = np.radians((degrees * 3600 + minutes * 60 + seconds) / 3600)
    return np.where((minutes >= 60) | (seconds >= 60), np.nan, whole)


def _split_packed(match: re.Match[str]) -> tuple[str, str, str, str]:
    sign, degrees, digits = match.groups()
    digits = (digits or "").ljust(4, "0")
    return sign, degrees, digits[:2], f"{digits[2:4]}.{digits[4:]}"


def _floats(texts: Sequence[str]) -> npt.NDArray[np.float64]:
    if _TIDY_NUMBERS.fullmatch("\n".join(texts) + "\n"):
        return np.array(list(map(float, texts)), dtype=np.float64)
    match = _NUMBER.fullmatch
    return np.array([t if match(t) else "nan" for t in texts], dtype=np.float64)
