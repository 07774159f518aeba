"""What a comma in a number is: a decimal sign, or what stands between thousands.  A whole file decides it.

A cell may say so by itself (1,5 and 1.234,50 have a decimal comma; 1,234.50 has none), or its column by what it may
hold: an instrument stands 1,587 m over its mark with a decimal comma only.  Where neither says so a person is asked.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from heightnet.ledger.field import METRES
from heightnet.ledger.recorded import Column
from heightnet.ledger.settings import Units

FULL_CIRCLES = (0.0, 400.0)  # an angle in any unit
_LIKE_A_NUMBER = re.compile(r"[+-]?\d*[.,][\d.,]*", re.ASCII)
_OTHER = {",": ".", ".": ","}


def sign_of(cell: str) -> str:
    """Which decimal sign a number shows: "," or "."; "?" where it may be either, "" where it shows none.

    >>> [sign_of(text) for text in ("1,5", "1.234,50", "1,234.50", "1,234,567", "0,543", "1,543", "1543", "1,2,3")]
    [',', ',', '.', '.', ',', '?', '', '']
    """
    text = cell.strip().replace("−", "-").lstrip("+-")
    if not _LIKE_A_NUMBER.fullmatch(text):
        return ""
    last = "," if text.rfind(",") > text.rfind(".") else "."
    other = _OTHER[last]
    whole, _, digits = text.rpartition(last)
    if other in whole:
        return last if last not in whole and _grouped(whole, other) else ""
    if last in whole:
        return other if _grouped(text, last) else ""
    return "?" if len(digits) == 3 and 1 <= len(whole) <= 3 and not whole.startswith("0") else last


def _grouped(text: str, sign: str) -> bool:
    first, *groups = text.split(sign)
    return 1 <= len(first) <= 3 and first.isdigit() and all(len(g) == 3 and g.isdigit() for g in groups)


def number_text(cell: str, decimal: str, said: bool) -> str | None:
    """A cell as a number with a decimal point and nothing between thousands; None where the sign of the file does not
    fit it.

    decimal : the file's sign.  said : by a person, so that 1,234 beside decimal points is a thousand and more.

    >>> number_text("1,5", ",", False), number_text("1.234,5", ",", False), number_text("1,234.5", ".", False)
    ('1.5', '1234.5', '1234.5')
    >>> number_text("1,234", ".", False), number_text("1,234", ".", True), number_text("1,5", ".", True)
    (None, '1234', None)
    """
    sign = sign_of(cell)
    if sign == "?":
        used = "," if "," in cell else "."
        if used != decimal and not said:
            return None
    elif sign not in ("", decimal):
        return None
    return cell.replace(_OTHER[decimal], "").replace(decimal, ".")


@dataclass
class Places:
    """Where a sign was seen first: row, column of the sheet, cell."""

    shown: dict[str, tuple[int, int, str]] = field(default_factory=dict)
    likely: dict[str, tuple[int, int, str]] = field(default_factory=dict)
    open: tuple[int, int, str] | None = None

    @property
    def decided(self) -> str:
        """The sign that the cells show, else the one that what they may hold makes likely; "" for neither."""
        for places in (self.shown, self.likely):
            if len(places) == 1:
                return next(iter(places))
            if places:
                return ""
        return ""


def look(rows: Iterable[tuple[int, Sequence[str]]], columns: Mapping[int, Column], units: Units) -> Places:
    """What the cells of numeric columns show of the decimal sign.

    rows : numbers of the rows and their cells.  columns : those of the sheet that hold numbers, by their place.
    """
    found = Places()
    either: dict[int, list[tuple[int, str]]] = {i: [] for i in columns}
    for row, cells in rows:
        for i in columns:
            if i >= len(cells) or not ("," in cells[i] or "." in cells[i]):
                continue
            sign = sign_of(cells[i])
            if sign == "?":
                either[i].append((row, cells[i].strip()))
            elif sign:
                found.shown.setdefault(sign, (row, i, cells[i].strip()))
    for i, column in columns.items():
        low, high = _may_hold(column, units)
        for row, cell in either[i]:
            used = "," if "," in cell else "."
            if used == ",":
                found.open = found.open or (row, i, cell)
            as_decimal = low <= float(cell.replace(used, ".")) <= high
            as_thousands = low <= float(cell.replace(used, "")) <= high
            if as_decimal != as_thousands:
                found.likely.setdefault(used if as_decimal else _OTHER[used], (row, i, cell))
    return found


def _may_hold(column: Column, units: Units) -> tuple[float, float]:
    """Between which a column's numbers usually lie, in the unit they are written in."""
    if column.kind == "angle":
        return FULL_CIRCLES
    if column.within is None:
        return float("-inf"), float("inf")
    low, high = column.within.usual or (column.within.low, column.within.high)
    metre = METRES.get(units.length, 1.0) if column.kind == "length" else 1.0
    return low / metre, high / metre
