"""Before going out: known marks worth a sight, by the heights they would prove a minute."""

from __future__ import annotations

import numpy as np
import pytest

from heightnet.report.facts import as_written
from heightnet.report.html import html
from heightnet.report.plan_words import plan_document
from heightnet.report.text import plain
from heightnet.tasks.measurements import Minutes
from heightnet.tasks.plan import plan
from tests.networks import Field
from tests.tasks.task_statements import altered, faults

AT = {"K0": (0, 0), "A": (100, 0), "B": (200, 0), "C": (300, 0), "Q": (220, 60), "R": (2000, 0)}
KNOWN = ("K0", "Q", "R")


def designed(places=True, unused=KNOWN[1:]):
    """K0 - A - B - C, each sighted once from the one before; Q and R are known and nothing sights them."""
    party = Field({mark: 100.0 + i for i, mark in enumerate(AT)}, noise=0.0)
    for mark in ("K0", *unused):
        party.known(mark)
    party.marks += [{"mark": mark, "height": np.nan, "sd": np.nan} for mark in AT if mark not in KNOWN]
    for row in party.marks if places else ():
        row["east"], row["north"] = AT[row["mark"]]
    for i, (at, to) in enumerate([("K0", "A"), ("A", "B"), ("B", "C")]):
        party.setup(f"S{i}", at, 1.5 + 0.01 * i)
        party.target(f"P{i}", to, 1.6 + 0.01 * i, equipment="prism 1")
        party.shot(f"S{i}", f"P{i}", 100.0)
    return party


def marks(party=None, **options):
    facts = plan((party or designed()).job(), planned=True, **options)
    return {one["mark"]: one for one in facts["check_marks"]}


def test_a_known_mark_in_reach_that_nothing_sights_is_worth_carrying():
    """One sight from the second last set-up closes K0 - A - B - Q and tests all five heights on the way."""
    found = marks(tolerance=0.014)
    assert set(found) == {"K0", "Q"}  # R is two kilometres off
    assert found["Q"]["setups"] == ["S2"] and found["Q"]["metres"] == [pytest.approx(np.hypot(20, 60))]
    assert found["Q"]["proves"] == ["setup:S0", "setup:S1", "setup:S2", "target:P0", "target:P1"]
    assert found["Q"]["minutes"] == 4.0 and found["Q"]["per_min"] == pytest.approx(5 / 4)
    assert list(found) == ["Q", "K0"]  # what proves more a minute first: K0 tests three, from S1
    assert found["K0"]["proves"] == ["setup:S0", "setup:S1", "target:P0"] and found["K0"]["setups"] == ["S1"]
    assert marks(tolerance=0.014, minutes=Minutes(check_shot=8.0))["Q"]["minutes"] == 8.0


def test_what_is_said_of_a_mark_is_what_the_job_with_its_sight_says():
    """The sight put into the tables, and planned anew."""
    party = designed()
    (claimed,) = [one for mark, one in marks(tolerance=0.014).items() if mark == "Q"]
    party.target("pole on Q", "Q", 1.5, equipment="prism 1")
    party.shot("S2", "pole on Q", float(np.hypot(20, 60)))
    # the sight's own scatter is that of the job's zenith angles there
    after = plan(party.job(), planned=True, tolerance=0.014)
    proved = {h["id"] for h in after["heights"] if h["proved_before"]}
    assert set(claimed["proves"]) <= proved and "target:P2" not in proved


def test_nothing_is_said_where_nothing_is_known_or_open():
    assert marks(designed(places=False)) == {}
    assert marks(designed(unused=()), tolerance=0.001) == {}  # no sight there is so good
    assert plan(designed().job(), tolerance=0.014)["check_marks"] == []  # measured: the steps say what to do
    assert "Check marks" not in plain(plan_document(plan(designed(places=False).job(), planned=True)))


def test_the_page_says_it():
    facts = as_written(plan(designed().job(), planned=True, tolerance=0.014))
    told = plain(plan_document(facts))
    assert "Check marks worth carrying" in told and "heights it proves" in told
    page = html(plan_document(facts))
    found, number = faults(page, facts)
    assert found == [] and all(faults(altered(page, i), facts)[0] for i in range(number))
