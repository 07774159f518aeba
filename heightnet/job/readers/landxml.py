"""LandXML: from the records of a file to the tables of a job, each cell the text that the file has there.

The schema leaves much open.  What is taken for granted here is said in the log, element by element; what is doubted
becomes a note of the job.  A row's number is the line of its element, or, where several stand on one line, its place
among the elements of its kind.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from heightnet.job.angles import read_angle
from heightnet.job.convert import Batch, Sheet
from heightnet.job.intake import Intake
from heightnet.job.readers import landxml_file as xml
from heightnet.job.readers.landxml_file import Document, Observation, Place, Point, Setup, number
from heightnet.job.readers.registry import Reader
from heightnet.job.write import angle_text, protect
from heightnet.ledger.recorded import TABLES
from heightnet.ledger.settings import BY_NAME, METRES, Settings, Units

ARCSEC = math.pi / (180 * 3600)
SUFFIXES = (".xml", ".landxml")
LABEL = "{file}, {table}"
CONTROL = {"control", "monument", "reference", "administrative"}
STADIA = 100.0  # distance over the interval between the stadia hairs, unless the instrument says otherwise
Cells = dict[str, str]


# how messages call what a table comes from, and its columns by what the file calls them
_SOURCES = {
    "marks": (
        "points", {"mark": "name", "height": "elevation", "sd_mm": "elevationStdError", "east": "easting",
                   "north": "northing"},
    ),
    "setups": (
        "set-ups", {"setup": "id", "mark": "InstrumentPoint", "height": "instrumentHeight",
                    "instrument": "instrumentDetailsID"},
    ),
    "targets": ("observations", {"target": "targetSetupID", "mark": "TargetPoint", "height": "targetHeight"}),
    "shots": (
        "observations", {"setup": "setupID", "target": "targetSetupID", "slope_distance": "slopeDistance",
                         "zenith_angle": "zenithAngle", "face": "directFace", "sd_zenith_sec": "zenithAnglePrecision",
                         "sd_distance_mm": "edmAccuracyConstant", "when": "timeStamp"},
    ),
    "staff": (
        "observations", {"level_setup": "setupID", "mark": "TargetPoint", "reading": "rod", "sight": "purpose",
                         "distance": "upperStadia", "when": "timeStamp"},
    ),
}  # fmt: skip


def _read(path: Path, intake: Intake) -> None:
    document = xml.read_landxml(path)
    tables = _Tables(document, intake.known)
    problems = intake.problems
    rows = tables.rows()
    if not tables.observed:
        problems.add(
            path.name, None, "", "no observation of heights",
            "a raw observation with a zenith angle and a distance, or a staff reading",
        )  # fmt: skip
    for name in sorted(tables.unknown):
        problems.add(path.name, None, "", name, "a point with an elevation", "What is said to be known must have one.")
    fates = Counter(entry.fate for entry in document.log)
    said = ", ".join(f"{fates[fate]} {fate}" for fate in ("used", "ignored", "doubted"))
    problems.note("understood", f"elements: {said}", path.name)
    document.log.sort(key=lambda entry: entry.place.line)
    for entry in document.log:
        if entry.fate == "doubted":
            problems.note("doubt", str(entry), path.name, like=f"{entry.place.element}: {entry.like}")
    intake.log = xml.log_lines(document.log)
    intake.set_up(tables.settings, path.name)
    for name, cells in rows.items():
        if cells:
            intake.take(name, _sheet(path, name, cells, tables.by_line))


def _sheet(path: Path, name: str, rows: Sequence[tuple[int, Cells]], by_line: bool) -> Sheet:
    """A table without the columns that nothing fills."""
    label, called = _SOURCES[name]
    columns = [c for c in called if TABLES[name].column(c).required or any(cells.get(c) for _, cells in rows)]
    batch = Batch([row for row, _ in rows], [[cells.get(c, "") for c in columns] for _, cells in rows])
    counts = "line" if by_line else "number"
    return Sheet(LABEL.format(file=path.name, table=label), columns, 0, [batch], counts=counts, called=called)


class _Tables:
    """Turns records into tables, saying of each what became of it."""

    def __init__(self, document: Document, known: Iterable[str]) -> None:
        self.document, self.say, self.known = document, document.say, set(known)
        self.unit, self.metres = xml.LENGTHS.get(document.linear, ("m", 1.0))
        self.scale = self.metres / METRES[self.unit]
        self.angle = xml.ANGLES.get(document.angular, "rad")
        for kind, unit, known, said in (
            ("linear", document.linear, xml.LENGTHS, "lengths are read as metres"),
            ("angular", document.angular, xml.ANGLES, "angles are read as radians"),
        ):
            if unit not in known:
                document.say(Place(1, "Units", ""), "doubted", f"{kind} unit {unit or '(none)'}: {said}")
        self.angle_unit = {"rad": "dms"}.get(self.angle, self.angle)
        self.settings = Settings()
        self.points: dict[str, Point] = {}
        for point in document.points:
            if point.name in self.points:
                document.say(point.place, "doubted", "the name occurs before; the first one counts")
            else:
                self.points[point.name] = point
        self.named: Counter[str] = Counter()  # targets by name
        self.setups = {s.id: s for s in document.setups}
        self.backsight_height = {(s, p): (h, line) for s, p, h, line in document.backsights if h}
        lines = [*(s.place.line for s in document.setups), *(o.place.line for o in document.observations)]
        self.by_line = len(set(lines)) == len(lines)
        self.place = {id(o): i for i, o in enumerate(document.observations, start=1)} if not self.by_line else {}

    def rows(self) -> dict[str, list[tuple[int, Cells]]]:
        """The rows of each table with their numbers; settings then hold the units and precisions of the file."""
        readable = [o for o in self.document.observations if self._usable(o)]
        sights = [o for o in readable if o.zenith]
        readings = [o for o in readable if not o.zenith and o.rod]
        for o in readable:
            if not o.zenith and not o.rod:
                self.say(o.place, "ignored", "no zenith angle and no staff reading")
        self.faces_named = any(o.direct_face for o in sights)
        shots, targets = self._shots(sights)
        staff = self._staff(readings)
        self.observed = bool(shots or staff)
        self.settings, own = self._precision(Counter(s["setup"] for _, s in shots))
        for _, shot in shots:
            if precision := own.get(self.setups[shot["setup"]].details):
                shot |= self._deviations(precision, shot["slope_distance"])
        in_use = {t["mark"] for _, t in targets} | {r["mark"] for _, r in staff}
        marks = self._marks(in_use)
        sighting, levels = {s["setup"] for _, s in shots}, {r["level_setup"] for _, r in staff}
        setups = []
        for place, s in enumerate(self.document.setups, start=1):
            if s.id in sighting:
                setups.append((s.place.line if self.by_line else place, self._setup(s)))
            elif s.id not in levels:
                self.say(s.place, "ignored", "no observation of heights from it")
        tables = {"marks": marks, "setups": setups, "targets": targets, "shots": shots, "staff": staff}
        names = {"mark", "setup", "target", "instrument", "level_setup"}
        return {
            table: [(row, {c: protect(v) if c in names else v for c, v in cells.items()}) for row, cells in rows]
            for table, rows in tables.items()
        }

    def _row(self, o: Observation) -> int:
        return o.place.line if self.by_line else self.place[id(o)]

    def _length(self, text: str) -> str:
        """A length in the job's unit: the file's own text where that is its unit too."""
        return text if self.scale == 1.0 or not text else repr(float(text) * self.scale)

    def _usable(self, o: Observation) -> bool:
        setup = self.setups.get(o.setup)
        if o.dropped:
            self.say(o.place, "ignored", o.dropped)
        elif setup is None:
            self.say(o.place, "doubted", "set-up {} is not in the file; not used", o.setup or "(none)")
        elif setup.deleted:
            self.say(o.place, "ignored", "its set-up is marked as deleted")
        elif not o.point:
            self.say(o.place, "doubted", "no target point; not used")
        elif o.beside:
            self.say(o.place, "doubted", "sighted beside the point (OffsetVals); not used")
        else:
            return True
        return False

    # total station

    def _shots(self, sights: list[Observation]) -> tuple[list[tuple[int, Cells]], list[tuple[int, Cells]]]:
        shots: list[tuple[int, Cells]] = []
        targets: dict[Any, tuple[int, Cells]] = {}
        lines: set[int] = set()  # of targets
        for o in sights:
            zenith = self._zenith(o)
            if zenith is None:
                continue
            distance = self._length(o.slope)
            how = "shot"
            if not o.slope and o.horizontal:
                distance = repr(float(o.horizontal) * self.scale / abs(math.sin(zenith)))
                how = "shot, slope distance from horizontal distance and zenith angle"
            if not distance or float(distance) <= 0:
                self.say(o.place, "doubted", "no slope distance; not used")
                continue
            height, where, line = self._target_height(o)
            # a target set-up is one putting-up; else one for each set-up, mark and height: nothing says it stayed there
            of = ("target set-up", o.target_setup) if o.target_setup else ("set-up", o.setup)
            key = (*of, o.point, number(height) if height else "not recorded")
            if key not in targets:
                if o.target_setup and o.target_setup in self.named:
                    said = "target set-up {} stands on another point or height before"
                    self.say(o.place, "doubted", said, o.target_setup)
                row = line if self.by_line and line not in lines else self._row(o)
                lines.add(row)
                cells = {"target": self._target_name(o), "mark": o.point, "height": self._length(height)}
                targets[key] = row, cells
            cells = {
                "setup": o.setup, "target": targets[key][1]["target"], "slope_distance": distance,
                "zenith_angle": self._angle(o.zenith, zenith), "face": self._face(o, zenith), "when": o.when,
            }  # fmt: skip
            shots.append((self._row(o), cells))
            self.say(o.place, "used", f"{how}, row {len(shots) + 1} of shots.csv; target height {where}")
        return shots, list(targets.values())

    def _zenith(self, o: Observation) -> float | None:
        """The zenith angle in radians; None (and why) where it is none."""
        try:
            if self.angle == "rad" or "e" in o.zenith.casefold():
                value = number(o.zenith)
                value *= {"rad": 1.0, "deg": math.pi / 180, "gon": math.pi / 200, "packed": math.nan}[self.angle]
            else:
                value = read_angle(o.zenith, self.angle)
        except ValueError as error:
            self.say(o.place, "doubted", "zenith angle {}: {}; not used", o.zenith, error)
            return None
        if not 0 < value < 2 * math.pi or abs(value - math.pi) < 1e-12:
            self.say(o.place, "doubted", "zenith angle {} carries no distance; not used", o.zenith)
            return None
        return value

    def _angle(self, text: str, radians: float) -> str:
        plain = self.angle == self.angle_unit and "e" not in text.casefold()
        return text if plain else angle_text(radians, self.angle_unit)

    def _face(self, o: Observation, zenith: float) -> str:
        """By directFace where it fits the value, else by the value; blank for a mean of both faces."""
        by_value = "R" if zenith > math.pi else "L"
        if not o.direct_face:
            return by_value if by_value == "R" or self.faces_named else ""
        said = "L" if o.direct_face in ("true", "1") else "R"
        if said != by_value:
            text = "directFace {} and zenith angle {}: face {} by the value"
            self.say(o.place, "doubted", text, o.direct_face, o.zenith, by_value)
        return by_value

    def _target_height(self, o: Observation) -> tuple[str, str, int]:
        """Target height as the file has it, where (on the observation, its target set-up or the backsight), line."""
        found = [("on the observation", o.target_height, o.place.line)]
        if o.target_setup:
            if o.target_setup in self.document.target_setups:
                found.append(("on its target set-up", *self.document.target_setups[o.target_setup]))
            else:
                self.say(o.place, "doubted", "target set-up {} is not in the file", o.target_setup)
        if o.purpose == "backsight" or not any(height for _, height, _ in found):
            found.append(("on the backsight", *self.backsight_height.get((o.setup, o.point), ("", o.place.line))))
        found = [place for place in found if place[1]]
        if not found:
            said = "no target height is recorded, the height of {} cannot come from this shot"
            self.say(o.place, "doubted", said, o.point)
            return "", "not recorded", o.place.line
        where, height, line = found[0]
        for other, differs, _ in found[1:]:
            if abs(number(differs) - number(height)) > 1e-9:
                said = "target height {} {}, {} {}; the first one is taken"
                self.say(o.place, "doubted", said, height, where, differs, other)
        return height, where, line

    def _target_name(self, o: Observation) -> str:
        base = o.target_setup or f"{o.point} from {o.setup}"
        while True:
            self.named[base] += 1
            name = base if self.named[base] == 1 else f"{base} ({self.named[base]})"
            if name == base or name not in self.named:
                self.named[name] = max(self.named[name], 1)
                return name

    def _setup(self, s: Setup) -> Cells:
        """One row of setups; 0 with zenith angles stands, but is doubted."""
        said = f"set-up over {s.over}"
        if s.point and s.station and s.point != s.station:
            said += f" (its station name is {s.station})"
        if not s.height:
            self.say(s.place, "doubted", "instrumentHeight is no number; not recorded")
        elif number(s.height) == 0:
            self.say(s.place, "doubted", "instrumentHeight 0 beside zenith angles: taken as it stands; a filler?")
        self.say(s.place, "used", said)
        return {"setup": s.id, "mark": s.over, "height": self._length(s.height), "instrument": s.details}

    # level

    def _staff(self, readings: list[Observation]) -> list[tuple[int, Cells]]:
        out: list[tuple[int, Cells]] = []
        sights = {"backsight": "BS", "foresight": "FS"}
        for o in readings:
            factor = number(self.document.instruments.get(self.setups[o.setup].details, {}).get("stadiaFactor"))
            upper, lower = number(o.upper), number(o.lower)
            distance = abs(upper - lower) * self.scale * (factor if factor > 0 else STADIA)
            middle = (upper + lower) / 2
            if abs(middle - number(o.rod)) * self.metres > 0.003:
                said = "rod {} is not the middle of the stadia readings, {}"
                self.say(o.place, "doubted", said, o.rod, f"{middle:g}")
            cells = {
                "level_setup": o.setup, "mark": o.point, "reading": self._length(o.rod),
                "sight": sights.get(o.purpose, ""),
                "distance": repr(round(distance, 6)) if distance > 0 else "", "when": o.when,
            }  # fmt: skip
            out.append((self._row(o), cells))
            self.say(o.place, "used", f"staff reading, row {len(out) + 1} of staff.csv")
        for s in {o.setup: self.setups[o.setup] for o in readings}.values():
            text = "level set-up"
            if number(s.height) == 0:
                text += "; instrumentHeight 0 with no zenith angles is not recorded"
            self.say(s.place, "used", text)
        return out

    # known heights

    def _marks(self, sighted: set[str]) -> list[tuple[int, Cells]]:
        """Positions of every point in use, and heights of those that are known."""
        occupied = {s.over for s in self.setups.values()}
        known = self._known_by_observation() | self._known_by_file(occupied)
        self.unknown = self.known - set(known)
        rows: list[tuple[int, Cells]] = []
        for name, point in self.points.items():
            if name not in sighted | occupied and name not in known:
                self.say(point.place, "ignored", "no observation names it")
                continue
            cells, why = known.get(name, (Cells(), "", 0))[:2]
            position = {"east": self._length(point.east), "north": self._length(point.north)}
            rows.append((point.place.line, {"mark": name} | cells | position))
            if why or not point.elevation:
                self.say(point.place, "used", f"position{f'; height known: {why}' if why else ''}")
            else:
                said = (
                    "position used; elevation {} not taken as known: nothing in the file says so, it may come from "
                    "these very observations. If it is, bring the file in by heightnet import with --known {}"
                )
                self.say(point.place, "doubted", said, point.elevation, name)
        rows += [(line, {"mark": name} | cells) for name, (cells, _, line) in known.items() if name not in self.points]
        return rows

    def _known_by_file(self, occupied: set[str]) -> dict[str, tuple[Cells, str, int]]:
        """Points whose elevation the file, or the person, gives as known: name to (height and sd, why, line)."""
        checked = {o.point for o in self.document.observations if (o.check or o.purpose == "check") and not o.dropped}
        behind = {p for _, p, _, _ in self.document.backsights} | {
            o.point for o in self.document.observations if o.purpose == "backsight"
        }
        ahead = {o.point for o in self.document.observations if o.purpose in ("foresight", "traverse", "sideshot")}
        out = {}
        other_unit = self._other_unit()
        for name, point in self.points.items():
            if not point.elevation:
                continue
            source = name not in ahead and name not in occupied  # its elevation does not come from these observations
            whys = {
                "said so": name in self.known,
                f"a {point.kind} point": point.kind in CONTROL,
                "check shots were taken to it": source and name in checked,
                "it is sighted back to, never occupied and never sighted ahead to":
                    source and name in behind and not point.kind,
            }  # fmt: skip
            if why := next((why for why, holds in whys.items() if holds), ""):
                sd_mm = repr(float(point.elevation_sd) * self.metres * 1000) if point.elevation_sd else ""
                out[name] = {"height": self._length(point.elevation), "sd_mm": sd_mm}, why, point.place.line
                if other_unit:
                    self.say(point.place, "doubted", other_unit)
        return out

    def _other_unit(self) -> str:
        """What to say of a known height where the file names a unit of elevations that is not that of lengths."""
        said = {"meter": "m", "feet": "ft"}.get(self.document.elevation_unit)
        if said is None or said == self.unit.removesuffix("US"):
            return ""
        return f"height taken in {self.document.linear}, the unit of lengths; elevationUnit says {said}"

    def _known_by_observation(self) -> dict[str, tuple[Cells, str, int]]:
        """Heights of RedVerticalObservation, which belong to the mark of a set-up."""
        out: dict[str, tuple[Cells, str, int]] = {}
        other_unit = self._other_unit()
        for v in self.document.verticals:
            setup = self.setups.get(v.setup)
            name = setup.over if setup else ""
            if not name or not v.height:
                self.say(v.place, "doubted", "no set-up or no height; not used")
                continue
            if other_unit:
                self.say(v.place, "doubted", other_unit)
            height = self._length(v.height)
            if name in out and abs(number(out[name][0]["height"]) - number(height)) > 1e-6:
                self.say(v.place, "doubted", "another height of {} stands before it; that one is used", name)
                continue
            self.say(v.place, "used", f"known height of {name}")
            out[name] = {"height": height}, f"an observed height{f', {v.datum}' if v.datum else ''}", v.place.line
        return out

    # instruments

    def _precision(self, shots: Counter[str]) -> tuple[Settings, dict[str, dict[str, float]]]:
        """Settings from the instrument most shots used, and the precisions of others; shots : how many, by set-up."""
        values: dict[str, Any] = {"title": self.document.title, "units": Units(self.unit, self.angle_unit)}
        used: Counter[str] = Counter()
        for setup, count in shots.items():
            used[self.setups[setup].details] += count
        main = next((id for id, _ in used.most_common() if id in self.document.instruments), None)
        own: dict[str, dict[str, float]] = {}
        for id, attributes in self.document.instruments.items():
            own[id] = self._precision_of(id, attributes, used[id])
        if main is not None:
            values |= {f"precision.{k}": v for k, v in own[main].items() if k != "refraction"}
            if "refraction" in own[main]:
                values["air.refraction"] = own[main]["refraction"]
        return Settings().with_values(**values), {id: p for id, p in own.items() if id != main and p}

    def _precision_of(self, id: str, attributes: dict[str, str], shots: int) -> dict[str, float]:
        place = Place(int(attributes["line"]), "InstrumentDetails", id)
        if not shots:
            self.say(place, "ignored", "no shot was taken with it")
            return {}
        out: dict[str, float] = {}
        per = {"rad": 1 / ARCSEC, "deg": 3600.0, "gon": 3240.0, "packed": 10_000.0}[self.angle]
        for name, attribute, own in (
            ("zenith_sec", "zenithAnglePrecision", per), ("distance_mm", "edmAccuracyConstant", self.metres * 1000),
        ):  # fmt: skip
            value = number(attributes.get(attribute))
            if value > 0:  # too small for seconds or millimetres: written in the file's own unit
                out[name] = value if value >= 0.1 else value * own
        ppm = number(attributes.get("edmAccuracyppm"))
        if ppm >= 0:
            out["distance_ppm"] = ppm
        k = number(attributes.get("refractionCoefficient"))
        if abs(k) < 1:
            out["refraction"] = k
            if (attributes.get("applyRefractionCoefficient") or "").strip() in ("false", "0"):
                said = "applyRefractionCoefficient is false: zenith angles are taken as read, refraction still in them"
                self.say(place, "doubted", said)
        for name, value in list(out.items()):
            if not BY_NAME["air.refraction" if name == "refraction" else f"precision.{name}"].keeps(value):
                self.say(place, "doubted", f"{name} {value:g} cannot be; not used")
                del out[name]
        said = ", ".join(f"{name} {value:g}" for name, value in out.items()) or "no precision given"
        self.say(place, "used", f"{said} (seconds and millimetres)")
        for said in xml.not_applied(attributes, "edmVertOffset", "vertCollimation"):
            self.say(place, "doubted", said)
        return out

    def _deviations(self, precision: dict[str, float], distance: str) -> Cells:
        """Standard deviations of a shot with an instrument that is not the job's usual one."""
        p = self.settings.precision
        zenith = precision.get("zenith_sec", p.zenith_sec)
        constant, ppm = precision.get("distance_mm", p.distance_mm), precision.get("distance_ppm", p.distance_ppm)
        km = float(distance) * METRES[self.unit] / 1000
        return {"sd_zenith_sec": repr(zenith), "sd_distance_mm": repr(math.hypot(constant, ppm * km))}


def _look(path: Path) -> str | None:
    return None if not xml.is_landxml(path) else "" if xml.surveyed(path) else "LandXML without a survey in it"


READER = Reader(
    name="landxml",
    called="LandXML",
    expects=f"a LandXML file ({', '.join(SUFFIXES)})",
    read=_read,
    suffixes=SUFFIXES,
    look=_look,
    label=LABEL,
)
