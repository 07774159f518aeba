"""The self-test: rates that would catch a real loss, the same with the same seed, and the command."""

import json
import subprocess
import sys

import pytest

from heightnet.simulate import simulate
from heightnet.tasks.selftest import selftest


@pytest.fixture(scope="module")
def facts():
    return selftest(simulate("S1", 2)[0], runs=300, seed=4)


def test_rates(facts):
    """Bounds three Monte-Carlo standard errors beyond what 4,000 jobs give."""
    assert facts["false_accusation"]["n"] == 150
    assert facts["false_accusation"]["rate"] <= 0.05
    assert facts["false_accusation_sure"]["rate"] <= 0.02
    assert facts["precision"]["rate"] >= 0.90
    large = facts["found"][-1]
    assert large["n"] > 20
    assert large["rate"] >= 0.90


def test_same_seed_same_facts(facts):
    job = simulate("S1", 2)[0]
    assert selftest(job, runs=20, seed=9) == selftest(job, runs=20, seed=9)
    assert selftest(job, runs=20, seed=9) != selftest(job, runs=20, seed=10)


def test_progress_is_told():
    told = []
    selftest(simulate("S2", 1)[0], runs=6, seed=1, progress=told.append)
    assert told == [1, 2, 3, 4, 5, 6]


def test_command(tmp_path):
    from heightnet.job.write import write_job

    write_job(simulate("S2", 1)[0], tmp_path / "job")
    command = [sys.executable, "-m", "heightnet", "selftest", str(tmp_path / "job"), "-n", "40"]
    plain = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert plain.returncode == 0, plain.stderr
    assert "Jobs without a blunder" in plain.stdout
    facts = json.loads(subprocess.run([*command, "--json"], capture_output=True, text=True, timeout=120).stdout)
    assert facts["runs"] == 40
