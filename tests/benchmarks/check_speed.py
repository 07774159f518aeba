"""A whole check, from CSV files to results.json, against the adjustment alone of the same network.

    python -m tests.benchmarks.check_speed [--million] [--only chain,town,lattice] [--profile FILE]

Jobs are laid out as in `speed_networks`; twenty set-up heights in each are planted wrong by 40 to 60 mm and must be
found.  Every job runs in a process of its own on one BLAS thread.  Writes results/check_speed.json and .md: seconds of
each stage in one run, their ratio to `heightnet.adjust.adjust` alone and to scipy's splu, memory at the peak.
"""

from __future__ import annotations

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import argparse  # noqa: E402
import json  # noqa: E402
import platform  # noqa: E402
import subprocess  # noqa: E402
import sys  # noqa: E402
import tempfile  # noqa: E402
import time  # noqa: E402
from pathlib import Path  # noqa: E402
from typing import Any  # noqa: E402

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
from scipy import sparse  # noqa: E402
from scipy.sparse.linalg import splu  # noqa: E402

from tests.benchmarks.speed import memory, table  # noqa: E402
from tests.benchmarks.speed_networks import KINDS, layout  # noqa: E402

RESULTS = Path(__file__).parent / "results"
SIZES = (1_000, 10_000, 100_000)
PLANTED = 20
SPACING_M = 100.0


def write_job(folder: Path, kind: str, shots: int, planted: int = PLANTED, seed: int = 1) -> list[str]:
    """Write an invented job of about ``shots`` sights as CSV files; returns the set-ups whose height is planted wrong."""
    rng = np.random.default_rng(seed)
    plan = layout(kind, shots)
    height = 200 + 20 * np.sin(plan.place @ [0.013, 0.017]) + rng.normal(0, 1, plan.marks)
    hi, ht = rng.uniform(1.45, 1.65, len(plan.setup_mark)), rng.uniform(1.4, 1.7, len(plan.target_mark))
    at, to = plan.setup_mark[plan.setup], plan.target_mark[plan.target]
    distance = SPACING_M * np.hypot(*(plan.place[at] - plan.place[to]).T)
    rise = height[to] + ht[plan.target] - height[at] - hi[plan.setup] - (1 - 0.13) * distance**2 / (2 * 6_371_000)
    zenith = np.degrees(np.arctan2(distance, rise)) + 3 / 3600 * rng.standard_normal(len(at))
    booked = hi + 0.001 * rng.standard_normal(len(hi))
    wrong = np.sort(rng.choice(len(hi), planted, replace=False))
    booked[wrong] += rng.uniform(0.04, 0.06, planted) * rng.choice([-1, 1], planted)
    names = {
        "mark": [f"M{i}" for i in range(plan.marks)],
        "setup": np.array([f"S{i}" for i in range(len(hi))], dtype=object),
        "target": np.array([f"P{i}" for i in range(len(ht))], dtype=object),
    }
    mark = np.array(names["mark"], dtype=object)
    known = np.full(plan.marks, np.nan)
    known[plan.known] = height[plan.known] + 0.001 * rng.standard_normal(len(plan.known))
    east, north = (SPACING_M * plan.place.T).astype(float)
    tables = {
        "marks": {"mark": mark, "height": known.round(4), "east": east, "north": north},
        "setups": {"setup": names["setup"], "mark": mark[plan.setup_mark], "height": booked.round(3),
                   "instrument": "one"},
        "targets": {"target": names["target"], "mark": mark[plan.target_mark],
                    "height": (ht + 0.001 * rng.standard_normal(len(ht))).round(3), "equipment": "prism"},
        "shots": {"setup": names["setup"][plan.setup], "target": names["target"][plan.target],
                  "slope_distance": (np.hypot(distance, rise) + 0.001 * rng.standard_normal(len(at))).round(3),
                  "zenith_angle": zenith.round(6)},
    }  # fmt: skip
    folder.mkdir(parents=True, exist_ok=True)
    for name, columns in tables.items():
        pd.DataFrame(columns).to_csv(folder / f"{name}.csv", index=False)
    (folder / "job.toml").write_text(f'title = "An invented {kind}"\n[units]\nangle = "deg"\n', encoding="utf-8")
    return [f"setup:{names['setup'][w]}" for w in wrong]
