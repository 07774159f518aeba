"""What was done before what: times as people write them, and the order of rows where they do not say."""

import time

import numpy as np
import pandas as pd
import pytest

import heightnet
from heightnet.reduce.moments import is_later, moment
from heightnet.reduce.order import ROWS, TIMES, in_order, times


def order(*whens):
    rank, by = in_order(np.array(whens, dtype=object))
    return rank.tolist(), by


@pytest.mark.parametrize(
    "text",
    [
        "", "  ", "noon", "0930", "9.30", "25:00", "9:60", "9:5", "13:05 pm", "0:30 am", "2026-02-30", "2026-13-01",
        "2026-05-04T25:00", "2026-05-04 9.30", "2026-05-04T0930", "2026-05-04T09:30+99:00", "0001-01-01T00:00+02:00",
        "04/05/2026", "٠٩:٣٠", "2026-05-0409:30", "\x00", "=1+1",
    ],
)  # fmt: skip
def test_what_is_no_time_is_not_taken_for_one(text):
    assert moment(text) is None
    assert order(text, "2026-05-04T09:30", "2026-05-03T09:30") == ([0, 1, 2], ROWS)


@pytest.mark.parametrize(
    ("earlier", "later"),
    [
        ("9:05", "10:04"),
        ("11:59 am", "12:01 pm"),
        ("12:10 a.m.", "1:00"),
        ("2026-05-04 9:05", "2026-05-04T10:05"),
        ("2026-05-04, 13:05", "2026-05-05"),
        ("2026-05-04T09:05:30", "2026-05-04T09:05:30.5"),
        ("2026-05-04T09:05+02:00", "2026-05-04T08:05Z"),
        ("2026-05-04 (rain)", "2026-05-05 in the morning"),
        ("Before the lunch", "after it"),
    ],
)
def test_an_earlier_time_is_earlier_however_it_is_written(earlier, later):
    assert is_later(later, earlier) and not is_later(earlier, later)
    assert order(later, earlier, later) == ([1, 0, 1], TIMES)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("2026-05-04", "2026-05-04T09:05"),  # some time on that day
        ("2026-05-04T09:05Z", "2026-05-04T09:06"),  # of two clocks
        ("9:05", "2026-05-04T09:06"),
        ("before", "9:06"),
        ("9:05", "soon after"),
    ],
)
def test_times_that_cannot_be_set_against_each_other_leave_the_order_of_rows(one, other):
    assert not is_later(one, other) and not is_later(other, one)
    assert order(other, one) == ([0, 1], ROWS)


def test_equal_times_have_one_rank_however_they_are_written():
    assert order("2026-05-04T09:05", "2026-05-04T08:00", "2026-05-04 9:05:00") == ([1, 0, 1], TIMES)
    assert order() == ([], TIMES)


@pytest.fixture
def job():
    """Two set-ups on one day; S2, tripod K and T3 have no time of their own."""
    return heightnet.Job.from_frames(
        setups=pd.DataFrame({"setup": ["S1", "S2", "S3"], "when": ["08:00", "", ""], "tripod": ["", "K", ""]}),
        targets=pd.DataFrame({"target": ["T1", "T2", "T3", "T4"], "when": ["07:50", "", "", ""]}),
        shots=pd.DataFrame(
            {
                "setup": ["S1", "S1", "S2", "S2", "S4"],
                "target": ["T1", "T2", "T2", "T3", "T9"],
                "when": ["", "08:10", "", "09:05", ""],
            }
        ),
        tape=pd.DataFrame(
            {
                "stand_kind": ["setup", "target", "tripod", "setup", "target", "tripod"],
                "stand": ["S2", "T1", "K", "S1", "T4", ""],
                "when": ["", "", "", "08:01", "", ""],
            }
        ),
        staff=pd.DataFrame({"level_setup": ["1", "1"], "when": ["10:00", ""]}),
    )


def test_what_has_no_time_has_that_of_what_it_belongs_to(job):
    before = {table: frame.copy() for table, frame in job.tables.items()}
    assert {table: whens.tolist() for table, whens in times(job).items()} == {
        "setups": ["08:00", "09:05", ""],
        "shots": ["08:00", "08:10", "09:05", "09:05", ""],
        "targets": ["07:50", "08:10", "09:05", ""],
        "tape": ["09:05", "07:50", "09:05", "08:01", "", ""],
        "staff": ["10:00", ""],
    }
    assert all(job.tables[table].equals(frame) for table, frame in before.items())


def test_a_job_without_times_has_none(job):
    bare = job.with_tables(**{table: f.assign(when="") for table, f in job.tables.items() if "when" in f})
    assert {text for whens in times(bare).values() for text in whens} == {""}


def test_a_million_times_are_put_in_order_while_one_waits():
    seconds = np.random.default_rng(3).permutation(1_000_000)
    whens = (np.datetime64("2026-05-04T00:00:00") + seconds % 300_000).astype(str).astype(object)
    began = time.perf_counter()
    rank, by = in_order(whens)
    assert by == TIMES and (rank == seconds % 300_000).all()
    assert time.perf_counter() - began < 20
