"""What is said: signs in words, value and uncertainty rounded together, the job's own unit."""

import os
from pathlib import Path

import pytest
import sample_facts

from heightnet.report.numbers import Lengths, decimals_for, tie
from heightnet.report.story import accusations, reading_check, tell
from heightnet.report.words import VERDICTS, Words
from heightnet.result import Result

GOLDEN = Path(__file__).parent / "golden"


@pytest.mark.parametrize("name", ["suspect", "either", "clean", "unproved", "feet"])
def test_summary_is_what_people_were_shown_before(name):
    """Golden files pin what people read; HEIGHTNET_GOLDEN=1 writes them anew, to be read before they are kept."""
    said = Result(sample_facts.JOBS[name]()).summary() + "\n"
    path = GOLDEN / f"{name}.txt"
    if os.environ.get("HEIGHTNET_GOLDEN"):
        path.write_text(said, encoding="utf-8")
    assert said == path.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["suspect", "either", "clean", "unproved"])
def test_summary_fits_a_screen(name):
    assert 10 <= len(Result(sample_facts.JOBS[name]()).summary().splitlines()) <= 27


def test_every_label_of_every_kind():
    words = Words(sample_facts.suspect())
    cases = {
        "setup:S4": "the instrument height of set-up S4 (over P4)",
        "target:T3": "the target height T3 (on P1)",
        "tripod:stand 2": "the height of the shared stand 2",
        "reading:tape.csv:5": "a tape reading (tape.csv, row 5)",
        "swap:S4/T7": "the heights of set-up S4 and target T7, booked in each other's place",
        "shot:shots.csv:8": "the sight S4 to P3 (shots.csv, row 8)",
        "known:BM1": "the known height of BM1",
        "level:levels.csv:3": "the levelled difference (levels.csv, row 3)",
        "staff:staff.csv:9": "the staff reading (staff.csv, row 9)",
        "group:tape:tape 1": "every height taped with tape 1",
        "group:equipment:(not named)": "every target height",
        "group:refraction:the whole job": "the refraction of the whole job",
        "group:tape_scale:a:b": "the scale of a:b",
    }
    assert {id: words.label(id) for id in cases} == cases


def test_signs_are_words():
    words = Words(sample_facts.suspect())
    assert words.error("setup:S4", 24.23, 1.9) == "recorded 24.2 ± 1.9 mm too high"
    assert words.error("setup:S4", -24.23, 2.4) == "recorded 24 ± 2 mm too low"
    assert words.error("shot:shots.csv:8", 5.0, 2.4) == "its height difference recorded 5 ± 2 mm too high"
    assert words.error("setup:S4", None) == "by an unknown amount"


@pytest.mark.parametrize(
    "mm, sd, said",
    [
        (24.23, 1.94, "24.2 ± 1.9 mm"),
        (24.23, 1.96, "24 ± 2 mm"),
        (-0.34, 0.21, "0.3 ± 0.2 mm"),
        (1000.4, 45.0, "1000 ± 45 mm"),
        (3.0, None, "3.0 mm"),
    ],
)
def test_value_and_uncertainty_share_their_last_digit(mm, sd, said):
    assert Lengths("m").plus_minus(mm, sd) == said


def test_no_height_is_finer_than_a_tenth_of_a_millimetre():
    # 0.0001 m, and 0.001 ft = 0.3048 mm: both no finer than 0.1 mm
    assert Lengths("m").height(123.456789) == "123.4568"
    assert Lengths("ft").height(0.3048) == "1.000"
    # US survey foot 1200/3937 m: Federal Register 85 FR 62698
    assert Lengths("ftUS").height(1200 / 3937 * 1234.5) == "1234.500"
    assert decimals_for(0.0001) == 1


def test_a_job_in_feet_says_so_and_speaks_of_feet_only():
    words = Words(sample_facts.feet())
    text = " ".join(line for answer in tell(words).answers for line in answer.lines)
    assert "0.079 ± 0.006 ft too high" in text
    assert " mm" not in text and "thousandths of a foot" in words.lengths.small_name


def test_either_names_the_rivals_and_accuses_none_alone():
    words = Words(sample_facts.either())
    (one,) = accusations(words)
    assert one.ids == ["setup:S5", "target:T9"] and not one.certain_which
    story = tell(words)
    assert "cannot tell which" in story.headline and "S5" in story.headline and "T9" in story.headline


def test_level_rows_are_named_in_short_and_the_stretch_is_to_be_levelled_again():
    facts = sample_facts.clean()
    rows = []
    for row, (setup, mark, name) in enumerate(
        [("L1", "W2", "W2"), ("L1", "TP4 (out)", "TP4"), ("L2", "TP4 (out)", "TP4"), ("L2", "W3", "W3")], 12
    ):
        rows.append(
            {
                **sample_facts.blank(table="staff"),
                "id": f"staff:staff.csv:{row}", "file": "staff.csv", "row": row, "level_setup": setup, "mark": mark,
                "name": name, "reading_m": 1.2, "error_mm": -100.1, "error_sd_mm": 1.3, "probability": 0.25,
                "verdict": "either",
            }
        )  # fmt: skip
    facts["staff"] = rows
    facts["explanations"][0].update(
        members=[{"id": rows[0]["id"], "error_mm": -100.1, "error_sd_mm": 1.3}], also=[[r["id"] for r in rows[1:]]]
    )
    story = tell(Words(facts))
    assert story.headline == (
        "One of 4 staff readings is wrong by 100 mm, and this job cannot tell which: rows 12 to 15 of staff.csv."
    )
    assert any("Level from W2 to W3 again" in line for a in story.answers for line in a.lines)


def test_small_movements_are_summed_up():
    words = Words(sample_facts.suspect())
    moved = [{"mark": "A", "moved_mm": 100.0}, {"mark": "B", "moved_mm": -40.0}, {"mark": "C", "moved_mm": 2.0}]
    assert words.moved(moved) == "It put A 100 mm too high and B 40 mm too low; the other marks by 2.0 mm at most."
    assert words.moved([]) == "It moved no mark by as much as 0.1 mm."


def test_every_verdict_has_a_sentence():
    words = Words(sample_facts.suspect())
    stand = words.setups["S1"]
    said = {verdict: words.verdict({**stand, "verdict": verdict}) for verdict in VERDICTS}
    assert len(set(said.values())) == len(VERDICTS) and all(text.endswith(".") for text in said.values())


def test_numbers_keep_their_units():
    assert tie("an error of 24.2 mm (97 %)") == "an error of 24.2\u00a0mm (97\u00a0%)"


@pytest.mark.parametrize(
    ("side", "said"),
    [("first", "; the rest of the job sides with 1.612 m by A. Reed"),
     ("neither", "; the rest of the job sides with neither"), ("both", ""), (None, "")],
)  # fmt: skip
def test_readings_that_disagree_and_which_the_job_sides_with(side, said):
    facts = sample_facts.clean()
    readings = facts["setups"][0]["readings"]
    readings[0] |= {
        "id": "reading:tape.csv:900",
        "kind": "vertical",
        "text": "1.612",
        "scale": "m",
        "by": "A. Reed",
        "tape": None,
    }
    check = {"stand": "S1", "what": "setup", "first": "reading:tape.csv:900", "second": "reading:tape.csv:3",
             "difference_mm": 100.0, "allowed_mm": 3.0, "agrees": False, "slip": None, "slip_text": None,
             "sides_with": side}  # fmt: skip
    assert reading_check(Words(facts), check) == f"The readings at S1 disagree by 100.0 mm{said}."


def test_a_reading_in_question_is_told_with_its_stand():
    facts = sample_facts.suspect()
    stand = next(s for s in facts["setups"] if s["verdict"] == "suspect")
    stand["readings"][0]["verdict"] = "either"
    told = accusations(Words(facts))
    assert [one.ids[0] for one in told] == [s["id"] for s in facts["suspects"]]
