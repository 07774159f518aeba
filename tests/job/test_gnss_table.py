"""The table of satellite heights: what is read, and what is said of everything that cannot be used."""

import math

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import heightnet
from heightnet import InputErrors
from heightnet.job.write import write_job
from heightnet.ledger.settings import Units

MARKS = """mark,height,sd_mm,east,north,separation,separation_sd_mm
BM1,100.000,,0,0,45.012,15
BM2,101.250,,400,0,45.020,
P,,,200,300,45.031,0
Q,,,100,100,,
"""
SETUPS = """setup,mark,height,instrument
G1,BM1,1.536,rover antenna
G2,BM2,1.421,rover antenna
G3,P,1.610,rover antenna
G4,Q,1.500,rover antenna
F,,,rover antenna
"""
GNSS = "from,to,rise,height,sd_mm,session\n"
GOOD = "G1,G2,1.143,,5,day 1\n,G3,,147.211,,day 1\n"


@pytest.fixture
def mixed():
    return {"marks": MARKS, "setups": SETUPS, "gnss": GNSS + GOOD}


def test_what_is_read(folder, mixed):
    job = heightnet.read_job(folder(**mixed))
    rise, height = (row for _, row in job.gnss.iterrows())
    assert (rise["from_setup"], rise["to_setup"], rise["rise"], rise["sd"]) == ("G1", "G2", 1.143, 0.005)
    assert (height["from_setup"], height["to_setup"], height["height"], height["session"]) == (
        "",
        "G3",
        147.211,
        "day 1",
    )
    assert math.isnan(rise["height"]) and math.isnan(height["rise"]) and math.isnan(height["sd"])
    assert job.marks["separation"].tolist()[:3] == [45.012, 45.020, 45.031]
    assert job.marks["separation_sd"].tolist()[::2] == [0.015, 0.0]


@pytest.mark.parametrize(("unit", "metres"), [("ft", 0.3048), ("ftUS", 1200 / 3937)])
def test_lengths_in_the_jobs_unit_and_back(folder, mixed, tmp_path, unit, metres):
    mixed["toml"] = f'[units]\nlength = "{unit}"\n'
    mixed["setups"] = mixed["setups"].replace("1.536", "5.04").replace("1.421", "4.66").replace("1.610", "5.28")
    job = heightnet.read_job(folder(**mixed))
    assert job.gnss["rise"].iloc[0] == 1.143 * metres
    assert job.gnss["height"].iloc[1] == 147.211 * metres
    assert job.marks["separation"].iloc[0] == 45.012 * metres
    assert job.gnss["sd"].iloc[0] == 0.005  # millimetres whatever the unit
    again = heightnet.read_job(write_job(job, tmp_path / "again"))
    for table in ("gnss", "marks", "setups"):
        assert again.tables[table].equals(job.tables[table]), table
    metric = heightnet.read_job(write_job(job, tmp_path / "metric", Units("m", "dms")))
    assert metric.gnss["rise"].iloc[0] == pytest.approx(1.143 * metres, abs=1e-12)


# what is put in place of what, and of the one problem: file, row, column, part of what was read, part of what is said
CASES = [
    ("gnss", "G1,G2,", "G1,G9,", "gnss.csv", 2, "to", "G9", "a set-up of the job"),
    ("gnss", "G1,G2,", "G11,G2,", "gnss.csv", 2, "from", "G11", "The nearest is 'G1'"),
    ("gnss", "G1,G2,", "G1,G1,", "gnss.csv", 2, "to", "G1", "another set-up than from"),
    ("gnss", "G1,G2,", "G1,,", "gnss.csv", 2, "to", "", "a name"),
    ("gnss", "1.143,,", "1.143,146.5,", "gnss.csv", 2, "height", "146.5", "not both"),
    ("gnss", "1.143,,", ",146.5,", "gnss.csv", 2, "height", "146.5", "Leave from blank"),
    ("gnss", "1.143,,", ",,", "gnss.csv", 2, "rise", "", "the rise from"),
    ("gnss", ",147.211,", ",,", "gnss.csv", 3, "height", "", "a height, or from and rise"),
    ("gnss", ",G3,,147.211,", ",G3,1.143,,", "gnss.csv", 3, "from", "", "that the rise starts from"),
    ("gnss", ",5,", ",0,", "gnss.csv", 2, "sd_mm", "0", "a number from 0.001 to 1,000,000 mm"),
    ("gnss", "1.143", "1.1x", "gnss.csv", 2, "rise", "1.1x", "a number"),
    ("gnss", ",G3,", ",G4,", "gnss.csv", 3, "to", "G4", "marks.csv, row 5 gives none"),
    ("gnss", ",G3,", ",F,", "gnss.csv", 3, "to", "F", "a set-up over a mark"),
    ("gnss", "from,", "fron,", "gnss.csv", 1, "fron", "fron", "It may be from: From this set-up's antenna"),
    ("marks", "45.012", "145.012", "marks.csv", 2, "separation", "145.012", "120 m or blank. Is this an ellipsoidal"),
    ("marks", ",15\n", ",-15\n", "marks.csv", 2, "separation_sd_mm", "-15", "0, or a number from 0.001 to 1,000,000"),
    ("marks", "P,,,200,300,45.031,0\n", "", "gnss.csv", 3, "to", "G3", "marks.csv gives none"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "old", "new", "file", "row", "column", "read", "says"), CASES)
def test_one_thing_wrong_gives_one_problem(folder, mixed, table, old, new, file, row, column, read, says):
    assert old in mixed[table]
    mixed[table] = mixed[table].replace(old, new, 1)
    with pytest.raises(InputErrors) as caught:
        heightnet.read_job(folder(**mixed))
    (found,) = caught.value.problems
    assert (found.file, found.row, found.column) == (file, row, column)
    assert read in found.read
    assert says in f"{found.expected}. {found.cause}"


def test_a_tilt_needs_the_places_of_the_marks(folder, mixed):
    mixed["toml"] = "[separation]\ntilt_sd_mm_km = 5\n"
    mixed["marks"] = mixed["marks"].replace("400,0,45.020", ",,45.020")
    with pytest.raises(InputErrors) as caught:
        heightnet.read_job(folder(**mixed))
    (found,) = caught.value.problems
    assert (found.file, found.row, found.column) == ("marks.csv", 3, "east")
    assert "separation.tilt_sd_mm_km" in found.cause


def test_an_antenna_sights_nothing(folder, mixed):
    mixed["targets"] = "target,mark,height\nT,P,1.6\n"
    mixed["shots"] = "setup,target,slope_distance,zenith_angle\nG1,T,360.1,90-10-00\n"
    with pytest.raises(InputErrors) as caught:
        heightnet.read_job(folder(**mixed))
    (found,) = caught.value.problems
    assert (found.file, found.row, found.column, found.read) == ("shots.csv", 2, "setup", "G1")
    assert "tripod" in found.cause


def test_two_antennas_over_one_mark_need_no_separation(folder, mixed):
    mixed["setups"] += "G5,Q,1.400,rover antenna\n"
    mixed["gnss"] += "G4,G5,-0.101,,2,\n"
    assert len(heightnet.read_job(folder(**mixed)).gnss) == 3


def test_everything_at_once(folder, mixed):
    mixed["gnss"] = GNSS + "G1,G7,x,,,\n,G4,,147,,\nG2,F,1,2,,\n"
    with pytest.raises(InputErrors) as caught:
        heightnet.read_job(folder(**mixed))
    assert {(p.row, p.column) for p in caught.value.problems} >= {(2, "to"), (2, "rise"), (3, "to"), (4, "to")}


def test_an_antenna_that_is_listed_as_something_else_is_doubted(folder, mixed):
    mixed["equipment"] = "equipment,point,radius_mm,carries\nrover antenna,rim,140,instrument\n"
    notes = heightnet.read_job(folder(**mixed)).notes
    assert any(n.kind == "doubt" and "rover antenna" in n.text for n in notes)
    mixed["equipment"] = mixed["equipment"].replace("instrument", "antenna")
    assert not any("rover antenna" in n.text for n in heightnet.read_job(folder("other", **mixed)).notes)


cells = st.sampled_from(["", "G1", "G2", "G3", "G4", "F", "1", "-0.5", "147.2", "x", "=A1", "nan", "1e400", "'"])


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(st.lists(cells, min_size=6, max_size=6), min_size=1, max_size=4))
def test_any_rows_are_read_or_refused_and_then_judged(tmp_path_factory, rows):
    home = tmp_path_factory.mktemp("hostile")
    (home / "marks.csv").write_text(MARKS)
    (home / "setups.csv").write_text(SETUPS)
    (home / "gnss.csv").write_text(GNSS + "".join(",".join(row) + "\n" for row in rows))
    try:
        result = heightnet.check(home)
    except heightnet.HeightnetError as error:
        assert str(error)
    else:
        assert result.to_json() and result.summary()
