"""What a job says of blunders, so that many jobs can be counted together: by kind, observer, method, cause."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.sparse import csgraph
from scipy.special import expit

from heightnet.judge.bench import Bench, BenchBase
from heightnet.judge.family import Family
from heightnet.judge.groups import thing_of
from heightnet.ledger.thing import TAPED
from heightnet.network.model import Kind, Network
from heightnet.rows import Record

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

WORTH_A_LOOK = 0.01  # chance from which a class counts as one that may be wrong
RIVAL = 0.5  # correlation of two tests from which one may take the blame for the other
SETTLED = 0.9  # probability from which a blunder has no rivals
BIN = 0.5  # width of a bin of logarithms of Bayes factors
MOST_LOG = 30.0
METHODS = {"booked": "booked", "vertical": "vertical", "slant": "slant", "parts": "in parts"}
OF_ANOTHER_NAME = {"tripod": "setup", "staff": "level", "swap": "setup", "exchange": "level"}
"""The kind of ``[rates]`` of a kind of hypothesis that is called otherwise."""


@dataclass(frozen=True)
class Chances:
    """What a job says about each hypothesis, (h,).

    prior, posterior : chance that it is a blunder; tested : where something tests it.
    cluster : its cluster of rivals, -1 for none.
    count, factor : Bayes factor, and with what count it enters an estimate of a stand's rate.
    entries : for each class, or each cluster of them, its classes and the Bayes factor of "one of these is wrong".

    Of rivals whose tests resemble one another one is wrong where a search says that one is, and each by itself would
    seem to be.  So a cluster enters as one: each of its members with its part of the cluster's probability as count,
    and with the factor that the cluster has, in terms of the member's own rate.
    """

    prior: Floats
    posterior: Floats
    tested: npt.NDArray[np.bool_]
    cluster: Ints
    count: Floats
    factor: Floats
    entries: list[tuple[Ints, float]]


def chances(bench: BenchBase, log_bayes: Floats, searched: Floats) -> Chances:
    """From the logarithm of each class's Bayes factor, and its probability where a search gave one, else NaN."""
    classes, rate = bench.classes, bench.family.rate
    tested, label = classes.tested, classes.label
    of = label[tested]
    none = np.bincount(of, weights=np.log1p(-rate[tested]), minlength=len(log_bayes))
    prior = -np.expm1(none)
    p = expit(np.log(prior / (1 - prior)) + np.minimum(log_bayes, MOST_LOG))
    p = np.where(np.isfinite(searched), searched, p)
    share = classes.shares(rate)
    posterior = np.zeros(len(rate))
    posterior[tested] = p[of] * share[tested]
    cluster, count, factor = np.full(len(rate), -1), np.ones(len(rate)), _factor(posterior, rate)
    rivals = _clusters(bench, p) if isinstance(bench, Bench) else []
    alone = np.ones(len(p), dtype=bool)
    entries: list[tuple[Ints, float]] = []
    for number, some in enumerate(rivals):
        together = _factor(np.array([min(p[some].sum(), 0.999)]), np.array([prior[some].sum()]))[0]
        if together <= 1:
            continue
        alone[some] = False
        entries.append((some, float(together)))
        for c in some.tolist():
            h = classes.members(c)
            cluster[h], count[h] = number, share[h] * p[c] / p[some].sum()
            factor[h] = 1 + prior[some].sum() / rate[h] * (together - 1)
    entries += [(np.array([c]), f) for c, f in zip(np.flatnonzero(alone), _factor(p, prior)[alone], strict=True)]
    return Chances(rate, posterior, tested, cluster, count, factor, entries)


def _clusters(bench: Bench, p: Floats) -> list[Ints]:
    """Classes that may be wrong but need not be, gathered by the resemblance of their tests."""
    open_ = np.flatnonzero((p >= WORTH_A_LOOK) & (p < SETTLED))
    if len(open_) < 2:
        return []
    at = bench.classes.representative[open_]
    sd = bench.diagonal[at] ** -0.5
    alike = np.abs(bench.G[np.ix_(at, at)] * sd[:, None] * sd[None, :]) >= RIVAL
    number, label = csgraph.connected_components(sparse.csr_array(alike), directed=False)
    return [open_[label == k] for k in range(number) if np.sum(label == k) > 1]


def _factor(posterior: Floats, prior: Floats) -> Floats:
    """Posterior odds over prior odds."""
    return posterior / np.maximum(1 - posterior, 1e-13) / (prior / (1 - prior))


def evidence_of(bench: BenchBase, chance: Chances) -> dict[str, list[list[float]]]:
    """Histograms of Bayes factors of what something tests, by what it is made of: ``{"shot:1 target:1": ...}``.

    A class, or a cluster of rivals, says that one of its members is wrong, not which; so it enters with how many of
    each kind of ``[rates]`` it holds (a swap of two heights counts as the part of a set-up that it is assumed to be).
    """
    family, classes = bench.family, bench.classes
    rates = vars(bench.net.job.settings.rates)
    kinds = list(rates)
    made_of = np.zeros((len(classes.representative), len(kinds)))
    for h in np.flatnonzero(chance.tested).tolist():
        kind = OF_ANOTHER_NAME.get(family.kind[h], family.kind[h])
        made_of[classes.label[h], kinds.index(kind)] += family.rate[h] / rates[kind]
    factors: dict[str, list[float]] = defaultdict(list)
    for some, factor in chance.entries:
        numbers = made_of[some].sum(axis=0)
        key = " ".join(f"{kind}:{n:.3g}" for kind, n in sorted(zip(kinds, numbers.tolist(), strict=True)) if n)
        factors[key].append(factor)
    return {key: histogram(np.array(values)) for key, values in sorted(factors.items())}


def histogram(factor: Floats, weight: Floats | None = None) -> list[list[float]]:
    """[[bin, count, mean factor], ...]: Bayes factors by their logarithm, `BIN` wide.

    >>> histogram(np.array([1.0, 1.1, 50.0]))
    [[0, 2.0, 1.05], [7, 1.0, 50.0]]
    """
    if not len(factor):
        return []
    weight = np.ones(len(factor)) if weight is None else weight
    logs = np.floor(np.log(np.clip(factor, np.exp(-MOST_LOG), np.exp(MOST_LOG))) / BIN).astype(int)
    unique, at = np.unique(logs, return_inverse=True)
    count = np.bincount(at, weights=weight)
    total = np.bincount(at, weights=weight * factor)
    return [[int(b), round(float(n), 4), float(f"{s / n:.5g}")] for b, n, s in zip(unique, count, total, strict=True)]


@dataclass(frozen=True)
class Stand:
    """A stand's height with who read it, how, and of what it is; chance that it or a reading of it is wrong."""

    observer: tuple[str, ...]
    method: tuple[str, ...]
    equipment: tuple[str, ...]
    tested: bool
    chance: float
    count: float
    factor: float


def stands_of(net: Network, family: Family, chance: Chances) -> list[Stand]:
    """Every stand with a height."""
    readings, rows = net.readings, net.rows(Kind.HEIGHT)
    at: dict[int, list[int]] = defaultdict(list)
    for i, node in enumerate(net.head[rows].tolist()):
        at[node].append(i)
    thing: list[str] = thing_of(net).tolist() if len(readings) else []
    columns = {c: readings[c].tolist() for c in ("by", "kind", "scale")} if len(readings) else {}
    unit = net.job.settings.units.length
    of: dict[int, list[int]] = defaultdict(list)
    for h in np.flatnonzero(family.of(*TAPED)).tolist():
        of[int(family.node[h])].append(h)
    out = []
    for node, hs in of.items():
        here, tested = at[node], chance.tested[hs]
        p, prior = (float(1 - np.prod(1 - x[hs][tested])) for x in (chance.posterior, chance.prior))
        count, factor = 1.0, float(_factor(np.array([p]), np.array([prior]))[0]) if tested.any() else 1.0
        rival = chance.cluster[hs] >= 0
        if rival.any():  # in terms of the rate of the stand
            count = float(min(chance.count[hs][rival].sum(), 1.0))
            factor = float(np.max(1 + (chance.factor[hs][rival] - 1) * chance.prior[hs][rival] / prior))
        methods = (f"{METHODS[columns['kind'][i]]}, {columns['scale'][i] or unit}" for i in here)
        out.append(
            Stand(
                _unique(columns["by"][i] for i in here),
                (" and ".join(sorted(set(methods))),),
                _unique(thing[i] for i in here),
                bool(tested.any()),
                p,
                count,
                factor,
            )
        )
    return out


def _unique(names: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(name for name in names if name))


def gathered(stands: list[Stand], of: str) -> dict[str, Record]:
    """Stands by name; one that several persons read counts for each in part."""
    found: dict[str, list[tuple[Stand, float]]] = defaultdict(list)
    for stand in stands:
        names = getattr(stand, of)
        for name in names:
            found[name].append((stand, 1 / len(names)))
    out = {}
    for name, entries in sorted(found.items()):
        tested = [(s, part) for s, part in entries if s.tested]
        out[name] = {
            "heights": round(sum(part for _, part in entries), 4),
            "tested": round(sum(part for _, part in tested), 4),
            "expected": round(sum(s.chance * part for s, part in tested), 6),
            "evidence": histogram(np.array([s.factor for s, _ in tested]), np.array([s.count * p for s, p in tested])),
        }
    return out


def causes_of(result: Mapping[str, Any]) -> dict[str, float]:
    """Expected number of wrong heights by cause; a stand that instrument and target share counts once."""
    total: dict[str, float] = defaultdict(float)
    counted: set[str] = set()
    for table in ("setups", "targets"):
        for stand in result[table]:
            if not stand["causes"] or stand["hypothesis"] in counted:
                continue
            counted.add(stand["hypothesis"])
            for cause in stand["causes"]:
                total[cause["cause"]] += stand["probability"] * cause["probability"]
    return {cause: round(count, 6) for cause, count in sorted(total.items()) if count >= 1e-6}
