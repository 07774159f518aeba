"""The settings of a job: names, defaults, meanings and rules, each declared where its value stands."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import Field as Attribute
from dataclasses import dataclass, field, fields, replace
from typing import Any

from heightnet.ledger import ranges
from heightnet.ledger.field import METRES, Field
from heightnet.ledger.ranges import Range

LONGEST_TEXT = 500


@dataclass(frozen=True)
class Setting(Field):
    """One setting by its dotted name; its kind is "number", "choice" or "text".

    instead : of a setting that older jobs state and nothing uses any more: what says the same today.
    """

    instead: str = ""

    @property
    def expected(self) -> str:
        return self.rule_in() or "text in quotation marks"

    def keeps(self, value: Any) -> bool:
        return super().keeps(value) and (not isinstance(value, str) or len(value) <= LONGEST_TEXT)


def _set(default: Any, meaning: str, within: Range | None = None, *, instead: str = "", hint: str = "") -> Any:
    """A setting that is a number within a range, else text."""
    said = {"meaning": meaning, "within": within, "instead": instead, "hint": hint}
    return field(default=default, metadata=said)


def _choice(meaning: str, *choices: str) -> Any:
    """A setting that is one of some words, by itself the first."""
    return field(default=choices[0], metadata={"meaning": meaning, "choices": choices})


@dataclass(frozen=True)
class Units:
    """How the job's tables are written."""

    length: str = _choice("Unit of lengths in the tables: m, ft (0.3048 m) or ftUS (1200/3937 m).", *METRES)
    angle: str = _choice(
        "How zenith angles are written: dms (92-14-35.5), packed (92.14355), deg or gon.", "dms", "packed", "deg", "gon"
    )


@dataclass(frozen=True)
class Precision:
    """One standard deviation each."""

    zenith_sec: float = _set(3.0, "Standard deviation of a zenith angle, arc-seconds.", ranges.SD_SEC)
    distance_mm: float = _set(1.0, "Standard deviation of a slope distance, constant part, mm.", ranges.SD_MM)
    distance_ppm: float = _set(1.5, "The part that grows with the distance, mm per km.", ranges.PPM)
    tape_mm: float = _set(1.0, "Standard deviation of a taped height, mm.", ranges.SD_READ_MM)
    target_mm: float | None = _set(
        None, "Standard deviation of a target's height, mm; left out: tape_mm.", ranges.SD_READ_MM
    )
    known_mm: float = _set(1.0, "Standard deviation of a known height, mm; 0: held exactly.", ranges.SD_OR_EXACT_MM)
    level_mm_sqrt_km: float = _set(2.0, "Levelled difference, mm per root km.", ranges.SD_ROOT_KM)
    level_mm_setup: float = _set(0.5, "Levelled difference, mm per root set-up.", ranges.SD_ROOT_SETUP)
    staff_mm: float = _set(0.5, "Standard deviation of a staff reading, mm.", ranges.SD_READ_MM)
    index_sec: float = _set(
        5.0, "An instrument's unknown vertical index error, arc-seconds; for single faces.", ranges.SD_OR_NONE_SEC
    )
    gnss_mm: float = _set(
        10.0, "Standard deviation of a satellite rise or height, mm; where sd_mm is blank.", ranges.SD_MM
    )


@dataclass(frozen=True)
class Air:
    refraction: float = _set(0.13, "Coefficient of refraction k.", ranges.REFRACTION)
    refraction_sd: float = _set(0.05, "How well k is known; 0: exactly.", ranges.SD_REFRACTION)


@dataclass(frozen=True)
class Earth:
    radius_m: float = _set(6371000.0, "Radius of the earth, m.", ranges.EARTH_M, hint="It is in metres.")


@dataclass(frozen=True)
class Separation:
    """What is known of errors of recorded separations (geoid above ellipsoid); see `heightnet.network.separation`."""

    sd_mm: float = _set(
        20.0, "Standard deviation of a separation, mm, where marks give none; 0: exact.", ranges.SD_OR_EXACT_MM
    )
    mm_sqrt_km: float = _set(
        5.0,
        "Separations of neighbours are wrong alike: sd of the difference of their errors, mm per root km.",
        ranges.SD_ROOT_KM,
    )
    offset_sd_mm: float = _set(
        0.0, "An error common to all separations, to be found: its prior sd, mm; 0: none.", ranges.SD_OR_EXACT_MM
    )
    tilt_sd_mm_km: float = _set(
        0.0,
        "A tilt of all separations, east and north, to be found: its prior sd, mm per km; 0: none.",
        ranges.SD_TILT,
    )


@dataclass(frozen=True)
class Test:
    __test__ = False  # not a test class for pytest
    false_alarm: float = _set(0.01, "Share of jobs without a blunder of which anything is said.", ranges.FALSE_ALARM)
    power: float = _set(0.80, "Chance that something is said of an error of the smallest size found.", ranges.POWER)
    alpha: float = _set(
        0.001,
        "No longer used, and read only because older jobs state it.",
        ranges.ALPHA,
        instead="what is promised follows from test.false_alarm and test.power",
    )
    tolerance_mm: float = _set(
        10.0,
        "A height error this large must not be able to hide, mm.",
        ranges.TOLERANCE_MM,
        hint="It is in millimetres.",
    )


def _rate(default: float, of: str) -> Any:
    return _set(default, f"Prior chance that {of} is a blunder.", ranges.RATE)


@dataclass(frozen=True)
class Rates:
    """Prior chance that one of these is a blunder."""

    setup: float = _rate(0.02, "a set-up height")
    target: float = _rate(0.01, "a target height")
    shot: float = _rate(0.003, "a shot")
    known: float = _rate(0.01, "a known height")
    level: float = _rate(0.003, "a levelled difference")
    gnss: float = _rate(0.005, "a satellite rise or height")
    separation: float = _rate(0.003, "a mark's separation")
    group: float = _set(0.005, "Prior chance that a whole piece of equipment is wrong.", ranges.RATE)
    reading: float = _rate(0.01, "one tape reading of several")
    observer: float = _rate(0.0025, "all instrument heights, or all target heights, of one observer")
    spell: float = _set(
        0.0025,
        "Prior chance that equipment is wrong from some moment on; the same until one, and from one to another.",
        ranges.RATE,
    )
    local: float = _set(
        0.003, "Prior chance that equipment is wrong at one mark, or with one observer; shared among them.", ranges.RATE
    )
    moved: float = _set(0.003, "Prior chance that a stand moved between two of its sights.", ranges.RATE)
    moved_before: float = _set(0.001, "Prior chance that it did, and was taped afterwards.", ranges.RATE)
    settled: float = _set(0.002, "Prior chance that a stand settled slowly while it was used.", ranges.RATE)
    named_target: float = _rate(0.002, "the name of a target, or of the target of a sight,")
    named_setup: float = _rate(0.001, "the name of the mark under a set-up")
    named_known: float = _rate(0.001, "the name of a known mark, wherever the job has it,")
    source: float = _rate(0.005, "all known heights of one source alike")


@dataclass(frozen=True)
class Settings:
    title: str = _set("", "What the job is called.")
    units: Units = Units()
    precision: Precision = Precision()
    air: Air = Air()
    earth: Earth = Earth()
    separation: Separation = Separation()
    test: Test = Test()
    rates: Rates = Rates()

    def with_values(self, **dotted: Any) -> Settings:
        """A copy with dotted settings replaced, ``with_values(**{"test.tolerance_mm": 3.0})``.

        >>> Settings().with_values(**{"test.tolerance_mm": 3.0}).test.tolerance_mm
        3.0
        """
        changed = self
        for name, value in dotted.items():
            if name not in BY_NAME and name not in {group.name for group in fields(Settings)}:
                raise KeyError(name)
            group, _, key = name.partition(".")
            changed = replace(changed, **{group: replace(getattr(changed, group), **{key: value}) if key else value})
        return changed


def value_of(settings: Settings, name: str) -> Any:
    """A setting's value by its dotted name."""
    value: Any = settings
    for part in name.split("."):
        value = getattr(value, part)
    return value


def default(name: str) -> Any:
    """The value a setting has when nothing is said, None for "left out".

    >>> default("precision.tape_mm"), default("units.angle")
    (1.0, 'dms')
    """
    return value_of(Settings(), name)


def _declared(group: Any, before: str = "") -> Iterator[Setting]:
    for attribute in fields(group):
        value = getattr(group, attribute.name)
        if attribute.metadata:
            yield _setting(before + attribute.name, attribute)
        else:
            yield from _declared(value, f"{attribute.name}.")


def _setting(name: str, attribute: Attribute[Any]) -> Setting:
    said = attribute.metadata
    kind = "number" if said.get("within") else "choice" if "choices" in said else "text"
    return Setting(name, kind, **said)


SETTINGS = tuple(_declared(Settings()))
BY_NAME = {setting.name: setting for setting in SETTINGS}
