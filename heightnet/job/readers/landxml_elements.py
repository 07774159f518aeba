"""LandXML: what one element says, as text."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from heightnet.job.convert import LONGEST_TEXT
from heightnet.job.readers.landxml_records import Place, is_word, number

REMARKS = {"FieldNote", "Feature"}
_A_REMARK = {"note", "notes", "desc", "description", "remark", "remarks", "comment", "comments"}


def local(element: Any) -> str:
    return str(element.tag).rpartition("}")[2]


def place_of(element: Any, line: int) -> Place:
    return Place(line, local(element), text_of(element, "name") or text_of(element, "id") or text_of(element, "oID"))


def yes(text: str | None) -> bool:
    return (text or "").strip() in ("true", "1")


def text_of(element: Any, name: str) -> str:
    return " ".join((element.get(name) or "").split())[:200]


def dropped_for(element: Any) -> str:
    """Why the file itself does not use an observation, "" where it does."""
    if element.get("status") == "deleted":
        return "the file marks it as deleted"
    return "the file marks it as unused" if yes(element.get("unused")) else ""


def coordinates(element: Any) -> tuple[str, str, str] | None:
    """North, east and elevation ("" for none) of a point's own text; None where it is no such text."""
    texts = (element.text or "").split()
    numbers = ["" if math.isnan(number(text)) else text for text in texts]
    if len(numbers) not in (2, 3) or not all(numbers[:2]) or any(map(is_word, texts)):
        return None
    north, east, elevation = (*numbers, "")[:3]
    return north, east, elevation


def words_of(element: Any) -> str:
    """What a FieldNote says, or what the properties of a Feature do that are called a note."""
    if local(element) == "FieldNote":
        texts = ["".join(element.itertext())]
    else:
        texts = [e.get("value") or "" for e in element.iter() if (e.get("label") or "").strip().casefold() in _A_REMARK]
    return "; ".join(filter(None, (" ".join(text.split()) for text in texts)))[:LONGEST_TEXT]


def remarks_in(element: Any) -> list[str]:
    return [text for child in element if local(child) in REMARKS and (text := words_of(child))]


def not_applied(attributes: Mapping[str, str], *names: str) -> Iterator[str]:
    """What to say of corrections that a file names and nobody applies."""
    for name in names:
        if attributes.get(name) and number(attributes[name]) != 0:
            yield f"{name} {attributes[name]} is not applied; readings are taken as they stand"
