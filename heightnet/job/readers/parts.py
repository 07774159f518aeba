"""The archive that a workbook is, looked through before anything opens it: no bomb, no document type, nothing locked.

The same look tells, of each part, what it may hold that needs a closer one; what it does not find is not there.
"""

from __future__ import annotations

import re
import zipfile
from pathlib import Path
from typing import NamedTuple, cast

from heightnet.job.readers.blocks import blocks, declares

MOST_PARTS = 5_000  # files inside the archive
MOST_BYTES = 2 * 2**30  # unpacked
HIGHEST_RATIO = 500  # unpacked to packed, of a part large enough to matter
LARGE_PART = 10 * 2**20
_MERGED = re.compile(r"[A-Z]{1,3}\d{1,7}:[A-Z]{1,3}\d{1,7}")
# programs differ in prefixes, quotes and the order of attributes
_FORMULA = re.compile(rb"<(?:\w+:)?f[\s>/]")
_MERGED_CELL = re.compile(rb"<(?:\w+:)?mergeCell\s[^<>]{0,150}?\bref\s*=\s*[\"']([A-Z0-9:]{1,30})[\"']")
# a word looked for first costs nothing where it is absent; many programs write strike = 0 into every font
_STRIKE = re.compile(rb"<(?:[^\s<>/:]+:)?strike(?![\w.:-])(?!\s+val\s*=\s*[\"'](?:0|false|off)[\"'])")
_HIDDEN = re.compile(rb"\bhidden\s*=\s*[\"'](?!(?:0|false)[\"'])")
_NO_SIZE = re.compile(rb"\s(?:width|ht)\s*=\s*[\"']\s*[+-]?[0.]")


class Part(NamedTuple):
    """What a look at a part's bytes told: formulas in it, its merged cells as (columns, rows), and whether it may hold
    what is struck out, or rows or columns that are not seen."""

    formulas: bool = False
    merged: tuple[tuple[int, int, int, int], ...] = ()
    struck: bool = False
    hidden: bool = False


class Refused(Exception):
    """Not opened: what was read, what was expected, the cause."""


def safe_parts(path: Path) -> dict[str, Part]:
    """Each part of the archive looked through once; raises `Refused`."""
    with zipfile.ZipFile(path) as archive:
        infos = archive.infolist()
        total = sum(i.file_size for i in infos)
        bomb = [i for i in infos if i.file_size > LARGE_PART and i.file_size > HIGHEST_RATIO * i.compress_size]
        if len(infos) > MOST_PARTS or total > MOST_BYTES or bomb:
            read = f"an archive of {len(infos)} parts that unpacks to {total / 2**20:.0f} MB"
            raise Refused(read, "a workbook", "It unpacks to far more than a job can be; it is not opened.")
        if any(info.flag_bits & 1 for info in infos):
            raise Refused("a locked archive", "a workbook without a password")
        found = {info.filename: _look_through(archive, info) for info in infos}
    if "[Content_Types].xml" not in found:
        raise Refused("an archive", "a workbook .xlsx", "It is an archive of something else.")
    return found


def _look_through(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> Part:
    """Stream one part; a document type is refused, because entities could grow without end."""
    formulas, struck, hidden, merged = False, False, False, []
    if info.filename.casefold().endswith((".xml", ".rels", ".vml")):
        with archive.open(info) as stream:
            for text in blocks(stream):
                if declares(text):
                    cause = "Spreadsheet programs write none; the file is not opened."
                    raise Refused(f"a document type in {info.filename}", "plain XML inside a workbook", cause)
                formulas = formulas or _FORMULA.search(text) is not None
                struck = struck or (b"strike" in text and _STRIKE.search(text) is not None)
                hidden = hidden or (b"hidden" in text and _HIDDEN.search(text) is not None)
                hidden = hidden or ((b"width" in text or b"ht" in text) and _NO_SIZE.search(text) is not None)
                merged += [m[1].decode() for m in _MERGED_CELL.finditer(text)]
    corners = (_corners(ref) for ref in dict.fromkeys(merged) if _MERGED.fullmatch(ref))
    return Part(formulas, tuple(corners), struck, hidden)


def _corners(ref: str) -> tuple[int, int, int, int]:
    from openpyxl.utils import range_boundaries

    return cast(tuple[int, int, int, int], range_boundaries(ref))
