"""Readings of one stand against each other."""

from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from heightnet.job.model import Job
from heightnet.job.tapes import read_tape
from heightnet.judge.cause_heights import Reading
from heightnet.judge.readings import allowed_difference, compare_readings, explain, side_with
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
