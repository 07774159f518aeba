"""What tells the members of a finding apart comes first; a known height in doubt is looked up before anybody goes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from heightnet.job.read import read_job
from heightnet.report.claims import plain as bare
from heightnet.report.facts import as_written
from heightnet.report.html import html
from heightnet.report.plan_words import plan_document
from heightnet.report.text import plain
from heightnet.tasks.measurements import Minutes
from heightnet.tasks.next import design_rows
from heightnet.tasks.options import options_of
from heightnet.tasks.plan import aims_of, exit_status, plan
from heightnet.tasks.rivals import Rivals
from tests.networks import reciprocal
from tests.tasks.task_statements import altered, faults

DATA = Path(__file__).resolve().parents[2] / "data"


def either(**options):
    """A target height or the one sight to it: the same misclosures."""
    return plan(reciprocal(4, seed=1, wrong={"P32": 0.04}).job(), **options)


def three_known(wrong, places=()):
    party = reciprocal(4, seed=1, wrong=wrong)
    party.known("M2", sd=0.001)
    listed = {row["mark"] for row in party.marks}
    party.marks += [{"mark": mark, "height": np.nan, "sd": np.nan} for mark in party.heights if mark not in listed]
    for row in party.marks:
        if row["mark"] in places:
            row["east"], row["north"] = places[row["mark"]]
    return party


def told(facts):
    return " ".join(plain(plan_document(facts)).split())


def test_the_first_step_is_foreseen_to_differ_between_the_rivals():
    facts = either()
    assert {m["id"] for m in facts["findings"][0]["members"]} == {"target:P32", "shot:shots.csv:12"}
    first, *rest = facts["steps"]
    (parts,) = first["separates"]
    assert sorted(o["ids"] for o in parts["outcomes"]) == [["shot:shots.csv:12"], ["target:P32"]]
    # a new taping agrees with the book if the sight is wrong, and differs by the whole error if the height is
    assert parts["apart_mm"] == pytest.approx(abs(facts["findings"][0]["error_mm"]), rel=0.01)
    assert first["stand"] == "target:P32" and rest and not any(step["separates"] for step in rest)
    assert "It tells the height of target P32 on M2" in told(facts) and "what comes out differs by 38 mm" in told(facts)
    assert facts["unparted"] == []
    small = either(budget=6.0)
    assert small["steps"][0]["separates"] and small["total_min"] <= 6


def test_it_is_said_where_nothing_tells_the_rivals_apart():
    """The target is gone: its height and the sight to it put the marks at the same heights."""
    facts = either(gone=True)
    assert facts["unparted"] == [1] and not any(step["separates"] for step in facts["steps"])
    assert "Nothing that can be measured between the marks and stands of this job tells which it is" in told(facts)
    assert "Look up in the field book" in told(facts)


@pytest.mark.parametrize("wrong", [{"P32": 0.04}, {"S1-P13": 0.04}, {"K1": 0.04}], ids=str)
def test_what_is_foreseen_is_what_the_job_says_with_each_member_let_go(wrong):
    """The equations solved anew by numpy, the member's column an unknown of its own, for every candidate there is.

    The errors are averaged over the explanations, of which the one with this member is nearly all: a tenth.
    """
    aims = aims_of(reciprocal(4, seed=1, wrong=wrong).job(), None, planned=False)
    facts, net = aims.facts, aims.bench.net
    nodes = aims.bench.family.node[aims.watched]
    options = options_of(net, nodes, np.ones(len(nodes)), Minutes(), set(), set())
    rivals = Rivals(facts, [_finding(facts)])
    A, weight = net.A.toarray(), 1 / net.sd
    plainly = np.linalg.lstsq(A * weight[:, None], net.y * weight, rcond=None)[0]
    foreseen = {}
    for rival in rivals.of[1]:
        column = facts.family.C[:, [rival.hypothesis]].toarray()
        freed = np.linalg.lstsq(np.hstack([A, column]) * weight[:, None], net.y * weight, rcond=None)[0][:-1]
        foreseen[rival.id] = design_rows(net, [o.base for o in options]) @ (freed - plainly) * 1000
    compared = 0
    for p, parts in enumerate(rivals.told(options)):
        for outcome in (o for one in parts for o in one["outcomes"]):
            for id_ in outcome["ids"]:
                compared += 1
                assert outcome["expected_mm"] == pytest.approx(foreseen[id_][p], rel=0.1, abs=0.3)
        # and where nothing is told, nothing worth it is foreseen
        if not parts:
            sd = 1000 * options[p].base.sd
            assert np.ptp([mm[p] for mm in foreseen.values()]) < 3 * np.hypot(sd, 4.0)
    assert compared > 1 or "K1" in wrong  # nothing tells two known marks from one another


def _finding(facts):
    from heightnet.tasks import judgement_facts

    return judgement_facts.findings(facts)[0]


def test_a_step_that_tells_rivals_apart_goes_before_a_shorter_way():
    party = three_known({"P32": 0.04}, {f"M{i}": (100.0 * i, 0.0) for i in range(1, 5)})
    facts = plan(party.job(), start="M4")
    apart = [bool(step["separates"]) for step in facts["steps"]]
    assert apart[0] and apart == sorted(apart, reverse=True)
    assert facts["steps"][0]["at"] == "M2"  # although the walk begins at M4


def test_a_known_height_in_doubt_is_looked_up_and_then_measured_from_another_mark():
    facts = plan(three_known({"K1": 0.04}).job())
    assert [f["id"] for f in facts["findings"]] == ["known:K1"]
    desk, check = facts["steps"]
    assert (desk["kind"], desk["mark"], desk["minutes"], desk["at"]) == ("look_up", "K1", 5.0, None)
    assert check["mark"] == "K1" and check["from_mark"] != "K1" and check["kind"] == "check_shot"
    listed, moved = sorted((o["ids"] for one in check["separates"] for o in one["outcomes"]), key=len)
    assert listed == [] and moved == ["known:K1"]
    assert check["separates"][0]["apart_mm"] == pytest.approx(abs(facts["findings"][0]["error_mm"]), rel=0.01)
    head = bare(plan_document(facts).headline)
    assert head.startswith(
        "First find out about the known height of K1: 1 height to look up and 1 measurement, 9 minutes"
    )
    assert "It shows whether the known height of K1 is as listed" in told(facts) and exit_status(facts) == 1
    assert [s["kind"] for s in plan(three_known({"K1": 0.04}).job(), budget=6.0)["steps"]] == ["look_up"]
    own = plan(three_known({"K1": 0.04}).job(), minutes=Minutes(look_up=2.0))
    assert own["steps"][0]["minutes"] == 2.0


def test_another_known_mark_within_reach_is_levelled_from():
    """M2 is known and 80 m off: it goes before the nearer marks that the job itself found."""
    job = three_known({"K1": 0.04}, {"K1": (0, 0), "M2": (80, 0), "M4": (40, 0)}).job()
    desk, tie = plan(job)["steps"]
    assert (desk["kind"], tie["kind"], {tie["from_mark"], tie["mark"]}) == ("look_up", "level_tie", {"K1", "M2"})
    far = plan(three_known({"K1": 0.04}, {"K1": (0, 0), "M2": (900, 0), "M4": (40, 0)}).job())["steps"]
    assert "M2" not in {far[1]["from_mark"], far[1]["mark"]}


def test_two_known_marks_against_each_other_are_both_looked_up():
    facts = plan(reciprocal(4, seed=1, wrong={"K1": 0.04}).job())
    assert [(s["kind"], s["mark"]) for s in facts["steps"]] == [("look_up", "K0"), ("look_up", "K1")]
    assert facts["unparted"] == [1] and "one more known mark would" in told(facts)
    assert facts["route"] == [] and facts["walking_min"] is None and "Route" not in told(facts)


def test_the_list_a_height_came_from_is_named():
    party = three_known({"K1": 0.04})
    for row in party.marks:
        row["source"] = "list 2019" if row["mark"] == "K1" else ""
    assert "Look up the known height of K1 where it came from (list 2019)" in told(plan(party.job()))


@pytest.mark.parametrize("wrong", [{"P32": 0.04}, {"K1": 0.04}, {"S1-P13": 0.04}, {"S2": 0.05}], ids=str)
def test_every_statement_says_of_what_it_is(wrong):
    facts = as_written(plan(three_known(wrong, {"M1": (0, 0), "M3": (250, 0)}).job()))
    page = html(plan_document(facts))
    found, number = faults(page, facts)
    assert found == []
    assert all(faults(altered(page, i), facts)[0] for i in range(number))


def test_a_pole_that_changed_is_still_measured_itself():
    facts = plan(read_job(DATA / "moss-one-day"))
    assert facts["unparted"] == [] and len(facts["needs"]) == 2


def test_a_named_height_that_nothing_proves_better_has_another_way_planned():
    """No repeat makes the size that shows in A6 smaller, so none is chosen for that; it is in question all the same."""
    facts = plan(read_job(DATA / "saltmarsh-antennas"))
    (step,) = facts["steps"]
    assert (step["kind"], step["stand"], step["finding"]) == ("antenna_reoccupation", "setup:A6", 1)
    assert "It is another way to that height, whatever was taped." in told(facts)


def test_a_tape_tells_an_instrument_from_what_stood_beside_it():
    """All targets over G2, or the instrument there: the new taping of the instrument is none of those heights."""
    facts = plan(read_job(DATA / "harbour-feet"))
    first = facts["steps"][0]
    assert (first["kind"], first["stand"]) == ("in_parts", "setup:A3") and first["separates"]
