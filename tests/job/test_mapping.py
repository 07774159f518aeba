"""``columns.toml``: what the headings of an office's own exports mean."""

from __future__ import annotations

import numpy as np
import pytest
from click.testing import CliRunner

from heightnet.commands.group import cli
from heightnet.errors import InputErrors
from heightnet.job.mapping import read_columns, with_answers
from heightnet.job.problems import Problems
from heightnet.job.read import read_job

MARKS = "mark,height\nA,100\nB,101\n"
SHOTS = "A pt,Hgt,B pt,Pole (ft),Dist,Elevation,Foo\nA,1.543,B,5.25,50.010,1.165,9\n"
MAPPING = """
who = "M. Adeyemi"
when = "2026-11-28"
[shots]
"A pt" = "at"
"Hgt" = "instrument_height"
"B pt" = "mark"
"Pole (ft)" = "target_height, unit ft"
"Dist" = "slope_distance, constant 0.030"
"Elevation" = "zenith_angle, scale -1, constant 90"
"Foo" = ""
"""
DEG = '[units]\nangle = "deg"\n'


def test_headings_units_scale_sign_and_constant(folder):
    home = folder(marks=MARKS, shots=SHOTS, toml=DEG)
    (home / "columns.toml").write_text(MAPPING)
    job = read_job(home)
    assert job.setups["height"].tolist() == [1.543]
    assert job.targets["height"].tolist() == pytest.approx([5.25 * 0.3048])
    assert job.shots["slope_distance"].tolist() == pytest.approx([50.040])
    assert job.shots["zenith_angle"].tolist() == pytest.approx([np.radians(90 - 1.165)])
    (said,) = [n.text for n in job.notes if "columns.toml" in n.text]
    assert "columns.toml (M. Adeyemi, 2026-11-28)" in said and "change that file" in said
    assert not any("Foo" in n.text for n in job.notes if "columns.toml" not in n.text)


def test_an_offices_own_mapping(folder, tmp_path):
    home = folder(marks=MARKS, shots=SHOTS, toml=DEG)
    (tmp_path / "office.toml").write_text(MAPPING)
    assert read_job(home, columns=tmp_path / "office.toml").setups["height"].tolist() == [1.543]


def test_the_line_that_is_proposed_is_read(folder):
    table = "at,H7,mark,target_height,slope_distance,zenith_angle\nA,1.543,B,1.6,50.01,88.8\n"
    home = folder(marks=MARKS, shots=table, toml=DEG)
    with pytest.raises(InputErrors) as wrong:
        read_job(home)
    cause = wrong.value.problems[0].cause
    line = cause.split("columns.toml: ")[1].split("; ")[0]
    (home / "columns.toml").write_text(f"[shots]\n{line}\n")
    assert read_job(home).setups["height"].tolist() == [1.543]
    (home / "columns.toml").write_text('[shots]\n"H7" = ""\n')
    job = read_job(home)  # left unread on purpose: the height is then missing, and said
    assert np.isnan(job.setups["height"]).all()
    text = CliRunner().invoke(cli, ["check", str(home), "--to", str(home.parent / "out")]).output
    assert "no height was recorded at 1 set-up over a mark: A" in " ".join(text.split())


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('[shot]\n"a" = "at"', "shots"),
        ('[shots]\n"a" = "att"', "'at'"),
        ('[shots]\n"a" = "instrument_height, unit furlong"', "Units of lengths"),
        ('[shots]\n"a" = "instrument_height, scale 0"', "Units of lengths"),
        ('[shots]\n"a" = "at, scale 2"', ""),
        ('[shots]\n"a" = 7', ""),
        ('[shots\n"a" = "at"', ""),
    ],
)
def test_a_mapping_that_makes_no_sense_is_refused_with_its_line(folder, line, says):
    home = folder(marks=MARKS, shots="at,mark,slope_distance,zenith_angle\nA,B,50,88\n", toml=DEG)
    (home / "columns.toml").write_text(line)
    with pytest.raises(InputErrors) as wrong:
        read_job(home)
    assert wrong.value.problems[0].file == "columns.toml" and says in str(wrong.value.problems[0])


@pytest.mark.parametrize(
    ("page", "odd"), [("cp1252", "Höhe"), ("cp850", "Brücke"), ("mac_roman", "Crête"), ("cp1250", "Łąka")]
)
def test_a_file_in_a_code_page_is_asked_about_once_and_then_read(folder, page, odd):
    text = f"mark,height\n{odd},100\nB{odd},101\n".encode(page)
    home = folder(marks=text, levels=f"from,to,rise,length\n{odd},B{odd},1,100\n".encode(page))
    with pytest.raises(InputErrors) as wrong:
        read_job(home)
    first, second = wrong.value.problems  # a file each
    assert first.row == 2 and second.file == "levels.csv"
    assert f"{odd},100" in first.cause and f"under {page}" in first.cause  # as one of those offered
    (home / "columns.toml").write_text(f'encoding = "{page}"\n')
    job = read_job(home)
    assert job.marks["mark"].tolist() == [odd, f"B{odd}"]
    assert any(f"read as {page}" in n.text for n in job.notes)


def test_a_code_page_that_is_none(folder):
    home = folder(marks=MARKS, levels="from,to,rise,length\nA,B,1,100\n")
    (home / "columns.toml").write_text('encoding = "cp99999"\n')
    with pytest.raises(InputErrors) as wrong:
        read_job(home)
    assert wrong.value.problems[0].column == "encoding"


@pytest.mark.parametrize(
    "line",
    [
        '[file.shots]\nlength = "furlong"', '[file.shots]\nskip = "Sum"', '[file.shots]\nfirst_row = 0',
        '[file.shots]\nx = 1',
        '[file]\nlength = "ft"', '[file.shots]\nabove = ["{hi} m"]', '[shots]\n"a" = "zenith_angle, part hour"',
        'decimal = ";"', 'hidden = "maybe"',
    ],
)  # fmt: skip
def test_what_is_said_of_a_file_keeps_its_rule(folder, line):
    home = folder(marks=MARKS, shots="at,mark,slope_distance,zenith_angle\nA,B,50,88\n", toml=DEG)
    (home / "columns.toml").write_text(line)
    with pytest.raises(InputErrors) as wrong:
        read_job(home)
    assert wrong.value.problems[0].file == "columns.toml" and wrong.value.problems[0].expected


def test_answers_are_added_where_they_belong(tmp_path):
    text = 'who = "A"\n[file.shots]\nskip = ["Sum"]  # below the table\n[shots]\n"HI" = "instrument_height"\n'
    answers = [("file.shots", "skip", "Page"), ("file.shots", "skip", "Sum"), ("", "decimal", ","),
               ("staff", 'S "1"', "mark"),
               ("shots", "HI", "instrument_height, carried")]  # fmt: skip
    kept = with_answers(text, answers, who="B", when="2026-11-28")
    path = tmp_path / "columns.toml"
    path.write_text(kept)
    problems = Problems()
    columns = read_columns(path, problems)
    assert not problems and columns.who == "A" and columns.when == "2026-11-28" and columns.decimal == ","
    assert columns.export_of("shots").skip == ("Sum", "Page")
    assert columns.of("shots")["HI"].carried and columns.of("staff")['S "1"'].column == "mark"
