"""Settings of a job: what each means, which values it may have, and reading them from job.toml or a sheet."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from heightnet.errors import WrongSettings
from heightnet.job import ranges
from heightnet.job.model import Settings
from heightnet.job.problems import Problems, nearest
from heightnet.job.ranges import Range

LARGEST_FILE = 200_000  # bytes; a job.toml has a few lines
LONGEST_TEXT = 500


@dataclass(frozen=True)
class Setting:
    """One setting: its dotted name, what it means, and its rule.

    within : what it may be, where it is a number.  choices : the words it may be; without either it is any text.
    instead : of a setting that older jobs state and nothing uses any more: what says the same today.
    """

    name: str
    about: str
    within: Range | None = None
    choices: tuple[str, ...] = ()
    instead: str = ""

    @property
    def expected(self) -> str:
        if self.within:
            return str(self.within)
        return f"one of {', '.join(self.choices)}" if self.choices else "text in quotation marks"

    @property
    def holds(self) -> str:
        """The same for the page of columns."""
        if self.within:
            return f"{'0 or ' if self.within.zero else ''}{self.within.span}"
        return ", ".join(f"`{choice}`" for choice in self.choices) or "text"

    def wrong(self, value: Any) -> bool:
        if self.within is None:
            return (
                value not in self.choices if self.choices else not isinstance(value, str) or len(value) > LONGEST_TEXT
            )
        return not self.within.takes(value)


SETTINGS = (
    Setting("title", "What the job is called."),
    Setting(
        "units.length", "Unit of lengths in the tables: m, ft (0.3048 m) or ftUS (1200/3937 m).",
        choices=("m", "ft", "ftUS"),
    ),
    Setting(
        "units.angle", "How zenith angles are written: dms (92-14-35.5), packed (92.14355), deg or gon.",
        choices=("dms", "packed", "deg", "gon"),
    ),
    Setting("precision.zenith_sec", "Standard deviation of a zenith angle, arc-seconds.", ranges.SD_SEC),
    Setting("precision.distance_mm", "Standard deviation of a slope distance, constant part, mm.", ranges.SD_MM),
    Setting("precision.distance_ppm", "The part that grows with the distance, mm per km.", ranges.PPM),
    Setting("precision.tape_mm", "Standard deviation of a taped height, mm.", ranges.SD_MM),
    Setting("precision.target_mm", "Standard deviation of a target's height, mm; left out: tape_mm.", ranges.SD_MM),
    Setting("precision.known_mm", "Standard deviation of a known height, mm; 0: held exactly.", ranges.SD_OR_EXACT_MM),
    Setting("precision.level_mm_sqrt_km", "Levelled difference, mm per root km.", ranges.SD_ROOT_KM),
    Setting("precision.level_mm_setup", "Levelled difference, mm per root set-up.", ranges.SD_ROOT_SETUP),
    Setting("precision.staff_mm", "Standard deviation of a staff reading, mm.", ranges.SD_MM),
    Setting(
        "precision.index_sec", "An instrument's unknown vertical index error, arc-seconds; for single faces.",
        ranges.SD_OR_NONE_SEC,
    ),
    Setting(
        "precision.gnss_mm", "Standard deviation of a satellite rise or height, mm; where sd_mm is blank.", ranges.SD_MM
    ),
    Setting("air.refraction", "Coefficient of refraction k.", ranges.REFRACTION),
    Setting("air.refraction_sd", "How well k is known; 0: exactly.", ranges.SD_REFRACTION),
    Setting("earth.radius_m", "Radius of the earth, m.", ranges.EARTH_M),
    Setting(
        "separation.sd_mm", "Standard deviation of a separation, mm, where marks give none; 0: exact.",
        ranges.SD_OR_EXACT_MM,
    ),
    Setting(
        "separation.mm_sqrt_km",
        "Separations of neighbours are wrong alike: sd of the difference of their errors, mm per root km.",
        ranges.SD_ROOT_KM,
    ),
    Setting(
        "separation.offset_sd_mm", "An error common to all separations, to be found: its prior sd, mm; 0: none.",
        ranges.SD_OR_EXACT_MM,
    ),
    Setting(
        "separation.tilt_sd_mm_km", "A tilt of all separations, east and north, to be found: its prior sd, mm per "
        "km; 0: none.", ranges.SD_TILT,
    ),
    Setting("test.false_alarm", "Share of jobs without a blunder of which anything is said.", ranges.FALSE_ALARM),
    Setting("test.power", "Chance that something is said of an error of the smallest size found.", ranges.POWER),
    Setting(
        "test.alpha", "No longer used, and read only because older jobs state it.", ranges.ALPHA,
        instead="what is promised follows from test.false_alarm and test.power",
    ),
    Setting("test.tolerance_mm", "A height error this large must not be able to hide, mm.", ranges.TOLERANCE_MM),
    Setting("rates.setup", "Prior chance that a set-up height is a blunder.", ranges.RATE),
    Setting("rates.target", "Prior chance that a target height is a blunder.", ranges.RATE),
    Setting("rates.shot", "Prior chance that a shot is a blunder.", ranges.RATE),
    Setting("rates.known", "Prior chance that a known height is a blunder.", ranges.RATE),
    Setting("rates.level", "Prior chance that a levelled difference is a blunder.", ranges.RATE),
    Setting("rates.gnss", "Prior chance that a satellite rise or height is a blunder.", ranges.RATE),
    Setting("rates.separation", "Prior chance that a mark's separation is a blunder.", ranges.RATE),
    Setting("rates.group", "Prior chance that a whole piece of equipment is wrong.", ranges.RATE),
    Setting("rates.reading", "Prior chance that one tape reading of several is a blunder.", ranges.RATE),
)  # fmt: skip
BY_NAME = {s.name: s for s in SETTINGS}


def default(name: str) -> Any:
    """The value a setting has when nothing is said, None for "left out".

    >>> default("precision.tape_mm"), default("units.angle")
    (1.0, 'dms')
    """
    return value_of(Settings(), name)


def value_of(settings: Settings, name: str) -> Any:
    """A setting's value by its dotted name."""
    value: Any = settings
    for part in name.split("."):
        value = getattr(value, part)
    return value


def read_toml(data: bytes, file: str, problems: Problems) -> Settings:
    """Settings from the bytes of a job.toml; everything wrong goes to ``problems``, the default standing in."""
    if len(data) > LARGEST_FILE:
        problems.add(file, None, "", f"{len(data)} bytes", f"at most {LARGEST_FILE} bytes")
        return Settings()
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        read = data[max(0, error.start - 10) : error.start + 10].decode("latin-1")
        problems.add(file, row, "", read, "text in UTF-8", "Save the file as UTF-8.")
        return Settings()
    try:
        tree = tomllib.loads(text.replace("\r\n", "\n"))
    except (ValueError, RecursionError) as error:
        row_said = re.search(r"line (\d+)", str(error))
        line = int(row_said[1]) if row_said else None
        lines = text.splitlines()
        read = lines[line - 1] if line and line <= len(lines) else ""
        cause = "Nested too deeply." if isinstance(error, RecursionError) else f"{error}."
        problems.add(file, line, "", read, "TOML: [group] lines and key = value lines, text in quotation marks", cause)
        return Settings()
    entries: list[tuple[str, Any, int | None]] = []
    for key, value in tree.items():
        if isinstance(value, dict):
            entries += [(f"{key}.{k}", v, _line(text, k)) for k, v in value.items()]
            if not value and key not in {f.name for f in fields(Settings)}:
                entries.append((key, "", None))
        else:
            entries.append((key, value, _line(text, key)))
    return read_entries(entries, file, problems)


def read_rates(path: str | Path) -> dict[str, float]:
    """Prior rates from a file with a ``[rates]`` section and nothing else, by dotted name.

    Raises `InputErrors` with everything that is wrong with the file.
    """
    path, problems = Path(path), Problems()
    data = path.read_bytes()
    settings = read_toml(data, path.name, problems)
    given: list[str] = []
    if not problems:
        tree = tomllib.loads(data.decode("utf-8-sig").replace("\r\n", "\n"))
        given = [f"{group}.{key}" for group, part in tree.items() if isinstance(part, dict) for key in part]
        given += [group for group, part in tree.items() if not isinstance(part, dict)]
        for name in given:
            if not name.startswith("rates."):
                cause = "Other settings belong in job.toml."
                problems.add(path.name, None, name, "", "settings of [rates] only", cause)
        if not given:
            problems.add(path.name, None, "", "", "a [rates] section with at least one rate")
    problems.raise_if_any([path.name])
    return {name: float(value_of(settings, name)) for name in given}


def _line(text: str, key: str) -> int | None:
    match = re.search(rf"^\s*(?:[\w.\"]+\.)?\"?{re.escape(key)}\"?\s*=", text, re.MULTILINE)
    return text.count("\n", 0, match.end()) + 1 if match else None


def read_entries(entries: Iterable[tuple[str, Any, int | None]], file: str, problems: Problems) -> Settings:
    """Settings from (dotted name, value, row) triples.

    An angle or length unit that is not understood is returned as "", so that readers of cells can pass over what
    depends on it.
    """
    good: dict[str, Any] = {}
    for name, value, row in entries:
        setting = BY_NAME.get(name)
        shown = _shown(value)
        if setting is None:
            problems.add(file, row, name[:200], shown, "a setting of a job", nearest(name, BY_NAME, "nearest setting"))
        elif name in good:
            problems.add(file, row, name, shown, "each setting once")
        elif setting.wrong(value):
            cause = "A number stands without quotation marks." if _is_number_text(setting, value) else ""
            if setting.choices and isinstance(value, str):
                cause = nearest(value, setting.choices)
            problems.add(file, row, name, shown, setting.expected, cause)
            if name.startswith("units."):
                good[name] = ""
        else:
            good[name] = value if isinstance(value, str) else float(value)
            if setting.instead:
                problems.note("understood", f"{name} is no longer used; {setting.instead}.", file, row)
    return Settings().with_values(**good)


def check_values(values: dict[str, Any]) -> dict[str, Any]:
    """Settings as options and Python keywords ask for them, by their dotted names.

    Raises `WrongSettings` with everything that keeps no rule.

    >>> check_values({"test__tolerance_mm": 5})
    {'test.tolerance_mm': 5.0}
    """
    good: dict[str, Any] = {}
    wrong = []
    for keyword, value in values.items():
        name = keyword.replace("__", ".")
        setting = BY_NAME.get(name)
        if setting is None:
            wrong.append(f"{name}: no such setting. {nearest(name, BY_NAME, 'nearest setting')}".strip())
        elif setting.wrong(value):
            wrong.append(f"{name}: read {_shown(value)}, expected {setting.expected}.")
        else:
            good[name] = float(value) if setting.within else value
    if wrong:
        raise WrongSettings("\n".join(wrong))
    return good


def check_seconds(seconds: Any) -> None:
    """Raises `WrongSettings` where the seconds a search may take, None for no limit, keep no rule."""
    if seconds is not None and not ranges.SECONDS.takes(seconds):
        raise WrongSettings(f"seconds: read {_shown(seconds)}, expected {ranges.SECONDS}.")


def _is_number_text(setting: Setting, value: Any) -> bool:
    return setting.within is not None and isinstance(value, str)


def _shown(value: Any) -> str:
    try:
        return str(value)[:2000]
    except ValueError:  # Python writes no integer of more than 4300 digits
        return "a very large number"
