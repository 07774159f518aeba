"""LandXML: where points lie, and which of them have a height that is known beforehand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from heightnet.job.readers.landxml_records import Document, Point, Setup, number
from heightnet.job.readers.landxml_units import ELEVATIONS, Length

CONTROL = {"control", "monument", "reference", "administrative"}
FAR_M = 1.0  # by which two positions of one point differ enough to be told
Cells = dict[str, str]
Known = dict[str, tuple[Cells, str, int]]  # by name: height and its sd, why it is known, line


def points_of(document: Document, length: Length) -> dict[str, Point]:
    """The points by name: those of the file's lists, then those whose coordinates stand inside set-ups."""
    out: dict[str, Point] = {}
    for point in sorted(document.points, key=lambda point: point.inside):
        first = out.setdefault(point.name, point)
        if first is point:
            continue
        if not point.inside:
            document.say(point.place, "doubted", "the name occurs before; the first one counts")
            continue
        apart = max(abs(number(a) - number(b)) for a, b in ((first.north, point.north), (first.east, point.east)))
        if apart * length.metres > FAR_M:
            said = "lies {} {} from the coordinates of line {}; those count"
            document.say(point.place, "doubted", said, f"{apart:g}", document.units[0].linear, first.place.line)
    return out


def resolve_points(document: Document) -> None:
    """Let names that stand for another point (pntRef) be that point, wherever a set-up or a sight has them."""
    if not document.stands_for:
        return
    own = {point.name for point in document.points if not point.inside}
    names = {name: _meant(name, document.stands_for, own) for name in document.stands_for}
    document.setups = [s._replace(point=names.get(s.point, s.point)) for s in document.setups]
    document.observations = [o._replace(point=names[o.point]) if o.point in names else o for o in document.observations]
    document.backsights = [(s, names.get(p, p), height, line) for s, p, height, line in document.backsights]
    document.points = [p._replace(name=names.get(p.name, p.name)) if p.inside else p for p in document.points]


def _meant(name: str, stands_for: Mapping[str, set[str]], own: set[str]) -> str:
    """The last point of a chain of references; a name with coordinates, or for several points, is itself."""
    passed: set[str] = set()
    while name not in own and name not in passed and len(stands_for.get(name, ())) == 1:
        passed.add(name)
        (name,) = stands_for[name]
    return name


class Marks:
    """The table of marks; ``unknown`` are points said to be known that have no elevation."""

    def __init__(
        self, document: Document, setups: Mapping[str, Setup], points: Mapping[str, Point], known: Iterable[str],
        length: Length,
    ) -> None:  # fmt: skip
        self.document, self.say, self.length = document, document.say, length
        self.setups, self.points, self.said = setups, points, set(known)
        self.occupied = {s.over for s in setups.values()}
        self.known = self._by_observation() | self._by_file()
        self.unknown = self.said - set(self.known)

    def rows(self, sighted: set[str]) -> list[tuple[int, Cells]]:
        """Positions of every point in use, and heights of those that are known, each with its line."""
        rows: list[tuple[int, Cells]] = []
        for name, point in self.points.items():
            if name not in sighted | self.occupied and name not in self.known:
                self.say(point.place, "ignored", "no observation names it")
                continue
            cells, why = self.known.get(name, (Cells(), "", 0))[:2]
            position = {"east": self.length.text(point.east), "north": self.length.text(point.north)}
            rows.append((point.place.line, {"mark": name} | cells | position | {"note": point.note}))
            if why or not point.elevation:
                self.say(point.place, "used", f"position{f'; height known: {why}' if why else ''}")
            else:
                said = (
                    "position used; elevation {} not taken as known: nothing in the file says so, it may come from "
                    "these very observations. If it is, bring the file in by heightnet import with --known {}"
                )
                self.say(point.place, "doubted", said, point.elevation, name)
        others = ((name, known) for name, known in self.known.items() if name not in self.points)
        return rows + [(line, {"mark": name} | cells) for name, (cells, _, line) in others]

    def _by_file(self) -> Known:
        """Points whose elevation the file, or the person, gives as known."""
        document = self.document
        checked = {o.point for o in document.observations if (o.check or o.purpose == "check") and not o.dropped}
        behind = {p for _, p, _, _ in document.backsights}
        behind |= {o.point for o in document.observations if o.purpose == "backsight"}
        ahead = {o.point for o in document.observations if o.purpose in ("foresight", "traverse", "sideshot")}
        out: Known = {}
        other_unit = self._other_unit()
        for name, point in self.points.items():
            if not point.elevation:
                continue
            # its elevation does not come from these observations
            source = name not in ahead and name not in self.occupied and not point.inside
            whys = {
                "said so": name in self.said,
                f"a {point.kind} point": point.kind in CONTROL,
                "check shots were taken to it": source and name in checked,
                "it is sighted back to, never occupied and never sighted ahead to":
                    source and name in behind and not point.kind,
            }  # fmt: skip
            if why := next((why for why, holds in whys.items() if holds), ""):
                sd_mm = repr(float(point.elevation_sd) * self.length.metres * 1000) if point.elevation_sd else ""
                out[name] = {"height": self.length.text(point.elevation), "sd_mm": sd_mm}, why, point.place.line
                if other_unit:
                    self.say(point.place, "doubted", other_unit)
        return out

    def _other_unit(self) -> str:
        """What to say of a known height where the file names a unit of elevations that is not that of lengths."""
        units = self.document.units[0]
        metres = ELEVATIONS.get(units.elevation)
        if metres is None or abs(metres / self.length.metres - 1) < 1e-5:  # a survey foot is told as a foot too
            return ""
        return f"height taken in {units.linear}, the unit of lengths; elevationUnit says {units.elevation}"

    def _by_observation(self) -> Known:
        """Heights of RedVerticalObservation, which belong to the mark of a set-up."""
        out: Known = {}
        other_unit = self._other_unit()
        for v in self.document.verticals:
            setup = self.setups.get(v.setup)
            name = setup.over if setup else ""
            if not name or not v.height:
                self.say(v.place, "doubted", "no set-up or no height; not used")
                continue
            if other_unit:
                self.say(v.place, "doubted", other_unit)
            height = self.length.text(v.height)
            if name in out and abs(number(out[name][0]["height"]) - number(height)) > 1e-6:
                self.say(v.place, "doubted", "another height of {} stands before it; that one is used", name)
                continue
            self.say(v.place, "used", f"known height of {name}")
            out[name] = {"height": height}, f"an observed height{f', {v.datum}' if v.datum else ''}", v.place.line
        return out
