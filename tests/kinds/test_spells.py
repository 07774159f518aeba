"""Which moments a slip that was repeated may have begun and ended at: every so many of many, then those between."""

import numpy as np

from heightnet.judge.family import Builder
from heightnet.kinds import spell
from heightnet.kinds.sequence import Sequence
from heightnet.ledger.settings import Settings
from heightnet.ledger.thing import Thing


class Net:
    """What a spell asks of a network."""

    class job:
        settings = Settings()


def uses(count, ends=True):
    called = np.array([f"T{k}" for k in range(count)], dtype=object)
    return Sequence(
        "equipment", "pole", np.arange(count), np.ones(count), np.arange(count), called, called, "times", ends
    )


def stretches(builder, count):
    family = builder.family(count)
    inside = [family.members(h) for h in range(len(family))]
    return {(int(rows[0]), int(rows[-1])): float(rate) for rows, rate in zip(inside, family.rate, strict=True)}


def tried(count, ends=True):
    builder = Builder()
    spell.add(builder, Net, [uses(count, ends)])
    return stretches(builder, count)


def finer(count, *around):
    builder, rate_of = Builder(), tried(count)
    coarse = {}
    for first, last in around:
        begins, ends = f"T{first}" if first else "", f"T{last}" if last < count - 1 else ""
        coarse[Thing.several("spell", "equipment", "pole", begins, ends)] = rate_of[first, last]
    spell.finer(builder, coarse, [uses(count)])
    return stretches(builder, count)


def test_of_few_moments_every_stretch_is_tried_and_each_way_has_the_rate():
    found, rate = tried(12), Settings().rates.spell
    onward = {s: r for s, r in found.items() if s[1] == 11}
    until = {s: r for s, r in found.items() if s[0] == 0}
    within = {s: r for s, r in found.items() if s[0] and s[1] < 11}
    for ways in (onward, until, within):
        assert sum(ways.values()) == rate or abs(sum(ways.values()) - rate) < 1e-12
    assert set(onward) == {(k, 11) for k in range(1, 11)}
    assert set(within) == {(k, n) for k in range(1, 11) for n in range(k + 2, 11)}
    assert not finer(12, (3, 11), (0, 5), (2, 6))


def test_what_stays_once_it_began_has_no_end():
    assert set(tried(12, ends=False)) == {(k, 11) for k in range(1, 11)}


def test_around_a_stretch_of_many_moments_those_passed_over_are_tried():
    count = 300
    found, rate = tried(count), Settings().rates.spell
    first, last = next((a, b) for a, b in found if a > 60 and b < 200 and b - a > 40)
    more = finer(count, (first, last))
    assert not set(more) & set(found)
    assert {(first + d, last + e) for d in (-1, 0, 1) for e in (-1, 0, 1)} - set(more) == {(first, last)}
    assert abs(sum(more.values()) - found[first, last]) < 1e-12 and sum(found.values()) < 3 * rate + 1e-12


def test_neighbours_of_two_stretches_are_there_once():
    count = 300
    onward = sorted(a for a, b in tried(count) if b == count - 1)
    a, b = onward[10:12]
    more = finer(count, (a, count - 1), (b, count - 1))
    assert set(more) == {(k, count - 1) for k in range(onward[9], onward[12] + 1)} - {(k, count - 1) for k in onward}
