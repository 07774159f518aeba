"""The simulated country: repeatable, one job at a time, readable, true to its truth."""

from __future__ import annotations

import csv
import json
from itertools import islice

import numpy as np
import pytest

from heightnet.job.read import read_job
from tests.simulate.archive import country, main, simulate_job, simulate_jobs, with_common_errors, write_archive


def test_the_same_seed_gives_the_same_jobs_in_any_order():
    land, again = country(50, seed=2), country(50, seed=2)
    assert land == again and land != country(50, seed=3)
    one, other = simulate_job(land, 17), simulate_job(again, 17)
    assert one.path == other.path and one.blunders == other.blunders
    assert one.job.tape.equals(other.job.tape) and one.job.shots.equals(other.job.shots)
    assert list(islice(simulate_jobs(land), 2))[1].path == simulate_job(land, 1).path


def test_a_hundred_thousand_jobs_are_made_one_at_a_time():
    land = country(100_000, seed=1)
    assert len(land.offices) == 250
    assert len(simulate_job(land, 99_999).job.shots) > 0


def test_what_is_written_can_be_read_and_says_what_is_true(tmp_path):
    land = write_archive(tmp_path / "country", 6, seed=4)
    truth = json.loads((tmp_path / "country" / "truth.json").read_text(encoding="utf-8"))
    assert truth["jobs"] == 6 and "invented" in truth
    assert truth["offices"][0]["offset"] == land.offices[0].offset
    planted: dict[str, dict[str, float]] = {}
    with (tmp_path / "country" / "blunders.csv").open(newline="", encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            planted.setdefault(row["job"], {})[row["id"]] = float(row["error_mm"])
    for one in simulate_jobs(land):
        job = read_job(tmp_path / "country" / one.path)
        assert "invented" in job.settings.title
        assert job.shots["slope_distance"].to_numpy() == pytest.approx(
            one.job.shots["slope_distance"].to_numpy(), abs=1e-4
        )
        assert sorted(job.tape["by"].unique()) == sorted(one.job.tape["by"].unique())
        assert planted.get(one.path, {}) == pytest.approx({k: 1000 * v for k, v in one.blunders.items()}, abs=1e-3)


def test_common_errors_are_those_of_the_office():
    land = country(10, seed=6, offices=1)
    office, job = land.offices[0], simulate_job(land, 0).job
    day = "2023-05-01"
    wrong = with_common_errors(job, office, day)
    thing = dict(zip(job.setups["setup"], job.setups["instrument"], strict=True))
    thing |= dict(zip(job.targets["target"], job.targets["equipment"], strict=True))
    columns = (job.tape["reading"], wrong.tape["reading"], job.tape["tape"], job.tape["stand_kind"], job.tape["stand"])
    for was, now, tape, of, stand, who in zip(*columns, job.tape["by"], strict=True):
        expected = was * office.scale[tape] + office.offset[tape] + office.offset_on(thing[stand], day)
        expected += office.offset[who] if of == "setup" else 0.0
        assert now - was == pytest.approx(expected, abs=1e-9)


def test_blunders_come_at_the_rates_and_oftener_from_the_careless():
    land = country(60, seed=7, offices=1)
    office = land.offices[0]
    office.careless = {office.people[0]: 8.0}
    hit = {True: [0, 0], False: [0, 0]}
    for one in simulate_jobs(land):
        for table, kind in ((one.job.setups, "setup"), (one.job.targets, "target")):
            for stand, who in zip(table[kind], table["observer"], strict=True):
                if kind == "setup":
                    hit[who in office.careless][0] += f"setup:{stand}" in one.blunders
                    hit[who in office.careless][1] += 1
    assert hit[True][0] / hit[True][1] == pytest.approx(0.16, abs=4 * np.sqrt(0.16 * 0.84 / hit[True][1]))
    assert hit[False][0] / hit[False][1] == pytest.approx(0.02, abs=4 * np.sqrt(0.02 / hit[False][1]))


def test_it_runs_as_a_module(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("sys.argv", ["simulate_archive", str(tmp_path / "a"), "--jobs", "2", "--seed", "9"])
    main()
    assert "2 jobs of 1 office in" in capsys.readouterr().out
    assert len(list((tmp_path / "a").rglob("shots.csv"))) == 2
