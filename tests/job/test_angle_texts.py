"""Angle texts in degrees, minutes and seconds, packed, decimal degrees and gon."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from heightnet.job.angles import read_angle, read_angles

SAME = math.radians(92 + 14 / 60 + 35.5 / 3600)

GOOD = [
    ("92-14-35.5", "dms", SAME),
    ("92 14 35.5", "dms", SAME),
    ("92°14'35.5\"", "dms", SAME),
    ("92° 14' 35.5\"", "dms", SAME),
    ("92°14′35.5″", "dms", SAME),
    ("92:14:35.5", "dms", SAME),
    ("92d14m35.5s", "dms", SAME),
    ("92–14–35.5", "dms", SAME),
    ("-2-10-00", "dms", -math.radians(2 + 1 / 6)),
    ("92.14355", "packed", SAME),
    ("92.1", "packed", math.radians(92 + 10 / 60)),
    ("92", "packed", math.radians(92)),
    ("0.29", "packed", math.radians(29 / 60)),
    ("92.0000", "packed", math.radians(92)),
    ("92.25", "deg", math.radians(92.25)),
    ("102.5", "gon", 102.5 * math.pi / 200),
]

BAD = [
    ("92.2432", "dms", "units.angle"),
    ("92-14", "dms", "minutes and seconds"),
    ("92-60-00", "dms", "minutes run from 0 to 59"),
    ("92-14-60", "dms", "seconds run"),
    ("92-14-35.5", "packed", 'units.angle = "dms"'),
    ("92.75", "packed", "decimal degrees"),
    ("92-14-35.5", "deg", 'units.angle = "dms"'),
    ("nan", "deg", "decimal degrees"),
    ("inf", "gon", "gon"),
    ("1e2", "deg", "decimal degrees"),
    ("", "dms", "expected"),
    ("x", "turns", "no such unit"),
]


@pytest.mark.parametrize(("text", "unit", "radians"), GOOD)
def test_angle(text, unit, radians):
    assert read_angle(text, unit) == pytest.approx(radians, abs=1e-15)
    assert read_angles([text.replace("–", "-")], unit)[0] == pytest.approx(radians, abs=1e-15)


@pytest.mark.parametrize(("text", "unit", "says"), BAD)
def test_what_is_no_angle_says_what_would_be_one(text, unit, says):
    with pytest.raises(ValueError, match=says):
        read_angle(text, unit)
    if unit != "turns":
        assert np.isnan(read_angles([text], unit)).all()


@given(st.integers(0, 359), st.integers(0, 59), st.integers(0, 59), st.integers(0, 9))
def test_packed_digits_are_split_from_the_text(d, m, s, tenth):
    packed = read_angle(f"{d}.{m:02d}{s:02d}{tenth}", "packed")
    assert packed == read_angle(f"{d}-{m:02d}-{s:02d}.{tenth}", "dms")
    assert round(math.degrees(packed) * 36000) == (d * 3600 + m * 60 + s) * 10 + tenth


@given(st.lists(st.text(max_size=20), max_size=20), st.sampled_from(["dms", "packed", "deg", "gon"]))
def test_a_column_agrees_with_its_cells(texts, unit):
    column = read_angles(texts, unit)
    for text, value in zip(texts, column, strict=True):
        if not np.isnan(value):
            assert value == pytest.approx(read_angle(text, unit), abs=1e-14)
