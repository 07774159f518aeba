"""``prove`` on simulated check shots, risks against truth: ``python -m tests.benchmarks.prove_risks [cases]``

Each case draws a set-up over a known mark, one to four known marks 20 to 200 m away, how well all of it is measured,
the tolerance, and the error of the taped height, evenly to 20 mm either way, as `prove` assumes nothing of it; in one
case of ten one mark is wrong by 8 to 60 mm.  Writes results/prove_risks.md.
"""

from __future__ import annotations

import subprocess
import sys
from collections import defaultdict
from itertools import pairwise
from pathlib import Path

import numpy as np

from heightnet.tasks.prove import prove
from tests.networks import Field

RESULTS = Path(__file__).parent / "results" / "prove_risks.md"
BINS = (0.0, 0.05, 0.25, 0.5, 0.75, 0.95, 1.0)
LARGEST_M, WRONG_MARKS = 0.020, 0.1


def case(number: int) -> tuple[str, float | None, bool, bool]:
    """Verdict, stated chance that the tape is off by more than the tolerance, whether it is, and whether a mark is."""
    rng = np.random.default_rng((17, number))
    marks = [f"K{i}" for i in range(1, int(rng.integers(1, 5)) + 1)]
    heights = {name: 100 + float(rng.normal(0, 2)) for name in ("S", *marks)}
    field = Field(heights, noise=1.0, seed=number)
    tape, tolerance = float(rng.uniform(-LARGEST_M, LARGEST_M)), float(rng.choice([0.003, 0.005, 0.008, 0.010]))
    bad = str(rng.choice(marks)) if rng.random() < WRONG_MARKS else ""
    off = float(rng.choice([-1, 1]) * rng.uniform(0.008, 0.060))
    for mark in ("S", *marks):
        field.known(mark, sd=0.0005, wrong=off if mark == bad else 0.0)
    field.setup("A", "S", 1.55, wrong=tape, sd=0.001)
    for mark in marks:
        far = float(rng.uniform(20, 200))
        field.target(f"pole {mark}", mark, 2.0, sd=0.0003)
        field.shot("A", f"pole {mark}", far, sd=float(np.hypot(0.0003, far * 1.5e-5)))
    facts = prove(field.job(), "A", tolerance)
    risk = facts["tape"]["risk_accepting"] if facts["tape"] else None
    return facts["verdict"], risk, abs(tape) > tolerance, bool(bad)


def run(cases: range) -> dict[str, object]:
    """Counts by verdict, and of what is stated against what is true."""
    verdicts: dict[str, list[tuple[float, bool]]] = defaultdict(list)
    stated: list[tuple[float, bool]] = []
    for number in cases:
        verdict, risk, true, _ = case(number)
        if risk is not None:
            verdicts[verdict].append((risk, true))
            stated.append((risk, true))
    return {"verdicts": dict(verdicts), "stated": stated}


def page(found: dict[str, object], cases: int, commit: str) -> str:
    lines = [
        "# What prove risks", "",
        f"Made by `python -m tests.benchmarks.prove_risks` at {commit}: {cases} simulated cases, a tape off by up to "
        "20 mm either way, in one of ten a mark wrong by 8 to 60 mm.  Beyond: the tape is off by more than the "
        "tolerance.", "",
        "| verdict | cases | beyond, as stated | beyond, in truth |", "| --- | --- | --- | --- |",
    ]  # fmt: skip
    for verdict, some in sorted(found["verdicts"].items()):  # type: ignore[attr-defined]
        risk, true = np.array(some, dtype=float).T
        lines.append(f"| {verdict} | {len(some)} | {risk.mean():.3f} | {true.mean():.3f} |")
    lines += ["", "| stated chance | cases | mean stated | in truth |", "| --- | --- | --- | --- |"]
    risk, true = np.array(found["stated"], dtype=float).T
    for low, high in pairwise(BINS):
        some = (risk >= low) & ((risk < high) | (high == 1.0))
        if some.any():
            lines.append(f"| {low:g} to {high:g} | {some.sum()} | {risk[some].mean():.3f} | {true[some].mean():.3f} |")
    return "\n".join(lines) + "\n"


def main(cases: int) -> None:
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True).stdout.strip()
    RESULTS.write_text(page(run(range(cases)), cases, commit))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
