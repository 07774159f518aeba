"""The adjustment of a mixed job against general-purpose libraries, the equations written down anew."""

import numpy as np
import pytest
import statsmodels.api as sm

import heightnet
from heightnet.adjust import adjust
from heightnet.judge.bench import Bench
from heightnet.judge.judgement import Judgement
from heightnet.network import build_network
from tests.networks import Field, K, R


@pytest.fixture(scope="module")
def job():
    heights = {"A": 1012.3, "B": 1015.1, "C": 1013.7, "D": 1014.4}
    party = Field(heights, seed=4)
    party.known("A")
    party.known("B", sd=0.002)
    for name, mark, height in (("S1", "A", 1.52), ("S2", "C", 1.61), ("S3", "D", 1.47)):
        party.setup(name, mark, height)
    for name, mark, height in (
        ("T1", "C", 1.7),
        ("T2", "B", 1.6),
        ("T3", "A", 1.5),
        ("T4", "D", 1.65),
        ("T5", "C", 1.44),
    ):
        party.target(name, mark, height)
    for setup, target, d in (("S1", "T1", 210), ("S1", "T2", 330), ("S2", "T3", 215), ("S2", "T4", 150),
                             ("S3", "T2", 260), ("S3", "T5", 151), ("S2", "T2", 180)):  # fmt: skip
        party.shot(setup, target, float(d))
    party.level("C", "D", sd=0.0008)
    for level_setup, line, mark, sight in (("L1", 1016.2, "D", "BS"), ("L1", 1016.2, "B", "FS")):
        party.read(level_setup, line, mark, sight)
    return party.job()


def dense_system(job):
    """Rows of the contract's model straight from the job's tables: matrix, right-hand side, sds, names of unknowns."""
    marks = ["A", "B", "C", "D"]
    stands = [*job.setups["setup"], *job.targets["target"], *dict.fromkeys(job.staff["level_setup"])]
    names = [*marks, *stands, "k"]
    at = {n: i for i, n in enumerate(names)}
    rows, rhs, sds = [], [], []

    def add(entries, value, sd):
        row = np.zeros(len(names))
        for name, coefficient in entries:
            row[at[name]] += coefficient
        rows.append(row)
        rhs.append(value)
        sds.append(sd)

    for m in job.marks.itertuples():
        add([(m.mark, 1)], m.height, m.sd)
    for table, column in ((job.setups, "setup"), (job.targets, "target")):
        for s in table.itertuples():
            add([(getattr(s, column), 1), (s.mark, -1)], s.height, s.sd)
    for s in job.shots.itertuples():
        far = s.slope_distance * np.sin(s.zenith_angle)
        bow = far**2 / (2 * R)
        sd = np.hypot(np.cos(s.zenith_angle) * s.sd_distance, far * s.sd_zenith)
        # Z_target - Z_setup = s cos z + (1 - k) bow, with k an unknown
        add([(s.target, 1), (s.setup, -1), ("k", bow)], s.slope_distance * np.cos(s.zenith_angle) + bow, sd)
    for level in job.levels.itertuples():
        add([(level.to_mark, 1), (level.from_mark, -1)], level.rise, level.sd)
    for s in job.staff.itertuples():
        add([(s.level_setup, 1), (s.mark, -1)], s.reading, s.sd)
    add([("k", 1)], K, job.settings.air.refraction_sd)
    return np.array(rows), np.array(rhs), np.array(sds), names


def test_against_numpy_lstsq(job):
    A, y, sd, names = dense_system(job)
    x, *_ = np.linalg.lstsq(A / sd[:, None], y / sd, rcond=None)
    covariance = np.linalg.inv((A / sd[:, None]).T @ (A / sd[:, None]))
    result = heightnet.check(job)
    marks = result.marks.set_index("mark")
    net = build_network(job)
    sd_x = dict(zip(net.nodes.name[net.nodes.column >= 0], adjust(net.A, net.y, net.sd).sd_x, strict=False))
    for name in "ABCD":
        i = names.index(name)
        assert marks["height_m"][name] == pytest.approx(x[i], abs=1e-8)
        assert sd_x[name] == pytest.approx(np.sqrt(covariance[i, i]), rel=1e-7)
        # what is told carries what so few measurements leave open about the scatter
        assert 0.8 < marks["sd_mm"][name] / (1000 * np.sqrt(covariance[i, i])) < 1.3
    residual = y - A @ x
    shots = slice(2 + 3 + 5, 2 + 3 + 5 + 7)
    assert result.shots["residual_mm"].tolist() == pytest.approx((1000 * residual[shots]).tolist(), abs=1e-5)
    assert result.facts["fit"]["chi2"] == pytest.approx(float(np.sum((residual / sd) ** 2)), rel=1e-7)
    assert result.facts["fit"]["redundancy"] == len(y) - len(x)


def test_w_against_statsmodels(job):
    """Studentised residuals, sigma known, of whitened observations (a WLS fit's influence is not what it seems)."""
    A, y, sd, _ = dense_system(job)
    fit = sm.OLS(y / sd, A / sd[:, None]).fit()
    influence = fit.get_influence()
    expected = fit.resid / np.sqrt(1 - influence.hat_matrix_diag)
    result = heightnet.check(job)
    tested = result.shots["redundancy"] > 1e-6
    assert result.facts["suspects"] == []
    ours = result.shots["w"][tested].to_numpy(float)
    theirs = expected[10:17][tested.to_numpy()]
    assert np.max(np.abs(ours - theirs)) < 1e-6  # heights of 1000 m cost the dense reference some of its digits
    wls = sm.WLS(y, A, weights=1 / sd**2).fit()
    assert wls.params[:4].tolist() == pytest.approx(result.marks["height_m"].tolist(), abs=1e-7)


def test_w_to_eight_digits_about_approximate_heights(job):
    """The same in the network's own corrections, where no digits are lost."""
    net = build_network(job)
    A, sd = net.A.toarray(), net.sd
    influence = sm.OLS(net.y / sd, A / sd[:, None]).fit().get_influence()
    keep = influence.hat_matrix_diag < 1 - 1e-6
    expected = influence.resid[keep] / np.sqrt(1 - influence.hat_matrix_diag[keep])
    bench = Bench(net)
    verdicts = Judgement(bench)
    single = bench.family.observation >= 0
    ours = np.full(len(sd), np.nan)
    ours[bench.family.observation[single]] = verdicts.w[single]
    of_family = np.flatnonzero(keep & ~np.isnan(ours))
    assert len(of_family) > 15
    position = np.searchsorted(np.flatnonzero(keep), of_family)
    assert np.max(np.abs(ours[of_family] / expected[position] - 1)) < 1e-8


def test_a_bias_column_lowers_chi2_by_w_squared(job):
    net = build_network(job)
    bench = Bench(net)
    verdicts = Judgement(bench)
    A, before = net.A.toarray(), adjust(net.A, net.y, net.sd).chi2
    tested = np.flatnonzero(bench.classes.label >= 0)
    assert len(tested) > 20
    for h in tested:
        column = bench.family.C[:, [h]].toarray()
        wide = np.hstack([A, column]) / net.sd[:, None]
        x, *_ = np.linalg.lstsq(wide, net.y / net.sd, rcond=None)
        after = float(np.sum((net.y / net.sd - wide @ x) ** 2))
        assert before - after == pytest.approx(verdicts.w[h] ** 2, rel=1e-9, abs=1e-9)
        assert x[-1] == pytest.approx(verdicts.error[h], rel=1e-6, abs=1e-9)
