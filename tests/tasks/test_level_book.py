"""What only a paper level book has: pages and lines, several readings of a staff, two staves, arithmetic, two pegs."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from click.testing import CliRunner

import heightnet
from heightnet.commands.group import cli
from heightnet.errors import InputErrors
from heightnet.job.booked import slips_of_arithmetic
from heightnet.job.read import read_job
from heightnet.job.write import write_job
from heightnet.judge.causes import rank_causes
from heightnet.ledger.settings import Settings
from heightnet.reduce.two_peg import two_peg_tests
from heightnet.report.bust_words import bust_document
from heightnet.report.text import plain
from heightnet.tasks.bust import bust, exit_status
from tests.evidence import written

HEIGHTS = {"A": 10.0, "T1": 10.62, "T2": 11.14, "B": 12.0, "T3": 11.4, "T4": 10.9}
WALK = (("A", "T1"), ("T1", "T2"), ("T2", "B"), ("B", "T3"), ("T3", "T4"), ("T4", "A"))
SD = 0.0004


def loop(seed=3, wires=False, other=0.0, staves=("",), wrong=None, zero=0.0):
    """A to B and back: a row a reading, as a frame of texts.

    wires : with the outer wires.  other : how much more the second scale reads, 0 for none.  staves : in turn at the
    ends of each leg.  wrong : by row and column what to add.  zero : of the last staff.
    """
    rng = np.random.default_rng(seed)
    rows = []
    for i, (a, b) in enumerate(WALK):
        line = max(HEIGHTS[a], HEIGHTS[b]) + 0.8
        for j, (mark, sight) in enumerate(((a, "BS"), (b, "FS"))):
            staff = staves[(i + j) % len(staves)]
            true = line - HEIGHTS[mark] + (zero if staff == staves[-1] else 0.0)
            half = 0.15 + 0.03 * j
            noise = SD * rng.standard_normal(4)
            row = {"level_setup": f"L{i + 1}", "mark": mark, "sight": sight, "reading": true + noise[0], "staff": staff}
            if wires:
                row |= {"upper_wire": true + half + noise[1], "lower_wire": true - half + noise[2]}
            if other:
                row["other_scale"] = true + other + noise[3]
            rows.append(row)
    frame = pd.DataFrame(rows)
    for (row, column), by in (wrong or {}).items():
        frame.loc[row - 2, column] += by
    return frame.round(4)


def job_of(tmp_path, staff, marks="mark,height\nA,10\n", **tables):
    folder = tmp_path / "book"
    folder.mkdir()
    (folder / "job.toml").write_text('title = "an invented book"\n[precision]\nstaff_mm = 0.4\n')
    (folder / "marks.csv").write_text(marks)
    (folder / "staff.csv").write_text(staff if isinstance(staff, str) else staff.to_csv(index=False))
    for name, text in tables.items():
        (folder / f"{name}.csv").write_text(text)
    return folder


def told(facts):
    return " ".join(plain(bust_document(facts)).split())


# ---- page and line ----


def test_findings_name_page_and_line_first(tmp_path):
    staff = loop(wrong={(6, "reading"): 0.1})
    staff["page"], staff["line"] = [str(12 + i // 4) for i in range(12)], [str(1 + i % 4) for i in range(12)]
    folder = job_of(tmp_path, staff, marks="mark,height\nA,10\nB,12\n")
    text = told(bust(read_job(folder)))
    assert "readings between A and B (pages 12 and 13; rows 2 to 7 of staff.csv) is wrong" in text
    assert "in the book" in text and "page 13, line 1" in text
    check = CliRunner().invoke(cli, ["check", str(folder)]).output
    assert "page" in check.split("Is something wrong?")[0]


def test_a_line_is_a_run_unless_there_is_a_page(tmp_path):
    staff = loop().assign(line="north")
    assert set(read_job(job_of(tmp_path, staff)).staff["run"]) == {"north"}
    (tmp_path / "more").mkdir()
    job = read_job(job_of(tmp_path / "more", staff.assign(page="3")))
    assert set(job.staff["line"]) == {"north"} and set(job.staff["run"]) == {""}


def test_the_two_sights_of_a_books_row_are_two_readings(tmp_path):
    book = "mark,back_sight,fore_sight\nA,1.400,\nT,1.500,0.900\nB,1.200,1.000\nT,0.900,1.700\nA,,1.4\n"
    facts = heightnet.check(job_of(tmp_path, book)).facts
    assert {"staff:staff.csv:3/BS", "staff:staff.csv:3/FS"} <= {r["id"] for r in facts["staff"]}
    assert len({r["id"] for r in facts["staff"]}) == len(facts["staff"]) == 8


# ---- several readings ----


def test_outer_wires_are_a_further_reading_that_names_a_misread_one(tmp_path):
    job = read_job(job_of(tmp_path, loop(wires=True, wrong={(6, "reading"): 0.1})))
    assert len(job.staff) == 24 and set(job.staff["cell"]) == {"", "wires"}
    of_wires = job.staff[job.staff["cell"] == "wires"]
    # the mean of two readings of one sd each: sd / sqrt 2; 100 times what lies between the wires, common practice
    assert of_wires["sd"].to_numpy() == pytest.approx(0.0004 / sqrt(2))
    assert of_wires["distance"].iloc[0] == pytest.approx(30.0, abs=0.2)
    facts = bust(job)
    (finding,) = facts["findings"]
    assert finding["named"] and finding["id"] == "staff:staff.csv:6"
    assert facts["rivals"][0]["error_mm"] == pytest.approx(100, abs=2)
    assert facts["faults"] == []


def test_a_whole_sight_wrong_is_told_as_one_of_the_sights_of_its_section(tmp_path):
    """All three wires a decimetre off, as where the staff stood on another point: no wire is wrong by itself."""
    wrong = {(6, column): 0.1 for column in ("reading", "upper_wire", "lower_wire")}
    facts = bust(read_job(job_of(tmp_path, loop(wires=True, wrong=wrong), marks="mark,height\nA,10\nB,12\n")))
    (finding,) = facts["findings"]
    ids = [m["id"] for m in finding["members"]]
    assert sum(id_.startswith("pointing:") for id_ in ids) == 6 and "pointing:L3//BS/T2" in ids
    assert not any(id_.startswith("staff:") for id_ in ids)  # no single reading of it
    assert "6 sights to a staff with all their readings" in told(facts)
    assert facts["plan"]["steps"][0]["from_mark"] == "A"


def test_one_outer_wire_wrong_is_told_as_such_and_counts_a_third(tmp_path):
    facts = bust(read_job(job_of(tmp_path, loop(wires=True, wrong={(6, "lower_wire"): 0.1}))))
    assert facts["findings"][0]["id"] == "staff:staff.csv:6/wires"
    assert facts["rivals"][0]["causes"][0]["cause"] == "outer_wire"
    assert "outer wires of the backsight on T2" in told(facts)
    # the run takes the mean of three: a decimetre in one of them is a third of it
    assert facts["book"][0]["misclosure_mm"] == pytest.approx(100 / 3, abs=2)


def test_the_other_scale_is_a_further_reading_less_what_lies_between(tmp_path):
    folder = job_of(tmp_path, loop(other=3.0155, wrong={(7, "reading"): -0.01}))
    job = read_job(folder)
    assert any("3.015" in note.text and "median of 12 pairs" in note.text for note in job.notes)
    facts = bust(job)
    assert facts["findings"][0]["named"] and facts["findings"][0]["id"] == "staff:staff.csv:7"
    listed = "equipment,point,offset_mm\nS1,other scale,3015.5\n"
    (tmp_path / "b").mkdir()
    listed_job = read_job(job_of(tmp_path / "b", loop(other=3.0155, staves=("S1",)), equipment=listed))
    other = listed_job.staff[listed_job.staff["cell"] == "other scale"]
    assert other["reading"].iloc[0] == pytest.approx(1.42, abs=4 * SD)


def test_two_pairs_do_not_say_what_lies_between_the_scales(tmp_path):
    staff = loop(other=3.0155).astype({"other_scale": object})
    staff.loc[2:, "other_scale"] = ""
    with pytest.raises(InputErrors) as wrong:
        read_job(job_of(tmp_path, staff))
    assert "point other scale" in wrong.value.problems[0].cause


def test_one_outer_wire_or_wires_beside_two_sights_are_refused(tmp_path):
    book = "mark,back_sight,fore_sight,upper_wire,lower_wire\nA,1.4,,1.5,\nT,1.5,0.9,1.6,1.4\nA,,1.5,,\n"
    with pytest.raises(InputErrors) as wrong:
        read_job(job_of(tmp_path, book))
    assert [(p.row, p.column) for p in wrong.value.problems] == [(2, "lower_wire"), (3, "upper_wire")]


def test_a_reading_read_again_is_no_fault_and_its_mean_is_reckoned_with(tmp_path):
    staff = loop()
    again = staff.iloc[[0]].assign(reading=staff["reading"].iloc[0] + 0.001)
    facts = bust(read_job(job_of(tmp_path, pd.concat([staff.iloc[[0]], again, staff.iloc[1:]]))))
    assert facts["faults"] == []
    (run,) = facts["book"]
    back = staff["reading"][staff["sight"] == "BS"].sum()
    assert run["backsights_m"] == pytest.approx(back + 0.0005)
    # eleven readings and a mean of two
    assert run["expected_sd_mm"] == pytest.approx(0.4 * sqrt(11.5))


def test_further_readings_survive_writing(tmp_path):
    job = read_job(job_of(tmp_path, loop(wires=True, wrong={(6, "reading"): 0.1})))
    copy = read_job(write_job(job, tmp_path / "copy"))
    pd.testing.assert_series_equal(copy.staff["reading"], job.staff["reading"])
    one, other = bust(job)["findings"][0], bust(copy)["findings"][0]
    assert one["probability"] == pytest.approx(other["probability"], abs=0.01)


def test_two_staves_may_have_unlike_zeros(tmp_path):
    """Always the one behind and the other ahead, a pair of staves does not take its difference out."""
    walk = loop(staves=("S1", "S2"), zero=0.006)
    # each peg is read once by either staff: its two readings differ by the zero
    facts = bust(read_job(job_of(tmp_path, walk)))
    assert facts["judgement"]["state"] == "closes"  # as many of each staff on each side: it takes itself out
    odd = walk.copy()
    odd["staff"] = np.where(odd["sight"] == "BS", "S1", "S2")
    odd["reading"] += np.where(odd["sight"] == "BS", 0.0, 0.006) - np.where(walk["staff"] == "S2", 0.006, 0.0)
    (tmp_path / "odd").mkdir()
    facts = bust(read_job(job_of(tmp_path / "odd", odd)))
    assert facts["judgement"]["state"] == "wrong"
    ids = {r["id"] for r in facts["rivals"]}
    assert ids & {"group:staff_zero:S1", "group:staff_zero:S2"}


# ---- causes ----


def test_a_minus_lost_and_a_zero_dropped():
    # a soffit read 1.234 with the staff upside down, booked without its minus: 2 * 1.234 too high
    best = rank_causes(written("staff", 1.234, 2.4681, 0.002, inverted=True))[0]
    assert (best.cause, round(best.expected, 3)) == ("minus_lost", 2.468)
    # 1.056 written 1.56 in a book of three figures
    best = rank_causes(written("staff", 1.56, 0.504, 0.002, text="1.560", figures=3))[0]
    assert (best.cause, round(best.expected, 3)) == ("zero_dropped", 0.504)
    every = {f.cause for f in rank_causes(written("staff", 1.563, 0.504, 0.002, text="1.563", figures=3), 0.0)}
    assert "zero_dropped" not in every  # it has all of its figures


# ---- the arithmetic of the book ----


def booked(by_line=False):
    """The loop as booked by rise and fall, or by the line of sight: worked here row by row, apart from the code."""
    staff = loop().assign(rise="", fall="", reduced_level="", line_of_sight="").astype(object)
    level, before, line = 10.0, 0.0, 0.0
    for i, r in staff.iterrows():
        if r["sight"] == "BS":
            line = level + r["reading"]
            staff.loc[i, "line_of_sight" if by_line else "rise"] = f"{line:.4f}" if by_line else ""
        else:
            change = before - r["reading"]
            level = line - r["reading"] if by_line else level + change
            if not by_line:
                staff.loc[i, "rise" if change >= 0 else "fall"] = f"{abs(change):.4f}"
        staff.loc[i, "reduced_level"] = f"{level:.4f}"
        before = r["reading"]
    return staff


@pytest.mark.parametrize("by_line", [False, True])
def test_a_right_book_has_no_slip(tmp_path, by_line):
    facts = bust(read_job(job_of(tmp_path, booked(by_line))))
    assert facts["arithmetic"]["slips"] == [] and facts["arithmetic"]["re_added"] >= 17
    assert exit_status(facts) == 0
    assert "no slip of arithmetic" in told(facts)


@pytest.mark.parametrize(
    ("column", "row", "carried"),
    [("reduced_level", 5, False), ("reduced_level", 5, True), ("rise", 3, False), ("fall", 9, False)],
)
def test_a_slip_of_arithmetic_is_named_where_it_was_made_and_once(tmp_path, column, row, carried):
    staff = booked()
    rows = range(row - 2, len(staff)) if carried else [row - 2]
    for i in rows:
        staff.loc[i, column] = f"{float(staff.loc[i, column]) + 0.1:.4f}"
    facts = bust(read_job(job_of(tmp_path, staff)))
    (slip,) = facts["arithmetic"]["slips"]
    assert (slip["row"], slip["what"]) == (row, column)
    assert slip["difference_mm"] == pytest.approx(100.0, abs=0.01)
    assert exit_status(facts) == 1  # the book is faulty, though it closes
    assert f"Row {row}, " in told(facts) and "slip of 100.0 mm" in told(facts)
    assert any(n.row == row and "is booked" in n.text for n in read_job(tmp_path / "book").notes)


def test_a_line_of_sight_and_a_first_level_are_held_against_what_there_is(tmp_path):
    staff = booked(by_line=True)
    staff.loc[2, "line_of_sight"] = f"{float(staff.loc[2, 'line_of_sight']) - 0.01:.4f}"
    facts = bust(read_job(job_of(tmp_path, staff, marks="mark,height\nA,10.090\n")))
    assert [(s["row"], s["what"]) for s in facts["arithmetic"]["slips"]] == [(2, "known"), (4, "line_of_sight")]


def test_levels_booked_to_fewer_figures_are_rounded_not_wrong():
    staff = pd.DataFrame({
        "run": "", "level_setup": ["1", "1", "2", "2"], "sight": ["BS", "FS"] * 2, "mark": ["A", "T", "T", "B"],
        "row": [2, 3, 4, 5], "reading": [1.4004, 1.0008, 1.5004, 1.1008], "rise": np.nan, "fall": np.nan,
        "reduced_level": [10.0, 10.4, 10.4, 10.799], "line_of_sight": np.nan,
    })  # fmt: skip
    assert slips_of_arithmetic(staff, pd.DataFrame({"mark": [], "height": []}))[0] == []
    staff.loc[3, "reduced_level"] = 10.796
    assert [s.row for s in slips_of_arithmetic(staff, pd.DataFrame({"mark": [], "height": []}))[0]] == [5]


def test_a_book_in_feet(tmp_path):
    book = "mark,back_sight,fore_sight,rise,fall,reduced_level\nA,4.52,,,,100.00\nT,5.10,3.11,1.41,,101.41\n"
    book += "A,,6.51,,1.41,100.10\n"
    folder = job_of(tmp_path, book, marks="mark,height\nA,100\n")
    (folder / "job.toml").write_text('title = "invented"\n[units]\nlength = "ft"\n')
    (slip,) = bust(read_job(folder))["arithmetic"]["slips"]
    assert (slip["row"], slip["what"]) == (4, "reduced_level")
    assert slip["difference_mm"] == pytest.approx(0.10 * 304.8)


# ---- two pegs ----


def test_a_two_peg_test_by_hand(tmp_path):
    """Midway the pegs differ by 0.300 m; from near the first by 0.312 m, 60 m apart (reckoned by common practice)."""
    test = "setup,peg,reading,distance\nmid,P,1.400,30\nmid,Q,1.700,30\nnear,P,1.500,4\nnear,Q,1.812,64\n"
    facts = bust(read_job(job_of(tmp_path, loop(wires=True), two_peg=test)))
    (one,) = facts["level_tests"]
    bent = (1 - 0.13) / (2 * 6_371_000) * (64**2 - 4**2)  # curvature and refraction over the long sight
    assert one["collimation_mm_per_10m"] == pytest.approx((0.012 - bent) / 60 * 10_000, abs=1e-4)
    # four readings of 0.4 mm over 60 m
    assert one["sd_mm_per_10m"] == pytest.approx(0.4 * 2 / 60 * 10, abs=1e-4) and one["spare"] == 0
    text = told(facts)
    assert "mm too high at 10 m" in text and "collimation error by two pegs" in text


def test_a_two_peg_test_with_more_readings_against_statsmodels():
    rng = np.random.default_rng(5)
    setups, pegs = {"mid": (20.0, 20.0, 41.0), "near": (3.0, 38.0, 60.0), "far": (55.0, 20.0, 4.0)}, (0.0, 0.31, -0.2)
    rows = [
        {"test": "", "level_setup": s, "peg": "PQR"[i], "distance": d, "sd": 0.0005, "when": "", "row": 2,
         "reading": 1.5 + 0.1 * k - pegs[i] - 1.2e-4 * d + 0.0005 * rng.standard_normal()}
        for k, (s, ds) in enumerate(setups.items()) for i, d in enumerate(ds)
    ]  # fmt: skip
    table = pd.DataFrame(rows)
    settings = Settings().with_values(**{"air.refraction": 1.0})  # nothing bends: the plain model
    (found,) = two_peg_tests(table, settings)
    X = np.column_stack(
        [table["distance"], pd.get_dummies(table["level_setup"]), -pd.get_dummies(table["peg"])[["Q", "R"]]]
    )
    fit = sm.WLS(table["reading"], X.astype(float), weights=1 / 0.0005**2).fit()
    assert found.error == pytest.approx(fit.params.iloc[0], rel=1e-9)
    assert found.sd == pytest.approx(fit.bse.iloc[0] / np.sqrt(fit.scale), rel=1e-6)
    assert found.spare == int(fit.df_resid)
    assert abs(found.error + 1.2e-4) < 4 * found.sd


def test_equal_distances_say_nothing_of_the_level(tmp_path):
    test = "setup,peg,reading,distance\nmid,P,1.400,30\nmid,Q,1.700,30\n"
    facts = bust(read_job(job_of(tmp_path, loop(wires=True), two_peg=test)))
    assert facts["level_tests"][0]["collimation_mm_per_10m"] is None
    assert "its distances are alike" in told(facts)


# ---- sets, and what could hide ----


def test_two_busts_are_told_as_sets_with_their_sections(tmp_path):
    """A to B and back between two known marks, a decimetre on the way there and three centimetres on the way back."""
    staff = loop(wrong={(3, "reading"): 0.1, (10, "reading"): 0.03})
    facts = bust(read_job(job_of(tmp_path, staff, marks="mark,height\nA,10\nB,12\n")))
    best = facts["sets"][0]
    assert best["number"] == 2
    sizes = [sorted(abs(b["error_mm"]) for b in one["busts"]) for one in facts["sets"]]
    assert pytest.approx([30, 100], abs=5) in sizes
    # the book goes on through B, a known mark: each way there is held against both
    assert [(r["from_mark"], r["to_mark"]) for r in facts["book"]] == [("A", "A"), ("A", "B"), ("B", "A")]
    assert [abs(r["misclosure_mm"]) for r in facts["book"]] == pytest.approx([70, 100, 30], abs=5)
    for one in facts["sets"]:
        assert one["number"] == len(one["busts"]) and one["probability"] <= 1
        assert all((b["from_mark"] is None) == (b["to_mark"] is None) for b in one["busts"])
    assert "One bust, two or three?" in told(facts)
    assert facts["sets"] == sorted(facts["sets"], key=lambda one: -one["probability"])


def test_a_clean_book_says_what_could_hide(tmp_path):
    facts = bust(read_job(job_of(tmp_path, loop(wires=True))))
    assert facts["verdict"] == "closes" and facts["hides"]
    text = told(facts)
    assert "What could hide in this book" in text and "two errors in one section that cancel" in text
    # what hides is the limit of each reading: one beyond it shows
    worst = max(one["found_mm"] for one in facts["hides"])
    (tmp_path / "w").mkdir()
    wrong = loop(wires=True, wrong={(4, "reading"): 1.6 * worst / 1000})
    assert bust(read_job(job_of(tmp_path / "w", wrong)))["judgement"]["state"] != "closes"
