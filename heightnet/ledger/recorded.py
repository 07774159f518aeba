"""The tables of a job as they are recorded.

This list drives reading, error messages, the empty templates, the docs page of columns and the Frictionless table
schema; nothing else in the package says what a column is called or holds.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property

from heightnet.ledger import ranges
from heightnet.ledger.field import Field, put
from heightnet.ledger.ranges import Range

# What a cell holds, and how a message calls it where no range says it.
KINDS = {
    "name": "a name",
    "text": "text",
    "length": "a number",  # in units.length
    "mm": "millimetres",
    "sec": "arc-seconds",
    "count": "a number",
    "angle": "an angle",  # in units.angle
    "choice": "one of its words",
    "yes": "yes or no",
    "reading": "a tape reading as read",
}


@dataclass(frozen=True)
class Column(Field):
    """One column of a table; its kind is one of ``KINDS``.

    required : the column must be there and filled on each row.
    unless : with one of these columns in the header this one is not required.
    also : the trade's other words for it, recognised in any case and spacing; a word that two columns share means the
        required one, unless another heading of the sheet gives that, or stands in for it and holds something.
    words : other words for a choice, lower case: choice.
    dated : a date among its texts must exist, and one that a spreadsheet made of a cell was meant.
    parts : two of its other words that are one text where a sheet has both.
    not_beside : columns beside which a word that it shares with another column means the other.
    vital : what the job would lose with it: where it is absent, a heading that may be it is asked about, never passed
        over; with one of ``instead`` in the header nothing is lost, unless one of ``vital_beside`` is there too.
    of_setup : "name" where it names a set-up on each of its rows, "fact" where it says something of that set-up; a book
        writes such a thing on the first row alone.
    called : what the job's own table calls it; None: the same without its unit; "": the job keeps it in another form.
    """

    required: bool = False
    unless: tuple[str, ...] = ()
    also: tuple[str, ...] = ()
    words: tuple[tuple[str, str], ...] = ()
    dated: bool = False
    parts: tuple[str, ...] = ()
    not_beside: tuple[str, ...] = ()
    vital: bool = False
    instead: tuple[str, ...] = ()
    vital_beside: tuple[str, ...] = ()
    of_setup: str = ""
    called: str | None = None

    @property
    def held(self) -> str:
        """Its name in the job's own table, whose numbers are metres and radians; "" where it is not there."""
        return re.sub("_(mm|sec)$", "", self.name) if self.called is None else self.called

    @property
    def numeric(self) -> bool:
        return self.kind in ("length", "mm", "sec", "count", "angle")

    @property
    def unit(self) -> str:
        """Unit in words, "" for text."""
        units = {"length": "units.length", "mm": "mm", "sec": "arc-seconds", "angle": "units.angle"}
        return units.get(self.kind, "")

    @property
    def must(self) -> str:
        """Whether it must be filled, in words; "" where not."""
        if self.unless:
            return f"yes, or {' or '.join(self.unless)}"
        return "yes" if self.required else ""

    def expected(self, unit: str = "m") -> str:
        """What would have been understood in a table whose lengths are in a unit, for messages."""
        if self.required:
            blank = ""
        else:
            blank = ", or blank" if self.within and self.within.zero else " or blank"
        return (self.rule_in(unit) or KINDS[self.kind]) + blank


@dataclass(frozen=True)
class Table:
    """One table of a job: a CSV file or a sheet of a workbook.

    key : columns whose value may occur once only, together.
    made : columns of the job's own table that reading makes of several, each with its type.
    """

    name: str
    meaning: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    made: tuple[tuple[str, str], ...] = ()

    @cached_property
    def held(self) -> dict[str, str]:
        """The columns of the job's own table, each "str", "float", "bool" or "int".

        >>> TABLES["marks"].held["sd"], TABLES["equipment"].held["usual"]
        ('float', 'bool')
        """
        own = {c.held: "float" if c.numeric else "bool" if c.kind == "yes" else "str" for c in self.columns if c.held}
        return {**own, **dict(self.made), "row": "int"}

    def column(self, name: str) -> Column:
        return next(c for c in self.columns if c.name == name)

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(c.name for c in self.columns)


NO_INSTRUMENT = (
    "In a level book HI is the elevation of the line of sight, here it is the height of the trunnion axis above the "
    "mark, about 1.5 m; is this a reduced level, or another unit?"
)
NO_STAFF = "Is it in another unit, has it lost its point, or does a zenith angle stand here?"


def _either_way(first: str, second: str, between: str = "") -> tuple[str, ...]:
    """Two words in either order, of each pair: "occupied point", "point occupied"."""
    pairs = [(a, b) for a in first.split() for b in second.split()]
    return tuple(dict.fromkeys(text for a, b in pairs for text in (f"{a} {b}", f"{b} {between}{a}")))


SETUP_NAMES = ("setup id", "setup name", "setup number", "setup reference", "instrument setup", "occupation",
               "instrument position", "setup")  # fmt: skip
MARK_WORDS = "station point mark peg"
OCCUPIED = _either_way("occupied instrument at from setup", MARK_WORDS)
SIGHTED = (
    *_either_way("observed sighted sight to target", MARK_WORDS),
    "observed to",
    "sight to",
    "sighted to",
    "sight",
    "sighted",
    "object",
)
TARGET_HEIGHTS = (
    *_either_way("target prism pole rod staff reflector signal", "height", "of "),
    *(f"height {word}" for word in ("target", "reflector", "prism")), "ht", "th", "tht", "hot", "hr", "hs",
)  # fmt: skip


def _stand(height: str, also: tuple[str, ...], within: Range, hint: str = "") -> tuple[Column, ...]:
    """Columns that set-ups and targets share."""
    return (
        Column("height", "length", height, also=also, within=within, hint=hint, vital=True),
        Column(
            "sd_mm", "mm", "Standard deviation of that height; blank: the job's precision.",
            also=("sd mm", "height sd mm"), within=ranges.SD_READ_MM,
        ),
    )  # fmt: skip


def _whose(name: str, stand: str, also: str) -> Column:
    """One of the columns of which each tape reading fills one."""
    return Column(name, "name", f"Whose height it is: {stand}.", also=(also,), called="")


_TRIPOD = Column(
    "tripod", "name",
    "Name of the stand. A set-up and a target with one name stood on the same undisturbed stand: one height.",
    also=("stand", "tripod id", "tribrach"),
)  # fmt: skip
_WHEN = Column(
    "when", "text", "When, free text; 2026-05-04T09:30 preferred. A column date and a column time are read together.",
    also=("date", "time", "date time"), dated=True, parts=("date", "time"),
)  # fmt: skip
_OBSERVER = Column("observer", "text", "Who.", also=("obs", "by", "surveyor"))
_RUN = Column("run", "name", "Name of the level run.", also=("level run", "line", "level line"), not_beside=("page",))
_BOOK = (
    Column(
        "page",
        "name",
        "Page of the field book that the row was copied from; findings name it first.",
        also=("book page", "page number", "pg"),
    ),
    Column(
        "line",
        "name",
        "Line of that page; without a column page, `line` of levelling means run.",
        also=("book line", "line number", "ln"),
    ),
)

MARKS = Table(
    "marks",
    "Marks whose height is known, and where marks lie. Marks that only other tables name need no row here.",
    (
        Column(
            "mark", "name", "Name of the mark.", required=True,
            also=("point", "station", "name", "point id", "point number", "station id", "point name", "mark id",
                  "mark name", "benchmark", "bench mark", "bm"),
        ),
        Column(
            "height", "length", "Known height of the mark; blank: to be found.",
            also=("reduced level", "rl", "elevation", "elev", "level", "known height", "z", "h"),
            within=ranges.HEIGHT_M, vital=True,
        ),
        Column(
            "sd_mm", "mm", "Standard deviation of the known height; blank: precision.known_mm; 0: held exactly.",
            also=("sd mm", "height sd mm"), within=ranges.SD_OR_EXACT_MM,
        ),
        Column(
            "east", "length", "Position, for plots and distances only.", also=("easting", "e"),
            within=ranges.POSITION_M,
        ),
        Column(
            "north", "length", "Position, for plots and distances only.", also=("northing", "n"),
            within=ranges.POSITION_M,
        ),
        Column(
            "separation", "length", "Height of the geoid above the ellipsoid there (below: negative), for antennas.",
            also=("geoid separation", "geoid height", "geoid undulation", "undulation", "geoid"),
            within=ranges.SEPARATION_M, hint="Is this an ellipsoidal height, or another unit?",
        ),
        Column(
            "separation_sd_mm", "mm", "Standard deviation of the separation; blank: separation.sd_mm; 0: exact.",
            also=("separation sd mm", "geoid sd mm"), within=ranges.SD_OR_EXACT_MM,
        ),
        Column(
            "source", "name", "Where the known height comes from, a list or an epoch: list 2019.",
            also=("list", "epoch", "height list", "height source", "source of height"), dated=True,
        ),
    ),
    key=("mark",),
)  # fmt: skip

SETUPS = Table(
    "setups",
    "Each time an instrument, or a satellite antenna, was set up.",
    (
        Column(
            "setup", "name", "Name of the set-up, each one its own.", required=True,
            also=("setup id", "set up", "instrument setup", "setup name", "setup number", "occupation",
                  "occupation id", "setup station"),
        ),
        Column(
            "mark", "name", "The mark it stands over; blank: a free set-up, over no mark.",
            also=("at", "station", "occupied", "point", "instrument station", "at station", "instrument at",
                  "occupied point", "occupied station", "occ", "setup point", "instrument point", "station id",
                  "point id", "from", "from point", "from station", "over"),
            vital=True,
        ),
        *_stand(
            "Instrument height, from the mark straight up to the trunnion axis, of an antenna to its reference point; "
            "blank where tape has it.",
            ("instrument height", "height instrument", "height of instrument", "hi", "ih", "iht", "hoi", "height axis",
             "antenna height", "ant height", "height of antenna"),
            ranges.INSTRUMENT_M, NO_INSTRUMENT,
        ),
        Column(
            "instrument", "name", "Name of the instrument, or of the antenna's model.",
            also=("inst", "total station", "equipment", "antenna", "antenna model"),
        ),
        _TRIPOD, _WHEN, _OBSERVER, *_BOOK,
    ),
    key=("setup",),
)  # fmt: skip

TARGETS = Table(
    "targets",
    "Each time a prism, pole or staff was put up on a mark.",
    (
        Column(
            "target", "name", "Name of this putting-up, each one its own.", required=True,
            also=("target id", "target name", "target number", "target setup"),
        ),
        Column(
            "mark", "name", "The mark it stands on.", required=True,
            also=("at", "station", "point", "target station", "over", "target point", "point id", "station id",
                  "to point", "to station", "point name"),
        ),
        *_stand(
            "Target height, from the mark straight up to the target's centre; blank where tape has it.",
            TARGET_HEIGHTS,
            ranges.TARGET_M,
        ),
        Column("equipment", "name", "Name of the prism, pole or staff.", also=("prism", "pole", "reflector", "rod")),
        _TRIPOD, _WHEN, _OBSERVER, *_BOOK,
    ),
    key=("target",),
)  # fmt: skip

SHOTS = Table(
    "shots",
    "Each sight from a set-up to a target.",
    (
        Column(
            "setup", "name", "The set-up it was taken from.", required=True, unless=("at",), of_setup="name",
            also=(*SETUP_NAMES, "from setup"),
            vital=True, instead=("at",),
        ),
        Column(
            "target", "name", "The target sighted; or give mark and target_height instead.",
            also=("target id", "to", "sighted", "target name", "target number"), vital=True,
            instead=("mark",),
        ),
        Column(
            "mark", "name", "Flat form: the mark sighted.", called="",
            also=("point", "point id", "point name", "point number", *SIGHTED),
            vital=True, instead=("target",),
        ),
        Column(
            "target_height", "length", "Flat form: target height over that mark.", called="",
            also=TARGET_HEIGHTS, within=ranges.TARGET_M, vital=True,
        ),
        Column(
            "placement", "text",
            "Flat form: another word where the target was put up again at the same mark and height.", called="",
        ),
        Column(
            "slope_distance", "length", "Slope distance, instrument axis to target centre.", required=True,
            also=("sd", "slope distance", "s distance", "slope", "sdist", "slopedist", "inclined distance"),
            within=ranges.SIGHT_M, vital=True,
        ),
        Column(
            "zenith_angle", "angle", "Zenith angle; 0 is straight up.", required=True,
            also=("za", "zenith", "zenith distance", "zd", "z angle", "zen", "zenith reading",
                  "zenith observed", "observed zenith", "zenith circle"), vital=True,
        ),
        Column(
            "face", "choice", "L or R for one face; blank: the mean of both faces.", choices=("L", "R"),
            words=(("left", "L"), ("right", "R"), ("fl", "L"), ("fr", "R"), ("face left", "L"), ("face right", "R"),
                   ("i", "L"), ("ii", "R"), ("1", "L"), ("2", "R"), ("direct", "L"), ("reverse", "R"), ("d", "L"),
                   ("mean", ""), ("both", "")),
            also=("face l/r", "circle"),
        ),
        Column(
            "at", "name", "Flat form: the mark the set-up stands over.", called="", of_setup="name",
            also=("station", "from", "occupied", "instrument at", "occ", "over", "setup on", "station id",
                  "station name", *OCCUPIED),
            vital=True, instead=("setup",), vital_beside=("instrument_height",),
        ),
        Column(
            "instrument_height", "length",
            "Flat form: instrument height over that mark. Exchanged with target_height in a row, it is put right where "
            "the other rows of its set-up say so, and said.", called="", of_setup="fact",
            also=("height of instrument", "height instrument", "hi", "ih", "iht", "hoi", "height axis"),
            within=ranges.INSTRUMENT_M, hint=NO_INSTRUMENT, vital=True,
        ),
        Column(
            "instrument", "name", "Flat form: the instrument.", called="", also=("inst", "total station"),
            of_setup="fact",
        ),
        Column(
            "sd_zenith_sec", "sec", "Standard deviation of this zenith angle; blank: precision.zenith_sec.",
            within=ranges.SD_SEC,
        ),
        Column(
            "sd_distance_mm", "mm", "Standard deviation of this distance; blank: from precision.",
            within=ranges.SD_MM,
        ),
        Column(
            "session", "name", "Shots of one session share one refraction coefficient; blank: one for the job.",
        ),
        _WHEN, *_BOOK,
    ),
)  # fmt: skip

TAPE = Table(
    "tape",
    "Tape readings behind a height, one row a reading. A stand with rows here takes its height from them.",
    (
        _whose("setup", "the set-up (or fill target or tripod)", "setup id"),
        _whose("target", "the target (or fill setup or tripod)", "target id"),
        _whose("tripod", "the stand (or fill setup or target)", "stand"),
        Column(
            "reading", "reading", "As read: 1.586, 5.203, 5' 2 7/16\" or 5-2 7/16.", required=True, called="text",
            also=("tape reading", "read", "measured"),
        ),
        Column(
            "scale", "choice", "m, mm, ft (international), ftUS, or ftin for feet, inches and fractions.",
            required=True, choices=("m", "mm", "ft", "ftUS", "ftin"), also=("unit", "units"),
            words=(("metres", "m"), ("meters", "m"), ("metre", "m"), ("meter", "m"), ("millimetres", "mm"),
                   ("millimeters", "mm"), ("feet", "ft"), ("foot", "ft"), ("us survey feet", "ftUS"),
                   ("us survey foot", "ftUS"), ("feet and inches", "ftin"), ("ft in", "ftin"), ("ft-in", "ftin")),
        ),
        Column(
            "kind", "choice", "vertical (default), slant, or part of a height measured in parts.",
            choices=("vertical", "slant", "part"), words=(("v", "vertical"), ("s", "slant"), ("slope", "slant")),
        ),
        Column("point", "name", "The equipment's measuring point the tape was held to.", also=("measuring point",)),
        Column(
            "radius_mm", "mm", "Horizontal distance from the vertical axis to the measuring point.",
            within=ranges.RADIUS_MM,
        ),
        Column(
            "offset_mm", "mm", "Vertical distance from the measuring point up to the axis or centre; down: negative.",
            within=ranges.OFFSET_MM,
        ),
        Column("part", "name", "part rows of one stand that share this letter add up to one reading."),
        Column("tape", "name", "Which tape."),
        Column("by", "text", "Who read it.", also=("read by", "observer")),
        _WHEN,
        Column(
            "sd_mm", "mm", "Standard deviation of this reading; blank: the job's precision.", within=ranges.SD_READ_MM,
        ),
        *_BOOK,
    ),
    made=(("stand_kind", "str"), ("stand", "str"), ("reading", "float")),
)  # fmt: skip

EQUIPMENT = Table(
    "equipment",
    "The points of an instrument, antenna, prism or pole that a tape can be held to.",
    (
        Column(
            "equipment", "name", "Name of the instrument, antenna model, prism or pole.", required=True,
            also=("name", "instrument", "item", "antenna"),
        ),
        Column(
            "point", "name",
            "Name of the point. The row 'axis' gives the axis or centre above the stand's seat, for shared stands; the "
            "row 'phase centre' an antenna's phase-centre offset.",
            required=True, also=("measuring point",),
        ),
        Column(
            "radius_mm", "mm", "Horizontal distance from the vertical axis to the point.",
            within=ranges.RADIUS_MM,
        ),
        Column(
            "offset_mm", "mm", "Vertical distance from the point up to the axis or centre; down: negative.",
            within=ranges.OFFSET_MM,
        ),
        Column("usual", "yes", "yes on the one point the tape is held to when nothing is said."),
        Column(
            "carries", "choice", "What it is: instrument, target or antenna.",
            choices=("instrument", "target", "antenna"),
            words=(("prism", "target"), ("reflector", "target"), ("pole", "target"), ("total station", "instrument")),
        ),
    ),
    key=("equipment", "point"),
)  # fmt: skip

LEVELS = Table(
    "levels",
    "Spirit-levelled height differences.",
    (
        Column(
            "from", "name", "From this mark,", required=True, called="from_mark",
            also=("from mark", "start", "from point"),
        ),
        Column("to", "name", "to this mark,", required=True, called="to_mark", also=("to mark", "end", "to point")),
        Column(
            "rise", "length", "height of `to` less height of `from`.", required=True,
            also=("height difference", "difference", "diff", "dh", "rise fall", "difference of level",
                  "level difference", "delta h"),
            within=ranges.RISE_M, vital=True,
        ),
        Column(
            "length", "length", "Distance levelled.", also=("distance", "dist", "line length"), within=ranges.LINE_M,
        ),
        Column(
            "setups", "count", "Number of level set-ups.", also=("set ups", "level setups", "number of setups"),
            within=ranges.LEVEL_SETUPS,
        ),
        Column("sd_mm", "mm", "Standard deviation; blank: from length, else from setups.", within=ranges.SD_MM),
        _RUN, *_BOOK,
    ),
)  # fmt: skip

STAFF = Table(
    "staff",
    "A levelling book at reading level: each staff reading. A level set-up is known by its line of sight alone.",
    (
        Column(
            "level_setup", "name", "Name of the level set-up.", required=True, unless=("back_sight", "fore_sight"),
            of_setup="name",
            also=(*SETUP_NAMES, "level setup", "level station", "position"),
        ),
        Column(
            "mark", "name", "Where the staff stood: a mark, or a change point (any name marks does not list).",
            required=True, called="name",
            also=("point", "station", "change point", "turning point", "point id", "point name", "station id",
                  "staff point", "tp", "cp", "on", "staff on", "rod on", "staff at", "rod at", "staff station", "peg"),
        ),
        Column(
            "reading", "length", "Staff reading.", required=True, unless=("back_sight", "fore_sight"),
            also=("staff reading", "rod reading", "rod", "staff"), within=ranges.STAFF_M, hint=NO_STAFF, vital=True,
        ),
        Column(
            "staff", "name", "Name of the staff; with no reading under another heading, staff is the reading.",
            also=("staff name", "staff id", "staff no", "staff number", "staff used", "levelling staff",
                  "rod name", "rod id", "rod no", "rod number", "rod used", "rod"),
        ),
        Column(
            "sight", "choice", "BS (back), IS (intermediate) or FS (fore).", choices=("BS", "IS", "FS"),
            also=("sight type", "type of sight", "type", "kind of sight"),
            words=(("backsight", "BS"), ("back sight", "BS"), ("b", "BS"), ("foresight", "FS"), ("fore sight", "FS"),
                   ("f", "FS"), ("intermediate", "IS"), ("intermediate sight", "IS"), ("i", "IS")),
        ),
        Column(
            "distance", "length", "Distance to the staff.", also=("dist", "sight length", "length"),
            within=ranges.STAFF_SIGHT_M,
        ),
        Column("sd_mm", "mm", "Standard deviation; blank: precision.staff_mm.", within=ranges.SD_READ_MM),
        _RUN, _WHEN, *_BOOK,
        Column(
            "back_sight", "length", "Book form: the reading behind; it opens the next level set-up.", called="",
            also=("bs", "backsight", "back", "back sight middle", "bs middle"),
            within=ranges.STAFF_M, hint=NO_STAFF, vital=True,
        ),
        Column(
            "intermediate_sight", "length", "Book form: a reading between.", called="",
            also=("is", "intermediate", "inter sight", "intersight", "ifs", "intermediate fore sight",
                  "intermediate foresight", "inter", "int", "intermediate sight middle"),
            within=ranges.STAFF_M, hint=NO_STAFF, vital=True,
        ),
        Column(
            "fore_sight", "length", "Book form: the reading ahead; it closes the level set-up.", called="",
            also=("fs", "foresight", "fore", "fore sight middle", "fs middle"),
            within=ranges.STAFF_M, hint=NO_STAFF, vital=True,
        ),
        Column(
            "line_of_sight", "length", "As booked, the height of the line of sight (of collimation); re-added by bust.",
            also=("collimation", "coll", "hi", "h i", "height of instrument", "height of collimation", "hpc", "hoc",
                  "height of plane of collimation", "collimation height", "instrument height"),
            within=ranges.HEIGHT_M,
        ),
        Column(
            "reduced_level", "length", "As booked; re-added by bust. Known heights belong in marks.",
            also=("rl", "elevation", "elev", "reduced level", "red level", "red lev", "height"), within=ranges.HEIGHT_M,
        ),
        Column("rise", "length", "As booked; re-added by bust.", within=ranges.RISE_M),
        Column("fall", "length", "As booked; re-added by bust.", within=ranges.RISE_M),
        Column(
            "upper_wire", "length", "Reading of the upper stadia wire: with the lower one a further reading.",
            called="", also=("upper", "upper hair", "top wire", "upper stadia", "stadia upper"),
            within=ranges.STAFF_M, hint=NO_STAFF,
        ),
        Column(
            "lower_wire", "length", "Reading of the lower stadia wire.", called="",
            also=("lower", "lower hair", "bottom wire", "lower stadia", "stadia lower"),
            within=ranges.STAFF_M, hint=NO_STAFF,
        ),
        Column(
            "other_scale", "length",
            "Reading of the staff's second scale: a further reading. What lies between the scales is the offset of the "
            "staff's point `other scale` in equipment, else the book's own.", called="",
            also=("second scale", "right scale", "second reading", "back scale", "control scale"),
            within=ranges.OTHER_SCALE_M,
        ),
    ),
    made=(("mark", "str"), ("cell", "str")),
)  # fmt: skip

ONE_SIGHT = ["level_setup", "run", "sight", "mark"]
"""Columns of staff that readings of one sight to a staff have in common: its wires, its scales, what was read again."""

TWO_PEG = Table(
    "two_peg",
    "A test of the level by two pegs: staff readings from set-ups at unequal distances give its collimation error.",
    (
        Column("test", "name", "Which test; blank: the one there is.", also=("test no", "test name")),
        Column(
            "level_setup", "name", "Name of the set-up: midway, near one peg.", required=True,
            also=("setup", "set up", "level set up", "position", "level position"),
        ),
        Column("peg", "name", "The peg the staff stood on.", required=True, also=("mark", "point", "staff at")),
        Column(
            "reading", "length", "Staff reading.", required=True, also=("staff reading",),
            within=ranges.STAFF_M, hint=NO_STAFF,
        ),
        Column(
            "distance", "length",
            "From the level to the peg; blank where it is not recorded: the test then gives no collimation error.",
            also=("dist", "sight length"), within=ranges.STAFF_SIGHT_M, vital=True,
        ),
        Column("sd_mm", "mm", "Standard deviation; blank: precision.staff_mm.", within=ranges.SD_READ_MM),
        _WHEN, *_BOOK,
    ),
    key=("test", "level_setup", "peg"),
)  # fmt: skip

GNSS = Table(
    "gnss",
    "Satellite heights: the rise from one antenna set-up to another, or the height of one by a positioning service.",
    (
        Column(
            "from", "name", "From this set-up's antenna; blank for a height by a positioning service.",
            called="from_setup",
            also=("from setup", "start", "base", "reference", "from point"), vital=True,
        ),
        Column(
            "to", "name", "to this set-up's antenna.", required=True, called="to_setup",
            also=("to setup", "end", "rover", "setup"),
        ),
        Column(
            "rise", "length", "Ellipsoidal height of the reference point of `to` less that of `from`.",
            also=("height difference", "difference", "dh", "up", "ellipsoidal rise"), within=ranges.RISE_M, vital=True,
        ),
        Column(
            "height", "length", "Ellipsoidal height of the antenna's reference point, where there is no `from`.",
            also=("ellipsoidal height", "ellipsoid height"), within=ranges.HEIGHT_M, vital=True,
        ),
        Column("sd_mm", "mm", "Standard deviation; blank: precision.gnss_mm.", also=("sd mm",), within=ranges.SD_MM),
        Column("session", "name", "Session; heights of one session may have one error.", also=("occupation session",)),
    ),
)  # fmt: skip

TABLES: dict[str, Table] = {}
"""Every table by name, in the order of a job."""


def declare(table: Table, after: str = "") -> None:
    """Make a table one of a job's, after another one or last.

    Raises ValueError where its name is taken, or it speaks of columns that it has not.
    """
    names = set(table.names)
    unknown = {*table.key, *(other for c in table.columns for other in c.unless)} - names
    if unknown or len(names) < len(table.columns):
        raise ValueError(f"{table.name}: a column is there twice, or there is no {', '.join(sorted(unknown))}")
    put(TABLES, table.name, table, after)


for _table in (MARKS, SETUPS, TARGETS, SHOTS, TAPE, EQUIPMENT, LEVELS, STAFF, TWO_PEG, GNSS):
    declare(_table)
