"""The text of a tape reading: metres, millimetres, decimal feet, feet with inches and fractions.

A general units library reads 5' 3 1/4" as 3.75; this grammar knows how tapes are read.  The text also says how finely
the tape was read, which is what a slip of the eye is measured in.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from fractions import Fraction

INCH = 0.0254  # m, exactly
SCALES = {"m": 1.0, "mm": 0.001, "ft": 0.3048, "ftUS": 1200 / 3937, "ftin": 12 * INCH}
LONGEST_M = 100.0  # nobody tapes a stand higher than this; more is a slip of scale

_SUFFIXES = {
    "m": r"m|metres?|meters?",
    "mm": r"mm",
    "ft": r"ft\.?|feet|foot|'",
    "ftUS": r"ft\.?|ftUS|feet|foot|'",
}
_DECIMAL = {
    scale: re.compile(rf"(\d+|\d*\.\d+|\d+\.)\s*(?:{suffix})?", re.ASCII | re.IGNORECASE)
    for scale, suffix in _SUFFIXES.items()
}
_INCHES = r"(?P<inches>\d{1,2}(?:\.\d+)?(?![\d./]))?[\s-]*(?P<fraction>\d{1,2}\s*/\s*\d{1,2})?"
_INCH_MARK = r"\s*(?P<mark>\"|''|in\.?|inch(?:es)?)"
_FOOT_MARK = r"(?P<foot>'|ft\.?|feet|foot)"
_FEET_INCHES = re.compile(
    rf"(?P<feet>\d{{1,3}})(?:\s*{_FOOT_MARK}\s*-?\s*|\s*-\s*|\s+)(?!$){_INCHES}(?:{_INCH_MARK})?",
    re.ASCII | re.IGNORECASE,
)
_FEET_ONLY = re.compile(r"(?P<feet>\d{1,3})\s*(?:'|ft\.?|feet|foot)", re.ASCII | re.IGNORECASE)
_INCHES_ONLY = re.compile(rf"(?!\s*\D){_INCHES}{_INCH_MARK}", re.ASCII | re.IGNORECASE)
_FRACTION_BEHIND = re.compile(r"(\d)\s*(?:\"|'')\s*(\d{1,2}\s*/\s*\d{1,2})$", re.ASCII)  # 5'0"7/8
_PLAIN_NUMBER = re.compile(r"\d*\.?\d+|\d+\.", re.ASCII)
_QUOTES = str.maketrans({"’": "'", "′": "'", "‘": "'", "”": '"', "″": '"', "“": '"', "–": "-", "−": "-", "⁄": "/"})


@dataclass(frozen=True)
class TapeText:
    """A tape reading as read.

    Parameters
    ----------
    metres : the length read.
    unit : the smallest step the text was read to, in metres: the last decimal place, the fraction of an inch.
    scale : "m", "mm", "ft", "ftUS" or "ftin".
    feet, inches, fraction : the parts of a feet-and-inches reading, None on other scales.  Inches may carry a decimal
        (2.5); the fraction is 0 where none was written.
    """

    metres: float
    unit: float
    scale: str
    feet: int | None = None
    inches: float | None = None
    fraction: Fraction | None = None


def read_tape(text: str, scale: str) -> TapeText:
    """A tape reading from its text.

    Parameters
    ----------
    text : as written in the field book: ``1.586``, ``1586``, ``5.203``, ``5' 2 7/16"``, ``5-2 7/16``.
    scale : ``m``, ``mm``, ``ft`` (0.3048 m), ``ftUS`` (1200/3937 m) or ``ftin`` (feet, inches and fractions of the
        international foot).

    Raises
    ------
    ValueError : the text is no reading on this scale; the message says what would be one.

    >>> read_tape("1.586", "m").metres
    1.586
    >>> r = read_tape("5' 2 7/16\\"", "ftin")
    >>> round(r.metres, 6), r.feet, r.inches, r.fraction, round(r.unit, 7)
    (1.585913, 5, 2, Fraction(7, 16), 0.0015875)
    >>> read_tape("5-2 7/16", "ftin") == r
    True
    """
    if scale not in SCALES:
        raise ValueError(f"no such scale: {scale!r}; the scales are {', '.join(SCALES)}")
    clean = _plain(text)
    if not clean:
        raise ValueError("the reading is blank")
    if len(clean) > 40:
        raise ValueError("a tape reading is short")
    if clean.startswith("-") or clean.startswith("+"):
        raise ValueError("a tape reading has no sign; a measuring point above the axis is said by a negative offset_mm")
    reading = _feet_and_inches(clean) if scale == "ftin" else _decimal(clean, scale)
    if reading.metres <= 0:
        raise ValueError("a tape reading is more than zero")
    if reading.metres >= LONGEST_M:
        cause = "; millimetres are said by scale mm" if scale == "m" else ""
        raise ValueError(f"a height of {reading.metres:.1f} m is not taped{cause}")
    return reading


def _plain(text: str) -> str:
    """Typographic quotes, dashes and ready-made fractions as the plain characters people type."""
    out = []
    for char in text.translate(_QUOTES):
        if unicodedata.category(char) == "No" and "/" in (
            plain := unicodedata.normalize("NFKD", char).replace("⁄", "/")
        ):
            out.append(f" {plain} ")
        else:
            out.append(char)
    return " ".join("".join(out).split()).replace(' "', '"')


def _decimal(text: str, scale: str) -> TapeText:
    match = _DECIMAL[scale].fullmatch(text)
    if match is None:
        raise ValueError(_decimal_help(text, scale))
    digits = match[1]
    places = len(digits.partition(".")[2])
    size = SCALES[scale]
    return TapeText(float(digits) * size, 10.0**-places * size, scale)


def _decimal_help(text: str, scale: str) -> str:
    names = {"m": "metres", "mm": "millimetres", "ft": "decimal feet", "ftUS": "decimal US survey feet"}
    expected = (
        f"a reading in {names[scale]} looks like {'1586' if scale == 'mm' else '1.586' if scale == 'm' else '5.203'}"
    )
    if "," in text:
        return f"{expected}, with a decimal point"
    if _FEET_INCHES.fullmatch(text) or _FEET_ONLY.fullmatch(text) or _INCHES_ONLY.fullmatch(text):
        return f"{expected}; feet and inches are said by scale ftin"
    return expected


def _feet_and_inches(text: str) -> TapeText:
    expected = "feet and inches look like 5' 2 7/16\" or 5-2 7/16"
    text = _FRACTION_BEHIND.sub(r'\1 \2"', text)
    if only := _FEET_ONLY.fullmatch(text):
        feet = int(only["feet"])
        return TapeText(feet * 12 * INCH, 12 * INCH, "ftin", feet, 0, Fraction(0))
    match = _FEET_INCHES.fullmatch(text)
    if match and match["inches"] is None and not match["foot"]:
        if not match["mark"]:
            # 5-7/16 and 5 7/16 are five feet and a fraction to one person, five inches and a fraction to another
            feet_text, part = match["feet"], match["fraction"]
            raise ValueError(f"{text!r} may be feet or inches; write {feet_text}-0 {part} or 0-{feet_text} {part}")
        match = None
    match = match or _INCHES_ONLY.fullmatch(text)
    if match is None or (match["inches"] is None and match["fraction"] is None):
        if _PLAIN_NUMBER.fullmatch(text):
            raise ValueError(f"{expected}; a decimal number of feet is said by scale ft")
        raise ValueError(expected)
    parts = match.groupdict()
    feet = int(parts.get("feet") or 0)
    inches_text, fraction_text = parts["inches"] or "0", parts["fraction"] or ""
    inches: float = float(inches_text) if "." in inches_text else int(inches_text)
    fraction, unit_inch = Fraction(0), 10.0 ** -len(inches_text.partition(".")[2])
    if fraction_text:
        num, den = (int(n) for n in fraction_text.split("/"))
        if den not in (2, 4, 8, 16, 32, 64):
            raise ValueError(
                f"{fraction_text}: a tape is divided into halves, quarters, eighths, 16ths, 32nds or 64ths"
            )
        if num >= den:
            raise ValueError(f"{fraction_text}: the fraction of an inch is less than one")
        if "." in inches_text:
            raise ValueError(f"{text!r} has a decimal and a fraction of an inch")
        fraction, unit_inch = Fraction(num, den), 1 / den
    if inches >= 12 and "feet" in parts:
        raise ValueError(f"{inches:g} inches: inches after feet run from 0 to 11; 12 inches are the next foot")
    exact = Fraction(inches_text) + fraction + 12 * feet
    return TapeText(float(exact * Fraction(254, 10000)), unit_inch * INCH, "ftin", feet, inches, fraction)
