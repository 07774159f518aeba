"""Every number from outside has one rule, the same wherever it comes from."""

import math
import re

import numpy as np
import pytest
from openpyxl import Workbook

import heightnet
from heightnet.errors import InputErrors, WrongSettings
from heightnet.job.problems import Problems
from heightnet.job.settings import read_entries, read_rates
from heightnet.ledger.ranges import EARTH_M, TOLERANCE_MM, Range
from heightnet.ledger.recorded import TABLES
from heightnet.ledger.settings import BY_NAME, SETTINGS, default

COLUMNS = [(table, column) for table in TABLES.values() for column in table.columns if column.numeric]
NUMBERS = [setting for setting in SETTINGS if setting.within]
BEYOND = (-5.0, math.nan, math.inf, -math.inf, 1e300, 1e-300)


def outside(within: Range):
    """Numbers that a rule refuses: those of the list, and what lies just beyond its ends."""
    below, above = (within.low - abs(within.low) * 1e-6 - 1e-12), within.high + abs(within.high) * 1e-6
    found = [x for x in (*BEYOND, below, above) if not within.low <= x <= within.high and not (within.zero and x == 0)]
    assert len(found) >= 4
    return found


@pytest.mark.parametrize(("table", "column"), COLUMNS, ids=lambda x: x.name)
def test_every_column_of_numbers_has_a_rule(table, column):
    if column.kind == "angle":  # of a circle
        return
    within = column.within
    assert within and within.low < within.high and str(within) in column.expected()
    assert all(within.holds(x) for x in (within.low, within.high)) and not any(map(within.holds, outside(within)))


def test_every_setting_that_is_no_word_has_a_rule_that_its_default_keeps():
    assert {s.name for s in SETTINGS} - {s.name for s in NUMBERS} == {"title", "units.length", "units.angle"}
    for setting in NUMBERS:
        value = default(setting.name)
        assert value is None or setting.within.holds(value), setting.name


def test_what_was_asked_for():
    """The limits that calibration by simulation has, and what no job on earth holds."""
    limits = {name: (BY_NAME[name].within.low, BY_NAME[name].within.high) for name in BY_NAME if BY_NAME[name].within}
    assert limits["test.false_alarm"] == (0.001, 0.2) and limits["test.power"] == (0.5, 0.99)
    height = TABLES["marks"].column("height").within
    assert not height.holds(1e9) and height.holds(8849) and height.holds(-430)
    assert not TABLES["setups"].column("sd_mm").within.holds(1e-308)
    assert TABLES["marks"].column("sd_mm").within.holds(0) and not TABLES["marks"].column("sd_mm").within.holds(1e-308)


@pytest.mark.slow
@pytest.mark.parametrize("setting", NUMBERS, ids=lambda s: s.name)
def test_a_setting_keeps_one_rule_wherever_it_comes_from(setting, folder, plain, tmp_path):
    """A job.toml, a workbook's sheet and Python refuse the same numbers with the same words."""
    job = heightnet.read_job(folder(**plain))
    group, _, key = setting.name.partition(".")
    for number in outside(setting.within):
        said = []
        plain["toml"] = f"[{group}]\n{key} = {number!r}\n"
        with pytest.raises(InputErrors) as caught:
            heightnet.read_job(folder(f"toml{number!r}", **plain))
        (problem,) = caught.value.problems
        said.append(problem.expected)
        with pytest.raises(WrongSettings, match=setting.name) as refused:
            heightnet.check(job, **{f"{group}__{key}": number})
        said.append(str(refused.value).partition(", expected ")[2].rstrip("."))
        assert set(said) == {str(setting.within)}
    for number in {setting.within.low, setting.within.high, *([0.0] if setting.within.zero else [])}:
        assert heightnet.check(job, **{f"{group}__{key}": number}).facts["settings"][group][key] == number


@pytest.mark.parametrize("number", [-5, 1e-9, 1e5, "nan"])
def test_the_same_in_a_workbook_and_in_a_file_of_rates(tmp_path, number):
    book = Workbook()
    book.active.title = "job"
    for row in (["setting", "value"], ["test.tolerance_mm", number]):
        book.active.append(row)
    book.create_sheet("marks").append(["mark", "height"])
    book.save(tmp_path / "a.xlsx")
    with pytest.raises(InputErrors) as caught:
        heightnet.read_job(tmp_path / "a.xlsx")
    assert str(TOLERANCE_MM) in [p.expected for p in caught.value.problems]
    (tmp_path / "rates.toml").write_text(f"[rates]\nsetup = {number}\n")
    if number != 1e-9:
        with pytest.raises(InputErrors, match=r"a number from 0\.000000001 to 0\.5"):
            read_rates(tmp_path / "rates.toml")


def test_wrong_settings_are_all_said_at_once(folder, plain):
    job = heightnet.read_job(folder(**plain))
    with pytest.raises(WrongSettings) as caught:
        heightnet.check(job, test__tolerance_mm=True, test__tolerence_mm=5, units__length="yd", air__refraction="k")
    assert str(caught.value).splitlines() == [
        "test.tolerance_mm: read True, expected a number from 0.01 to 1,000 mm.",
        "test.tolerence_mm: no such setting. The nearest setting is 'test.tolerance_mm'.",
        "units.length: read yd, expected one of m, ft, ftUS.",
        "air.refraction: read k, expected a number from -10 to 10.",
    ]
    assert heightnet.check(job, test__tolerance_mm=np.int64(7)).facts["settings"]["test"]["tolerance_mm"] == 7.0


@pytest.mark.parametrize("seconds", [*BEYOND, 0.0, True, "5"])
def test_seconds_that_keep_no_rule_are_refused(folder, plain, tmp_path, seconds):
    from heightnet.archives.screen import screen_archive

    says = re.escape(f"seconds: read {seconds}, expected a number from 0.01 to 1,000,000 seconds.")
    with pytest.raises(WrongSettings, match=says):
        heightnet.check(heightnet.read_job(folder(**plain)), seconds=seconds)
    with pytest.raises(WrongSettings, match=says):
        screen_archive(tmp_path, tmp_path / "out", seconds=seconds)
    assert not (tmp_path / "out").exists()


def test_wrong_settings_of_an_archive_are_said_before_any_job_is_looked_for(tmp_path):
    from heightnet.archives.screen import screen_archive

    with pytest.raises(WrongSettings, match="tolerance_mm: read -5"):
        screen_archive(tmp_path, tmp_path / "out", test__tolerance_mm=-5)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("unit", "text", "refused"),
    [("m", "100000", False), ("m", "100001", True), ("ft", "328083", False), ("ft", "328085", True)],
)
def test_a_length_is_judged_in_metres_and_told_in_the_tables_unit(folder, plain, unit, text, refused):
    plain["toml"] = f'[units]\nlength = "{unit}"\n'
    plain["marks"] += f"HIGH,{text}\n"
    job = folder(**plain)
    if not refused:
        heightnet.read_job(job)
        return
    with pytest.raises(InputErrors) as caught:
        heightnet.read_job(job)
    (problem,) = [p for p in caught.value.problems if p.read == text]
    words = {"m": "a number from -12,000 to 100,000 m or blank", "ft": "a number from -39,370 to 328,000 ft or blank"}
    assert problem.expected == words[unit]


def test_arguments_of_python_keep_the_rules_of_the_options(folder, plain, tmp_path):
    from heightnet.archives.screen import screen_archive
    from heightnet.tasks.plan import plan
    from heightnet.tasks.prove import prove
    from heightnet.tasks.trust import trust

    job = heightnet.read_job(folder(**plain))
    for ask, says in (
        (
            lambda: prove(job, "S1", tolerance=-5),
            "test.tolerance_mm: read -5000, expected a number from 0.01",
        ),
        (lambda: plan(job, tolerance=100.0), "test.tolerance_mm: read 100000.0, expected a number from 0.01"),
        (lambda: plan(job, budget=math.nan), "budget: read nan, expected a number from 0 to 100,000 minutes."),
        (lambda: trust(job, runs=2.5, seed=-1), "runs: read 2.5, expected a whole number from 2 to 1,000,000."),
        (lambda: screen_archive(tmp_path, tmp_path / "out", workers=0), "workers: read 0, expected a whole number"),
        (
            lambda: screen_archive(tmp_path, tmp_path / "out", hide="x"),
            "hide: read x, expected one of codes, initials",
        ),
    ):
        with pytest.raises(WrongSettings, match=re.escape(says)):
            ask()
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("table", "column", "silent", "doubted", "refused"),
    [
        ("setups", "height", "1.55", "9.99", "-100"),
        ("targets", "height", "1.6", "-9", "160"),
        ("targets", "height", "5.9", "50", "-10.5"),
        ("shots", "slope_distance", "51.0", "99999", "1e6"),
        ("tape", "radius_mm", "102", "900", "1e-9"),
        ("shots", "sd_zenith_sec", "3", "3000", "1e9"),
    ],
)
def test_a_number_is_silent_doubted_or_refused(folder, plain, table, column, silent, doubted, refused):
    """Three zones for each quantity; the doubt says where, and what is usual; what is doubted is read as it is."""
    texts = dict(plain)
    texts["tape"] = "setup,reading,scale,kind,radius_mm\nS1,1.5,m,slant,102\n"
    header, *rows = texts[table].splitlines()
    names = header.split(",")
    if column not in names:
        names.append(column)
        rows = [row + "," for row in rows]
    cells = rows[0].split(",")

    def job(value, name):
        cells[names.index(column)] = value
        texts[table] = "\n".join([",".join(names), ",".join(cells), *rows[1:]]) + "\n"
        return heightnet.read_job(folder(name, **texts))

    def doubts(read):
        return [n for n in read.notes if n.kind == "doubt" and n.text.startswith(f"{column} ")]

    assert doubts(job(silent, "silent")) == []
    (doubt,) = doubts(job(doubted, "doubted"))
    assert doubt.row == 2 and doubted in doubt.text and "it is mostly from" in doubt.text
    with pytest.raises(InputErrors):
        job(refused, "refused")


def test_every_quantity_of_a_table_has_a_zone_of_doubt():
    """Zenith angles have theirs among the others of their job."""
    assert {c.name for _, c in COLUMNS if c.within is None or c.within.usual is None} == {"zenith_angle"}
    for _, column in COLUMNS:
        if within := column.within:
            assert within.low <= within.usual[0] < within.usual[1] <= within.high, column.name


def test_every_setting_has_a_zone_of_doubt_that_its_default_is_not_in():
    """But for the power, whose limits leave nothing unusual, and one that nothing uses."""
    assert {s.name for s in NUMBERS if s.within.usual is None} == {"test.power", "test.alpha"}
    assert not [s.name for s in NUMBERS if default(s.name) is not None and s.unusual(default(s.name))]


@pytest.mark.parametrize("setting", [s for s in NUMBERS if s.within.usual], ids=lambda s: s.name)
def test_an_unusual_setting_is_a_doubt_with_its_row(setting):
    """Up to the limits it is read as it is; what is usual, the ends included, raises no question."""
    low, high = setting.within.usual
    doubted = [x for x in (setting.within.low, setting.within.high) if not low <= x <= high]
    assert doubted
    for value in (low, high, *doubted):
        problems = Problems()
        read_entries([(setting.name, value, 7)], "job.toml", problems)
        said = [(n.kind, n.file, n.row) for n in problems.notes]
        assert not problems.found and said == [("doubt", "job.toml", 7)] * (value in doubted), (value, problems.notes)
        assert all(n.text.startswith(f"{setting.name} {value} is unusual: it is mostly from ") for n in problems.notes)


def test_the_radii_of_an_ellipsoid_are_usual():
    """WGS 84: a = 6378137 m, 1/f = 298.257223563 (defining constants, from memory); M at the equator and at a pole."""
    a, f = 6378137.0, 1 / 298.257223563
    e2 = f * (2 - f)
    assert (round(a * (1 - e2)), round(a / math.sqrt(1 - e2))) == EARTH_M.usual


@pytest.mark.parametrize(
    ("when", "said"),
    [
        ("24:00", ""), ("23:59:60", ""), ("2026-05-04T09:30:59", ""), ("1912-08-01", ""), ("after lunch", ""),
        ("24:30", "refused"), ("25:00", "refused"), ("09:60", "refused"), ("09:05:61", "refused"),
        ("2026-02-30", "refused"), ("2026-05-04 24:01", "refused"), ("0026-05-04", "doubt"), ("2206-05-04", "doubt"),
    ],
)  # fmt: skip
def test_times_that_there_are_not(folder, plain, when, said):
    header, first, *rest = plain["setups"].splitlines()
    job = folder(**plain | {"setups": "\n".join([f"{header},when", f"{first},{when}", *(f"{row}," for row in rest)])})
    if said == "refused":
        with pytest.raises(InputErrors) as caught:
            heightnet.read_job(job)
        assert [(p.file, p.row, p.column, p.read) for p in caught.value.problems] == [("setups.csv", 2, "when", when)]
        return
    assert [n.kind for n in heightnet.read_job(job).notes] == ([said] if said else [])


@pytest.mark.parametrize(
    ("read", "cause"),
    [("1543", "another unit"), ("100.5", "zenith angle"), ("90-12-34", "Does an angle")],
)
def test_what_is_no_staff_reading_is_told_what_it_may_be(folder, read, cause):
    staff = f"level_setup,mark,sight,reading\nL1,A,BS,1.2\nL1,B,FS,{read}\n"
    with pytest.raises(InputErrors) as caught:
        heightnet.read_job(folder(marks="mark,height\nA,100\n", staff=staff))
    (problem,) = caught.value.problems
    assert (problem.row, problem.column, problem.read) == (3, "reading", read) and cause in problem.cause
