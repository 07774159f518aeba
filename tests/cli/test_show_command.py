"""heightnet show: what was read, how each height was reduced, what ties to what, what looks odd."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

import heightnet
from heightnet.commands.group import cli
from heightnet.tasks.show import show

DATA = Path(__file__).resolve().parents[2] / "data"
DEMOS = sorted(p for p in DATA.iterdir() if p.is_dir())


def job(tmp_path, **files):
    home = tmp_path / "weir"
    home.mkdir()
    for name, text in files.items():
        (home / ("job.toml" if name == "toml" else f"{name}.csv")).write_text(text)
    return home


def printed(*arguments):
    done = CliRunner().invoke(cli, ["show", *map(str, arguments)], catch_exceptions=False)
    assert done.exit_code == 0
    return done.output


SHOTS = "setup,at,instrument_height,mark,target_height,slope_distance,zenith_angle\n"


@pytest.mark.parametrize("folder", DEMOS, ids=lambda p: p.name)
def test_heights_nothing_tests_are_those_that_check_finds_unproved(folder):
    """Before the adjustment by the graph, after it by the redundancy of the numbers: they must agree."""
    facts, result = show(folder), heightnet.check(folder)
    for kind in ("setup", "target"):
        verdict = dict(zip(getattr(result, f"{kind}s")[kind], getattr(result, f"{kind}s")["verdict"], strict=True))
        for stand in facts[f"{kind}s"]:
            if stand["check"] != "none":
                assert (stand["check"] == "unproved") == (verdict[stand[kind]] == "unproved"), stand


@pytest.mark.parametrize("folder", DEMOS, ids=lambda p: p.name)
def test_every_reading_is_shown_with_its_place_and_reduction(folder):
    recorded = heightnet.read_job(folder)
    facts = json.loads(printed(folder, "--json"))
    rows = sorted(row for h in facts["heights"] if h["kind"] != "booked" for row in h["rows"])
    assert rows == recorded.tape["row"].tolist()
    text = printed(folder, "--all")
    for reading in recorded.tape["text"]:
        assert reading in text
    assert {t["table"]: t["rows"] for t in facts["tables"]} == {t: len(frame) for t, frame in recorded.tables.items()}


def test_reduction_is_shown(tmp_path):
    # common practice: a slant of 1.674 m at radius 0.100 m is 1.671 m vertical
    shots = SHOTS.replace("instrument_height", "instrument") + "S1,A,TS1,B,1.6,50,90-00-10\n"
    equipment = "equipment,point,radius_mm,offset_mm,usual\nTS1,side mark,100,0,yes\n"
    tape = "setup,reading,scale,kind\nS1,1.674,m,slant\n"
    text = printed(job(tmp_path, marks="mark,height\nA,100\n", shots=shots, equipment=equipment, tape=tape))
    line = next(line for line in text.splitlines() if "1.674 m" in line)
    assert "setup S1" in line and "slant to side mark, radius 100.0" in line
    assert "= 1.6710" in line and line.endswith("tape.csv, row 2")
    assert "Filled in" in text and "the usual one of TS1, side mark, is taken" in text


def test_what_ties_to_what(tmp_path):
    shots = SHOTS + "S1,A,1.5,B,1.6,50,90-00-10\nS2,C,1.5,D,1.6,50,90-00-10\n"
    text = printed(job(tmp_path, marks="mark,height\nA,100\nX,7\n", shots=shots))
    assert "Piece 1: 3 marks (A, X and B), 1 set-up; hangs on known heights" in text
    assert "Piece 2: 2 marks (C and D), 1 set-up; hangs on nothing known; C stands for 0" in text
    assert "nothing in this job tests these heights" in text
    assert "setup S1, setup S2, target on B from S1 and target on D from S2" in text


def test_loops_are_counted_and_the_wide_ones_named(tmp_path):
    levels = "from,to,rise,length\nA,B,1.000,100\nB,C,1.000,100\nC,A,-2.001,100\nA,C,2.050,100\n"
    home = job(tmp_path, marks="mark,height,sd_mm\nA,100,0\nC,102,0\n", levels=levels)
    loops = show(home)["loops"]
    # 4 lines and 2 known heights tie 4 places (datum, A, B, C): 6 - 4 + 1
    assert loops["count"] == loops["looked_at"] == 3
    text = printed(home)
    assert "3 loops; 1 wider than 3 times its expected sd" in text
    # by hand: 2 mm per root km over 0.1 km, three times
    assert "misses 50.0 mm, allowed 1.9 mm" in text


def test_odd_values(tmp_path):
    marks = "mark,height,east,north\nA,100,0,0\nB,100,50,0\nC,130,200,0\n"
    shots = SHOTS + "S1,A,1.5,B,1.6,50,90-00-10\nS1,A,1.5,B,1.6,50,90-00-10\nS1,A,1.5,C,1.6,261.081,50-00-00\n"
    shots += "S2,B,1.5,A,1.6,58.00,90-00-10\nS3,C,3.1,A,1.6,200,98-00-00\n"
    facts = show(job(tmp_path, marks=marks, shots=shots))
    assert {(w["rule"], w["id"]) for w in facts["warnings"]} == {
        ("recorded_twice", "shot:shots.csv:3"),
        ("steep", "shot:shots.csv:4"),
        ("not_the_coordinates", "shot:shots.csv:5"),
        ("not_the_coordinates", "shot:shots.csv:6"),
        ("same_as_before", "setup:S2"),
        ("outside", "setup:S3"),
    }
    text = printed(tmp_path / "weir")
    assert "shots.csv, row 5: the distance is not that of the marks' coordinates (58.0000, against 50.0000)" in text
    assert "shots.csv, row 3: the same shot stands twice, digit for digit" in text


def test_lengths_in_the_jobs_own_unit(tmp_path):
    shots = SHOTS + "S1,A,5.25,B,5.50,164.04,90-00-10\n"
    text = printed(
        job(tmp_path, marks="mark,height,sd_mm\nA,328.084,3.048\n", shots=shots, toml='units.length = "ft"\n')
    )
    assert "Lengths in ft" in text and "small lengths in thousandths of a foot" in text
    assert "328.084  sd 10" in text and "= 5.250" in text and "units.length = ft" in text


def test_long_sections_are_cut_and_all_lists_them(tmp_path):
    shots = SHOTS + "".join(f"S{i},M{i},1.5{i:02d},M{i + 1},1.6,50,90-00-10\n" for i in range(50))
    home = job(tmp_path, shots=shots)
    assert "... and 20 more (--all lists them)" in printed(home)
    assert "more (--all" not in printed(home, "--all")


def test_a_job_that_cannot_be_read_is_refused(tmp_path):
    with pytest.raises(heightnet.InputErrors):
        CliRunner().invoke(cli, ["show", str(tmp_path / "none")], catch_exceptions=False)
