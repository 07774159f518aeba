"""Facts of an undirected multigraph, in time linear in its size or nearly so.

A graph is two equally long arrays of node numbers, ``i`` and ``j`` (edge e joins ``i[e]`` and ``j[e]``), and the
number of nodes.  Parallel edges and loops on one node are allowed.  Nothing recurses.

The facts used: a tree edge is a bridge if no other edge leads out of the subtree under it.  Give each edge outside
a spanning tree a random 64-bit label, and each tree edge the exclusive or of the labels of all that lead out of its
subtree; then two edges together cut the graph exactly if their labels agree, but for a chance of about
edges**2 / 2**65 (Pritchard & Thurimella 2011, ACM Transactions on Algorithms 7(4), from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from scipy.sparse import csgraph


def components(i: np.ndarray, j: np.ndarray, nodes: int) -> np.ndarray:
    """Label (nodes,) of the connected piece each node lies in, 0, 1, ... in order of their first nodes.

    >>> components(np.array([0, 3]), np.array([2, 4]), 5)
    array([0, 1, 0, 2, 2])
    """
    ties = sp.coo_array((np.ones(len(i), np.int8), (i, j)), shape=(nodes, nodes))
    _, label = csgraph.connected_components(ties.tocsr(), directed=False)
    return by_first(label)


def bridges(i: np.ndarray, j: np.ndarray, nodes: int) -> np.ndarray:
    """Whether each edge (edges,) is a bridge: without it its piece falls in two.  Exact.

    >>> bridges(np.array([0, 1, 1]), np.array([1, 2, 2]), 3)  # the doubled edge is no bridge
    array([ True, False, False])
    """
    return _bridges(_depth_first(i, j, nodes), i, j)


def series_classes(i: np.ndarray, j: np.ndarray, nodes: int, seed: int = 20) -> np.ndarray:
    """Label (edges,) shared by the edges any two of which together cut the graph; bridges are -1.

    >>> series_classes(np.array([0, 1, 2, 2, 3]), np.array([1, 2, 0, 3, 3]), 4)
    array([ 0,  0,  0, -1,  1])

    (a triangle, a bridge, and an edge from a node to itself)
    """
    tree = _depth_first(i, j, nodes)
    label = np.random.default_rng(seed).integers(1, 2**63, len(i), dtype=np.uint64, endpoint=True)
    label[tree.edge[tree.edge >= 0]] = 0
    at_node = np.zeros(nodes, np.uint64)
    np.bitwise_xor.at(at_node, i, label)
    np.bitwise_xor.at(at_node, j, label)
    before = np.concatenate([np.zeros(1, np.uint64), np.bitwise_xor.accumulate(at_node[tree.order])])
    out = before[tree.end] ^ before[tree.start]
    inside = tree.edge >= 0
    label[tree.edge[inside]] = out[inside]
    classes = np.full(len(i), -1)
    in_loop = ~_bridges(tree, i, j)
    classes[in_loop] = by_first(np.unique(label[in_loop], return_inverse=True)[1])
    return classes


def blocks(i: np.ndarray, j: np.ndarray, nodes: int, bridge: np.ndarray | None = None) -> np.ndarray:
    """Label (nodes,) of the block each node lies in: what hangs together when all bridges are taken out.

    ``bridge`` saves finding the bridges anew.

    >>> blocks(np.array([0, 1, 2, 2]), np.array([1, 2, 0, 3]), 4)
    array([0, 0, 0, 1])
    """
    keep = ~(bridges(i, j, nodes) if bridge is None else bridge)
    return components(np.asarray(i)[keep], np.asarray(j)[keep], nodes)


@dataclass(frozen=True)
class Loops:
    """A loop for each edge outside a breadth-first forest: that edge and the way back through the forest.

    Attributes
    ----------
    closing : (loops,) the edge that closes each loop, rising.
    length : (loops,) number of edges of each loop.
    """

    closing: np.ndarray
    length: np.ndarray
    _i: np.ndarray
    _j: np.ndarray
    _meet: np.ndarray
    _tree_edge: np.ndarray
    _parent: np.ndarray
    _depth: np.ndarray

    def misclosure(self, rise: np.ndarray) -> np.ndarray:
        """Sum (loops,) of ``rise`` (edges,), counted from i to j, once round: along the closing edge first.

        >>> loops = fundamental_loops(np.array([0, 1, 2]), np.array([1, 2, 0]), 3)
        >>> loops.misclosure(np.array([1.0, 2.0, -2.5])).round(9)
        array([0.5])
        """
        e = self.closing
        height = self._from_root(np.asarray(rise, dtype=float), signed=True)
        return rise[e] - (height[self._j[e]] - height[self._i[e]])

    def total(self, amount: np.ndarray) -> np.ndarray:
        """Sum (loops,) of ``amount`` (edges,), a length or a variance, over the edges of each loop."""
        e = self.closing
        reach = self._from_root(np.asarray(amount, dtype=float), signed=False)
        return amount[e] + reach[self._i[e]] + reach[self._j[e]] - 2 * reach[self._meet]

    def edges(self, loop: int) -> tuple[np.ndarray, np.ndarray]:
        """Edges of one loop in walking order, the closing one first, and +1 where walked i to j, -1 where back."""
        e = int(self.closing[loop])
        meet = self._meet[loop]
        out, sign = [e], [1]
        node = self._j[e]
        while node != meet:  # from j up to where the two ways meet
            edge = self._tree_edge[node]
            out.append(int(edge))
            sign.append(1 if self._i[edge] == node else -1)
            node = self._parent[node]
        back, back_sign = [], []
        node = self._i[e]
        while node != meet:  # and down to i
            edge = self._tree_edge[node]
            back.append(int(edge))
            back_sign.append(1 if self._j[edge] == node else -1)
            node = self._parent[node]
        return np.array(out + back[::-1]), np.array(sign + back_sign[::-1])

    def _from_root(self, amount: np.ndarray, signed: bool) -> np.ndarray:
        node = np.flatnonzero(self._tree_edge >= 0)
        edge = self._tree_edge[node]
        step = np.zeros(len(self._parent))
        step[node] = amount[edge]
        if signed:
            step[node] *= np.where(self._i[edge] == self._parent[node], 1.0, -1.0)
        return sum_to_root(step, self._parent)


def fundamental_loops(i: np.ndarray, j: np.ndarray, nodes: int) -> Loops:
    """A basis of all loops, each as short as a breadth-first forest makes it."""
    i, j = np.asarray(i), np.asarray(j)
    parent, tree_edge = _forest(i, j, nodes, csgraph.breadth_first_order)[1:]
    in_tree = np.zeros(len(i), bool)
    in_tree[tree_edge[tree_edge >= 0]] = True
    cut = np.where(tree_edge >= 0, parent, np.arange(nodes))  # every piece gets a root of its own
    depth = sum_to_root((tree_edge >= 0).astype(np.int64), cut)
    closing = np.flatnonzero(~in_tree)
    meet = _meet(i[closing], j[closing], cut, depth)
    length = depth[i[closing]] + depth[j[closing]] - 2 * depth[meet] + 1
    return Loops(closing, length, i, j, meet, tree_edge, cut, depth)


def by_first(label: np.ndarray) -> np.ndarray:
    """The labels renumbered 0, 1, ... in the order in which they first occur."""
    _, first, inverse = np.unique(label, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    return rank[inverse]


@dataclass(frozen=True)
class _Tree:
    """A depth-first tree; the nodes under node v are ``order[start[v]:end[v]]``, v first."""

    order: np.ndarray
    start: np.ndarray
    end: np.ndarray
    edge: np.ndarray  # edge to the parent, -1 for the root of a piece


def _forest(i: np.ndarray, j: np.ndarray, nodes: int, search) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Order, parent (the root's own number for a root) and edge to the parent by csgraph's ``search``.

    The pieces are strung together by a chain of edges that do not count, so that one search reaches them all.
    """
    low, high = np.minimum(i, j).astype(np.int64), np.maximum(i, j).astype(np.int64)
    key, first = np.unique(low * nodes + high, return_index=True)
    _, roots = np.unique(components(i, j, nodes), return_index=True)
    low = np.concatenate([key // max(nodes, 1), roots[:-1]])
    high = np.concatenate([key % max(nodes, 1), roots[1:]])
    once = sp.coo_array((np.ones(len(low), np.int8), (low, high)), shape=(nodes, nodes)).tocsr()
    if nodes == 0:
        return np.empty(0, int), np.empty(0, int), np.empty(0, int)
    order, parent = search(once + once.T, 0, directed=True)
    parent = parent.astype(np.int64)
    parent[0] = 0
    node = np.arange(nodes)
    wanted = np.minimum(node, parent) * nodes + np.maximum(node, parent)
    place = np.minimum(np.searchsorted(key, wanted), max(len(key) - 1, 0))
    edge = np.full(nodes, -1)
    if len(key):
        edge = np.where((key[place] == wanted) & (node != parent), first[place], -1)
    return order.astype(np.int64), parent, edge


def _depth_first(i: np.ndarray, j: np.ndarray, nodes: int) -> _Tree:
    order, parent, edge = _forest(np.asarray(i), np.asarray(j), nodes, csgraph.depth_first_order)
    start = np.empty(nodes, np.int64)
    start[order] = np.arange(nodes)
    size, jump, root = np.ones(nodes), parent.copy(), np.arange(nodes) == parent
    while not root.all():  # sizes of the first 1, 2, 4, ... generations under each node
        size = size + np.bincount(jump[~root], weights=size[~root], minlength=nodes)
        root = root | root[jump]
        jump = jump[jump]
    return _Tree(order, start, start + size.astype(np.int64), edge)


def _bridges(tree: _Tree, i: np.ndarray, j: np.ndarray) -> np.ndarray:
    """In a depth-first tree each other edge joins a node to one above it: count what passes over a tree edge."""
    i, j = np.asarray(i), np.asarray(j)
    in_tree = np.zeros(len(i), bool)
    tree_edge = tree.edge[tree.edge >= 0]
    in_tree[tree_edge] = True
    a, b = i[~in_tree], j[~in_tree]
    lower = np.where(tree.start[a] > tree.start[b], a, b)
    nodes = len(tree.order)
    at_node = np.bincount(lower, minlength=nodes) - np.bincount(a + b - lower, minlength=nodes)
    before = np.concatenate([[0], np.cumsum(at_node[tree.order])])
    over = before[tree.end] - before[tree.start]
    bridge = np.zeros(len(i), bool)
    bridge[tree_edge] = over[tree.edge >= 0] == 0
    return bridge


def sum_to_root(step: np.ndarray, parent: np.ndarray) -> np.ndarray:
    """Sum of ``step`` over each node and all above it but the root, by jumps of 1, 2, 4, ... generations."""
    total = np.where(parent == np.arange(len(parent)), 0, step)
    jump = parent
    while True:
        further = jump[jump]
        total = total + total[jump]
        if np.array_equal(further, jump):
            return total
        jump = further


def _meet(a: np.ndarray, b: np.ndarray, parent: np.ndarray, depth: np.ndarray) -> np.ndarray:
    """The lowest node above both a and b in their tree, by jumps of falling powers of two."""
    jumps = [parent]
    while not np.array_equal(further := jumps[-1][jumps[-1]], jumps[-1]):
        jumps.append(further)
    a, b = np.where(depth[a] >= depth[b], a, b), np.where(depth[a] >= depth[b], b, a)
    for k in reversed(range(len(jumps))):
        deep = depth[a] - depth[b] >= 2**k
        a = np.where(deep, jumps[k][a], a)
    for jump in reversed(jumps):
        apart = jump[a] != jump[b]
        a, b = np.where(apart, jump[a], a), np.where(apart, jump[b], b)
    return np.where(a == b, a, parent[a])
