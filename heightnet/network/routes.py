"""How many independent ways the job has from one place to another."""

from __future__ import annotations

from collections import deque

import numpy as np

from heightnet.network.model import DATUM, Network


class Routes:
    """Edge-disjoint routes on the observations, marks held exactly being one with the datum.

    Each route uses observations that no other route uses; by Menger's theorem their largest number is the smallest
    number of observations whose loss would part the two places.
    """

    def __init__(self, net: Network) -> None:
        merged = np.arange(len(net.nodes))
        merged[net.held] = DATUM
        count = net.edge_count
        self._merged = merged
        self.tail, self.head = merged[net.tail[:count]], merged[net.head[:count]]
        self._next: list[list[int]] = [[] for _ in range(len(net.nodes))]
        for edge, (a, b) in enumerate(zip(self.tail.tolist(), self.head.tolist(), strict=True)):
            self._next[a].append(edge)
            self._next[b].append(edge)

    def count(self, start: int, end: int, without: set[int], at_most: int = 3) -> int:
        """Number of edge-disjoint routes from start to end that avoid some observations, counted up to a limit."""
        start, end = int(self._merged[start]), int(self._merged[end])
        if start == end:
            return at_most
        flow: dict[int, int] = {}  # +1 tail to head, -1 head to tail
        for found in range(at_most):
            if not self._augment(start, end, without, flow):
                return found
        return at_most

    def _augment(self, start: int, end: int, without: set[int], flow: dict[int, int]) -> bool:
        came: dict[int, tuple[int, int]] = {start: (-1, 0)}
        queue = deque([start])
        while queue:
            node = queue.popleft()
            for edge in self._next[node]:
                if edge in without:
                    continue
                forward = self.tail[edge] == node
                other = int(self.head[edge] if forward else self.tail[edge])
                step = 1 if forward else -1
                if other in came or flow.get(edge, 0) == step:
                    continue
                came[other] = (edge, step)
                if other == end:
                    self._push(start, end, came, flow)
                    return True
                queue.append(other)
        return False

    def _push(self, start: int, end: int, came: dict[int, tuple[int, int]], flow: dict[int, int]) -> None:
        node = end
        while node != start:
            edge, step = came[node]
            flow[edge] = flow.get(edge, 0) + step
            node = int(self.tail[edge] if step == 1 else self.head[edge])
