"""A LandXML file (1.0, 1.1, 1.2; an open schema) as records, streamed, with a log of what became of every element.

The parser resolves no entities, fetches nothing, and a file with a document type is refused before it is parsed.
Elements that say nothing about heights are passed over as a whole; the log keeps the line of each.
"""

from __future__ import annotations

import math
import re
from collections.abc import Container, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple, cast

from heightnet.errors import InputErrors, InputProblem
from heightnet.job.problems import printable
from heightnet.job.readers.blocks import blocks, declares

LARGEST_FILE = 2**30
_SURVEY = re.compile(rb"<(?:\w+:)?Survey[\s>/]")
VERSIONS = ("1.0", "1.1", "1.2")
LENGTHS = {
    "millimeter": ("m", 0.001), "centimeter": ("m", 0.01), "meter": ("m", 1.0), "kilometer": ("m", 1000.0),
    "foot": ("ft", 0.3048), "inch": ("ft", 0.0254), "mile": ("ft", 1609.344), "USSurveyFoot": ("ftUS", 1200 / 3937),
}  # fmt: skip
"""linearUnit: unit of the job, and metres."""
ANGLES = {"radians": "rad", "grads": "gon", "decimal degrees": "deg", "decimal dd.mm.ss": "packed"}

# looked into; so is what `_Reader` has a method for. Everything else is passed over with all it holds
_OPENED = {"LandXML", "Units", "CgPoints", "Equipment", "ControlChecks", "BacksightPoint", "OffsetVals"}
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


class Place(NamedTuple):
    """Where an element stands, and what it calls itself."""

    line: int
    element: str
    name: str


class Entry(NamedTuple):
    """What became of one element: fate is "used", "ignored" or "doubted"; like is what such entries have in common."""

    place: Place
    fate: str
    text: str
    like: str

    def __str__(self) -> str:
        line, element, name = self.place
        return f"line {line}, {element}{f' {name}' if name else ''}: {self.text}"


class Setup(NamedTuple):
    place: Place
    id: str
    station: str
    height: str
    details: str
    deleted: bool
    point: str = ""  # InstrumentPoint: name of a point

    @property
    def over(self) -> str:
        """The name of the mark it stands over."""
        return self.point or self.station


class Observation(NamedTuple):
    """A RawObservation or TestObservation, each value the text of the file, so that a message can quote it."""

    place: Place
    setup: str
    point: str
    target_setup: str
    zenith: str
    direct_face: str
    purpose: str
    check: bool  # stands in ControlChecks
    dropped: str  # why the file itself does not use it, "" where it does
    beside: bool  # sighted beside the point, by OffsetVals
    when: str  # timeStamp
    # numbers, in file units; "" for none
    target_height: str
    slope: str
    horizontal: str
    rod: str
    upper: str
    lower: str


_NUMBERS = {
    "target_height": "targetHeight", "slope": "slopeDistance", "horizontal": "horizDistance", "rod": "rod",
    "upper": "upperStadia", "lower": "lowerStadia",
}  # fmt: skip


class Point(NamedTuple):
    place: Place
    name: str
    north: str
    east: str
    elevation: str
    elevation_sd: str
    kind: str  # pntSurv


class Vertical(NamedTuple):
    place: Place
    setup: str
    height: str
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
    target_setups: dict[str, tuple[str, int]] = field(default_factory=dict)  # id: height, line
    backsights: list[tuple[str, str, str, int]] = field(default_factory=list)  # setup, point, target height, line
    observations: list[Observation] = field(default_factory=list)
    verticals: list[Vertical] = field(default_factory=list)
    instruments: dict[str, dict[str, str]] = field(default_factory=dict)  # id: attributes, those of Corrections too
    log: list[Entry] = field(default_factory=list)

    def say(self, place: Place, fate: str, text: str, *values: object) -> None:
        """Log what became of an element; values go into the text's ``{}``."""
        said = text.format(*values) if values else text
        place = place._replace(name=printable(place.name))
        self.log.append(Entry(place, fate, printable(said), text.replace("{}", "...")))


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
    except LookupError as error:
        raise _refused(path.name, None, str(error), "an encoding that is known", "Save the file as UTF-8.") from error
    except etree.XMLSyntaxError as error:
        line = (error.lineno or 0) if (error.lineno or 0) < 65_535 else fed
        cause = "The file is damaged or cut short."
        if "encoding" in str(error.msg):
            cause = "The file is not in the encoding that its first line names; save it as UTF-8."
        raise _refused(path.name, line or None, str(error.msg), "XML", cause) from error
    return document


def _pieces(path: Path) -> Iterator[tuple[int, bytes]]:
    """The file's lines with their numbers, a very long line in several pieces."""
    with path.open("rb") as stream:
        number = 1
        while piece := stream.readline(2**16):
            yield number, piece
            number += piece.endswith(b"\n")


def _refused(file: str, line: int | None, read: str, expected: str, cause: str = "") -> InputErrors:
    return InputErrors([InputProblem(printable(file), line, "", printable(read), expected, cause, counts="line")])


def _refuse_unsafe(path: Path) -> None:
    """No document type anywhere in the file, however wide its characters are written; no file that is too large."""
    size = path.stat().st_size
    if size > LARGEST_FILE:
        raise _refused(path.name, None, f"{size / 2**20:.0f} MB", f"at most {LARGEST_FILE / 2**20:.0f} MB")
    if any(map(declares, _plain(path))):
        cause = "A document type can make a small file grow without end; take the line out if you trust the file."
        raise _refused(path.name, None, "a document type", "LandXML without one", cause)


def _plain(path: Path) -> Iterator[bytes]:
    with path.open("rb") as stream:
        yield from blocks(stream)


def is_landxml(path: Path) -> bool:
    """Whether a file begins like LandXML."""
    with path.open("rb") as stream:
        return re.search(rb"<(?:\w+:)?LandXML[\s>/]", stream.read(4096).replace(b"\0", b"")) is not None


def surveyed(path: Path) -> bool:
    """Whether there is a survey in a file."""
    return any(_SURVEY.search(plain) for plain in _plain(path))


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
        document.say(Place(line, "LandXML", ""), "doubted", said)


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


def _number(element: Any, name: str) -> str:
    """The text of an attribute that is a finite number, "" for none."""
    text = element.get(name)
    return "" if math.isnan(number(text)) else text.strip()


def not_applied(attributes: Mapping[str, str], *names: str) -> Iterator[str]:
    """What to say of corrections that a file names and nobody applies."""
    for name in names:
        if attributes.get(name) and number(attributes[name]) != 0:
            yield f"{name} {attributes[name]} is not applied; readings are taken as they stand"


def _place(element: Any, line: int) -> Place:
    return Place(line, _local(element), _text(element, "name") or _text(element, "id") or _text(element, "oID"))


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
        self.setup: Setup | None = None
        self.ids: set[str] = set()  # of set-ups
        self.here: dict[str, str] = {}  # by the id as the survey gives it: the first set-up of that id in it
        self.targets_here: dict[str, str] = {}  # the same of target set-ups, the latest of an id
        self.first = 0  # observation of the survey
        self.surveys = 0
        self.given = ""  # id of the set-up as it stands in the file
        self.groups: list[dict[str, str]] = []

    def start(self, element: Any, line: int) -> None:
        if self.skipping is not None:
            self.inside += 1
            return
        name = _local(element)
        opened, closed = (getattr(self, f"_{what}_{name}", None) for what in ("open", "close"))
        if opened:
            opened(element, line)
        elif not closed and name not in _OPENED:
            self.skipping, self.inside = element, 0

    def end(self, element: Any, line: int) -> None:
        if self.skipping is not None:
            if element is self.skipping:
                why = WHY_IGNORED.get(_local(element), "says nothing about heights")
                more = f" ({self.inside} elements inside)" if self.inside else ""
                self._say(element, line, "ignored", why + more)
                self.skipping = None
            return
        if closed := getattr(self, f"_close_{_local(element)}", None):
            closed(element, line)

    def _say(self, element: Any, line: int, fate: str, text: str) -> None:
        self.document.say(_place(element, line), fate, text)

    # what stands once, or opens a room

    def _open_Metric(self, element: Any, line: int) -> None:
        document = self.document
        if document.linear:
            self._say(element, line, "doubted", "units are given again; the first ones count")
            return
        document.linear = element.get("linearUnit") or ""
        document.angular = element.get("angularUnit") or "radians"  # the schema's default
        document.elevation_unit = element.get("elevationUnit") or ""
        said = f"lengths in {document.linear}, angles in {document.angular}"
        if element.get("angularUnit") is None:
            said += " (the schema's default: no angularUnit is given)"
        self._say(element, line, "used", said)

    _open_Imperial = _open_Metric

    def _open_SurveyHeader(self, element: Any, line: int) -> None:
        self.document.title = self.document.title or _text(element, "name")
        self._say(element, line, "used", "title")
        for name in ("applyAtmosphericCorrection", "applySeaLevelCorrection"):
            if _yes(element.get(name)):
                self._say(element, line, "doubted", f"{name}: distances are taken as they stand")

    def _open_InstrumentDetails(self, element: Any, line: int) -> None:
        self.document.instruments[_text(element, "id")] = dict(element.attrib) | {"line": str(line)}

    def _close_Corrections(self, element: Any, line: int) -> None:
        of = _text(element.getparent(), "id")
        if of in self.document.instruments:
            self.document.instruments[of] |= dict(element.attrib)

    def _open_InstrumentSetup(self, element: Any, line: int) -> None:
        self.given = given = _text(element, "id")
        id = self._told_apart(line, "InstrumentSetup", given, self.ids)
        self.ids.add(id)
        if given:
            self.here.setdefault(given, id)
        self.setup = Setup(
            Place(line, "InstrumentSetup", id), id, _text(element, "stationName"), _number(element, "instrumentHeight"),
            _text(element, "instrumentDetailsID"), element.get("status") == "deleted",
        )  # fmt: skip

    def _close_InstrumentSetup(self, element: Any, line: int) -> None:
        if self.setup is not None:
            self.document.setups.append(self.setup)
        self.setup = None

    def _told_apart(self, line: int, element: str, given: str, taken: Container[str]) -> str:
        """An id that none before it has."""
        if given and given not in taken:
            return given
        id, number = f"{given} (line {line})".strip(), 1
        while id in taken:  # several on one line
            number += 1
            id = f"{given} (line {line}, {number})".strip()
        said = "the id occurs before; told apart by its line" if given else "no id; its line is taken"
        self.document.say(Place(line, element, id), "doubted", said)
        return id

    def _setup_id(self, named: str) -> str:
        """The set-up an element names; inside a set-up that is the one around it, by its id or by no name."""
        if self.setup is not None and named in ("", self.given):
            return self.setup.id
        return self.here.get(named, named)

    def _open_Survey(self, element: Any, line: int) -> None:
        """Ids are those of their survey: several surveys in one file may number alike."""
        self.here, self.targets_here, self.first = {}, {}, len(self.document.observations)
        self.surveys += 1
        if self.surveys == 2:
            self._say(element, line, "used", "a further survey; all surveys of a file are one job")

    def _close_Survey(self, element: Any, line: int) -> None:
        observations = self.document.observations
        for i in range(self.first, len(observations)):
            o = observations[i]
            setup, target = self.here.get(o.setup, o.setup), o.target_setup
            if target not in self.document.target_setups:  # named before it stands in the file
                target = self.targets_here.get(target, target)
            if (setup, target) != (o.setup, o.target_setup):
                observations[i] = o._replace(setup=setup, target_setup=target)

    def _close_InstrumentPoint(self, element: Any, line: int) -> None:
        if self.setup is not None:
            self.setup = self.setup._replace(point=_point_name(element))

    def _open_ObservationGroup(self, element: Any, line: int) -> None:
        self.groups.append(
            {name: _text(element, name) for name in ("setupID", "targetSetupID", "purpose")} | {"point": ""}
        )

    def _close_ObservationGroup(self, element: Any, line: int) -> None:
        self.groups.pop()

    def _close_TargetPoint(self, element: Any, line: int) -> None:
        if self.groups and _local(element.getparent()) == "ObservationGroup":
            self.groups[-1]["point"] = _point_name(element)

    # records

    def _close_CgPoint(self, element: Any, line: int) -> None:
        name = _text(element, "name") or _text(element, "oID")
        numbers = [t if number(t) == number(t) else "" for t in (element.text or "").split()]
        if not name or len(numbers) not in (2, 3) or not all(numbers[:2]):
            if not element.get("pntRef"):
                self._say(element, line, "doubted", "not a named north, east and elevation; not used")
            return
        north, east, elevation = (*numbers, "")[:3]
        sd, kind = _number(element, "elevationStdError"), _text(element, "pntSurv").casefold()
        self.document.points.append(Point(_place(element, line), name, north, east, elevation, sd, kind))

    def _close_TargetSetup(self, element: Any, line: int) -> None:
        given, height = _text(element, "id"), _number(element, "targetHeight")
        id = self.targets_here.get(given, "")
        if not id or self.document.target_setups[id][0] != height:
            id = self._told_apart(line, "TargetSetup", given, self.document.target_setups)
            self.document.target_setups[id] = height, line
        if given:
            self.targets_here[given] = id
        self._say(element, line, "used", "target height of the observations that name it")
        for said in not_applied(element.attrib, "edmTargetVertOffset", "prismConstant"):
            self._say(element, line, "doubted", said)

    def _close_Backsight(self, element: Any, line: int) -> None:
        setup = self._setup_id(_text(element, "setupID"))
        point = next((_point_name(child) for child in element if _local(child) == "BacksightPoint"), "")
        self.document.backsights.append((setup, point, _number(element, "targetHeight"), line))
        said = f"backsight to {point}" if point else "no point"
        self._say(element, line, "used" if point else "ignored", said)

    def _close_RawObservation(self, element: Any, line: int) -> None:
        group = self.groups[-1] if self.groups else {}
        children = {_local(child): child for child in element}
        point = _point_name(children["TargetPoint"]) if "TargetPoint" in children else group.get("point", "")
        setup = self._setup_id(_text(element, "setupID") or group.get("setupID", ""))
        target = _text(element, "targetSetupID") or group.get("targetSetupID", "")
        offsets = children["OffsetVals"].attrib.values() if "OffsetVals" in children else ()
        dropped = ""
        if element.get("status") == "deleted":
            dropped = "the file marks it as deleted"
        elif _yes(element.get("unused")):
            dropped = "the file marks it as unused"
        self.document.observations.append(
            Observation(
                Place(line, _local(element), f"{setup} to {point}"), setup, point,
                target_setup=self.targets_here.get(target, target),
                zenith=_text(element, "zenithAngle"), direct_face=_text(element, "directFace"),
                purpose=_text(element, "purpose") or group.get("purpose", ""), dropped=dropped,
                check=any(_local(above) == "ControlChecks" for above in element.iterancestors()),
                beside=any(number(v) for v in offsets if not math.isnan(number(v))), when=_text(element, "timeStamp"),
                **{field: _number(element, name) for field, name in _NUMBERS.items()},
            )
        )  # fmt: skip

    def _close_TestObservation(self, element: Any, line: int) -> None:
        if any(element.get(name) for name in ("setup1RodA", "setup1RodB", "setup2RodA", "setup2RodB")):
            self._say(element, line, "ignored", "a test of the level's own line of sight")
            return
        self._close_RawObservation(element, line)

    def _close_RedVerticalObservation(self, element: Any, line: int) -> None:
        setup = self._setup_id(_text(element, "setupID") or (self.groups[-1]["setupID"] if self.groups else ""))
        height, datum = _number(element, "height"), _text(element, "verticalDatum")
        self.document.verticals.append(Vertical(_place(element, line), setup, height, datum))


def _point_name(element: Any) -> str:
    """The point an element stands for: the one it refers to, else its own name."""
    return _text(element, "pntRef") or _text(element, "name")


def log_lines(log: list[Entry]) -> Iterator[str]:
    """The log, one element a line."""
    yield "line\tfate\telement\tname\twhat"
    for entry in log:
        line, element, name = entry.place
        yield f"{line}\t{entry.fate}\t{element}\t{name}\t{entry.text}"
