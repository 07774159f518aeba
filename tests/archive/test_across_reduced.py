"""What a job leaves behind: against least squares written anew, and with gross errors in it."""

from __future__ import annotations

import json

import numpy as np
import pytest

from heightnet.archives.across import across_jobs
from heightnet.archives.evidence import histogram
from heightnet.archives.reduced import LEFT, median_day, reduced_job
from heightnet.archives.sums import block_of
from heightnet.archives.things import KINDS, PIVOT_M, Shared, things_of
from heightnet.commands.demo import demos
from heightnet.job.read import read_job
from heightnet.judge.bench import Bench
from heightnet.judge.judgement import Judgement
from heightnet.judge.large import LargeBench, bench_for
from heightnet.ledger.thing import Thing
from heightnet.network import build_network
from heightnet.report.across_words import RATES
from heightnet.tasks.check import check
from tests.shapes import shape
from tests.simulate.archive import country, simulate_job
from tests.simulate.jobs import blunder, simulate


@pytest.fixture(scope="module")
def areal():
    """An areal job of a simulated office, without a blunder."""
    land = country(40, seed=5, offices=1)
    return next(one for n in range(40) if not (one := simulate_job(land, n)).blunders and len(one.job.setups) == 12).job


def judged(job, **how):
    return Judgement(Bench(build_network(job), **how))


def test_u_and_G_are_those_of_least_squares_written_anew(areal):
    """C'P(y - A x) and C'PC - C'PA (A'PA)^-1 A'PC with dense numpy."""
    judgement = judged(areal, factors=False)
    found = reduced_job(judgement)
    assert not found["freed"]
    net = judgement.bench.net
    A, C, P = net.A.toarray(), things_of(net).C.toarray(), np.diag(net.sd**-2.0)
    N = A.T @ P @ A
    v = net.y - A @ np.linalg.solve(N, A.T @ P @ net.y)
    G = C.T @ P @ C - C.T @ P @ A @ np.linalg.solve(N, A.T @ P @ C)
    block = block_of(found)
    assert block.u == pytest.approx(C.T @ P @ v, rel=1e-6, abs=1e-6 * np.abs(block.u).max())
    np.testing.assert_allclose(block.G, G, rtol=1e-6, atol=1e-8 * G.max())
    assert block.own == pytest.approx(np.diag(C.T @ P @ C), rel=1e-8)


def test_columns_say_what_they_say(areal):
    net = build_network(areal)
    things = things_of(net)
    column = dict(zip(map(str, things.things), things.C.toarray().T, strict=True))
    assert {thing.kind for thing in things.things} == {"equipment", "instrument", "tape", "tape_scale", "observer"}
    readings = net.readings
    for kind, of in (("equipment", "target"), ("instrument", "setup"), ("observer", "setup")):
        total = sum(c for name, c in column.items() if name.startswith(f"{kind}:"))
        assert total.sum() == (readings["stand_kind"] == of).sum()
    tape = readings["tape"].iloc[0]
    entries = column[f"tape_scale:{tape}"][column[f"tape:{tape}"] == 1]
    assert entries == pytest.approx(readings.loc[readings["tape"] == tape, "value"].to_numpy() - PIVOT_M)


def test_the_record_is_small_plain_and_complete(areal):
    found = reduced_job(judged(areal), check(areal).facts)
    text = json.dumps(found, allow_nan=False)
    assert len(text) < 8000
    assert json.loads(text) == found
    assert found["date"] == areal.setups["when"].iloc[0][:10]
    assert found["stands"]["all"] == len(areal.setups) + len(areal.targets)
    for names in found["by"].values():
        assert sum(entry["heights"] for entry in names.values()) == pytest.approx(found["stands"]["all"])
    made = [(part, sum(n for _, n, _ in rows)) for key, rows in found["evidence"].items() for part in key.split()]
    shots = sum(float(part.partition(":")[2]) * n for part, n in made if part.startswith("shot:"))
    assert shots == pytest.approx(len(areal.shots))  # each is tested, and in one class or cluster
    assert {name.partition(":")[0] for name in found["things"]} <= set(KINDS)


@pytest.mark.parametrize(
    "kind,size", [("setup", 1.0), ("target", 0.1), ("shot", -1.0), ("known", -0.1), ("setup", 0.012)]
)
def test_one_gross_error_poisons_nothing(areal, kind, size):
    names = {"setup": areal.setups["setup"][3], "target": areal.targets["target"][5],
             "shot": f"shots.csv:{areal.shots['row'][17]}",
             "known": areal.marks["mark"][areal.marks["height"].notna()].iloc[1]}  # fmt: skip
    clean = reduced_job(judged(areal))
    spoilt = reduced_job(judged(blunder(areal, f"{kind}:{names[kind]}", size)))
    assert any(id_.endswith(names[kind]) or kind in ("setup", "known") for id_ in spoilt["freed"])
    before, after = block_of(clean), block_of(spoilt)
    tau = np.diag(np.full(len(before.u), 0.003**-2))
    b, b2 = (np.linalg.solve(x.G + tau, x.u) for x in (before, after))
    sd = np.sqrt(np.diag(np.linalg.inv(after.G + tau)))
    assert np.all(np.abs(b - b2) < 1.5 * sd)
    lost = np.diag(after.G).sum() / np.diag(before.G).sum()
    assert 0.4 < lost <= 1.1  # it costs something, not everything


def test_a_common_error_is_not_let_go_with_what_it_spoils(areal):
    """3 mm on a whole prism stay in u: estimates of many such jobs are not pulled to 0."""
    prism = areal.targets["equipment"].mode()[0]
    before, after = (
        block_of(reduced_job(judged(blunder(areal, f"group:equipment:{prism}", size)))) for size in (0.0, 0.003)
    )
    at = before.things.index(Shared(Thing("equipment", prism)))
    assert (after.u - before.u)[at] / before.G[at, at] == pytest.approx(0.003, rel=0.15)


def test_a_thing_lost_with_a_blunder_is_said():
    """A prism that stood once: its height and its offset are one and the same to the job."""
    job, _ = simulate("S3", 4)
    targets = job.targets.assign(
        equipment=["odd prism" if i == 2 else e for i, e in enumerate(job.targets["equipment"])]
    )

    job = blunder(job.with_tables(targets=targets), f"target:{targets['target'][2]}", 0.2)
    found = reduced_job(judged(job))
    error, sd = found["let_go"]["equipment:odd prism"]
    assert error == pytest.approx(0.2, abs=5 * sd)
    at = found["things"].index("equipment:odd prism")
    assert found["u"][at] == 0 and found["own"][at] > 0


def test_large_jobs_give_what_others_give(areal):
    small = block_of(reduced_job(judged(areal, factors=False)))
    large = block_of(reduced_job(Judgement(LargeBench(build_network(areal)))))
    assert large.things == small.things
    scale = large.own / small.own  # the job's variance factor
    assert scale == pytest.approx(scale[0])
    assert large.G / scale[0] == pytest.approx(small.G, rel=1e-6, abs=1e-7 * small.G.max())
    assert large.u / scale[0] == pytest.approx(small.u, rel=1e-5, abs=1e-6 * np.abs(small.u).max())


def test_nothing_is_known_where_nothing_is_seen():
    job, _ = simulate("S2", 1)  # one instrument on shared stands: its offset cancels
    found = reduced_job(judged(job))
    G = block_of(found).G
    for i, own in enumerate(found["own"]):
        assert G[i, i] == 0 or G[i, i] > LEFT * own


def test_days_are_read_from_when(areal):
    assert median_day(areal) is not None
    blank = {t: areal.tables[t].assign(when="") for t in ("setups", "targets", "tape")}
    assert median_day(areal.with_tables(**blank)) is None
    odd = areal.with_tables(
        **(blank | {"setups": areal.setups.assign(when="shot on 2024-02-30, then 2024-03-01T10:00")})
    )
    assert median_day(odd) is None  # the first day in a text counts, and there is no 30 February
    assert (
        median_day(areal.with_tables(**(blank | {"setups": areal.setups.assign(when="2024-03-01T10:00")})))
        == "2024-03-01"
    )


def test_histograms_keep_number_and_sum():
    rng = np.random.default_rng(1)
    factor, weight = np.exp(rng.normal(0, 3, 500)), rng.uniform(0, 1, 500)
    rows = histogram(factor, weight)
    assert sum(n for _, n, _ in rows) == pytest.approx(weight.sum(), abs=1e-2)
    assert sum(n * f for _, n, f in rows) == pytest.approx((weight * factor).sum(), rel=1e-3)
    assert histogram(np.zeros(0)) == []


@pytest.mark.parametrize("demo", sorted(demos()))
def test_every_kind_of_job_leaves_a_record(demo):
    """Levels, antennas, shared stands, nothing but one reading: whatever can be checked can be added up."""
    job = read_job(demos()[demo])
    net = build_network(job)
    found = reduced_job(Judgement(bench_for(net)), check(job).facts)
    facts = across_jobs(lambda: [found])
    assert facts["jobs"] == 1 and len(facts["offsets"]) + len(facts["scales"]) + len(facts["indexes"]) == len(
        found["things"]
    )
    assert facts["rates"] and facts["rates"].keys() <= RATES.keys()
    for rate in facts["rates"].values():
        assert 0 < rate["low"] < rate["rate"] < rate["high"] < 1


def test_a_job_that_no_few_errors_explain_tells_others_nothing():
    """All sights off as with a refraction that no air has: none of the heights that seem wrong is to be counted."""
    net = build_network(shape("small4x", 4).job)
    bench = Bench(net)
    h = list(bench.family.ids).index("group:refraction:the whole job")
    noise = net.sd * np.random.default_rng(4).standard_normal(len(net.sd))
    judgement = Judgement(bench, noise + bench.family.C[:, [h]].toarray()[:, 0] * 0.31)
    assert judgement.state == "unexplained"
    record = reduced_job(judgement)
    assert record["things"] and not any(record["u"]) and not any(record["G"])
    assert record["evidence"] == record["causes"] == record["let_go"] == {} and record["freed"] == []
    assert record["stands"] == {"all": record["stands"]["all"], "tested": 0, "expected": 0.0}
    counted = across_jobs(lambda: [record, record])
    assert counted["jobs"] == 2 and not any(t["verdict"] == "wrong" for t in counted["offsets"])
