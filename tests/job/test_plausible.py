"""Numbers of a job against one another: each slip is one doubt at its row, and a job without a slip is read in silence.

The job is built here from positions and heights, with the formula of a sight written down anew; all of it is invented.
"""

import math
from dataclasses import replace
from itertools import count

import numpy as np
import pandas as pd
import pytest

import heightnet
from heightnet.job.model import Job
from heightnet.job.plausible import doubt_together
from heightnet.job.problems import Problems
from heightnet.job.write import write_job
from heightnet.ledger.settings import Settings, Units
from tests.shapes import shape
from tests.simulate.jobs import KINDS, simulate

# mark: east, north, height
PLAN = {
    "A": (0.0, 0.0, 241.37), "B": (210.0, 40.0, 246.02), "C": (395.0, -60.0, 252.81), "D": (610.0, 25.0, 249.44),
    "E": (820.0, -10.0, 261.93), "F": (1015.0, 90.0, 273.08),
}  # fmt: skip
HI, HT, RADIUS, K = 1.52, 1.7, 6371000.0, 0.13
SIGHTS = [(a, b) for a, b in zip("ABCDEF", "BCDEF", strict=False)]
SIGHTS += [(b, a) for a, b in SIGHTS] + [("A", "C"), ("B", "D"), ("C", "E"), ("D", "F")]


def tables(known="ADF", positions=True, angle="deg"):
    """Texts of a job without a slip: every mark occupied, its neighbours sighted, some two marks on."""
    marks = ["mark,height,east,north"]
    for mark, (east, north, height) in PLAN.items():
        where = f"{east},{north}" if positions else ","
        marks.append(f"{mark},{height if mark in known else ''},{where}")
    setups = ["setup,mark,height,instrument"] + [f"S{m},{m},{HI},level 1" for m in PLAN]
    targets = ["target,mark,height,equipment"] + [f"T{m},{m},{HT},pole 1" for m in PLAN]
    shots = ["setup,target,slope_distance,zenith_angle"]
    for a, b in SIGHTS:
        (e1, n1, h1), (e2, n2, h2) = PLAN[a], PLAN[b]
        flat = math.hypot(e2 - e1, n2 - n1)
        up = h2 + HT - h1 - HI - (1 - K) * flat**2 / (2 * RADIUS)
        zenith = math.degrees(math.atan2(flat, up)) * (400 / 360 if angle == "gon" else 1)
        shots.append(f"S{a},T{b},{math.hypot(flat, up):.4f},{zenith:.6f}")
    return {
        "marks": marks, "setups": setups, "targets": targets, "shots": shots,
        "toml": ["[units]", f'angle = "{angle}"'],
    }  # fmt: skip


def put(texts, table, row, column, value):
    """A cell changed, its row as a spreadsheet counts."""
    lines = texts[table]
    cells = lines[row - 1].split(",")
    at = lines[0].split(",").index(column)
    cells[at] = value(float(cells[at])) if callable(value) else value
    lines[row - 1] = ",".join(map(str, cells))


@pytest.fixture
def doubts(folder):
    """What is doubted of a job: table, row and words of each."""

    number = count()

    def read(texts):
        job = heightnet.read_job(
            folder(f"job{next(number)}", **{name: "\n".join(lines) + "\n" for name, lines in texts.items()})
        )
        return [(n.file.removesuffix(".csv"), n.row, n.text) for n in job.notes if n.kind == "doubt"]

    return read


@pytest.mark.parametrize("angle", ["deg", "gon"])
def test_a_job_without_a_slip_is_read_in_silence(doubts, angle):
    assert doubts(tables(angle=angle)) == []


@pytest.mark.parametrize("kind", KINDS)
def test_simulated_jobs_are_read_in_silence(kind, tmp_path):
    """With a blunder too: 0.1 m is for the judgement, and no doubt of reading."""
    for name, blunders in (("sound", {}), ("wrong", {} if kind == "S2" else {"setup:S3": 0.1})):
        if kind == "G1":
            blunders = {}
        job, _ = simulate(kind, 1, blunders)
        assert [n for n in heightnet.read_job(write_job(job, tmp_path / name)).notes if n.kind == "doubt"] == []


@pytest.mark.parametrize("name", ["small4x", "centred-tied", "oneway12", "day-slant", "site-hilly", "loops3"])
def test_other_geometries_are_read_in_silence(name, tmp_path):
    notes = heightnet.read_job(write_job(shape(name, 1).job, tmp_path / "a")).notes
    assert [n for n in notes if n.kind == "doubt"] == []


@pytest.mark.parametrize(
    ("angle", "read", "said"),
    [
        ("deg", "1.543", "the zenith angle 1.5430° is 88° from the horizon, while most sights of the job are within "
         "5.0° of it. Does a staff reading, a height or an angle from the horizon stand here?"),
        ("gon", "1.543", "the zenith angle 1.5430 gon is 98 gon from the horizon"),
        ("deg", "29.2", "the zenith angle 29.2000° is 61° from the horizon"),
    ],
)  # fmt: skip
def test_a_steep_sight_among_level_ones(doubts, angle, read, said):
    texts = tables(positions=False, angle=angle)
    put(texts, "shots", 4, "zenith_angle", read)
    ((table, row, text),) = doubts(texts)
    assert (table, row) == ("shots", 4) and text.startswith(said)


def test_a_steep_sight_that_both_faces_bear_out_is_no_doubt(doubts):
    texts = tables(positions=False, known="A")
    texts["shots"] = [f"{texts['shots'][0]},face", *(f"{line}," for line in texts["shots"][1:])]
    texts["targets"].append("TH,H,0,pole 1")
    texts["shots"] += ["SA,TH,80,30.0,L", "SA,TH,80,330.0,R"]
    assert doubts(texts) == []
    texts["shots"] = [line for line in texts["shots"] if not line.endswith("R")]
    assert [d[:2] for d in doubts(texts)] == [("shots", len(texts["shots"]))]


def test_a_distance_unlike_that_of_coordinates(doubts):
    texts = tables()
    put(texts, "shots", 2, "slope_distance", 312.9)
    ((table, row, text),) = [d for d in doubts(texts) if "coordinates" in d[2]]
    assert (table, row) == ("shots", 2)
    assert (
        text.startswith("the slope distance from A to B, made horizontal, is 312.")
        and "by coordinates 213.776 m" in text
    )


@pytest.mark.parametrize(
    ("factor", "said"),
    [(1 / 0.3048, "distances in feet, and coordinates in metres"),
     (0.3048, "distances in metres, and coordinates in feet"), (1.05, "are they in one unit")],
)  # fmt: skip
def test_distances_all_alike_off_are_one_doubt(doubts, factor, said):
    texts = tables(known="A")
    for row in range(2, len(texts["shots"]) + 1):
        put(texts, "shots", row, "slope_distance", lambda x: f"{x * factor:.4f}")
    ((table, row, text),) = doubts(texts)
    assert (table, row) == ("shots", 2) and f"{factor:.4g} times" in text and said in text


def test_one_mark_away_from_its_coordinates_is_one_doubt(doubts):
    texts = tables()
    put(texts, "marks", 5, "north", 125.0)
    ((table, row, text),) = doubts(texts)
    assert (table, row) == ("marks", 5)
    assert text.startswith("east and north of D contradict 3 of 4 distances sighted to or from it, by ")


def test_rough_coordinates_are_one_doubt(doubts):
    texts, rng = tables(), np.random.default_rng(5)
    for row in range(2, 8):
        put(texts, "marks", row, "north", lambda x: x + float(rng.normal(0, 120)))
    ((table, _, text),) = doubts(texts)
    assert table == "shots" and "are coordinates rough, or of two systems?" in text


@pytest.mark.parametrize(
    ("read", "cause"),
    [
        ("24.944", "Does the point stand in the wrong place?"), ("29.44", "Is a digit lost?"),
        ("294.44", "Are two digits exchanged?"), ("449.44", "Is one digit wrong?"),
        ("818.4", "Is it in feet, where the job is in metres?"),
        ("76.03", "Is it in metres, where the job is in feet?"), ("620.1", ""),
    ],
)  # fmt: skip
def test_a_known_height_unlike_what_its_neighbours_make_of_it(doubts, read, cause):
    texts = tables()
    put(texts, "marks", 5, "height", read)
    ((table, row, text),) = doubts(texts)
    assert (table, row) == ("marks", 5)
    said = f"the known height of D, {float(read):g} m, is about 249.4 m by the observations from the other known marks."
    assert text == f"{said} {cause}".strip()


def test_known_heights_in_each_others_place(doubts):
    texts = tables(known="ABCEF")
    put(texts, "marks", 2, "height", PLAN["F"][2])
    put(texts, "marks", 7, "height", PLAN["A"][2])
    found = doubts(texts)
    assert [d[:2] for d in found] == [("marks", 2), ("marks", 7)]
    assert all(d[2].endswith("Has it changed places with that of another mark?") for d in found)


def test_known_heights_in_feet_are_one_doubt(doubts):
    texts = tables(known="ABCDEF")
    for row in range(2, 8):
        put(texts, "marks", row, "height", lambda x: f"{x / 0.3048:.3f}")
    ((table, _, text),) = doubts(texts)
    assert table == "marks" and text.endswith("are they in feet, where the job is in metres?")


def test_two_known_heights_that_disagree_blame_neither(doubts):
    texts = tables(known="AF")
    put(texts, "marks", 7, "height", "723.08")
    ((table, row, text),) = doubts(texts)
    assert (table, row) == ("marks", 7)
    assert text == (
        "the known height of F less that of A is 481.71 m, by the observations between them 31.71 m: "
        "is one of them, or its name, wrong?"
    )


def test_levels_and_staffs_tell_of_known_heights_too(doubts):
    known = "mark,height\nA,24.5\nB,251\nC,252\n".splitlines()
    levels = {"marks": known, "levels": ["from,to,rise,sd_mm", "A,B,6,1", "B,C,1,1"]}
    ((table, row, text),) = doubts(levels)
    assert (table, row) == ("marks", 2) and "about 245 m" in text
    staff = ["level_setup,mark,sight,reading", "L1,A,BS,3.5", "L1,B,FS,0.5", "L2,B,BS,1.5", "L2,C,FS,0.5"]
    ((_, _, text),) = doubts({"marks": known, "staff": staff})
    assert "about 248 m" in text


def test_sights_that_contradict_one_another_say_nothing_of_known_heights(doubts):
    texts = tables(positions=False)
    put(texts, "shots", 4, "zenith_angle", 80.0)
    put(texts, "shots", 9, "zenith_angle", 80.0)
    assert doubts(texts) == []


def test_a_height_unlike_the_others_of_its_pole(doubts):
    """What its own range doubts already is not told twice; two lengths of a pole are no slip."""
    texts = tables(positions=False, known="A")
    put(texts, "targets", 4, "height", 5.7)
    ((table, row, text),) = doubts(texts)
    assert (table, row) == ("targets", 4)
    assert text == "target height 5.7 m is unlike the others of pole 1, which are about 1.7 m"
    put(texts, "targets", 4, "height", 7.7)
    ((_, _, text),) = doubts(texts)
    assert "is unusual" in text
    for row in (3, 4):
        put(texts, "targets", row, "height", 5.7)
    assert doubts(texts) == []


def test_lengths_are_told_in_the_unit_of_the_tables(doubts, tmp_path):
    job, _ = simulate("S3", 2)
    height = job.marks["height"].to_numpy().copy()
    known = int(np.flatnonzero(~np.isnan(height))[0])
    height[known] += 500 * 0.3048
    job = job.with_tables(marks=job.marks.assign(height=height))
    feet = write_job(replace(job, settings=Settings()), tmp_path / "feet", Units(length="ft", angle="dms"))
    (note,) = [n for n in heightnet.read_job(feet).notes if n.kind == "doubt"]
    assert f"{height[known] / 0.3048:,.3f}".rstrip("0") + " ft" in note.text


def test_a_large_job_of_many_pieces():
    """Nothing is walked once a piece: ten thousand of them are one walk."""
    names = [f"M{i}" for i in range(20_000)]
    marks = pd.DataFrame({"mark": names, "height": 100.0})
    levels = pd.DataFrame({"from_mark": names[::2], "to_mark": names[1::2], "rise": 0.0})
    levels.loc[7_000, "rise"] = 50.0
    job, problems = Job.from_frames(marks=marks, levels=levels), Problems()
    doubt_together(dict(job.tables), job.files, job.settings, problems)
    (note,) = problems.notes
    assert note.text.startswith("the known height of M1400") and "by the observations between them" in note.text
