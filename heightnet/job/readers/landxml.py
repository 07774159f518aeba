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
from heightnet.job.readers.landxml_elements import not_applied
from heightnet.job.readers.landxml_file import WHY_IGNORED, is_landxml, read_landxml, surveyed
from heightnet.job.readers.landxml_marks import Cells, Marks, points_of, resolve_points
from heightnet.job.readers.landxml_records import Document, Observation, Peg, Place, Setup, log_lines, number
from heightnet.job.readers.landxml_units import ANGLES, LENGTHS, Length, refuse_without_units
from heightnet.job.readers.registry import Reader
from heightnet.job.write import angle_text, protect
from heightnet.ledger.recorded import TABLES
from heightnet.ledger.settings import BY_NAME, METRES, Settings, Units

ARCSEC = math.pi / (180 * 3600)
SUFFIXES = (".xml", ".landxml")
LABEL = "{file}, {table}"
STADIA = 100.0  # distance over the interval between the stadia hairs, unless the instrument says otherwise


# how messages call what a table comes from, and its columns by what the file calls them
_SOURCES = {
    "marks": (
        "points", {"mark": "name", "height": "elevation", "sd_mm": "elevationStdError", "east": "easting",
                   "north": "northing"},
    ),
    "setups": (
        "set-ups", {"setup": "id", "mark": "InstrumentPoint", "height": "instrumentHeight",
                    "instrument": "instrumentDetailsID", "when": "timeStamp"},
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
    "two_peg": (
        "tests of the level", {"test": "TargetPoint", "level_setup": "set-up", "peg": "rod",
                               "reading": "setup1RodA to setup2RodB", "when": "timeStamp"},
    ),
}  # fmt: skip


def _read(path: Path, intake: Intake) -> None:
    document = read_landxml(path)
    problems = intake.problems
    if refuse_without_units(document):
        tables = _Tables(document, intake.known)
        rows = tables.rows()
        if not tables.observed and not document.refused:
            problems.add(
                path.name, None, "", "no observation of heights",
                "a raw observation with a zenith angle and a distance, or a staff reading", _why_none(document),
            )  # fmt: skip
        for name in sorted(tables.marks.unknown):
            expected = "a point with an elevation"
            problems.add(path.name, None, "", name, expected, "What is said to be known must have one.")
        _tell(document, path.name, intake)
        intake.set_up(tables.settings, path.name)
        for name, cells in rows.items():
            if cells:
                intake.take(name, _sheet(path, name, cells, tables.by_line))
    problems.speak(path.name, "line", {})
    for place, attribute, read, expected, cause in document.refused:
        problems.add(path.name, place.line, f"{place.element} {attribute}".strip(), read, expected, cause)


def _tell(document: Document, file: str, intake: Intake) -> None:
    """Note what became of the elements, what somebody remarked in the field, and what is doubted."""
    fates = Counter(entry.fate for entry in document.log)
    said = ", ".join(f"{fates[fate]} {fate}" for fate in ("used", "ignored", "doubted"))
    intake.problems.note("understood", f"elements: {said}", file)
    for entry in document.remarks:
        intake.problems.note("understood", str(entry), file, like="remarks")
    document.log.sort(key=lambda entry: entry.place.line)
    for entry in document.log:
        if entry.fate == "doubted":
            intake.problems.note("doubt", str(entry), file, like=f"{entry.place.element}: {entry.like}")
    intake.log = log_lines(document.log)


def _why_none(document: Document) -> str:
    """Why no height is observed: the first thing said of an observation, what was doubted before what was ignored."""
    about = [e for e in document.log if "Observation" in e.place.element or e.place.element in WHY_IGNORED]
    doubted = [e for e in document.log if e.fate == "doubted"]
    told = [*(e for e in doubted if e in about), *doubted, *about]
    return f"What the file says first of that: {told[0]}." if told else "There is none in it."


def _sheet(path: Path, name: str, cells: Sequence[tuple[int, Cells]], by_line: bool) -> Sheet:
    """A table without the columns that nothing fills; remarks stand in a column note, which is not read."""
    label, called = _SOURCES[name]
    columns = [c for c in called if TABLES[name].column(c).required or any(row.get(c) for _, row in cells)]
    if any(row.get("note") for _, row in cells):
        columns.append("note")
    batch = Batch([row for row, _ in cells], [[row.get(c, "") for c in columns] for _, row in cells])
    counts = "line" if by_line else "number"
    return Sheet(LABEL.format(file=path.name, table=label), columns, 0, [batch], counts=counts, called=called)


class _Tables:
    """Turns records into tables, saying of each what became of it."""

    def __init__(self, document: Document, known: Iterable[str]) -> None:
        self.document, self.say = document, document.say
        units = document.units[0]
        self.length = Length(*LENGTHS[units.linear])
        self.angle = ANGLES[units.angular]
        self.angle_unit = {"rad": "dms"}.get(self.angle, self.angle)
        self.settings = Settings()
        resolve_points(document)
        self.setups = {s.id: s for s in document.setups}
        self.marks = Marks(document, self.setups, points_of(document, self.length), known, self.length)
        self.named: Counter[str] = Counter()  # targets by name
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
        self.settings, own = self._precision(
            Counter(s["setup"] for _, s in shots), {r["level_setup"] for _, r in staff}
        )
        for _, shot in shots:
            if precision := own.get(self.setups[shot["setup"]].details):
                shot |= self._deviations(precision, shot["slope_distance"])
        in_use = {t["mark"] for _, t in targets} | {r["mark"] for _, r in staff}
        marks = self.marks.rows(in_use)
        sighting, levels = {s["setup"] for _, s in shots}, {r["level_setup"] for _, r in staff}
        timed = {s["setup"] for _, s in shots if s["when"]}
        setups = []
        for place, s in enumerate(self.document.setups, start=1):
            if s.id in sighting:
                setups.append((s.place.line if self.by_line else place, self._setup(s, s.id in timed)))
            elif s.id not in levels:
                self.say(s.place, "ignored", "no observation of heights from it")
        tables = {"marks": marks, "setups": setups, "targets": targets, "shots": shots, "staff": staff}
        tables["two_peg"] = self._pegs()
        names = {"mark", "setup", "target", "instrument", "level_setup", "test"}
        return {
            table: [(row, {c: protect(v) if c in names else v for c, v in cells.items()}) for row, cells in rows]
            for table, rows in tables.items()
        }

    def _row(self, o: Observation) -> int:
        return o.place.line if self.by_line else self.place[id(o)]

    def _usable(self, o: Observation) -> bool:
        setup = self.setups.get(o.setup)
        if o.dropped:
            self.say(o.place, "ignored", o.dropped)
        elif setup is None:
            self.say(o.place, "doubted", "set-up {} is not in the file; not used", o.setup or "(none)")
        elif setup.deleted:
            self.say(o.place, "ignored", "its set-up is marked as deleted")
        elif not o.point:
            self.say(o.place, "doubted", "no target point with a name; not used")
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
            distance = self.length.text(o.slope)
            how = "shot"
            if not o.slope and number(o.horizontal) < 0:
                expected = TABLES["shots"].column("slope_distance").expected(self.length.unit)
                self.document.refuse(o.place, "horizDistance", o.horizontal, expected)
                continue
            if not o.slope and o.horizontal:
                distance = repr(float(o.horizontal) * self.length.scale / abs(math.sin(zenith)))
                how = "shot, slope distance from horizontal distance and zenith angle"
            if not distance or float(distance) == 0:  # one below 0 is for the rule of distances to refuse
                self.say(o.place, "doubted", "no slope distance{}; not used", " but 0" if distance else "")
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
                cells = {"target": self._target_name(o), "mark": o.point, "height": self.length.text(height)}
                cells["note"] = self.document.note("target", o.target_setup)
                targets[key] = row, cells
            cells = {
                "setup": o.setup, "target": targets[key][1]["target"], "slope_distance": distance,
                "zenith_angle": self._angle(o.zenith, zenith), "face": self._face(o, zenith), "when": o.when,
                "note": o.note,
            }  # fmt: skip
            shots.append((self._row(o), cells))
            self.say(o.place, "used", f"{how}, row {len(shots) + 1} of shots.csv; target height {where}")
        return shots, list(targets.values())

    def _zenith(self, o: Observation) -> float | None:
        """The zenith angle in radians; None (and why) where it is none."""
        really = f"are angles really in {self.document.units[0].angular}?"
        try:
            if self.angle == "rad" or "e" in o.zenith.casefold():
                value = number(o.zenith)
                value *= {"rad": 1.0, "deg": math.pi / 180, "gon": math.pi / 200, "packed": math.nan}[self.angle]
            else:
                value = read_angle(o.zenith, self.angle)
        except ValueError as error:
            why = str(error).partition("; ")[0]  # what follows speaks of a setting, not of the file
            self.say(o.place, "doubted", f"zenith angle {{}}: {{}}; {really}; not used", o.zenith, why)
            return None
        if not 0 < value < 2 * math.pi or abs(value - math.pi) < 1e-12:
            why = "carries no distance"
            if value < 0:
                why = "is below 0: an angle from the horizon? A zenith angle is 90° (100 gon) less that one"
            elif value > 2 * math.pi:
                why = f"is more than a full circle; {really}"
            self.say(o.place, "doubted", f"zenith angle {{}} {why}; not used", o.zenith)
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

    def _setup(self, s: Setup, timed: bool) -> Cells:
        """One row of setups; 0 with zenith angles stands, but is doubted.

        timed : its shots have times, which say more than the days of the survey.
        """
        said = f"set-up over {s.over}"
        if s.point and s.station and s.point != s.station:
            said += f" (its station name is {s.station})"
        if not s.height:
            self.say(s.place, "doubted", "no instrumentHeight; not recorded")
        elif number(s.height) == 0:
            self.say(s.place, "doubted", "instrumentHeight 0 beside zenith angles: taken as it stands; a filler?")
        self.say(s.place, "used", said)
        return {
            "setup": s.id, "mark": s.over, "height": self.length.text(s.height), "instrument": s.details,
            "when": s.when or ("" if timed else self.document.days.get(s.survey, "")),
            "note": "; ".join(filter(None, (self.document.note("setup", s.id), s.desc))),
        }  # fmt: skip

    # level

    def _staff(self, readings: list[Observation]) -> list[tuple[int, Cells]]:
        out: list[tuple[int, Cells]] = []
        sights = {"backsight": "BS", "foresight": "FS"}
        timed = {o.setup for o in readings if o.when}
        told: set[str] = set()  # set-ups whose remarks stand beside their first reading
        for o in readings:
            s = self.setups[o.setup]
            remarks = "" if s.id in told else self.document.note("setup", s.id)
            told.add(s.id)
            factor = number(self.document.instruments.get(s.details, {}).get("stadiaFactor"))
            upper, lower = number(o.upper), number(o.lower)
            distance = abs(upper - lower) * self.length.scale * (factor if factor > 0 else STADIA)
            middle = (upper + lower) / 2
            if abs(middle - number(o.rod)) * self.length.metres > 0.003:
                said = "rod {} is not the middle of the stadia readings, {}"
                self.say(o.place, "doubted", said, o.rod, f"{middle:g}")
            if number(o.rod) < 0:
                self.say(o.place, "doubted", "rod {} is below 0: a staff upside down? Read as it stands", o.rod)
            cells = {
                "level_setup": o.setup, "mark": o.point, "reading": self.length.text(o.rod),
                "sight": sights.get(o.purpose, ""),
                "distance": repr(round(distance, 6)) if distance > 0 else "",
                "when": o.when or s.when or ("" if s.id in timed else self.document.days.get(s.survey, "")),
                "note": "; ".join(filter(None, (remarks, o.note))),
            }  # fmt: skip
            out.append((self._row(o), cells))
            self.say(o.place, "used", f"staff reading, row {len(out) + 1} of staff.csv")
        for s in {o.setup: self.setups[o.setup] for o in readings}.values():
            text = "level set-up"
            if number(s.height) == 0:
                text += "; instrumentHeight 0 with no zenith angles is not recorded"
            self.say(s.place, "used", text)
        return out

    def _pegs(self) -> list[tuple[int, Cells]]:
        """The rows of the tests of a level, for whose distances the schema has no place."""
        out: list[tuple[int, Cells]] = []
        for place, peg in enumerate(self.document.pegs, start=1):
            first = len(out) + 2
            for name, reading in peg.rods.items():  # setup1RodA
                cells = {
                    "test": peg.test, "level_setup": f"set-up {name[5]}", "peg": name[-1],
                    "reading": self.length.text(reading), "when": peg.when, "note": peg.note,
                }  # fmt: skip
                out.append((peg.place.line if self.by_line else place, cells))
            self.say(peg.place, "used", f"test of the level, rows {first} to {len(out) + 1} of two_peg.csv")
            said = "the distances to pegs A and B are not recorded, which the collimation error of the level hangs on{}"
            self.say(peg.place, "doubted", said, self._differ(peg))
        return out

    def _differ(self, peg: Peg) -> str:
        """By how much the two set-ups of a test differ about its pegs."""
        if len(peg.rods) < 4:
            return f"; {' and '.join(peg.rods)} is all that is read"
        rise = [number(peg.rods[f"setup{i}RodA"]) - number(peg.rods[f"setup{i}RodB"]) for i in (1, 2)]
        apart = abs(rise[0] - rise[1]) * self.length.metres * 1000
        return f"; the rises that its two set-ups read from A to B differ by {apart:.1f} mm"

    # instruments

    def _precision(self, shots: Counter[str], levels: set[str]) -> tuple[Settings, dict[str, dict[str, float]]]:
        """Settings from the instrument most shots used, and the precisions of others.

        shots : how many, by set-up; levels : set-ups of staff readings.
        """
        values: dict[str, Any] = {"title": self.document.title, "units": Units(self.length.unit, self.angle_unit)}
        used: Counter[str] = Counter()
        for setup, count in shots.items():
            used[self.setups[setup].details] += count
        main = next((id for id, _ in used.most_common() if id in self.document.instruments), None)
        own: dict[str, dict[str, float]] = {}
        levelled = {self.setups[setup].details for setup in levels}
        for id, attributes in self.document.instruments.items():
            own[id] = self._precision_of(id, attributes, used[id], id in levelled)
        if main is not None:
            values |= {f"precision.{k}": v for k, v in own[main].items() if k != "refraction"}
            if "refraction" in own[main]:
                values["air.refraction"] = own[main]["refraction"]
        return Settings().with_values(**values), {id: p for id, p in own.items() if id != main and p}

    def _precision_of(self, id: str, attributes: dict[str, str], shots: int, level: bool) -> dict[str, float]:
        place = Place(int(attributes["line"]), "InstrumentDetails", id)
        if not shots and not level:
            self.say(place, "ignored", "no shot was taken with it")
            return {}
        for said in not_applied(attributes, "edmVertOffset", "vertCollimation", "prismEccentricity"):
            self.say(place, "doubted", said)
        if not shots:
            factor = attributes.get("stadiaFactor")
            self.say(place, "used", f"level; stadiaFactor {factor}" if factor else "level")
            return {}
        out: dict[str, float] = {}
        per = {"rad": 1 / ARCSEC, "deg": 3600.0, "gon": 3240.0, "packed": 10_000.0}[self.angle]
        for name, attribute, own in (
            ("zenith_sec", "zenithAnglePrecision", per),
            ("distance_mm", "edmAccuracyConstant", self.length.metres * 1000),
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
        return out

    def _deviations(self, precision: dict[str, float], distance: str) -> Cells:
        """Standard deviations of a shot with an instrument that is not the job's usual one."""
        p = self.settings.precision
        zenith = precision.get("zenith_sec", p.zenith_sec)
        constant, ppm = precision.get("distance_mm", p.distance_mm), precision.get("distance_ppm", p.distance_ppm)
        km = float(distance) * METRES[self.length.unit] / 1000
        return {"sd_zenith_sec": repr(zenith), "sd_distance_mm": repr(math.hypot(constant, ppm * km))}


def _look(path: Path) -> str | None:
    return None if not is_landxml(path) else "" if surveyed(path) else "LandXML without a survey in it"


READER = Reader(
    name="landxml",
    called="LandXML",
    expects=f"a LandXML file ({', '.join(SUFFIXES)})",
    read=_read,
    suffixes=SUFFIXES,
    look=_look,
    label=LABEL,
)
