"""Benchmarks made of cells: each is run by itself, kept as soon as it is there, and all become one table."""

from __future__ import annotations

import argparse
import json
import subprocess
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

import numpy as np

RESULTS = Path(__file__).parent / "results"
Record = dict[str, Any]
Cells = dict[str, Callable[[], Record]]
Made = Callable[[float, int], Cells]
"""The cells of a benchmark at a scale, for a seed."""


def rate(hits: float, n: int) -> Record:
    """A share of n jobs with its Monte-Carlo standard error."""
    if not n:
        return {"rate": None, "se": None, "n": 0}
    p = hits / n
    return {"rate": round(p, 4), "se": round(float(np.sqrt(max(p * (1 - p), 1 / n) / n)), 4), "n": n}


def in_table(value: Any, digits: int, nothing: str = "") -> str:
    """A value of a cell as a table has it: a rate with its error to so many digits; nothing, where no job counts.

    >>> in_table(rate(1, 4), 3), in_table(rate(0, 0), 3, "none"), in_table(None, 3), in_table(12, 3)
    ('0.250 ± 0.250', 'none', '', '12')
    """
    if isinstance(value, dict):
        return f"{value['rate']:.{digits}f} ± {value['se']:.{digits}f}" if value["n"] else nothing
    return "" if value is None else str(value)


def run(cells: Made, name: str, scale: float, seed: int) -> Record:
    begun = time.perf_counter()
    return cells(scale, seed)[name]() | {"took s": round(time.perf_counter() - begun, 1)}


def table(title: str, command: str, names: list[str], seeds: dict[int, dict[str, Record]], commit: str) -> str:
    """The results as Markdown, a column a seed."""
    lines = [
        f"# {title}", "",
        f"Made by `{command}` at {commit}; ± is one Monte-Carlo standard error.", "",
        f"| cell | what | {' | '.join(f'seed {s}' for s in seeds)} | jobs |",
        f"| --- | --- | {'--- | ' * len(seeds)}--- |",
    ]  # fmt: skip
    for cell in names:
        for what in next((s[cell] for s in seeds.values() if cell in s), {}):
            if what == "took s":
                continue
            values = [s.get(cell, {}).get(what) for s in seeds.values()]
            jobs = next((v["n"] for v in values if isinstance(v, dict)), "")
            lines.append(f"| {cell} | {what} | {' | '.join(in_table(value, 4, 'none') for value in values)} | {jobs} |")
    return "\n".join(lines) + "\n"


def main(doc: str | None, title: str, name: str, cells: Made, show: Callable[..., str] = table) -> None:
    """The command line of a benchmark called ``name``: results/NAME-SEED.json and results/NAME.md.

    show : makes the page of the results, as `table` does.
    """
    parser = argparse.ArgumentParser(description=doc)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scale", type=float, default=1.0)
    parser.add_argument("--cell", default="", help="only cells whose name holds this")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--again", action="store_true", help="do cells anew that are there already")
    parser.add_argument("--to", type=Path, default=RESULTS)
    options = parser.parse_args()
    options.to.mkdir(exist_ok=True)
    path = options.to / f"{name}-{options.seed}.json"
    there = json.loads(path.read_text()) if path.exists() else {}
    wanted = [c for c in cells(options.scale, options.seed) if options.cell in c and (options.again or c not in there)]
    with ProcessPoolExecutor(options.workers) as pool:
        waiting = {pool.submit(run, cells, cell, options.scale, options.seed): cell for cell in wanted}
        for done in as_completed(waiting):
            there = json.loads(path.read_text()) if path.exists() else {}
            there[waiting[done]] = done.result()
            path.write_text(json.dumps(there, indent=1, ensure_ascii=False) + "\n")
            print(waiting[done], json.dumps(done.result(), ensure_ascii=False), flush=True)
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True).stdout.strip()
    seeds = {int(p.stem.split("-")[-1]): json.loads(p.read_text()) for p in sorted(options.to.glob(f"{name}-*.json"))}
    names = [cell for cell in cells(1.0, 1) if any(cell in found for found in seeds.values())]
    command = f"python -m tests.benchmarks.{name}"
    (options.to / f"{name}.md").write_text(show(title, command, names, seeds, commit))
