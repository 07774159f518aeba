"""Every blunder that is tried: the columns C of y = A x + C b + e, one a hypothesis.

A family that knows only instrument heights blames them for everyone's blunders; so every kind of observation is in it,
and what they share (tape, prism, instrument, observer, index error, refraction) as groups.  Sizes b are metres; where
a column's natural size is not a metre (an index error, a share of a slant) it is scaled so that b is the root mean
square of what it does to the members.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, fields
from functools import cached_property
from itertools import repeat

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from heightnet.arrays import Floats, Ints
from heightnet.judge.signs import signs_of
from heightnet.kinds import spell
from heightnet.kinds.group import LARGEST
from heightnet.kinds.kind import Group, Kind
from heightnet.kinds.registry import KINDS, common_error, of_blunder, sequences_of
from heightnet.ledger.settings import Rates
from heightnet.ledger.thing import EVENTS, Thing, row_ids
from heightnet.network.model import Network

MOST_BY_SIGNS = 0.3  # chance beforehand to which the record itself can raise that of a height
NO_INTS, NO_FLOATS = np.zeros(0, dtype=np.int64), np.zeros(0)
LEAST_SIZE_SD_M, SIZE_SD = 0.0002, 0.05  # how closely the records fix the size of a common error: of it, and at least


@dataclass(frozen=True)
class Family:
    """All hypotheses of a job; arrays have one entry a hypothesis.

    ids : ``kind:name`` as in results.json.
    kind : one of the ``blunders`` of a kind in `heightnet.kinds`, or its ``pair``.
    node : the stand of a height or reading, the mark of a known height or a separation, -1 for others.
    observation : the observation of a single-observation hypothesis, -1 for others.
    rate : prior chance of the blunder.
    size : the size it must have (m) where the records fix it, NaN where any size will do.
    size_sd : how closely the records fix that size, m; NaN likewise.
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
    size_sd: Floats
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
    def event(self) -> Ints:
        """(h,) what began or ended at some moment: one number for all moments of a thing, a common error that has them
        among them; -1 for all other hypotheses."""
        out, number = np.full(len(self), -1, dtype=np.int64), dict[object, int]()
        for h in np.flatnonzero(self.of(*EVENTS)).tolist():
            thing = self.thing(h)
            out[h] = number.setdefault(thing.common if thing.kind == "spell" else thing.names[:2], len(number))
        for h in np.flatnonzero(self.of("group")).tolist():
            out[h] = number.get(self.thing(h).common, -1)
        return out

    @cached_property
    def sizes(self) -> Floats:
        """(h, t) how often an error of each has one of the usual sizes (`heightnet.judge.search.TAUS_M`)."""
        code, names = self._kind_codes
        return np.array([of_blunder(name).sizes for name in names]).reshape(len(names), -1)[code]

    @cached_property
    def limit(self) -> Floats:
        """(h,) the greatest size (m) that each can have: of common errors that of their kind, of others any."""
        out = np.full(len(self), np.inf)
        for h in np.flatnonzero(self.of("group", "spell")).tolist():
            out[h] = LARGEST.get(self.thing(h).common[0], np.inf) * self.unit[h]
        return out

    def thing(self, h: int) -> Thing:
        """What hypothesis h says is wrong."""
        return Thing.of(str(self.ids[h]))

    def some(self, at: Ints) -> Family:
        """Some of them."""
        arrays = {f.name: getattr(self, f.name)[at] for f in fields(self) if f.name != "C"}
        return Family(**arrays, C=self.C[:, at])

    def with_more(self, other: Family) -> Family:
        """These and others after them."""
        both = {f.name: [getattr(of, f.name) for of in (self, other)] for f in fields(self)}
        C = sparse.csc_matrix(sparse.hstack(both.pop("C")))
        return Family(**{name: np.concatenate(parts) for name, parts in both.items()}, C=C)

    def members(self, h: int) -> Ints:
        """Observations that hypothesis h touches."""
        return self.C.indices[self.C.indptr[h] : self.C.indptr[h + 1]].astype(np.int64)


@dataclass
class Builder:
    """Collects hypotheses column by column, blocks of one kind at a time."""

    ids: list[npt.NDArray[np.object_]] = field(default_factory=lambda: [np.zeros(0, object)])
    kinds: list[str] = field(default_factory=list)
    nodes: list[Ints] = field(default_factory=lambda: [NO_INTS])
    observations: list[Ints] = field(default_factory=lambda: [NO_INTS])
    rates: list[Floats] = field(default_factory=lambda: [NO_FLOATS])
    sizes: list[Floats] = field(default_factory=lambda: [NO_FLOATS])
    size_sds: list[Floats] = field(default_factory=lambda: [NO_FLOATS])
    units: list[Floats] = field(default_factory=lambda: [NO_FLOATS])
    rows: list[Ints] = field(default_factory=lambda: [NO_INTS])
    columns: list[Ints] = field(default_factory=lambda: [NO_INTS])
    values: list[Floats] = field(default_factory=lambda: [NO_FLOATS])
    count: int = 0

    def singles(self, kind: str, ids: Iterable[str], observations: Ints, node: Ints, rate: float) -> None:
        """Hypotheses that touch one observation each."""
        self._add(kind, list(ids), node, observations, rate)
        n = len(observations)
        self._pattern(observations, self.count - n + np.arange(n), np.ones(n))

    def each_row(self, kind: Kind, net: Network, rate: float) -> None:
        """One for each observation of a kind, by the row of its table that it stands in."""
        rows = net.rows(kind.name)
        at, table = np.arange(rows.start, rows.stop), net.job.tables[kind.table].iloc[net.source[rows]]
        cells = table["cell"].tolist() if "cell" in table else repeat("")
        ids = row_ids(kind.name, net.job.files[kind.table], table["row"].tolist(), cells)
        self.singles(kind.name, ids, at, np.full(len(at), -1), rate)

    def groups(self, found: Iterable[Group], rates: Rates) -> None:
        """One for each group of at least two members."""
        for kind, name, rows, pattern, size in found:
            if len(rows) > 1 and pattern.any():
                rate = getattr(rates, common_error(kind).rate)  # raises where nobody says what that is
                self.shared(Thing.both("group", kind, name), rows, pattern, rate, size)

    def shared(self, thing: Thing, rows: Ints, pattern: Floats, rate: float, size: float = np.nan) -> None:
        """One that several observations share; its size is the root mean square of what it does to them."""
        scale = float(np.sqrt(np.mean(pattern**2)))
        size_sd = max(LEAST_SIZE_SD_M, SIZE_SD * abs(size) * scale)
        self.pattern(thing, rows, pattern / scale, -1, rate, size * scale, size_sd, scale)

    def pattern(
        self,
        thing: Thing,
        rows: Ints,
        values: Floats,
        node: int,
        rate: float,
        size: float = np.nan,
        size_sd: float = np.nan,
        unit: float = 1.0,
    ) -> None:
        """One hypothesis that touches several observations."""
        self._add(thing.kind, [str(thing)], np.array([node]), np.array([-1]), rate, size, size_sd, unit)
        self._pattern(rows, np.full(len(rows), self.count - 1), values)

    def _add(
        self,
        kind: str,
        ids: list[str],
        node: Ints,
        obs: Ints,
        rate: float,
        size: float = np.nan,
        size_sd: float = np.nan,
        unit: float = 1.0,
    ) -> None:
        n = len(ids)
        self.ids.append(np.array(ids, dtype=object))
        self.kinds += [kind] * n
        self.nodes.append(node.astype(np.int64))
        self.observations.append(obs.astype(np.int64))
        self.rates.append(np.full(n, rate))
        self.sizes.append(np.full(n, size))
        self.size_sds.append(np.full(n, size_sd if np.isfinite(size) else np.nan))
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
            np.concatenate(self.size_sds), np.concatenate(self.units), C,
        )  # fmt: skip


def finer_spells(family: Family, net: Network, near: Ints) -> Family:
    """Spells between the moments that a family tries, around some of those that it has."""
    builder = Builder()
    coarse = {family.thing(int(h)): float(family.rate[h]) for h in near if family.kind[h] == "spell"}
    if coarse:
        spell.finer(builder, coarse, sequences_of(net))
    return builder.family(len(net.y))


def event_family(net: Network) -> Family:
    """What began or ended, moved, or has a part of its group wrong, alone."""
    builder = Builder()
    _add_events(builder, net)
    return builder.family(len(net.y))


def _add_events(builder: Builder, net: Network) -> None:
    for kind in KINDS.values():
        if kind.sequences:
            spell.add(builder, net, kind.sequences(net))
        if kind.events:
            kind.events(builder, net)


def build_family(net: Network, groups: bool = True, swaps: bool | set[int] = True, events: bool = True) -> Family:
    """The whole family of a job.

    Parameters
    ----------
    groups, swaps, events : leave these out to see what a smaller family would accuse (used to measure the difference);
        of heights and readings in each other's place those that touch one of some nodes may be asked for.
    """
    builder = Builder()
    for kind in KINDS.values():
        if kind.alone:
            kind.alone(builder, net)
        elif kind.rate:
            builder.each_row(kind, net, getattr(net.job.settings.rates, kind.rate))
    for kind in KINDS.values():
        if kind.exchanged and swaps:
            kind.exchanged(builder, net, None if swaps is True else swaps)
    for kind in KINDS.values():
        if kind.common and groups:
            builder.groups(kind.common(net), net.job.settings.rates)
    if events and groups:
        _add_events(builder, net)
    family = builder.family(len(net.y))
    if signs := signs_of(net):
        for h in np.flatnonzero(np.isin(family.ids, list(signs))).tolist():
            family.rate[h] = min(family.rate[h] * signs[str(family.ids[h])], max(MOST_BY_SIGNS, family.rate[h]))
    return family
