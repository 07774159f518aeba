"""Settings of a job read from job.toml, a sheet, options or Python."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from heightnet.errors import WrongSettings
from heightnet.job.problems import Problems, nearest
from heightnet.ledger.arguments import ARGUMENTS
from heightnet.ledger.settings import BY_NAME, Setting, Settings, value_of

if TYPE_CHECKING:
    from heightnet.job.model import Job

LARGEST_FILE = 200_000  # bytes; a job.toml has a few lines


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
        elif not setting.keeps(value):
            cause = "A number stands without quotation marks." if _is_number_text(setting, value) else setting.hint
            if setting.choices and isinstance(value, str):
                cause = nearest(value, setting.choices)
            problems.add(file, row, name, shown, setting.expected, cause)
            if name.startswith("units."):
                good[name] = ""
        else:
            good[name] = value if isinstance(value, str) else float(value)
            if setting.unusual(value):
                problems.note("doubt", setting.doubt(shown), file, row)
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
        elif not setting.keeps(value):
            wrong.append(f"{name}: read {_shown(value)}, expected {setting.expected}.")
        else:
            good[name] = float(value) if setting.within else value
    if wrong:
        raise WrongSettings("\n".join(wrong))
    return good


def with_settings(job: Job, settings: dict[str, Any]) -> Job:
    """The job with some settings replaced, ``{"test__tolerance_mm": 3.0}``."""
    return replace(job, settings=job.settings.with_values(**check_values(settings)))


def with_tolerance(job: Job, metres: float | None) -> Job:
    """The job with another tolerance of a height, where one is asked for."""
    return job if metres is None else with_settings(job, {"test__tolerance_mm": metres * 1000})


def check_arguments(**given: Any) -> None:
    """Raises `WrongSettings` with everything asked for beside settings, None where nothing is, that keeps no rule.

    Of a tuple each value is looked at.
    """
    wrong = [
        f"{name}: read {_shown(value)}, expected {ARGUMENTS[name].rule_in() or 'text'}."
        for name, values in given.items()
        for value in (values if isinstance(values, tuple) else (values,))
        if value is not None and not ARGUMENTS[name].keeps(value)
    ]
    if wrong:
        raise WrongSettings("\n".join(wrong))


def _is_number_text(setting: Setting, value: Any) -> bool:
    return setting.within is not None and isinstance(value, str)


def _shown(value: Any) -> str:
    try:
        return str(value)[:2000]
    except ValueError:  # Python writes no integer of more than 4300 digits
        return "a very large number"
