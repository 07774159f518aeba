"""How well blunders are identified, by simulation, beside what a user would otherwise do; see also decide.py.

    python -m tests.benchmarks.figures [-n 4000] [--cell TEXT] [--to FILE]

A cell is one kind of job under one condition.  Every finished cell is written to results/figures.json at once, so that
a run can be interrupted and taken up again (``--again`` does cells anew); results/figures.md is made from it.  ``se``
is the Monte-Carlo standard error.  Things that nothing in a job tells apart count as one.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from scipy.special import ndtr

from heightnet.judge.bench import Bench
from heightnet.judge.family import Family, build_family
from heightnet.judge.judgement import Judgement
from heightnet.judge.promises import promises
from heightnet.judge.reduction import scaled_sd
from heightnet.judge.search import TAUS_M
from heightnet.ledger.thing import EVENTS
from heightnet.network import build_network
from tests.benchmarks.other_ways import OTHER_WAYS, Observer
from tests.simulate.jobs import simulate

RESULTS = Path(__file__).parent / "results"
NETS = {"S1": 8, "S2": 8, "S3": 8, "M1": 2}  # networks of a kind that a cell goes through
COMPARED = 200  # jobs of a cell that the other ways judge too
BINS = (0.01, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0)  # of stated probabilities
DELTAS = (4.0, 6.0, 8.0, 12.0, np.inf)
Record = dict[str, Any]


@cache
def network(kind: str, seed: int) -> Any:
    return build_network(simulate(kind, seed)[0])


@cache
def bench(kind: str, seed: int, family: str = "whole") -> Bench:
    """A bench with the whole family, without groups ("alone"), or of set-up heights only ("setups")."""
    net = network(kind, seed)
    if family == "setups":
        return Bench(net, family=of_kind(build_family(net, groups=False, swaps=False), "setup"))
    return Bench(net, groups=family == "whole")


def of_kind(f: Family, kind: str) -> Family:
    return f.some(np.flatnonzero(f.kind == kind))


@cache
def observer(kind: str, seed: int) -> Observer:
    return Observer(bench(kind, seed))


@cache
def attributable_heights(kind: str, seed: int) -> np.ndarray:
    """Set-up heights whose errors can be told from everybody else's: those that are ever named alone."""
    b = bench(kind, seed)
    return np.flatnonzero(np.isfinite(promises(b).named) & np.isin(b.family.kind, ("setup", "tripod")))


class Draw:
    """One simulated set of observations of a network and the blunders in it."""

    def __init__(self, kind: str, seed: int, rng: np.random.Generator, sd: np.ndarray | None = None) -> None:
        self.kind, self.seed, self.rng = kind, seed, rng
        self.b = bench(kind, seed)
        sd = self.b.net.sd if sd is None else sd
        self.y = sd * rng.standard_normal(len(sd))
        self.sizes: dict[int, float] = {}

    def plant(self, h: int, size: float) -> None:
        C = self.b.family.C
        part = slice(C.indptr[h], C.indptr[h + 1])
        self.y[C.indices[part]] += size * C.data[part]
        self.sizes[h] = self.sizes.get(h, 0.0) + size

    def plant_heights(self, count: int, delta: tuple[float, float] | None = None, size: float = 0.0) -> None:
        """Wrong heights of different classes, of delta sds of their estimates or of one size, either sign."""
        label = self.b.classes.label
        taken: set[int] = set()
        for h in self.rng.permutation(attributable_heights(self.kind, self.seed)):
            if len(taken) == count:
                break
            if int(label[h]) not in taken:
                taken.add(int(label[h]))
                much = self.rng.uniform(*delta) / np.sqrt(self.b.diagonal[h]) if delta else size
                self.plant(int(h), much * self.rng.choice((-1, 1)))

    def plant_at_rates(self, times: float, as_assumed: bool) -> None:
        """Blunders at a multiple of the rates; sizes as the search assumes them, or log-uniform 6 to 150 mm."""
        family, rng = self.b.family, self.rng
        able = np.flatnonzero(self.b.classes.label >= 0)
        for h in able[rng.uniform(size=len(able)) < times * family.rate[able]].tolist():
            if np.isfinite(family.size[h]):
                size = float(family.size[h])
            elif as_assumed:
                size = float(rng.choice(TAUS_M) * rng.standard_normal())
            else:
                size = float(np.exp(rng.uniform(np.log(0.006), np.log(0.150))) * rng.choice((-1, 1)))
            self.plant(h, size)

    @property
    def truth(self) -> set[int]:
        return {int(self.b.classes.label[h]) for h in self.sizes}

    def judge(self) -> Judgement:
        return Judgement(self.b, self.y)


def accused(v: Judgement, least: float = 0.5) -> set[int]:
    return {int(c) for c in np.flatnonzero(v.class_probability >= least)}


def says(d: Draw, v: Judgement, s: tuple[int, ...]) -> bool:
    """Whether a set is what is wrong: its classes, or what began or ended over just the same observations."""
    label = v.looks[0].classes[list(s)]
    if set(label.tolist()) == d.truth:
        return True
    reps = v.bench.classes.representative
    events = np.isin(v.bench.family.kind[reps[label]], EVENTS).any()
    touched, wrong = ({int(o) for h in of for o in v.bench.family.members(h)} for of in (reps[label], d.sizes))
    return bool(events and touched == wrong)


def rate(hits: float, n: int) -> Record:
    p = float(hits) / n if n else float("nan")
    return {"rate": round(p, 4), "se": round(float(np.sqrt(max(p * (1 - p), 1 / n) / n)), 4) if n else None, "n": n}


def draws(kind: str, n: int, salt: int, tape: float = 1.0, sight: float = 1.0) -> Iterator[Draw]:
    rng = np.random.default_rng((salt, *map(ord, kind)))
    for i in range(n):
        seed = i % NETS[kind]
        net = network(kind, seed)
        yield Draw(kind, seed, rng, scaled_sd(net.kind, net.sd, tape, sight))


# ---- cells ----


def detection(kind: str, n: int) -> Record:
    """One wrong height of 2 to 7 sds: how often its own test is beyond the critical value, less Phi(delta - k)."""
    found = expected = square = 0.0
    for d in draws(kind, n, 2):
        d.plant_heights(1, (2.0, 7.0))
        ((h, size),) = d.sizes.items()
        scale, k = np.sqrt(d.b.diagonal[h]), d.b.closing.k
        w = d.b.reduction.M[:, h] @ (d.b.reduction.K.T @ (d.y / d.b.net.sd)) / scale
        p = float(ndtr(abs(size) * scale - k))
        found, expected, square = found + (abs(w) > k), expected + p, square + p * (1 - p)
    difference = {"rate": round((found - expected) / n, 4), "se": round(float(np.sqrt(square)) / n, 4), "n": n}
    return {"found": round(found / n, 4), "Phi(delta - k)": round(expected / n, 4), "difference": difference}


def identification(
    kind: str, n: int, count: int, delta: tuple[float, float] | None = None, size: float = 0.0
) -> Record:
    """Wrong heights, each with two independent checks or more: is exactly that said?

    Neighbours that are wrong by nearly as much are said to be so by a slip that went on for just as long, too.
    """
    exact = shown = suspects = innocent = 0
    others = {name: [0, 0] for name in OTHER_WAYS}
    compared = min(n, COMPARED)
    for i, d in enumerate(draws(kind, n, 10 + count)):
        d.plant_heights(count, delta, size)
        v, truth = d.judge(), d.truth
        sets = v.looks[0].posterior.sets
        exact += says(d, v, sets[0])
        shown += any(says(d, v, s) for s in sets[: v.looks[0].posterior.shown])
        suspects += accused(v) == truth
        innocent += len(accused(v) - truth)
        if i < compared:
            o = observer(kind, d.seed)
            for name, way in OTHER_WAYS.items():
                said = way(o, d.y / o.sd, v)
                others[name][0] += said == truth
                others[name][1] += len(said - truth)
    out = {"likeliest is exact": rate(exact, n), "exact or shown": rate(shown, n), "P > .5 exact": rate(suspects, n),
           "innocent accused a job": round(innocent / n, 3)}  # fmt: skip
    for name, (hits, wrong) in others.items():
        if compared:
            out |= {f"{name}: exact": rate(hits, compared), f"{name}: innocent a job": round(wrong / compared, 3)}
    return out


class Tally:
    """Accusations, finds by size, and stated probabilities, counted over jobs."""

    def __init__(self) -> None:
        self.said, self.right = {0.5: 0, 0.9: 0}, {0.5: 0, 0.9: 0}
        self.found = [[0, 0] for _ in DELTAS[1:]]
        self.stated: list[np.ndarray] = []
        self.true: list[np.ndarray] = []

    def add(self, v: Judgement, d: Draw) -> None:
        truth, p, label = d.truth, v.class_probability, d.b.classes.label
        for least in self.said:
            said = accused(v, least)
            self.said[least] += len(said)
            self.right[least] += len(said & truth)
        for h, size in d.sizes.items():
            cell = int(np.searchsorted(DELTAS, abs(size) * np.sqrt(d.b.diagonal[h]), side="right")) - 1
            if cell >= 0:
                self.found[cell][0] += p[label[h]] >= 0.5
                self.found[cell][1] += 1
        self.stated.append(p)
        self.true.append(np.isin(np.arange(len(p)), list(truth)))

    def facts(self) -> Record:
        p, t = np.concatenate(self.stated), np.concatenate(self.true)
        bins = []
        for low, high in pairwise(BINS):
            inside = (p >= low) & ((p < high) | (high == BINS[-1]))
            if inside.sum() >= 100:
                bins.append({"stated": round(float(p[inside].mean()), 3), **rate(t[inside].sum(), int(inside.sum()))})
        sizes = [f"{a:g} to {b:g}" if np.isfinite(b) else f"{a:g} and more" for a, b in pairwise(DELTAS)]
        return {
            **{f"precision, P > {least}": rate(self.right[least], self.said[least]) for least in self.said},
            **{f"found, {size} sds": rate(*cell) for size, cell in zip(sizes, self.found, strict=True)},
            "stated -> observed": bins,
        }


def at_the_rates(kind: str, n: int, times: float = 1.0, as_assumed: bool = True) -> Record:
    """Blunders of every kind of the family, at the rates or a multiple of them."""
    tally = Tally()
    for d in draws(kind, n, 30):
        d.plant_at_rates(times, as_assumed)
        tally.add(d.judge(), d)
    return tally.facts()


def families(kind: str, n: int) -> Record:
    """Precision of the accusations of smaller families, the same jobs: blunders as in ``at_the_rates``, three times."""
    out: Record = {}
    right = dict.fromkeys(("setups", "alone", "whole"), 0)
    said = dict(right)
    for d in draws(kind, n, 30):
        d.plant_at_rates(3.0, False)
        # an accusation is right if what is accused was touched by a blunder of its own kind
        truth = {str(d.b.family.ids[h]) for h in d.sizes}
        truth |= {str(i) for h in d.sizes for i in d.b.family.ids[d.b.classes.label == d.b.classes.label[h]]}
        for name in right:
            b = bench(kind, d.seed, name)
            v = Judgement(b, d.y)
            for c in accused(v):
                said[name] += 1
                right[name] += bool(truth & {str(i) for i in b.family.ids[b.classes.label == c]})
    for name in right:
        out[f"precision, family: {name}"] = rate(right[name], said[name])
        out[f"critical value, family: {name}"] = round(bench(kind, 0, name).closing.k, 2)
    return out


def group(kind: str, n: int, members: int, size: float = 0.005) -> Record:
    """All heights of one prism wrong by 5 mm; and what a family without groups would say."""
    named = alone = innocent = 0
    for d in draws(kind, n, 40):
        family, label = d.b.family, d.b.classes.label
        able = [h for h in np.flatnonzero(family.kind == "group").tolist() if label[h] >= 0
                and str(family.ids[h]).startswith("group:equipment") and len(family.members(h)) >= members]  # fmt: skip
        h = int(d.rng.choice(able))
        d.plant(h, size * d.rng.choice((-1, 1)))
        v = d.judge()
        named += bool(v.class_probability[label[h]] >= 0.5)
        alone += accused(v) == d.truth
        innocent += len(accused(Judgement(bench(kind, d.seed, "alone"), d.y)))
    return {"named": rate(named, n), "named and nothing else": rate(alone, n),
            "accused a job, without groups": round(innocent / n, 2)}  # fmt: skip


def cells(n: int) -> dict[str, Callable[[], Record]]:
    """Name and run of every cell; jobs of 60 set-ups and what no figure is wanted for are run a quarter as often."""
    quarter = max(n // 4, 1)
    few = {"S1": n, "S2": n, "S3": n, "M1": quarter}
    out: dict[str, Callable[[], Record]] = {}
    for kind in ("S1", "S2", "S3"):
        out[f"detection {kind}"] = lambda k=kind: detection(k, 5 * n)
    for kind, m in few.items():
        out[f"at the rates {kind}"] = lambda k=kind, m=m: at_the_rates(k, m)
    out["group M1"] = lambda: group("M1", quarter, 20)
    for kind in ("S1", "S2", "S3"):
        for count, delta in ((1, (6.0, 10.0)), (2, (7.0, 12.0)), (3, (7.0, 12.0))):
            out[f"identification {kind}, {count}"] = lambda k=kind, c=count, d=delta: identification(k, n, c, d)
    for kind in ("S1", "S2"):
        out[f"identification {kind}, 3 of 50 mm"] = lambda k=kind: identification(k, quarter, 3, size=0.050)
    for kind in ("S1", "S2", "S3"):
        out[f"three times the rates {kind}"] = lambda k=kind: at_the_rates(k, quarter, 3.0, False)
    out["families S1"] = lambda: families("S1", quarter)
    return out


def table(found: dict[str, Record], names: Iterable[str], title: str, made_by: str) -> str:
    """The results of some cells as Markdown."""

    def show(value: Any) -> str:
        if isinstance(value, dict):
            return f"{value['rate']:.3f} ± {value['se']:.3f}" if value["n"] else "none"
        if isinstance(value, list):
            return "; ".join(f"{v['stated']:.2f} → {v['rate']:.2f} ± {v['se']:.2f}" for v in value)
        return str(value)

    lines = [f"# {title}", "", f"Made by `{made_by}`: simulated jobs, ± one Monte-Carlo standard error.", "",
             "| cell | what | found | of |", "| --- | --- | --- | --- |"]  # fmt: skip
    for cell in names:
        for what, value in found.get(cell, {}).items():
            if what != "seconds":
                count = value["n"] if isinstance(value, dict) else ""
                lines.append(f"| {cell} | {what.replace('|', chr(92) + '|')} | {show(value)} | {count} |")
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("-n", type=int, default=4000, help="jobs a cell")
    parser.add_argument("--cell", help="only cells whose name holds this")
    parser.add_argument("--again", action="store_true", help="do cells anew that are there already")
    parser.add_argument("--to", type=Path, default=RESULTS / "figures.json")
    options = parser.parse_args()
    options.to.parent.mkdir(exist_ok=True)
    for name, cell in cells(options.n).items():
        found = json.loads(options.to.read_text()) if options.to.exists() else {}
        if (options.cell and options.cell not in name) or (name in found and not options.again):
            continue
        begun = time.perf_counter()
        result = cell() | {"seconds": round(time.perf_counter() - begun, 1)}
        found = json.loads(options.to.read_text()) if options.to.exists() else {}  # others may have written meanwhile
        found[name] = result
        options.to.write_text(json.dumps(found, indent=1, ensure_ascii=False) + "\n")
        options.to.with_suffix(".md").write_text(
            table(found, cells(1), "How often the judgement is right", "python -m tests.benchmarks.figures")
        )
        print(name, json.dumps(result), flush=True)


if __name__ == "__main__":
    main()
