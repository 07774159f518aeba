"""Columns read as the records they stand for."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from heightnet.report.facts import as_written, written_chunks
from heightnet.rows import Nested, Rows, column

RECORDS = st.lists(
    st.tuples(
        st.text(max_size=5),
        st.floats(-1e4, 1e4) | st.just(math.nan) | st.just(math.inf),
        st.booleans(),
        st.lists(st.floats(-10, 10), max_size=3),
    ),
    max_size=20,
)


def table(rows):
    names, numbers, flags, lists = zip(*rows, strict=True) if rows else ((), (), (), ())
    starts = np.cumsum([0, *map(len, lists)])
    flat = np.array([value for values in lists for value in values], dtype=float)
    columns = {"mark": list(names), "height_m": np.array(numbers, dtype=float), "known": np.array(flags, dtype=bool)}
    expected = [
        {"mark": n, "height_m": x if math.isfinite(x) else None, "known": f, "readings": [{"w": v} for v in values]}
        for n, x, f, values in rows
    ]
    return Rows({**columns, "readings": Nested(Rows({"w": flat}), starts.tolist())}), expected


@given(RECORDS, st.integers(-25, 25), st.integers(-25, 25))
def test_rows_are_the_records_they_stand_for(rows, start, stop):
    found, expected = table(rows)
    assert (len(found), list(found), found[start:stop]) == (len(expected), expected, expected[start:stop])
    assert found == expected and found[::-2] == expected[::-2]
    assert column(found, "mark") == column(expected, "mark")
    if expected:
        at = start % len(expected)
        assert found[at] == found[at - len(expected)] == expected[at]
        assert all(type(value) in (float, type(None)) for value in column(found, "height_m"))


def test_there_is_no_row_beyond_the_last():
    with pytest.raises(IndexError):
        Rows({"mark": ["A"]})[1]
    with pytest.raises(ValueError, match="different lengths"):
        Rows({"mark": ["A"], "height_m": []})


@given(RECORDS)
def test_columns_are_written_as_records_are(rows):
    """Rounded column by column or one by one: the same, but for a last digit where a number lies half-way."""
    found, expected = table([(*row[:3], []) for row in rows])
    by_column, by_record = (as_written({"marks": facts})["marks"] for facts in (found, expected))
    for one, other in zip(by_column, by_record, strict=True):
        assert one["mark"] == other["mark"] and one["known"] == other["known"]
        assert one["height_m"] == pytest.approx(other["height_m"], abs=1.01e-6)
    text = "".join(written_chunks({"marks": by_record}))
    assert text.count("\n") >= len(rows)  # one record a line
