"""From a job to its network: which places exist, what ties them, and from which height each part hangs.

The unknowns are heights H of marks, Z of stands (trunnion axis or target centre; the seat of a stand that instrument
and target share) and of levels' lines of sight, the refraction coefficient k of a session, the index error i of an
instrument, and the errors of separations (`heightnet.network.separation`).  Each kind of observation says how it ties
them: ``edges`` in its file in `heightnet.kinds`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse
from scipy.sparse import csgraph

from heightnet.arrays import Floats, Ints, Names
from heightnet.job.model import Job
from heightnet.kinds.kind import DATUM
from heightnet.kinds.registry import KINDS, code_of, observed
from heightnet.network.model import Network, Nodes, Piece
from heightnet.network.separation import ends, none, separations_of
from heightnet.reduce.sight import ARCSEC, reduce_sights
from heightnet.reduce.tape import reduce_tape

SAME_HEIGHT_M = 5e-5  # booked heights of one shared stand closer than this are one taping, booked twice


def build_network(job: Job) -> Network:
    """The network of a job; never fails on a job that was read, however little ties it together."""
    ties = Ties(job)
    edges = _edges(ties)
    held_marks, held_heights = ties.held()
    nodes, pieces, tree = _hang(ties, edges, held_marks, held_heights)
    return _equations(ties, edges, nodes, pieces, tree, held_marks)


class Ties:
    """What the edges of a kind are made from: a number for every place (the datum 0, marks, stands, levels' lines of
    sight), and the reduced records."""

    def __init__(self, job: Job) -> None:
        self.job = job
        named = [job.marks["mark"], job.setups["mark"], job.targets["mark"]]
        named += [job.tables[kind.table][column] for kind in KINDS.values() for column in kind.marks]
        marks = pd.unique(pd.concat(named, ignore_index=True).astype(object))
        self.marks = pd.Index([m for m in marks if m != ""], dtype=object)
        setups, targets = job.setups, job.targets
        shared = pd.concat([setups["tripod"], targets["tripod"]], ignore_index=True)
        tripods = pd.unique(shared[shared != ""].astype(object))
        own = {
            kind: frame[kind][frame["tripod"] == ""].tolist()
            for kind, frame in (("setup", setups), ("target", targets))
        }
        stands = {**own, "tripod": tripods.tolist()}
        self.levels = pd.unique(job.staff["level_setup"].astype(object))
        first_stand = 1 + len(self.marks)
        first_level = first_stand + sum(map(len, stands.values()))
        kinds = {"datum": 1, "mark": len(self.marks)} | {k: len(names) for k, names in stands.items()}
        kinds["level"] = len(self.levels)
        self.kind = np.repeat(np.array(list(kinds), dtype=object), list(kinds.values()))
        self.name = np.array(
            ["", *self.marks, *(n for names in stands.values() for n in names), *self.levels], dtype=object
        )
        self.first_tripod = first_level - len(tripods)
        self.tripods = pd.Index(tripods, dtype=object)
        self.setup_node = self._stand_nodes(setups, first_stand)
        self.target_node = self._stand_nodes(targets, first_stand + len(own["setup"]))
        self.level_index = pd.Index(self.levels, dtype=object)
        self.first_level = first_level
        self.mark = np.full(len(self.name), -1, dtype=np.int64)
        for frame, node in ((targets, self.target_node), (setups, self.setup_node)):
            at = self.mark_node(frame["mark"])
            self.mark[node[at >= 0]] = at[at >= 0]
        self.setup_axis, self.target_axis, self.notes = _axes(job)
        self.shot_setup = _position(setups["setup"], job.shots["setup"])
        self.shot_target = _position(targets["target"], job.shots["target"])
        self.sights = reduce_sights(job.shots, job.settings)
        self.separations = separations_of(job) if len(job.gnss) else none()
        self.readings = _readings_of_stands(self)

    def _stand_nodes(self, frame: pd.DataFrame, first: int) -> Ints:
        """Things on a named tripod stand at its node; the others have one each, numbered in order."""
        alone = (frame["tripod"] == "").to_numpy()
        return np.where(alone, first + np.cumsum(alone) - 1, self.tripod_node(frame["tripod"]))

    def tripod_node(self, names: pd.Series | Names) -> Ints:
        return self.tripods.get_indexer(pd.Index(names, dtype=object)).astype(np.int64) + self.first_tripod

    def mark_node(self, names: pd.Series) -> Ints:
        """Nodes of marks, -1 where the name is blank."""
        found = self.marks.get_indexer(pd.Index(names, dtype=object)).astype(np.int64)
        return np.where(found >= 0, found + 1, -1)

    def setup_at(self, names: pd.Series) -> Ints:
        """Positions among the set-ups, -1 where the name is blank."""
        return _position(self.job.setups["setup"], names)

    def level_node(self, names: pd.Series) -> Ints:
        return self.level_index.get_indexer(pd.Index(names, dtype=object)).astype(np.int64) + self.first_level

    def held(self) -> tuple[Ints, Floats]:
        """Marks whose known height is held exactly (sd 0), and those heights."""
        job = self.job
        known = job.marks[job.marks["height"].notna()]
        sd_mm = known["sd"].fillna(job.settings.precision.known_mm / 1000)
        exact = known[sd_mm == 0]
        return self.mark_node(exact["mark"]), exact["height"].to_numpy(float)


def _position(names: pd.Series, wanted: pd.Series | Names) -> Ints:
    """Where each wanted name stands among the names."""
    return pd.Index(names, dtype=object).get_indexer(pd.Index(wanted, dtype=object)).astype(np.int64)


def _axes(job: Job) -> tuple[Floats, Floats, list[str]]:
    """Axis of each set-up and target above its stand's seat; only things on a named tripod need one."""
    axis_rows = job.equipment[job.equipment["point"] == "axis"]
    axis = dict(zip(axis_rows["equipment"], axis_rows["offset"], strict=True))
    missing: dict[str, None] = {}

    def of(frame: pd.DataFrame, equipment: str) -> Floats:
        heights = np.zeros(len(frame))
        shared = np.flatnonzero((frame["tripod"] != "").to_numpy())
        names = frame[equipment].to_numpy(object)[shared]
        missing.update(dict.fromkeys(name or "(not named)" for name in names if name not in axis))
        heights[shared] = [axis.get(name, 0.0) for name in names]
        return heights

    setup_axis, target_axis = of(job.setups, "instrument"), of(job.targets, "equipment")
    notes = []
    if missing:
        listed = ", ".join(missing)
        notes.append(
            f"No 'axis' row in equipment for {listed}: on shared stands its axis is taken to stand at the seat, so "
            "that instrument and target on one stand have one height."
        )
    return setup_axis, target_axis, notes


def _readings_of_stands(places: Ties) -> pd.DataFrame:
    """Reduced readings with the node they belong to; a shared stand's taping booked twice is kept once."""
    job, notes = places.job, places.notes
    readings = reduce_tape(job)
    node, axis = np.empty(len(readings), dtype=np.int64), np.zeros(len(readings))
    kind, name = (readings[c].to_numpy(object) for c in ("stand_kind", "stand"))
    for of, frame, nodes, axes in (
        ("setup", job.setups, places.setup_node, places.setup_axis),
        ("target", job.targets, places.target_node, places.target_axis),
    ):
        at = np.flatnonzero(kind == of)
        thing = _position(frame[of], name[at])
        node[at], axis[at] = nodes[thing], axes[thing]
    on_tripod = np.flatnonzero(kind == "tripod")
    node[on_tripod] = places.tripod_node(name[on_tripod])
    readings = readings.assign(node=node, axis=axis)
    standing = places.mark[node] >= 0 if len(node) else np.zeros(0, dtype=bool)
    for name in readings.loc[~standing, "stand"]:
        notes.append(f"The height of {name} is not used: it stands over no mark.")
    readings = readings[standing]
    keep = np.ones(len(readings), dtype=bool)
    seen: dict[int, float] = {}
    at_node, seat = readings["node"].to_numpy(np.int64), (readings["height"] - readings["axis"]).to_numpy(float)
    booked = (readings["kind"] == "booked").to_numpy() & (places.kind[at_node] == "tripod")
    for i in np.flatnonzero(booked).tolist():
        stand = int(at_node[i])
        if stand in seen and abs(seen[stand] - seat[i]) < SAME_HEIGHT_M:
            keep[i] = False
            notes.append(
                f"Stand {places.name[stand]} has one height booked for instrument and target: one taping, used once."
            )
        seen.setdefault(stand, float(seat[i]))
    return readings[keep].reset_index(drop=True)


def _edges(ties: Ties) -> dict[str, npt.NDArray]:
    """Every observation that ties two nodes, kinds in order: kind, tail, head, rise, sd, source."""
    parts = [kind.edges(ties) for kind in observed() if kind.edges]
    dtype = {"tail": np.int64, "head": np.int64, "rise": np.float64, "sd": np.float64, "source": np.int64}
    columns = {name: np.concatenate([getattr(e, name) for e in parts]).astype(of) for name, of in dtype.items()}
    return {"kind": np.repeat(np.arange(len(parts)), [len(e.tail) for e in parts]).astype(np.int8), **columns}


def _hang(
    places: Ties, edges: dict[str, npt.NDArray], held: Ints, held_heights: Floats
) -> tuple[Nodes, tuple[Piece, ...], Ints]:
    """Pieces, their datums, and approximate heights carried along a spanning forest."""
    count = len(places.name)
    tail = np.concatenate([edges["tail"], np.full(len(held), DATUM)])
    head = np.concatenate([edges["head"], held])
    rise = np.concatenate([edges["rise"], held_heights])
    graph = sparse.coo_matrix((np.ones(2 * len(tail)), (np.r_[tail, head], np.r_[head, tail])), shape=(count, count))
    number, label = csgraph.connected_components(graph.tocsr(), directed=False)
    # pieces numbered by their first node, so that the datum's own is 0
    first = np.full(number, count)
    np.minimum.at(first, label, np.arange(count))
    rank = np.empty(number, dtype=np.int64)
    rank[np.argsort(first)] = np.arange(number)
    label = rank[label]
    sizes = np.bincount(label, minlength=number)
    order = np.argsort(label, kind="stable")
    starts = np.concatenate([[0], np.cumsum(sizes)])

    edge_of = _edge_between(tail, head, count)
    csr = graph.tocsr()
    height = np.full(count, np.nan)
    column = np.full(count, -1, dtype=np.int64)
    tree = np.full(count, -1, dtype=np.int64)
    pieces = []
    for piece in range(number):
        nodes = order[starts[piece] : starts[piece + 1]]
        tied = piece == label[DATUM]
        if len(nodes) == 1:
            if tied:
                height[DATUM] = 0.0
            continue  # nothing determines a lone place
        root = DATUM if tied else int(nodes[0])
        _carry(csr, root, edge_of, head, rise, height, tree)
        pieces.append(Piece(piece, bool(tied), -1 if tied else root, nodes))
    height[held] = held_heights
    free = ~np.isnan(height)
    free[[DATUM, *held.tolist(), *(p.datum for p in pieces if not p.tied)]] = False
    column[free] = np.arange(int(free.sum()))
    nodes_ = Nodes(places.kind, places.name, places.mark, column, height, label)
    return nodes_, tuple(pieces), tree


def _edge_between(tail: Ints, head: Ints, count: int) -> tuple[Ints, Ints]:
    """Sorted keys of node pairs, and the edge that stands for each (the first of parallel ones)."""
    low, high = np.minimum(tail, head), np.maximum(tail, head)
    key, first = np.unique(low * np.int64(count) + high, return_index=True)
    return key, first.astype(np.int64)


def _carry(
    graph: sparse.csr_matrix,
    root: int,
    edge_of: tuple[Ints, Ints],
    head: Ints,
    rise: Floats,
    height: Floats,
    tree: Ints,
) -> None:
    """Carry heights from the root along a breadth-first tree; remember each node's tree edge."""
    order, parent = csgraph.breadth_first_order(graph, root, directed=False)
    key, first = edge_of
    below = order[1:].astype(np.int64)
    above = parent[below].astype(np.int64)
    count = graph.shape[0]
    pair = np.minimum(below, above) * np.int64(count) + np.maximum(below, above)
    edge = first[np.searchsorted(key, pair)]
    step = np.where(head[edge] == below, rise[edge], -rise[edge])
    height[root] = 0.0
    tree[below] = edge
    for node, up, gain in zip(below.tolist(), above.tolist(), step.tolist(), strict=True):
        height[node] = height[up] + gain


class _Entries:
    """Entries of the design matrix, put in piece by piece: heights, then nuisances, each with a row of knowledge."""

    def __init__(self, edges: int, heights: int) -> None:
        self.edges, self.heights = edges, heights
        self.sd: list[float] = []  # of the knowledge of each nuisance
        self.kind: list[int] = []
        self._row: list[Ints] = []
        self._col: list[Ints] = []
        self._value: list[Floats] = []

    def put(self, row: Ints, column: Ints, value: Floats) -> None:
        self._row.append(row)
        self._col.append(column)
        self._value.append(value)

    def nuisances(self, kind: str, sd: Sequence[float], row: Ints, column: Ints, value: Floats) -> tuple[int, int]:
        """So many further unknowns, which act on the observations ``row``; returns the first row of knowledge about
        them and their first column."""
        first, at = self.edges + len(self.sd), self.heights + len(self.sd)
        self.put(row, at + column, value)
        self.sd += sd
        self.kind += [code_of(kind)] * len(sd)
        return first, at

    def known_each(self, kind: str, sd: float, names: Names, row: Ints, column: Ints, value: Floats) -> list[str]:
        """Nuisances that each have a row of their own: 0 with a standard deviation; returns their names."""
        first, at = self.nuisances(kind, [sd] * len(names), row, column, value)
        own = np.arange(len(names))
        self.put(first + own, at + own, np.ones(len(names)))
        return [str(n) for n in names]

    def matrix(self) -> sparse.csr_matrix:
        entries = np.concatenate(self._value), (np.concatenate(self._row), np.concatenate(self._col))
        extra = len(self.sd)
        return sparse.csr_matrix(entries, shape=(self.edges + extra, self.heights + extra))


def _refractions(entries: _Entries, ties: Ties, shot0: int, staff0: int) -> list[str]:
    """What is not known of k in each session, where any sight bends."""
    job, sights = ties.job, ties.sights
    distance = job.staff["distance"].fillna(0.0).to_numpy(float)
    staff_bow = distance**2 / (2 * job.settings.earth.radius_m)
    bent = np.flatnonzero(staff_bow > 0)
    if not (job.settings.air.refraction_sd > 0 and (np.any(sights.bow > 0) or len(bent))):
        return []
    session = [job.shots["session"].to_numpy(object), np.full(len(bent), "", dtype=object)]
    code, names = pd.factorize(np.concatenate(session))
    row = np.concatenate([shot0 + np.arange(len(job.shots)), staff0 + bent])
    value = np.concatenate([sights.bow, -staff_bow[bent]])
    return entries.known_each("refraction", job.settings.air.refraction_sd, names, row, code, value)


def _index_errors(entries: _Entries, ties: Ties, shot0: int) -> list[str]:
    """What is not known of each instrument's index error, where any sight stands in one face."""
    job, sights = ties.job, ties.sights
    single = np.flatnonzero(sights.index_arm != 0)
    if not (len(single) and job.settings.precision.index_sec > 0):
        return []
    code, names = pd.factorize(job.setups["instrument"].to_numpy(object)[ties.shot_setup[single]])
    sd = job.settings.precision.index_sec * ARCSEC
    return entries.known_each("index", sd, names, shot0 + single, code, sights.index_arm[single])


def _put_separations(entries: _Entries, ties: Ties, gnss0: int) -> None:
    separations = ties.separations
    at, column, much = separations.effect(*map(separations.of, ends(ties.job)))
    R, sd = separations.knowledge()
    R = R.tocoo()
    first, base = entries.nuisances("separations", sd.tolist(), gnss0 + at, column, much)
    entries.put(first + R.row, base + R.col, R.data)


def _equations(
    ties: Ties, edges: dict[str, npt.NDArray], nodes: Nodes, pieces: tuple[Piece, ...], tree: Ints, held: Ints
) -> Network:
    """The design matrix and the right-hand side about the approximate heights."""
    kind, tail, head = edges["kind"], edges["tail"], edges["head"]
    shots, staff, gnss = (int(np.searchsorted(kind, code_of(of))) for of in ("shot", "staff", "gnss"))
    entries = _Entries(len(kind), int((nodes.column >= 0).sum()))
    for node, sign in ((head, 1.0), (tail, -1.0)):
        at = np.flatnonzero(nodes.column[node] >= 0)
        entries.put(at, nodes.column[node][at], np.full(len(at), sign))
    sessions = _refractions(entries, ties, shots, staff)
    indexed = _index_errors(entries, ties, shots)
    if len(ties.separations):
        _put_separations(entries, ties, gnss)
    extra = len(entries.sd)
    none = np.full(extra, -1, dtype=np.int64)
    lone = np.flatnonzero(np.isnan(nodes.height))
    return Network(
        job=ties.job,
        nodes=nodes,
        pieces=pieces,
        kind=np.concatenate([kind, np.array(entries.kind, dtype=np.int8)]),
        tail=np.concatenate([tail, none]),
        head=np.concatenate([head, none]),
        rise=np.concatenate([edges["rise"], np.zeros(extra)]),
        y=np.concatenate([edges["rise"] - (nodes.height[head] - nodes.height[tail]), np.zeros(extra)]),
        sd=np.concatenate([edges["sd"], entries.sd]),
        source=np.concatenate([edges["source"], np.arange(extra)]),
        A=entries.matrix(),
        readings=ties.readings,
        sights=ties.sights,
        setup_node=ties.setup_node,
        target_node=ties.target_node,
        shot_setup=ties.shot_setup,
        shot_target=ties.shot_target,
        setup_axis=ties.setup_axis,
        target_axis=ties.target_axis,
        sessions=tuple(sessions),
        indexed=tuple(indexed),
        separations=ties.separations,
        held=held,
        undetermined=lone[lone != DATUM],
        notes=tuple(ties.notes),
        tree=tree,
    )
