"""Readings of one stand against each other."""

from __future__ import annotations

import re

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import heightnet
from heightnet.job.model import Job
from heightnet.job.tapes import read_tape
from heightnet.judge.causes import evidence_about, rank_causes
from heightnet.judge.readings import allowed_difference, compare_readings, explain, side_with
from heightnet.kinds.records import Records
from heightnet.reduce.reading import MeasuringPoint, Reading
from heightnet.reduce.tape import reduce_tape

SCHEMA_KEYS = {
    "stand", "what", "first", "second", "difference_mm", "allowed_mm", "agrees", "slip", "slip_text",
}  # fmt: skip


def tape(*readings: tuple[str, str], kind: str = "vertical", radius: float = 0.0, sd: float = 0.001) -> Job:
    """A job of one set-up with these (text, scale)."""
    rows = pd.DataFrame(
        {
            "stand_kind": "setup", "stand": "S1", "text": [text for text, _ in readings],
            "reading": [read_tape(text, scale).metres for text, scale in readings],
            "scale": [scale for _, scale in readings], "kind": kind, "radius": radius, "offset": 0.0, "sd": sd,
        }
    )  # fmt: skip
    return Job.from_frames(setups=pd.DataFrame({"setup": ["S1"], "mark": ["A"]}), tape=rows)


def checks(job: Job) -> list[dict]:
    return compare_readings(job, reduce_tape(job))


def test_a_metric_and_a_feet_reading_agree() -> None:
    (check,) = checks(tape(("1.586", "m"), ("5' 2 7/16\"", "ftin")))
    assert set(check) == SCHEMA_KEYS
    assert check["agrees"] and check["slip"] is None
    assert (check["stand"], check["what"], check["first"]) == ("S1", "setup", "reading:tape.csv:2")
    assert check["difference_mm"] == pytest.approx(0.0875, abs=1e-3)


@given(st.floats(0.3, 2.4))
def test_correct_readings_never_differ_by_more_than_their_rounding(height: float) -> None:
    """1 mm and 0.01 ft: half a unit each, 0.5 + 1.524 mm (own recomputation)."""
    metre, foot = f"{height:.3f}", f"{height / 0.3048:.2f}"
    pair = Reading(metre, float(metre)), Reading(foot, float(foot) * 0.3048, "ft")
    allowed = allowed_difference(*pair, 0.0, 0.0)
    assert allowed == pytest.approx(0.002024, abs=1e-9)
    assert abs(pair[0].height - pair[1].height) <= allowed + 1e-12


@pytest.mark.parametrize(
    ("metric", "other", "scale", "slip"),
    [
        ("1.575", "5.2", "ft", "inches_as_decimal"),
        ("1.473", "4.10", "ft", "inches_as_decimal"),
        ("1.615", "5' 3\"", "ftin", "decimal_as_inches"),
        ("1.612", "5.20", "ft", "misread_1in"),
        ("1.555", "5.20", "ft", "misread_tenth_ft"),
        ("1.280", "5.20", "ft", "misread_1ft"),
        ("1.568", "5.203", "ft", "transposed"),
        ("1.486", "5.203", "ft", "misread_1dm"),
        ("1.343", "5.203", "ft", "tripod_head"),
    ],
)
def test_the_slip_that_explains_a_disagreement_exactly(metric: str, other: str, scale: str, slip: str) -> None:
    (check,) = checks(tape((metric, "m"), (other, scale)))
    assert not check["agrees"]
    made = [Reading(metric, float(metric)), Reading(other, read_tape(other, scale).metres, scale)]
    fits = explain(made[:1], made[1:], 0.001, 0.001)
    if slip == "misread_1in":  # a decimal tape has no inches: nothing of that size on it
        assert all(fit.cause != slip for fit in fits)
        return
    assert slip in [fit.cause for fit in fits[:2]]
    assert all(abs(fit.miss) <= check["allowed_mm"] / 1000 for fit in fits if not fit.assumed)
    assert check["slip"] == fits[0].cause and check["slip_text"].startswith("it fits ")


def test_a_slant_booked_as_upright_beside_one_that_is_reduced() -> None:
    low = tape(("0.660", "m"), ("0.660", "m"), radius=0.1, sd=0.0005)
    low.tape.loc[0, "kind"] = "slant"
    (check,) = checks(low)
    assert check["slip"] == "slant_not_reduced"
    assert check["difference_mm"] == pytest.approx(-7.62, abs=0.01)  # sqrt(0.660^2 - 0.1^2) - 0.660


def test_every_pair_is_compared_and_single_readings_are_not() -> None:
    assert len(checks(tape(("1.586", "m"), ("1.585", "m"), ("5.20", "ft")))) == 3
    assert checks(tape(("1.586", "m"))) == []
    assert compare_readings(Job.from_frames(), reduce_tape(Job.from_frames())) == []


def test_which_reading_the_job_sides_with() -> None:
    job = tape(("1.575", "m"), ("5.2", "ft"))
    readings = reduce_tape(job)
    found = compare_readings(job, readings)
    for height, side in ((1.5752, "first"), (1.5846, "second"), (1.700, "neither")):
        (check,) = side_with(found, readings, {("setup", "S1"): (height, 0.001)})
        assert check["sides_with"] == side
    assert side_with(found, readings, {("setup", "S1"): (1.58, 0.02)})[0]["sides_with"] == "both"
    assert side_with(found, readings, {})[0]["sides_with"] is None


def test_each_part_is_rounded() -> None:
    """Two parts to a millimetre may be off by half a millimetre each; a slant's half millimetre grows upright."""
    parts = Reading("1.343 + 0.243", 1.586, kind="parts", parts=(1.343, 0.243))
    assert parts.rounding == pytest.approx(0.001) and parts.rounding_variance == pytest.approx(2e-6 / 12)
    low = Reading("0.200", 0.200, kind="slant", radius=0.1)
    assert low.rounding == pytest.approx(0.0005 * 0.2 / 0.03**0.5)


def test_the_job_may_side_with_a_reading_as_coarse_as_its_text() -> None:
    """5.20 ft may stand for a height 1.5 mm away, however little tapes scatter."""
    job = tape(("1.586", "m"), ("5.20", "ft"), sd=0.0002)
    readings = reduce_tape(job)
    found = {("setup", "S1"): (1.5862, 0.0002)}
    assert side_with(compare_readings(job, readings), readings, found)[0]["sides_with"] == "both"


def test_one_reading_against_several_that_agree() -> None:
    """All of three readings with the same slip of the eye: hardly; all held to the tripod head: why not."""
    odd, others = Reading("1.486", 1.486), [Reading("1.586", 1.586), Reading("5.203", 5.203 * 0.3048, "ft")]
    one_against_one = explain([odd], others[:1], 0.001, 0.001)
    against_two = explain([odd], others, 0.001, 0.0007)
    assert against_two[0].cause == "misread_1dm" and against_two[0].which == "first"
    assert against_two[0].probability > 0.9 > one_against_one[0].probability
    low = [Reading("1.343", 1.343), Reading("1.344", 1.344)]
    head = explain([Reading("1.586", 1.586)], low, 0.001, 0.0007)[0]
    assert (head.cause, head.which, head.assumed) == ("tripod_head", "second", True)


def test_a_size_from_the_equipment_table_is_not_assumed() -> None:
    points = (MeasuringPoint("side mark", 0.1, 0.0, True), MeasuringPoint("axis", 0.0, 0.243))
    slip = explain([Reading("1.343", 1.343)], [Reading("1.586", 1.586)], 0.001, 0.001, points=points)[0]
    assert slip.cause == "tripod_head" and not slip.assumed and slip.miss == pytest.approx(0.0, abs=1e-9)


def test_points_and_hooks_of_the_job_explain_a_disagreement() -> None:
    """The equipment table of the job gives the sizes: here an invented plate 78 mm below the axis."""
    job = tape(("1.586", "m"), ("1.508", "m"))
    job.setups["instrument"] = "T1"
    table = pd.DataFrame({"equipment": "T1", "point": ["side mark", "plate"], "radius": 0.0, "offset": [0.0, 0.078],
                          "usual": [True, False]})  # fmt: skip
    known = Job.from_frames(setups=job.setups, tape=job.tape, equipment=table)
    (check,) = checks(known)
    assert check["slip"] == "other_point" and "the plate" in check["slip_text"]


def taped(*rows: tuple[str, str]) -> Job:
    """The readings of one antenna, each (text, when)."""
    return Job.from_frames(
        "taped",
        setups=pd.DataFrame({"setup": ["G"], "mark": ["A"]}),
        tape=pd.DataFrame(
            {"stand_kind": "setup", "stand": "G", "text": text, "reading": float(text), "scale": "m",
             "kind": "vertical", "when": when} for text, when in rows
        ),
        marks=pd.DataFrame({"mark": ["A"], "height": [100.0], "separation": [45.0]}),
        gnss=pd.DataFrame({"to_setup": ["G"], "height": [146.5]}),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("first", "second", "change"),
    [(("1.512", "before"), ("1.506", "after"), -6.0), (("1.506", "After"), ("1.512", "before session"), -6.0),
     (("1.506", "2026-05-04T08:05"), ("1.512", "2026-05-04T11:40"), 6.0), (("1.512", "8:05"), ("1.511", "11:40"), -1.0),
     (("1.512", ""), ("1.506", "after"), None), (("1.512", "before"), ("1.506", "11:40"), None),
     (("1.512", "morning"), ("1.506", "evening"), None)],
)  # fmt: skip
def test_before_and_after(first, second, change):
    job = taped(first, second)
    (check,) = compare_readings(job, reduce_tape(job))
    assert check["agrees"] == (abs(check["difference_mm"]) < 3)
    if change is None:
        assert "change_mm" not in check
    else:
        assert check["change_mm"] == pytest.approx(change)


def test_a_tripod_that_settled_is_said_and_one_that_rose_is_not_believed():
    def said(*readings):
        return " ".join(re.sub(r"<[^>]+>", "", heightnet.check(taped(*readings)).page()).split())

    settled = said(("1.512", "before"), ("1.506", "after"))
    assert "At set-up G the height read after is 6.0 mm lower than the one before: the stand settled" in settled
    rose = said(("1.506", "before"), ("1.512", "after"))
    assert "6.0 mm higher than the one before: a stand does not rise, so one is wrong" in rose
    agree = said(("1.512", "before"), ("1.511", "after"))
    assert "The readings before and after at set-up G agree: 1.0 mm apart." in agree


def test_the_later_reading_may_have_settled():
    job = taped(("1.512", "before"), ("1.506", "after"))
    records = Records(job, reduce_tape(job))
    later = rank_causes(evidence_about(records, "reading:tape.csv:3").found(-0.006, 0.001))
    assert later[0].cause == "settled"
    assert "settled" not in {
        f.cause for f in rank_causes(evidence_about(records, "reading:tape.csv:2").found(0.006, 0.001), keep=0)
    }


def test_metres_before_and_after_and_feet_as_the_army_subcourse_has_it():
    """US Army Engineer subcourse EN0593: antenna heights before and after, in metres to 1 mm and in feet to 0.01 ft as
    a check against blunders.  Two correct readings so rounded differ by 2.02 mm at most (own recomputation).
    """
    metre, foot = Reading("1.512", 1.512), Reading("4.96", 4.96 * 0.3048, "ft")
    assert 1000 * (metre.rounding + foot.rounding) == pytest.approx(0.5 + 0.005 * 304.8)
    job = taped(("1.512", "before"), ("1.511", "after"))
    feet = job.tape.iloc[:1].assign(text="4.96", reading=4.96 * 0.3048, scale="ft", row=4)
    job = job.with_tables(tape=pd.concat([job.tape, feet], ignore_index=True))
    checks = compare_readings(job, reduce_tape(job))
    assert len(checks) == 3 and all(c["agrees"] for c in checks)
    slipped = job.tape.assign(text=["1.512", "1.511", "5.06"], reading=[1.512, 1.511, 5.06 * 0.3048])
    wrong = compare_readings(job.with_tables(tape=slipped), reduce_tape(job.with_tables(tape=slipped)))
    assert [c["agrees"] for c in wrong] == [True, False, False]
    assert wrong[1]["slip"] == "misread_tenth_ft"


@pytest.mark.parametrize("millimetres", range(-60, 61, 4))
def test_no_slip_explains_an_error_the_other_way(millimetres: int) -> None:
    error = millimetres / 1000
    first, second = (Reading(f"{height:.3f}", height) for height in (1.5 + error, 1.5))
    for slip in explain([first], [second], 0.001, 0.001):
        assert slip.expected * (error if slip.which == "first" else -error) >= 0, slip
