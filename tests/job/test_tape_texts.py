"""Tape texts: what a reading says, and how finely."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from heightnet.job.tapes import read_tape

# 1 ft = 0.3048 m exactly and the US survey foot is 1200/3937 m: Federal Register 85 FR 62698
GOOD = [
    ("1.586", "m", 1.586, 0.001),
    ("1.5865 m", "m", 1.5865, 0.0001),
    (".5", "m", 0.5, 0.1),
    ("1586", "mm", 1.586, 0.001),
    ("1586.5 mm", "mm", 1.5865, 0.0001),
    ("5.203", "ft", 5.203 * 0.3048, 0.001 * 0.3048),
    ("5.20 ft", "ft", 5.20 * 0.3048, 0.01 * 0.3048),
    ("5.203", "ftUS", 5.203 * 1200 / 3937, 0.001 * 1200 / 3937),
    ("5' 2 7/16\"", "ftin", (62 + 7 / 16) * 0.0254, 0.0254 / 16),
    ("5-2 7/16", "ftin", (62 + 7 / 16) * 0.0254, 0.0254 / 16),
    ("5'-2 7/16\"", "ftin", (62 + 7 / 16) * 0.0254, 0.0254 / 16),
    ("5 2 7/16", "ftin", (62 + 7 / 16) * 0.0254, 0.0254 / 16),
    ("5′ 2⅜″", "ftin", (62 + 3 / 8) * 0.0254, 0.0254 / 8),
    ("5 ft 2 in", "ftin", 62 * 0.0254, 0.0254),
    ("5-2.5", "ftin", 62.5 * 0.0254, 0.00254),
    ("5'", "ftin", 1.524, 0.3048),
    ('62 7/16"', "ftin", (62 + 7 / 16) * 0.0254, 0.0254 / 16),
    ("5' 7/16\"", "ftin", (60 + 7 / 16) * 0.0254, 0.0254 / 16),
]

BAD = [
    ("", "m", "blank"),
    ("nan", "m", "1.586"),
    ("inf", "m", "1.586"),
    ("1e0", "m", "1.586"),
    ("1_5", "m", "1.586"),
    ("١.5", "m", "1.586"),
    ("-1.5", "m", "sign"),
    ("0.000", "m", "more than zero"),
    ("1586", "m", "scale mm"),
    ("1,586", "m", "decimal point"),
    ("5' 2 7/16\"", "ft", "scale ftin"),
    ("5.203", "ftin", "scale ft"),
    ("5-7/16", "ftin", "5-0 7/16 or 0-5 7/16"),
    ("5 7/16", "ftin", "feet or inches"),
    ("5' 12\"", "ftin", "0 to 11"),
    ("5-2 16/16", "ftin", "less than one"),
    ("5-2 3/10", "ftin", "halves"),
    ("5-2 1/0", "ftin", "halves"),
    ("5-2.5 1/2", "ftin", "decimal and a fraction"),
    ("5'\"", "ftin", "look like"),
    ("9" * 5000, "mm", "short"),
    ("1.5", "yards", "no such scale"),
]


@pytest.mark.parametrize(("text", "scale", "metres", "unit"), GOOD)
def test_reading_and_its_step(text, scale, metres, unit):
    read = read_tape(text, scale)
    assert read.metres == pytest.approx(metres, abs=1e-12)
    assert read.unit == pytest.approx(unit, rel=1e-12)
    assert read.scale == scale


@pytest.mark.parametrize(("text", "scale", "says"), BAD)
def test_what_is_no_reading_says_what_would_be_one(text, scale, says):
    with pytest.raises(ValueError, match=says.replace("(", r"\(")):
        read_tape(text, scale)


@given(
    feet=st.integers(0, 20),
    inches=st.integers(0, 11),
    denominator=st.sampled_from([2, 4, 8, 16, 32, 64]),
    data=st.data(),
)
def test_feet_inches_and_fractions_are_exact(feet, inches, denominator, data):
    numerator = data.draw(st.integers(1, denominator - 1))
    read = read_tape(f"{feet}' {inches} {numerator}/{denominator}\"", "ftin")
    exact = (12 * feet + inches + Fraction(numerator, denominator)) * Fraction(254, 10000)
    assert read.metres == float(exact)
    assert (read.feet, read.inches, read.fraction) == (feet, inches, Fraction(numerator, denominator))


@given(st.text(max_size=60), st.sampled_from(["m", "mm", "ft", "ftUS", "ftin"]))
def test_any_text_is_read_or_refused(text, scale):
    try:
        read = read_tape(text, scale)
    except ValueError:
        return
    assert 0 < read.metres < 100 and read.unit > 0


def test_tenths_booked_as_inches_differ_by_what_arithmetic_says():
    # n inches booked as n tenths of a foot is n * 5.08 mm wrong: exact, 0.1 ft - 1 in = 1.2 in - 1 in = 5.08 mm
    for n in range(1, 10):
        difference = read_tape(f"5.{n}", "ft").metres - read_tape(f"5-{n}", "ftin").metres
        assert difference == pytest.approx(n * 0.00508, abs=1e-12)
