"""What a height is proved against: one definition, for whoever asks.

A height is proved against a kind of error if one of that kind, as large as the tolerance, would have been spoken of
with ``test.power``.  The kinds:

misreading : one reading is wrong.  The other scale at the same point shows it.
wrong_point : all readings to one point, by one person, are wrong alike: held to another point, or a slant taken for
    the vertical.  The rest of the job shows it, or a reading to another point, in parts, or by somebody else.
equipment : all heights that share its pole, instrument, tape or observer are wrong alike.
mark : the mark under the stand is not where it is listed, or all that stood over it is wrong alike.
movement : the stand moved between two of its sights.

Sizes are those of the height: one misread of two readings that count alike makes it wrong by half as much.  A common
error of equipment counts as far as it moves a mark: what all heights have in common does no harm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from heightnet.arrays import Floats, Ints
from heightnet.judge.bench import Bench, BenchBase
from heightnet.judge.promises import found_at_most, shown_from
from heightnet.kinds.local import OVER_MARK, way_of
from heightnet.kinds.stands import stand_weights
from heightnet.ledger.results import PROVED_AGAINST
from heightnet.ledger.thing import STANDS

KINDS = PROVED_AGAINST.choices
OF_VERDICT = ("misreading", "wrong_point")
"""What the verdict on a height goes by."""
ALIKE = 1e-6  # part by which two sizes may differ that are equal but for last digits
LEAST_MOVE = 1e-6  # of an error: a mark that moves less does not move


@dataclass(frozen=True)
class Proof:
    """How large an error of each kind must be to show.

    stands : (s,) hypotheses of the heights.
    size : (s, kinds) m of the height; inf where nothing tests it, NaN where there is nothing of the kind to be wrong.
    by : (s, kinds) the error of the kind that shows least, a column of ``C``; -1 where there is none.
    C : (m, ...) hypotheses of the family, then those of readings that share a point and a person.
    """

    stands: Ints
    size: Floats
    by: Ints
    C: sparse.csc_matrix

    @property
    def of_verdict(self) -> Floats:
        """(s,) size from which an error of a height shows, misread or to a wrong point."""
        return np.asarray(self.size[:, : len(OF_VERDICT)].max(axis=1, initial=0.0))


class _Sizes:
    def __init__(self, bench: BenchBase) -> None:
        family = bench.family
        self.stands = np.flatnonzero(family.of(*STANDS))
        self.at = np.full(len(bench.net.nodes), -1, dtype=np.int64)  # position of each node's stand
        self.at[family.node[self.stands]] = np.arange(len(self.stands))
        self.size = np.full((len(self.stands), len(KINDS)), np.nan)
        self.by = np.full(self.size.shape, -1, dtype=np.int64)

    def put(self, kind: str, nodes: Ints, size: Floats, by: Ints) -> None:
        """An error of a kind at these nodes' stands; of several the one that shows least counts."""
        column = KINDS.index(kind)
        for at, one, h in zip(self.at[nodes].tolist(), size.tolist(), by.tolist(), strict=True):
            if at >= 0 and not self.size[at, column] >= one * (1 - ALIKE):  # of equal ones the first
                self.size[at, column], self.by[at, column] = one, h


def proof_of(bench: BenchBase, found: Floats) -> Proof:
    """What each height is proved against.

    Parameters
    ----------
    found : (h,) sizes found, m, as `heightnet.judge.promises.Promises` has them.

    Movement, and all that stands over a mark, are asked about in jobs of one neighbourhood; in larger ones these are
    hypotheses only where something stands out.
    """
    net, family = bench.net, bench.family
    out, weights = _Sizes(bench), stand_weights(net)
    stands, rows = out.stands, net.rows("height")
    nodes, readings = family.node[stands], net.head[rows]
    count = np.bincount(readings, minlength=len(net.nodes))
    alone = stands[count[nodes] <= 1]
    out.put("misreading", family.node[alone], found[alone], alone)
    single = np.flatnonzero(family.of("reading"))
    position = family.observation[single] - rows.start
    share = np.asarray(weights[readings[position], position]).ravel()
    out.put("misreading", family.node[single], found[single] * share, single)
    extra = _by_way(bench, out, found, weights, count)
    _common(bench, out, found, weights)
    _under(bench, out, found)
    if isinstance(bench, Bench):
        _happened(bench, out)
    C = sparse.csc_matrix(sparse.hstack([family.C, extra])) if extra.shape[1] else family.C
    return Proof(stands, out.size, out.by, C)


def _by_way(bench: BenchBase, out: _Sizes, found: Floats, weights: sparse.csr_array, count: Ints) -> sparse.csc_matrix:
    """Wrong points; returns the patterns of readings that share one and are no hypotheses of their own."""
    net, family = bench.net, bench.family
    rows, m = net.rows("height"), len(net.y)
    node, table = net.head[rows], net.readings
    reading_at = np.full(len(node), -1, dtype=np.int64)
    single = np.flatnonzero(family.of("reading"))
    reading_at[family.observation[single] - rows.start] = single
    several = np.flatnonzero(count > 1)
    at_node: dict[int, list[int]] = {}
    for position in np.flatnonzero(np.isin(node, several)).tolist():
        at_node.setdefault(int(node[position]), []).append(position)
    columns = (table[c].tolist() for c in ("point", "kind", "by"))
    ways = list(zip(*columns, strict=True))
    one_way, patterns, of = [], [], []
    for n, positions in at_node.items():
        groups: dict[tuple[str, str], list[int]] = {}
        for position in positions:
            point, kind, by = ways[position]
            groups.setdefault((way_of(point, kind), by), []).append(position)
        for (point, by), some in [g for g in groups.items() if not g[0][1]]:
            # who held the tape is not recorded: it may have been any of those who held it to that point
            others = [key for key in groups if key[0] == point and key[1]]
            if others:
                groups[others[0]] += some
                del groups[point, by]
        if len(groups) < 2:
            one_way.append(n)
            continue
        for some in groups.values():
            share = float(np.asarray(weights[[n] * len(some), some]).sum())
            if len(some) == 1:
                h = int(reading_at[some[0]])
                out.put("wrong_point", np.array([n]), np.array([found[h] * share]), np.array([h]))
            else:
                patterns.append(some)
                of.append((n, share))
    whole = out.stands[(count[family.node[out.stands]] <= 1) | np.isin(family.node[out.stands], one_way)]
    out.put("wrong_point", family.node[whole], found[whole], whole)
    entries = [(rows.start + position, i) for i, some in enumerate(patterns) for position in some]
    row, column = (np.array([e[i] for e in entries], dtype=np.int64) for i in (0, 1))
    extra = sparse.csc_matrix((np.ones(len(entries)), (row, column)), shape=(m, len(patterns)))
    if patterns:
        nodes, part = (np.array(values) for values in zip(*of, strict=True))
        out.put("wrong_point", nodes, found_at_most(bench, extra) * part, len(family) + np.arange(len(of)))
    return extra


def _common(bench: BenchBase, out: _Sizes, found: Floats, weights: sparse.csr_array) -> None:
    """Common errors of what heights share, by how far they can move a mark."""
    net, family = bench.net, bench.family
    groups = np.flatnonzero(family.of("group"))
    pull = sparse.csc_array(weights @ family.C[net.rows("height")][:, groups])
    some = np.flatnonzero(np.diff(pull.indptr))
    if not len(some):
        return
    C = family.C[:, groups[some]]
    moved = bench.fit.solve((net.A.T @ C.multiply((net.sd**-2.0)[:, None])).toarray())
    of_marks = net.nodes.column[(net.nodes.kind == "mark") & (net.nodes.column >= 0)]
    most = np.abs(moved[of_marks]).max(axis=0, initial=0.0)
    for i, most_moved in zip(some.tolist(), most.tolist(), strict=True):
        if most_moved > LEAST_MOVE:
            h, nodes = int(groups[i]), pull.indices[pull.indptr[i] : pull.indptr[i + 1]]
            out.put("equipment", nodes, np.full(len(nodes), found[h] * most_moved), np.full(len(nodes), h))


def _under(bench: BenchBase, out: _Sizes, found: Floats) -> None:
    net, family = bench.net, bench.family
    nodes = family.node[out.stands]
    mark = net.nodes.mark[nodes]
    known = np.flatnonzero(family.of("known"))
    h_of = np.full(len(net.nodes) + 1, -1, dtype=np.int64)
    h_of[family.node[known]] = known
    h = np.where(mark >= 0, h_of[mark], -1)
    out.put("mark", nodes[h >= 0], found[h[h >= 0]], h[h >= 0])


def _happened(bench: Bench, out: _Sizes) -> None:
    """All that stands over a mark wrong alike, and stands that moved."""
    net, family = bench.net, bench.family
    local, moves = np.flatnonzero(family.of("local")), np.flatnonzero(family.of("moved"))
    over = np.array([k for k in local.tolist() if family.thing(k).names[0] == OVER_MARK], dtype=np.int64)
    size = shown_from(bench, np.r_[over, moves])
    first = net.rows("height").start
    for k, one in zip(over.tolist(), size.tolist(), strict=False):
        touched = family.members(k)
        nodes = np.unique(net.head[touched[touched >= first]])
        out.put("mark", nodes, np.full(len(nodes), one), np.full(len(nodes), k))
    out.put("movement", family.node[moves], size[len(over) :], moves)
