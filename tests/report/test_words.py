"""What is said: signs in words, value and uncertainty rounded together, the job's own unit."""

import os
from pathlib import Path

import pytest
import sample_facts

import heightnet
from heightnet.ledger.record import blank
from heightnet.ledger.results import table
from heightnet.report.check_words import SHORT_LIST, check_document, reading_check
from heightnet.report.claims import plain
from heightnet.report.document import sentences
from heightnet.report.findings import look_up, slip_of
from heightnet.report.measurements import gain
from heightnet.report.numbers import Lengths, decimals_for, tie
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


def of(*kinds):
    """A finding with so many members of each kind; of one, that one."""
    members = [id_ if n == 1 else f"{id_}:{i}" for id_, n in kinds for i in range(n)]
    return {
        "order": 1, "named": False, "count": len(members), "members": [{"id": id_} for id_ in members], "shown_by": [],
        "kinds": [{"what": i.partition(":")[0], "count": n, "id": i if n == 1 else None} for i, n in kinds],
    }  # fmt: skip


LEVEL = ("group:collimation:the level", 1)


@pytest.mark.parametrize(
    ("kinds", "said"),
    [
        ([("staff", 24)], "24 staff readings"),
        ([("staff", 24), LEVEL], "24 staff readings or the collimation error of the level"),
        ([("staff", 1200), ("exchange", 3)], "1,200 staff readings or 3 pairs of readings in each other's place"),
        ([("staff", 60), ("exchange:L21:out", 1)], "60 staff readings or the pair of readings in each other's place at "
         "L21, run out"),
        ([("staff", 9), ("level", 5), ("known", 2), ("shot", 2), LEVEL], "9 staff readings, 5 levelled differences, "
         "2 known heights or 3 others"),
        ([("staff", 9), ("level", 5), ("known", 2), LEVEL], "9 staff readings, 5 levelled differences, 2 known heights "
         "or the collimation error of the level"),
    ],
)  # fmt: skip
def test_members_are_told_by_how_many_there_are_of_each_kind(kinds, said):
    assert plain(Words(sample_facts.clean()).several(of(*kinds))) == said


@pytest.mark.parametrize(
    ("fits", "finding", "said"),
    [
        (24, of(("staff", 24)), "A usual slip has the size that each of them would need: a reading one metre off."),
        (2, of(("staff", 2)), "A usual slip has the size that either of them would need: a reading one metre off."),
        (23, of(("staff", 24)), "A usual slip has the size that 23 of them would need: a reading one metre off."),
        (1, of(("known:B", 1), LEVEL), "A usual slip has the size that the known height of B alone would need: a "
         "reading one metre off."),
        (1, of(("known:B", 1)), "A usual slip has the size that it would need: a reading one metre off."),
        (0, of(("known:B", 1)), "No usual slip has the size that it would need."),
        (0, of(("staff", 24)), "No usual slip has the size that any of them would need."),
    ],
)  # fmt: skip
def test_it_is_told_how_many_a_slip_fits(fits, finding, said):
    slip = {"cause": "misread_1m", "text": "a reading one metre off", "count": fits, "id": finding["members"][0]["id"]}
    assert plain(slip_of(Words(sample_facts.clean()), finding | {"slip": slip if fits else None})) == said


def test_a_common_error_is_not_looked_up_in_the_field_book():
    finding = of(("known:B", 1), LEVEL)
    finding["shown_by"] = [{"id": LEVEL[0], "what": "the level tested by two pegs"}]
    words = Words(sample_facts.clean())
    assert look_up(words, finding) == [
        "Look up in the field book: the known height of B.",
        "The level tested by two pegs would show whether it is the collimation error of the level.",
    ]
    finding |= {"members": [{"id": LEVEL[0]}], "named": True}
    assert look_up(words, finding) == ["The level tested by two pegs would show it."]


@pytest.mark.parametrize("name", ["suspect", "either", "clean", "unproved"])
def test_summary_fits_a_screen(name):
    assert 10 <= len(Result(sample_facts.JOBS[name]()).summary().splitlines()) <= 30


def test_every_label_of_every_kind():
    words = Words(sample_facts.suspect())
    cases = {
        "setup:S4": "the instrument height of set-up S4 (over P4)",
        "target:T3": "the height of target T3 on P1 sighted from S2 (row 4)",
        "tripod:stand 2": "the height of the shared stand 2",
        "reading:tape.csv:5": "the tape reading 1.612 m at set-up S4 (tape.csv, row 5)",
        "reading:tape.csv:9999": "a tape reading (tape.csv, row 9999)",
        "swap:S4/T7": "the heights of set-up S4 and target T7 on P3 sighted from S4 (row 8), in each other's place",
        "shot:shots.csv:8": "the sight S4 to P3 (row 8)",
        "shot:second.csv:8": "the sight (second.csv, row 8)",
        "known:BM1": "the known height of BM1",
        "level:levels.csv:3": "the levelled difference (row 3)",
        "staff:staff.csv:9": "the staff reading (row 9)",
        "group:tape:tape 1": "every height taped with tape 1",
        "group:equipment:(not named)": "every target height",
        "group:refraction:the whole job": "the refraction of the whole job",
        "group:tape_scale:a:b": "the scale of a:b",
    }
    assert {id: words.label(id) for id in cases} == cases


def test_a_name_that_holds_words_of_ours_stays_whole():
    words = Words(sample_facts.suspect())
    worn = "steel (its end worn), in each other's place"
    assert words.bare(f"group:tape:{worn}") == f"every height taped with {worn}"
    assert words.called(f"known:the height of {worn}").noun == f"known height of the height of {worn}"
    assert words.lead(f"known:{worn}") == f"Mark {worn}: " and words.lead(f"separation:{worn}") == f"{worn}: "
    assert words.label("swap:1~12/T7").startswith("the heights of set-up 1/2 and target T7")


def test_signs_are_words():
    words = Words(sample_facts.suspect())
    said = [
        plain(words.error(id, mm, sd)) for id, mm, sd in (
            ("setup:S4", 24.23, 1.9), ("setup:S4", -24.23, 0.4), ("shot:shots.csv:8", 5.0, 2.4),
            ("staff:staff.csv:9", 5.0, 0.5), ("setup:S4", None, None),
        )
    ]  # fmt: skip
    assert said == [
        "recorded 24 mm too high (21 to 28)",
        "recorded 24.2 mm too low (23.4 to 25.0)",
        "its height difference recorded 5 mm too high (0 to 10)",
        "read 5.0 mm too high (4.0 to 6.0)",
        "by an unknown amount",
    ]


@pytest.mark.parametrize(
    "mm, sd, size, span",
    [
        (24.23, 0.94, "24.2 mm", "22.4 to 26.1"),
        (24.23, 0.96, "24 mm", "22 to 26"),
        (-0.64, 0.21, "0.6 mm", "0.2 to 1.1"),
        (1000.4, 45.0, "1000 mm", "912 to 1089"),
        (-3.0, 4.0, "3 mm", "11 too low to 5 too high"),
    ],
)
def test_value_and_range_share_their_last_digit(mm, sd, size, span):
    """The range is 1.96 standard deviations either way: 95 of 100 of a normal distribution lie within (scipy)."""
    from scipy.stats import norm

    assert norm.cdf(1.96) - norm.cdf(-1.96) == pytest.approx(0.95, abs=1e-4)
    assert (Lengths("m").small(mm, sd), Lengths("m").span(mm, sd)) == (size, span)


def test_no_height_is_finer_than_a_tenth_of_a_millimetre():
    # 0.0001 m, and 0.001 ft = 0.3048 mm: both no finer than 0.1 mm
    assert Lengths("m").height(123.456789) == "123.4568"
    assert Lengths("ft").height(0.3048) == "1.000"
    # US survey foot 1200/3937 m: Federal Register 85 FR 62698
    assert Lengths("ftUS").height(1200 / 3937 * 1234.5) == "1234.500"
    assert decimals_for(0.0001) == 1


def test_a_job_in_feet_says_so_and_speaks_of_feet_only():
    words = Words(sample_facts.feet())
    text = plain(" ".join(sentences(check_document(words.facts).blocks)))
    assert "0.079 ft too high (0.067 to 0.092)" in text
    assert " mm" not in text and "thousandths of a foot" in words.lengths.small_name


def test_either_names_the_rivals_and_accuses_none_alone():
    words = Words(sample_facts.either())
    (one,) = words.facts["findings"]
    assert [m["id"] for m in one["members"]] == ["setup:S5", "target:T9"] and not one["named"]
    headline = plain(check_document(words.facts).headline)
    assert "nothing here tells which" in headline and "S5" in headline and "T9" in headline


@pytest.mark.parametrize("count", [2, 7])
def test_where_no_place_holds_half_no_chance_stands_behind_an_if(count):
    """The chances are those of being wrong at all, which "if a value is wrong" would make others."""
    facts = sample_facts.either()
    (one,) = facts["findings"]
    facts["judgement"].update(state="unclear", probability=0.31)
    one.update(level=0, probability=0.25, count=count)
    if count == 7:
        one["kinds"] = [{"what": "target", "count": 4, "id": None}, {"what": "setup", "count": 3, "id": None}]
    for member, chance in zip(one["members"], (0.14, 0.11), strict=True):
        member["probability"] = chance
    said = plain(" ".join(sentences(check_document(facts).blocks[:1])))
    assert said.startswith("Of what may be wrong the likeliest is ") and "If " not in said
    if count == 2:
        assert "possible (14 in 100); or" in said and "possible (11 in 100)." in said
    else:
        assert "one of 4 target heights or 3 instrument heights" in said and "Possible: 25 in 100." in said


@pytest.mark.parametrize(("earlier", "said"), [(5.2, "Together with what comes before it an error"), (8.0, "Then an")])
def test_what_measurements_show_together_is_not_put_down_to_the_last(earlier, said):
    facts = sample_facts.either()
    (step,) = facts["next_measurements"]
    step.update(order=2, proves=[], found_before_mm=earlier, found_after_mm=4.9)
    next(s for s in facts["setups"] if s["setup"] == "S5")["smallest_found_mm"] = 8.0
    assert plain(gain(Words(facts), step)).startswith(said)


def test_level_rows_are_named_in_short_and_the_stretch_is_to_be_levelled_again():
    facts = sample_facts.clean()
    rows = []
    for row, (setup, mark, name) in enumerate(
        [("L1", "W2", "W2"), ("L1", "TP4 (out)", "TP4"), ("L2", "TP4 (out)", "TP4"), ("L2", "W3", "W3")], 12
    ):
        rows.append(
            {
                **blank(table("staff")),
                "id": f"staff:staff.csv:{row}", "file": "staff.csv", "row": row, "level_setup": setup, "mark": mark,
                "name": name, "reading_m": 1.2, "error_mm": -100.1, "error_sd_mm": 1.3, "probability": 0.25,
                "verdict": "either",
            }
        )  # fmt: skip
    facts["staff"] = rows
    sample = sample_facts.Sample("mill", "", 2)
    sample.facts = facts
    sample.find(rows, 0.97, same_sign=False)
    story = check_document(facts)
    assert plain(story.headline) == (
        "One of 4 staff readings (rows 12 to 15 of staff.csv) is wrong: by 100 mm; nothing here tells which."
    )
    assert any("Level from W2 to W3 again" in plain(line) for line in sentences(story.blocks))


def test_small_movements_are_summed_up():
    words = Words(sample_facts.suspect())
    moved = [{"mark": "A", "moved_mm": 100.0}, {"mark": "B", "moved_mm": -40.0}, {"mark": "C", "moved_mm": 2.0}]
    assert plain(words.moved(moved)) == (
        "It put A 100 mm too high and B 40 mm too low; the other marks by 2.0 mm at most."
    )
    assert words.moved([]) == "It moved no mark by as much as 0.1 mm."


def test_every_verdict_has_a_sentence():
    words = Words(sample_facts.suspect())
    stand = words.setups["S1"]
    said = {verdict: plain(words.verdict({**stand, "verdict": verdict})) for verdict in VERDICTS}
    assert len(set(said.values())) == len(VERDICTS) and all(text.endswith(".") for text in said.values())


def test_numbers_keep_their_units():
    assert tie("an error of 24.2 mm (97 in 100)") == "an error of 24.2\u00a0mm (97\u00a0in\u00a0100)"


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
    facts["reading_checks"] = [check]
    assert plain(reading_check(Words(facts), check)) == f"The readings at set-up S1 disagree by 100.0 mm{said}."


def test_the_heights_of_a_mark_with_two_minds_have_the_same_digits():
    facts = sample_facts.either()
    mark = next(m for m in facts["marks"] if len(m["heights"]) == 2)
    for height, sd, metres in zip(mark["heights"], (0.4, 1.3), (209.31512, 209.33324), strict=True):
        height.update(sd_mm=sd, height_m=metres)
    assert plain(Words(facts).two_minds(mark)) == "P5 is at 209.315 m (66 in 100) or 209.333 m (34 in 100)"


@pytest.mark.parametrize(("more", "said"), [(1, "So is 1 more mark: see"), (2, "So are 2 more marks: see")])
def test_marks_with_two_minds_beyond_the_first_are_counted(more, said):
    facts = sample_facts.either()
    mark = next(m for m in facts["marks"] if len(m["heights"]) == 2)
    facts["marks"] = [{**mark, "mark": f"Q{i}"} for i in range(SHORT_LIST + more)]
    assert any(said in plain(line) for line in sentences(check_document(facts).blocks))


@pytest.mark.parametrize(
    ("closes", "said"), [(True, "within the limit"), (None, "nothing to compare with"), (False, "outside the limit")]
)
def test_a_loop_keeps_its_limit_or_not_and_says_nothing_of_the_job(closes, said):
    words = Words(sample_facts.suspect())
    loop = words.facts["loops"][3] | {"closes": closes, "misclosure_mm": -24.6}
    assert plain(words.loop_word(4, loop)) == said


def test_a_size_is_told_at_the_same_rounding_wherever_it_is_told():
    """What a cause needs and what the job shows are as fine as the error itself."""
    words = Words(sample_facts.suspect())
    cause = words.setups["S4"]["causes"][0]
    assert plain(words.cause(cause, "setup:S4")).endswith("that would make 24 mm too high; the job shows 24 mm")
    usual = cause | {"expected_mm": 8.0, "spread_mm": 3.2}
    assert "that is usually 5 to 11 mm, assumed" in plain(words.cause(usual, "setup:S4"))


def test_a_line_of_levels_that_closes_says_what_could_hide_in_it(tmp_path):
    """Sixty differences, one spare: it closes, and an error of the tolerance could hide in every one of them."""
    rows = "".join(f"{i},{(i + 1) % 61},{1.0 if i < 60 else -60.0},80\n" for i in range(61))
    marks = "mark,height\n0,50.0\n" + "".join(f"{i},\n" for i in range(1, 61))
    (tmp_path / "marks.csv").write_text(marks)
    (tmp_path / "levels.csv").write_text("from,to,rise,length\n" + rows)
    said = " ".join(heightnet.check(tmp_path).summary().split())
    assert "It closes, but 61 levelled differences are tested only for errors above 10 mm." in said
    assert "could hide in each of 61 levelled differences." in said
    assert "Nothing needs to be observed again" not in said
