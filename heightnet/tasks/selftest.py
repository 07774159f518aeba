"""How far can this job's verdicts be trusted? Its own network observed anew, thousands of times, with known blunders.

Half of the simulated jobs are clean; in the other half blunders come at the job's own rates, which may be none, and
with the sizes the search expects.  Each is judged as the job itself is; what was said is held against what was true.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from heightnet.errors import CannotAdjust
from heightnet.job.model import Job
from heightnet.judge.assess import WRONG, Bench, Verdicts
from heightnet.judge.search import TAUS_M
from heightnet.judge.wide import WIDE_FROM
from heightnet.network import build_network

Floats = npt.NDArray[np.float64]

BINS = (0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99, 1.0)
DELTAS = (0.0, 4.0, 6.0, 8.0, 12.0, np.inf)
SURE = 0.9


@dataclass
class _Tally:
    """What was said and what was true, counted over the simulated jobs."""

    clean: int = 0
    alarms: int = 0
    clean_accused: int = 0
    clean_sure: int = 0
    wrong_jobs: int = 0
    exact: int = 0
    accused: int = 0
    accused_rightly: int = 0
    found: list[list[int]] = field(default_factory=lambda: [[0, 0] for _ in DELTAS[1:]])
    stated: list[Floats] = field(default_factory=list)
    true: list[npt.NDArray[np.bool_]] = field(default_factory=list)


def selftest(
    job: Job, runs: int = 2000, seed: int = 1, progress: Callable[[int], None] | None = None
) -> dict[str, Any]:
    """Simulate a job's own network and judge it.

    Parameters
    ----------
    runs : simulated jobs, half of them clean.
    progress : called with the number of jobs done.

    Returns
    -------
    ``runs``, ``seed``; ``false_alarm`` (of the largest test), ``false_accusation`` and ``false_accusation_sure``
    (probability over .5 and .9) of clean jobs; of the others ``exact`` (likeliest explanation is the truth, where
    something was wrong), ``precision`` (of accusations), ``found`` (by size, in sds of the estimate) and
    ``calibration`` (stated and observed probabilities): each rate as {rate, se, n}, se its Monte-Carlo standard error.
    Things that nothing tells apart count as one; blunders nothing tests are not planted.

    Raises
    ------
    CannotAdjust : nothing to adjust, or a job too large to be judged thousands of times.
    """
    net = build_network(job)
    if net.edge_count == 0:
        raise CannotAdjust(f"{job.name}: nothing to adjust: no observation ties two places together.")
    if net.edge_count >= WIDE_FROM:
        raise CannotAdjust(
            f"{job.name}: {net.edge_count} observations; a self-test judges the whole job thousands of times and is "
            f"for jobs of less than {WIDE_FROM}. Test a part of the job, one that hangs together."
        )
    bench = Bench(net)
    rng = np.random.default_rng(seed)
    tally = _Tally()
    sd = bench.net.sd
    for i in range(runs):
        planted = {} if i % 2 == 0 else _blunders(bench, rng)
        y = sd * rng.standard_normal(len(sd))
        for h, size in planted.items():
            y += size * bench.family.C[:, [h]].toarray().ravel()
        _count(tally, bench, bench.judge(y), planted, clean=i % 2 == 0)
        if progress:
            progress(i + 1)
    return {"job": job.name, "runs": runs, "seed": seed, **_rates(tally)}


def _blunders(bench: Bench, rng: np.random.Generator) -> dict[int, float]:
    """Blunders at the job's rates, of the sizes that the search expects."""
    family = bench.family
    able = np.flatnonzero(bench.classes.label >= 0)
    hit = able[rng.uniform(size=len(able)) < family.rate[able]]
    sizes = rng.standard_normal(len(hit)) * rng.choice(TAUS_M, len(hit))
    fixed = np.isfinite(family.size[hit])
    return dict(zip(hit.tolist(), np.where(fixed, family.size[hit], sizes).tolist(), strict=True))


def _count(tally: _Tally, bench: Bench, v: Verdicts, planted: dict[int, float], clean: bool) -> None:
    label = bench.classes.label
    truth = {int(label[h]) for h in planted}
    accused = set(np.flatnonzero(v.class_probability >= WRONG).tolist())
    if clean:
        tally.clean += 1
        tally.alarms += v.largest >= 0 and abs(v.w[v.largest]) > bench.critical[0]
        tally.clean_accused += bool(accused)
        tally.clean_sure += bool((v.class_probability >= SURE).any())
        return
    tally.stated.append(v.class_probability)
    tally.true.append(np.isin(np.arange(len(v.class_probability)), list(truth)))
    tally.accused += len(accused)
    tally.accused_rightly += len(accused & truth)
    if planted:
        tally.wrong_jobs += 1
        tally.exact += set(v.posterior.sets[0]) == truth
    for h, size in planted.items():
        delta = abs(size) * float(np.sqrt(bench.diagonal[h]))
        cell = tally.found[int(np.searchsorted(DELTAS, delta, side="right")) - 1]
        cell[0] += int(label[h]) in accused
        cell[1] += 1


def _rate(hits: int, n: int) -> dict[str, Any]:
    if n == 0:
        return {"rate": None, "se": None, "n": 0}
    p = hits / n
    return {"rate": p, "se": float(np.sqrt(max(p * (1 - p), 1 / n) / n)), "n": n}


def _rates(tally: _Tally) -> dict[str, Any]:
    stated = np.concatenate(tally.stated or [np.zeros(0)])
    true = np.concatenate(tally.true or [np.zeros(0, dtype=bool)])
    calibration = []
    for low, high in pairwise(BINS):
        inside = (stated >= low) & ((stated < high) | (high == BINS[-1]))
        if inside.any():
            observed = _rate(int(true[inside].sum()), int(inside.sum()))
            calibration.append({"from": low, "to": high, "stated": float(stated[inside].mean()), **observed})
    found = [
        {"from_sd": low, "to_sd": None if np.isinf(high) else high, **_rate(*cell)}
        for low, high, cell in ((*pair, cell) for pair, cell in zip(pairwise(DELTAS), tally.found, strict=True))
    ]
    return {
        "false_alarm": _rate(tally.alarms, tally.clean),
        "false_accusation": _rate(tally.clean_accused, tally.clean),
        "false_accusation_sure": _rate(tally.clean_sure, tally.clean),
        "exact": _rate(tally.exact, tally.wrong_jobs),
        "precision": _rate(tally.accused_rightly, tally.accused),
        "found": found,
        "calibration": calibration,
    }
