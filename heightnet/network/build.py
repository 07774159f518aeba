"""From a job to its network: which places exist, what ties them, and from which height each part hangs.

The model, for heights H of marks, Z of stands (trunnion axis or target centre; the seat of a stand that instrument and
target share), refraction coefficient k of a session, index error i of an instrument:

    known height          H = value
    tape reading          Z - H = reduced height
    shot                  Z_target - Z_setup = s cos z + (1 - k)(s sin z)^2 / 2R,  z freed of i
    levelled difference   H_to - H_from = rise
    staff                 Z_level - H_mark = reading - (1 - k) d^2 / 2R
    satellite rise        Z_to - Z_from = rise - (N_to - N_from),  N the separations: see `heightnet.network.separation`
    satellite height      Z_to = height - N_to
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse
from scipy.sparse import csgraph

from heightnet.job.model import Job
from heightnet.network.model import DATUM, Kind, Network, Nodes, Piece
from heightnet.network.separation import Separations, ends, none, separations_of
from heightnet.reduce.sight import ARCSEC, Sights, curvature_and_refraction, reduce_sights
from heightnet.reduce.tape import reduce_tape

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Names = npt.NDArray[np.object_]

SAME_HEIGHT_M = 5e-5  # booked heights of one shared stand closer than this are one taping, booked twice


def build_network(job: Job) -> Network:
    """The network of a job; never fails on a job that was read, however little ties it together."""
    places = _Places(job)
    readings, notes = _readings_of_stands(job, places)
    sights = reduce_sights(job.shots, job.settings)
    separations = separations_of(job) if len(job.gnss) else none()
    edges = _edges(job, places, readings, sights, separations)
    held_marks, held_heights = places.held(job)
    nodes, pieces, tree = _hang(places, edges, held_marks, held_heights)
    return _equations(job, places, readings, sights, separations, edges, nodes, pieces, tree, held_marks, notes)


class _Places:
    """Numbers for every place: datum 0, marks, stands, levels' lines of sight."""

    def __init__(self, job: Job) -> None:
        named = [job.marks["mark"], job.setups["mark"], job.targets["mark"]]
        named += [job.levels["from_mark"], job.levels["to_mark"], job.staff["mark"]]
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

    def level_node(self, names: pd.Series) -> Ints:
        return self.level_index.get_indexer(pd.Index(names, dtype=object)).astype(np.int64) + self.first_level

    def held(self, job: Job) -> tuple[Ints, Floats]:
        """Marks whose known height is held exactly (sd 0), and those heights."""
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


def _readings_of_stands(job: Job, places: _Places) -> tuple[pd.DataFrame, list[str]]:
    """Reduced readings with the node they belong to; a shared stand's taping booked twice is kept once."""
    readings = reduce_tape(job)
    notes = list(places.notes)
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
    return readings[keep].reset_index(drop=True), notes


def _edges(
    job: Job, places: _Places, readings: pd.DataFrame, sights: Sights, separations: Separations
) -> dict[str, npt.NDArray]:
    """Every observation that ties two nodes, kinds in order: kind, tail, head, rise, sd, source."""
    precision = job.settings.precision
    marks, levels, staff = job.marks, job.levels, job.staff
    known_sd = marks["sd"].fillna(precision.known_mm / 1000).to_numpy(float)
    known = np.flatnonzero(marks["height"].notna().to_numpy() & (known_sd > 0))
    setup, target = places.shot_setup, places.shot_target
    offsets = places.target_axis[target] - places.setup_axis[setup] if len(target) else np.zeros(0)
    distance = staff["distance"].fillna(0.0).to_numpy(float)
    bent = curvature_and_refraction(distance, job.settings.air.refraction, job.settings.earth.radius_m)
    reading_node = readings["node"].to_numpy(np.int64) if len(readings) else np.zeros(0, dtype=np.int64)
    parts = [
        (Kind.KNOWN, np.full(len(known), DATUM), places.mark_node(marks["mark"])[known],
         marks["height"].to_numpy(float)[known], known_sd[known], known),
        (Kind.HEIGHT, places.mark[reading_node], reading_node,
         (readings["height"] - readings["axis"]).to_numpy(float), readings["sd"].to_numpy(float),
         np.arange(len(readings))),
        (Kind.SHOT, places.setup_node[setup], places.target_node[target], sights.rise - offsets, sights.sd,
         np.arange(len(job.shots))),
        (Kind.LEVEL, places.mark_node(levels["from_mark"]), places.mark_node(levels["to_mark"]),
         levels["rise"].to_numpy(float), level_sd(job), np.arange(len(levels))),
        (Kind.STAFF, places.mark_node(staff["mark"]), places.level_node(staff["level_setup"]),
         staff["reading"].to_numpy(float) - bent, staff["sd"].fillna(precision.staff_mm / 1000).to_numpy(float),
         np.arange(len(staff))),
        (Kind.GNSS, *_satellite(job, places, separations)),
    ]  # fmt: skip
    return {
        "kind": np.concatenate([np.full(len(p[1]), int(p[0]), dtype=np.int8) for p in parts]),
        "tail": np.concatenate([p[1] for p in parts]).astype(np.int64),
        "head": np.concatenate([p[2] for p in parts]).astype(np.int64),
        "rise": np.concatenate([p[3] for p in parts]).astype(float),
        "sd": np.concatenate([p[4] for p in parts]).astype(float),
        "source": np.concatenate([p[5] for p in parts]).astype(np.int64),
    }


def _satellite(job: Job, places: _Places, separations: Separations) -> tuple[Ints, Ints, Floats, Floats, Ints]:
    """Tail, head, rise, sd and source of each satellite rise or height; a height hangs from the datum."""
    gnss = job.gnss
    at, to = (_position(job.setups["setup"], gnss[c]) for c in ("from_setup", "to_setup"))
    node, axis = np.append(places.setup_node, DATUM), np.append(places.setup_axis, 0.0)
    value = np.append(separations.value, 0.0)
    start, end = map(separations.of, ends(job))
    rise = gnss["rise"].fillna(gnss["height"]).to_numpy(float) - (value[end] - value[start]) - (axis[to] - axis[at])
    sd = gnss["sd"].fillna(job.settings.precision.gnss_mm / 1000).to_numpy(float)
    return node[at], node[to], rise, sd, np.arange(len(gnss))


def level_sd(job: Job) -> Floats:
    """Standard deviation of each levelled difference: its own, by the root of the distance, or of the set-ups."""
    levels, precision = job.levels, job.settings.precision
    by_length = precision.level_mm_sqrt_km / 1000 * np.sqrt(levels["length"].to_numpy(float) / 1000)
    by_setups = precision.level_mm_setup / 1000 * np.sqrt(levels["setups"].to_numpy(float))
    return levels["sd"].fillna(pd.Series(by_length)).fillna(pd.Series(by_setups)).to_numpy(float)


def _hang(
    places: _Places, edges: dict[str, npt.NDArray], held: Ints, held_heights: Floats
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
        self.kind: list[Kind] = []
        self._row: list[Ints] = []
        self._col: list[Ints] = []
        self._value: list[Floats] = []

    def put(self, row: Ints, column: Ints, value: Floats) -> None:
        self._row.append(row)
        self._col.append(column)
        self._value.append(value)

    def nuisances(self, kind: Kind, sd: Sequence[float], row: Ints, column: Ints, value: Floats) -> tuple[int, int]:
        """So many further unknowns, which act on the observations ``row``; returns the first row of knowledge about
        them and their first column."""
        first, at = self.edges + len(self.sd), self.heights + len(self.sd)
        self.put(row, at + column, value)
        self.sd += sd
        self.kind += [kind] * len(sd)
        return first, at

    def known_each(self, kind: Kind, sd: float, names: Names, row: Ints, column: Ints, value: Floats) -> list[str]:
        """Nuisances that each have a row of their own: 0 with a standard deviation; returns their names."""
        first, at = self.nuisances(kind, [sd] * len(names), row, column, value)
        own = np.arange(len(names))
        self.put(first + own, at + own, np.ones(len(names)))
        return [str(n) for n in names]

    def matrix(self) -> sparse.csr_matrix:
        entries = np.concatenate(self._value), (np.concatenate(self._row), np.concatenate(self._col))
        extra = len(self.sd)
        return sparse.csr_matrix(entries, shape=(self.edges + extra, self.heights + extra))


def _refractions(entries: _Entries, job: Job, sights: Sights, shot0: int, staff0: int) -> list[str]:
    """What is not known of k in each session, where any sight bends."""
    distance = job.staff["distance"].fillna(0.0).to_numpy(float)
    staff_bow = distance**2 / (2 * job.settings.earth.radius_m)
    bent = np.flatnonzero(staff_bow > 0)
    if not (job.settings.air.refraction_sd > 0 and (np.any(sights.bow > 0) or len(bent))):
        return []
    session = [job.shots["session"].to_numpy(object), np.full(len(bent), "", dtype=object)]
    code, names = pd.factorize(np.concatenate(session))
    row = np.concatenate([shot0 + np.arange(len(job.shots)), staff0 + bent])
    value = np.concatenate([sights.bow, -staff_bow[bent]])
    return entries.known_each(Kind.REFRACTION, job.settings.air.refraction_sd, names, row, code, value)


def _index_errors(entries: _Entries, job: Job, places: _Places, sights: Sights, shot0: int) -> list[str]:
    """What is not known of each instrument's index error, where any sight stands in one face."""
    single = np.flatnonzero(sights.index_arm != 0)
    if not (len(single) and job.settings.precision.index_sec > 0):
        return []
    code, names = pd.factorize(job.setups["instrument"].to_numpy(object)[places.shot_setup[single]])
    sd = job.settings.precision.index_sec * ARCSEC
    return entries.known_each(Kind.INDEX, sd, names, shot0 + single, code, sights.index_arm[single])


def _put_separations(entries: _Entries, job: Job, separations: Separations, gnss0: int) -> None:
    at, column, much = separations.effect(*map(separations.of, ends(job)))
    R, sd = separations.knowledge()
    R = R.tocoo()
    first, base = entries.nuisances(Kind.SEPARATION, sd.tolist(), gnss0 + at, column, much)
    entries.put(first + R.row, base + R.col, R.data)


def _equations(
    job: Job, places: _Places, readings: pd.DataFrame, sights: Sights, separations: Separations,
    edges: dict[str, npt.NDArray], nodes: Nodes, pieces: tuple[Piece, ...], tree: Ints, held: Ints,
    notes: Sequence[str],
) -> Network:  # fmt: skip
    """The design matrix and the right-hand side about the approximate heights."""
    kind, tail, head = edges["kind"], edges["tail"], edges["head"]
    first = {of: int(np.searchsorted(kind, of)) for of in (Kind.SHOT, Kind.STAFF, Kind.GNSS)}
    entries = _Entries(len(kind), int((nodes.column >= 0).sum()))
    for node, sign in ((head, 1.0), (tail, -1.0)):
        at = np.flatnonzero(nodes.column[node] >= 0)
        entries.put(at, nodes.column[node][at], np.full(len(at), sign))
    sessions = _refractions(entries, job, sights, first[Kind.SHOT], first[Kind.STAFF])
    indexed = _index_errors(entries, job, places, sights, first[Kind.SHOT])
    if len(separations):
        _put_separations(entries, job, separations, first[Kind.GNSS])
    extra = len(entries.sd)
    none = np.full(extra, -1, dtype=np.int64)
    lone = np.flatnonzero(np.isnan(nodes.height))
    return Network(
        job=job,
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
        readings=readings,
        sights=sights,
        setup_node=places.setup_node,
        target_node=places.target_node,
        shot_setup=places.shot_setup,
        shot_target=places.shot_target,
        setup_axis=places.setup_axis,
        target_axis=places.target_axis,
        sessions=tuple(sessions),
        indexed=tuple(indexed),
        separations=separations,
        held=held,
        undetermined=lone[lone != DATUM],
        notes=tuple(notes),
        tree=tree,
    )
