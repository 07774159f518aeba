"""What a record shows by itself goes into the search, and is told where it is about what is wrong."""

import pytest

import heightnet
from heightnet.judge.family import build_family
from heightnet.judge.signs import signs_of
from heightnet.network import build_network
from heightnet.report.check_words import check_document
from heightnet.report.claims import plain
from heightnet.report.document import sentences
from tests.kinds.test_points import taped
from tests.networks import reciprocal

LINES = [("M1", "M2"), ("M2", "M3")]


def rates(job):
    family = build_family(build_network(job))
    return dict(zip(family.ids, family.rate.tolist(), strict=True))


def same_heights(digits, *pairs):
    """A traverse whose heights are booked so finely; of each pair the second set-up has the height of the first."""
    party = reciprocal(levelled=LINES)
    for setup in party.setups:
        setup["height"] = round(setup["height"] + 0.0123 * int(setup["setup"][1:]), digits)
    height = {setup["setup"]: setup["height"] for setup in party.setups}
    for first, second in pairs:
        party.setups[int(second[1:])]["height"] = height[first]
    return party.job()


def test_one_part_of_a_height_in_parts_is_fifteen_times_likelier_wrong():
    job = taped(reciprocal(), "S2", ("", "part", 0.0))
    assert signs_of(build_network(job)) == {"setup:S2": 15.0}
    found = rates(job)
    assert found["setup:S2"] == 0.3 == pytest.approx(15 * found["setup:S1"])


def test_of_a_stand_with_several_readings_the_reading_is():
    job = taped(reciprocal(), "S2", ("", "part", 0.0), ("", "vertical", 0.0))
    (id,) = signs_of(build_network(job))
    found = rates(job)
    assert id.startswith("reading:") and found[id] == pytest.approx(15 * 0.01)
    assert found["setup:S2"] == found["setup:S1"]


def test_the_height_of_the_set_up_before_counts_the_less_the_coarser_it_is_and_the_oftener_it_happens():
    fine, coarse = (signs_of(build_network(same_heights(d, ("S2", "S3"))))["setup:S3"] for d in (4, 2))
    assert fine == pytest.approx(10 * coarse) and coarse >= 10
    often = signs_of(build_network(same_heights(4, ("S1", "S2"), ("S2", "S3"), ("S4", "S5"))))
    assert max(often.values()) < fine / 10
    assert not signs_of(build_network(same_heights(4)))


def test_what_the_record_shows_is_told_beside_what_is_wrong():
    job = taped(reciprocal(levelled=LINES), "S2", ("", "part", 0.1))
    facts = heightnet.check(job).facts
    (finding,) = facts["findings"]
    assert finding["id"] == "setup:S2"
    said = " ".join(plain(line) for block in check_document(facts).blocks for line in sentences([block]))
    assert "is one part of a height measured in parts, and no other part is recorded" in said
    sound = taped(reciprocal(levelled=LINES), "S2", ("", "part", 0.0))
    facts = heightnet.check(sound).facts
    assert not facts["findings"] and [s["rule"] for s in facts["screening"]] == ["lone_part"]
