"""Ids: whatever a thing is called, its id names it alone and reads back as it was."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from heightnet.judge.family import build_family
from heightnet.ledger.thing import AT_MARKS, ROWS, STANDS, Thing, ids_of, row_ids
from heightnet.network.build import build_network
from heightnet.reduce.tape import reading_ids, reduce_tape
from tests.party import Party

NAMES = st.text(st.sampled_from("a1:/~0 é"), min_size=1, max_size=6)


@given(st.sampled_from([*STANDS, *AT_MARKS, "mark", "equipment"]), NAMES)
def test_a_name_is_kept(kind, name):
    assert Thing.of(str(Thing(kind, name))) == Thing(kind, name)
    assert ids_of(kind, [name]) == [str(Thing(kind, name))]


@given(st.sampled_from([*ROWS, "reading"]), NAMES, st.integers(1, 10**7))
def test_a_row_is_kept(kind, file, row):
    thing = Thing(kind, file=file, row=row)
    assert Thing.of(str(thing)) == thing
    assert row_ids(kind, file, [row]) == row_ids(kind, [file], [row]) == [str(thing)]


def test_two_heights_booked_in_one_row_have_ids_of_their_own():
    """A row of shots.csv may book the height of its instrument and that of its target."""
    party = Party()
    party.mark("M", 0, 0, 10.0, known=True)
    party.mark("N", 100, 0, 12.0)
    party.setup("S", "M", 1.4, row=2)
    party.target("T", "N", 2.0, row=2)
    party.sight("S", "T")
    job = party.job("flat")
    job.files["setups"] = job.files["targets"] = "shots.csv"
    assert reading_ids(reduce_tape(job)) == ["reading:shots.csv:2", "reading:shots.csv:2/target"]


@given(st.sampled_from(["swap", "exchange", "group"]), NAMES, NAMES | st.just(""))
def test_two_names_are_kept_apart(kind, first, second):
    assert Thing.of(str(Thing.both(kind, first, second))).pair == (first, second)


def test_swaps_of_names_that_hold_the_slash_have_ids_of_their_own():
    """Set-up A with target B/C, and set-up A/B with target C, are two swaps."""
    party, pairs = Party(), [("A", "B/C"), ("A/B", "C")]
    party.mark("M", 0, 0, 10.0, known=True)
    party.mark("N", 100, 0, 12.0)
    for setup, target in pairs:
        party.setup(setup, "M", 1.4)
        party.target(target, "N", 2.0)
        party.sight(setup, target)
    family = build_family(build_network(party.job("slashes")))
    swaps = [family.thing(h) for h in np.flatnonzero(family.of("swap")).tolist()]
    assert len({str(swap) for swap in swaps}) == 2 and {swap.pair for swap in swaps} == set(pairs)
