"""Loops of a job and whether they close."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.sparse.linalg import spsolve_triangular

from heightnet.adjust.graph import fundamental_loops
from heightnet.arrays import Floats
from heightnet.kinds.kind import DATUM
from heightnet.kinds.registry import code_of, observed
from heightnet.kinds.stands import stand_heights
from heightnet.network.closing import Closing
from heightnet.network.model import Network
from heightnet.network.runs import level_legs

PRECISION = Closing()
BETWEEN_KNOWN = 20  # loops between known marks that are kept beside the shortest of all


@dataclass(frozen=True)
class Loop:
    """A round walk through the job's observations.

    marks : names in walking order; a walk over known marks starts at one of them and ends at another.
    edges, sign : observations walked, -1 where from head to tail.
    length_km, setups : of the sights and levelled lines in it.
    misclosure, expected_sd : m, and what the job's own standard deviations lead one to expect.
    allowed : m.
    by : the rule that says so; of loops with satellite heights, which no limit of levelling fits, the job's precision.
    """

    marks: tuple[str, ...]
    edges: npt.NDArray[np.int64]
    sign: npt.NDArray[np.int64]
    length_km: float
    setups: float
    misclosure: float
    expected_sd: float
    allowed: float
    by: str


def edge_lengths(net: Network) -> Floats:
    """Horizontal length of each observation that has one, m: sights, levelled lines, staff sights."""
    length = np.zeros(net.edge_count)
    for kind in observed():
        if kind.length:
            length[net.rows(kind.name)] = kind.length(net)
    return length


def edge_setups(net: Network) -> Floats:
    """Set-ups that each observation takes: half of one a staff reading, one a sight, a levelled line its own."""
    out = np.zeros(net.edge_count)
    out[net.rows("staff")], out[net.rows("shot")] = 0.5, 1.0
    legs = level_legs(net.job)
    out[net.rows("level")] = [legs[i].setups for i in net.source[net.rows("level")].tolist()]
    return out


def _separation_variance(net: Network, across: sparse.csr_matrix) -> Floats:
    """(loops,) variance that errors of separations put into loops; ``across`` (loops, observations) walks them."""
    gnss = net.rows("gnss")
    first = net.A.shape[1] - len(net.separations)
    much = (across[:, gnss] @ net.A[gnss, first:]).toarray()
    R, sd = net.separations.knowledge()
    spread = spsolve_triangular(R.T.tocsr(), much.T, lower=False)
    return np.asarray((spread**2 * sd[:, None] ** 2).sum(axis=0))


def loops_of(net: Network, closing: Closing = PRECISION, at_most: int = 2000) -> list[Loop]:
    """A basis of the job's loops, short ones first, at most so many and some more between known marks.

    Marks held exactly close on one another like known ones.  Readings of one height, of a staff at one place from one
    line of sight, and sights from one set-up to one target are walked as their mean, which in both faces is free of the
    index: they are no loop, and are compared as what they are.
    """
    count = net.edge_count
    tail = np.concatenate([net.tail[:count], np.full(len(net.held), DATUM)])
    head = np.concatenate([net.head[:count], net.held])
    rise = np.concatenate([net.rise[:count], net.nodes.height[net.held]])
    variance = np.concatenate([net.sd[:count] ** 2, np.zeros(len(net.held))])
    length = np.concatenate([edge_lengths(net), np.zeros(len(net.held))])
    rows = net.rows("height")
    stand = net.head[rows]
    mean, sd_mean = stand_heights(net)
    rise[rows], variance[rows] = mean[stand], sd_mean[stand] ** 2
    first = np.ones(len(tail), dtype=bool)
    first[rows] = False
    first[rows.start + np.unique(stand, return_index=True)[1]] = True
    for kind in ("staff", "shot"):
        _average(net, net.rows(kind), rise, variance, first)
    drawn = np.flatnonzero(first)
    found = fundamental_loops(tail[drawn], head[drawn], len(net.nodes))
    order = np.argsort(found.length, kind="stable")
    between = found.total(((tail == DATUM) | (head == DATUM)).astype(float)[drawn]) > 0.5
    order = np.concatenate([order[:at_most], order[at_most:][between[order[at_most:]]][:BETWEEN_KNOWN]])
    misclosure, total = found.misclosure(rise[drawn]), found.total(length[drawn]) / 1000
    setups = found.total(np.concatenate([edge_setups(net), np.zeros(len(net.held))])[drawn])
    sd = np.sqrt(np.maximum(found.total(variance[drawn]), 0.0))
    out = []
    walks = [(drawn[edges], sign) for edges, sign in map(found.edges, order.tolist())]
    satellite, extra = np.zeros(len(walks), dtype=bool), np.zeros(len(walks))
    if len(net.job.gnss):
        by_satellite = net.kind == code_of("gnss")
        satellite[:] = [by_satellite[e[e < count]].any() for e, _ in walks]
    if satellite.any() and len(net.separations):
        through = _walked([walks[i] for i in np.flatnonzero(satellite)], len(tail))
        extra[satellite] = _separation_variance(net, through)
    for i, k in enumerate(order.tolist()):
        edges, sign = walks[i]
        expected = float(np.hypot(sd[k], np.sqrt(extra[i])))
        km = max(0.0, float(total[k]))  # a difference of sums may fall a rounding below 0
        count_of = max(0.0, float(setups[k]))
        allowed, by = (PRECISION if satellite[i] else closing).allowed(expected, km, count_of)
        marks = _marks_on(net, tail, head, edges, sign)
        inside = edges < count
        out.append(Loop(marks, edges[inside], sign[inside], km, count_of, float(misclosure[k]), expected, allowed, by))
    return out


def _average(net: Network, rows: slice, rise: Floats, variance: Floats, first: npt.NDArray[np.bool_]) -> None:
    """Observations that tie the same two places become their weighted mean, walked once."""
    ends = net.tail[rows] * len(net.nodes) + net.head[rows]
    _, once, code = np.unique(ends, return_index=True, return_inverse=True)
    if len(once) == len(code):
        return
    weight = 1 / variance[rows]
    total = np.bincount(code, weight)
    rise[rows] = (np.bincount(code, weight * rise[rows]) / total)[code]
    variance[rows] = 1 / total[code]
    first[rows] = False
    first[rows.start + once] = True


def _walked(walks: list[tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]], edges: int) -> sparse.csr_matrix:
    """(walks, edges) with +1 and -1 for the edges of each walk."""
    row = np.repeat(np.arange(len(walks)), [len(e) for e, _ in walks])
    column, sign = (np.concatenate([w[i] for w in walks]) for i in (0, 1))
    return sparse.csr_matrix((sign.astype(float), (row, column)), shape=(len(walks), edges))


def _marks_on(net: Network, tail, head, edges, sign) -> tuple[str, ...]:  # type: ignore[no-untyped-def]
    """Marks in walking order; a walk through the datum is opened there."""
    nodes = [int(tail[e] if s > 0 else head[e]) for e, s in zip(edges, sign, strict=True)]
    if DATUM in nodes:
        at = nodes.index(DATUM)
        nodes = nodes[at + 1 :] + nodes[:at]
        marks = [n for n in nodes if net.nodes.kind[n] == "mark"]
    else:
        marks = [n for n in nodes if net.nodes.kind[n] == "mark"]
        marks = marks + marks[:1]
    return tuple(str(net.nodes.name[n]) for n in marks)
