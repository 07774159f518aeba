"""What a job says of blunders, so that many jobs can be counted together: by kind, observer, method, cause."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.sparse import csgraph
from scipy.special import expit

from heightnet.arrays import Floats, Ints
from heightnet.judge.bench import Bench, BenchBase
from heightnet.judge.family import Family
from heightnet.kinds.height import thing_of
from heightnet.kinds.registry import of_blunder
from heightnet.ledger.thing import HAPPENED, STANDS, TAPED
from heightnet.network.model import Network
from heightnet.rows import Record

WORTH_A_LOOK = 0.01  # chance from which a class counts as one that may be wrong
RIVAL = 0.5  # correlation of two tests from which one may take the blame for the other
SETTLED = 0.9  # probability from which a blunder has no rivals
BIN = 0.5  # width of a bin of logarithms of Bayes factors
MOST_LOG = 30.0
METHODS = {"booked": "booked", "vertical": "vertical", "slant": "slant", "parts": "in parts"}
OF_ANOTHER_NAME = {"tripod": "setup", "swap": "setup"}
"""The kind of ``[rates]`` of a hypothesis that neither has one of its own nor stands in a table of rows."""


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
    tested, prior = classes.tested, classes.rates(rate)
    p = expit(np.log(prior / (1 - prior)) + np.minimum(log_bayes, MOST_LOG))
    p = np.where(np.isfinite(searched), searched, p)
    share = classes.shares(rate)
    posterior = np.zeros(len(rate))
    posterior[tested] = p[classes.label[tested]] * share[tested]
    cluster, count, factor = np.full(len(rate), -1), np.ones(len(rate)), _factor(posterior, rate)
    rivals = _clusters(bench, p) if isinstance(bench, Bench) else []
    alone = np.ones(len(p), dtype=bool)
    entries: list[tuple[Ints, float]] = []
    for number, some in enumerate(rivals):
        together = float(_factor(min(p[some].sum(), 0.999), prior[some].sum()))
        if together <= 1:
            continue
        alone[some] = False
        entries.append((some, together))
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


def _factor(posterior: npt.ArrayLike, prior: npt.ArrayLike) -> Floats:
    """Posterior odds over prior odds."""
    posterior, prior = np.asarray(posterior), np.asarray(prior)
    return posterior / np.maximum(1 - posterior, 1e-13) / (prior / (1 - prior))


def evidence_of(bench: BenchBase, chance: Chances) -> dict[str, list[list[float]]]:
    """Histograms of Bayes factors of what something tests, by what it is made of: ``{"shot:1 target:1": ...}``.

    A class, or a cluster of rivals, says that one of its members is wrong, not which; so it enters with how many of
    each kind of ``[rates]`` it holds (a swap of two heights counts as the part of a set-up that it is assumed to be).
    What happened in the field is none of these, and not counted.
    """
    family, classes = bench.family, bench.classes
    rates = vars(bench.net.job.settings.rates)
    kinds, usual = list(rates), np.array(list(rates.values()))
    made_of = np.zeros((len(classes.representative), len(kinds)))
    tested = np.flatnonzero(chance.tested & ~family.of(*HAPPENED))
    slips = set(family.kind) - set(HAPPENED)
    of = {kind: kinds.index(OF_ANOTHER_NAME.get(kind) or of_blunder(kind).rate or kind) for kind in slips}
    column = np.array([of[kind] for kind in family.kind[tested]], dtype=np.int64)
    np.add.at(made_of, (classes.label[tested], column), family.rate[tested] / usual[column])
    factors: dict[str, list[float]] = defaultdict(list)
    for some, factor in chance.entries:
        numbers = made_of[some].sum(axis=0)
        key = " ".join(f"{kind}:{n:.3g}" for kind, n in sorted(zip(kinds, numbers.tolist(), strict=True)) if n)
        if key:
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
    """A stand's height with who read it, how, and of what it is.

    chance : that it or a reading of it is wrong, where something tests it; count, factor : as in `Chances`.
    """

    observer: list[str]
    method: list[str]
    equipment: list[str]
    tested: bool
    chance: float
    count: float
    factor: float


def stands_of(net: Network, family: Family, chance: Chances) -> list[Stand]:
    """Every stand with a height."""
    readings, unit = net.readings, net.job.settings.units.length
    if not len(readings):
        return []
    observer, thing = readings["by"].tolist(), thing_of(net.job, readings).tolist()
    ways = zip(readings["kind"], readings["scale"], strict=True)
    method = [f"{METHODS[kind]}, {scale or unit}" for kind, scale in ways]
    at = _grouped(net.head[net.rows("height")])
    hypotheses = np.flatnonzero(family.of(*TAPED))
    out = []
    for node, some in _grouped(family.node[hypotheses]).items():
        hs, here = hypotheses[some], at[node]
        tested, rival = chance.tested[hs], chance.cluster[hs] >= 0
        p, prior = (float(1 - np.prod(1 - x[hs][tested])) for x in (chance.posterior, chance.prior))
        count, factor = 1.0, float(_factor(p, prior)) if tested.any() else 1.0
        if rival.any():  # in terms of the rate of the stand
            count = float(min(chance.count[hs][rival].sum(), 1.0))
            factor = float(np.max(1 + (chance.factor[hs][rival] - 1) * chance.prior[hs][rival] / prior))
        names, things = (list(dict.fromkeys(of[i] for i in here if of[i])) for of in (observer, thing))
        way = " and ".join(sorted({method[i] for i in here}))
        out.append(Stand(names, [way], things, bool(tested.any()), p, count, factor))
    return out


def _grouped(labels: Ints) -> dict[int, list[int]]:
    """Positions of each label."""
    found: dict[int, list[int]] = defaultdict(list)
    for i, label in enumerate(labels.tolist()):
        found[label].append(i)
    return found


def gathered(stands: list[Stand], of: str) -> dict[str, Record]:
    """Stands by name; one that several persons read counts for each in part."""
    found: dict[str, list[tuple[float, ...]]] = defaultdict(list)
    for stand in stands:
        names = getattr(stand, of)
        for name in names:
            found[name].append((1 / len(names), stand.tested, stand.chance, stand.count, stand.factor))
    out = {}
    for name, entries in sorted(found.items()):
        rows = np.array(entries)
        tested = rows[rows[:, 1] > 0]
        part, _, chance, count, factor = tested.T
        out[name] = {
            "heights": round(float(rows[:, 0].sum()), 4),
            "tested": round(float(part.sum()), 4),
            "expected": round(float(chance @ part), 6),
            "evidence": histogram(factor, count * part),
        }
    return out


def causes_of(result: Mapping[str, Any], family: Family, chance: Chances) -> dict[str, float]:
    """Expected number of wrong heights by cause; a stand that instrument and target share counts once, and one that may
    be wrong only with others of its kind not at all."""
    total: dict[str, float] = defaultdict(float)
    taped, whole = (np.flatnonzero(family.of(*kinds)) for kinds in (TAPED, STANDS))
    posterior = np.minimum(chance.posterior[taped], 1 - 1e-12)
    sound = np.exp(np.bincount(family.node[taped], weights=np.log1p(-posterior)))
    own = dict(zip(family.ids[whole].tolist(), (1 - sound[family.node[whole]]).tolist(), strict=True))
    stands = {stand["hypothesis"]: stand for stand in [*result["targets"], *result["setups"]] if stand["causes"]}
    for stand in stands.values():
        for cause in stand["causes"]:
            total[cause["cause"]] += min(stand["probability"], own[stand["hypothesis"]]) * cause["probability"]
    return {cause: round(count, 6) for cause, count in sorted(total.items()) if count >= 1e-6}
