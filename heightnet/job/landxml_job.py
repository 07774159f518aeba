"""From the records of a LandXML file to a job: which heights are known, who sighted what, how precisely.

The schema leaves much open.  What is taken for granted here is said in the log, element by element.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from heightnet.errors import HeightnetError
from heightnet.job.angles import read_angle
from heightnet.job.landxml import ANGLES, LENGTHS, Document, Observation, Point, Setup, log_lines, number, read_landxml
from heightnet.job.model import Job
from heightnet.job.write import write_job
from heightnet.ledger.settings import BY_NAME, Settings, Units

ARCSEC = math.pi / (180 * 3600)
LOG = "import-log.txt"
CONTROL = {"control", "monument", "reference", "administrative"}
STADIA = 100.0  # distance over the interval between the stadia hairs, unless the instrument says otherwise


@dataclass(frozen=True)
class Imported:
    """A job made from a LandXML file.

    fates : number of elements "used", "ignored", "doubted".
    doubts : what deserves a look, with its line.
    """

    job: Job
    fates: dict[str, int]
    doubts: tuple[str, ...]


def import_landxml(path: str | Path, folder: str | Path, known: Collection[str] = ()) -> Imported:
    """Make a job folder of a LandXML file.

    Parameters
    ----------
    path : the file.
    folder : where the job goes; must not be there yet.
    known : points whose elevation is known, besides those the file says are.

    Raises
    ------
    InputErrors : the file cannot be read.
    HeightnetError : it holds no observation of heights, or the folder is there already; nothing is written.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise HeightnetError(f"{folder} is there already and is not empty; nothing was written.")
    document = read_landxml(Path(path))
    builder = _Builder(document, known)
    job = builder.job(folder.name)
    write_job(job, folder)
    (folder / LOG).write_text("\n".join(log_lines(document.log)) + "\n", encoding="utf-8")
    fates = Counter(entry.fate for entry in document.log)
    doubts = tuple(
        f"line {e.line}, {e.element}{f' {e.name}' if e.name else ''}: {e.text}"
        for e in document.log
        if e.fate == "doubted"
    )
    return Imported(job, dict(fates), doubts)


class _Builder:
    """Turns records into tables, saying of each what became of it."""

    def __init__(self, document: Document, known: Collection[str]) -> None:
        self.document, self.known = document, set(known)
        self.unit, self.metres = LENGTHS.get(document.linear, ("m", 1.0))
        self.angle = ANGLES.get(document.angular, "rad")
        if document.linear not in LENGTHS:
            document.say(
                1, "Units", "", "doubted", f"linear unit {document.linear or '(none)'}: lengths are read as metres"
            )
        if document.angular not in ANGLES:
            document.say(
                1, "Units", "", "doubted", f"angular unit {document.angular or '(none)'}: angles are read as radians"
            )
        self.points: dict[str, Point] = {}
        for point in document.points:
            if point.name in self.points:
                document.say(
                    point.line, "CgPoint", point.name, "doubted", "the name occurs before; the first one counts"
                )
            else:
                self.points[point.name] = point
        self.named: Counter[str] = Counter()  # targets by name
        self.setups = {s.id: s for s in document.setups}
        self.backsight_height = {(s, p): h for s, p, h, _ in document.backsights if not math.isnan(h)}

    def job(self, name: str) -> Job:
        readable = [o for o in self.document.observations if self._usable(o)]
        sights = [o for o in readable if o.zenith]
        readings = [o for o in readable if not o.zenith and not math.isnan(o.rod)]
        for o in readable:
            if not o.zenith and math.isnan(o.rod):
                self._say(o, "ignored", "no zenith angle and no staff reading")
        self.faces_named = any(o.direct_face for o in sights)
        shots, targets = self._shots(sights)
        staff = self._staff(readings)
        if not shots and not staff:
            raise HeightnetError(
                f"{self.document.file} holds no observation of heights: no raw observation with a zenith angle and a "
                "distance, and no staff reading. Nothing was written."
            )
        sighting = {s["setup"] for s in shots}
        settings, sds = self._precision(shots)
        for shot in shots:
            shot |= sds.get(self.setups[shot["setup"]].details, lambda s: {})(shot["slope_distance"])
        frames = {
            "marks": self._marks(shots, targets, staff),
            "setups": pd.DataFrame([self._setup(self.setups[s]) for s in self.setups if s in sighting]),
            "targets": pd.DataFrame(list(targets.values())),
            "shots": pd.DataFrame(shots),
            "staff": pd.DataFrame(staff),
        }
        levels = {r["level_setup"] for r in staff}
        for s in self.document.setups:
            if s.id not in sighting and s.id not in levels:
                self.document.say(s.line, "InstrumentSetup", s.id, "ignored", "no observation of heights from it")
        return Job.from_frames(name, settings, **{t: f for t, f in frames.items() if len(f)})

    def _say(self, o: Observation, fate: str, text: str) -> None:
        self.document.say(o.line, o.element, f"{o.setup} to {o.point}", fate, text)

    def _usable(self, o: Observation) -> bool:
        setup = self.setups.get(o.setup)
        if o.dropped:
            self._say(o, "ignored", o.dropped)
        elif setup is None:
            self._say(o, "doubted", f"set-up {o.setup or '(none)'} is not in the file; not used")
        elif setup.deleted:
            self._say(o, "ignored", "its set-up is marked as deleted")
        elif not o.point:
            self._say(o, "doubted", "no target point; not used")
        elif o.offset:
            self._say(o, "doubted", "sighted beside the point (OffsetVals); not used")
        else:
            return True
        return False

    # total station

    def _shots(self, sights: list[Observation]) -> tuple[list[dict[str, Any]], dict[Any, dict[str, Any]]]:
        shots: list[dict[str, Any]] = []
        targets: dict[Any, dict[str, Any]] = {}
        for o in sights:
            zenith = self._zenith(o)
            if zenith is None:
                continue
            distance = o.slope * self.metres
            how = "shot"
            if math.isnan(distance) and not math.isnan(o.horizontal):
                distance = o.horizontal * self.metres / abs(math.sin(zenith))
                how = "shot, slope distance from horizontal distance and zenith angle"
            if math.isnan(distance) or distance <= 0:
                self._say(o, "doubted", "no slope distance; not used")
                continue
            height, where = self._target_height(o)
            # a target set-up is one putting-up; else one for each set-up, mark and height: nothing says it stayed there
            of = ("target set-up", o.target_setup) if o.target_setup else ("set-up", o.setup)
            key = (*of, o.point, "not recorded" if math.isnan(height) else height)
            if key not in targets:
                if o.target_setup and o.target_setup in self.named:
                    self._say(o, "doubted", f"target set-up {o.target_setup} stands on another point or height before")
                targets[key] = {"target": self._target_name(o), "mark": o.point, "height": height}
            shots.append(
                {
                    "setup": o.setup, "target": targets[key]["target"], "slope_distance": distance,
                    "zenith_angle": zenith, "face": self._face(o, zenith), "session": "",
                }
            )  # fmt: skip
            self._say(o, "used", f"{how}, row {len(shots) + 1} of shots.csv; target height {where}")
        return shots, targets

    def _zenith(self, o: Observation) -> float | None:
        """The zenith angle in radians; None (and why) where it is none."""
        try:
            if self.angle == "rad" or "e" in o.zenith.casefold():
                value = number(o.zenith)
                value *= {"rad": 1.0, "deg": math.pi / 180, "gon": math.pi / 200, "packed": math.nan}[self.angle]
            else:
                value = read_angle(o.zenith, self.angle)
        except ValueError as error:
            self._say(o, "doubted", f"zenith angle {o.zenith}: {error}; not used")
            return None
        if not 0 < value < 2 * math.pi or abs(value - math.pi) < 1e-12:
            self._say(o, "doubted", f"zenith angle {o.zenith} carries no distance; not used")
            return None
        return value

    def _face(self, o: Observation, zenith: float) -> str:
        """By directFace where it fits the value, else by the value; blank for a mean of both faces."""
        by_value = "R" if zenith > math.pi else "L"
        if not o.direct_face:
            return by_value if by_value == "R" or self.faces_named else ""
        said = "L" if o.direct_face in ("true", "1") else "R"
        if said != by_value:
            self._say(
                o, "doubted", f"directFace {o.direct_face} and zenith angle {o.zenith}: face {by_value} by the value"
            )
        return by_value

    def _target_height(self, o: Observation) -> tuple[float, str]:
        """Target height in metres and where it stood: on the observation, its target set-up, or the backsight."""
        found = [("on the observation", o.target_height)]
        if o.target_setup:
            if o.target_setup in self.document.target_setups:
                found.append(("on its target set-up", self.document.target_setups[o.target_setup][0]))
            else:
                self._say(o, "doubted", f"target set-up {o.target_setup} is not in the file")
        backsight = self.backsight_height.get((o.setup, o.point), math.nan)
        if o.purpose == "backsight" or all(math.isnan(height) for _, height in found):
            found.append(("on the backsight", backsight))
        found = [(where, height) for where, height in found if not math.isnan(height)]
        if not found:
            self._say(o, "doubted", f"no target height is recorded, the height of {o.point} cannot come from this shot")
            return math.nan, "not recorded"
        where, height = found[0]
        for other, differs in found[1:]:
            if abs(differs - height) > 1e-9:
                self._say(
                    o, "doubted", f"target height {height:g} {where}, {differs:g} {other}; the first one is taken"
                )
        return height * self.metres, where

    def _target_name(self, o: Observation) -> str:
        base = o.target_setup or f"{o.point} from {o.setup}"
        while True:
            self.named[base] += 1
            name = base if self.named[base] == 1 else f"{base} ({self.named[base]})"
            if name == base or name not in self.named:
                self.named[name] = max(self.named[name], 1)
                return name

    def _setup(self, s: Setup) -> dict[str, Any]:
        """One row of setups; 0 with zenith angles stands, but is doubted."""
        mark = s.point or s.station
        said = f"set-up over {mark}"
        if s.point and s.station and s.point != s.station:
            said += f" (its station name is {s.station})"
        height = s.height
        if math.isnan(height):
            self.document.say(s.line, "InstrumentSetup", s.id, "doubted", "instrumentHeight is no number; not recorded")
        elif height == 0:
            said_of_zero = "instrumentHeight 0 beside zenith angles: taken as it stands; a filler?"
            self.document.say(s.line, "InstrumentSetup", s.id, "doubted", said_of_zero)
        self.document.say(s.line, "InstrumentSetup", s.id, "used", said)
        return {"setup": s.id, "mark": mark, "height": height * self.metres, "instrument": s.details}

    # level

    def _staff(self, readings: list[Observation]) -> list[dict[str, Any]]:
        out: list[dict[str, Any]] = []
        sights = {"backsight": "BS", "foresight": "FS"}
        for o in readings:
            factor = number(self.document.instruments.get(self.setups[o.setup].details, {}).get("stadiaFactor"))
            interval = (o.upper - o.lower) * self.metres
            distance = abs(interval) * (factor if factor > 0 else STADIA) if not math.isnan(interval) else math.nan
            middle = (o.upper + o.lower) / 2
            if not math.isnan(middle) and abs(middle - o.rod) * self.metres > 0.003:
                self._say(o, "doubted", f"rod {o.rod:g} is not the middle of the stadia readings, {middle:g}")
            out.append(
                {
                    "level_setup": o.setup, "mark": o.point, "name": o.point, "reading": o.rod * self.metres,
                    "sight": sights.get(o.purpose, ""), "run": "",
                    "distance": 0.0 if math.isnan(distance) else round(distance, 6),
                }
            )  # fmt: skip
            self._say(o, "used", f"staff reading, row {len(out) + 1} of staff.csv")
        for s in {o.setup: self.setups[o.setup] for o in readings}.values():
            text = "level set-up"
            if s.height == 0:
                text += "; instrumentHeight 0 with no zenith angles is not recorded"
            self.document.say(s.line, "InstrumentSetup", s.id, "used", text)
        return out

    # known heights

    def _marks(self, shots: list[dict[str, Any]], targets: dict[Any, Any], staff: list[dict[str, Any]]) -> pd.DataFrame:
        """Positions of every point in use, and heights of those that are known."""
        occupied = {s.point or s.station for s in self.setups.values()}
        in_use = {t["mark"] for t in targets.values()} | {r["mark"] for r in staff} | occupied
        known = self._known_by_observation() | self._known_by_file(occupied)
        for name in self.known - set(known):
            raise HeightnetError(
                f"{name!r} is no point with an elevation in {self.document.file}; nothing was written."
            )
        rows = []
        for name, point in self.points.items():
            if name not in in_use and name not in known:
                self.document.say(point.line, "CgPoint", name, "ignored", "no observation names it")
                continue
            height, sd, why = known.get(name, (math.nan, math.nan, ""))
            rows.append(
                {"mark": name, "height": height, "sd": sd, "east": point.east * self.metres,
                 "north": point.north * self.metres}
            )  # fmt: skip
            if why or math.isnan(point.elevation):
                self.document.say(
                    point.line, "CgPoint", name, "used", f"position{f'; height known: {why}' if why else ''}"
                )
            else:
                said = (
                    f"position used; elevation {point.elevation:g} not taken as known: nothing in the file says so, "
                    "it may come from these very observations. Say --known if it is"
                )
                self.document.say(point.line, "CgPoint", name, "doubted", said)
        for name in known:
            if name not in self.points:
                rows.append({"mark": name, "height": known[name][0], "sd": known[name][1]})
        return pd.DataFrame(rows)

    def _known_by_file(self, occupied: set[str]) -> dict[str, tuple[float, float, str]]:
        """Points whose elevation the file, or the person, gives as known: name to (height, sd, why)."""
        checked = {o.point for o in self.document.observations if (o.check or o.purpose == "check") and not o.dropped}
        behind = {p for _, p, _, _ in self.document.backsights} | {
            o.point for o in self.document.observations if o.purpose == "backsight"
        }
        ahead = {o.point for o in self.document.observations if o.purpose in ("foresight", "traverse", "sideshot")}
        out = {}
        other_unit = self._other_unit()
        for name, point in self.points.items():
            if math.isnan(point.elevation):
                continue
            why = ""
            if name in self.known:
                why = "said so"
            elif point.kind in CONTROL:
                why = f"a {point.kind} point"
            elif name in checked and name not in ahead and name not in occupied:
                why = "check shots were taken to it"
            elif not point.kind and name in behind and name not in occupied and name not in ahead:
                why = "it is sighted back to, never occupied and never sighted ahead to"
            if why:
                out[name] = (point.elevation * self.metres, point.elevation_sd * self.metres, why)
                if other_unit:
                    self.document.say(point.line, "CgPoint", name, "doubted", other_unit)
        return out

    def _other_unit(self) -> str:
        """What to say of a known height where the file names a unit of elevations that is not that of lengths."""
        said = {"meter": "m", "feet": "ft"}.get(self.document.elevation_unit)
        if said is None or said == self.unit.removesuffix("US"):
            return ""
        return f"height taken in {self.document.linear}, the unit of lengths; elevationUnit says {said}"

    def _known_by_observation(self) -> dict[str, tuple[float, float, str]]:
        """Heights of RedVerticalObservation, which belong to the mark of a set-up."""
        out: dict[str, tuple[float, float, str]] = {}
        other_unit = self._other_unit()
        for v in self.document.verticals:
            setup = self.setups.get(v.setup)
            name = (setup.point or setup.station) if setup else ""
            if not name or math.isnan(v.height):
                self.document.say(
                    v.line, "RedVerticalObservation", v.name, "doubted", "no set-up or no height; not used"
                )
                continue
            if other_unit:
                self.document.say(v.line, "RedVerticalObservation", v.name, "doubted", other_unit)
            height = v.height * self.metres
            if name in out and abs(out[name][0] - height) > 1e-6:
                text = f"another height of {name} stands before it; that one is used"
                self.document.say(v.line, "RedVerticalObservation", v.name, "doubted", text)
                continue
            self.document.say(v.line, "RedVerticalObservation", v.name, "used", f"known height of {name}")
            out[name] = (height, math.nan, f"an observed height{f', {v.datum}' if v.datum else ''}")
        return out

    # instruments

    def _precision(self, shots: list[dict[str, Any]]) -> tuple[Settings, dict[str, Any]]:
        """Settings from the instrument most shots used, and own standard deviations for the others' shots."""
        values: dict[str, Any] = {
            "title": self.document.title,
            "units": Units(self.unit, {"rad": "dms", "packed": "dms"}.get(self.angle, self.angle)),
        }
        used = Counter(self.setups[s["setup"]].details for s in shots)
        main = next((id for id, _ in used.most_common() if id in self.document.instruments), None)
        own: dict[str, dict[str, float]] = {}
        for id, attributes in self.document.instruments.items():
            own[id] = self._precision_of(id, attributes, used[id])
        if main is not None:
            values |= {f"precision.{k}": v for k, v in own[main].items() if k != "refraction"}
            if "refraction" in own[main]:
                values["air.refraction"] = own[main]["refraction"]
        settings = Settings().with_values(**values)
        return settings, {id: _deviations(p, settings) for id, p in own.items() if id != main and p}

    def _precision_of(self, id: str, attributes: dict[str, str], shots: int) -> dict[str, float]:
        line = int(attributes["line"])
        if not shots:
            self.document.say(line, "InstrumentDetails", id, "ignored", "no shot was taken with it")
            return {}
        out: dict[str, float] = {}
        zenith = number(attributes.get("zenithAnglePrecision"))
        if zenith >= 0.1:
            out["zenith_sec"] = zenith
        elif zenith > 0:  # too small for seconds: written in the file's own unit
            per = {"rad": 1 / ARCSEC, "deg": 3600.0, "gon": 3240.0, "packed": 10_000.0}[self.angle]
            out["zenith_sec"] = zenith * per
        constant = number(attributes.get("edmAccuracyConstant"))
        if constant >= 0.1:
            out["distance_mm"] = constant
        elif constant > 0:
            out["distance_mm"] = constant * self.metres * 1000
        ppm = number(attributes.get("edmAccuracyppm"))
        if ppm >= 0:
            out["distance_ppm"] = ppm
        k = number(attributes.get("refractionCoefficient"))
        if abs(k) < 1:
            out["refraction"] = k
            if (attributes.get("applyRefractionCoefficient") or "").strip() in ("false", "0"):
                said = "applyRefractionCoefficient is false: zenith angles are taken as read, refraction still in them"
                self.document.say(line, "InstrumentDetails", id, "doubted", said)
        for name, value in list(out.items()):
            if not BY_NAME["air.refraction" if name == "refraction" else f"precision.{name}"].keeps(value):
                self.document.say(line, "InstrumentDetails", id, "doubted", f"{name} {value:g} cannot be; not used")
                del out[name]
        said = ", ".join(f"{name} {value:g}" for name, value in out.items()) or "no precision given"
        self.document.say(line, "InstrumentDetails", id, "used", f"{said} (seconds and millimetres)")
        for name in ("edmVertOffset", "vertCollimation"):
            if number(attributes.get(name)) not in (0.0,) and attributes.get(name):
                text = f"{name} {attributes[name]} is not applied; readings are taken as they stand"
                self.document.say(line, "InstrumentDetails", id, "doubted", text)
        return out


def _deviations(precision: dict[str, float], settings: Settings) -> Any:
    """Standard deviations of a shot with an instrument that is not the job's usual one."""
    p = settings.precision
    zenith = precision.get("zenith_sec", p.zenith_sec) * ARCSEC
    constant, ppm = precision.get("distance_mm", p.distance_mm), precision.get("distance_ppm", p.distance_ppm)

    def of(distance: float) -> dict[str, float]:
        return {"sd_zenith": zenith, "sd_distance": math.hypot(constant / 1000, ppm * 1e-6 * distance)}

    return of
