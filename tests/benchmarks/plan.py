"""Greedy choice with exchange against the best of all sets, on small jobs: ``python -m tests.benchmarks.plan``.

Writes results/plan.md.  Jobs: short traverses with few ties, costs drawn anew for each, up to 13 candidates, so that
all sets can be tried.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

from heightnet.judge.bench import Bench
from heightnet.judge.promises import promises
from heightnet.judge.proof import proof_of
from heightnet.network import build_network
from heightnet.tasks.design import Design
from heightnet.tasks.measurements import Minutes
from heightnet.tasks.next import delta_afterwards
from heightnet.tasks.options import options_of
from heightnet.tasks.plan import design_of
from tests.networks import Field

RESULTS = Path(__file__).parent / "results" / "plan.md"
MOST = 13


def traverse(seed: int) -> Field:
    """One-way legs between known marks, some levelled, the height of some stands read twice."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(3, 6))
    marks = [f"M{i}" for i in range(count + 1)]
    party = Field(dict(zip(marks, 100 + rng.normal(0, 3, len(marks)), strict=True)), seed=seed)
    party.known(marks[0])
    if rng.random() < 0.7:
        party.known(marks[-1])
    for i in range(count):
        party.setup(f"S{i}", marks[i], 1.5 + 0.01 * i)
        party.target(f"P{i}", marks[i + 1], 1.6 - 0.01 * i)
        party.shot(f"S{i}", f"P{i}", float(rng.uniform(60, 200)))
        if rng.random() < 0.3:
            party.level(marks[i], marks[i + 1])
    return party


def design(seed: int) -> Design | None:
    """A small problem with costs of its own, None where there is nothing to choose."""
    rng = np.random.default_rng(seed + 10_000)
    net = build_network(traverse(seed).job())
    bench = Bench(net)
    proof = proof_of(bench, promises(bench).found)
    watched, before = proof.stands, proof.of_verdict
    limit = float(rng.choice([0.006, 0.008, 0.010]))
    goal = np.full(len(watched), limit)
    open_ = before > goal
    if not open_.any():
        return None
    cost = Minutes(*(float(x) for x in rng.uniform(1, 10, 7)))
    gone = set(bench.family.node[watched].tolist()) if rng.random() < 0.5 else set()
    options = options_of(net, bench.family.node[watched[open_]], before[open_], cost, gone, set())
    if not options:
        return None
    keep = sorted(rng.permutation(len(options))[:MOST].tolist())
    anew = np.zeros(len(watched), dtype=bool)
    return design_of(bench, [options[i] for i in keep], proof, goal, proof.size[:, :2], anew, delta_afterwards(bench))


def exhaustive(problem: Design) -> list[int]:
    """The cheapest set that comes as near to the goals as all candidates together; for few candidates only."""
    count = len(problem.minutes)
    limit = problem.shortfall(list(range(count))) + 1e-7
    masks = np.arange(2**count)
    bits = (masks[:, None] >> np.arange(count)) & 1
    for mask in np.argsort(bits @ problem.minutes, kind="stable"):
        chosen = np.flatnonzero(bits[mask]).tolist()
        if problem.shortfall(chosen) <= limit:
            return chosen
    return list(range(count))


def compare(seeds: range) -> list[tuple[float, float, float, float]]:
    """Cost chosen, cost of the best set, and the shortfall of both, of each job where something can be gained."""
    out = []
    for seed in seeds:
        problem = design(seed)
        if problem is None:
            continue
        chosen, best = problem.best(), exhaustive(problem)
        if best:
            out.append((problem.cost(chosen), problem.cost(best), problem.shortfall(chosen), problem.shortfall(best)))
    return out


def main(jobs: int) -> None:
    begun = time.perf_counter()
    found = np.array(compare(range(jobs)))
    ratio = found[:, 0] / found[:, 1]
    text = [
        "# The plan against the best of all sets",
        "",
        "Made by `python -m tests.benchmarks.plan`: short traverses, costs drawn anew for each, at most "
        f"{MOST} candidates.",
        "",
        "| what | found |",
        "| --- | --- |",
        f"| jobs with something to choose | {len(found)} |",
        f"| as cheap as the best set | {np.mean(ratio < 1 + 1e-9):.3f} |",
        f"| within 10 % of its cost | {np.mean(ratio <= 1.1):.3f} |",
        f"| largest cost against the best | {ratio.max():.3f} |",
        f"| falls short where the best does not | {int(np.sum(found[:, 2] > found[:, 3] + 1e-6))} |",
        "",
    ]
    RESULTS.write_text("\n".join(text))
    print("\n".join(text), f"{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
