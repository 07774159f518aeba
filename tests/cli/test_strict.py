"""``--strict`` means the same for ``check`` and ``archive``; all jobs here are invented."""

import json
from collections import Counter

import numpy as np
import pytest
from command_help import DATA, run

from heightnet.exits import STRICT

TABLES = ("setups", "targets", "shots", "levels", "staff", "gnss")
DEMOS = sorted(p.name for p in DATA.iterdir() if p.is_dir())


def write(job, **tables):
    """A job of these tables, each a heading and its rows; then its folder."""
    job.mkdir(parents=True)
    (job / "job.toml").write_text('title = "made by a test (invented)"\n[units]\nangle = "deg"\n')
    for name, (heading, rows) in tables.items():
        text = "\n".join([heading, *(",".join(map(str, row)) for row in rows)])
        (job / f"{name}.csv").write_text(text + "\n")
    return job


def long_book(job, stands=30):
    """Out and back between two known marks over change points of its own each way: one loop, so long that every
    reading of it is tested only for errors above the tolerance of 10 mm."""
    rng = np.random.default_rng(3)
    rows = []
    for way, rise in (("out", 0.1), ("back", -0.1)):
        ends = ("K1", "K2") if way == "out" else ("K2", "K1")
        points = [ends[0], *(f"{way} {i}" for i in range(1, stands)), ends[1]]
        for i in range(stands):
            back = 1.5 + 0.0003 * rng.standard_normal()
            fore = 1.5 - rise + 0.0003 * rng.standard_normal()
            rows.append((f"{way}-{i}", points[i], f"{back:.4f}", "BS", 40, way))
            rows.append((f"{way}-{i}", points[i + 1], f"{fore:.4f}", "FS", 40, way))
    known = [("K1", "50.000", 0.5), ("K2", f"{50 + 0.1 * stands:.3f}", 0.5)]
    return write(
        job, marks=("mark,height,sd_mm", known), staff=("level_setup,mark,reading,sight,distance,run", rows)
    )  # fmt: skip


def levels(job, times):
    """Levelled differences in a net of small loops, which scatter so many times as much as stated."""
    rng = np.random.default_rng(8)
    side = 6
    ties = [(i, i + 1) for i in range(side**2) if (i + 1) % side] + [(i, i + side) for i in range(side**2 - side)]
    rows = [(f"P{a}", f"P{b}", f"{(b - a) * 0.1 + times * 0.001 * rng.standard_normal():.5f}", 1.0) for a, b in ties]
    return write(job, marks=("mark,height", [("P0", 10.0)]), levels=("from_mark,to_mark,rise,sd_mm", rows))


def proved(job, targets=(), shots=(), **tables):
    """A set-up over a known mark that sights three others, all four heights proved; and what else is added."""
    high = {"K1": 50.0, "K2": 51.0, "K3": 49.0, "K4": 50.5}
    rows = []
    for mark in ("K2", "K3", "K4"):
        rise = high[mark] + 1.6 - high["K1"] - 1.5
        slope, zenith = np.hypot(60.0, rise), np.degrees(np.arccos(rise / np.hypot(60.0, rise)))
        rows.append(("S1", f"on {mark}", f"{slope:.4f}", f"{zenith:.5f}"))
    return write(
        job,
        marks=("mark,height,sd_mm", [(mark, height, 0.3) for mark, height in high.items()]),
        setups=("setup,mark,height", [("S1", "K1", 1.5)]),
        targets=("target,mark,height", [*((f"on {m}", m, 1.6) for m in ("K2", "K3", "K4")), *targets]),
        shots=("setup,target,slope_distance,zenith_angle", [*rows, *shots]),
        **tables,
    )  # fmt: skip


def with_weak_levels(job):
    rows = [("K1", "P", "0.200", 30.0), ("P", "K2", "0.800", 30.0)]
    return proved(job, levels=("from_mark,to_mark,rise,sd_mm", rows))


def with_a_height_not_recorded(job):
    return proved(job, targets=[("on P", "P", "")], shots=[("S1", "on P", 60.0, 90.0)])


def far_sights(job):
    """Three targets over known marks, sighted from far by eight set-ups over no mark: each sight is weakly tested by
    itself, and together they prove every height."""
    shots = [(f"S{i}", f"T{j}", 250.0, 90.0) for i in range(8) for j in range(3)]
    return write(
        job,
        marks=("mark,height,sd_mm", [(f"K{j}", 10.0, 0.3) for j in range(3)]),
        setups=("setup,mark,height", [(f"S{i}", "", "") for i in range(8)]),
        targets=("target,mark,height", [(f"T{j}", f"K{j}", 1.5) for j in range(3)]),
        shots=("setup,target,slope_distance,zenith_angle", shots),
    )


def levelled_once(job):
    return write(
        job, marks=("mark,height", [("A", 10)]), levels=("from_mark,to_mark,rise,length", [("A", "B", 1.0, 100)])
    )


MADE = {  # how each ends without and with --strict, its state, and what is in it by table
    "long book": (long_book, 0, 1, "closes", {"staff": {"weak": 120}}),
    "proved": (proved, 0, 0, "closes", {"setups": {"proved": 1}, "targets": {"proved": 3}, "shots": {"proved": 3}}),
    "proved levels": (lambda job: levels(job, 0.7), 0, 0, "closes", {"levels": {"proved": 60}}),
    "scatters": (lambda job: levels(job, 1.7), 0, 1, "scatters", {"levels": {"proved": 60}}),
    "levelled once": (levelled_once, 0, 1, "untested", {"levels": {"unproved": 1}}),
    "weak levels": (
        with_weak_levels, 0, 1, "closes",
        {"setups": {"proved": 1}, "targets": {"proved": 3}, "shots": {"proved": 3}, "levels": {"weak": 2}},
    ),
    "not recorded": (
        with_a_height_not_recorded, 0, 1, "closes",
        {"setups": {"proved": 1}, "targets": {"proved": 3, "missing": 1}, "shots": {"proved": 3, "unproved": 1}},
    ),
    "far sights": (
        far_sights, 0, 0, "closes", {"setups": {"free": 8}, "targets": {"proved": 3}, "shots": {"weak": 24}},
    ),
}  # fmt: skip
QUICK = ("proved",)


def ends(job, folder, ways=((), ("--strict",))):
    """How ``check`` and ``archive`` end at a job, each without and with ``--strict``."""
    check = ("check", job, "--no-page", "--to", folder / "checked")
    archive = ("archive", job, "--no-page", "--no-parquet", "--workers", "1", "--output", folder / "archived")
    return [[run(*command, *strict).returncode for strict in ways] for command in (check, archive)]


@pytest.mark.parametrize("name", [pytest.param(n, marks=() if n in QUICK else pytest.mark.slow) for n in MADE])
def test_made_jobs(tmp_path, name):
    make, status, strict, state, verdicts = MADE[name]
    check, archive = ends(make(tmp_path / "job"), tmp_path)
    assert check == archive == [status, strict]
    facts = json.loads((tmp_path / "checked" / "results.json").read_text(encoding="utf-8"))
    assert facts["judgement"]["state"] == state
    assert {table: Counter(row["verdict"] for row in facts[table]) for table in TABLES if facts[table]} == verdicts
    index = json.loads((tmp_path / "archived" / "archive.json").read_text(encoding="utf-8"))
    headline = index["jobs"][0]["headline"]
    if state == "closes":  # the first line names what is counted, and nothing else
        assert headline.startswith("It closes, but" if strict else "It closes")
        assert (", but" in headline) == bool(strict) == (index["counts"]["gaps"] == 1)


@pytest.mark.slow
@pytest.mark.parametrize("name", DEMOS)
def test_demos(tmp_path, name):
    check, archive = ends(DATA / name, tmp_path)
    assert check == archive
    said = (DATA / name / "README.md").read_text(encoding="utf-8").partition("Exit status of `heightnet check`: ")[2]
    assert said.strip() == {(0, 1): "0; with `--strict` 1.", (1, 1): "1."}[tuple(check)] or not said


def test_help_names_what_it_counts():
    for command in ("check", "archive"):
        assert STRICT in " ".join(run(command, "--help").stdout.split())
