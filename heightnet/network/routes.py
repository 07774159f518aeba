"""How many independent ways the job has from one place to another."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import networkx as nx
import numpy as np
from networkx.algorithms.flow import build_residual_network, edmonds_karp

from heightnet.kinds.kind import DATUM
from heightnet.network.model import Network


class Routes:
    """Edge-disjoint routes on the observations, marks held exactly being one with the datum.

    Each route uses observations that no other route uses; by Menger's theorem their largest number is the smallest
    number of observations whose loss would part the two places: a maximum flow, each observation letting one through.
    """

    def __init__(self, net: Network) -> None:
        merged = np.arange(len(net.nodes))
        merged[net.held] = DATUM
        self._merged: list[int] = merged.tolist()
        ends = np.sort(merged[np.array([net.tail[: net.edge_count], net.head[: net.edge_count]])], axis=0)
        self._ends: list[tuple[int, int]] = list(zip(*ends.tolist(), strict=True))
        self._graph = nx.Graph()
        self._graph.add_nodes_from(self._merged)
        self._graph.add_edges_from((a, b, {"capacity": n}) for (a, b), n in Counter(self._ends).items() if a != b)
        self._flow = build_residual_network(self._graph, "capacity")

    def count(self, start: int, end: int, without: Iterable[int], at_most: int = 3) -> int:
        """Number of edge-disjoint routes from start to end that avoid some observations, counted up to a limit."""
        start, end = self._merged[start], self._merged[end]
        if start == end:
            return at_most
        shut = [self._ends[edge] for edge in without]
        self._let_through(shut, -1)
        found = edmonds_karp(self._graph, start, end, residual=self._flow, cutoff=at_most).graph["flow_value"]
        self._let_through(shut, 1)
        return min(int(found), at_most)

    def _let_through(self, edges: list[tuple[int, int]], more: int) -> None:
        for a, b in edges:
            if a != b:
                self._flow[a][b]["capacity"] += more
                self._flow[b][a]["capacity"] += more
