"""``heightnet trust``: rates that would catch a real loss, the same with the same seed, and the command."""

import json
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from heightnet import Job
from heightnet.errors import CannotAdjust
from heightnet.judge.judgement import Judgement
from heightnet.judge.large import LargeBench, bench_for
from heightnet.network import build_network
from heightnet.report.text import plain
from heightnet.report.trust_words import trust_document
from heightnet.tasks.trust import trust
from tests.large_books import level_net, staff_book
from tests.simulate.jobs import simulate


@pytest.fixture(scope="module")
def facts():
    return trust(simulate("S1", 2)[0], runs=300, seed=4)


@pytest.mark.slow
def test_rates(facts):
    """Bounds some Monte-Carlo standard errors beyond what 4,000 jobs give."""
    assert facts["false_alarm"]["n"] == facts["false_place"]["n"] == 150
    assert facts["false_alarm"]["rate"] <= 0.04
    assert facts["false_place"]["rate"] <= 0.02
    assert facts["false_place_sure"]["rate"] <= 0.01
    assert facts["places_sure"]["rate"] >= 0.95 and facts["places_sure"]["n"] > 30
    assert facts["places"]["rate"] >= 0.90 and facts["named"]["rate"] >= 0.90
    assert facts["shown"]["rate"] >= facts["exact"]["rate"]
    large = facts["found"][-1]
    assert large["n"] > 20
    assert large["said"]["rate"] >= 0.97 and large["placed"]["rate"] >= 0.95


def test_same_seed_same_facts(facts):
    job = simulate("S1", 2)[0]
    assert trust(job, runs=20, seed=9) == trust(job, runs=20, seed=9)
    assert trust(job, runs=20, seed=9) != trust(job, runs=20, seed=10)


def test_progress_is_told():
    told = []
    trust(simulate("S2", 1)[0], runs=6, seed=1, progress=told.append)
    assert told == [1, 2, 3, 4, 5, 6]


def test_command(tmp_path):
    from heightnet.job.write import write_job

    write_job(simulate("S2", 1)[0], tmp_path / "job")
    command = [sys.executable, "-m", "heightnet", "trust", str(tmp_path / "job"), "-n", "40"]
    plain = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert plain.returncode == 0, plain.stderr
    assert "Jobs in which nothing is wrong" in plain.stdout
    assert "%" not in plain.stdout and "±" not in plain.stdout
    facts = json.loads(subprocess.run([*command, "--json"], capture_output=True, text=True, timeout=120).stdout)
    assert facts["runs"] == 40


def test_stated_chances_of_places_are_those_of_jobs_at_the_rates(facts):
    """Clean jobs were made so on purpose: they say nothing about how often something is wrong."""
    counted = sum(cell["n"] for cell in facts["calibration"])
    assert counted == facts["places"]["n"] > 0
    for cell in facts["calibration"]:
        assert cell["from"] <= cell["stated"] <= cell["to"]
        assert cell["rate"] >= cell["stated"] - 0.05 - 4 * cell["se"]  # true at least as often as stated


def test_a_job_that_tests_nothing():
    """One levelled difference: nothing to plant, nothing to accuse, no rate to give."""
    levels = pd.DataFrame({"from_mark": ["A"], "to_mark": ["B"], "rise": [1.0], "sd": [0.001]})
    facts = trust(Job.from_frames(levels=levels), runs=4)
    assert facts["false_alarm"]["rate"] == 0
    assert facts["exact"] == {"rate": None, "se": None, "n": 0}
    assert facts["calibration"] == []
    assert "none to judge by" in plain(trust_document(facts))


@pytest.mark.slow
def test_a_simulated_job_of_many_neighbourhoods_shows_its_own_scatter():
    """What was really observed in the job, here with three times the scatter that is stated, changes no answer."""
    job = level_net(560)
    noise = 0.003 * np.random.default_rng(5).standard_normal(len(job.levels))
    wild = job.with_tables(levels=job.levels.assign(rise=job.levels["rise"] + noise))
    assert isinstance(bench_for(build_network(wild)), LargeBench)
    assert max(Judgement(bench_for(build_network(wild))).factors) > 2
    facts = trust(wild, runs=6, seed=3)
    assert facts == trust(job, runs=6, seed=3)
    assert facts["found"][-1]["n"] >= 3 and facts["found"][-1]["said"]["rate"] > 0.9


@pytest.mark.slow
def test_a_long_book():
    """798 readings of a level: the same questions, and answers of the same quality."""
    facts = trust(staff_book(798), runs=40, seed=2)
    assert facts["false_alarm"]["rate"] <= 0.15
    assert facts["places_sure"]["n"] > 5 and facts["places_sure"]["rate"] >= 0.8


def test_jobs_it_is_not_for():
    with pytest.raises(CannotAdjust, match="nothing to adjust"):
        trust(Job.from_frames(marks=pd.DataFrame({"mark": ["A"]})))
    count = 900
    levels = pd.DataFrame({"from_mark": [f"A{i}" for i in range(count)], "to_mark": [f"A{i + 1}" for i in range(count)],
                           "rise": 0.1, "sd": 0.001})  # fmt: skip
    with pytest.raises(CannotAdjust, match="900 observations"):
        trust(Job.from_frames(levels=levels))
