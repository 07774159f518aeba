"""A mixed job with antennas against plain numpy, the equations written down anew in another form.

The product has an unknown for each separation's error and rows of knowledge about it.  Here these errors are put where
a textbook puts them, into a full covariance matrix of the observations: Q = D + B S B', S the covariance of the
separations along the shortest tree (networkx), plus offset and tilts.  Generalised least squares then has heights and
refraction alone for unknowns, and must find the same.
"""

from itertools import pairwise

import networkx as nx
import numpy as np
import pandas as pd
import pytest

import heightnet
from heightnet.adjust import adjust
from heightnet.judge.bench import Bench
from heightnet.judge.judgement import Judgement
from heightnet.network import build_network
from tests.simulate.antennas import RISE_SD_M
from tests.simulate.jobs import simulate

R, K = 6_371_000.0, 0.13
TILT_KM = 0.004


@pytest.fixture(scope="module", params=[0, 3])
def job(request):
    settings = simulate("G1", 0)[0].settings
    if request.param:
        settings = settings.with_values(**{"separation.tilt_sd_mm_km": 1000 * TILT_KM, "separation.mm_sqrt_km": 9.0})
    made = simulate("G1", 5, {"setup:G16": 0.004}, settings=settings)[0]
    sd = made.marks["separation_sd"].where(made.marks.index % 3 != 1, 0.035)
    sd = sd.where(made.marks.index != 4, 0.0)  # one separation exact
    return heightnet.job.model.Job.from_frames(
        made.name, made.settings, marks=made.marks.assign(separation_sd=sd),
        **{t: getattr(made, t) for t in ("setups", "targets", "shots", "levels", "gnss", "tape", "equipment")},
    )  # fmt: skip


def separation_covariance(job, marks):
    """Of the separations of these marks: exponential along the shortest tree of those that are not exact."""
    table, setting = job.marks.set_index("mark"), job.settings.separation
    sd = table.loc[marks, "separation_sd"].to_numpy(float)
    at = table.loc[marks, ["east", "north"]].to_numpy(float)
    free = [i for i in range(len(marks)) if sd[i] > 0]
    graph = nx.Graph()
    for a, i in enumerate(free):
        for j in free[a + 1 :]:
            graph.add_edge(i, j, weight=np.hypot(*(at[i] - at[j])))
    tree = nx.minimum_spanning_tree(graph)
    S = np.zeros((len(marks), len(marks)))
    for i in free:
        for j in free:
            path = nx.shortest_path(tree, i, j)
            rho = 1.0
            for a, b in pairwise(path):
                km = np.hypot(*(at[a] - at[b])) / 1000
                rho *= np.exp(-((setting.mm_sqrt_km / 1000) ** 2) * km / (2 * sd[a] * sd[b]))
            S[i, j] = rho * sd[i] * sd[j]
    middle = at.mean(axis=0)
    arms = np.column_stack([np.ones(len(marks)), (at - middle) / 1000])
    priors = np.array([setting.offset_sd_mm, setting.tilt_sd_mm_km, setting.tilt_sd_mm_km]) / 1000
    return S + arms @ np.diag(priors**2) @ arms.T


def dense_system(job):
    """Matrix, right-hand side and covariance straight from the job's tables; names of the unknowns and of the rows."""
    marks, stands = list(job.marks["mark"]), [*job.setups["setup"], *job.targets["target"]]
    names = [*marks, *stands, "k"]
    at = {n: i for i, n in enumerate(names)}
    over = {**dict(zip(job.setups["setup"], job.setups["mark"], strict=True)),
            **dict(zip(job.targets["target"], job.targets["mark"], strict=True))}  # fmt: skip
    N = dict(zip(job.marks["mark"], job.marks["separation"], strict=True))
    antenna_marks = sorted({over[s] for s in (*job.gnss["from_setup"], *job.gnss["to_setup"]) if s})
    geoid = {m: i for i, m in enumerate(antenna_marks)}
    rows, rhs, sds, B, labels = [], [], [], [], []
    precision = job.settings.precision

    def add(label, entries, value, sd, separations=()):
        row, b = np.zeros(len(names)), np.zeros(len(geoid))
        for name, coefficient in entries:
            row[at[name]] += coefficient
        for mark, coefficient in separations:
            b[geoid[mark]] += coefficient
        rows.append(row)
        rhs.append(value)
        sds.append(sd)
        B.append(b)
        labels.append(label)

    for m in job.marks.itertuples():
        if not np.isnan(m.height):
            add(f"known:{m.mark}", [(m.mark, 1)], m.height, precision.known_mm / 1000)
    for t in job.tape.itertuples():
        add(f"reading:tape.csv:{t.row}", [(t.stand, 1), (over[t.stand], -1)], t.reading, precision.tape_mm / 1000)
    for s in job.shots.itertuples():
        far = s.slope_distance * np.sin(s.zenith_angle)
        bow = far**2 / (2 * R)
        sd_s = np.hypot(precision.distance_mm / 1000, precision.distance_ppm * 1e-6 * s.slope_distance)
        sd = np.hypot(np.cos(s.zenith_angle) * sd_s, far * np.radians(precision.zenith_sec / 3600))
        value = s.slope_distance * np.cos(s.zenith_angle) + bow
        add(f"shot:shots.csv:{s.row}", [(s.target, 1), (s.setup, -1), ("k", bow)], value, sd)
    for d in job.levels.itertuples():
        sd = precision.level_mm_sqrt_km / 1000 * np.sqrt(d.length / 1000)
        add(f"level:levels.csv:{d.row}", [(d.to_mark, 1), (d.from_mark, -1)], d.rise, sd)
    for g in job.gnss.itertuples():
        # Z_to - Z_from = rise - (N_to - N_from); an error of N enters the right-hand side with the same sign as N
        to = over[g.to_setup]
        if g.from_setup:
            start = over[g.from_setup]
            entries, value, sd = [(g.to_setup, 1), (g.from_setup, -1)], g.rise - (N[to] - N[start]), RISE_SD_M
            add(f"gnss:gnss.csv:{g.row}", entries, value, sd, [(to, -1), (start, 1)])
        else:
            sd = precision.gnss_mm / 1000
            add(f"gnss:gnss.csv:{g.row}", [(g.to_setup, 1)], g.height - N[to], sd, [(to, -1)])
    add("k", [("k", 1)], K, job.settings.air.refraction_sd)
    spread = np.array(B)
    Q = np.diag(np.square(sds)) + spread @ separation_covariance(job, antenna_marks) @ spread.T
    return np.array(rows), np.array(rhs), Q, names, labels


def adjusted(job):
    A, y, Q, names, labels = dense_system(job)
    P = np.linalg.inv(Q)
    covariance = np.linalg.inv(A.T @ P @ A)
    x = covariance @ (A.T @ P @ y)
    return A, y, Q, P, x, covariance, names, labels


def test_heights_and_their_sds(job):
    A, y, _, P, x, covariance, names, _ = adjusted(job)
    result = heightnet.check(job)
    marks = result.marks.set_index("mark")
    net = build_network(job)
    sd_x = dict(zip(net.nodes.name[net.nodes.column >= 0], adjust(net.A, net.y, net.sd).sd_x, strict=False))
    for i, name in enumerate(job.marks["mark"]):
        assert names[i] == name
        assert marks["height_m"][name] == pytest.approx(x[i], abs=1e-7)
        assert sd_x[name] == pytest.approx(np.sqrt(covariance[i, i]), rel=1e-5)
        # what is told carries what the measurements leave open about the scatter
        assert 0.8 < marks["sd_mm"][name] / (1000 * np.sqrt(covariance[i, i])) < 1.3
    v = y - A @ x
    assert result.facts["fit"]["chi2"] == pytest.approx(float(v @ P @ v), rel=1e-5)
    assert result.facts["fit"]["redundancy"] == len(y) - len(x)


def test_every_w_and_every_smallest_error(job):
    """w = c'P v / sqrt(c'P Qv P c) of every observation, stand and separation, Qv = Q - A N^-1 A'."""
    A, y, Q, P, x, covariance, _, labels = adjusted(job)
    v, Qv = y - A @ x, Q - A @ covariance @ A.T
    bench = Bench(build_network(job))
    verdicts = Judgement(bench)
    row = {label: i for i, label in enumerate(labels)}
    net, checked = bench.net, 0
    tape = dict(zip(net.readings["rows"].map(lambda r: f"reading:tape.csv:{r[0]}"), net.readings["stand"], strict=True))
    for h, id_ in enumerate(bench.family.ids):
        kind, _, name = str(id_).partition(":")
        c = np.zeros(len(labels))
        if id_ in row:
            c[row[id_]] = 1
        elif kind in ("setup", "target"):
            c[[row[r] for r, stand in tape.items() if stand == name]] = 1
        elif kind == "separation":  # recorded too high by 1: every row to the mark too low by 1, from it too high
            over = dict(zip(job.setups["setup"], job.setups["mark"], strict=True))
            for g in job.gnss.itertuples():
                at = row[f"gnss:gnss.csv:{g.row}"]
                c[at] += (over.get(g.from_setup) == name) - float(over[g.to_setup] == name)
        else:
            continue
        n = c @ P @ Qv @ P @ c
        if bench.classes.label[h] < 0:
            assert n < 1e-4 * (c @ P @ c)
            continue
        assert verdicts.w[h] == pytest.approx(c @ P @ v / np.sqrt(n), abs=1e-5), id_
        assert 1 / np.sqrt(bench.diagonal[h]) == pytest.approx(1 / np.sqrt(n), rel=1e-5), id_
        checked += 1
    assert checked > 90


def test_a_closed_example_by_hand():
    """One antenna over a known mark with a height by a service: tape, height and separation close one loop."""
    marks = pd.DataFrame(
        {"mark": ["A"], "height": [100.0], "sd": [0.0], "separation": [45.0], "separation_sd": [0.012]}
    )
    job = heightnet.job.model.Job.from_frames(
        "by hand",
        marks=marks,
        setups=pd.DataFrame({"setup": ["G"], "mark": ["A"], "height": [1.5], "sd": [0.001]}),
        gnss=pd.DataFrame({"to_setup": ["G"], "height": [146.526], "sd": [0.009]}),
    )
    # misclosure 146.526 - 45 - 100 - 1.5 = 0.026 m; its variance 9^2 + 12^2 + 1^2 = 226 mm^2
    result = heightnet.check(job)
    setup, gnss = result.setups.iloc[0], result.gnss.iloc[0]
    assert setup["error_mm"] == pytest.approx(-26.0, abs=1e-6)
    assert setup["w"] == pytest.approx(-26 / np.sqrt(226), rel=1e-9)
    assert np.sqrt(226) < setup["error_sd_mm"] < 1.2 * np.sqrt(226)  # one loop says little of the scatter
    assert gnss["w"] == pytest.approx(26 / np.sqrt(226), rel=1e-9)
    assert gnss["residual_mm"] == pytest.approx(26 * 81 / 226, rel=1e-9)
    assert result.separations.iloc[0]["residual_mm"] == pytest.approx(-26 * 144 / 226, rel=1e-9)
    assert {"separation:A", "gnss:gnss.csv:2"} <= set(setup["same_as"])
    assert build_network(job).rows("gnss").stop == 2
