"""A whole check, from CSV files to results.json, against the adjustment alone of the same network.

    python -m tests.benchmarks.check_speed [--million] [--only chain,town,lattice]

Jobs are laid out as in `speed_networks`; up to twenty set-up heights in each are planted wrong by 40 to 60 mm and
must be found. Every job runs in a process of its own on one BLAS thread. Writes results/check_speed.json and .md:
seconds of each stage in one run, their ratio to `heightnet.adjust.adjust` alone, memory at the peak, and what
starting up costs.
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
from collections import Counter  # noqa: E402
from itertools import pairwise  # noqa: E402
from pathlib import Path  # noqa: E402
from typing import Any  # noqa: E402

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
import scipy  # noqa: E402
from scipy import sparse  # noqa: E402
from scipy.sparse.linalg import splu  # noqa: E402

from heightnet.rows import column  # noqa: E402
from tests.benchmarks.speed import memory, table  # noqa: E402
from tests.benchmarks.speed_networks import KINDS, layout  # noqa: E402

RESULTS = Path(__file__).parent / "results"
SIZES = (1_000, 10_000, 100_000)
PLANTED = 20
BARE_UP_TO = 10_000
SMALL_JOB = Path(__file__).parents[2] / "data" / "quarry-traverse"
SPACING_M = 100.0


def write_job(
    folder: Path, kind: str, shots: int, planted: int = PLANTED, seed: int = 1, scatter: float = 1.0,
    sizes_m: tuple[float, float] = (0.04, 0.06),
) -> list[str]:  # fmt: skip
    """Write an invented job of about ``shots`` sights as CSV files; returns the set-ups planted wrong.

    ``scatter``: how many times larger than stated the errors of tapes, targets and sights are.
    """
    rng = np.random.default_rng(seed)
    plan = layout(kind, shots)
    height = 200 + 20 * np.sin(plan.place @ [0.013, 0.017]) + rng.normal(0, 1, plan.marks)
    hi, ht = rng.uniform(1.45, 1.65, len(plan.setup_mark)), rng.uniform(1.4, 1.7, len(plan.target_mark))
    at, to = plan.setup_mark[plan.setup], plan.target_mark[plan.target]
    distance = SPACING_M * np.hypot(*(plan.place[at] - plan.place[to]).T)
    rise = height[to] + ht[plan.target] - height[at] - hi[plan.setup] - (1 - 0.13) * distance**2 / (2 * 6_371_000)
    zenith = np.degrees(np.arctan2(distance, rise)) + scatter * 3 / 3600 * rng.standard_normal(len(at))
    booked = hi + scatter * 0.001 * rng.standard_normal(len(hi))
    wrong = np.sort(rng.choice(len(hi), planted, replace=False))
    booked[wrong] += rng.uniform(*sizes_m, planted) * rng.choice([-1, 1], planted)
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
                    "height": (ht + scatter * 0.001 * rng.standard_normal(len(ht))).round(3), "equipment": "prism"},
        "shots": {"setup": names["setup"][plan.setup], "target": names["target"][plan.target],
                  "slope_distance": (np.hypot(distance, rise) + 0.001 * scatter * rng.normal(size=len(at))).round(3),
                  "zenith_angle": zenith.round(6)},
    }  # fmt: skip
    folder.mkdir(parents=True, exist_ok=True)
    for name, columns in tables.items():
        pd.DataFrame(columns).to_csv(folder / f"{name}.csv", index=False)
    (folder / "job.toml").write_text(f'title = "An invented {kind}"\n[units]\nangle = "deg"\n', encoding="utf-8")
    return [f"setup:{names['setup'][w]}" for w in wrong]


def import_cost() -> dict[str, float]:
    """Processor seconds, the least of several runs: bare Python, ``--help``, a small job with page, its libraries."""
    python = sys.executable
    libraries = (
        "numpy, scipy.sparse.linalg, scipy.sparse.csgraph, scipy.special, scipy.linalg, scipy.optimize, pandas, click, "
        "rich.console, orjson, matplotlib.figure, matplotlib.backends.backend_svg"
    )
    with tempfile.TemporaryDirectory() as folder:
        commands = {
            "python -c pass": [python, "-c", "pass"],
            "heightnet --help": [python, "-m", "heightnet", "--help"],
            "importing its libraries": [python, "-c", f"import {libraries}"],
            "check of a small job": [python, "-m", "heightnet", "check", str(SMALL_JOB), "--to", folder],
        }
        return {
            name: least(command, 20 if number < 2 else 5) for number, (name, command) in enumerate(commands.items())
        }


def least(command: list[str], runs: int) -> float:
    import resource

    times = []
    for _ in range(runs):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(command, stdout=subprocess.DEVNULL)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        times.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(times)


def one(kind: str, shots: int) -> dict[str, Any]:
    """Everything about one job, in this process; times are processor seconds."""
    from heightnet.adjust import adjust
    from heightnet.adjust.selected import SPLU
    from heightnet.job.read import read_job
    from heightnet.network import build_network
    from heightnet.result import Result
    from heightnet.tasks.check import check

    with tempfile.TemporaryDirectory() as folder:
        wrong = write_job(Path(folder) / "job", kind, shots, planted=min(PLANTED, shots // 500))
        memory(forget=True)
        stages: list[tuple[str, float]] = [("reading", time.process_time())]
        job = read_job(Path(folder) / "job")
        result: Result = check(job, say=lambda stage: stages.append((stage, time.process_time())))
        stages.append(("writing results.json and the tables", time.process_time()))
        result.write(Path(folder) / "report", page=False)
        stages.append(("", time.process_time()))
        peak = memory()
        size = (Path(folder) / "report" / "results.json").stat().st_size
    net = build_network(job)
    core, bare = [], []
    W = sparse.diags_array(1 / net.sd) @ net.A
    N = (W.T @ W).tocsc()
    right = W.T @ (net.y / net.sd)
    for _ in range(3):
        begun = time.process_time()
        adjust(net.A, net.y, net.sd)
        core.append(time.process_time() - begun)
    for _ in range(3 if shots <= BARE_UP_TO else 0):  # one column touches every sight: splu alone takes minutes beyond
        begun = time.process_time()
        splu(N, **SPLU).solve(right)
        bare.append(time.process_time() - begun)
    found = {s["id"] for s in result.facts["suspects"] if s["probability"] >= 0.5}
    verdicts = Counter(v for table in ("setups", "targets") for v in column(result.facts[table], "verdict"))
    return {
        "network": kind,
        "sights": len(job.shots),
        "rows": sum(len(job.tables[name]) for name in ("marks", "setups", "targets", "shots")),
        "observations": len(net.y),
        "unknowns": int(net.A.shape[1]),
        "check_s": stages[-1][1] - stages[0][1],
        "core_s": min(core),
        "bare_s": min(bare, default=None),
        "peak_bytes": peak,
        "results_bytes": size,
        "stages_s": {name: end - begin for (name, begin), (_, end) in pairwise(stages)},
        "planted": len(wrong),
        "found": len(found & set(wrong)),
        "accused": len(found),
        "verdicts": dict(verdicts),
    }


def report(found: dict[str, Any]) -> str:
    rows, start = found["rows"], found["start"]
    text = [
        "# The speed of a whole check",
        "",
        "Made by `python -m tests.benchmarks.check_speed --million` on Linux, "
        + ", ".join(f"{name} {value}" for name, value in found["machine"].items())
        + ", one thread; processor seconds of one run, from CSV files to results.json and the CSV tables, no page.",
        "",
        "Core: `heightnet.adjust.adjust` of the same network alone. Memory: the most the process held, with libraries.",
        f"In each job one to {PLANTED} of the set-up heights are planted wrong by 40 to 60 mm.",
        "",
    ]
    heads = "network, sights, observations, check s, core s, check / core, GB, kB a sight, planted, found, accused"
    text += table(
        heads.split(", "),
        [
            [
                row["network"],
                f"{row['sights']:,}",
                f"{row['observations']:,}",
                f"{row['check_s']:.2f}",
                f"{row['core_s']:.3f}",
                f"{row['check_s'] / row['core_s']:.0f}",
                f"{row['peak_bytes'] / 1e9:.2f}",
                f"{row['peak_bytes'] / row['sights'] / 1e3:.1f}",
                str(row["planted"]),
                str(row["found"]),
                str(row["accused"]),
            ]
            for row in rows
        ],
    )
    largest = {row["network"]: row for row in rows}
    text += ["Share of each stage at the largest size, %:", ""]
    text += table(
        ["stage", *(f"{kind} {row['sights']:,}" for kind, row in largest.items())],
        [
            [name, *(f"{100 * row['stages_s'][name] / row['check_s']:.0f}" for row in largest.values())]
            for name in rows[0]["stages_s"]
        ],
    )
    text += ["Starting up, processor seconds, the least of several runs:", ""]
    text += table(["what", "s"], [[name, f"{seconds:.3f}"] for name, seconds in start.items()])
    help_, small = start["heightnet --help"], start["check of a small job"]
    text += [
        f"`--help` takes {help_ / start['python -c pass']:.1f} times bare Python; a whole check of the quarry traverse "
        f"with page and figures {small / start['importing its libraries']:.1f} times importing its libraries.",
        "",
    ]
    return "\n".join(text)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--million", action="store_true", help="a million sights too; takes minutes and 6 GB")
    parser.add_argument("--only", default=",".join(KINDS), help="networks, by commas; nothing is kept then")
    parser.add_argument("--one", nargs=2, metavar=("NETWORK", "SIGHTS"), help="one network in this process, as JSON")
    options = parser.parse_args()
    if options.one:
        print(json.dumps(one(options.one[0], int(options.one[1]))))
        return
    kinds = options.only.split(",")
    rows = []
    for kind in kinds:
        for shots in SIZES + (1_000_000,) * options.million:
            command = [sys.executable, "-m", "tests.benchmarks.check_speed", "--one", kind, str(shots)]
            rows.append(json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout))
            row = rows[-1]
            print(
                f"{kind} {row['sights']:,}: {row['check_s']:.1f} s, {row['peak_bytes'] / 1e9:.1f} GB", file=sys.stderr
            )
    versions = {"Python": platform.python_version(), "numpy": np.__version__, "scipy": scipy.__version__}
    found = {"machine": {"processor cores": os.cpu_count(), **versions}, "rows": rows, "start": import_cost()}
    if tuple(kinds) == KINDS:
        (RESULTS / "check_speed.json").write_text(json.dumps(found, indent=1) + "\n")
        (RESULTS / "check_speed.md").write_text(report(found))
    print(report(found))


if __name__ == "__main__":
    main()
