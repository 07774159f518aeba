"""A comma in a number: a decimal sign or between thousands, decided by the whole file or asked."""

from __future__ import annotations

import pytest

from heightnet.errors import InputErrors
from heightnet.job.read import read_job

HEAD = "at;instrument_height;mark;target_height;slope_distance;zenith_angle\n"
DEG = '[units]\nangle = "deg"\n'
MARKS = "mark,height\nA,100\n"


def distances(folder, *rows):
    return read_job(folder(marks=MARKS, shots=HEAD + "".join(f"{row}\n" for row in rows), toml=DEG))


@pytest.mark.parametrize(
    ("rows", "metres"),
    [
        (["A;1,5;B;1,6;50,01;88,8"], 50.01),  # by the digits behind
        (
            ["A;1,587;B;1,600;143,726;88,123"],
            143.726,
        ),  # by what an instrument's height may be: no row of any column says
        (["A;1.587;B;1.600;1,143.726;88.123"], 1143.726),  # both signs in one cell
        (["A;1,587;B;1,600;1.143,726;88,123"], 1143.726),
        (["A;0,587;B;;123,456;88,123"], 123.456),  # a nought before it
        (["A;1.587;B;1.6;143.726;88.12"], 143.726),
    ],
)
def test_the_whole_file_decides(folder, rows, metres):
    assert distances(folder, *rows).shots["slope_distance"].tolist() == pytest.approx([metres], abs=1e-9)


def test_it_is_asked_where_nothing_says_and_the_answer_is_kept(folder):
    table = "mark;height\nA;1,234\nB;2,345\n"
    home = folder(marks=table, levels="from,to,rise,length\nA,B,1,100\n")
    with pytest.raises(InputErrors) as open_:
        read_job(home)
    (problem,) = open_.value.problems
    assert problem.row == 2 and problem.read == "1,234" and problem.question.choices == (",", ".")
    assert "1.234 or 1234" in problem.cause
    (home / "columns.toml").write_text('decimal = ","\n')
    assert read_job(home).marks["height"].tolist() == [1.234, 2.345]
    (home / "columns.toml").write_text('decimal = "."\n')
    assert read_job(home).marks["height"].tolist() == [1234, 2345]


def test_two_signs_in_one_file_are_told_with_both_places(folder):
    with pytest.raises(InputErrors) as wrong:
        distances(folder, "A;1.5;B;1.6;50.01;88.8", "A;1.5;C;1,65;60.01;88.9")
    (problem,) = wrong.value.problems
    assert problem.row == 3 and problem.read == "1,65" and "Row 2 has 1.5 under instrument_height" in problem.cause


def test_a_comma_typed_for_a_point_is_no_thousand(folder, tmp_path):
    with pytest.raises(InputErrors) as wrong:
        distances(folder, "A;1.55;B;1.6;50.01;88.8", "A;1.55;C;1.65;1,234;88.9")
    (problem,) = wrong.value.problems
    assert problem.read == "1,234" and 'decimal = "."' in problem.cause
    (tmp_path / "job" / "columns.toml").write_text('decimal = "."\n')
    job = read_job(tmp_path / "job")
    assert job.shots["slope_distance"].tolist() == [50.01, 1234]


def test_commas_between_quotation_marks(folder):
    table = 'mark,height,east\nA,"1,100.5","412,330.12"\nB,99.25,"412,301.5"\n'
    job = read_job(folder(marks=table, levels="from,to,rise,length\nA,B,1,100\n"))
    assert job.marks["height"].tolist() == [1100.5, 99.25] and job.marks["east"].tolist() == [412330.12, 412301.5]


def test_a_line_break_in_a_cell_moves_no_number(folder):
    with pytest.raises(InputErrors) as wrong:
        distances(folder, "A;1,5;B;1,6;50,01;88,8", 'A;1,5;C;1,6;"60,01\n7,5";88,8')
    assert [problem.column for problem in wrong.value.problems] == ["slope_distance"]
