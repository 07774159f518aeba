"""Headings of the trade, one at a time in a flat table that is else understood."""

from __future__ import annotations

import pytest

from heightnet.errors import InputErrors
from heightnet.job.headings import plain_heading
from heightnet.job.read import read_job

MARKS = "mark,height\nA,100\nB,101\n"
FLAT = {"at": "A", "instrument_height": "1.543", "mark": "B", "target_height": "1.6", "slope_distance": "50.010",
        "zenith_angle": "88.8350"}  # fmt: skip

# the trade's ways to write a heading (common practice), and the column it is
WRITTEN = [
    *((word, "instrument_height") for word in (
        "I.H.", "IH", "HI", "H.I.", "Inst Hgt", "Inst. Ht.", "INST HT", "IHt", "Instrument Height", "Instr. Height (m)",
        "Height of Instrument", "Ht of Inst", "HI (m)", "InstHt", "Inst_Height",
    )),
    *((word, "target_height") for word in (
        "T.H.", "HT", "Tgt Ht", "Target Hgt", "Prism Ht", "Pole Ht", "Rod Ht", "Refl Ht", "Refl. Height", "HR",
        "Reflector Height [m]", "Height of Target", "Ht. of Prism", "TgtHt", "target height (m)",
    )),
    *((word, "at") for word in (
        "Stn ID", "Station", "Stn", "Occ Pt", "Occupied Point", "Setup Pt", "From Pt", "From", "Inst Stn", "Stn Name",
    )),
    *((word, "mark") for word in ("To Pt", "Pt ID", "Point ID", "Pt No", "Point No.", "Point", "Target Pt", "To Stn")),
    *((word, "slope_distance") for word in (
        "S.D.", "SD", "Slp Dist", "Slp Dist (m)", "Slope Distance", "S Dist", "Slope Dist.", "SDist", "SlopeDist",
    )),
    *((word, "zenith_angle") for word in ("Z.A.", "ZA", "Zen Ang", "Zenith", "Zen. Angle", "ZenithAngle",
                                              "Zenith Dist")),
]  # fmt: skip
BESIDE = (
    "Remarks", "Date", "Code", "Temp", "HzAngle", "Hz Angle", "H.A.", "Horiz Ang", "Azimuth", "Bearing", "Description",
    "Desc.", "Pt Code", "Feature", "Comment", "Weather", "Press", "PPM", "Prism Const", "Northing", "Easting", "Elev",
    "Hor Dist", "HD", "V.D.", "dH", "Chainage", "Offset", "Job", "Serial No", "Crew", "Rec No", "Set", "Std Dev",
    "Battery", "Vertical Angle", "Zzyzx",
)  # fmt: skip


def flat(folder, instead=(), beside=None, cells="7.31"):
    columns = [dict(instead).get(c, c) for c in FLAT] + ([beside] if beside else [])
    values = [*FLAT.values(), *([cells] if beside else [])]
    return folder(
        marks=MARKS, shots=",".join(columns) + "\n" + ",".join(values) + "\n", toml='[units]\nangle = "deg"\n'
    )


@pytest.mark.parametrize(("heading", "column"), WRITTEN, ids=[w for w, _ in WRITTEN])
def test_a_heading_is_known_in_each_of_its_writings(folder, heading, column):
    job = read_job(flat(folder, {column: heading}))
    assert job.shots["slope_distance"].tolist() == [50.010] and job.setups["height"].tolist() == [1.543]
    assert job.targets["height"].tolist() == [1.6] and job.setups["mark"].tolist() == ["A"]
    assert job.targets["mark"].tolist() == ["B"]


@pytest.mark.parametrize("heading", BESIDE)
def test_a_column_that_is_not_needed_never_refuses_a_job(folder, heading):
    job = read_job(flat(folder, beside=heading))
    known = heading in ("Date",)  # read as `when`
    assert any(f"not used: {heading}" in note.text for note in job.notes) != known


def test_they_are_listed_once(folder):
    table = "at,HI,mark,HT,SD,ZA,Remarks,HzAngle,Desc\nA,1.543,B,1.6,50.01,88.835,tree,12.5,x\n"
    job = read_job(folder(marks=MARKS, shots=table, toml='[units]\nangle = "deg"\n'))
    assert [n.text for n in job.notes if "not used" in n.text] == ["not used: Remarks, HzAngle, Desc"]


@pytest.mark.parametrize(
    ("lost", "heading", "cells", "column"),
    [
        ("instrument_height", "Hauteur", "1.543", "instrument_height"),  # its cells look like one
        ("instrument_height", "X7", "1.543", "instrument_height"),
        ("instrument_height", "instrument_heigth", "1.543", "instrument_height"),  # misspelt
        ("target_height", "target_heigth", "1.6", "target_height"),
        ("slope_distance", "slope_distanse", "50.01", "slope_distance"),
        ("mark", "sighted_pont", "B", "mark"),
        ("at", "ocupied point", "A", "at"),
    ],
)
def test_what_is_lacking_is_not_lost_in_a_heading_that_is_unknown(folder, lost, heading, cells, column):
    names = [c for c in FLAT if c != lost]
    table = ",".join([*names, heading]) + "\n" + ",".join([*(FLAT[c] for c in names), cells]) + "\n"
    with pytest.raises(InputErrors) as wrong:
        read_job(folder(marks=MARKS, shots=table, toml='[units]\nangle = "deg"\n'))
    first = wrong.value.problems[0]
    assert len(wrong.value.problems) == 1 and first.read == heading
    assert f"It may be {column}" in first.cause


def test_a_misspelt_offset_of_equipment_is_asked_about(folder):
    equipment = "equipment,point,radius_mm,ofset_mm\nT1,mark,100,0\n"
    with pytest.raises(InputErrors) as wrong:
        read_job(folder(marks=MARKS, equipment=equipment, levels="from,to,rise,length\nA,B,1.0,100\n"))
    assert "It may be offset_mm" in wrong.value.problems[0].cause


@pytest.mark.parametrize("heading", ["HzAngle", "Horizontal Angle", "Azimuth", "Direction"])
def test_a_horizontal_angle_is_never_taken_for_a_zenith_angle(folder, heading):
    names = [c for c in FLAT if c != "zenith_angle"]
    table = ",".join([*names, heading]) + "\n" + ",".join([*(FLAT[c] for c in names), "88.835"]) + "\n"
    with pytest.raises(InputErrors) as wrong:
        read_job(folder(marks=MARKS, shots=table, toml='[units]\nangle = "deg"\n'))
    (only,) = wrong.value.problems
    assert only.column == "zenith_angle" and "It may be" not in only.cause


def test_initials_and_short_words():
    assert plain_heading("S.D.") == plain_heading("S D") == plain_heading("SD") == "sd"
    assert plain_heading("Stn. No.") == plain_heading("Station Number") == "station number"


def test_one_unlisted_prism_is_one_problem(folder, plain):
    targets = "target,mark,height,equipment\n" + "".join(f"T{i},BM{1 + i % 2},1.5,prism 9\n" for i in range(30))
    shots = "setup,target,slope_distance,zenith_angle\nS1,T1,50.990,88-36-10\n"
    equipment = "equipment,point,offset_mm,carries\nprism 1,axis,0,target\n"
    with pytest.raises(InputErrors) as wrong:
        read_job(folder(**{**plain, "targets": targets, "shots": shots, "equipment": equipment}))
    (only,) = wrong.value.problems
    assert only.read == "prism 9" and "So in 29 more rows" in only.cause
