"""Lines between rows, totals, units and headings that come again, in files as offices have them (all invented)."""

from __future__ import annotations

import numpy as np
import pytest
from openpyxl import Workbook

from heightnet.errors import InputErrors
from heightnet.job.read import read_job

SIGHTS = "Setup,At,HI (m),Point,HT (m),Slope Dist (m),Zenith (dms)\n"
BOOK = "Point,BS,FS\n"


@pytest.fixture
def found(tmp_path):
    """Reads a text as a file of some name, with a mapping."""

    def read(text, mapping=""):
        (tmp_path / "day.csv").write_text(text)
        (tmp_path / "columns.toml").write_text(mapping)
        return read_job(tmp_path / "day.csv")

    return read


def asked(read, *arguments):
    with pytest.raises(InputErrors) as wrong:
        read(*arguments)
    return wrong.value.problems


def book(job):
    return job.staff["name"].tolist()


def test_headings_that_come_again_in_another_order_are_told(found):
    again = "Setup,At,HT (m),Point,HI (m),Slope Dist (m),Zenith (dms)\n"
    rows = "S1,K1,1.587,P1,1.650,120.123,89-13-08\n", "S2,P1,1.500,K1,1.622,120.125,90-48-20\n"
    (problem,) = asked(found, SIGHTS + rows[0] + again + rows[1])
    assert problem.row == 3 and "another order" in problem.cause
    assert len(found(SIGHTS + rows[0] + SIGHTS + rows[1]).shots) == 2


def test_a_new_set_up_carries_nothing_on_from_the_last_one(found):
    text = ("Station: K1,HI: 1.587\nPoint,HT (m),Slope Dist (m),Zenith (dms)\nP1,1.650,120.123,89-13-08\n"
            "Station: P1\nK1,1.500,120.125,90-48-20\n")  # fmt: skip
    job = found(text, '[file.shots]\nabove = ["Station", "HI"]\n')
    assert job.setups["mark"].tolist() == ["K1", "P1"]
    assert job.setups["height"][0] == 1.587 and np.isnan(job.setups["height"][1])
    assert not any("not read: Station" in note.text for note in job.notes)
    both = text.replace("Station: P1\n", "HI: 1.622\nStation: P1\n")  # in either order
    assert found(both, '[file.shots]\nabove = ["Station", "HI"]\n').setups["height"].tolist() == [1.587, 1.622]


def test_a_total_on_every_page_is_left_out_and_ends_nothing(found):
    rows = ["S1,K1,1.587,P1,1.650,120.123,89-13-08", "Total,,,,,120.123,", "S2,P1,1.622,K1,1.5,120.125,90-48-20",
            "Total,,,,,120.125,"]  # fmt: skip
    problems = asked(found, SIGHTS + "\n".join(rows) + "\n")
    assert [problem.question.key for problem in problems] == ["skip", "skip"]
    assert len(found(SIGHTS + "\n".join(rows) + "\n", '[file.shots]\nskip = ["Total"]\n').shots) == 2
    (problem,) = asked(found, SIGHTS + "\n".join(rows) + "\n", '[file.shots]\nends = ["Total"]\n')
    assert problem.row == 4 and "where it ends" in problem.expected


def test_what_rows_begin_with_are_whole_words(found):
    text = BOOK + "BM1,1.234,\nSummit,1.876,0.987\nSum,3.110,0.987\nSummit2,1.5,1.2\nBM2,,0.555\n"
    job = found(text, '[file.staff]\nskip = ["Sum"]\n')
    assert {"Summit", "Summit2"} <= set(book(job)) and "Sum" not in book(job)


@pytest.mark.parametrize("word", ["Check", "Arith check", "C/F", "Page 1", "Carried fwd", "Tot.", "-"])
def test_what_adds_up_is_a_total_whatever_it_is_called(found, word):
    rows = f"BM1,1.234,\nTP1,1.876,0.987\n{word},3.110,0.987\nTP2,1.0,1.1\nBM2,,0.555\n"
    (problem,) = asked(found, BOOK + rows)
    assert problem.row == 4
    unnamed = found(BOOK + rows.replace(f"{word},3", ",3"))
    assert "" not in book(unnamed) and len(unnamed.staff) == 6
    assert any("a total" in note.text for note in unnamed.notes)


def test_a_line_that_holds_a_height_is_not_proposed_to_be_left_out(found):
    rows = "S1,K1,1.587,P1,1.650,120.123,89-13-08\nHI changed to 1.602,,,,,,\nS1,K1,1.587,P3,1.3,90.001,90-00-10\n"
    (problem,) = asked(found, SIGHTS + rows)
    assert not problem.question.default and "column of theirs" in problem.cause


def test_a_line_that_a_pattern_misses_is_not_passed_over(found):
    text = ("Instr at K1 h=1.587\nPoint,HT (m),Slope Dist (m),Zenith (dms)\nP1,1.650,120.123,89-13-08\n"
            "Instr at K 2 h= 1.6\nK1,1.500,120.125,90-48-20\nInstr over P2\nK1,1.500,120.125,90-48-20\n")  # fmt: skip
    mapping = '[file.shots]\nabove = ["Instr at {at} h={instrument_height}"]\n'
    problems = asked(found, text.replace("h= 1.6", "h : 1.6"), mapping)
    assert all(not problem.question.default for problem in problems if problem.question)
    assert found(text.replace("Instr over P2\nK1,1.500,120.125,90-48-20\n", ""), mapping).setups["height"][1] == 1.6


@pytest.mark.parametrize(
    ("unit", "metres"), [("yd", 0.9144), ("in", 0.0254), ("dm", 0.1), ("km", 1000), ("mm", 0.001), ("ft", 0.3048)]
)
def test_other_units_are_asked_about_with_what_makes_metres_of_them(found, unit, metres):
    text = f"At,HI (m),Point,HT (m),Slope Dist ({unit}),Zenith (dms)\nK1,1.5,P1,1.6,{100 / metres:.6f},89-13-08\n"
    problems = asked(found, text)
    line = problems[0].cause.split("columns.toml: ")[1].split("; if")[0]
    job = found(text, f"[shots]\n{line}\n")
    assert job.shots["slope_distance"].tolist() == pytest.approx([100], rel=1e-6)


def test_degrees_are_no_gon(found):
    text = "At,HI (m),Point,HT (m),Slope Dist (m),Zenith ({unit})\nK1,1.5,P1,1.6,100,{angle}\n"
    kept = '[file.shots]\nangle = "gon"\n'
    (problem,) = asked(found, text.format(unit="deg", angle="89.5"), kept)
    line = problem.cause.split("columns.toml: ")[1].split("; if")[0]
    job = found(text.format(unit="deg", angle="89.5"), f"{kept}[shots]\n{line}\n")
    assert np.degrees(job.shots["zenith_angle"][0]) == pytest.approx(89.5)
    (problem,) = asked(found, text.format(unit="dms", angle="89-30-00"), kept)
    assert problem.question is None


def test_gon_are_not_proposed_for_what_may_be_degrees(found):
    rows = "".join(f"K1,1.5,P{i},1.6,100,{angle}\n" for i, angle in enumerate(("97.1308", "103.0210", "96.4512")))
    (problem,) = asked(found, "At,HI (m),Point,HT (m),Slope Dist (m),Zenith\n" + rows)
    assert problem.question.default == ""


def test_a_column_of_negative_readings_is_asked_about(found):
    text = "Point,BS (+),FS (-)\nBM1,1.234,\nTP1,1.876,-0.987\nBM2,,-0.555\n"
    (problem,) = asked(found, text)
    assert problem.question.default == "fore_sight, scale -1"
    job = found(text, '[staff]\n"FS (-)" = "fore_sight, scale -1"\n')
    assert sorted(job.staff["reading"]) == [0.555, 0.987, 1.234, 1.876]


def test_numbers_above_the_headings_are_a_doubt(found):
    text = "Station,E,RL\nK1,1000.5,50.125\n\n" + SIGHTS + "S1,K1,1.587,P1,1.650,120.123,89-13-08\n"
    (doubt,) = [note for note in found(text).notes if "above the headings" in note.text]
    assert doubt.kind == "doubt"


def test_an_adopted_column_is_no_intermediate_sight(found):
    job = found("Point,BS,FS,Adopted BS\nBM1,1.234,,1.235\nTP1,1.876,0.987,1.877\nBM2,,0.555,\n")
    assert len(job.staff) == 4 and any("not used: Adopted BS" in note.text for note in job.notes)


def test_a_mark_called_like_a_comment_is_a_doubt(found):
    job = found(SIGHTS + "#S1,K1,1.587,P1,1.650,120.123,89-13-08\n")
    assert job.setups["setup"].tolist() == ["#S1"] and any("is no comment" in note.text for note in job.notes)


def test_a_heading_that_stands_twice_can_be_said_apart(found):
    head = "At,HI (m),Point,HT (m),HT (m),Slope Dist (m),Zenith (dms)\n"
    same = found(head + "K1,1.5,P1,1.6,1.6,100.5,89-10-10\n")
    assert same.targets["height"].tolist() == [1.6] and any("read once" in note.text for note in same.notes)
    other = head + "K1,1.5,P1,1.6,1.3,100.5,89-10-10\n"
    (problem,) = asked(found, other)
    assert '"HT (m) #2" = ""' in problem.cause
    assert found(other, '[shots]\n"HT (m) #2" = ""\n').targets["height"].tolist() == [1.6]
    assert found(other, '[shots]\n"HT (m)" = ""\n"HT (m) #2" = "target_height"\n').targets["height"].tolist() == [1.3]


def test_a_dash_is_not_recorded(found):
    head = "At,HI (m),Point,HT (m),Slope Dist (m),Zenith (dms)\n"
    job = found(head + "K1,1.5,P1,-,100.5,89-10-10\nK1,1.5,P2,n/a,100.5,89-10-10\n")
    assert np.isnan(job.targets["height"]).all() and any("'-' is read as not recorded" in n.text for n in job.notes)


def test_a_unit_that_a_sheet_shows_beside_a_number_is_seen(tmp_path):
    book = Workbook()
    sheet = book.active
    sheet.append(["At", "HI (m)", "Point", "HT (m)", "Slope Dist (m)", "Zenith (dms)"])
    sheet.append(["K1", 1.587, "P1", 1.6, 100.5, "89-10-10"])
    sheet["B2"].number_format = '0.000" m"'
    book.save(tmp_path / "day.xlsx")
    assert read_job(tmp_path / "day.xlsx").setups["height"].tolist() == [1.587]
    sheet["B2"].number_format = '0.000" ft"'
    book.save(tmp_path / "day.xlsx")
    (problem,) = asked(read_job, tmp_path / "day.xlsx")
    assert problem.read == "1.587 ft" and problem.row == 2


def test_files_read_together_keep_headings_that_stand_twice_apart(tmp_path):
    head = "At,HI (m),Point,HT (m),Slope Dist (m),ZA Deg,Min,Sec,HA Deg,Min,Sec\n"
    (tmp_path / "a.csv").write_text(head + "K1,1.5,P1,1.6,100.5,89,10,11,20,30,40\n")
    (tmp_path / "b.csv").write_text(head + "K1,1.5,P2,1.6,100.5,88,12,13,21,31,41\n")
    (tmp_path / "none.csv").write_text(head)
    (tmp_path / "columns.toml").write_text('[file.shots]\nfiles = ["none.csv", "b.csv"]\n')
    zenith = np.degrees(read_job(tmp_path / "a.csv").shots["zenith_angle"])
    assert zenith.tolist() == pytest.approx([89 + 10 / 60 + 11 / 3600, 88 + 12 / 60 + 13 / 3600])
