"""Rivals are gathered into slots, one for each blunder there may be."""

import numpy as np
import pytest

from heightnet.judge.search import Posterior
from heightnet.judge.slots import slots_of


def posterior(sets):
    """A posterior of sets and probabilities, likeliest first."""
    order = sorted(sets, key=lambda s: -sets[s])
    p = np.array([sets[s] for s in order])
    count = 1 + max((c for s in order for c in s), default=0)
    each = np.array([sum(q for s, q in sets.items() if c in s) for c in range(count)])
    return Posterior(tuple(order), p, p[:, None], each, np.ones(1), ())


def test_forty_rivals_are_one_finding():
    found = slots_of(posterior({(c,): 0.025 for c in range(40)}), np.ones((40, 40)))
    assert len(found) == 1
    assert found[0].total == pytest.approx(1.0)
    assert len(found[0].classes) == 40


def test_the_missing_mass_is_that_there_is_nothing():
    found = slots_of(posterior({(): 0.4, (0,): 0.35, (1,): 0.25}), np.array([[1, 0.8], [0.8, 1]]))
    assert [slot.total for slot in found] == [pytest.approx(0.6)]


def test_what_does_not_resemble_is_another_slot():
    found = slots_of(posterior({(0,): 0.5, (1,): 0.5}), np.eye(2))
    assert sorted(slot.total for slot in found) == [pytest.approx(0.5)] * 2


def test_a_blunder_in_every_set_is_certain_whatever_stands_beside_it():
    sets = {(0,): 0.4, (0, 2): 0.3, (0, 3): 0.2, (1, 3): 0.1}
    rho = np.eye(4)
    rho[0, 1] = rho[1, 0] = 0.6
    found = slots_of(posterior(sets), rho)
    assert found[0].total == pytest.approx(1.0)
    assert found[0].of(0) == pytest.approx(0.9) and found[0].of(1) == pytest.approx(0.1)
    assert {slot.classes for slot in found[1:]} == {(2,), (3,)}


def test_two_busts_each_with_rivals():
    """Sets {a or a', b or b'}: two slots, each with both of its rivals."""
    sets = {(0, 2): 0.4, (0, 3): 0.2, (1, 2): 0.3, (1, 3): 0.1}
    rho = np.eye(4)
    rho[0, 1] = rho[1, 0] = rho[2, 3] = rho[3, 2] = 0.9
    found = slots_of(posterior(sets), rho)
    assert [slot.classes for slot in found] == [(2, 3), (0, 1)] or [slot.classes for slot in found] == [(0, 1), (2, 3)]
    assert all(slot.total == pytest.approx(1.0) for slot in found)
    by_first = {slot.classes[0]: slot for slot in found}
    assert by_first[0].of(1) == pytest.approx(0.4) and by_first[2].of(3) == pytest.approx(0.3)


def test_two_of_one_set_never_share_a_slot():
    """Of a set whose leftover members both resemble the leader, each goes into a slot of its own."""
    sets = {(0,): 0.5, (0, 1, 2): 0.5}
    rho = np.eye(3)
    rho[1, 2] = rho[2, 1] = 0.8
    found = slots_of(posterior(sets), rho)
    assert [slot.total for slot in found] == [pytest.approx(1.0), pytest.approx(0.5), pytest.approx(0.5)]


def test_nothing_wrong_has_no_slots():
    assert slots_of(posterior({(): 1.0}), np.zeros((0, 0))) == []
