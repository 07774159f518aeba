"""Errors of separations: what the rows of knowledge say together, and the tree they are laid along."""

import networkx as nx
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from heightnet import HeightnetError
from heightnet.job.model import Job
from heightnet.ledger.settings import Settings
from heightnet.network import build_network
from heightnet.network.separation import CLOSEST_M, _tree, separations_of


def job_of(east, north, sd_mm=None, **setting):
    """One antenna over each mark, with heights by a positioning service."""
    names = [f"M{i}" for i in range(len(east))]
    sd = np.full(len(names), np.nan) if sd_mm is None else np.asarray(sd_mm) / 1000
    return Job.from_frames(
        "separations",
        Settings().with_values(**{f"separation.{k}": v for k, v in setting.items()}),
        marks=pd.DataFrame(
            {"mark": names, "east": east, "north": north, "separation": 45.0, "separation_sd": sd, "height": 100.0}
        ),
        setups=pd.DataFrame({"setup": [f"G{i}" for i in range(len(names))], "mark": names, "height": 1.5}),
        gnss=pd.DataFrame({"to_setup": [f"G{i}" for i in range(len(names))], "height": 146.5}),
    )


def covariance(known):
    """Of the errors of the marks, in the order of ``known.mark``, from the rows of knowledge."""
    R, sd = known.knowledge()
    inverse = np.linalg.inv(R.toarray())
    unknowns = inverse @ np.diag(sd**2) @ inverse.T
    count = len(known.unknown)
    out = np.zeros((len(known.mark), len(known.mark)))
    out[np.ix_(known.unknown, known.unknown)] = unknowns[:count, :count]
    return out


places = st.lists(st.tuples(st.integers(0, 4000), st.integers(0, 4000)), min_size=1, max_size=12)


@settings(max_examples=60, deadline=None)
@given(places, st.data())
def test_every_mark_has_its_own_sd_and_neighbours_the_correlation_of_the_page(where, data):
    east, north = np.array(where, dtype=float).T
    sd_mm = np.array(data.draw(st.lists(st.sampled_from([5.0, 20.0, 60.0]), min_size=len(east), max_size=len(east))))
    known = separations_of(job_of(east, north, sd_mm, mm_sqrt_km=5.0))
    C = covariance(known)
    assert np.sqrt(np.diag(C)) == pytest.approx(known.sd, rel=1e-9)
    at = {f"M{i}": i for i in range(len(east))}
    for child, parent in enumerate(known.before):
        if parent < 0:
            continue
        i, j = known.unknown[child], known.unknown[parent]
        a, b = at[known.mark[i]], at[known.mark[j]]
        km = max(np.hypot(east[a] - east[b], north[a] - north[b]), CLOSEST_M) / 1000
        rho = np.exp(-(0.005**2) * km / (2 * known.sd[i] * known.sd[j]))
        assert C[i, j] == pytest.approx(rho * known.sd[i] * known.sd[j], rel=1e-6)


def test_near_each_other_the_difference_grows_with_the_root_of_the_distance():
    known = separations_of(job_of([0.0, 250.0], [0.0, 0.0], mm_sqrt_km=4.0, sd_mm=[50.0, 50.0]))
    C = covariance(known)
    assert 1000 * np.sqrt(C[0, 0] + C[1, 1] - 2 * C[0, 1]) == pytest.approx(4.0 * np.sqrt(0.25), rel=0.001)


def test_far_from_each_other_they_have_nothing_in_common():
    known = separations_of(job_of([0.0, 500_000.0], [0.0, 0.0], sd_mm=[20.0, 20.0], mm_sqrt_km=5.0))
    assert abs(covariance(known)[0, 1]) < 1e-3 * 0.020**2


def test_many_marks_do_not_make_their_common_error_small():
    """Had each been observed with its own sd beside the differences, the mean of 40 would be known to 20 / sqrt 40."""
    east = np.arange(40) * 50.0
    C = covariance(separations_of(job_of(east, np.zeros(40), np.full(40, 20.0), mm_sqrt_km=5.0)))
    assert 1000 * np.sqrt(C.mean()) > 19.0


@pytest.mark.parametrize("count", [30, 700])
def test_the_tree_is_the_shortest_one(count):
    rng = np.random.default_rng(count)
    east, north = rng.uniform(0, 3000, (2, count))
    known = separations_of(job_of(east, north))
    at = np.array([int(str(m)[1:]) for m in known.mark])[known.unknown]
    has = known.before >= 0
    ours = np.hypot(east[at[has]] - east[at[known.before[has]]], north[at[has]] - north[at[known.before[has]]]).sum()
    graph = nx.Graph()
    near = 12 if count > 100 else count
    for i in range(count):
        d = np.hypot(east - east[i], north - north[i])
        graph.add_weighted_edges_from((i, int(j), d[j]) for j in np.argsort(d)[1:near])
    assert nx.is_connected(graph)
    assert ours == pytest.approx(nx.minimum_spanning_tree(graph).size(weight="weight"), rel=1e-9)


@pytest.mark.parametrize("count", [3, 600])
def test_marks_on_one_line_and_in_one_place(count):
    east = np.repeat(np.arange(count // 2 + 1) * 10.0, 2)[:count]
    known = separations_of(job_of(east, np.zeros(count)))
    assert (known.before >= 0).sum() == count - 1
    assert (known.before < np.arange(count)).all()
    assert (known.rho < 1).all()


def test_the_order_of_the_rows_changes_nothing():
    east, north = np.meshgrid(np.arange(5) * 100.0, np.arange(4) * 100.0)  # ties everywhere
    job = job_of(east.ravel(), north.ravel())
    known = separations_of(job)
    shuffled = {t: job.tables[t].sample(frac=1, random_state=2) for t in ("marks", "setups", "gnss")}
    again = separations_of(Job.from_frames("again", job.settings, **shuffled))
    assert (known.mark == again.mark).all() and (known.before == again.before).all()
    assert (known.unknown == again.unknown).all() and (known.rho == again.rho).all()


def test_what_has_no_place_hangs_together_with_nothing_and_what_is_exact_is_no_unknown():
    known = separations_of(job_of([0.0, 100.0, np.nan, 200.0], [0.0, 0.0, 0.0, 0.0], [20.0, 20.0, 20.0, 0.0]))
    assert len(known.unknown) == 3
    lone = [i for i, u in enumerate(known.unknown) if known.mark[u] == "M2"]
    assert known.before[lone[0]] == -1 and known.rho[lone[0]] == 0


def test_offset_and_tilts_are_unknowns_with_their_priors():
    job = job_of([0.0, 1000.0], [0.0, 500.0], offset_sd_mm=80.0, tilt_sd_mm_km=3.0)
    net = build_network(job)
    known = net.separations
    assert known.linear == ("offset", "tilt east", "tilt north")
    own = net.rows("separations")
    assert net.sd[own][-3:].tolist() == pytest.approx([0.080, 0.003, 0.003])
    heights = net.A[net.rows("gnss"), net.A.shape[1] - 3 :].toarray()
    order = [list(known.mark).index(m) for m in ("M0", "M1")]
    assert heights.tolist() == [[1.0, known.east[k], known.north[k]] for k in order]
    assert known.east[order].tolist() == pytest.approx([-0.5, 0.5])


def test_knowledge_stands_one_row_a_nuisance_in_the_order_of_the_columns():
    net = build_network(job_of([0.0, 300.0, 500.0], [0.0, 100.0, 0.0], offset_sd_mm=50.0))
    own = net.A[net.edge_count :, net.heights :].toarray()
    assert own.shape[0] == own.shape[1]
    assert np.allclose(np.diag(own), 1) and np.allclose(np.triu(own, 1), 0)


def test_a_job_made_by_hand_without_a_separation_is_refused_in_words():
    job = job_of([0.0, 1.0], [0.0, 0.0])
    broken = Job.from_frames("broken", marks=job.marks.drop(columns="separation"), setups=job.setups, gnss=job.gnss)
    with pytest.raises(HeightnetError, match="no separation for M0, M1"):
        build_network(broken)


def test_on_a_grid_no_last_digit_chooses_the_tree():
    """Every step is equally long, so that last digits of the coordinates could choose among many shortest trees."""
    east, north = (part.ravel() * 100.1 for part in np.meshgrid(np.arange(30.0), np.arange(20.0)))
    order, before, _ = _tree(east, north)
    rng = np.random.default_rng(3)
    for _ in range(3):
        nudged = _tree(east + rng.normal(0, 1e-9, len(east)), north + rng.normal(0, 1e-9, len(east)))
        np.testing.assert_array_equal(nudged[0], order)
        np.testing.assert_array_equal(nudged[1], before)
