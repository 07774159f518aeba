"""A LandXML file (1.0, 1.1, 1.2; an open schema) as records, streamed, with a log of what became of every element.

The parser resolves no entities, fetches nothing, and a file with a document type is refused before it is parsed.
Elements that say nothing about heights are passed over as a whole; the log keeps the line of each.
"""

from __future__ import annotations

import math
import re
from collections.abc import Container, Iterator, Mapping
from datetime import date
from pathlib import Path
from typing import Any, cast

from heightnet.errors import InputErrors, InputProblem
from heightnet.job.problems import printable
from heightnet.job.readers.blocks import blocks, declares
from heightnet.job.readers.landxml_elements import (
    REMARKS,
    coordinates,
    dropped_for,
    local,
    not_applied,
    place_of,
    remarks_in,
    text_of,
    words_of,
    yes,
)
from heightnet.job.readers.landxml_records import (
    Document,
    Observation,
    Peg,
    Place,
    Point,
    Setup,
    Vertical,
    is_word,
    number,
)
from heightnet.job.readers.landxml_units import take_units

LARGEST_FILE = 2**30
_SURVEY = re.compile(rb"<(?:\w+:)?Survey[\s>/]")
VERSIONS = ("1.0", "1.1", "1.2")
# looked into; so is what `_Reader` has a method for. Everything else is passed over with all it holds
_OPENED = {"LandXML", "Units", "CgPoints", "Equipment", "ControlChecks", "BacksightPoint", "OffsetVals"}
WHY_IGNORED = {
    "ReducedObservation": "reduced by somebody already; raw observations are used",
    "ReducedArcObservation": "reduced by somebody already; raw observations are used",
    "RedHorizontalPosition": "a position, not a height",
    "PointResults": "means of observations; the observations themselves are used",
    "Feature": "free data of the writing program",
    "GPSSetup": "not observed with a total station or level",
    "GPSVector": "not observed with a total station or level",
    "GPSPosition": "not observed with a total station or level",
    "LaserSetup": "not observed with a total station or level",
}


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
                    if reader.held is None:
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
    name, space = local(root), str(root.tag).partition("}")[0].lstrip("{")
    if name != "LandXML":
        raise _refused(document.file, line, f"<{name}>", "<LandXML>", "It is XML of another kind.")
    document.root = line
    match = re.search(r"LandXML-(\d+\.\d+)$", space)
    document.version = match[1] if match else str(root.get("version", ""))[:20]
    if document.version not in VERSIONS:
        said = f"version {document.version or '(none)'} is not one of {', '.join(VERSIONS)}; read as 1.2"
        document.say(Place(line, "LandXML", ""), "doubted", said)


def _free(element: Any) -> None:
    """Let go of what has been read; what a record holds is needed until the record ends."""
    if local(element) in _KEPT_FOR_PARENT:
        return
    element.clear()
    parent = element.getparent()
    if parent is not None and local(parent) not in _RECORDS:
        while element.getprevious() is not None:
            del parent[0]


_RECORDS = {"RawObservation", "TestObservation", "Backsight", "TargetSetup"}
_KEPT_FOR_PARENT = {"TargetPoint", "BacksightPoint", "OffsetVals", "InstrumentPoint", *REMARKS}
_NUMBERS = {
    "target_height": "targetHeight", "slope": "slopeDistance", "horizontal": "horizDistance", "rod": "rod",
    "upper": "upperStadia", "lower": "lowerStadia",
}  # fmt: skip
_NO_COORDINATES = "{} is no north, east and elevation of a named point, with blanks between; not used"
_RODS = ("setup1RodA", "setup1RodB", "setup2RodA", "setup2RodB")


class _Reader:
    """Takes parser events and fills a document."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.skipping: Any = None  # outermost element passed over
        self.inside = 0  # elements inside it
        self.held: Any = None  # remark that is being read, with all it holds
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
        if self.held is not None:
            return
        name = local(element)
        opened, closed = (getattr(self, f"_{what}_{name}", None) for what in ("open", "close"))
        if name in REMARKS:
            self.held = element
        elif opened:
            opened(element, line)
        elif not closed and name not in _OPENED:
            self.skipping, self.inside = element, 0

    def end(self, element: Any, line: int) -> None:
        if self.skipping is not None:
            if element is self.skipping:
                self._passed_over(element, line, self.inside)
                self.skipping = None
            return
        if self.held is not None:
            if element is self.held:
                self.held = None
                self._remark(element, line)
            return
        if closed := getattr(self, f"_close_{local(element)}", None):
            closed(element, line)

    def _say(self, element: Any, line: int, fate: str, text: str) -> None:
        self.document.say(place_of(element, line), fate, text)

    def _passed_over(self, element: Any, line: int, inside: int) -> None:
        name, more = local(element), f" ({inside} elements inside)" if inside else ""
        if (meant := _SPELT.get(name.casefold(), name)) != name:
            self._say(element, line, "doubted", f"no element of the schema; is it {meant}? Not read{more}")
        else:
            self._say(element, line, "ignored", WHY_IGNORED.get(name, "says nothing about heights") + more)

    def _number(self, element: Any, line: int, name: str) -> str:
        """The text of an attribute that is a finite number, "" for none; a word there is refused."""
        text = element.get(name)
        if text is None:
            return ""
        if not math.isnan(number(text)):
            return str(text.strip())
        if is_word(text):
            cause = "A decimal point, and nothing between thousands." if "," in text else ""
            self.document.refuse(place_of(element, line), name, text.strip(), "a number", cause)
        return ""

    def _point(self, element: Any, line: int, unnamed: str = "") -> str:
        """The point an element stands for: the one it refers to, else its own name.

        Coordinates that it has itself are kept; unnamed : what it is called without either.
        """
        own, refers = text_of(element, "name"), text_of(element, "pntRef")
        name = refers or own or unnamed
        if own and refers and own != refers:
            self.document.stands_for.setdefault(own, set()).add(refers)
        if not (element.text or "").strip():
            return name
        place = Place(line, local(element), name)
        if (given := coordinates(element)) is None:
            self.document.say(place, "doubted", _NO_COORDINATES, (element.text or "").strip()[:60])
        elif name:
            self.document.points.append(Point(place, name, *given, inside=True))
        return name

    def _remark(self, element: Any, line: int) -> None:
        """What somebody wrote down: logged, told, and kept with the set-up, target set-up or observation it is of."""
        text = words_of(element)
        if not text:
            self._passed_over(element, line, sum(1 for _ in element.iter()) - 1)
            return
        parent = place_of(element.getparent(), line)
        where = f"in {parent.element} {parent.name}".strip()
        entry = self.document.say(Place(line, local(element), where), "used", "remark: {}", text)
        self.document.remarks.append(entry)
        of = self.setup.id if self.setup is not None else ""
        if not of and self.groups:
            of = self._setup_id(self.groups[-1]["setupID"])
        if of and parent.element not in _RECORDS:  # those gather theirs themselves
            self.document.notes.setdefault(("setup", of), []).append(text)

    # what stands once, or opens a room

    def _open_Metric(self, element: Any, line: int) -> None:
        take_units(element.attrib, place_of(element, line), self.document)

    _open_Imperial = _open_Metric

    def _open_SurveyHeader(self, element: Any, line: int) -> None:
        self.document.title = self.document.title or text_of(element, "name")
        self._say(element, line, "used", "title")
        self._days(element, line)
        for name in ("applyAtmosphericCorrection", "applySeaLevelCorrection"):
            if yes(element.get(name)):
                self._say(element, line, "doubted", f"{name}: distances are taken as they stand")

    def _open_InstrumentDetails(self, element: Any, line: int) -> None:
        self.document.instruments[text_of(element, "id")] = dict(element.attrib) | {"line": str(line)}

    def _close_Corrections(self, element: Any, line: int) -> None:
        of = text_of(element.getparent(), "id")
        if of in self.document.instruments:
            self.document.instruments[of] |= dict(element.attrib)

    def _open_InstrumentSetup(self, element: Any, line: int) -> None:
        self.given = given = text_of(element, "id")
        id = self._told_apart(line, "InstrumentSetup", given, self.ids)
        self.ids.add(id)
        if given:
            self.here.setdefault(given, id)
        self.setup = Setup(
            Place(line, "InstrumentSetup", id), id, text_of(element, "stationName"),
            self._number(element, line, "instrumentHeight"), text_of(element, "instrumentDetailsID"),
            element.get("status") == "deleted", self.surveys,
        )  # fmt: skip
        self._misspelt(element, line, _OF_SETUPS)

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
        self._days(element, line)

    def _days(self, element: Any, line: int) -> None:
        """Keep the days of a survey, for set-ups and readings that have no time of their own."""
        days = []
        for name in ("startTime", "endTime") if element.get("startTime") else ("date",):
            if text := text_of(element, name):
                try:
                    days.append(date.fromisoformat(text[:10]).isoformat())
                except ValueError:
                    self._say(element, line, "doubted", f"{name} {text} begins with no date; not used")
        if days and self.surveys not in self.document.days:
            said = f"survey of {' to '.join(dict.fromkeys(days))}"
            self.document.days[self.surveys] = said
            self._say(element, line, "used", f"{said}: when, of set-ups and readings without a time")

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
            point = self._point(element, line, self.setup.station)
            self.setup = self.setup._replace(
                point=point, when=text_of(element, "timeStamp"), desc=text_of(element, "desc")
            )

    def _open_ObservationGroup(self, element: Any, line: int) -> None:
        self.groups.append(
            {name: text_of(element, name) for name in ("setupID", "targetSetupID", "purpose")} | {"point": ""}
        )

    def _close_ObservationGroup(self, element: Any, line: int) -> None:
        self.groups.pop()

    def _close_TargetPoint(self, element: Any, line: int) -> None:
        if self.groups and local(element.getparent()) == "ObservationGroup":
            self.groups[-1]["point"] = self._point(element, line)

    # records

    def _close_CgPoint(self, element: Any, line: int) -> None:
        name = text_of(element, "name") or text_of(element, "oID")
        given, refers = coordinates(element), text_of(element, "pntRef")
        if not name or given is None:
            if name and refers:
                self.document.stands_for.setdefault(name, set()).add(refers)
                self._say(element, line, "used", f"stands for {refers}")
            else:
                told = (element.text or "").strip()[:60] if name else "a point without a name"
                self.document.say(place_of(element, line), "doubted", _NO_COORDINATES, told)
            return
        sd, kind = self._number(element, line, "elevationStdError"), text_of(element, "pntSurv").casefold()
        self.document.points.append(Point(place_of(element, line), name, *given, sd, kind, text_of(element, "desc")))

    def _close_TargetSetup(self, element: Any, line: int) -> None:
        given, height = text_of(element, "id"), self._number(element, line, "targetHeight")
        id = self.targets_here.get(given, "")
        if not id or self.document.target_setups[id][0] != height:
            id = self._told_apart(line, "TargetSetup", given, self.document.target_setups)
            self.document.target_setups[id] = height, line
        if given:
            self.targets_here[given] = id
        self.document.notes.setdefault(("target", id), []).extend(remarks_in(element))
        self._say(element, line, "used", "target height of the observations that name it")
        for said in not_applied(element.attrib, "edmTargetVertOffset", "prismConstant"):
            self._say(element, line, "doubted", said)

    def _close_Backsight(self, element: Any, line: int) -> None:
        setup = self._setup_id(text_of(element, "setupID"))
        children = [child for child in element if local(child) == "BacksightPoint"]
        point = self._point(children[0], line) if children else ""
        self.document.backsights.append((setup, point, self._number(element, line, "targetHeight"), line))
        remarks = [f"backsight to {point}: {text}" for text in remarks_in(element)]
        self.document.notes.setdefault(("setup", setup), []).extend(remarks)
        said = f"backsight to {point}" if point else "no point"
        self._say(element, line, "used" if point else "ignored", said)

    def _close_RawObservation(self, element: Any, line: int) -> None:
        group = self.groups[-1] if self.groups else {}
        children = {local(child): child for child in element}
        target_point = children.get("TargetPoint")
        point = group.get("point", "") if target_point is None else self._point(target_point, line)
        setup = self._setup_id(text_of(element, "setupID") or group.get("setupID", ""))
        target = text_of(element, "targetSetupID") or group.get("targetSetupID", "")
        offsets = children["OffsetVals"].attrib.values() if "OffsetVals" in children else ()
        when, notes = text_of(element, "timeStamp"), remarks_in(element)
        if target_point is not None:
            when = when or text_of(target_point, "timeStamp")
            notes += filter(None, [text_of(target_point, "desc")])
        dropped = dropped_for(element)
        self._misspelt(element, line, _OF_OBSERVATIONS)
        self.document.observations.append(
            Observation(
                Place(line, local(element), f"{setup} to {point}"), setup, point,
                target_setup=self.targets_here.get(target, target),
                zenith=text_of(element, "zenithAngle"), direct_face=text_of(element, "directFace"),
                purpose=text_of(element, "purpose") or group.get("purpose", ""), dropped=dropped,
                check=any(local(above) == "ControlChecks" for above in element.iterancestors()),
                beside=any(number(v) for v in offsets if number(v) == number(v)), when=when, note="; ".join(notes),
                **{field: "" if dropped else self._number(element, line, name) for field, name in _NUMBERS.items()},
            )
        )  # fmt: skip

    def _close_TestObservation(self, element: Any, line: int) -> None:
        if not any(element.get(name) for name in _RODS):
            self._close_RawObservation(element, line)
            return
        if dropped := dropped_for(element):
            self._say(element, line, "ignored", dropped)
            return
        children = (child for child in element if local(child) == "TargetPoint")
        called = next((self._point(child, line) for child in children), "") or self._setup_id("")
        tests = {peg.test for peg in self.document.pegs}
        self.document.pegs.append(
            Peg(
                place_of(element, line), f"{called} (line {line})" if called in tests else called,
                text_of(element, "timeStamp"),
                {name: text for name in _RODS if (text := self._number(element, line, name))},
                "; ".join(remarks_in(element)),
            )
        )  # fmt: skip

    def _misspelt(self, element: Any, line: int, known: Mapping[str, str]) -> None:
        """Doubt attributes that are those of the schema but for their capitals."""
        for name in element.attrib:
            if name not in _ATTRIBUTES and (meant := known.get(name.casefold(), name)) != name:
                self._say(element, line, "doubted", f"{name} is no attribute of the schema; is it {meant}? Not read")

    def _close_RedVerticalObservation(self, element: Any, line: int) -> None:
        setup = self._setup_id(text_of(element, "setupID") or (self.groups[-1]["setupID"] if self.groups else ""))
        height, datum = self._number(element, line, "height"), text_of(element, "verticalDatum")
        self.document.verticals.append(Vertical(place_of(element, line), setup, height, datum))


_OF_OBSERVATIONS = {
    name.casefold(): name
    for name in (*_NUMBERS.values(), *_RODS, "setupID", "targetSetupID", "zenithAngle", "directFace", "purpose",
                 "status", "unused", "timeStamp")
}  # fmt: skip
_OF_SETUPS = {
    name.casefold(): name for name in ("id", "stationName", "instrumentHeight", "instrumentDetailsID", "status")
}
_ATTRIBUTES = frozenset((*_OF_OBSERVATIONS.values(), *_OF_SETUPS.values()))
_READ = {name.rpartition("_")[2] for name in vars(_Reader) if name.startswith(("_open_", "_close_"))}
_SPELT = {name.casefold(): name for name in (*_READ, *_OPENED, *REMARKS, "TargetPoint", "InstrumentPoint")}
