"""Graph facts against networkx (MultiGraph) and against their definitions on random multigraphs."""

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from heightnet.adjust import graph


@st.composite
def multigraphs(draw):
    """Nodes and edges, sparse to dense, with parallel edges, self-loops and several pieces."""
    nodes = draw(st.integers(1, 14))
    ends = st.integers(0, nodes - 1)
    edges = draw(st.lists(st.tuples(ends, ends), max_size=26))
    return nodes, np.array([e[0] for e in edges], int), np.array([e[1] for e in edges], int)


def as_networkx(nodes, i, j):
    G = nx.MultiGraph()
    G.add_nodes_from(range(nodes))
    G.add_edges_from((int(a), int(b), k) for k, (a, b) in enumerate(zip(i, j, strict=True)))
    return G


def pieces(G):
    return nx.number_connected_components(G)


@settings(max_examples=150, deadline=None)
@given(multigraphs())
def test_components_bridges_blocks(case):
    nodes, i, j = case
    G = as_networkx(nodes, i, j)
    label = graph.components(i, j, nodes)
    assert sorted(map(sorted, nx.connected_components(G))) == sorted(
        sorted(np.flatnonzero(label == k).tolist()) for k in range(label.max() + 1)
    )
    simple = nx.Graph(G)
    single = {frozenset(e) for e in simple.edges if G.number_of_edges(*e) == 1}
    expected = {frozenset(e) for e in nx.bridges(simple)} & single
    bridge = graph.bridges(i, j, nodes)
    assert [frozenset((a, b)) in expected for a, b in zip(i.tolist(), j.tolist(), strict=True)] == bridge.tolist()
    block = graph.blocks(i, j, nodes)
    G.remove_edges_from([(i[e], j[e], e) for e in np.flatnonzero(bridge)])
    assert pieces(G) == block.max() + 1
    assert all(len(set(block[list(c)])) == 1 for c in nx.connected_components(G))
    np.testing.assert_array_equal(graph.blocks(i, j, nodes, bridge), block)


@settings(max_examples=80, deadline=None)
@given(multigraphs())
def test_series_classes_are_the_two_edge_cuts(case):
    nodes, i, j = case
    label = graph.series_classes(i, j, nodes)
    bridge = graph.bridges(i, j, nodes)
    np.testing.assert_array_equal(label == -1, bridge)
    whole = pieces(as_networkx(nodes, i, j))
    loose = np.flatnonzero(~bridge)
    for k, e in enumerate(loose):
        for f in loose[k + 1 :]:
            keep = np.setdiff1d(np.arange(len(i)), [e, f])
            cuts = pieces(as_networkx(nodes, i[keep], j[keep])) > whole
            assert cuts == (label[e] == label[f])


@settings(max_examples=80, deadline=None)
@given(multigraphs(), st.integers(0, 1000))
def test_loops(case, seed):
    nodes, i, j = case
    rng = np.random.default_rng(seed)
    loops = graph.fundamental_loops(i, j, nodes)
    assert len(loops.closing) == len(i) - nodes + pieces(as_networkx(nodes, i, j))  # the cyclomatic number
    rise, weight = rng.normal(size=len(i)), rng.uniform(1, 2, len(i))
    misclosure, total = loops.misclosure(rise), loops.total(weight)
    for k in range(len(loops.closing)):
        edges, sign = loops.edges(k)
        assert edges[0] == loops.closing[k]
        assert len(edges) == loops.length[k] == len(set(edges.tolist()))
        start, end = np.where(sign > 0, i[edges], j[edges]), np.where(sign > 0, j[edges], i[edges])
        np.testing.assert_array_equal(end, np.roll(start, -1))  # a closed walk
        assert misclosure[k] == pytest.approx(np.sum(sign * rise[edges]), abs=1e-12)
        assert total[k] == pytest.approx(weight[edges].sum())
    heights = rng.normal(size=nodes)
    np.testing.assert_allclose(loops.misclosure(heights[j] - heights[i]), 0.0, atol=1e-12)


def test_a_long_line_and_many_pieces():
    nodes = 200_000
    i = np.arange(nodes - 1)
    assert graph.bridges(i, i + 1, nodes).all()
    assert not graph.bridges(np.append(i, nodes - 1), np.append(i + 1, 0), nodes).any()
    assert (graph.series_classes(np.append(i, nodes - 1), np.append(i + 1, 0), nodes) == 0).all()
    loops = graph.fundamental_loops(np.append(i, nodes - 1), np.append(i + 1, 0), nodes)
    assert loops.length.tolist() == [nodes]
    assert loops.misclosure(np.ones(nodes)) == pytest.approx(nodes)
    pairs = np.arange(0, nodes, 2)
    assert graph.bridges(pairs, pairs + 1, nodes).all()
    np.testing.assert_array_equal(graph.components(pairs, pairs + 1, nodes), np.arange(nodes) // 2)
