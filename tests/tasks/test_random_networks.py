"""Random jobs of every mix: read back as they were written, and adjusted as the dense reference adjusts them."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import heightnet
from heightnet.adjust import adjust
from heightnet.job.write import write_job
from heightnet.judge.family import build_family
from heightnet.judge.judgement import Judgement
from heightnet.judge.large import LargeBench, bench_for
from heightnet.network import build_network
from tests.dense_judgement import DenseBench
from tests.dense_reference import dense, equations
from tests.job.test_write_job import assert_same
from tests.noise import blunders
from tests.random_networks import MIXES, random_job

SMALL = [(seed, mix) for seed in range(25) for mix in MIXES]  # 150 of up to 300 observations
QUICK = 5  # seeds of these that every run tries
LARGE = [
    (0, 700, "levels"), (1, 900, "staff"), (3, 1500, "gnss"), (4, 1800, "all"),
    (5, 2200, "sights+levels"), (6, 2600, "all"), (9, 5000, "staff"),
]  # fmt: skip
HEIGHT_M, REDUNDANCY = 2e-6, 1e-6


def size(seed):
    """Of a job of up to 300 observations: half of them have fewer than 83, as most jobs of an office have."""
    return int(10 + 290 * np.random.default_rng((seed, 11)).uniform() ** 2)


@cache
def made(seed, observations, mix):
    return random_job(seed, observations, mix)


def adjusted(job):
    """The network, its fit, and the height of each mark, m; NaN where nothing determines it."""
    net = build_network(job)
    fit = adjust(net.A, net.y, net.sd)
    height = net.nodes.height.copy()
    free = net.nodes.column >= 0
    height[free] += fit.x[net.nodes.column[free]]
    at = np.flatnonzero(net.nodes.kind == "mark")
    return net, fit, dict(zip(net.nodes.name[at].tolist(), height[at].tolist(), strict=True))


def assert_as_the_reference(job, observations):
    net, fit, heights = adjusted(job)
    reference = dense(job)
    edges = reference.equations.edges
    assert net.edge_count == edges == observations
    assert fit.dof == reference.dof
    assert net.sd[:edges] == pytest.approx(reference.sd[:edges], rel=1e-9)
    expected = reference.heights
    assert set(heights) == set(expected)
    assert heights == pytest.approx(expected, abs=HEIGHT_M, nan_ok=True)
    assert np.abs(fit.r[:edges] - reference.redundancy[:edges]).max() < REDUNDANCY
    assert np.abs(fit.v[:edges] - reference.residual[:edges]).max() < HEIGHT_M
    assert fit.chi2 == pytest.approx(reference.chi2, rel=1e-5, abs=1e-6)
    return net, fit, reference


@pytest.mark.parametrize(
    ("seed", "mix"), [pytest.param(s, mix, marks=() if s < QUICK else pytest.mark.slow) for s, mix in SMALL]
)
def test_a_job_of_up_to_300_observations(seed, mix, tmp_path):
    job, truth = made(seed, size(seed), mix)
    net, fit, reference = assert_as_the_reference(job, size(seed))
    assert_same(job, heightnet.read_job(write_job(job, tmp_path / "job")))
    marks = [m for m, c in reference.equations.column.items() if isinstance(c, int)][:20]
    columns = [
        int(net.nodes.column[np.flatnonzero((net.nodes.kind == "mark") & (net.nodes.name == m))[0]]) for m in marks
    ]
    assert np.sqrt(np.diag(reference.covariance(marks))) == pytest.approx(fit.sd_x[columns], rel=1e-6)
    C = build_family(net).C
    u, G = reference.reduced(C)
    ours_u, ours_G = fit.reduce(C)
    own = np.asarray(C.power(2).T @ (1 / net.sd**2))
    scale = np.sqrt(np.where(own > 0, own, 1.0))  # a held mark that nothing touches has an empty column
    assert np.abs((ours_G - G) / np.outer(scale, scale)).max() < 1e-8
    assert np.abs((ours_u - u) / scale).max() < 1e-6
    assert set(truth.blunders) <= set(blunders(net))


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "observations", "mix"), LARGE)
def test_a_large_job(seed, observations, mix, tmp_path):
    job, _ = made(seed, observations, mix)
    net, fit, reference = assert_as_the_reference(job, observations)
    assert_same(job, heightnet.read_job(write_job(job, tmp_path / "job")))
    C = build_family(net, groups=False, swaps=False).C
    at = np.random.default_rng(seed).permutation(C.shape[1])[:300]
    u, diagonal = reference.reduced_diagonal(C[:, at])
    ours_u, ours = fit.reduce_diagonal(C[:, at])
    own = np.asarray(C[:, at].power(2).T @ (1 / net.sd**2))
    assert np.abs((ours - diagonal) / own).max() < 1e-6
    assert np.abs(ours_u - u).max() < 1e-5 * np.sqrt(own.max())


def assert_judged_as_the_reference(job, within):
    """State, places and probabilities; two sums on either side of a level may be ``within`` of it."""
    bench = bench_for(build_network(job))
    ours, reference = Judgement(bench), Judgement(DenseBench(job, bench))
    assert ours.state == reference.state
    if not ours.said:
        return bench
    every = range(len(bench.family))
    found = np.array([ours.any_of([h]) for h in every])
    expected = np.array([reference.any_of([h]) for h in every])
    if isinstance(bench, LargeBench):  # of what the reference, searched whole, looked at
        expected /= 1 - reference.looks[0].posterior.unsearched
    assert np.abs(found - expected).max() <= within
    told = [{(f.place.hypotheses, f.level): f.probability for f in j.findings} for j in (ours, reference)]
    for place in told[0].keys() & told[1].keys():
        assert told[0][place] == pytest.approx(told[1][place], abs=within)
    for place in told[0].keys() ^ told[1].keys():
        probability = told[0].get(place, told[1].get(place))
        assert min(abs(probability - level) for level in (0.9, 0.5)) <= within
    return bench


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "mix"), SMALL)
def test_a_job_of_up_to_300_observations_is_judged_as_the_reference_judges_it(seed, mix):
    bench = assert_judged_as_the_reference(made(seed, size(seed), mix)[0], 0.02)
    assert not isinstance(bench, LargeBench)


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "observations", "mix"), LARGE[:-1])
def test_a_large_job_is_judged_as_the_reference_judges_it(seed, observations, mix):
    """By neighbourhoods: what hardly resembles what is wrong is left out of each; it moves probabilities a little."""
    assert_judged_as_the_reference(made(seed, observations, mix)[0], 0.07)


@pytest.mark.slow
def test_the_largest_has_its_blunders_where_they_are():
    """The dense reference of 5,000 staff readings takes minutes to judge; what was planted is known as well."""
    job, truth = made(*LARGE[-1])
    ours = Judgement(bench_for(build_network(job)))
    ids = [str(i) for i in ours.bench.family.ids]
    large = {id_ for id_, size_m in truth.blunders.items() if abs(size_m) > 0.1}
    assert len(large) == 2 and ours.state == "wrong"
    staff = ours.bench.family.of("staff")  # three slips in 5,000; those of a section share one
    assert ours.bench.rate[staff].max() < ours.bench.family.rate[staff].min() == 0.003
    places = [{ids[h] for h in f.place.hypotheses} for f in ours.findings if f.level == 0.9]
    assert len(places) == 2 and all(any(id_ in place for place in places) for id_ in large)


def test_marks_are_where_they_are():
    """Heights of pieces that hang on a known mark are those of the world within their sds, but for blunders."""
    off = []
    for seed in range(40):
        for mix in ("levels", "sights", "all"):
            job, truth = random_job(seed, 60, mix)
            if truth.blunders:
                continue
            net, fit, heights = adjusted(job)
            at = {str(n): i for i, n in enumerate(net.nodes.name) if net.nodes.kind[i] == "mark"}
            tied = [m for m, i in at.items() if net.nodes.piece[i] == 0 and net.nodes.column[i] >= 0]
            if tied:  # one of each job: marks of one job share their errors
                mark = tied[len(tied) // 2]
                off.append((heights[mark] - truth.heights[mark]) / fit.sd_x[net.nodes.column[at[mark]]])
    assert len(off) > 15
    assert 0.6 < np.sqrt(np.mean(np.square(off))) < 1.4
    assert np.abs(off).max() < 4


def test_the_same_seed_is_the_same_job():
    for mix in MIXES:
        one, truth = random_job(3, 120, mix)
        again, the_same = random_job(3, 120, mix)
        assert_same(one, again)
        assert truth == the_same
        other, _ = random_job(4, 120, mix)
        assert not one.marks.equals(other.marks)


def held_by(job, truth):
    """What makes a network awkward, and whether this job holds it."""
    net = build_network(job)
    setups, targets, tape, shots, staff = job.setups, job.targets, job.tape, job.shots, job.staff
    taped = set(tape["stand"][tape["stand_kind"] == "setup"])
    bare = setups[(setups["mark"] != "") & setups["height"].isna() & (setups["tripod"] == "")]
    return {
        "held": len(net.held) > 0,
        "several pieces": len(net.pieces) > 1,
        "no known mark": not job.marks["height"].notna().any(),
        "undetermined": len(net.undetermined) > 0,
        "no redundancy": len(net.y) == net.A.shape[1],
        "shared stand": bool(set(setups["tripod"]) & set(targets["tripod"]) - {""}),
        "free set-up": "" in set(setups["mark"]),
        "several readings": net.readings["node"].duplicated().any(),
        "slant": "slant" in set(tape["kind"]),
        "parts": "part" in set(tape["kind"]),
        "feet and inches": "ftin" in set(tape["scale"]),
        "no height": not set(bare["setup"]) <= taped,
        "repeated sights": shots.duplicated(["setup", "target"]).any(),
        "single faces": len(net.indexed) > 0,
        "sessions": len(net.sessions) > 1,
        "a mark of one reading": any(m.startswith("peg") for m in staff["mark"]),
        "numbered change points": (staff["name"] != staff["mark"]).any(),
        "awkward names": job.marks["mark"].isin(["NA", "007", "1E5"]).any(),
        "separations": len(net.separations) > 0,
        "three blunders": len(truth.blunders) == 3,
    }


def test_what_random_jobs_hold():
    """Every mix has its tables, and some of the jobs everything that makes a network awkward."""
    of_way = {"level": "levels", "book": "staff", "sight": "shots", "satellite": "gnss"}
    often = dict.fromkeys(held_by(*made(0, size(0), "all")), 0)
    for seed, mix in SMALL:
        job, truth = made(seed, size(seed), mix)
        tables = {t for t in of_way.values() if len(job.tables[t])}
        assert tables and tables <= {of_way[way] for way in MIXES[mix]}
        for what, there in held_by(job, truth).items():
            often[what] += bool(there)
    assert min(often.values()) >= 3, often


def test_the_reference_with_factors():
    """Factors on tapes and sights are the same as other stated sds; a freed hypothesis takes u^2 / G from chi2."""
    job, _ = made(2, size(2), "all")
    net = build_network(job)
    written = equations(job)
    scaled = written.solved(2.0, 0.7)
    tape, sight = net.kind == 1, np.isin(net.kind, (2, 3, 4, 5))
    fit = adjust(net.A, net.y, net.sd * np.where(tape, 2.0, np.where(sight, 0.7, 1.0)))
    assert scaled.chi2 == pytest.approx(fit.chi2, rel=1e-8)
    C = build_family(net).C
    u, G = scaled.reduced(C, np.arange(12))
    for h in range(12):
        if G[h, h] > 1e-3:
            wide = np.column_stack([written.A, C[:, [h]].toarray()[: len(written.y)]]) / scaled.sd[:, None]
            norm = np.linalg.norm(wide, axis=0)
            x, *_ = np.linalg.lstsq(wide / norm, scaled.residual / scaled.sd, rcond=None)
            left = scaled.residual / scaled.sd - wide / norm @ x
            assert scaled.chi2 - left @ left == pytest.approx(u[h] ** 2 / G[h, h], rel=1e-6, abs=1e-6)
            assert x[-1] / norm[-1] == pytest.approx(u[h] / G[h, h], rel=1e-6, abs=1e-9)
