"""The sparse core against scipy's dense QR: redundancy numbers to 1e-11, on networks hypothesis makes up."""

import numpy as np
import pytest
import scipy.sparse as sp
from adjust_networks import by_qr, difference_network
from hypothesis import given, settings
from hypothesis import strategies as st

from heightnet.adjust import SelfCheckFailed, adjust, graph
from heightnet.adjust import fit as fit_module
from heightnet.adjust import sparse as sparse_module

RATIOS = (1.0, 30.0, 1000.0)


@pytest.fixture(autouse=True)
def sparse_only(monkeypatch):
    monkeypatch.setattr(fit_module, "DENSE_UP_TO", -1)


def compare(A, y, sd, r=1e-11):
    fit = adjust(A, y, sd)
    expected = by_qr(A, y, sd)
    np.testing.assert_allclose(fit.r, expected["r"], rtol=0, atol=r)
    np.testing.assert_allclose(fit.sd_x, expected["sd_x"], rtol=1e-10)
    np.testing.assert_allclose((fit.x - expected["x"]) / expected["sd_x"], 0.0, atol=1e-9)
    assert fit.log_det == pytest.approx(expected["log_det"], rel=1e-11)
    assert fit.r.sum() == pytest.approx(fit.dof, abs=1e-10 * len(y))
    return fit, expected


def spread(rng, count, ratio, two_sorts):
    """Standard deviations from 1 mm to ``ratio`` mm: of two sorts, or of all sizes."""
    power = rng.integers(0, 2, count) if two_sorts else rng.uniform(0, 1, count)
    return 1e-3 * ratio**power


@st.composite
def networks(draw):
    nodes = draw(st.integers(2, 80))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    reach = draw(st.sampled_from([1, 4, nodes]))  # a single long line, a band, anything
    later = np.arange(1, nodes)
    i = np.concatenate([later - rng.integers(1, np.minimum(later, reach) + 1), rng.integers(0, nodes, nodes // 2)])
    j = np.concatenate([later, rng.integers(0, nodes, nodes // 2)])
    if draw(st.booleans()):  # parallel observations
        i, j = np.concatenate([i, i[::2]]), np.concatenate([j, j[::2]])
    pieces = draw(st.integers(1, 4))
    keep = (i != j) & (i * pieces // nodes == j * pieces // nodes)
    i, j = i[keep], j[keep]
    sd = spread(rng, len(i), draw(st.sampled_from(RATIOS)), draw(st.booleans()))
    return difference_network(rng, i, j, nodes, sd, draw(st.integers(0, 3)), draw(st.integers(0, 6)))


@settings(max_examples=150, deadline=None)
@given(networks())
def test_made_up_networks(network):
    compare(*network)


@settings(max_examples=60, deadline=None)
@given(networks(), st.sampled_from([0.5, 2.0]))
def test_with_nuisances_in_the_border(network, share):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sparse_module, "BORDER_SHARE", share)
        compare(*network)


@settings(max_examples=60, deadline=None)
@given(networks())
def test_with_a_sparse_core(network):
    with pytest.MonkeyPatch.context() as patch:  # splu and the selected inverse even where little is left
        patch.setattr(sparse_module, "DENSE_CORE", 0)
        compare(*network)


@pytest.mark.parametrize("ratio", RATIOS)
@pytest.mark.parametrize("kind", ["line", "lattice", "cloud"])
def test_two_thousand_observations(kind, ratio):
    rng = np.random.default_rng(11)
    if kind == "line":
        i = np.repeat(np.arange(900), 2)
        j = i + 1
        nodes = 901
    elif kind == "lattice":
        number = np.arange(900).reshape(30, 30)
        i = np.concatenate([number[:, :-1].ravel(), number[:-1].ravel()])
        j = np.concatenate([number[:, 1:].ravel(), number[1:].ravel()])
        nodes = 900
    else:
        nodes = 800
        later = np.arange(1, nodes)
        i = np.concatenate([rng.integers(0, later), rng.integers(0, nodes, 1100)])
        j = np.concatenate([later, (i[nodes - 1 :] + rng.integers(1, nodes, 1100)) % nodes])
    sd = spread(rng, len(i), ratio, two_sorts=kind != "cloud")
    A, y, sd = difference_network(rng, i, j, nodes, sd, wide=2, local=5)
    fit, expected = compare(A, y, sd)
    C = sp.csc_array(rng.random((len(y), 90)) * (rng.random((len(y), 90)) < 3 / len(y)))
    whitened = C.toarray() / sd[:, None]
    rest = whitened - expected["Q"] @ (expected["Q"].T @ whitened)
    G = rest.T @ rest
    u, ours = fit.reduce(C)
    size = np.sum(whitened**2, axis=0)
    scale = np.sqrt(np.outer(size, size)) + 1e-300
    np.testing.assert_allclose((ours - G) / scale, 0.0, atol=1e-10)
    np.testing.assert_allclose(u, whitened.T @ ((y - A @ expected["x"]) / sd), atol=1e-10 * np.abs(u).max())
    np.testing.assert_allclose(fit.reduce_diagonal(C)[1] / (size + 1e-300), np.diag(ours) / (size + 1e-300), atol=1e-10)


def test_single_observations_need_no_solution(monkeypatch):
    rng = np.random.default_rng(4)
    i = rng.integers(0, 300, 900)
    j = (i + rng.integers(1, 300, 900)) % 300
    A, y, sd = difference_network(rng, i, j, 300, spread(rng, 900, 30.0, False), wide=1)
    fit = adjust(A, y, sd)
    monkeypatch.setattr(fit._factor, "_solve", None)
    u, diagonal = fit.reduce_diagonal(sp.eye_array(len(y), format="csc"))
    np.testing.assert_allclose(diagonal, fit.r / sd**2, rtol=1e-6, atol=1e-9 * np.max(1 / sd**2))
    np.testing.assert_allclose(u, fit.v / sd**2)


@settings(max_examples=60, deadline=None)
@given(st.integers(3, 40), st.integers(0, 2**32 - 1))
def test_redundancy_vanishes_on_bridges_alone(nodes, seed):
    """An observation has no redundancy exactly if it is a bridge between the parts it joins."""
    rng = np.random.default_rng(seed)
    later = np.arange(1, nodes)
    i = np.concatenate([rng.integers(0, later), rng.integers(0, nodes, nodes // 3)])
    j = np.concatenate([later, rng.integers(0, nodes, nodes // 3)])
    i, j = i[i != j], j[i != j]
    A, y, sd = difference_network(rng, i, j, nodes, spread(rng, len(i), 10.0, False))
    r = adjust(A, y, sd).r[: len(i)]
    np.testing.assert_array_equal(r < 1e-8, graph.bridges(i, j, nodes))


def test_ten_thousand_pieces():
    rng = np.random.default_rng(2)
    pairs = np.arange(0, 20_000, 2)
    i, j = np.repeat(pairs, 2), np.repeat(pairs + 1, 2)
    A, y, sd = difference_network(rng, i, j, 20_000, np.full(len(i), 2e-3))
    fit = adjust(A, y, sd)
    np.testing.assert_allclose(fit.r[: len(i)], 0.5, atol=1e-14)
    np.testing.assert_allclose(fit.r[len(i) :], 0.0, atol=1e-14)


def test_numbers_that_contradict_one_another_are_refused(monkeypatch):
    solve = fit_module.SparseFactor.__init__

    def wrong(self, *args):
        solve(self, *args)
        self.leverage[0] += 1e-3

    monkeypatch.setattr(fit_module.SparseFactor, "__init__", wrong)
    rng = np.random.default_rng(1)
    A, y, sd = difference_network(rng, np.arange(20), np.arange(1, 21), 21, np.full(20, 1e-3))
    with pytest.raises(SelfCheckFailed, match=r"sum to -?0\.001"):
        adjust(A, y, sd)


@settings(max_examples=40, deadline=None)
@given(st.integers(4, 60), st.integers(0, 2**32 - 1))
def test_blocks_between_bridges_are_independent(nodes, seed):
    """Each block adjusted by itself, its first node held, gives its observations the same redundancy numbers."""
    rng = np.random.default_rng(seed)
    later = np.arange(1, nodes)
    i = np.concatenate([rng.integers(0, later), rng.integers(0, nodes, nodes // 3)])
    j = np.concatenate([later, rng.integers(0, nodes, nodes // 3)])
    i, j = i[i != j], j[i != j]
    sd = spread(rng, len(i), 10.0, False)
    r = adjust(*difference_network(rng, i, j, nodes, sd)).r[: len(i)]
    block = graph.blocks(i, j, nodes)
    for label in range(block.max() + 1):
        inside = np.flatnonzero((block[i] == label) & (block[j] == label))
        number = np.cumsum(block == label) - 1
        if len(inside):
            alone = difference_network(rng, number[i[inside]], number[j[inside]], number[-1] + 1, sd[inside])
            np.testing.assert_allclose(adjust(*alone).r[: len(inside)], r[inside], atol=1e-11)
