"""A job written reads back as the same job, in any units, and holds no formula."""

import csv
import math
import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import heightnet
from heightnet.job.model import Job
from heightnet.job.write import angle_text, protect, write_job
from heightnet.ledger.recorded import TABLES
from heightnet.ledger.settings import Settings, Units

DATA = Path(__file__).resolve().parents[2] / "data"
DEMOS = sorted(p for p in DATA.iterdir() if p.is_dir())
UNITS = [Units(length, angle) for length in ("m", "ft", "ftUS") for angle in ("dms", "packed", "deg", "gon")]
ANGLES = ["zenith_angle", "sd_zenith"]


def assert_same(one: Job, other: Job) -> None:
    """Every table alike, rows of the file apart: text exactly, numbers to a unit or two in the last place (times 0.3048
    not every float can be reached), angles to 1e-14 rad."""
    for table in TABLES:
        a, b = (job.tables[table].drop(columns="row") for job in (one, other))
        angles = [c for c in ANGLES if c in a]
        pd.testing.assert_frame_equal(a.drop(columns=angles), b.drop(columns=angles), rtol=4.5e-16, atol=0)
        for column in angles:
            np.testing.assert_allclose(a[column], b[column], rtol=0, atol=1e-14)


@pytest.mark.parametrize("units", UNITS, ids=lambda u: f"{u.length}-{u.angle}")
@pytest.mark.parametrize("folder", DEMOS, ids=lambda p: p.name)
def test_every_demo_in_every_unit(folder, units, tmp_path):
    job = heightnet.read_job(folder)
    again = heightnet.read_job(write_job(job, tmp_path / "again", units))
    assert_same(job, again)
    assert again.settings == job.settings.with_values(units=units)
    if units == job.settings.units:  # what was read in these units comes back to the last bit
        for table in TABLES:
            a, b = (j.tables[table].drop(columns="row") for j in (job, again))
            pd.testing.assert_frame_equal(a, b, check_exact=True)
    assert (
        write_job(again, tmp_path / "twice").joinpath("job.toml").read_bytes()
        == (tmp_path / "again" / "job.toml").read_bytes()
    )


names = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cc", "Cf", "Zl", "Zp", "Zs", "Cn", "Co")), min_size=1, max_size=8
) | st.sampled_from(["=1+1", "+A1", "-7", "@x", "'=1", "''", "'a", "NA", "007", "1E5", 'a"b', "a,b;c", "a b", "nan"])
heights = st.floats(-500, 9000, allow_nan=False)
sizes = st.floats(0.001, 5000)
sds = st.floats(1e-6, 1) | st.just(math.nan)


@st.composite
def jobs(draw):
    """A small job with any names and numbers."""
    marks = draw(st.lists(names, min_size=2, max_size=4, unique=True))
    setups = draw(st.lists(names, min_size=1, max_size=3, unique=True))
    targets = draw(st.lists(names, min_size=1, max_size=3, unique=True))
    runs = draw(st.lists(names, min_size=1, max_size=2, unique=True))
    which = st.sampled_from

    def table(count, **columns):
        return pd.DataFrame({c: [draw(s) for _ in range(count)] for c, s in columns.items()})

    count = draw(st.integers(1, 4))
    frames = {
        "marks": table(len(marks), height=heights | st.just(math.nan), sd=sds, east=heights, north=heights),
        "setups": table(len(setups), mark=which([*marks, ""]), height=st.floats(0.1, 9.9), sd=sds, observer=names),
        "targets": table(len(targets), mark=which(marks), height=st.floats(-9, 9), sd=sds, when=names),
        "shots": table(
            count,
            setup=which(setups),
            target=which(targets),
            slope_distance=sizes,
            zenith_angle=st.floats(1.2, 2.0),
            sd_distance=sds,
            sd_zenith=st.floats(1e-6, 1e-3) | st.just(math.nan),
            session=names | st.just(""),
            when=names | st.just(""),
        ),
        "levels": table(count, rise=heights, length=sizes | st.just(math.nan), sd=st.floats(1e-6, 1), run=names),
        "staff": table(
            count, level_setup=names, name=which(marks), reading=st.floats(-10, 100), distance=st.just(0.0) | sizes,
            sight=which(["BS", "IS", "FS", ""]), run=which(runs), staff=names | st.just(""), when=names | st.just(""),
        ),
    }  # fmt: skip
    frames["marks"].insert(0, "mark", marks)
    frames["setups"].insert(0, "setup", setups)
    frames["targets"].insert(0, "target", targets)
    frames["levels"] = frames["levels"].assign(from_mark=marks[0], to_mark=marks[1])
    staff = frames["staff"]
    # names of level set-ups are unique to their run in a job as read
    staff["level_setup"] = [f"{run} {name}" for run, name in zip(staff["run"], staff["level_setup"], strict=True)]
    frames["staff"] = staff.assign(mark=staff["name"])
    return Job.from_frames("any", Settings(title=draw(names), units=draw(which(UNITS))), **frames)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(jobs())
def test_any_job(tmp_path_factory, job):
    home = tmp_path_factory.mktemp("jobs") / "job"
    again = heightnet.read_job(write_job(job, home))
    assert_same(job, again)
    assert again.settings == job.settings
    for path in home.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as stream:
            for row in list(csv.reader(stream))[1:]:
                for cell in row:  # a spreadsheet takes a cell that starts so for a formula, unless it is a number
                    assert not cell.startswith(("=", "+", "@", "\t", "\r"))
                    assert not cell.startswith("-") or float(cell) <= 0


@pytest.mark.parametrize(
    ("text", "written"),
    [("=A1", "'=A1"), ("'=A1", "''=A1"), ("-7", "'-7"), ("@x", "'@x"), ("a=1", "a=1"), ("'a", "'a"), ("", "")],
)
def test_formulas_are_protected_and_read_back(folder, plain, text, written):
    assert protect(text) == written
    if text:
        plain["marks"] = f'mark,height\n"{written}",100\n'
        assert heightnet.read_job(folder(**plain)).marks["mark"].tolist() == [text]


@given(st.floats(0, 2 * math.pi), st.sampled_from(["dms", "packed", "deg", "gon"]))
def test_angles_are_written_to_the_last_digit(radians, unit):
    from heightnet.job.angles import read_angle

    assert read_angle(angle_text(radians, unit), unit) == pytest.approx(radians, abs=1e-14)


def test_files_that_are_not_tables_stay_and_old_tables_go(tmp_path, folder, plain):
    job = heightnet.read_job(folder(**plain))
    home = tmp_path / "there"
    home.mkdir()
    (home / "README.md").write_text("kept")
    (home / "staff.csv").write_text("level_setup,mark,reading\nL,A,1\n")
    write_job(job, home)
    assert (home / "README.md").read_text() == "kept"
    assert sorted(p.name for p in home.iterdir()) == [
        "README.md", "job.toml", "marks.csv", "setups.csv", "shots.csv", "targets.csv",
    ]  # fmt: skip
    assert_same(job, heightnet.read_job(home))


def test_nothing_is_left_half_written(tmp_path, folder, plain, monkeypatch):
    job = heightnet.read_job(folder(**plain))

    def full(*_, **__):
        raise OSError("no space left on device")

    monkeypatch.setattr(csv, "writer", full)
    with pytest.raises(OSError, match="no space"):
        write_job(job, tmp_path / "there")
    assert os.listdir(tmp_path) == ["job"]
