"""How often a large job, judged by neighbourhoods, is judged rightly.

    python -m tests.benchmarks.wide_figures [--jobs 40]

Invented jobs of about 3,000 sights (some 5,000 observations): in each a share of the set-up heights is wrong by 10 to
60 mm.  Writes results/wide_figures.md: what is accused, how much of that is right, how much of what was wrong is found.
"""

from __future__ import annotations

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import argparse  # noqa: E402
import sys  # noqa: E402
import tempfile  # noqa: E402
from pathlib import Path  # noqa: E402

import numpy as np  # noqa: E402

import heightnet  # noqa: E402
from tests.benchmarks.check_speed import write_job  # noqa: E402
from tests.benchmarks.speed import table  # noqa: E402

RESULTS = Path(__file__).parent / "results"
SIGHTS = 3000
CELLS = [  # network, share of the set-ups wrong, times the stated scatter
    ("town", 0.0, 1.0), ("town", 0.01, 1.0), ("town", 0.03, 1.0), ("town", 0.0, 1.6), ("town", 0.01, 1.6),
    ("chain", 0.01, 1.0), ("lattice", 0.01, 1.0),
]  # fmt: skip


def one(folder: Path, kind: str, share: float, scatter: float, seed: int) -> dict[str, list[float]]:
    """Of one job: probability and rightness of every accusation; standardised size and chance of every blunder."""
    planted = round(share * SIGHTS / 6)
    wrong = write_job(folder, kind, SIGHTS, planted=planted, seed=seed, scatter=scatter, sizes_m=(0.010, 0.060))
    facts = heightnet.check(folder).facts
    setups = {f"setup:{s['setup']}": s for s in facts["setups"]}
    accused = {s["id"]: s["probability"] for s in facts["suspects"]}
    either = {f"setup:{s['setup']}" for s in facts["setups"] if s["verdict"] == "either"}
    return {
        "chance": [p for p in accused.values() if p >= 0.5],
        "right": [float(i in wrong) for i, p in accused.items() if p >= 0.5],
        "size": [abs(setups[i]["error_mm"]) / setups[i]["error_sd_mm"] for i in wrong],
        "found": [float(accused.get(i, 0.0) >= 0.5) for i in wrong],
        "named": [float(accused.get(i, 0.0) >= 0.5 or i in either) for i in wrong],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--jobs", type=int, default=40)
    options = parser.parse_args()
    rows = []
    for kind, share, scatter in CELLS:
        found: dict[str, list[float]] = {}
        for seed in range(options.jobs):
            with tempfile.TemporaryDirectory() as folder:
                for name, values in one(Path(folder), kind, share, scatter, seed).items():
                    found.setdefault(name, []).extend(values)
            print(f"{kind} {share} {scatter}: job {seed + 1}", end="\r", file=sys.stderr)
        values = {name: np.array(v) for name, v in found.items()}
        sure, large = values["chance"] >= 0.9, values["size"] >= 6
        rows.append(
            [
                kind,
                f"{100 * share:g} %",
                f"{scatter:g}",
                f"{len(values['chance']) / options.jobs:.2f}",
                f"{(values['right'] == 0).sum() / options.jobs:.2f}",
                _share(values["right"]),
                _share(values["right"][sure]),
                _share(values["found"][large]),
                _share(values["named"][large]),
            ]
        )
    heads = [
        "network", "set-ups wrong", "scatter / stated", "accusations a job (chance >= .5)", "wrong ones a job",
        "right, chance >= .5", "right, chance >= .9", "found, of 6 sds and more", "found or in question",
    ]  # fmt: skip
    text = [
        "# Large jobs: how often the judgement is right",
        "",
        f"Made by `python -m tests.benchmarks.wide_figures --jobs {options.jobs}`: {options.jobs} invented jobs a row, "
        "of about 3,000 sights; set-up heights wrong by 10 to 60 mm.",
        "",
        *table(heads, rows),
    ]
    (RESULTS / "wide_figures.md").write_text("\n".join(text))
    print("\n".join(text))


def _share(right: np.ndarray) -> str:
    return f"{right.mean():.3f} of {len(right)}" if len(right) else "-"


if __name__ == "__main__":
    main()
