"""The shapes on which the judgement is measured are what they say: size, redundancy, truth, seeds; and their errors."""

from functools import cache

import numpy as np
import pandas as pd
import pytest

from heightnet.adjust import adjust
from heightnet.kinds.registry import code_of
from heightnet.ledger.recorded import TABLES
from heightnet.network import build_network
from tests.noise import NOISES, Noise, blunders, errors, of_edges, recorded
from tests.shapes import BOOKS, SECTION, SHAPES, shape

STATED = {  # observations and redundancy; counted by hand: observations less marks, stands and lines of sight
    "small3": (19, 4), "small4": (18, 4), "small4x": (26, 8), "oneway12": (38, 1), "centred": (30, 10),
    "centred-tied": (37, 17), "pillars": (62, 34), "mixed": (55, 19), "onecontrol25": (152, 56), "twoprisms": (99, 51),
    "areal25": (210, 110), "areal60": (500, 260), "loops3": (25, 9), "loops6": (85, 36), "loops3-book": (157, 9),
    "satellites": (45, 22), "day": (81, 27), "day-slant": (81, 27), "site-hilly": (115, 62), "site-flat": (115, 62),
    "site-one-face": (116, 62),  # the index beside
    "site-lists2": (116, 63), "site-lists3": (118, 65),
    **{f"book{n}": (4 * n + 1, 1) for n in BOOKS},
    **{f"book{n}-ends": (4 * n + 2, 1) for n in BOOKS},
    **{f"book{n}-again": (4 * n + 1, n) for n in BOOKS},
    **{f"book{n}-marks": (4 * n + 1, -(-n // SECTION)) for n in BOOKS},
}  # fmt: skip
CHANGE = {"loops3-book": 0.2}  # of the observations from seed to seed; the others change by 3 in a hundred at most


@cache
def network(name, seed=0):
    return build_network(shape(name, seed).job)


def heights(net):
    found = net.nodes.height.copy()
    free = net.nodes.column >= 0
    found[free] += adjust(net.A, net.y, net.sd).x[net.nodes.column[free]]
    return dict(zip(net.nodes.name[net.nodes.kind == "mark"], found[net.nodes.kind == "mark"], strict=True))


def same(one, other):
    return all(one.job.tables[t].equals(other.job.tables[t]) for t in TABLES)


def test_every_shape_is_stated():
    assert set(STATED) == set(SHAPES)


@pytest.mark.slow
@pytest.mark.parametrize("name", SHAPES)
def test_a_shape_has_its_size_and_its_truth(name):
    for seed in (0, 1):
        net, made = network(name, seed), shape(name, seed)
        observations, redundancy = STATED[name]
        assert net.edge_count == pytest.approx(observations, rel=CHANGE.get(name, 0.03))
        assert len(net.y) - net.A.shape[1] == pytest.approx(redundancy, rel=0.08)
        found = heights(net)
        assert len(found) >= 2
        for mark, height in found.items():
            assert height == pytest.approx(made.heights[mark], abs=1e-5)


@pytest.mark.slow
@pytest.mark.parametrize("name", [n for n in SHAPES if not n.startswith("book") or n.startswith("book14")])
def test_a_seed_is_one_geometry_and_another_is_another(name):
    first = shape(name, 3)
    assert same(first, shape(name, 3))
    assert first.heights == shape(name, 3).heights
    assert not same(first, shape(name, 4))
    a, b = network(name, 3), network(name, 4)
    unlike = a.A.shape != b.A.shape or abs(a.A - b.A).max() > 0 or np.abs(a.sd - b.sd).max() > 0
    assert unlike or name.startswith("book")  # sights of a level have one sd, whatever their lie


def test_errors_have_the_size_that_their_noise_says():
    net = network("mixed")
    n, edges, shots = 4000, net.edge_count, net.rows("shot")
    of = {name: errors(net, noise, np.random.default_rng(1), n) / net.sd for name, noise in NOISES.items()}
    assert of["stated"].std() == pytest.approx(1.0, abs=0.01)
    inside = ~np.isin(net.kind, (code_of("known"), code_of("refraction")))
    assert of["x1.6"][:, inside].std() == pytest.approx(1.6, abs=0.02)
    assert of["x1.6"][:, ~inside].std() == pytest.approx(1.0, abs=0.02)
    assert of["t4"][:, :edges].std() == pytest.approx(1.0, abs=0.02)
    # beyond 4 sds: 2 (1 - F(4 sqrt 2)) of Student's t, 4 degrees of freedom: .0048 (scipy.stats.t.sf); normal .00006
    assert np.mean(np.abs(of["t4"][:, :edges]) > 4) == pytest.approx(0.0048, abs=0.001)
    expected = np.hypot(net.sd[shots], 0.07 * net.sights.bow) / net.sd[shots]
    assert of["refraction"][:, shots].std(axis=0) == pytest.approx(expected, rel=0.06)
    assert (expected > 1.0).all()
    far = errors(net, Noise(refraction=5.0), np.random.default_rng(1), n)[:, shots]
    assert far.std(axis=0) == pytest.approx(np.hypot(net.sd[shots], 5.0 * net.sights.bow), rel=0.06)
    one = errors(net, NOISES["t4"], np.random.default_rng(7))
    assert one.shape == (len(net.y),)
    assert np.array_equal(one, errors(net, NOISES["t4"], np.random.default_rng(7)))


@pytest.mark.parametrize(
    "name", ["small4", "centred-tied", "pillars", "areal25", "book14-marks", "loops3", "satellites"]
)
def test_errors_go_into_the_tables(name):
    net = network(name)
    e = errors(net, NOISES["stated"], np.random.default_rng(2))
    again = build_network(recorded(net, e))
    edges = net.edge_count
    assert np.abs(again.rise[:edges] - net.rise[:edges] - of_edges(net, e)[:edges]).max() < 6e-6  # as read off a tape
    # what a table cannot hold, an error of what is known beforehand, is held by the sights it bends: one adjustment
    inside, outside = adjust(net.A, net.y + e, net.sd), adjust(again.A, again.y, again.sd)
    assert outside.chi2 == pytest.approx(inside.chi2, rel=0.02)
    assert inside.chi2 > 0.2 * inside.dof


def test_blunders_by_their_ids():
    of = blunders(network("areal25"))
    assert len(of["setup:S1"]) == 2
    assert len(of["setup:S0"]) == 1
    kinds = {id_.partition(":")[0] for id_ in of}
    assert kinds == {"setup", "target", "reading", "known", "shot"}
    assert len(blunders(network("pillars"))["tripod:pillar 0"]) == 1
    from tests.simulate.jobs import blunder

    net = network("areal25")
    for id_ in ("setup:S1", "target:P3a", "known:M0", "shot:shots.csv:9"):
        e = np.zeros(len(net.y))
        e[of[id_]] = 0.05
        changed = build_network(blunder(net.job, id_, 0.05)).rise - net.rise
        assert changed == pytest.approx(e, abs=1e-5)


def test_a_shape_that_is_not_there():
    with pytest.raises(KeyError):
        shape("nonesuch")


def test_tables_hold_no_gaps_in_text():
    for name in ("pillars", "satellites", "mixed"):
        job = shape(name).job
        for table in TABLES:
            frame = job.tables[table]
            texts = frame.select_dtypes("object")
            assert not pd.isna(texts).to_numpy().any()
