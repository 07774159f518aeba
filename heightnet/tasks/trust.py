"""How far can this job's verdicts be trusted? Its own network observed anew, thousands of times, with known blunders.

Half of the simulated jobs are clean; in the other half blunders come at the job's own rates, which may be none, and
with the sizes the search expects.  Each is judged as the job itself is; what was said is held against what was true.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np

from heightnet.arrays import Floats
from heightnet.errors import CannotAdjust
from heightnet.job.model import Job
from heightnet.job.settings import check_arguments
from heightnet.judge.bench import BenchBase
from heightnet.judge.judgement import CERTAIN, LIKELY, Finding, Judgement
from heightnet.judge.large import LargeBench, bench_for
from heightnet.judge.search import TAUS_M
from heightnet.ledger.thing import EXCHANGED
from heightnet.network import build_network

OBSERVATIONS = 800  # of a job that is judged thousands of times
BINS = (0.0, 0.5, 0.7, 0.9, 0.99, 1.0)
DELTAS = (0.0, 4.0, 6.0, 8.0, 12.0, np.inf)


@dataclass
class _Size:
    """Blunders of one range of sizes: how many, of how many something was said, a place told of, the thing named."""

    planted: int = 0
    said: int = 0
    placed: int = 0
    named: int = 0


@dataclass
class _Tally:
    """What was said and what was true, counted over the simulated jobs."""

    clean: int = 0
    alarms: int = 0
    clean_likely: int = 0
    clean_sure: int = 0
    wrong_jobs: int = 0
    exact: int = 0
    shown: int = 0
    sure: list[bool] = field(default_factory=list)
    likely: list[bool] = field(default_factory=list)
    named: list[bool] = field(default_factory=list)
    found: list[_Size] = field(default_factory=lambda: [_Size() for _ in DELTAS[1:]])
    stated: list[float] = field(default_factory=list)
    true: list[bool] = field(default_factory=list)


def trust(job: Job, runs: int = 2000, seed: int = 1, progress: Callable[[int], None] | None = None) -> dict[str, Any]:
    """Simulate a job's own network and judge it.

    Parameters
    ----------
    runs : simulated jobs, half of them clean.
    progress : called with the number of jobs done.

    Returns
    -------
    ``runs``, ``seed``; of clean jobs ``false_alarm`` (anything is said), ``false_place`` and ``false_place_sure`` (a
    place is told that holds .5, .9); of the others ``places_sure`` and ``places`` (a blunder lies in the place told at
    .9, at .5), ``named`` (what is named alone is what was wrong), ``exact`` (the likeliest set is the truth, where
    something was wrong), ``shown`` (the truth is among the sets shown), ``found`` (by size, in sds of the blunder's own
    test: something is ``said``, a place told that holds it, ``named``) and ``calibration`` (probabilities stated of
    places, and how often they were true): each rate as {rate, se, n}, se its Monte-Carlo standard error.  Things that
    nothing tells apart count as one in sets; blunders nothing tests are not planted.

    Raises
    ------
    CannotAdjust : nothing to adjust, or a job too large to be judged thousands of times.
    """
    net = build_network(job)
    if net.edge_count == 0:
        raise CannotAdjust(f"{job.name}: nothing to adjust: no observation ties two places together.")
    known = net.rows("known")
    if (observed := net.edge_count - (known.stop - known.start)) > OBSERVATIONS:
        raise CannotAdjust(
            f"{job.name}: {observed} observations; trust judges the whole job thousands of times and is "
            f"for jobs of {OBSERVATIONS} at most. Test a part of the job, one that hangs together."
        )
    bench = bench_for(net)
    check_arguments(runs=runs, seed=seed)
    rng = np.random.default_rng(seed)
    tally = _Tally()
    sd = bench.net.sd
    for i in range(runs):
        clean = i % 2 == 0
        planted = {} if clean else _blunders(bench, rng)
        y = sd * rng.standard_normal(len(sd))
        for h, size in planted.items():
            y += size * bench.family.C[:, [h]].toarray().ravel()
        judgement = judged_afresh(bench, y)
        if clean:
            _count_clean(tally, judgement)
        else:
            _count(tally, judgement, as_numbered(planted, bench, judgement.bench))
        if progress:
            progress(i + 1)
    return {"job": job.name, "runs": runs, "seed": seed, **_rates(tally)}


def judged_afresh(bench: BenchBase, y: Floats) -> Judgement:
    """Observations y judged as a job of their own: a large one shows its own scatter and how often its crews slip."""
    if isinstance(bench, LargeBench):
        return Judgement(LargeBench(replace(bench.net, y=y)))
    return Judgement(bench, y)


def as_numbered(planted: dict[int, float], by: BenchBase, of: BenchBase) -> dict[int, float]:
    """Blunders numbered by one bench in the numbers of another of the same network."""
    if of is by:
        return planted
    at = {str(id_): h for h, id_ in enumerate(of.family.ids)}
    return {at[str(by.family.ids[h])]: size for h, size in planted.items()}


def _blunders(bench: BenchBase, rng: np.random.Generator) -> dict[int, float]:
    """Blunders at the job's rates, of the sizes that the search expects."""
    family = bench.family
    able = np.flatnonzero(bench.classes.tested)
    if isinstance(bench, LargeBench):  # two values exchanged are hypotheses only where its own observations stand out
        able = able[~family.of(*EXCHANGED)[able]]
    hit = able[rng.uniform(size=len(able)) < family.rate[able]]
    sizes = rng.standard_normal(len(hit)) * rng.choice(TAUS_M, len(hit))
    fixed = np.isfinite(family.size[hit])
    return dict(zip(hit.tolist(), np.where(fixed, family.size[hit], sizes).tolist(), strict=True))


def _count_clean(tally: _Tally, judgement: Judgement) -> None:
    tally.clean += 1
    tally.alarms += judgement.said
    level = max((finding.level for finding in judgement.findings), default=0.0)
    tally.clean_likely += level >= LIKELY
    tally.clean_sure += level >= CERTAIN


def _count(tally: _Tally, judgement: Judgement, planted: dict[int, float]) -> None:
    bench, told = judgement.bench, [f for f in judgement.findings if f.level >= LIKELY]
    for finding in told:
        right = _holds(finding, planted)
        tally.likely.append(right)
        if finding.level >= CERTAIN:
            tally.sure.append(right)
        if finding.named:
            tally.named.append(right)
        tally.stated.append(finding.probability)
        tally.true.append(right)
    if planted:
        label = bench.classes.label
        truth = {int(label[h]) for h in planted}
        sets = [set(label[e.members].tolist()) for e in judgement.explanations]
        tally.wrong_jobs += 1
        tally.exact += sets[0] == truth
        tally.shown += truth in sets
    for h, size in planted.items():
        delta = abs(size) * float(np.sqrt(bench.diagonal[h]))
        cell = tally.found[int(np.searchsorted(DELTAS, delta, side="right")) - 1]
        holding = [f for f in told if _holds(f, [h])]
        cell.planted += 1
        cell.said += judgement.said
        cell.placed += bool(holding)
        cell.named += any(f.named for f in holding)


def _holds(finding: Finding, planted: Any) -> bool:
    """Whether one of these blunders lies in the place of a finding."""
    return any(h in finding.place.hypotheses for h in planted)


def _rate(hits: int, n: int) -> dict[str, Any]:
    if n == 0:
        return {"rate": None, "se": None, "n": 0}
    p = hits / n
    return {"rate": p, "se": float(np.sqrt(max(p * (1 - p), 1 / n) / n)), "n": n}


def _rates(tally: _Tally) -> dict[str, Any]:
    stated, true = np.array(tally.stated), np.array(tally.true, dtype=bool)
    calibration = []
    for low, high in pairwise(BINS):
        inside = (stated >= low) & ((stated < high) | (high == BINS[-1]))
        if inside.any():
            observed = _rate(int(true[inside].sum()), int(inside.sum()))
            calibration.append({"from": low, "to": high, "stated": float(stated[inside].mean()), **observed})
    found = [
        {
            "from_sd": low, "to_sd": None if np.isinf(high) else high, "n": cell.planted,
            "said": _rate(cell.said, cell.planted), "placed": _rate(cell.placed, cell.planted),
            "named": _rate(cell.named, cell.planted),
        }
        for (low, high), cell in zip(pairwise(DELTAS), tally.found, strict=True)
    ]  # fmt: skip
    return {
        "false_alarm": _rate(tally.alarms, tally.clean),
        "false_place": _rate(tally.clean_likely, tally.clean),
        "false_place_sure": _rate(tally.clean_sure, tally.clean),
        "places_sure": _rate(sum(tally.sure), len(tally.sure)),
        "places": _rate(sum(tally.likely), len(tally.likely)),
        "named": _rate(sum(tally.named), len(tally.named)),
        "exact": _rate(tally.exact, tally.wrong_jobs),
        "shown": _rate(tally.shown, tally.wrong_jobs),
        "found": found,
        "calibration": calibration,
    }
