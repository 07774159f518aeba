"""What sights say twice: a target in both faces, and the rise between two marks from either end."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from heightnet.arrays import Floats, Ints
from heightnet.kinds.stands import stand_heights

if TYPE_CHECKING:
    from heightnet.network.model import Network


def pointings(net: Network) -> Ints:
    """(shots,) a number for each set-up and target: sights of one number repeat one another."""
    number: Ints = pd.factorize(net.shot_setup * max(len(net.job.targets), 1) + net.shot_target)[0]
    return number


def face_pairs(net: Network) -> tuple[Ints, Ints]:
    """Positions of the sights in face L and in face R of each pair: of a target from one set-up the first with the
    first, the second with the second."""
    face = net.job.shots["face"].to_numpy(object)
    sights = pd.DataFrame({"pointing": pointings(net), "face": face, "at": np.arange(len(face))})
    sights["turn"] = sights.groupby(["pointing", "face"], sort=False).cumcount()
    left, right = (sights[sights["face"] == f] for f in ("L", "R"))
    pairs = left.merge(right, on=["pointing", "turn"])
    return pairs["at_x"].to_numpy(np.int64), pairs["at_y"].to_numpy(np.int64)


def faces(net: Network) -> tuple[Floats, Floats]:
    """(shots,) rise in face L less that in face R, m, and the index error i that makes it, rad; NaN without a pair.

    Face L reads z + i and face R 360 deg - z + i, so that i is half of what the zenith angles are apart.
    """
    left, right = face_pairs(net)
    read = net.job.shots["zenith_angle"].to_numpy(float)
    z = np.where(read > np.pi, 2 * np.pi - read, read)
    apart, index = np.full(len(z), np.nan), np.full(len(z), np.nan)
    for at in (left, right):
        apart[at] = net.sights.rise[left] - net.sights.rise[right]
        index[at] = (z[left] - z[right]) / 2
    return apart, index


def ground_rises(net: Network) -> Floats:
    """(shots,) height of the mark under the target above the mark under the instrument by each sight, heights as taped
    and with curvature and refraction, m; NaN over no mark, or where a height was not recorded."""
    rows = net.rows("shot")
    tail, head = net.tail[rows], net.head[rows]
    mean, _ = stand_heights(net)
    marks = net.nodes.mark[tail], net.nodes.mark[head]
    there = (marks[0] >= 0) & (marks[1] >= 0) & (marks[0] != marks[1])
    return np.where(there, mean[tail] + net.rise[rows] - mean[head], np.nan)


def forward_back(net: Network) -> Floats:
    """(shots,) rise between two marks from one end and from the other, which would add up to 0, m; NaN where there is
    none the other way.  Sights from one set-up to one target count as their mean, in both faces free of the index."""
    rows, one = net.rows("shot"), pointings(net)
    each = ground_rises(net)
    rise = (np.bincount(one, weights=each) / np.bincount(one))[one] if len(one) else each
    start, end = net.nodes.mark[net.tail[rows]], net.nodes.mark[net.head[rows]]
    at = np.flatnonzero(np.isfinite(rise))
    many = len(net.nodes)
    ways, way = np.unique(start[at] * many + end[at], return_inverse=True)
    mean = np.bincount(way, weights=rise[at], minlength=len(ways)) / np.bincount(way, minlength=len(ways))
    back = end[at] * many + start[at]
    found = np.minimum(np.searchsorted(ways, back), max(len(ways) - 1, 0))
    out = np.full(len(rise), np.nan)
    if len(ways):
        out[at] = np.where(ways[found] == back, rise[at] + mean[found], np.nan)
    return out
