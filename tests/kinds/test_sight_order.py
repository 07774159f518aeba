"""In which order sights and stands were: by times that part them, else by rows."""

import numpy as np
import pytest

from heightnet.judge.family import build_family
from heightnet.kinds.sequence import shot_order, uses_of
from heightnet.network import build_network
from tests.networks import reciprocal


def order(*whens):
    rank, by = shot_order(np.arange(len(whens)), np.array(whens, dtype=object))
    return rank.tolist(), by


def test_sights_go_by_their_times():
    assert order("10:20", "10:05", "10:35") == ([1, 0, 2], "times")
    assert order("10:20", "10:20", "10:05", "10:35") == ([1, 1, 0, 2], "times")


@pytest.mark.parametrize(
    "whens", [("2026-05-04",) * 4, ("10:20",) * 4, ("10:20", "10:20", "10:35", "10:35"), ("",) * 4]
)
def test_times_that_hardly_part_them_leave_the_order_to_the_rows(whens):
    assert order(*whens) == ([0, 1, 2, 3], "rows")


def test_days_come_before_rows():
    assert order("2026-05-05", "2026-05-04", "2026-05-04", "2026-05-04") == ([3, 0, 1, 2], "rows")


def test_a_clock_of_twelve_hours_and_a_night_go_on():
    for whens in (("10:20", "12:50", "1:35", "2:40"), ("21:10", "23:50", "0:35", "1:05")):
        assert order(*whens) == ([0, 1, 2, 3], "rows")
    assert order("10:20", "9:05", "9:35") == ([2, 0, 1], "times")  # the book was not kept in order


def moments(when):
    party = reciprocal()
    for row in (*party.setups, *party.targets, *party.shots):
        row["when"] = when(row)
    net = build_network(party.job())
    ids = build_family(net).ids
    return uses_of(net).by, sum("moved:setup/S3/" in id for id in ids)


def test_a_day_without_hours_is_as_good_as_no_times():
    assert moments(lambda row: "2026-05-04") == moments(lambda row: "") == ("rows", 3 + 3 + 1)
    by_setup = moments(lambda row: f"2026-05-04T1{row['setup'][1]}:00" if "setup" in row else "")
    assert by_setup == ("times", 3 + 3 + 1)
