"""Every blunder that is tried: the columns C of y = A x + C b + e, one a hypothesis.

A family that knows only instrument heights blames them for everyone's blunders; so every kind of observation is in it,
and what they share (tape, prism, instrument, observer, index error, refraction) as groups.  Sizes b are metres; where
a column's natural size is not a metre (an index error, a share of a slant) it is scaled so that b is the root mean
square of what it does to the members.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from heightnet.kinds.group import LARGEST
from heightnet.ledger.thing import STANDS, Thing, ids_of, row_ids
from heightnet.network.model import DATUM, Kind, Network
from heightnet.network.stands import recorded_heights
from heightnet.reduce.tape import reading_ids

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SWAP_SHARE = 0.05  # of the set-ups with a wrong height, those whose HI and HT were booked in each other's place
SWAP_LEAST_M = 0.002  # a swap of heights closer than this does nothing worth finding
EXCHANGE_SHARE = 0.06  # of the wrong readings of a level, those of a backsight and a foresight in each other's place
EXCHANGE_LEAST_M = 0.002


@dataclass(frozen=True)
class Family:
    """All hypotheses of a job; arrays have one entry a hypothesis.

    ids : ``kind:name`` as in results.json.
    kind : "setup", "target", "tripod", "reading", "swap", "shot", "known", "level", "staff", "gnss",
        "separation", "exchange" or "group".
    node : the stand of a height or reading, the mark of a known height or a separation, -1 for others.
    observation : the observation of a single-observation hypothesis, -1 for others.
    rate : prior chance of the blunder.
    size : the size it must have (m) where the records fix it, NaN where any size will do.
    unit : of groups, the size that one unit of its own error (a radian, a part of a scale) has, m; 1 for others.
    C : (m, h) sparse, the pattern of each hypothesis.
    members : for groups and swaps, the observations touched.
    """

    ids: npt.NDArray[np.object_]
    kind: npt.NDArray[np.object_]
    node: Ints
    observation: Ints
    rate: Floats
    size: Floats
    unit: Floats
    C: sparse.csc_matrix

    def __len__(self) -> int:
        return len(self.ids)

    def of(self, *kinds: str) -> npt.NDArray[np.bool_]:
        """(h,) hypotheses of one of these kinds."""
        code, names = self._kind_codes
        return np.isin(code, [at for at, name in enumerate(names) if name in kinds])

    @cached_property
    def _kind_codes(self) -> tuple[Ints, list[str]]:
        code, names = pd.factorize(self.kind)
        return code, [str(name) for name in names]

    @cached_property
    def limit(self) -> Floats:
        """(h,) the greatest size (m) that each can have: of common errors that of their kind, of others any."""
        out = np.full(len(self), np.inf)
        for h in np.flatnonzero(self.of("group")).tolist():
            out[h] = LARGEST.get(self.thing(h).pair[0], np.inf) * self.unit[h]
        return out

    def thing(self, h: int) -> Thing:
        """What hypothesis h says is wrong."""
        return Thing.of(str(self.ids[h]))

    def members(self, h: int) -> Ints:
        """Observations that hypothesis h touches."""
        return self.C.indices[self.C.indptr[h] : self.C.indptr[h + 1]].astype(np.int64)


@dataclass
class _Builder:
    """Collects hypotheses column by column, blocks of one kind at a time."""

    ids: list[npt.NDArray[np.object_]]
    kinds: list[str]
    nodes: list[Ints]
    observations: list[Ints]
    rates: list[Floats]
    sizes: list[Floats]
    units: list[Floats]
    rows: list[Ints]
    columns: list[Ints]
    values: list[Floats]
    count: int = 0

    def singles(self, kind: str, ids: Iterable[str], observations: Ints, node: Ints, rate: float) -> None:
        """Hypotheses that touch one observation each."""
        self._add(kind, list(ids), node, observations, rate)
        n = len(observations)
        self._pattern(observations, self.count - n + np.arange(n), np.ones(n))

    def pattern(
        self, thing: Thing, rows: Ints, values: Floats, node: int, rate: float, size: float = np.nan, unit: float = 1.0
    ) -> None:  # fmt: skip
        """One hypothesis that touches several observations."""
        self._add(thing.kind, [str(thing)], np.array([node]), np.array([-1]), rate, size, unit)
        self._pattern(rows, np.full(len(rows), self.count - 1), values)

    def _add(
        self, kind: str, ids: list[str], node: Ints, obs: Ints, rate: float, size: float = np.nan, unit: float = 1.0
    ) -> None:
        n = len(ids)
        self.ids.append(np.array(ids, dtype=object))
        self.kinds += [kind] * n
        self.nodes.append(node.astype(np.int64))
        self.observations.append(obs.astype(np.int64))
        self.rates.append(np.full(n, rate))
        self.sizes.append(np.full(n, size))
        self.units.append(np.full(n, unit))
        self.count += n

    def _pattern(self, rows: Ints, columns: Ints, values: Floats) -> None:
        self.rows.append(rows.astype(np.int64))
        self.columns.append(columns.astype(np.int64))
        self.values.append(values.astype(float))

    def family(self, m: int) -> Family:
        C = sparse.csc_matrix(
            (np.concatenate(self.values), (np.concatenate(self.rows), np.concatenate(self.columns))),
            shape=(m, self.count),
        )
        return Family(
            np.concatenate(self.ids), np.array(self.kinds, dtype=object), np.concatenate(self.nodes),
            np.concatenate(self.observations), np.concatenate(self.rates), np.concatenate(self.sizes),
            np.concatenate(self.units), C,
        )  # fmt: skip


def build_family(net: Network, groups: bool = True, swaps: bool | set[int] = True) -> Family:
    """The whole family of a job.

    Parameters
    ----------
    groups, swaps : leave these out to see what a smaller family would accuse (used to measure the difference); of
        heights and readings in each other's place those that touch one of some nodes may be asked for.
    """
    empty = np.zeros(0, dtype=np.int64)
    none = np.zeros(0)
    builder = _Builder([np.zeros(0, object)], [], [empty], [empty], [none], [none], [none], [empty], [empty], [none])
    rates, job = net.job.settings.rates, net.job
    _heights(builder, net)
    rows = net.rows(Kind.SHOT)
    file = job.files["shots"]
    at = np.arange(rows.start, rows.stop)
    builder.singles("shot", row_ids("shot", file, job.shots["row"]), at, np.full(len(at), -1), rates.shot)
    _known(builder, net)
    for kind, table in ((Kind.LEVEL, "levels"), (Kind.STAFF, "staff")):
        rows = net.rows(kind)
        frame = job.tables[table]
        name = kind.name.lower()
        at = np.arange(rows.start, rows.stop)
        ids = row_ids(name, job.files[table], frame["row"])
        builder.singles(name, ids, at, np.full(len(at), -1), rates.level)
    if len(job.gnss):
        _satellite(builder, net)
    if swaps:
        among = None if swaps is True else swaps
        _swaps(builder, net, among)
        _exchanges(builder, net, among)
    if groups:
        from heightnet.judge.groups import add_groups

        add_groups(builder, net)
    return builder.family(len(net.y))


def stand_labels(net: Network, nodes: Ints) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.object_]]:
    """Kind and name under which stands are judged: a tripod that only one thing stood on is that thing's."""
    kind, name = net.nodes.kind[nodes], net.nodes.name[nodes]
    tripod = np.flatnonzero(kind == "tripod")
    if not len(tripod):
        return kind, name
    size = len(net.nodes)
    users = np.bincount(net.setup_node, minlength=size) + np.bincount(net.target_node, minlength=size)
    for thing, node, frame in (("target", net.target_node, net.job.targets), ("setup", net.setup_node, net.job.setups)):
        own = np.full(size, -1, dtype=np.int64)
        own[node] = np.arange(len(node))
        at = tripod[(users[nodes[tripod]] == 1) & (own[nodes[tripod]] >= 0)]
        kind[at], name[at] = thing, frame[thing].to_numpy(object)[own[nodes[at]]]
    return kind, name


def _heights(builder: _Builder, net: Network) -> None:
    """Each stand's height with all its readings, and each reading of a stand that has several."""
    rows = net.rows(Kind.HEIGHT)
    node = net.head[rows]
    rates, names = net.job.settings.rates, reading_ids(net.readings)
    rate_of = {"setup": rates.setup, "target": rates.target, "tripod": rates.setup}
    order = np.argsort(node, kind="stable")
    stands, first, count = np.unique(node[order], return_index=True, return_counts=True)
    kinds, labels = stand_labels(net, stands)
    obs = rows.start + order[first]
    for kind in STANDS:
        at = np.flatnonzero((kinds == kind) & (count == 1))
        builder.singles(kind, ids_of(kind, labels[at].tolist()), obs[at], stands[at], rate_of[kind])
    for i in np.flatnonzero(count > 1).tolist():
        kind, stand, size = str(kinds[i]), int(stands[i]), int(count[i])
        these = order[first[i] : first[i] + size]
        builder.pattern(Thing(kind, str(labels[i])), rows.start + these, np.ones(size), stand, rate_of[kind])
        ids = [names[i] for i in these]
        builder.singles("reading", ids, rows.start + these, np.full(size, stand), rates.reading)


def _known(builder: _Builder, net: Network) -> None:
    """Each known mark: its observation, or where it is held exactly, whatever stands on it."""
    rate = net.job.settings.rates.known
    rows = net.rows(Kind.KNOWN)
    at = np.arange(rows.start, rows.stop)
    builder.singles("known", ids_of("known", net.nodes.name[net.head[rows]].tolist()), at, net.head[rows], rate)
    if len(net.held):
        edges = slice(0, net.edge_count)
        for node in net.held:
            touching = np.flatnonzero((net.tail[edges] == node) | (net.head[edges] == node))
            sign = np.where(net.head[touching] == node, -1.0, 1.0)
            builder.pattern(Thing("known", str(net.nodes.name[node])), touching, sign, int(node), rate)


def _satellite(builder: _Builder, net: Network) -> None:
    """Each satellite rise or height, and each mark's separation: wrong by b, it spoils every row to its mark by -b."""
    rates, job = net.job.settings.rates, net.job
    rows = net.rows(Kind.GNSS)
    at = np.arange(rows.start, rows.stop)
    ids = row_ids("gnss", job.files["gnss"], job.gnss["row"])
    builder.singles("gnss", ids, at, np.full(len(at), -1), rates.gnss)
    start, end = (np.where(node == DATUM, -1, net.nodes.mark[node]) for node in (net.tail[rows], net.head[rows]))
    row = np.concatenate([at, at])
    mark = np.concatenate([end, start])
    sign = np.repeat([-1.0, 1.0], len(at))
    kept = (mark >= 0) & np.tile(start != end, 2)
    order = np.argsort(mark[kept], kind="stable")
    row, mark, sign = row[kept][order], mark[kept][order], sign[kept][order]
    marks, first = np.unique(mark, return_index=True)
    for node, these, signs in zip(marks.tolist(), np.split(row, first[1:]), np.split(sign, first[1:]), strict=True):
        builder.pattern(Thing("separation", str(net.nodes.name[node])), these, signs, node, rates.separation)


def _swaps(builder: _Builder, net: Network, among: set[int] | None) -> None:
    """HI and HT of one sight booked in each other's place: the records fix the size."""
    rows = net.rows(Kind.HEIGHT)
    node = net.head[rows]
    positions: dict[int, list[int]] = {}
    for i, n in enumerate(node.tolist()):
        positions.setdefault(n, []).append(rows.start + i)
    rate = net.job.settings.rates.setup * SWAP_SHARE
    of_setup, of_target = (recorded_heights(net, kind)[0] for kind in ("setup", "target"))
    setups, targets = net.job.setups["setup"].to_numpy(object), net.job.targets["target"].to_numpy(object)
    pairs = dict.fromkeys(zip(net.shot_setup.tolist(), net.shot_target.tolist(), strict=True))
    for s, t in pairs:
        at, to = int(net.setup_node[s]), int(net.target_node[t])
        if at == to or at not in positions or to not in positions or not (among is None or {at, to} & among):
            continue
        size = float(of_setup[s] - of_target[t])
        if abs(size) < SWAP_LEAST_M or np.isnan(size):
            continue
        touched = np.array(positions[at] + positions[to])
        sign = np.r_[np.ones(len(positions[at])), -np.ones(len(positions[to]))]
        builder.pattern(Thing.both("swap", setups[s], targets[t]), touched, sign, at, rate, size)


def _exchanges(builder: _Builder, net: Network, among: set[int] | None) -> None:
    """Backsight b and foresight f of a level set-up in each other's place: one b - f too high, the other too low."""
    staff, rows = net.job.staff, net.rows(Kind.STAFF)
    rate = net.job.settings.rates.level * EXCHANGE_SHARE
    reading, run = staff["reading"].to_numpy(float), staff["run"].to_numpy(object)
    sight, level = staff["sight"].to_numpy(object), staff["level_setup"].to_numpy(object)
    pairs: dict[tuple[str, str], dict[str, list[int]]] = {}
    for i, place in enumerate(zip(run.tolist(), level.tolist(), strict=True)):
        if among is None or int(net.head[rows.start + i]) in among:
            pairs.setdefault(place, {}).setdefault(sight[i], []).append(i)
    for (of_run, of_level), sights in pairs.items():
        back, fore = sights.get("BS", []), sights.get("FS", [])
        if len(back) != 1 or len(fore) != 1:
            continue
        size = float(reading[back[0]] - reading[fore[0]])
        if abs(size) >= EXCHANGE_LEAST_M:
            at = rows.start + np.array([back[0], fore[0]])
            builder.pattern(Thing.both("exchange", of_level, of_run), at, np.array([1.0, -1.0]), -1, rate, size)
