"""The trade's words in headings, whatever the table: short forms, and what no height needs."""

from __future__ import annotations

import re

SHORT = {
    "hgt": "height", "hght": "height", "ht": "height", "inst": "instrument", "instr": "instrument", "tgt": "target",
    "targ": "target", "pt": "point", "pnt": "point", "stn": "station", "sta": "station", "occ": "occupied",
    "occup": "occupied", "occupy": "occupied", "ref": "reference",
    "num": "number", "no": "number", "nr": "number", "dist": "distance", "slp": "slope",
    "sloping": "slope",
    "zen": "zenith", "ang": "angle", "refl": "reflector", "hor": "horizontal", "horiz": "horizontal",
    "hz": "hz", "elev": "elevation", "desc": "description", "descr": "description", "temp": "temperature",
    "obs": "observed", "observ": "observed", "sighting": "sight", "inter": "intermediate", "int": "intermediate",
    "press": "pressure", "diff": "difference", "meas": "measured", "std": "standard", "dev": "deviation",
}  # fmt: skip
"""Short forms and what they stand for beside another word; alone a short form may mean another thing (HT)."""

ALONE = {
    word: SHORT[word] for word in ("tgt", "targ", "pt", "pnt", "stn", "sta", "desc", "descr", "temp", "press", "elev")
}
"""Those that mean the same alone."""


def _headings(text: str) -> tuple[str, ...]:
    """Headings apart by commas, over several lines."""
    return tuple(" ".join(heading.split()) for heading in text.split(","))


HORIZONTAL = _headings("""
    hz, ha, hz angle, horizontal angle, angle horizontal, h angle, horizontal circle, horizontal circle reading,
    hcr, horizontal direction, hz direction, direction, azimuth, az, bearing, brg, circle reading, hz reading,
    angle right, ar, horizontal, hz circle, plate, whole circle bearing, wcb, back bearing, orientation
""")
"""Angles that say nothing of heights."""

NOT_NEEDED = frozenset((
    *HORIZONTAL,
    # what was written beside
    *_headings("""
    remarks, remark, comment, comments, description, code, codes, feature, feature code, point code, code
    description, attribute, attributes, memo, info, text, sketch, layer, class, type, quality, status, flag
    """),
    # when, who, where, with what
    *_headings("""
    date, time, date time, day, start, start time, end time, job, job name, project, project name, site, client,
    crew, party, weather, booker, recorder, rodman, staff man, staffman, chainman, instrument man, serial,
    serial number, instrument serial, model, sheet, file, index, seq, sequence, record, record number, rec,
    rec number, set, round, face, unit, units, version, battery
    """),
    # the air, and constants that are in the distance already
    *_headings("""
    temperature, temperature c, air temperature, pressure, pressure hpa, humidity, ppm, scale factor, sf, prism
    constant, constant, pc, additive constant, edm mode, mode
    """),
    # what others reckon with, or reckoned
    *_headings("""
    horizontal distance, hd, h distance, hdist, flat distance, plan distance, vd, vertical distance, v distance,
    vertical difference, dh, height difference, chainage, ch, offset, offset left, offset right, east, north,
    easting, northing, e, n, x, y, en, xy, lat, latitude, long, longitude, delta e, delta n, de, dn, elevation,
    reduced level, rl, z, level, computed height, ground height, result, standard deviation, vertical angle, va,
    vert angle, v angle, elevation angle
    """),
))  # fmt: skip
"""Headings of the trade that no height needs, where a table has no column of that name: listed, never asked about."""


TOO_WIDE = frozenset(
    _headings("""
    height, ht, id, name, no, number, point, distance, angle, reading, level, value, elevation, station, m, s, date,
    upper, lower, middle, top, bottom
""")
)
"""Words that are a heading by themselves, and under a group's heading may be another thing: the height of what?"""

TOTALS = re.compile(
    r"(?P<sure>σ|sums?\b|totals?\b(?! station)|sub-?totals?\b|page totals?\b|b\.?s\.?\s*[-–]\s*f\.?s\.?)"
    r"|checks?\b|diff(?:erence)?s?\b|mis-?clos(?:ure|e)\b|means?\b|average\b|end of\b|notes?\b|remarks?\b|[cb]/f\b"
)
"""How rows begin, in lower case, that stand below a table and are none of it; ``sure`` where no mark is called so."""

BEGINNINGS = (
    "σ",
    "sum",
    "total",
    "check",
    "diff",
    "clos",
    "mean",
    "average",
    "end of",
    "note",
    "remark",
    "/f",
    "- f",
    "-f",
    "– f",
    "–f",
)
"""One of these such a row holds, so that a table without them has none."""

WITH_TOTALS = ("shots", "staff", "levels")
"""Tables of what was measured, below which such rows stand."""

VERTICAL_ANGLES = (
    "vertical angle", "va", "vert angle", "v angle", "elevation angle", "angle of elevation", "vertical", "vert", "v",
    "vertical circle", "vert circle", "v circle", "vertical circle reading", "vcr", "vertical reading",
)  # fmt: skip
"""Angles from the horizon, or, as some write them, from straight up."""
