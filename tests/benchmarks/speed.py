"""How fast the adjustment is, as ratios measured in one run beside general-purpose libraries.

    python -m tests.benchmarks.speed [--million] [--only chain,town,lattice]

Writes results/speed_core.json and .md.  Every network and size runs in a process of its own, on one BLAS thread;
times are processor times, the least of several runs.  "Complete" is `heightnet.adjust.adjust`: checks, solution,
residuals, redundancy number of every observation, standard deviation of every unknown, determinant.  "Bare" is
scipy's splu of the normal matrix in its best setting: analyse, factorise, one solution and nothing else.  The nuisance
columns are left out of the bare matrix, since with them splu takes many times as long; so the ratio is stricter than
the like-for-like one, which is given too.
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
import time  # noqa: E402
from collections.abc import Callable  # noqa: E402
from pathlib import Path  # noqa: E402
from typing import Any  # noqa: E402

import numpy as np  # noqa: E402
import scipy  # noqa: E402
import scipy.sparse as sp  # noqa: E402
from scipy.sparse.linalg import splu  # noqa: E402

from heightnet.adjust import adjust, border, elimination, graph, selected, sparse, symmetric  # noqa: E402
from heightnet.adjust import fit as fit_module  # noqa: E402
from tests.benchmarks.speed_networks import KINDS, NUISANCES, network  # noqa: E402

RESULTS = Path(__file__).parent / "results"
SIZES = (1_000, 3_000, 10_000, 30_000, 100_000)
DENSE_UP_TO = 3_000  # sights up to which a dense inverse is tried
STATSMODELS_UP_TO = 1_000  # its influence takes minutes at 3,000
LIKE_FOR_LIKE_UP_TO = 30_000

STAGES: dict[str, tuple[Any, str]] = {
    "ties": (fit_module, "ties"),
    "datum of every piece": (fit_module, "require_datum"),
    "contrasts": (sparse, "contract"),
    "border split off": (sparse, "_split"),
    "normal matrix": (symmetric.Symmetric, "gram"),
    "elimination rounds": (sparse, "eliminate"),
    "core factorised": (sparse.Core, "__init__"),
    "selected inverse": (sparse, "selected_inverse"),
    "way back through the rounds": (elimination.Trace, "expand"),
    "border": (border.Border, "__init__"),
    "redundancy and sd": (sparse.SparseFactor, "_quadratic"),
    "redundancy": (symmetric.Symmetric, "quadratic"),
    "solution": (sparse.SparseFactor, "least_squares"),
}


def best(work: Callable[[], object], repeats: int) -> float:
    """Least processor time of several runs, seconds: on one thread, and whatever else the machine is doing."""
    times = []
    for _ in range(repeats):
        begin = time.process_time()
        work()
        times.append(time.process_time() - begin)
    return min(times)


def memory(forget: bool = False) -> float:
    """Most memory this process has held, bytes; ``forget`` starts anew from what it holds now (Linux)."""
    if forget:
        Path("/proc/self/clear_refs").write_text("5")
    status = Path("/proc/self/status").read_text()
    return float(status.split("VmHWM:")[1].split()[0]) * 1024.0


def stages(A: sp.csr_array, y: np.ndarray, sd: np.ndarray) -> dict[str, float]:
    """Seconds of each stage of one adjustment, those inside another counted once."""
    spent: dict[str, float] = dict.fromkeys(STAGES, 0.0)
    inside: list[float] = []

    def timed(stage: str, work: Callable) -> Callable:
        def run(*args: Any, **keywords: Any) -> Any:
            begin = time.process_time()
            inside.append(0.0)
            try:
                return work(*args, **keywords)
            finally:
                whole = time.process_time() - begin
                spent[stage] += whole - inside.pop()
                if inside:
                    inside[-1] += whole

        return run

    kept = {stage: owner.__dict__[name] for stage, (owner, name) in STAGES.items()}
    for stage, (owner, name) in STAGES.items():
        work = timed(stage, getattr(owner, name))
        setattr(owner, name, staticmethod(work) if isinstance(kept[stage], classmethod) else work)
    try:
        begin = time.process_time()
        adjust(A, y, sd)
        whole = time.process_time() - begin
    finally:
        for stage, (owner, name) in STAGES.items():
            setattr(owner, name, kept[stage])
    spent["the rest"] = whole - sum(spent.values())
    return spent


def one(kind: str, shots: int) -> dict[str, Any]:
    """Everything about one network, in this process."""
    A, y, sd = network(kind, shots)
    before = memory(forget=True)
    begin = time.process_time()
    fit = adjust(A, y, sd)
    first = time.process_time() - begin
    peak = memory() - before
    off = abs(fit.r.sum() - fit.dof)
    del fit
    repeats = 3 if shots > 300_000 else 7
    W = sp.diags_array(1.0 / sd) @ A
    inner = W[:, :-NUISANCES]
    N = (inner.T @ inner).tocsc()
    ones = np.ones(N.shape[0])
    complete, bare = [first], []
    for _ in range(repeats):  # turn by turn, so that both meet the same machine
        bare.append(best(lambda: splu(N, **selected.SPLU).solve(ones), 1))
        complete.append(best(lambda: adjust(A, y, sd), 1))
    found: dict[str, Any] = {
        "network": kind,
        "sights": int(np.count_nonzero(np.diff(A.indptr) == 2 + NUISANCES)),
        "observations": A.shape[0],
        "unknowns": A.shape[1],
        "complete_s": min(complete),
        "bare_s": min(bare),
        "bare_default_ordering_s": best(lambda: splu(N).solve(ones), 1 if shots > 300_000 else 3),
        "peak_bytes": peak,
        "redundancy_sum_off": off,
        "stages_s": stages(A, y, sd),
    }
    if shots <= LIKE_FOR_LIKE_UP_TO:
        whole = (W.T @ W).tocsc()
        more = np.ones(whole.shape[0])
        found["bare_with_nuisances_s"] = best(lambda: splu(whole, **selected.SPLU).solve(more), 2)
    if shots <= DENSE_UP_TO:
        dense = W.toarray()
        found["dense_inverse_s"] = best(lambda: np.einsum("ij,ij->i", dense @ np.linalg.inv(dense.T @ dense), dense), 2)
    if shots <= STATSMODELS_UP_TO:
        from statsmodels.regression.linear_model import OLS

        def influence() -> np.ndarray:
            return OLS(y / sd, dense).fit().get_influence().hat_matrix_diag  # whitened by hand

        found["statsmodels_s"] = best(influence, 2)
        found["off_statsmodels"] = float(np.abs(adjust(A, y, sd).r - (1.0 - influence())).max())
    edges = np.flatnonzero(np.diff(A.indptr) == 2 + NUISANCES)
    i, j = A.indices[A.indptr[edges]], A.indices[A.indptr[edges] + 1]
    found["bridges_s"] = best(lambda: graph.bridges(i, j, A.shape[1]), 2)
    found["series_classes_s"] = best(lambda: graph.series_classes(i, j, A.shape[1]), 2)
    found["loops_s"] = best(lambda: graph.fundamental_loops(i, j, A.shape[1]).misclosure(y[edges]), 2)
    return found


def exponent(rows: list[dict[str, Any]]) -> float:
    """Slope of log time over log sights from 10,000 sights up."""
    large = [row for row in rows if row["sights"] > 9_000]
    x, t = (np.log([row[key] for row in large]) for key in ("sights", "complete_s"))
    return float(np.polyfit(x, t, 1)[0])


def table(heads: list[str], rows: list[list[str]]) -> list[str]:
    return ["| " + " | ".join(cells) + " |" for cells in [heads, ["---"] * len(heads), *rows]] + [""]


def report(found: dict[str, Any]) -> str:
    rows = found["rows"]
    text = [
        "# The speed of the adjustment",
        "",
        "Made by `python -m tests.benchmarks.speed --million` on Linux, "
        + ", ".join(f"{name} {value}" for name, value in found["machine"].items())
        + ", one BLAS thread.",
        "",
        "Complete: solution, residuals, redundancy number of every observation, standard deviation of every unknown.",
        "Bare: scipy's splu of the normal matrix without nuisance columns, symmetric mode: factorise and solve once.",
        "Memory: what the adjustment needs beyond its input at its peak.",
        "",
    ]
    heads = "network, sights, unknowns, complete s, / bare, / splu as it comes, kB a sight, sum of r off by"
    text += table(
        heads.split(", "),
        [
            [
                row["network"],
                f"{row['sights']:,}",
                f"{row['unknowns']:,}",
                f"{row['complete_s']:.3f}",
                f"{row['complete_s'] / row['bare_s']:.2f}",
                f"{row['complete_s'] / row['bare_default_ordering_s']:.2f}",
                f"{row['peak_bytes'] / row['sights'] / 1e3:.2f}",
                f"{row['redundancy_sum_off']:.0e}",
            ]
            for row in rows
        ],
    )
    text += ["Growth from 10,000 sights up, time as a power of the number of sights:", ""]
    text += table(["network", "exponent"], [[kind, f"{value:.2f}"] for kind, value in found["exponents"].items()])
    text += ["Usual ways to the redundancy numbers, in multiples of the complete adjustment:", ""]
    text += table(
        ["network", "sights", "statsmodels influence", "dense inverse", "redundancy against statsmodels"],
        [
            [
                row["network"],
                f"{row['sights']:,}",
                f"{row['statsmodels_s'] / row['complete_s']:.0f}" if "statsmodels_s" in row else "-",
                f"{row['dense_inverse_s'] / row['complete_s']:.0f}",
                f"{row['off_statsmodels']:.0e}" if "off_statsmodels" in row else "-",
            ]
            for row in rows
            if "dense_inverse_s" in row
        ],
    )
    text += ["splu of the normal matrix with its four nuisance columns, in multiples of the complete adjustment:", ""]
    text += table(
        ["network", "sights", "splu / complete"],
        [
            [row["network"], f"{row['sights']:,}", f"{row['bare_with_nuisances_s'] / row['complete_s']:.1f}"]
            for row in rows
            if "bare_with_nuisances_s" in row
        ],
    )
    largest = {row["network"]: row for row in rows}
    text += ["Share of each stage at the largest size, %:", ""]
    names = sorted(STAGES, key=lambda stage: -sum(row["stages_s"][stage] for row in largest.values())) + ["the rest"]
    text += table(
        ["stage", *(f"{kind} {row['sights']:,}" for kind, row in largest.items())],
        [
            [
                stage,
                *(f"{100 * row['stages_s'][stage] / sum(row['stages_s'].values()):.0f}" for row in largest.values()),
            ]
            for stage in names
        ],
    )
    text += ["Graph facts of the sights alone, seconds:", ""]
    text += table(
        ["network", "sights", "bridges", "series classes", "loops and misclosures"],
        [
            [kind, f"{row['sights']:,}", *(f"{row[key]:.2f}" for key in ("bridges_s", "series_classes_s", "loops_s"))]
            for kind, row in largest.items()
        ],
    )
    return "\n".join(text)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--million", action="store_true", help="a million sights too; takes minutes and 4 GB")
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
            command = [sys.executable, "-m", "tests.benchmarks.speed", "--one", kind, str(shots)]
            rows.append(json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout))
            row = rows[-1]
            ratio = row["complete_s"] / row["bare_s"]
            print(f"{kind} {row['sights']:,}: {row['complete_s']:.3f} s, {ratio:.2f} x bare splu", file=sys.stderr)
    found = {
        "machine": {
            "processor cores": os.cpu_count(),
            "Python": platform.python_version(),
            "numpy": np.__version__,
            "scipy": scipy.__version__,
        },
        "rows": rows,
        "exponents": {kind: exponent([row for row in rows if row["network"] == kind]) for kind in kinds},
    }
    if tuple(kinds) == KINDS:
        RESULTS.mkdir(exist_ok=True)
        (RESULTS / "speed_core.json").write_text(json.dumps(found, indent=1) + "\n")
        (RESULTS / "speed_core.md").write_text(report(found))
    print(report(found))


if __name__ == "__main__":
    main()
