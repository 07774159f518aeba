"""LandXML: the units of a file.  What is no unit of the schema, or stands nowhere, is refused, and never guessed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from heightnet.job.problems import nearest
from heightnet.job.readers.landxml_records import Document, Given, Place
from heightnet.ledger.settings import METRES

_METRIC = {
    "millimeter": ("m", 0.001), "centimeter": ("m", 0.01), "meter": ("m", 1.0), "kilometer": ("m", 1000.0),
}  # fmt: skip
_IMPERIAL = {
    "foot": ("ft", 0.3048), "USSurveyFoot": ("ftUS", 1200 / 3937), "inch": ("ft", 0.0254), "mile": ("ft", 1609.344),
}  # fmt: skip
_LINEAR = {"Metric": _METRIC, "Imperial": _IMPERIAL}
LENGTHS = _METRIC | _IMPERIAL
"""linearUnit: unit of the job, and metres."""
ANGLES = {"radians": "rad", "grads": "gon", "decimal degrees": "deg", "decimal dd.mm.ss": "packed"}
ELEVATIONS = {"meter": 1.0, "kilometer": 1000.0, "feet": 0.3048, "miles": 1609.344}
"""elevationUnit: metres."""
_EXAMPLE = '<Units><Metric linearUnit="meter" angularUnit="decimal degrees"/></Units>'


class Length(NamedTuple):
    """The unit of a file's lengths: the job's unit, and metres of the file's own."""

    unit: str
    metres: float

    @property
    def scale(self) -> float:
        """The file's unit in the job's."""
        return self.metres / METRES[self.unit]

    def text(self, text: str) -> str:
        """A length in the job's unit: the file's own text where that is its unit too."""
        return text if self.scale == 1.0 or not text else repr(float(text) * self.scale)


def take_units(attributes: Mapping[str, str], place: Place, document: Document) -> None:
    """Keep the units of a Metric or Imperial element, and refuse what is no unit or not that of one before it."""
    linear, angular, elevation = (
        (attributes.get(name) or "").strip() for name in ("linearUnit", "angularUnit", "elevationUnit")
    )
    given = Given(place, linear, angular or "radians", elevation)  # radians: the schema's default
    known = _LINEAR[place.element]
    if linear not in known:
        other = next(kind for kind in _LINEAR if kind != place.element)
        cause = f"It is a unit of {other}; which of the two is meant?" if linear in _LINEAR[other] else ""
        document.refuse(
            place, "linearUnit", linear, _one_of(known), cause or nearest(linear, known) or nearest(linear, LENGTHS)
        )
    for name, value, units in (("angularUnit", angular, ANGLES), ("elevationUnit", elevation, ELEVATIONS)):
        if name in attributes and value not in units:
            document.refuse(place, name, value, _one_of(units), nearest(value, units))
    said = f"lengths in {linear}, angles in {given.angular}"
    if not angular:
        said += " (the schema's default: no angularUnit is given)"
    document.say(place, "used", said)
    first = document.units[0] if document.units else given
    if given[1:3] != first[1:3] or (elevation and first.elevation and elevation != first.elevation):
        document.refuse(
            place, "", _told(given), f"the units of line {first.place.line}: {_told(first)}",
            "Units stand in the file twice and differ; leave those that the survey was written in.",
        )  # fmt: skip
    document.units.append(given)


def refuse_without_units(document: Document) -> bool:
    """Whether the units are such that numbers can be read; of a file that gives none it is said."""
    if not document.units:
        document.refuse(
            Place(document.root, "LandXML", ""), "", "no Units with Metric or Imperial", f"units, such as {_EXAMPLE}",
            "Nothing says what the numbers of the file are. Write the units that it was written in below this line.",
        )  # fmt: skip
    first = document.units[0] if document.units else None
    return first is not None and first.linear in LENGTHS and first.angular in ANGLES


def _told(given: Given) -> str:
    return ", ".join(filter(None, (given.linear, given.angular, given.elevation and f"elevations {given.elevation}")))


def _one_of(units: Iterable[str]) -> str:
    *others, last = units
    return f"{', '.join(others)} or {last}"
