"""Spoilt jobs: read, or refused with places; never anything else."""

from pathlib import Path
from random import Random

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import heightnet
from heightnet.job.model import Job
from heightnet.ledger.recorded import TABLES
from tests.mutate import Files, mutated, starting_jobs

JOBS = starting_jobs()


def put(files: Files, home: Path) -> Path:
    home.mkdir(exist_ok=True)
    for old in home.iterdir():
        old.unlink()
    for name, data in files.items():
        (home / name).write_bytes(data)
    return home


def assert_read_or_refused(home: Path) -> Job | None:
    """The job, sound in itself; or None where every problem named a file and could be shown on any screen."""
    try:
        job = heightnet.read_job(home)
    except heightnet.InputErrors as error:
        assert error.problems
        for problem in error.problems:
            assert problem.file and problem.expected
            assert problem.row is None or problem.row >= 1
            str(problem).encode("utf-8")
        return None
    for table in TABLES:
        frame = job.tables[table]
        assert list(frame) == list(TABLES[table].held)
        numbers = frame.select_dtypes("number").to_numpy(float)
        assert not np.isinf(numbers).any()
        assert (frame["row"] >= 1).all()
    shots = job.shots
    assert (shots["slope_distance"] > 0).all()
    assert ((shots["zenith_angle"] > 0) & (shots["zenith_angle"] < 2 * np.pi)).all()
    assert set(shots["setup"]) <= set(job.setups["setup"]) and set(shots["target"]) <= set(job.targets["target"])
    assert job.setups["setup"].is_unique and job.targets["target"].is_unique and job.marks["mark"].is_unique
    slant = job.tape[job.tape["kind"] == "slant"]
    assert (slant["reading"] > slant["radius"]).all()
    for note in job.notes:
        note.text.encode("utf-8")
    return job


@pytest.mark.parametrize("files", JOBS, ids=range(len(JOBS)))
def test_the_starting_jobs_are_good(files, tmp_path):
    assert assert_read_or_refused(put(files, tmp_path / "job")) is not None


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(st.sampled_from(JOBS), st.randoms(use_true_random=False))
def test_spoilt_jobs(tmp_path_factory, files, rng: Random):
    home = tmp_path_factory.getbasetemp() / "spoilt"
    assert_read_or_refused(put(mutated(files, rng), home))


@settings(max_examples=100, deadline=None)
@given(st.sampled_from(["marks", "setups", "targets", "shots", "tape", "equipment", "levels", "staff"]), st.binary())
def test_any_bytes_as_a_table(tmp_path_factory, table, data):
    files = JOBS[-2] | {f"{table}.csv": data}
    assert_read_or_refused(put(files, tmp_path_factory.getbasetemp() / "bytes"))
