"""Where things stand on the plan: by their coordinates, or in a drawn layout where the job has none.

Places are the same on every machine: lengths are rounded before they are compared, and a job whose figure could as
well be turned or folded another way (a square, a ring) is made a little unequal, so that no last digit decides.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import Any

import numpy as np

from heightnet.arrays import Floats
from heightnet.kinds.registry import KINDS
from heightnet.ledger.thing import Thing
from heightnet.rows import Record

PIVOTS = 60  # distances to so many nodes place the others in a drawn layout
REFINED = 250  # up to so many nodes a drawn layout is refined until distances fit
PASSES = 80
UNEQUAL = 1e-3  # share by which equal lengths of a drawn layout are made to differ
DECIMALS = 6  # of a metre that a place or a length is rounded to


@dataclass(frozen=True)
class Layout:
    """Place of every node (``mark:NAME``, ``setup:NAME`` for a free set-up) in metres, east and north."""

    places: dict[str, tuple[float, float]]
    surveyed: bool  # True: coordinates of the job; False: drawn


def ties(facts: Record) -> dict[tuple[str, str], float]:
    """Pairs of nodes that an observation ties, with their horizontal distance (the mean, or 100 m if none is known)."""
    found: dict[tuple[str, str], list[float]] = defaultdict(list)
    for shot in facts["shots"]:
        start = node_of(shot["from_mark"], shot["setup"])
        if shot["to_mark"] and start != (end := node_of(shot["to_mark"])):
            found[_pair(start, end)].append(shot["horizontal_m"] or 0.0)
    for kind in KINDS.values():
        for row in facts.get(kind.table, []) if kind.line else ():
            begin, to, length = (row.get(key) for key in kind.line)
            if begin and begin != to:
                found[_pair(node_of(begin), node_of(to))].append(length or 0.0)
    last: dict[str, Record] = {}
    for staff in facts["staff"]:
        before = last.get(staff["level_setup"])
        if before and before["mark"] != staff["mark"]:
            length = (staff["distance_m"] or 0.0) + (before["distance_m"] or 0.0)
            found[_pair(node_of(before["mark"]), node_of(staff["mark"]))].append(length)
        last[staff["level_setup"]] = staff
    means = {pair: round(math.fsum(lengths) / len(lengths), DECIMALS) for pair, lengths in found.items()}
    return {pair: max(mean or 100.0, 1.0) for pair, mean in means.items()}


def node_of(mark: str | None, setup: str = "") -> str:
    """Id of the mark, or of the set-up that stands over none."""
    return str(Thing("mark", mark) if mark else Thing("setup", setup))


def _pair(a: str, b: str) -> tuple[str, str]:
    return (a, b) if a <= b else (b, a)


def layout(facts: Record, most: int = 20_000) -> Layout:
    """Every mark and free set-up gets a place; no place at all where a layout of over ``most`` would be drawn."""
    edges = ties(facts)
    nodes = [node_of(m["mark"]) for m in facts["marks"]]
    nodes += [node_of(None, s["setup"]) for s in facts["setups"] if not s["mark"]]
    nodes = list(dict.fromkeys([*nodes, *(node for pair in edges for node in pair)]))
    given = {
        node_of(m["mark"]): (m["east_m"], m["north_m"])
        for m in facts["marks"]
        if m["east_m"] is not None and m["north_m"] is not None
    }
    return placed(nodes, edges, given, most)


def placed(
    nodes: list[str], edges: dict[tuple[str, str], float], given: dict[str, tuple[float, float]], most: int = 20_000
) -> Layout:
    """Places of nodes by what ties them, pairs with their distance, m, and by the coordinates of some."""
    if not nodes:
        return Layout({}, False)
    if len(given) >= 2 and 2 * len(given) >= len(nodes):
        return Layout(_beside(nodes, edges, given), True)
    return Layout(_drawn(nodes, edges) if len(nodes) <= most else {}, False)


def _beside(
    nodes: list[str], edges: dict[tuple[str, str], float], given: dict[str, tuple[float, float]]
) -> dict[str, tuple[float, float]]:
    """Nodes without coordinates go to the middle of their neighbours; several there step aside."""
    near = defaultdict(list)
    for a, b in edges:
        near[a].append(b)
        near[b].append(a)
    places = dict(given)
    middle = tuple(np.mean(list(given.values()), axis=0))
    missing = [node for node in nodes if node not in given]
    for _ in range(6):
        for node in missing:
            around = [places[other] for other in near[node] if other in places]
            if around:
                places[node] = tuple(np.mean(around, axis=0))
    size = float(np.ptp(np.array(list(given.values())), axis=0).max()) or 1.0
    for number, node in enumerate(missing):
        x, y = places.get(node, middle)
        if len(near[node]) < 2 or node not in places:  # a side mark would lie exactly on its neighbour
            angle = 2.4 * number
            x, y = x + 0.05 * size * np.cos(angle), y + 0.05 * size * np.sin(angle)
        places[node] = _place(x, y)
    return places


def _drawn(nodes: list[str], edges: dict[tuple[str, str], float]) -> dict[str, tuple[float, float]]:
    """Each connected piece so that straight distances follow the distances along the ties, pieces side by side."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    number = {node: i for i, node in enumerate(nodes)}
    rows = [number[a] for a, _ in edges]
    columns = [number[b] for _, b in edges]
    uneven = np.sin(2.4 * np.arange(len(nodes)) + 1.0)
    lengths = np.array(list(edges.values())) * (1 + UNEQUAL * uneven[rows] * uneven[columns])
    graph = coo_matrix((lengths, (rows, columns)), shape=(len(nodes), len(nodes))).tocsr()
    graph = graph.maximum(graph.T)
    _, piece = connected_components(graph, directed=False)
    places: dict[str, tuple[float, float]] = {}
    left = 0.0
    for one in dict.fromkeys(piece.tolist()):
        members = np.flatnonzero(piece == one)
        at = _by_distance(graph[members][:, members])
        at[:, 0] += left - at[:, 0].min()
        at[:, 1] -= at[:, 1].mean()
        left = at[:, 0].max() + 0.15 * (np.ptp(at[:, 0]) + 100.0)
        places.update((nodes[i], _place(x, y)) for i, (x, y) in zip(members, at, strict=True))
    return places


def _place(x: float, y: float) -> tuple[float, float]:
    return round(float(x), DECIMALS) + 0.0, round(float(y), DECIMALS) + 0.0


def _by_distance(graph: Any) -> Floats:
    """Places in the plane for one piece: pivot multidimensional scaling, refined by majorising the stress.

    Methods: Brandes & Pich 2006 (pivot MDS) and de Leeuw 1977 (majorisation), both from memory.
    """
    from scipy.sparse.csgraph import dijkstra

    n = graph.shape[0]
    if n == 1:
        return np.zeros((1, 2))
    pivots = np.arange(n) if n <= REFINED else np.unique(np.linspace(0, n - 1, PIVOTS).astype(int))
    distance = dijkstra(graph, directed=False, indices=pivots)
    squared = distance**2
    centred = squared - squared.mean(axis=0) - squared.mean(axis=1, keepdims=True) + squared.mean()
    _, size, axes = np.linalg.svd(-0.5 * centred, full_matrices=False)
    at = axes[:2].T * np.sqrt(size[:2])
    if at.shape[1] < 2:
        at = np.column_stack([at, np.zeros(n)])
    # a straight line has no second axis: step aside by a fixed pattern so that side marks find room
    step = 0.15 * float(np.median(graph.data))
    at = at + step * np.column_stack([np.zeros(n), np.sin(2.4 * np.arange(n) + 1.0)])
    if n <= REFINED:
        at = _refine(at, distance)
    at = at - at.mean(axis=0)
    _, _, turned = np.linalg.svd(at, full_matrices=False)
    at = at @ turned.T
    for axis in (0, 1):  # the sign of an axis is arbitrary: begin at the left, and above
        aside = np.round(at[:, axis] / np.abs(at).max(), DECIMALS)
        if aside[np.argmax(aside != 0)] * (1 if axis == 0 else -1) > 0:
            at[:, axis] *= -1
    return np.asarray(at)


def _refine(at: Floats, distance: Floats) -> Floats:
    n = len(at)
    wanted = distance + np.eye(n)
    weight = 1.0 / wanted**2
    np.fill_diagonal(weight, 0.0)
    laplace = np.diag(weight.sum(axis=1)) - weight
    inverse = np.linalg.inv(laplace + 1.0 / n) - 1.0 / n
    for _ in range(PASSES):
        apart = np.linalg.norm(at[:, None] - at[None], axis=2) + np.eye(n)
        pull = -weight * distance / np.maximum(apart, 1e-9)
        np.fill_diagonal(pull, -pull.sum(axis=1))
        at = inverse @ (pull @ at)
    return at
