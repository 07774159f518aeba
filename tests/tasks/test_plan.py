"""``heightnet plan``: what is chosen, what it proves, and that the numbers are those of the job with it made."""

from __future__ import annotations

import inspect
import json
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from heightnet.commands.group import cli
from heightnet.commands.plan import KINDS
from heightnet.errors import CannotAdjust
from heightnet.job.model import Job
from heightnet.job.read import read_job
from heightnet.judge.assess import Bench, reliability
from heightnet.network import build_network
from heightnet.report.document import html, plain
from heightnet.report.plan_words import BOXES, plan_document
from heightnet.tasks.plan import Minutes, exit_status, plan
from tests.benchmarks.plan import compare, traverse
from tests.networks import Field, reciprocal

DATA = Path(__file__).resolve().parents[2] / "data"
DELTA0 = 4.1322  # for significance 0.1 % and power 80 % (Baarda 1968, from memory; computed from the normal law)


def adit(**options):
    return plan(read_job(DATA / "tunnel-forced-centring"), **options)


def test_forced_centring_wants_a_second_taping_of_each_stand():
    facts = adit()
    assert [s["kind"] for s in facts["steps"]] == ["other_scale"] * 5
    assert facts["total_min"] == 5 and exit_status(facts) == 0
    inner = [h for h in facts["heights"] if h["before_mm"] is None]
    assert len(inner) == 5
    # by hand: two tapings of 1 mm differ with sd sqrt(2); an error of one shows from delta0 sqrt(2)
    assert [h["after_mm"] for h in inner] == pytest.approx([DELTA0 * np.sqrt(2)] * 5, abs=1e-3)


def test_when_the_stands_are_gone_level_ties_prove_two_at_once():
    facts = adit(gone=True)
    assert {s["kind"] for s in facts["steps"]} <= {"level_tie", "reoccupation"}
    assert len(facts["steps"]) == 3 and facts["total_min"] == 45 and exit_status(facts) == 0
    assert max(len(s["proves"]) for s in facts["steps"]) == 2


def test_a_budget_is_kept_and_what_it_leaves_is_said():
    facts = adit(budget=3.0)
    assert facts["total_min"] == 3 and sum(h["proved_after"] for h in facts["heights"]) == 5
    assert exit_status(facts) == 1
    assert "For lack of minutes" in plain(plan_document(facts))
    assert adit(budget=0.0)["steps"] == []


def test_dear_tapings_give_way_to_cheap_ties():
    dear = Minutes(other_scale=50, other_person=50, in_parts=50, level_tie=1)
    assert {s["kind"] for s in adit(minutes=dear)["steps"]} == {"level_tie"}


def test_detectable_sizes_are_those_of_the_job_with_the_tie_made():
    """Levelled for real, the same job must have the sizes that the plan foretold."""
    party = traverse(2)
    facts = plan(party.job(), gone=True, tolerance=0.006)
    assert len(facts["steps"]) >= 2
    for step in facts["steps"]:  # to the heights in between it is a levelled difference, whatever it was made with
        party.level(step["from_mark"], step["mark"], sd=step["sd_mm"] / 1000)
    bench = Bench(build_network(party.job()))
    found = dict(zip(bench.family.ids, reliability(bench).detectable * 1000, strict=True))
    for height in facts["heights"]:
        if height["after_mm"] is not None:
            assert found[height["id"]] == pytest.approx(height["after_mm"], rel=1e-6)


def test_an_accused_height_wants_another_way_not_the_same_tape():
    facts = plan(read_job(DATA / "quarry-traverse"))
    accused = [h for h in facts["heights"] if h["accused"]]
    assert [h["id"] for h in accused] == ["setup:S4"] and accused[0]["proved_after"]
    assert facts["steps"] and not {s["kind"] for s in facts["steps"]} & {"other_scale", "other_person"}
    # both people had held the tape to the wrong point: its other scale would have agreed with them


def test_nothing_to_do_where_everything_is_proved():
    facts = plan(reciprocal(4, levelled=[("K0", "M1")]).job(), tolerance=0.05)
    assert facts["steps"] == [] and exit_status(facts) == 0
    assert "no more measurements" in plan_document(facts).headline


def test_a_planned_job_without_observed_heights():
    """Rough distances, zenith 90 degrees, heights blank: the sizes are those of the job as it will be measured."""
    party = reciprocal(4, noise=0.0)
    real = {h["id"]: h["before_mm"] for h in plan(party.job(), planned=True)["heights"]}
    for stand in (*party.setups, *party.targets):
        stand["height"] = np.nan
    for shot in party.shots:
        shot["slope_distance"], shot["zenith_angle"] = round(shot["slope_distance"], -1), np.pi / 2
    facts = plan(party.job(), planned=True, tolerance=0.004)
    assert {h["id"] for h in facts["heights"]} == set(real)
    for height in facts["heights"]:
        assert not height["accused"]
        assert height["before_mm"] == pytest.approx(real[height["id"]], rel=0.02)
    assert facts["steps"]


def test_one_way_leg_by_hand():
    """K0 - S sight to a pole on K1, both known exactly: tape, sight and pole make one loop of sd sqrt(1 + 1 + 1) mm."""
    party = Field({"K0": 100.0, "K1": 101.0}, noise=0.0)
    party.known("K0", sd=0.0), party.known("K1", sd=0.0)
    party.setup("S", "K0", 1.5), party.target("P", "K1", 1.6)
    party.shot("S", "P", 100.0)
    party.settings = party.settings.with_values(**{"air.refraction_sd": 0.0})
    heights = {h["id"]: h["before_mm"] for h in plan(party.job())["heights"]}
    assert heights["setup:S"] == pytest.approx(DELTA0 * np.sqrt(3), rel=1e-3)
    assert heights["target:P"] == pytest.approx(DELTA0 * np.sqrt(3), rel=1e-3)


def test_within_a_tenth_of_the_best_of_all_sets():
    found = np.array(compare(range(8)))
    assert len(found) >= 4
    assert np.all(found[:, 2] <= found[:, 3] + 1e-6)  # no farther from the goals
    assert np.all(found[:, 0] <= 1.1 * found[:, 1])


def test_jobs_without_heights_or_anything():
    levels = pd.DataFrame([{"from_mark": "A", "to_mark": "B", "rise": 1.0, "sd": 0.001}])
    facts = plan(Job.from_frames("levels", levels=levels))
    assert facts["heights"] == [] and "nothing to prove" in plan_document(facts).headline
    with pytest.raises(CannotAdjust):
        plan(Job.from_frames("nothing"))


def test_command_options_and_page(tmp_path):
    assert {k: v for k, (v, _) in KINDS.items()} == asdict(Minutes()) and set(KINDS) == set(BOXES)
    assert set(inspect.signature(Minutes).parameters) == set(KINDS)
    folder = str(DATA / "tunnel-forced-centring")
    done = CliRunner().invoke(cli, ["plan", folder, "--other-scale", "2", "--to", str(tmp_path)])
    assert done.exit_code == 0 and "10 minutes" in done.output and "[ ] 1." in done.output
    written = json.loads((tmp_path / "plan.json").read_text())
    assert written["minutes"]["other_scale"] == 2.0 and written["total_min"] == 10
    assert "<script" not in (tmp_path / "plan.html").read_text()
    assert CliRunner().invoke(cli, ["plan", folder, "--budget", "2"]).exit_code == 1
    assert CliRunner().invoke(cli, ["plan", folder, "--tolerance", "nan"]).exit_code == 2


def test_names_cannot_break_the_page():
    party = Field({"<b>": 100.0, "K": 101.0})
    party.known("K")
    party.setup("<i>", "<b>", 1.5), party.target("P", "K", 1.6)
    party.shot("<i>", "P", 100.0)
    page = html(plan_document(plan(party.job())))
    assert "<i>" not in page and "&lt;i&gt;" in page
