"""What two reports show, compared: `differences` says in words where one is not the other.

The last bits of floating point differ between processors and versions of libraries, so bytes are no measure.  Words
and structure must agree exactly, and so must numbers that count or name (set-ups, rows, dates).  A number that
measures (one with a decimal point, or a whole one before a unit, ± or %) may differ by one unit of its last digit.

Every kind of file becomes a list of `Piece`, so nothing here knows what a report is about.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator
from decimal import Decimal
from difflib import SequenceMatcher
from html.parser import HTMLParser
from pathlib import Path
from typing import Any, NamedTuple

NUMBER = re.compile(r"(?<![\w.,:/#-])(?:(?<![^\s(=>±])[-+−])?\d+(?:,\d{3})*(?:\.\d+)?(?:[eE][-+]?\d+)?(?!\w|[.,:/-]\d)")
MEASURED = re.compile(r"\s?(?:±|%|°|mm\b|m\b|km\b|ft\b|US\b)")
DRAWN = ("d", "points", "viewBox")  # attributes that are lists of places on a sheet
AROUND = 45  # characters shown on either side of a difference


class Piece(NamedTuple):
    """Something shown: where it stands, in words, and what it says.

    ``padded``: it shows as many digits as it has (``5.30``), so that the number of digits is something shown as well.
    """

    where: str
    says: str
    padded: bool

    @property
    def frame(self) -> tuple[str, str]:
        """What must agree exactly: all but the numbers."""
        return NUMBER.sub("#", self.where), NUMBER.sub("#", self.says)


def differences(kept: Path, now: Path) -> list[str]:
    """Every difference between two folders of reports, PNG pictures left out; empty where they show the same."""
    found = []
    names = {path.relative_to(root) for root in (kept, now) for path in root.rglob("*") if path.is_file()}
    for name in sorted(name for name in names if name.suffix != ".png"):
        if not (now / name).is_file():
            found.append(f"{name}: kept, but not made now")
        elif not (kept / name).is_file():
            found.append(f"{name}: made now, but not kept")
        elif (kept / name).read_bytes() != (now / name).read_bytes():
            texts = [(root / name).read_text(encoding="utf-8") for root in (kept, now)]
            found += [f"{name}: {said}" for said in compare(*(pieces(name.suffix, text) for text in texts))]
    return found


def pieces(suffix: str, text: str) -> list[Piece]:
    """The text of a file, by what kind of file it is (``.json``, ``.csv``, ``.html``, ``.svg``, anything else)."""
    if suffix == ".json":
        return list(_json(json.loads(text), ""))
    if suffix == ".csv":
        return list(_csv(text))
    if suffix in (".html", ".svg"):
        page = _Page(drawing=suffix == ".svg")
        page.feed(text)
        page.close()
        return page.pieces
    return [Piece("in the text", " ".join(text.split()), True)]  # where its lines break is not what it says


def compare(kept: list[Piece], now: list[Piece]) -> list[str]:
    """Each difference of two lists of pieces in words."""
    frames = [[piece.frame for piece in side] for side in (kept, now)]
    found = []
    if frames[0] == frames[1]:
        steps = [("equal", 0, len(kept), 0, len(now))]
    else:
        steps = SequenceMatcher(None, *frames).get_opcodes()
    for step, i, i_end, j, j_end in steps:
        pairs = min(i_end - i, j_end - j) if step in ("equal", "replace") else 0
        for old, new in zip(kept[i : i + pairs], now[j : j + pairs], strict=True):
            if step == "replace" or not _same_numbers(old, new):
                found.append(_told(old, new))
        found += [f"{old.where}: “{_short(old.says)}” is kept and gone now" for old in kept[i + pairs : i_end]]
        found += [f"{new.where}: “{_short(new.says)}” is new" for new in now[j + pairs : j_end]]
    return found


def _same_numbers(old: Piece, new: Piece) -> bool:
    """Whether the numbers of two pieces with one frame are the same but for a unit of the last digit."""
    if old.says == new.says:
        return True
    return all(
        a[0] == b[0] or (_measures(a, old.padded) and _measures(b, new.padded) and _near(a[0], b[0], old.padded))
        for a, b in zip(_numbers(old.says), _numbers(new.says), strict=True)
    )


def _numbers(text: str) -> list[tuple[str, str]]:
    """Each number of a text, and what follows it."""
    return [(found[0], text[found.end() : found.end() + 4]) for found in NUMBER.finditer(text)]


def _measures(number: tuple[str, str], padded: bool) -> bool:
    return "." in number[0] or "e" in number[0] or bool(MEASURED.match(number[1])) or not padded


def _near(a: str, b: str, padded: bool) -> bool:
    one, other = (Decimal(text.replace(",", "").replace("−", "-")) for text in (a, b))
    digits = [int(number.as_tuple().exponent) for number in (one, other)]
    if padded and digits[0] != digits[1]:
        return False
    if min(digits) >= 0:
        return padded and abs(one - other) <= 1
    return abs(one - other) <= Decimal(1).scaleb(min(digits))


def _told(old: Piece, new: Piece) -> str:
    at = next((i for i, (a, b) in enumerate(zip(old.says, new.says, strict=False)) if a != b), 0)
    where = old.where if old.where == new.where else f"{old.where} (now {new.where})"
    return f"{where}: “{_short(old.says, at)}” is kept, “{_short(new.says, at)}” now"


def _short(text: str, at: int = 0) -> str:
    """What stands around a place in a text."""
    start, end = max(0, at - AROUND), at + AROUND
    return ("…" if start else "") + text[start:end].strip() + ("…" if end < len(text) else "")


def _json(value: Any, where: str) -> Iterator[Piece]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _json(inner, f"{where}, {key}" if where else key)
        if not value:
            yield Piece(where, "{}", False)
    elif isinstance(value, list):
        for number, inner in enumerate(value):
            name = next(iter(inner.values()), None) if isinstance(inner, dict) else None
            yield from _json(inner, f"{where} “{name}”" if isinstance(name, str) else f"{where} {number + 1}")
        yield Piece(where, f"{len(value)} entries", True)
    elif isinstance(value, str):
        yield Piece(where, value, True)
    else:
        yield Piece(where, json.dumps(value), False)


def _csv(text: str) -> Iterator[Piece]:
    heading, *rows = csv.reader(io.StringIO(text))
    yield Piece("heading", ",".join(heading), True)
    for row in rows:
        for name, cell in zip(heading, row, strict=True):
            yield Piece(f"row “{row[0]}”, {name}", cell, False)


class _Page(HTMLParser):
    """A page or a picture: its elements, texts and embedded facts in order, each by the heading it stands under."""

    def __init__(self, drawing: bool) -> None:
        super().__init__()
        self.pieces: list[Piece] = []
        self.drawing = drawing
        self.heading, self.row, self.tag = "", "", ""
        self.inside: list[tuple[str, str | None]] = []

    @property
    def where(self) -> str:
        return ", ".join(part for part in (self.row and f"in row “{self.row}”", self.heading) if part) or "at the top"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tag, self.inside = tag, attrs
        if tag == "tr":
            self.row = ""
        for name, value in attrs:
            if self.drawing and tag == "text" and name == "style":
                continue  # one look, which versions of the library that draws write down differently
            places = name in DRAWN or (tag in ("text", "circle", "use", "svg") and name != "class")
            said = re.sub(r"[A-Za-z]", r" \g<0> ", value or "") if name in DRAWN else value or ""
            self.pieces.append(Piece(f"{name} of a {tag} {self.where}", said, not places))
        self.pieces.append(Piece(self.where, f"<{tag}>", True))

    def handle_endtag(self, tag: str) -> None:
        self.tag = ""
        self.pieces.append(Piece(self.where, f"</{tag}>", True))
        if tag in ("table", "tbody"):
            self.row = ""

    def handle_data(self, data: str) -> None:
        text = " ".join(data.split())
        if not text:
            return
        if self.tag in ("h1", "h2", "h3", "caption", "summary", "figcaption", "title"):
            self.heading = f"under “{_short(text)}”"
        elif self.tag in ("th", "td") and not self.row:
            self.row = text
        if self.tag == "script" and ("type", "application/json") in self.inside:
            self.pieces += [Piece(f"embedded, {p.where}", p.says, p.padded) for p in _json(json.loads(data), "")]
        else:
            self.pieces.append(Piece(self.where, text, True))
