"""How often the judgement of antenna heights is right, by simulation of mixed jobs.

    python -m tests.benchmarks.gnss [-n 2000] [--cell TEXT]

The cells are those of ``figures.py`` on the jobs of kind G1 (18 antenna set-ups in two sessions, total stations,
levels), and some that only such jobs have.  Finished cells go to results/gnss.json at once, results/gnss.md is made
from it.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from heightnet.judge.causes import evidence_about, rank_causes
from heightnet.judge.judgement import CERTAIN, LIKELY
from heightnet.judge.promises import promises
from heightnet.kinds.records import Records
from heightnet.network import build_network
from tests.benchmarks import figures
from tests.simulate.antennas import PHASE_M
from tests.simulate.jobs import simulate

RESULTS = Path(__file__).parent / "results"
figures.NETS["G1"] = 8
figures.COMPARED = 0  # the other ways are compared in figures.py
Record = dict[str, Any]


@cache
def antennas(kind: str, seed: int) -> np.ndarray:
    """Antenna heights that are ever named alone, one a mark.

    Two heights over one mark, wrong alike, look like its separation, and are rightly taken for that: the simpler case.
    """
    b = figures.bench(kind, seed)
    able = np.isfinite(promises(b).named) & (b.family.kind == "setup")
    of_mark: dict[int, list[int]] = {}
    for h in np.flatnonzero(able).tolist():
        if str(b.family.ids[h]).startswith("setup:G"):
            of_mark.setdefault(int(b.net.nodes.mark[b.family.node[h]]), []).append(h)
    return np.array([heights[seed % len(heights)] for heights in of_mark.values()])


def clean(n: int, tape: float = 1.0, sight: float = 1.0) -> Record:
    """No blunder, the standard deviations perhaps larger than stated: is anything said, and what?"""
    said = place = sure = thing = 0
    for d in figures.draws("G1", n, 1, tape, sight):
        v = d.judge()
        said += v.said
        place += any(f.level >= LIKELY for f in v.findings)
        sure += any(f.level >= CERTAIN for f in v.findings)
        thing += any(f.named for f in v.findings)
    return {
        "said": figures.rate(said, n), "a place over .5": figures.rate(place, n),
        "a place over .9": figures.rate(sure, n), "one thing named": figures.rate(thing, n),
    }  # fmt: skip


def identification(n: int, count: int, delta: tuple[float, float]) -> Record:
    """Wrong antenna heights, each of which can be named alone: is exactly that said?"""
    kept = figures.attributable_heights
    figures.attributable_heights = antennas
    try:
        found = figures.identification("G1", n, count, delta)
    finally:
        figures.attributable_heights = kept
    return {k: v for k, v in found.items() if ":" not in k}


def common_point(n: int, size: float, group: str) -> Record:
    """All antennas of one model, or all separations, wrong by one size: named, and is the other blamed?"""
    named = other = either = shown = 0
    stated: list[float] = []
    for d in figures.draws("G1", n, 60):
        family, label = d.b.family, d.b.classes.label
        ids = [str(i) for i in family.ids]
        h = ids.index(group)
        d.plant(h, size * d.rng.choice((-1, 1)))
        v = d.judge()
        rivals = {int(label[i]) for i, id_ in enumerate(ids) if id_.startswith("group:") and label[i] >= 0}
        named += bool(v.class_probability[label[h]] >= 0.5)
        posterior = v.looks[0].posterior
        shown += any(set(s) == d.truth for s in posterior.sets[: posterior.shown])
        stated += [float(v.class_probability[c]) for c in figures.accused(v)]
        other += bool(figures.accused(v) - d.truth)
        either += bool(sum(v.class_probability[c] for c in rivals) >= 0.5)
    return {
        "named": figures.rate(named, n),
        "named or shown beside": figures.rate(shown, n),
        "some group accused": figures.rate(either, n),
        "something else accused": figures.rate(other, n),
        "stated of the accused, mean": round(float(np.mean(stated)), 3),
    }


def one_model_only(n: int) -> Record:
    """One model of antenna everywhere, one-sided heights alone: is it said that it could be the separations?"""
    said = rho = 0.0
    for seed in range(n):
        job, _ = simulate("G1", seed)
        gnss = job.gnss[job.gnss["from_setup"] == ""].reset_index(drop=True)
        setups = job.setups.assign(
            instrument=job.setups["instrument"].where(~job.setups["setup"].str.startswith("G"), "x")
        )

        b = figures.Bench(build_network(job.with_tables(gnss=gnss, setups=setups)), factors=False)
        ids = [str(i) for i in b.family.ids]
        one, other = ids.index("group:instrument:x"), ids.index("group:separations:the whole job")
        said += b.classes.label[one] == b.classes.label[other]
        rho = max(rho, 1 - abs(b.G[one, other]) / np.sqrt(b.diagonal[one] * b.diagonal[other]))
    return {"one class": figures.rate(said, n), "largest 1 - |rho|": float(f"{rho:.1e}")}


def causes(n: int) -> Record:
    """One antenna wrong for a cause of its own size: is the cause first, or among the first three?"""
    first: dict[str, list[int]] = {}
    rng = np.random.default_rng(5)
    for i in range(n):
        job, _ = simulate("G1", i % 8)
        records = Records(job, build_network(job).readings)
        setup = rng.choice([s for s in job.setups["setup"] if s.startswith("G")])
        height = records.heights[("setup", setup)]
        radius, offset = 0.142, 0.031
        for name, error in (
            ("slant_not_reduced", height - np.sqrt(height**2 - radius**2)), ("phase_left_out", -PHASE_M),
            ("phase_twice", PHASE_M), ("offset_left_out", -offset),
        ):  # fmt: skip
            sd = 0.003
            fits = rank_causes(evidence_about(records, f"setup:{setup}").found(error + sd * rng.standard_normal(), sd))
            names = [f.cause for f in fits]
            count = first.setdefault(name, [0, 0, 0])
            count[0] += names[0] == name
            count[1] += name in names[:3]
            count[2] += 1
    return {f"{name}, {what}": figures.rate(c[i], c[2]) for name, c in first.items()
            for i, what in enumerate(("first", "in the first three"))}  # fmt: skip


def cells(n: int) -> dict[str, Callable[[], Record]]:
    quarter = max(n // 4, 1)
    one, two = "group:instrument:antenna 1", "group:separations:the whole job"
    return {
        "clean": lambda: clean(n),
        "clean, all sigmas x 1.6": lambda: clean(quarter, 1.6, 1.6),
        "clean, tapes x 2": lambda: clean(quarter, 2.0, 1.0),
        "detection": lambda: figures.detection("G1", 5 * n),
        "identification, 1 of 6 to 10 sds": lambda: identification(n, 1, (6.0, 10.0)),
        "identification, 2 of 7 to 12 sds": lambda: identification(n, 2, (7.0, 12.0)),
        "identification, 3 of 7 to 12 sds": lambda: identification(n, 3, (7.0, 12.0)),
        "at the rates": lambda: figures.at_the_rates("G1", n),
        "one model wrong by 20 mm": lambda: common_point(quarter, 0.020, one),
        "separations off by 300 mm, known to 50": lambda: common_point(quarter, 0.300, two),
        "one model only, heights alone": lambda: one_model_only(min(n, 100)),
        "causes, sd 3 mm": lambda: causes(quarter),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("-n", type=int, default=2000, help="jobs a cell")
    parser.add_argument("--cell", help="only cells whose name holds this")
    parser.add_argument("--to", type=Path, default=RESULTS / "gnss.json")
    options = parser.parse_args()
    for name, cell in cells(options.n).items():
        if options.cell and options.cell not in name:
            continue
        begun = time.perf_counter()
        result = cell() | {"seconds": round(time.perf_counter() - begun, 1)}
        found = json.loads(options.to.read_text()) if options.to.exists() else {}
        found[name] = result
        options.to.write_text(json.dumps(found, indent=1, ensure_ascii=False) + "\n")
        options.to.with_suffix(".md").write_text(
            figures.table(
                found, cells(1), "How often antenna heights are judged rightly", "python -m tests.benchmarks.gnss"
            )
        )
        print(name, json.dumps(result), flush=True)


if __name__ == "__main__":
    main()
