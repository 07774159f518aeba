"""What a workbook marks beside its values: cells struck out, as a book does, and rows and columns not seen.

`parts.safe_parts` proves quickly that there is none; only a sheet that may have some is walked through.
"""

from __future__ import annotations

import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import IO, Any

from heightnet.job.readers.parts import Part

MOST_COLUMNS = 200
_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_TYPES = "{http://schemas.openxmlformats.org/package/2006/content-types}"
Runs = list[tuple[str, bool | None]]
"""The pieces of a text, each with whether it is struck out; None: as its cell is."""


@dataclass
class Marked:
    """What one sheet marks; columns are counted from 0, rows as the sheet counts them.

    struck : by row and column, the text struck out and what stands beside it; both "" where it is the whole cell.
    hidden : rows that hold something and are not seen, each "hidden" or "filtered away".
    columns : columns that hold something and are not seen.
    ruled : cells that a rule of the sheet strikes out where a condition holds, "" for none.
    """

    struck: dict[int, dict[int, tuple[str, str]]] = field(default_factory=dict)
    hidden: dict[int, str] = field(default_factory=dict)
    columns: set[int] = field(default_factory=set)
    ruled: str = ""

    def unseen(self) -> str:
        """What is not seen, counted in words.

        >>> Marked(hidden={3: "hidden", 4: "hidden"}, columns={2}).unseen()
        '2 rows and 1 column'
        """
        counts = ((len(self.hidden), "row"), (len(self.columns), "column"))
        return " and ".join(f"{count} {what}{'s' * (count > 1)}" for count, what in counts if count)


class Marks:
    """The marks of a workbook's sheets; its styles and texts are read where something may be struck out."""

    def __init__(self, archive: zipfile.ZipFile, parts: Mapping[str, Part]) -> None:
        self.archive, self.parts = archive, parts
        self.styles: frozenset[str] = frozenset()  # of cells, struck out
        self.rules: frozenset[str] = frozenset()
        self.texts: dict[str, Runs] = {}  # shared texts of which some piece says of itself whether it is struck out
        if not any(part.struck for part in parts.values()):
            return
        styles, texts = self._part("styles+xml"), self._part("sharedStrings+xml")
        if styles and parts[styles].struck:
            with archive.open(styles) as stream:
                self.styles, self.rules = _struck_styles(stream)
        if texts and (self.styles or parts[texts].struck):
            with archive.open(texts) as stream:
                found = enumerate(_runs(element) for element in _elements(stream, f"{_MAIN}si"))
                self.texts = {str(i): runs for i, runs in found if any(struck is not None for _, struck in runs)}

    def of(self, part: str) -> Marked:
        """The marks of the sheet in a part of the archive."""
        look = self.parts.get(part, Part())
        if not (self.styles or self.rules or self.texts or look.struck or look.hidden):
            return Marked()
        with self.archive.open(part) as stream:
            return _Walk(self, bool(self.styles or self.texts or look.struck)).through(stream)

    def _part(self, kind: str) -> str:
        """The part of a kind, as the archive itself declares it, "" for none."""
        with self.archive.open("[Content_Types].xml") as stream:
            declared = [
                str(element.get("PartName")).lstrip("/")
                for element in _elements(stream, f"{_TYPES}Override")
                if str(element.get("ContentType")).endswith(kind)
            ]
        return next((part for part in declared if part in self.parts), "")


class _Walk:
    """One way through a sheet, row by row."""

    def __init__(self, marks: Marks, strikes: bool) -> None:
        self.marks, self.strikes = marks, strikes
        self.found = Marked()
        self.unseen: set[int] = set()  # columns, whether they hold something or not
        self.by_column: set[int] = set()  # columns whose style is struck out
        self.row = 0

    def through(self, stream: IO[bytes]) -> Marked:
        tags = [f"{_MAIN}{name}" for name in ("col", "row", "autoFilter", "cfRule")]
        visit = dict(zip(tags, (self._columns, self._row, self._filter, self._rule), strict=True))
        for element in _elements(stream, *tags):
            visit[element.tag](element)
        return self.found

    def _columns(self, element: Any) -> None:
        first, last = int(element.get("min")), min(int(element.get("max")), MOST_COLUMNS + 1)
        if _yes(element.get("hidden")) or _nothing(element.get("width")):
            self.unseen |= {*range(first - 1, last)}
        if element.get("style") in self.marks.styles:
            self.by_column |= {*range(first - 1, last)}

    def _row(self, element: Any) -> None:
        self.row = int(float(element.get("r") or self.row + 1))
        unseen = _yes(element.get("hidden")) or _nothing(element.get("ht"))
        if not (unseen or self.unseen or self.strikes):
            return
        # a cell without a style of its own has its row's, or else its column's: programs show it so or plain
        of_row = element.get("s") if _yes(element.get("customFormat")) else None
        struck: dict[int, tuple[str, str]] = {}
        standing: set[int] = set()
        column, all_asked = -1, unseen or bool(self.unseen)
        for cell in element.iterchildren(f"{_MAIN}c"):
            place = cell.get("r")
            column = _column(place.rstrip("0123456789")) if place else column + 1
            style = cell.get("s", of_row)
            by_style = column in self.by_column if style is None else style in self.marks.styles
            runs = self._text(cell)
            if (by_style or runs or all_asked) and _filled(cell):
                if (parts := _parts(runs, by_style)) is not None:
                    struck[column] = parts
                if parts != ("", ""):
                    standing.add(column)
        if struck:
            self.found.struck[self.row] = struck
        if unseen and standing:
            self.found.hidden[self.row] = "hidden"
        self.found.columns |= self.unseen & standing

    def _text(self, cell: Any) -> Runs:
        kind = cell.get("t")
        if kind == "s" and self.marks.texts:
            return self.marks.texts.get((cell.findtext(f"{_MAIN}v") or "").strip(), [])
        inside = cell.find(f"{_MAIN}is") if kind == "inlineStr" else None
        return _runs(inside) if inside is not None else []

    def _filter(self, element: Any) -> None:
        """Rows that are not seen in the range of a filter that asks for something."""
        from openpyxl.utils import range_boundaries

        if element.find(f"{_MAIN}filterColumn") is None or not element.get("ref"):
            return
        _, first, _, last = range_boundaries(element.get("ref"))
        if first and last:
            told = {row: "filtered away" for row in self.found.hidden if first < row <= last}
            self.found.hidden |= told

    def _rule(self, element: Any) -> None:
        if element.get("dxfId") in self.marks.rules:
            self.found.ruled = self.found.ruled or str(element.getparent().get("sqref"))


def _elements(stream: IO[bytes], *tags: str) -> Iterator[Any]:
    """Each element of these names, whole, and then let go with what stands before it."""
    from lxml import etree

    for _, element in etree.iterparse(stream, tag=tags, resolve_entities=False, no_network=True, huge_tree=True):
        yield element
        element.clear()
        while element.getprevious() is not None:
            del element.getparent()[0]


def _struck_styles(stream: IO[bytes]) -> tuple[frozenset[str], frozenset[str]]:
    """The styles of cells, and those that rules give, which are struck out; numbers as the sheets write them."""
    from lxml import etree

    tree = etree.parse(stream, etree.XMLParser(resolve_entities=False, no_network=True, huge_tree=True))
    fonts = {str(i) for i, font in enumerate(tree.iterfind(f"{_MAIN}fonts/{_MAIN}font")) if _struck(font)}
    cells = tree.iterfind(f"{_MAIN}cellXfs/{_MAIN}xf")
    rules = tree.iterfind(f"{_MAIN}dxfs/{_MAIN}dxf")
    by_rule = (i for i, rule in enumerate(rules) if any(_struck(font) for font in rule.iterfind(f"{_MAIN}font")))
    return (
        frozenset(str(i) for i, cell in enumerate(cells) if cell.get("fontId", "0") in fonts),
        frozenset(map(str, by_rule)),
    )


def _struck(font: Any) -> bool:
    strike = font.find(f"{_MAIN}strike")
    return strike is not None and _yes(strike.get("val", "1"))


def _runs(item: Any) -> Runs:
    """The pieces of a text of a cell, without what says how it is spoken."""
    found: Runs = []
    for piece in item:
        if piece.tag == f"{_MAIN}t":
            found.append((piece.text or "", None))
        elif piece.tag == f"{_MAIN}r":
            look = piece.find(f"{_MAIN}rPr")
            found.append((piece.findtext(f"{_MAIN}t") or "", None if look is None else _struck(look)))
    return found


def _parts(runs: Runs, by_style: bool) -> tuple[str, str] | None:
    """The text struck out and what stands beside it, both "" for a whole cell; None where nothing is struck out.

    >>> _parts([("1.543", True), (" 1.534", None)], by_style=False)
    ('1.543', '1.534')
    >>> _parts([("1.543", True)], by_style=False), _parts([], by_style=True), _parts([("x", False)], by_style=True)
    (('', ''), ('', ''), None)
    """
    if not runs:
        return ("", "") if by_style else None
    out, left = (
        "".join(text for text, struck in runs if (by_style if struck is None else struck) is which).strip()
        for which in (True, False)
    )
    return ((out, left) if left else ("", "")) if out else None


def _yes(value: str | None) -> bool:
    return value is not None and value.strip() not in ("0", "false", "off", "")


def _nothing(size: str | None) -> bool:
    """A width or height of 0; what is no number says nothing."""
    try:
        return size is not None and float(size) == 0
    except ValueError:
        return False


def _filled(cell: Any) -> bool:
    return any(inside.tag == f"{_MAIN}is" or inside.tag == f"{_MAIN}f" or inside.text for inside in cell)


@cache
def _column(letters: str) -> int:
    from openpyxl.utils import column_index_from_string

    return int(column_index_from_string(letters)) - 1
