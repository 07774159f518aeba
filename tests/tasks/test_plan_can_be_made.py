"""No plan holds a measurement that cannot be made: what stands, what there is to sight, what a tape was held to."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from heightnet.commands.group import cli
from heightnet.errors import WrongSettings
from heightnet.job.read import read_job
from heightnet.network import build_network
from heightnet.report.document import sentences
from heightnet.report.plan_words import plan_document
from heightnet.report.text import plain
from heightnet.tasks.carried_out import carried_out
from heightnet.tasks.measurements import AT_THE_STAND, SIGHTED, Minutes
from heightnet.tasks.options import options_of
from heightnet.tasks.plan import as_planned, plan
from tests.benchmarks.plan import traverse
from tests.networks import Field, reciprocal
from tests.random_networks import MIXES, random_job

DATA = Path(__file__).resolve().parents[2] / "data"
TIES_ARE_DEAR = Minutes(level_tie=900, other_scale=900, other_person=900, in_parts=900, reoccupation=900)


def adit(**options):
    return plan(read_job(DATA / "tunnel-forced-centring"), **options)


def options(job, **more):
    """Everything that could be measured about any height of a job."""
    net = build_network(job)
    nodes = np.unique([*net.setup_node, *net.target_node])
    return net, options_of(net, nodes, np.ones(len(nodes)), Minutes(), set(), set(), **more)


def test_only_what_is_said_to_stand_is_taped_or_sighted_from():
    facts = adit(stands=["U2", "U6"])
    assert facts["stands"] == ["U2", "U6"] and not facts["gone"]
    kinds = {step["stand"]: step["kind"] for step in facts["steps"]}
    assert {stand for stand, kind in kinds.items() if kind in AT_THE_STAND} == {"setup:U2", "setup:U6"}
    assert {kind for stand, kind in kinds.items() if stand not in ("setup:U2", "setup:U6")} == {"level_tie"}
    assert any("--stands" in text for text in sentences(plan_document(adit()).blocks))
    assert not any("--stands" in text for text in sentences(plan_document(facts).blocks))  # it has been said
    none, gone = adit(stands=[]), adit(gone=True)
    assert [(s["kind"], s["stand"]) for s in none["steps"]] == [(s["kind"], s["stand"]) for s in gone["steps"]]


def test_what_is_said_to_stand_goes_before_what_its_day_lets_expect():
    party = traverse(2)
    for stand in (*party.setups, *party.targets):
        stand["when"] = "2026-03-17T08:00" if stand in party.setups[:1] else "2026-03-19T09:00"
    kinds = [
        {s["kind"] for s in plan(party.job(), tolerance=0.006, **said)["steps"] if s["stand"] == "setup:S0"}
        for said in ({}, {"stands": [s["setup"] for s in party.setups]})
    ]
    assert not kinds[0] & set(AT_THE_STAND) and kinds[1] & set(AT_THE_STAND)


def test_a_name_that_is_no_stand_is_an_error_with_the_nearest():
    with pytest.raises(WrongSettings, match=r"stands: read U22, expected set-ups or targets of the job.*'U2'"):
        adit(stands=["U2", "U22"])
    with pytest.raises(WrongSettings, match="all of them are gone"):
        adit(stands=["U2"], gone=True)
    with pytest.raises(WrongSettings, match="a planned job has none yet"):
        adit(stands=["U2"], planned=True)
    done = CliRunner().invoke(cli, ["plan", str(DATA / "tunnel-forced-centring"), "--stands", "U2, U6", "--json"])
    assert '"U2"' in done.output and done.exit_code == 0


def test_a_height_that_nobody_taped_has_no_other_scale():
    """Poles of the harbour have heights in the book and none in the tape table."""
    for name in ("harbour-feet", "quarry-traverse", "bridge-check-shots", "moss-one-day", "tunnel-forced-centring"):
        job = read_job(DATA / name)
        net, found = options(job)
        booked = set(net.readings["node"][net.readings["kind"] == "booked"])
        at_target = set(net.target_node.tolist())
        scales = {o.base.head for o in found if o.kind == "other_scale"}
        assert not scales & booked & at_target
        poles = {n for n, e in zip(net.target_node, job.targets["equipment"], strict=True) if "pole" in e} & booked
        assert not poles & {o.base.head for o in found if o.kind == "in_parts"}
    assert poles == set() and scales  # the adit's stands are taped, prisms and all


def test_one_height_at_several_marks_is_that_of_a_pole():
    """A tripod never stands equally high twice, to the micrometre; the flat form names no equipment."""
    net, found = options(read_job(DATA / "bridge-check-shots"))
    assert not {o.kind for o in found if o.base.head in net.target_node.tolist()} & {"other_scale", "in_parts"}
    on_tripods = reciprocal(3)
    assert {o.kind for o in options(on_tripods.job())[1]} >= {"in_parts"}
    for target in on_tripods.targets:
        target["height"] = 1.6
    net, found = options(on_tripods.job())
    assert "in_parts" not in {o.kind for o in found if o.base.head in net.target_node.tolist()}
    # what is not measured yet is no pole
    for target in on_tripods.targets:
        target["height"] = np.nan
    net, found = options(as_planned(on_tripods.job()))
    assert "in_parts" in {o.kind for o in found if o.base.head in net.target_node.tolist()}


def sighted(wrong_pole="", **more):
    party = reciprocal(4, seed=2, levelled=[("K0", "M1")])
    for target in party.targets:
        if target["equipment"] == wrong_pole:
            target["height"] += 0.05
    return party.job(**more)


def test_a_sight_says_what_is_sighted_and_not_what_is_to_be_tested():
    net, found = options(sighted())
    poles = {"prism 0", "prism 1"}
    own = dict(zip(net.target_node.tolist(), net.job.targets["equipment"], strict=True))
    for option in found:
        assert (option.base.pole in poles) == (option.kind in SIGHTED)
        assert option.base.pole != own.get(option.base.about)
    # what is in doubt is sighted with neither, unless there is nothing else
    assert {o.base.pole for o in options(sighted(), doubted={"prism 0"})[1] if o.kind in SIGHTED} == {"prism 1"}
    assert {o.base.pole for o in options(sighted(), doubted=poles)[1] if o.kind in SIGHTED} <= poles
    made = carried_out(net, [(o.kind, o.base) for o in found if o.kind in SIGHTED][:3])
    assert set(made.targets["equipment"][-3:]) <= poles


def test_the_pole_is_told_and_a_doubted_one_is_measured_first():
    job = reciprocal(3, seed=1)
    facts = plan(job.job(), minutes=TIES_ARE_DEAR, tolerance=0.006)
    steps = [s for s in facts["steps"] if s["kind"] in SIGHTED]
    assert steps and all(s["pole"] in ("prism 0", "prism 1") and not s["pole_doubted"] for s in steps)
    assert f"sight {steps[0]['pole']}, its height read anew, on" in " ".join(plain(plan_document(facts)).split())
    for target in job.targets:
        target["equipment"] = ""
    facts = plan(job.job(), minutes=TIES_ARE_DEAR, tolerance=0.006)
    assert {s["pole"] for s in facts["steps"]} == {None}
    assert "a pole of known height" in " ".join(plain(plan_document(facts)).split())


def test_nothing_is_measured_to_what_nothing_determines():
    """What only a set-up without a height sighted has no height: a sight to it from elsewhere ties it to nothing."""
    job, _ = random_job(39, 38, "sights+levels")
    net, found = options(job)
    assert len(net.undetermined) and found
    assert all(np.isfinite(net.nodes.height[[o.base.tail, o.base.head]]).all() for o in found)


@pytest.mark.parametrize("seed", range(9))
def test_plans_of_random_jobs_keep_their_minutes_and_their_order(seed):
    """Jobs of every mix with 0 to 3 blunders, marks strewn over half a square kilometre, some without a place."""
    rng = np.random.default_rng(seed)
    job, _ = random_job(seed, int(rng.integers(20, 60)), list(MIXES)[seed % len(MIXES)])
    east, north = rng.uniform(0, 700, (2, len(job.marks)))
    east[rng.random(len(east)) < 0.1 * (seed % 3)] = np.nan
    job = job.with_tables(marks=job.marks.assign(east=east, north=north))
    budget = (None, 8.0, 25.0)[seed // 3]
    facts = plan(job, budget=budget, gone=seed % 2 == 1)
    steps, route = facts["steps"], facts["route"]
    assert facts["total_min"] <= (budget or np.inf) + 1e-6
    assert facts["total_min"] == pytest.approx(facts["measuring_min"] + (facts["walking_min"] or 0.0))
    assert [n for stop in route for n in stop["steps"]] == [s["order"] for s in steps if s["at"]]
    assert len({stop["mark"] for stop in route}) == len(route)
    assert all(s["at"] in (None, s["from_mark"]) for s in steps)
    assert not facts["gone"] or not {s["kind"] for s in steps} & set(AT_THE_STAND)


def test_without_any_target_nothing_is_sighted():
    party = Field({"A": 100.0, "B": 101.0})
    party.known("A"), party.setup("S", "A", 1.5), party.level("A", "B")
    assert not {o.kind for o in options(party.job())[1]} & set(SIGHTED)
