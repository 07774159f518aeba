"""The geoid's height above the ellipsoid under the antennas: what is recorded, and how its errors hang together.

A satellite height is above the ellipsoid, a mark's above the geoid.  With N the separation at a mark,

    rise between antennas     Z_to - Z_from = rise - (N_to - N_from)
    height of one antenna     Z_to = height - N_to
    N = recorded + r + offset + east * tilt_east + north * tilt_north

r is the error of one recorded separation, with its own standard deviation s.  Errors of neighbours are alike, because
a model of the geoid is smooth: the difference of two at a distance d has the variance q^2 d at first, q the setting
``separation.mm_sqrt_km``, and two far apart have nothing in common.  Both hold for a correlation that falls off
exponentially with the distance,

    rho = exp(-q^2 d / (2 s_i s_j)),    variance of the difference = (s_i - s_j)^2 + 2 s_i s_j (1 - rho)

(a first-order Gauss-Markov process, common practice).  It is laid along the shortest tree that joins the marks: each
mark is known from the one before it on the tree as rho s / s_before times that one's error, with the standard
deviation s sqrt(1 - rho^2), and the first by its own s.  So every mark has exactly its own s, every pair next to each
other on the tree exactly the correlation above, and the equations stay sparse: one row a mark, two entries.  Beyond
neighbours the way along the tree is never shorter than the straight one, so that two marks are never taken to be more
alike than the setting says.  Had each mark simply been observed with its s, and the differences besides, many marks
would have made their common error seem small, which it is not.

Offset and tilts are unknowns of the whole job with prior standard deviations of their own; 0 leaves them out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import Delaunay

from heightnet.arrays import Floats, Ints
from heightnet.errors import CannotAdjust
from heightnet.job.model import Job

CLOSEST_M = 1.0  # two marks nearer than this are taken to be this far apart
ALL_PAIRS_UP_TO = 500  # marks up to which every distance is looked at; beyond, those of a triangulation
LEAST_OWN = 1e-8  # of the variance of a separation, what it has for itself however near its neighbour
OFFSET, TILT_EAST, TILT_NORTH = "offset", "tilt east", "tilt north"


@dataclass(frozen=True)
class Separations:
    """Separations of the marks under antennas, in the order of their unknowns; lengths m, tilts m per km.

    mark : names of the marks; value, sd : as recorded.
    unknown : positions of those that are not exact, each with an unknown r, in the order of the columns.
    before : (of unknown) position in ``unknown`` of the mark before it on the tree, -1 for a first one; always smaller.
    rho : (of unknown) correlation with that one's error, 0 for a first one.
    east, north : km from the middle of the marks, 0 where not recorded.
    linear : the unknowns of the job-wide model there are, linear_sd : their prior standard deviations.
    """

    mark: npt.NDArray[np.object_]
    value: Floats
    sd: Floats
    unknown: Ints
    before: Ints
    rho: Floats
    east: Floats
    north: Floats
    linear: tuple[str, ...]
    linear_sd: Floats

    def __len__(self) -> int:
        """Number of unknowns."""
        return len(self.unknown) + len(self.linear)

    def rise(self, job: Job) -> Floats:
        """(gnss,) N_to - N_from of each satellite row as recorded, N 0 where there is no antenna."""
        value = np.append(self.value, 0.0)
        start, end = map(self.of, ends(job))
        return np.asarray(value[end] - value[start])

    def of(self, names: npt.NDArray[np.object_]) -> Ints:
        """Position of each mark, -1 where it is none of these."""
        return pd.Index(self.mark).get_indexer(pd.Index(names, dtype=object)).astype(np.int64)

    def knowledge(self) -> tuple[sparse.csr_matrix, Floats]:
        """Rows R (unknowns, unknowns) with standard deviations (unknowns,): what is known of the unknowns beforehand.

        R is lower triangular with a unit diagonal, and ``R x`` is expected to be 0.
        """
        size = len(self)
        has = np.flatnonzero(self.before >= 0)
        sd = self.sd[self.unknown]
        row = np.concatenate([np.arange(size), has])
        column = np.concatenate([np.arange(size), self.before[has]])
        value = np.concatenate([np.ones(size), -self.rho[has] * sd[has] / sd[self.before[has]]])
        R = sparse.csr_matrix((value, (row, column)), shape=(size, size))
        return R, np.concatenate([sd * np.sqrt(1 - self.rho**2), self.linear_sd])

    def effect(self, start: Ints, end: Ints) -> tuple[Ints, Ints, Floats]:
        """Row, unknown and coefficient of what each unknown adds to ``N_end - N_start``; -1: no mark there.

        An end without a start is a height by itself; two ends over one mark cancel.
        """
        rows, columns, values = [], [], []
        column_of = np.full(len(self.mark) + 1, -1, dtype=np.int64)
        column_of[self.unknown] = np.arange(len(self.unknown))
        apart = start != end
        for place, sign in ((end, 1.0), (start, -1.0)):
            at = np.flatnonzero((place >= 0) & apart & (column_of[place] >= 0))
            rows.append(at)
            columns.append(column_of[place[at]])
            values.append(np.full(len(at), sign))
        for i, name in enumerate(self.linear):
            arm = {OFFSET: np.ones(len(self.mark)), TILT_EAST: self.east, TILT_NORTH: self.north}[name]
            arm = np.append(arm, 0.0)  # no mark: nothing
            much = arm[end] - arm[start]
            at = np.flatnonzero(much != 0)
            rows.append(at)
            columns.append(np.full(len(at), len(self.unknown) + i))
            values.append(much[at])
        return np.concatenate(rows), np.concatenate(columns), np.concatenate(values)


def separations_of(job: Job) -> Separations:
    """The separations that a job's satellite heights need."""
    setting = job.settings.separation
    marks, (start, end) = job.marks, ends(job)
    apart = start != end
    named = pd.unique(np.concatenate([start[apart], end[apart]]).astype(object))
    names = np.array([n for n in named if n != ""], dtype=object)
    row = pd.Index(marks["mark"], dtype=object).get_indexer(pd.Index(names, dtype=object))
    columns = ("separation", "separation_sd", "east", "north")
    place = {c: np.append(marks[c].to_numpy(float), np.nan)[row] for c in columns}
    if without := [str(n) for n in names[np.isnan(place["separation"])]]:
        raise CannotAdjust(f"{job.name}: no separation for {', '.join(without[:8])}, where satellite antennas stood.")
    order = np.lexsort((names.astype(str), place["north"], place["east"]))  # one tree, whatever the order of the rows
    names, place = names[order], {c: v[order] for c, v in place.items()}
    sd = np.where(np.isnan(place["separation_sd"]), setting.sd_mm / 1000, place["separation_sd"])
    east, north = place["east"], place["north"]
    placed = np.isfinite(east + north)
    uncertain = np.flatnonzero(sd > 0)
    following, before, length = _tree(east[uncertain], north[uncertain])
    unknown = uncertain[following]
    rho = np.zeros(len(unknown))
    has = before >= 0
    both = 2 * sd[unknown[has]] * sd[unknown[before[has]]]
    own = -np.expm1(-2 * (setting.mm_sqrt_km / 1000) ** 2 * length[has] / 1000 / both)
    rho[has] = np.sqrt(1 - np.maximum(own, LEAST_OWN))
    priors = (
        (OFFSET, setting.offset_sd_mm), (TILT_EAST, setting.tilt_sd_mm_km), (TILT_NORTH, setting.tilt_sd_mm_km),
    )  # fmt: skip
    linear = [(name, value / 1000) for name, value in priors if value > 0 and len(names)]
    middle = (east[placed].mean(), north[placed].mean()) if placed.any() else (0.0, 0.0)
    return Separations(
        mark=names,
        value=place["separation"],
        sd=sd,
        unknown=unknown,
        before=before,
        rho=rho,
        east=np.where(placed, east - middle[0], 0.0) / 1000,
        north=np.where(placed, north - middle[1], 0.0) / 1000,
        linear=tuple(name for name, _ in linear),
        linear_sd=np.array([value for _, value in linear]),
    )


def ends(job: Job) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.object_]]:
    """The marks under both antennas of each satellite row, "" for none."""
    over = np.append(job.setups["mark"].to_numpy(object), "")
    listed = pd.Index(job.setups["setup"], dtype=object)
    start, end = (
        over[listed.get_indexer(pd.Index(job.gnss[column], dtype=object))] for column in ("from_setup", "to_setup")
    )
    return start, end


def satellite_lengths(job: Job) -> Floats:
    """Horizontal distance between the marks of each satellite rise by their coordinates, m; NaN where there is none."""
    if not len(job.gnss):
        return np.zeros(0)
    place = job.marks.drop_duplicates("mark").set_index("mark")[["east", "north"]]
    start, end = (place.reindex(names).to_numpy(float) for names in ends(job))
    return np.asarray(np.hypot(*(end - start).T))


def _tree(east: Floats, north: Floats) -> tuple[Ints, Ints, Floats]:
    """The shortest tree of some places: their order from its root, the position before each (-1: none), its length, m.

    A place without coordinates stands alone.
    """
    count = len(east)
    placed = np.flatnonzero(np.isfinite(east + north))
    alone = np.setdiff1d(np.arange(count), placed)
    if len(placed) < 2:
        return np.concatenate([placed, alone]), np.full(count, -1, dtype=np.int64), np.zeros(count)
    points = np.column_stack([east[placed], north[placed]])
    points = points - points[0]
    a, b = _pairs(points)
    # by rank: among equal lengths (marks on a grid) the order of the marks chooses, not a last digit or a way to sort
    length = np.maximum(np.hypot(*(points[a] - points[b]).T).round(6), CLOSEST_M)
    rank = np.empty(len(length))
    rank[np.lexsort((b, a, length))] = np.arange(1.0, len(length) + 1)
    graph = sparse.csr_matrix((rank, (a, b)), shape=(len(placed), len(placed)))
    tree = csgraph.minimum_spanning_tree(graph)
    order, parent = csgraph.breadth_first_order(tree, 0, directed=False)
    position = np.empty(len(placed), dtype=np.int64)
    position[order] = np.arange(len(order))
    above = parent[order[1:]]
    before = np.concatenate([[-1], position[above], np.full(len(alone), -1)]).astype(np.int64)
    step = np.maximum(np.hypot(*(points[order[1:]] - points[above]).T), CLOSEST_M)
    return (
        np.concatenate([placed[order], alone]),
        before,
        np.concatenate([[0.0], step, np.zeros(len(alone))]),
    )


def _pairs(points: Floats) -> tuple[Ints, Ints]:
    """Pairs of points that hold the shortest tree: all of them, or those of a Delaunay triangulation."""
    count = len(points)
    if count <= ALL_PAIRS_UP_TO:
        a, b = np.triu_indices(count, 1)
        return a.astype(np.int64), b.astype(np.int64)
    corners = Delaunay(points, qhull_options="QJ").simplices  # QJ: points on one line or in one place do no harm
    pairs = np.sort(np.concatenate([corners[:, [0, 1]], corners[:, [1, 2]], corners[:, [2, 0]]]), axis=1)
    pairs = np.unique(pairs, axis=0).astype(np.int64)
    return pairs[:, 0], pairs[:, 1]


def none() -> Separations:
    """Of a job without satellite heights."""
    nothing, names = np.zeros(0), np.zeros(0, dtype=object)
    where = np.zeros(0, dtype=np.int64)
    return Separations(names, nothing, nothing, where, where, nothing, nothing, nothing, (), nothing)
