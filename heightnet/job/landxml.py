"""A LandXML file (1.0, 1.1, 1.2; an open schema) as records, streamed, with a log of what became of every element.

The parser resolves no entities, fetches nothing, and a file with a document type is refused before it is parsed.
Elements that say nothing about heights are passed over as a whole; the log keeps the line of each.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple, cast

from heightnet.errors import InputErrors, InputProblem
from heightnet.job.problems import printable

LARGEST_FILE = 2**30
VERSIONS = ("1.0", "1.1", "1.2")
LENGTHS = {
    "millimeter": ("m", 0.001), "centimeter": ("m", 0.01), "meter": ("m", 1.0), "kilometer": ("m", 1000.0),
    "foot": ("ft", 0.3048), "inch": ("ft", 0.0254), "mile": ("ft", 1609.344), "USSurveyFoot": ("ftUS", 1200 / 3937),
}  # fmt: skip
"""linearUnit: unit of the job, and metres."""
ANGLES = {"radians": "rad", "grads": "gon", "decimal degrees": "deg", "decimal dd.mm.ss": "packed"}

# containers looked into; everything else that is not read is passed over with all it holds
_OPENED = {
    "LandXML", "Units", "CgPoints", "Survey", "Equipment", "InstrumentDetails", "InstrumentSetup", "ObservationGroup",
    "ControlChecks", "RawObservation", "TestObservation", "Backsight", "CgPoint", "RedVerticalObservation",
}  # fmt: skip
_READ = {
    "Metric", "Imperial", "SurveyHeader", "Corrections", "InstrumentPoint", "TargetSetup", "TargetPoint",
    "BacksightPoint", "OffsetVals",
}  # fmt: skip
WHY_IGNORED = {
    "ReducedObservation": "reduced by somebody already; raw observations are used",
    "ReducedArcObservation": "reduced by somebody already; raw observations are used",
    "RedHorizontalPosition": "a position, not a height",
    "PointResults": "means of observations; the observations themselves are used",
    "FieldNote": "a remark",
    "Feature": "free data of the writing program",
    "GPSSetup": "not observed with a total station or level",
    "GPSVector": "not observed with a total station or level",
    "GPSPosition": "not observed with a total station or level",
    "LaserSetup": "not observed with a total station or level",
}


class Entry(NamedTuple):
    """What became of one element: fate is "used", "ignored" or "doubted"."""

    line: int
    element: str
    name: str
    fate: str
    text: str


class Setup(NamedTuple):
    line: int
    id: str
    station: str
    height: float
    details: str
    point: str  # InstrumentPoint: name of a point, "" where there is none
    deleted: bool


class Observation(NamedTuple):
    """A RawObservation or TestObservation; numbers NaN and texts "" where it lacks them, lengths in file units."""

    line: int
    element: str
    setup: str
    point: str
    target_setup: str
    target_height: float
    slope: float
    horizontal: float
    vertical: float
    zenith: str
    direct_face: str
    rod: float
    upper: float
    lower: float
    purpose: str
    check: bool  # stands in ControlChecks
    dropped: str  # why the file itself does not use it, "" where it does
    offset: float  # largest of OffsetVals
    run: str


class Point(NamedTuple):
    line: int
    name: str
    north: float
    east: float
    elevation: float
    elevation_sd: float
    kind: str  # pntSurv


class Vertical(NamedTuple):
    line: int
    setup: str
    name: str
    height: float
    datum: str


@dataclass
class Document:
    """Everything a LandXML file says about heights."""

    file: str
    version: str = ""
    title: str = ""
    linear: str = ""
    angular: str = ""
    elevation_unit: str = ""
    points: list[Point] = field(default_factory=list)
    setups: list[Setup] = field(default_factory=list)
    target_setups: dict[str, tuple[float, int]] = field(default_factory=dict)  # id: height, line
    backsights: list[tuple[str, str, float, int]] = field(default_factory=list)  # setup, point, target height, line
    observations: list[Observation] = field(default_factory=list)
    verticals: list[Vertical] = field(default_factory=list)
    instruments: dict[str, dict[str, str]] = field(default_factory=dict)  # id: attributes, those of Corrections too
    log: list[Entry] = field(default_factory=list)

    def say(self, line: int, element: str, name: str, fate: str, text: str) -> None:
        self.log.append(Entry(line, element, printable(name), fate, printable(text)))


def read_landxml(path: Path) -> Document:
    """Parse a file.

    Raises
    ------
    InputErrors : the file is no LandXML, is damaged, has a document type or is too large; with the line.
    """
    _refuse_unsafe(path)
    from lxml import etree

    document = Document(path.name)
    reader = _Reader(document)
    parser = etree.XMLPullParser(
        events=("start", "end"), resolve_entities=False, no_network=True, huge_tree=False, load_dtd=False,
        dtd_validation=False, remove_comments=True, remove_pis=True,
    )  # fmt: skip
    began: list[int] = []  # line of each open element
    fed = 0
    try:
        for fed, piece in _pieces(path):
            parser.feed(piece)
            for event, element in cast(Iterator[tuple[str, Any]], parser.read_events()):
                if event == "start":
                    # libxml2 stops counting at 65,535; from there on the line being fed is as near as one gets
                    said = int(element.sourceline or fed)
                    began.append(said if said < 65_535 else fed)
                    if len(began) == 1:
                        _check_root(element, began[0], document)
                    reader.start(element, began[-1])
                else:
                    reader.end(element, began.pop())
                    _free(element)
        parser.close()
    except etree.XMLSyntaxError as error:
        line = (error.lineno or 0) if (error.lineno or 0) < 65_535 else fed
        raise _refused(path.name, line or None, str(error.msg), "XML", "The file is damaged or cut short.") from error
    return document


def _pieces(path: Path) -> Iterator[tuple[int, bytes]]:
    """The file's lines with their numbers, a very long line in several pieces."""
    with path.open("rb") as stream:
        number = 1
        while piece := stream.readline(2**16):
            yield number, piece
            number += piece.endswith(b"\n")


def _refused(file: str, line: int | None, read: str, expected: str, cause: str = "") -> InputErrors:
    return InputErrors([InputProblem(printable(file), line, "", printable(read), expected, cause)])


def _refuse_unsafe(path: Path) -> None:
    """No document type anywhere in the file, however wide its characters are written; no file that is too large."""
    if not path.is_file():
        raise _refused(str(path), None, "", "a LandXML file", "There is no such file.")
    size = path.stat().st_size
    if size > LARGEST_FILE:
        raise _refused(path.name, None, f"{size / 2**20:.0f} MB", f"at most {LARGEST_FILE / 2**20:.0f} MB")
    tail = b""
    with path.open("rb") as stream:
        while block := stream.read(2**20):
            plain = (tail + block).replace(b"\0", b"")
            if b"<!DOCTYPE" in plain or b"<!ENTITY" in plain:
                cause = (
                    "A document type can make a small file grow without end; take the line out if you trust the file."
                )
                raise _refused(path.name, None, "a document type", "LandXML without one", cause)
            tail = block[-64:]


def _check_root(root: Any, line: int, document: Document) -> None:
    if root.getroottree().docinfo.doctype:
        raise _refused(document.file, line, "a document type", "LandXML without one")
    name, space = _local(root), str(root.tag).partition("}")[0].lstrip("{")
    if name != "LandXML":
        raise _refused(document.file, line, f"<{name}>", "<LandXML>", "It is XML of another kind.")
    match = re.search(r"LandXML-(\d+\.\d+)$", space)
    document.version = match[1] if match else str(root.get("version", ""))[:20]
    if document.version not in VERSIONS:
        said = f"version {document.version or '(none)'} is not one of {', '.join(VERSIONS)}; read as 1.2"
        document.say(line, "LandXML", "", "doubted", said)


def _free(element: Any) -> None:
    """Let go of what has been read; what a record holds is needed until the record ends."""
    if _local(element) in _KEPT_FOR_PARENT:
        return
    element.clear()
    parent = element.getparent()
    if parent is not None and _local(parent) not in _RECORDS:
        while element.getprevious() is not None:
            del parent[0]


_RECORDS = {"RawObservation", "TestObservation", "Backsight"}
_KEPT_FOR_PARENT = {"TargetPoint", "BacksightPoint", "OffsetVals", "InstrumentPoint"}


def _local(element: Any) -> str:
    return str(element.tag).rpartition("}")[2]


def number(text: str | None) -> float:
    """A finite number, NaN for none.

    >>> number(" 1.5e0 "), number("INF"), number(None)
    (1.5, nan, nan)
    """
    if text is None or "_" in text or len(text) > 60:
        return math.nan
    try:
        value = float(text)
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan


def _yes(text: str | None) -> bool:
    return (text or "").strip() in ("true", "1")


def _text(element: Any, name: str) -> str:
    return " ".join((element.get(name) or "").split())[:200]


class _Reader:
    """Takes parser events and fills a document."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.skipping: Any = None  # outermost element passed over
        self.inside = 0  # elements inside it
        self.setup: dict[str, Any] | None = None
        self.ids: set[str] = set()  # of set-ups
        self.given = ""  # id of the set-up as it stands in the file
        self.groups: list[dict[str, str]] = []
        self.checks = 0
        self.details = ""

    def start(self, element: Any, line: int) -> None:
        if self.skipping is not None:
            self.inside += 1
            return
        name = _local(element)
        if name not in _OPENED and name not in _READ:
            self.skipping, self.inside = element, 0
            self.skipped = (line, name, _text(element, "name") or _text(element, "id"))
            return
        if opened := getattr(self, f"_open_{name}", None):
            opened(element, line)

    def end(self, element: Any, line: int) -> None:
        if self.skipping is not None:
            if element is self.skipping:
                line, name, label = self.skipped
                why = WHY_IGNORED.get(name, "says nothing about heights")
                more = f" ({self.inside} elements inside)" if self.inside else ""
                self.document.say(line, name, label, "ignored", why + more)
                self.skipping = None
            return
        if closed := getattr(self, f"_close_{_local(element)}", None):
            closed(element, line)

    # what stands once, or opens a room

    def _open_Metric(self, element: Any, line: int) -> None:
        document = self.document
        if document.linear:
            document.say(line, _local(element), "", "doubted", "units are given again; the first ones count")
            return
        document.linear = element.get("linearUnit") or ""
        document.angular = element.get("angularUnit") or "radians"  # the schema's default
        document.elevation_unit = element.get("elevationUnit") or ""
        said = f"lengths in {document.linear}, angles in {document.angular}"
        if element.get("angularUnit") is None:
            said += " (the schema's default: no angularUnit is given)"
        document.say(line, _local(element), "", "used", said)

    _open_Imperial = _open_Metric

    def _open_SurveyHeader(self, element: Any, line: int) -> None:
        self.document.title = self.document.title or _text(element, "name")
        self.document.say(line, "SurveyHeader", _text(element, "name"), "used", "title")
        for name in ("applyAtmosphericCorrection", "applySeaLevelCorrection"):
            if _yes(element.get(name)):
                said = f"{name}: distances are taken as they stand"
                self.document.say(line, "SurveyHeader", "", "doubted", said)

    def _open_InstrumentDetails(self, element: Any, line: int) -> None:
        self.details = _text(element, "id")
        self.document.instruments[self.details] = dict(element.attrib) | {"line": str(line)}

    def _close_Corrections(self, element: Any, line: int) -> None:
        if self.details in self.document.instruments:
            self.document.instruments[self.details] |= dict(element.attrib)

    def _close_InstrumentDetails(self, element: Any, line: int) -> None:
        self.details = ""

    def _open_InstrumentSetup(self, element: Any, line: int) -> None:
        self.given = id = _text(element, "id")
        if not id or id in self.ids:
            id = f"{id} (line {line})".strip()
            said = "the id occurs before; told apart by its line" if self.given else "no id; its line is taken"
            self.document.say(line, "InstrumentSetup", id, "doubted", said)
        self.ids.add(id)
        self.setup = {
            "line": line, "id": id, "station": _text(element, "stationName"),
            "height": number(element.get("instrumentHeight")), "details": _text(element, "instrumentDetailsID"),
            "point": "", "deleted": element.get("status") == "deleted",
        }  # fmt: skip

    def _close_InstrumentSetup(self, element: Any, line: int) -> None:
        if self.setup is not None:
            self.document.setups.append(Setup(**self.setup))
        self.setup = None

    def _setup_id(self, named: str) -> str:
        """The set-up an element names; inside a set-up that is the one around it, by its id or by no name."""
        return self.setup["id"] if self.setup is not None and named in ("", self.given) else named

    def _close_InstrumentPoint(self, element: Any, line: int) -> None:
        if self.setup is not None:
            self.setup["point"] = _point_name(element)

    def _open_ObservationGroup(self, element: Any, line: int) -> None:
        self.groups.append(
            {name: _text(element, name) for name in ("id", "setupID", "targetSetupID", "setID", "purpose")}
            | {"point": ""}
        )

    def _close_ObservationGroup(self, element: Any, line: int) -> None:
        self.groups.pop()

    def _close_TargetPoint(self, element: Any, line: int) -> None:
        if self.groups and _local(element.getparent()) == "ObservationGroup":
            self.groups[-1]["point"] = _point_name(element)

    def _open_ControlChecks(self, element: Any, line: int) -> None:
        self.checks += 1

    def _close_ControlChecks(self, element: Any, line: int) -> None:
        self.checks -= 1

    # records

    def _close_CgPoint(self, element: Any, line: int) -> None:
        name = _text(element, "name") or _text(element, "oID")
        numbers = [number(t) for t in (element.text or "").split()]
        if not name or len(numbers) not in (2, 3) or any(map(math.isnan, numbers[:2])):
            if not element.get("pntRef"):
                self.document.say(line, "CgPoint", name, "doubted", "not a named north, east and elevation; not used")
            return
        elevation = numbers[2] if len(numbers) == 3 else math.nan
        sd = number(element.get("elevationStdError"))
        self.document.points.append(
            Point(line, name, numbers[0], numbers[1], elevation, sd, _text(element, "pntSurv").casefold())
        )

    def _close_TargetSetup(self, element: Any, line: int) -> None:
        id = _text(element, "id")
        self.document.target_setups[id] = number(element.get("targetHeight")), line
        self.document.say(line, "TargetSetup", id, "used", "target height of the observations that name it")
        for name in ("edmTargetVertOffset", "prismConstant"):
            if number(element.get(name)) not in (0.0,) and element.get(name):
                said = f"{name} {element.get(name)} is not applied; readings are taken as they stand"
                self.document.say(line, "TargetSetup", id, "doubted", said)

    def _close_Backsight(self, element: Any, line: int) -> None:
        setup = self._setup_id(_text(element, "setupID"))
        point = next((_point_name(child) for child in element if _local(child) == "BacksightPoint"), "")
        self.document.backsights.append((setup, point, number(element.get("targetHeight")), line))
        said = f"backsight to {point}" if point else "no point"
        self.document.say(line, "Backsight", _text(element, "id"), "used" if point else "ignored", said)

    def _close_RawObservation(self, element: Any, line: int) -> None:
        group = self.groups[-1] if self.groups else {}
        children = {_local(child): child for child in element}
        point = _point_name(children["TargetPoint"]) if "TargetPoint" in children else group.get("point", "")
        offsets = children.get("OffsetVals")
        offset = max((abs(number(v)) for v in offsets.attrib.values()), default=0.0) if offsets is not None else 0.0
        dropped = ""
        if element.get("status") == "deleted":
            dropped = "the file marks it as deleted"
        elif _yes(element.get("unused")):
            dropped = "the file marks it as unused"
        self.document.observations.append(
            Observation(
                line=line,
                element=_local(element),
                setup=self._setup_id(_text(element, "setupID") or group.get("setupID", "")),
                point=point,
                target_setup=_text(element, "targetSetupID") or group.get("targetSetupID", ""),
                target_height=number(element.get("targetHeight")),
                slope=number(element.get("slopeDistance")),
                horizontal=number(element.get("horizDistance")),
                vertical=number(element.get("vertDistance")),
                zenith=_text(element, "zenithAngle"),
                direct_face=_text(element, "directFace"),
                rod=number(element.get("rod")),
                upper=number(element.get("upperStadia")),
                lower=number(element.get("lowerStadia")),
                purpose=_text(element, "purpose") or group.get("purpose", ""),
                check=self.checks > 0,
                dropped=dropped,
                offset=0.0 if math.isnan(offset) else offset,
                run=_text(element, "setID") or group.get("setID", ""),
            )
        )

    def _close_TestObservation(self, element: Any, line: int) -> None:
        if any(element.get(name) for name in ("setup1RodA", "setup1RodB", "setup2RodA", "setup2RodB")):
            self.document.say(line, "TestObservation", "", "ignored", "a test of the level's own line of sight")
            return
        self._close_RawObservation(element, line)

    def _close_RedVerticalObservation(self, element: Any, line: int) -> None:
        setup = self._setup_id(_text(element, "setupID") or (self.groups[-1]["setupID"] if self.groups else ""))
        height = number(element.get("height"))
        datum = _text(element, "verticalDatum")
        self.document.verticals.append(Vertical(line, setup, _text(element, "name"), height, datum))


def _point_name(element: Any) -> str:
    """The point an element stands for: the one it refers to, else its own name."""
    return _text(element, "pntRef") or _text(element, "name")


def log_lines(log: list[Entry]) -> Iterator[str]:
    """The log in line order, one element a line."""
    yield "line\tfate\telement\tname\twhat"
    for entry in sorted(log, key=lambda e: e.line):
        yield f"{entry.line}\t{entry.fate}\t{entry.element}\t{entry.name}\t{entry.text}"
