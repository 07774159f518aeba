"""The height of a stand above its mark, from all readings of it: one number, whoever asks."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import sparse

from heightnet.arrays import Floats, Ints

if TYPE_CHECKING:
    from heightnet.network.model import Network

NONE = np.zeros(0, dtype=np.int64)


def stand_heights(net: Network, without: Ints = NONE) -> tuple[Floats, Floats]:
    """(nodes,) mean of each stand's reduced readings, weighted by their precision, and its sd, m; NaN where none was.

    Without the axis of what stands there: ``setup_axis`` and ``target_axis`` of the network are added to it.

    without : observations that are left out.
    """
    rows = net.rows("height")
    node, weight, nodes = net.head[rows], net.sd[rows] ** -2.0, len(net.nodes)
    weight[without - rows.start] = 0.0
    total = np.bincount(node, weights=weight, minlength=nodes).astype(float)
    total[total == 0] = np.nan
    value = np.bincount(node, weights=weight * net.rise[rows], minlength=nodes)
    return value / total, total**-0.5


def stand_weights(net: Network) -> sparse.csr_array:
    """(nodes, readings) part of each reading in the mean of its stand."""
    rows = net.rows("height")
    node, weight, nodes = net.head[rows], net.sd[rows] ** -2.0, len(net.nodes)
    total = np.bincount(node, weights=weight, minlength=nodes)
    return sparse.csr_array((weight / total[node], (node, np.arange(len(node)))), shape=(nodes, len(node)))


def recorded_heights(net: Network, kind: str) -> tuple[Floats, Floats]:
    """Height above its mark that was recorded of each set-up or target, and its sd, m; NaN where none was.

    kind : "setup" or "target".
    """
    node, axis = (net.setup_node, net.setup_axis) if kind == "setup" else (net.target_node, net.target_axis)
    mean, sd = stand_heights(net)
    return mean[node] + axis, sd[node]
