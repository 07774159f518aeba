"""Tape readings against published rules and definitions."""

from __future__ import annotations

import pytest

from heightnet.job.tapes import read_tape
from heightnet.judge.causes import rank_causes
from heightnet.judge.readings import allowed_difference, explain
from heightnet.kinds.cause import Evidence
from heightnet.reduce.reading import Reading, slant_to_vertical
from heightnet.tasks.tape import weigh_readings
from heightnet.tasks.tape_arguments import read_arguments


def test_feet_are_those_of_the_federal_register() -> None:
    """Federal Register 85 FR 62698: 1 ft = 0.3048 m exactly; US survey foot 1200/3937 m.

    The latter is not to be used from 1 January 2023."""
    assert read_tape("1.00", "ft").metres == 0.3048
    assert read_tape("1.00", "ftUS").metres == 1200 / 3937
    # at a set-up's height they are 3 micrometres apart: own recomputation
    apart = read_tape("5.25", "ftUS").metres - read_tape("5.25", "ft").metres
    assert apart == pytest.approx(3.2e-6, abs=0.1e-6)


def test_metres_and_feet_as_a_blunder_check() -> None:
    """US Army Engineer School, subcourse EN0593: measure antenna heights in metres and in feet as a blunder check,
    to 1 mm and 0.01 ft.  That two correct readings then differ by 2.02 mm at most is our own recomputation."""
    metre, foot = Reading("1.586", 1.586), Reading("5.20", 5.20 * 0.3048, "ft")
    assert allowed_difference(metre, foot, 0.0, 0.0) * 1000 == pytest.approx(2.024, abs=1e-6)
    worst = [Reading("1.586", 1.586), Reading("5.21", 5.21 * 0.3048, "ft")]  # 1.5864999 and 5.205 ft, rounded
    assert weigh_readings(worst, sd=0.0).agree
    assert not weigh_readings([Reading("1.585", 1.585), worst[1]], sd=0.0).agree


@pytest.mark.parametrize(
    ("slant", "radius", "neglected_mm"),
    [(1.2, 0.10, 4.17), (1.4, 0.10, 3.58), (1.5, 0.10, 3.34), (1.6, 0.10, 3.13), (1.8, 0.10, 2.78), (2.0, 0.10, 2.50),
     (1.5, 0.17, 9.66)],
)  # fmt: skip
def test_slant_less_height(slant: float, radius: float, neglected_mm: float) -> None:
    """Own recomputation, no published table."""
    facts = weigh_readings([Reading(f"{slant:.3f}", slant, kind="slant", radius=radius)])
    assert facts.neglected[0] * 1000 == pytest.approx(neglected_mm, abs=0.005)


@pytest.mark.parametrize(("slant", "height"), [(1.674, 1.671), (0.652, 0.644)])
def test_slant_to_vertical_at_a_decimetre(slant: float, height: float) -> None:
    """Common practice: what surveyors quote for a side mark 0.100 m from the axis."""
    assert round(slant_to_vertical(slant, 0.100), 3) == height


@pytest.mark.parametrize("inches", range(1, 10))
def test_inches_booked_as_tenths_of_a_foot(inches: int) -> None:
    """n inches booked as n tenths of a foot is n * 5.08 mm too high: exact, 0.03048 - 0.0254 m each."""
    booked = Reading(f"5.{inches}", read_tape(f"5.{inches}", "ft").metres, "ft")
    true = (60 + inches) * 0.0254
    right = Reading(f"{true:.4f}", true)
    error = booked.height - true
    assert error * 1000 == pytest.approx(inches * 5.08, abs=1e-9)
    slips = {slip.cause: slip for slip in explain([right], [booked], 0.0003, 0.0003)}
    assert slips["inches_as_decimal"].expected * 1000 == pytest.approx(inches * 5.08, abs=1e-9)
    fits = rank_causes(Evidence("setup", booked.height, error, 0.0005, (booked,)))
    assert any(f.cause == "inches_as_decimal" and f.expected == pytest.approx(error) for f in fits)


def test_decimal_feet_have_no_eleven_or_twelve_inches() -> None:
    """Common practice: a decimal-feet tape has ten tenths, so 11 behind the foot were inches; no tape has 12."""
    booked = Reading("5.11", 5.11 * 0.3048, "ft")
    inches = 71 * 0.0254
    fits = rank_causes(Evidence("setup", booked.height, booked.height - inches, 0.001, (booked,)))
    assert fits[0].cause == "inches_as_decimal" and fits[0].expected == pytest.approx(booked.height - inches)
    with pytest.raises(ValueError, match="inches after feet run from 0 to 11"):
        read_tape("5' 12\"", "ftin")


def test_readings_typed_at_the_tripod_are_those_of_the_rule() -> None:
    """EN0593 again: the book says whether a reading is vertical or slant, and both come to one height."""
    slant, upright = read_arguments(["1.674, slant, radius 100mm", "1.671"])
    assert weigh_readings([slant, upright]).agree
