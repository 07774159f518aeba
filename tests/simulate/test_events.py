"""Events are put into the book as they are said to have happened: those rows, that size, those names."""

from functools import cache

import numpy as np
import pytest

from heightnet.judge.bench import Bench
from heightnet.network import build_network
from tests.noise import NOISES, errors
from tests.shapes import shape
from tests.simulate.field import EVENTS, LEAST_SDS_OF_A_NAME, Book, happened

AT = {
    "old list of two marks": "site-lists2", "old list of three marks": "site-lists3", "knocked target": "site-hilly",
    "repeated turning-point name": "book14-marks", "slant reduced already": "day-slant",
    "index after a knock": "site-one-face", "staff joint": "book14-marks",
    "height of an earlier occupation": "site-hilly", "sight booked to another target": "site-hilly",
}  # fmt: skip
READ_M = 2e-5  # as finely as a tape is read


@cache
def book(name):
    return Book(build_network(shape(name, 2).job))


def book_of(event):
    return book(AT.get(event, "site-flat" if "misnamed" in event or "another mark" in event else "day"))


def rises(net):
    return net.rise[: net.edge_count]


@pytest.mark.parametrize("name", EVENTS)
def test_just_what_an_event_touches_is_wrong(name):
    of, rng = book_of(name), np.random.default_rng(1)
    for _ in range(3):
        event = happened(name, of, rng, 9.0)
        job = event.booked(of.net, np.zeros(len(of.net.y)))
        off = rises(build_network(job)) - rises(of.net)
        if event.kinds == ("misnamed",):  # names alone
            assert np.abs(off).max() < READ_M
            tables = [t for t, frame in job.tables.items() if not frame.equals(of.job.tables[t])]
            assert set(tables) - {"marks"}
            assert np.abs(event.sds).min() > 1
            continue
        assert frozenset(np.flatnonzero(np.abs(off) > READ_M).tolist()) == frozenset().union(*event.touched)
        if np.isfinite(event.size).all():
            assert off == pytest.approx((event.pattern @ event.size)[: len(off)], abs=READ_M)


def test_sizes_are_sds_of_the_event_itself():
    of = book("day")
    bench = Bench(of.net, factors=False)
    single = np.flatnonzero((bench.family.observation >= 0) & bench.classes.tested)
    pattern = np.column_stack([of.column([o]) for o in bench.family.observation[single]])
    assert of.sd(pattern) == pytest.approx(bench.diagonal[single] ** -0.5, rel=1e-6)
    untested = of.column(of.heights["setup"].index) + of.column(of.heights["target"].index)  # all heights alike
    assert of.sd(untested[:, None]) == [np.inf]
    event = happened("sunk instrument", of, np.random.default_rng(4), 12.0)
    assert np.abs(event.size) == pytest.approx(12.0 * of.sd(event.pattern))


def test_a_spell_is_part_of_one_poles_day():
    of, rng = book("day"), np.random.default_rng(5)
    for name in ("pole by half-day", "pole extended and put back"):
        for _ in range(20):
            (touched,) = happened(name, of, rng, 9.0).touched
            some = of.heights["target"].loc[sorted(touched)]
            (pole,) = set(some["equipment"])
            rest = of.heights["target"].groupby("equipment").get_group(pole).drop(some.index)["when"]
            within = (rest > some["when"].min()) & (rest < some["when"].max())
            assert not within.any() and len(some) >= 3
            both = (rest < some["when"].min()).any() and (rest > some["when"].max()).any()
            assert both == (name == "pole extended and put back")


def test_a_wrong_name_leaves_distances_that_speak_and_a_place_that_matters():
    of, rng = book("site-flat"), np.random.default_rng(6)
    for name in [n for n in EVENTS if "misnamed" in n or "another mark" in n]:
        event = happened(name, of, rng)
        job = event.booked(of.net, errors(of.net, NOISES["stated"], rng))
        table = "targets" if "misnamed" in name else "setups"
        changed = job.tables[table]["mark"] != of.job.tables[table]["mark"]
        assert changed.sum() == 1
        assert of.job.tables[table]["mark"][changed].tolist() == [event.says]
        assert (np.abs(event.sds) > LEAST_SDS_OF_A_NAME).all()
        assert job.marks["east"].isna().all() == ("no coordinates" in name)
        known = of.job.marks.set_index("mark")["height"].notna()[event.says]
        assert "misnamed" not in name or known == ("of a known" in name)


def test_heights_are_copied_as_they_were_booked():
    of, rng = book("day"), np.random.default_rng(7)
    e = errors(of.net, NOISES["stated"], rng)
    job = happened("height of the set-up before", of, rng).booked(of.net, e)
    assert job.setups["height"].duplicated().sum() == 1
    job = happened("HI and HT exchanged in a row", of, rng).booked(of.net, e)
    assert job.targets["height"].isin(job.setups["height"]).sum() == 1
    event = happened("HI and HT exchanged at a set-up", of, rng)
    job = event.booked(of.net, e)
    assert job.targets["height"].isin(of.job.setups["height"]).sum() == 0
    assert job.targets["height"].duplicated().sum() == len(event.touched[0]) - 2
