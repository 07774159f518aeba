"""A whole check, from a job in memory to its facts, against the bare factorisation of the same normal matrix.

    python -m tests.benchmarks.check_speed [--shots 10000]

A generated two-way traverse with sights over one mark; three heights are planted wrong and must be found.  Writes
results/check_speed.json: seconds of each stage in one run, and their ratio to scipy's splu factorise-and-solve.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.sparse.linalg import splu

import heightnet
from heightnet.job.model import Job
from heightnet.network import build_network

RESULTS = Path(__file__).parent / "results" / "check_speed.json"
SIGHTS = (-2, -1, 1, 2)


def traverse(shots: int, seed: int = 1) -> Job:
    """A traverse with a set-up over every mark, a known mark every fifty, each target put up for one sight."""
    rng = np.random.default_rng(seed)
    count = shots // len(SIGHTS)
    height = 100 + np.cumsum(rng.normal(0, 1, count))
    at, to = np.repeat(np.arange(count), len(SIGHTS)), (np.arange(count)[:, None] + SIGHTS).ravel()
    there = (to >= 0) & (to < count)
    at, to = at[there], to[there]
    hi, ht = rng.uniform(1.45, 1.65, count), rng.uniform(1.4, 1.7, len(at))
    distance = 100.0 * np.abs(at - to)
    rise = height[to] + ht - height[at] - hi[at] - (1 - 0.13) * distance**2 / (2 * 6_371_000)
    zenith = np.arctan2(distance, rise) + np.radians(3 / 3600) * rng.standard_normal(len(at))
    mark = np.array([f"M{i}" for i in range(count)], dtype=object)
    known = np.where(np.arange(count) % 50 == 0, height + 0.001 * rng.standard_normal(count), np.nan)
    booked = hi + 0.001 * rng.standard_normal(count)
    booked[WRONG] += 0.05
    target = np.array([f"P{i}" for i in range(len(at))], dtype=object)
    setup = np.array([f"S{i}" for i in range(count)], dtype=object)
    return Job.from_frames(
        f"traverse of {len(at)} shots",
        marks=pd.DataFrame({"mark": mark, "height": known}),
        setups=pd.DataFrame({"setup": setup, "mark": mark, "height": booked, "instrument": "one"}),
        targets=pd.DataFrame({"target": target, "mark": mark[to], "equipment": "prism",
                              "height": ht + 0.001 * rng.standard_normal(len(at))}),
        shots=pd.DataFrame({"setup": setup[at], "target": target, "zenith_angle": zenith,
                            "slope_distance": np.hypot(distance, rise) + 0.001 * rng.standard_normal(len(at))}),
    )  # fmt: skip


WRONG = np.array([30, 77, 140])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shots", type=int, default=10_000)
    options = parser.parse_args()
    job = traverse(options.shots)
    begun = time.perf_counter()
    net = build_network(job)
    network = time.perf_counter() - begun
    W = sparse.diags(1 / net.sd) @ net.A
    N, right = (W.T @ W).tocsc(), W.T @ (net.y / net.sd)
    begun = time.perf_counter()
    splu(N).solve(right)
    bare = time.perf_counter() - begun
    stages: list[tuple[str, float]] = []
    begun = time.perf_counter()
    result = heightnet.check(job, say=lambda stage: stages.append((stage, time.perf_counter() - begun)))
    whole = time.perf_counter() - begun
    begun = time.perf_counter()
    result.to_json()
    written = time.perf_counter() - begun
    found = sorted(s["id"] for s in result.facts["suspects"] if s["probability"] >= 0.5)
    ends = [t for _, t in stages[1:]] + [whole]
    facts = {
        "shots": len(job.shots), "observations": len(net.y), "unknowns": int(net.A.shape[1]),
        "bare splu s": round(bare, 4), "network s": round(network, 3), "whole check s": round(whole, 2),
        "results.json s": round(written, 2), "check / bare splu": round(whole / bare, 1),
        "stages s": {name: round(end - start, 2) for (name, start), end in zip(stages, ends, strict=True)},
        "planted and found": [i in found for i in (f"setup:S{w}" for w in WRONG)], "accused": len(found),
    }  # fmt: skip
    kept = json.loads(RESULTS.read_text()) if RESULTS.exists() else {}
    kept[str(options.shots)] = facts
    RESULTS.parent.mkdir(exist_ok=True)
    RESULTS.write_text(json.dumps(kept, indent=1) + "\n")
    print(json.dumps(facts, indent=1))


if __name__ == "__main__":
    main()
