"""Loops of a job and how they close against a tolerance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from heightnet.adjust.graph import fundamental_loops
from heightnet.network.model import DATUM, Kind, Network
from heightnet.network.tolerance import THIRD_ORDER, Tolerance

__all__ = ["THIRD_ORDER", "Loop", "Tolerance", "edge_lengths", "loops_of"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Loop:
    """A round walk through the job's observations.

    marks : names in walking order; a walk over known marks starts at one of them and ends at another.
    edges, sign : observations walked, -1 where from head to tail.
    length_km : of the sights and levelled lines in it.
    misclosure, expected_sd : m, and what the job's own standard deviations lead one to expect.
    allowed : m.
    """

    marks: tuple[str, ...]
    edges: npt.NDArray[np.int64]
    sign: npt.NDArray[np.int64]
    length_km: float
    misclosure: float
    expected_sd: float
    allowed: float


def edge_lengths(net: Network) -> Floats:
    """Horizontal length of each observation that has one, m: sights, levelled lines, staff sights."""
    length = np.zeros(net.edge_count)
    length[net.rows(Kind.SHOT)] = net.sights.horizontal
    length[net.rows(Kind.LEVEL)] = np.nan_to_num(net.job.levels["length"].to_numpy(float))
    length[net.rows(Kind.STAFF)] = np.nan_to_num(net.job.staff["distance"].to_numpy(float))
    return length


def loops_of(net: Network, tolerance: Tolerance = THIRD_ORDER, at_most: int = 2000) -> list[Loop]:
    """A basis of the job's loops, short ones first; marks held exactly close on one another like known ones."""
    count = net.edge_count
    tail = np.concatenate([net.tail[:count], np.full(len(net.held), DATUM)])
    head = np.concatenate([net.head[:count], net.held])
    rise = np.concatenate([net.rise[:count], net.nodes.height[net.held]])
    variance = np.concatenate([net.sd[:count] ** 2, np.zeros(len(net.held))])
    length = np.concatenate([edge_lengths(net), np.zeros(len(net.held))])
    found = fundamental_loops(tail, head, len(net.nodes))
    order = np.argsort(found.length, kind="stable")[:at_most]
    misclosure, total = found.misclosure(rise), found.total(length) / 1000
    sd = np.sqrt(np.maximum(found.total(variance), 0.0))
    out = []
    for k in order.tolist():
        edges, sign = found.edges(k)
        km = max(0.0, float(total[k]))  # a difference of sums may fall a rounding below 0
        out.append(
            Loop(
                _marks_on(net, tail, head, edges, sign),
                edges[edges < count],
                sign[edges < count],
                km,
                float(misclosure[k]),
                float(sd[k]),
                tolerance.loop(km),
            )
        )
    return out


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
