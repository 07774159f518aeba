"""``heightnet tape``: one height at the tripod."""

from __future__ import annotations

import json
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO

import pytest

from heightnet.commands.group import cli
from heightnet.errors import InputErrors
from heightnet.reduce.reading import Reading
from heightnet.tasks.tape import weigh_readings
from heightnet.tasks.tape_arguments import read_arguments


def run(*arguments: str) -> tuple[int, str, str]:
    """Status and both outputs on one line; click's own runner keeps the two apart from 8.2 on only."""
    out, err = StringIO(), StringIO()
    with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as end:
        cli(["tape", *arguments])
    said = out.getvalue() if "--json" in arguments else " ".join(out.getvalue().split())
    return end.value.code, said, err.getvalue()


@pytest.mark.parametrize(
    ("text", "scale", "kind", "value", "height"),
    [
        ("1.586", "m", "vertical", 1.586, 1.586),
        ("1.586 m", "m", "vertical", 1.586, 1.586),
        ("1586mm", "mm", "vertical", 1.586, 1.586),
        ("5.203ft", "ft", "vertical", 5.203 * 0.3048, 5.203 * 0.3048),
        ("5.203'", "ft", "vertical", 5.203 * 0.3048, 5.203 * 0.3048),
        ("5.203 ftUS", "ftUS", "vertical", 5.203 * 1200 / 3937, 5.203 * 1200 / 3937),
        ("5' 2 7/16\"", "ftin", "vertical", 62.4375 * 0.0254, 62.4375 * 0.0254),
        ("5-2 7/16", "ftin", "vertical", 62.4375 * 0.0254, 62.4375 * 0.0254),
        ("1.674, slant, radius 100mm", "m", "slant", 1.674, 1.6710105),
        ("1.500, slant, radius 0.1m, offset -52 mm", "m", "slant", 1.5, 1.4446629),
        ('1.500, offset 2"', "m", "vertical", 1.5, 1.5508),
        ("1.343 + 0.243", "m", "parts", 1.586, 1.586),
        ("158.6 cm", "m", "vertical", 1.586, 1.586),
        ("1,586", "m", "vertical", 1.586, 1.586),
        ("1,586mm", "mm", "vertical", 1.586, 1.586),
        ("1,586, slant, radius 100mm", "m", "slant", 1.586, 1.582844),
        ("5.07 US ft", "ftUS", "vertical", 5.07 * 1200 / 3937, 5.07 * 1200 / 3937),
        ("5'0\"7/8", "ftin", "vertical", 60.875 * 0.0254, 60.875 * 0.0254),
    ],
)
def test_a_reading_as_typed(text: str, scale: str, kind: str, value: float, height: float) -> None:
    (reading,) = read_arguments([text])
    assert (reading.scale, reading.kind) == (scale, kind)
    assert reading.value == pytest.approx(value, abs=1e-9) and reading.height == pytest.approx(height, abs=1e-6)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("5.203", "5.203ft or 5.203m"),
        ("1586", "1586mm"),
        ("5,203", "5.203ft or 5.203m"),
        ("1.586, slanting", "slant, vertical"),
        ("1.586, slant", "a radius for a slant"),
        ("0.08, slant, radius 100mm", "longer than its radius"),
        ("1.3 + 0.243, slant, radius 100mm", "one length for a slant"),
        ("1.343 + 0.8ft", "all parts in one scale"),
        ("1.586, slant, radius -100mm", "a radius from 0.01 to 5,000 mm"),
        ("1.586, offset " + "9" * 400 + "mm", "an offset from -20,000 to 20,000 mm"),
        ("1.586, offset 52", "an offset with its unit"),
        ("5' 13\"", "inches after feet run from 0 to 11"),
        ("", "The reading is blank"),
        ("nan", "Feet and inches look like"),
    ],
)
def test_what_is_not_understood_says_what_would_be(text: str, says: str) -> None:
    with pytest.raises(InputErrors) as caught:
        read_arguments([text])
    assert says in str(caught.value)


def test_all_errors_come_at_once_and_the_status_is_2() -> None:
    status, out, err = run("5.203", "1.586", "158.6yd")
    assert (status, out) == (2, "")
    assert "reading 1: read '5.203'" in err and "reading 3: read '158.6yd'" in err


def test_readings_that_agree_give_the_height_to_book() -> None:
    status, out, _ = run("1.586", "5' 2 7/16\"", "--slant", "--radius", "100mm")
    assert status == 0
    assert "The readings agree" in out and "Book 1.583 m (5.193 ft, 5' 2 5/16\")." in out
    assert "work to 10 mm: may be neglected" in out and "work to 3 mm: reduce it" in out
    assert "levelled mark" in out


def test_readings_that_disagree_name_the_slips_and_book_nothing() -> None:
    status, out, _ = run("1.575", "5.2ft")
    assert status == 1
    assert "disagree: 10.0 mm apart" in out and "feet and inches booked as decimal feet, in 5.2 ft: exactly" in out
    assert "Book nothing yet" in out
    assert "is assumed here" in out


@pytest.mark.parametrize("option", [("--sd", "nan"), ("--work", "nan"), ("--sd", "-1"), ("--scale", "yard")])
def test_options_out_of_range_end_in_status_2(option: tuple[str, str]) -> None:
    status, out, err = run("1.586", *option)
    assert (status, out) == (2, "") and option[0] in err


def test_one_reading_is_checked_by_nothing() -> None:
    status, out, _ = run("1.586")
    assert status == 0 and "nothing checks it" in out and "Book 1.586 m" in out


def test_json_has_the_facts() -> None:
    status, out, _ = run("1.586", "1.568", "5' 2 7/16\"", "--json")
    facts = json.loads(out)
    assert status == 1 and not facts["agree"] and facts["odd"] == 1 and facts["book_m"] is None
    assert [pair["agrees"] for pair in facts["pairs"]] == [False, True, False]
    assert facts["pairs"][0]["slips"][0]["cause"] == "transposed"
    assert facts["readings"][2]["height_m"] == pytest.approx(62.4375 * 0.0254)


def test_the_reading_in_the_finer_unit_counts_more() -> None:
    facts = weigh_readings([Reading("1.586", 1.586), Reading("5.21", 5.21 * 0.3048, "ft")])
    assert facts.agree and facts.book is not None
    assert abs(facts.book - 1.586) < abs(facts.book - 5.21 * 0.3048)
    assert facts.book_sd is not None and facts.book_sd < 0.0011


@pytest.mark.parametrize(("work", "may"), [(1.0, False), (3.0, False), (9.6, True), (10.0, True)])
def test_may_the_slant_reduction_be_neglected(work: float, may: bool) -> None:
    """A slant of 1.6 m at 0.1 m is 3.13 mm longer than its height: own table; a third of it may go."""
    facts = weigh_readings([Reading("1.600", 1.6, kind="slant", radius=0.1)], work_mm=[work])
    assert facts.neglect[0].may is may
    assert facts.neglect[0].neglected == pytest.approx(0.00313, abs=5e-6)


def test_low_set_ups_keep_a_part_of_what_is_neglected_alike() -> None:
    facts = weigh_readings([Reading("1.600", 1.6, kind="slant", radius=0.1)])
    height, neglected, kept = facts.low[-1]
    assert (height, round(neglected * 1000, 1), round(kept * 1000, 1)) == (0.65, 7.6, 4.5)
    assert weigh_readings([Reading("1.600", 1.6)]).neglect == ()


def test_one_odd_reading_is_told_from_all_the_others_at_once() -> None:
    status, out, _ = run("1.586", "5.203ft", "1.585", "1.486")
    assert status == 1 and out.count("disagree") == 1
    assert "1.486 m disagrees with all the others" in out and "Look at 1.486 m first." in out
    assert "one decimetre off, in 1.486 m: exactly" in out


def test_a_size_from_practice_is_said_to_be_one() -> None:
    _, out, _ = run("1.343", "1.586")
    said = "not to the trunnion axis, in 1.343 m: of no fixed size, 240.0 mm as a rule and 243.0 mm here"
    assert said in " ".join(out.split())


def test_what_was_typed_as_if_it_meant_something_else() -> None:
    assert "The radius was not used" in run("1.674", "--radius", "100mm")[1]
    assert "The radius was not used" not in run("1.674", "--slant", "--radius", "100mm")[1]
    assert "Look again before you book 12.500 m" in run("12.5m")[1]
    assert "Look again" not in run("12.5m", "1.5m")[1] and "12.5 m: instruments are seldom" in run("12.5m", "1.5m")[1]
    assert "seldom" not in run("0.3", "2.4")[1]
