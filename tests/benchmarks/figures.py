"""How often the judgement is right, by simulation, beside what a user would otherwise do.

    python -m tests.benchmarks.figures [-n 4000] [--cell NAME]

Every finished cell is written to results/figures.json at once, so that the run can be interrupted and taken up again
(``--again`` does all cells anew); results/figures.md is made from it.  Errors are Monte-Carlo standard errors.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import numpy as np
import statsmodels.api as sm
from scipy.special import ndtr

from heightnet.judge.assess import Bench, Verdicts, reliability
from heightnet.judge.reduction import scaled_sd
from heightnet.network import Kind, build_network
from heightnet.simulate import simulate

RESULTS = Path(__file__).parent / "results"
SIZES_M = (0.006, 0.150)  # of blunders drawn at random, log-uniform
COMPARED = 400  # jobs of a cell that the other ways judge too; they are slow
NETS = 8  # networks of a kind that a cell goes through


@cache
def bench(kind: str, seed: int, factors: bool = True, groups: bool = True) -> Bench:
    return Bench(build_network(simulate(kind, seed)[0]), factors=factors, groups=groups)


@cache
def sizes(kind: str, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Heights that can be told from everything else, and their standard deviations."""
    b = bench(kind, seed)
    r = reliability(b)
    return np.flatnonzero(np.isfinite(r.attributable)), r.detectable / r.delta0


class Draw:
    """One simulated set of observations of a network, and its planted classes."""

    def __init__(self, b: Bench, rng: np.random.Generator, tape: float = 1.0, sight: float = 1.0) -> None:
        self.b, self.rng = b, rng
        sd = scaled_sd(b.net.kind, b.net.sd, tape, sight)
        self.y = sd * rng.standard_normal(len(sd))
        self.planted: set[int] = set()
        self.sizes: dict[int, float] = {}

    def plant(self, h: int, size: float) -> None:
        self.y += size * self.b.family.C[:, [h]].toarray().ravel()
        self.planted.add(int(self.b.classes.label[h]))
        self.sizes[h] = size

    def plant_heights(self, kind: str, seed: int, count: int, delta: tuple[float, float]) -> None:
        able, sd = sizes(kind, seed)
        labels = self.b.classes.label[able]
        at = self.rng.permutation(len(able))
        chosen = [i for n, i in enumerate(at) if labels[i] not in labels[at[:n]]][:count]
        for i in chosen:
            size = self.rng.uniform(*delta) * sd[able[i]] * self.rng.choice((-1, 1))
            self.plant(int(able[i]), size)

    def judge(self) -> Verdicts:
        return self.b.judge(self.y)


def accused_classes(v: Verdicts, least: float = 0.5) -> set[int]:
    return {int(c) for c in np.flatnonzero(v.class_probability >= least)}


# ---- what a user would otherwise do: each returns the accused classes ----


def class_of_observation(b: Bench) -> np.ndarray:
    """Class of the hypothesis that this observation alone is wrong; -1 for nuisance knowledge."""
    out = np.full(len(b.net.y), -1)
    single = b.family.observation >= 0
    out[b.family.observation[single]] = b.classes.label[single]
    return out


@cache
def dense(kind: str, seed: int) -> tuple[np.ndarray, np.ndarray]:
    net = bench(kind, seed).net
    return net.A.toarray() / net.sd[:, None], class_of_observation(bench(kind, seed))


def largest_residual(kind: str, seed: int, d: Draw) -> set[int]:
    """Strike the observation with the largest residual, adjust again, until none exceeds three sds."""
    W, label = dense(kind, seed)
    keep, out = np.ones(len(W), bool), set()
    for _ in range(6):
        z = d.y / d.b.net.sd
        x, *_ = np.linalg.lstsq(W[keep], z[keep], rcond=None)
        v = np.where(keep & (label >= 0), (z - W @ x) * d.b.net.sd, 0.0)
        worst = int(np.argmax(np.abs(v)))
        if abs(v[worst]) <= 3 * d.b.net.sd[worst]:
            break
        out.add(int(label[worst]))
        keep[worst] = False
    return out


def one_at_a_time(kind: str, seed: int, d: Draw) -> set[int]:
    return {int(d.b.classes.label[h]) for h in d.judge().one_at_a_time}


def huber(kind: str, seed: int, d: Draw) -> set[int]:
    """Huber's estimate by reweighting (k 1.345); accused is what lies beyond three sds of it."""
    W, label = dense(kind, seed)
    z = d.y / d.b.net.sd
    weight = np.ones(len(z))
    for _ in range(40):
        root = np.sqrt(weight)
        x, *_ = np.linalg.lstsq(W * root[:, None], z * root, rcond=None)
        v = z - W @ x
        weight = np.minimum(1.0, 1.345 / np.maximum(np.abs(v), 1e-9))
    return {int(c) for c in label[(np.abs(v) > 3) & (label >= 0)]}


def studentised(kind: str, seed: int, d: Draw) -> set[int]:
    """statsmodels' externally studentised residuals with Bonferroni at 5 %, on whitened observations."""
    W, label = dense(kind, seed)
    fit = sm.OLS(d.y / d.b.net.sd, W).fit()
    with np.errstate(all="ignore"):
        p = fit.outlier_test(method="bonf", alpha=0.05)[:, 2]
    return {int(c) for c in label[(p < 0.05) & (label >= 0)]}


OTHERS: dict[str, Callable[[str, int, Draw], set[int]]] = {
    "largest residual": largest_residual,
    "one at a time": one_at_a_time,
    "Huber": huber,
    "statsmodels outlier test": studentised,
}


# ---- cells ----


def rate(hits: int, n: int) -> dict[str, float]:
    p = hits / n
    return {"rate": round(p, 4), "se": round(float(np.sqrt(max(p * (1 - p), 1 / n) / n)), 4), "n": n}


def draws(kind: str, n: int, salt: int, **sigmas: float) -> Iterator[tuple[int, Draw]]:
    rng = np.random.default_rng((salt, *map(ord, kind)))
    for i in range(n):
        seed = i % NETS if kind != "M1" else i % 2
        yield seed, Draw(bench(kind, seed), rng, **sigmas)


def clean(kind: str, n: int, tape: float = 1.0, sight: float = 1.0) -> dict:
    alarms = over9 = over5 = 0
    for _, d in draws(kind, n, 1, tape=tape, sight=sight):
        v = d.judge()
        alarms += abs(v.w[v.largest]) > d.b.critical[0]
        over9 += bool(accused_classes(v, 0.9))
        over5 += bool(accused_classes(v, 0.5))
    return {"max |w| alarm": rate(alarms, n), "P > .9": rate(over9, n), "P > .5": rate(over5, n)}


def detection(kind: str, n: int) -> dict:
    """One height wrong; the test at its own hypothesis or any other is beyond the critical value."""
    found, expected = 0, 0.0
    for seed, d in draws(kind, n, 2):
        d.plant_heights(kind, seed, 1, (3.0, 6.0))
        v = d.judge()
        ((h, size),) = d.sizes.items()
        delta = abs(size) / v.error_sd[h]
        found += abs(v.w[h]) > d.b.critical[0]
        expected += ndtr(delta - d.b.critical[0])
    return {"its own test": rate(found, n), "Phi(delta - k)": round(expected / n, 4)}


def identification(kind: str, n: int, count: int, delta: tuple[float, float]) -> dict:
    exact, shown = 0, 0
    others = dict.fromkeys(OTHERS, 0)
    compared = min(n, COMPARED)
    for i, (seed, d) in enumerate(draws(kind, n, 10 + count)):
        d.plant_heights(kind, seed, count, delta)
        v = d.judge()
        exact += set(v.posterior.sets[0]) == d.planted
        shown += any(set(s) == d.planted for s in v.posterior.sets[: v.posterior.shown])
        if i < compared:
            for name, method in OTHERS.items():
                others[name] += method(kind, seed, d) == d.planted
    return {"exact": rate(exact, n), "exact or shown": rate(shown, n)} | {
        k: rate(h, compared) for k, h in others.items()
    }


def at_the_rates(kind: str, n: int, groups: bool = True, heights_only: bool = False) -> dict:
    """Blunders of every kind at three times the rates, log-uniform sizes: precision, recall, calibration."""
    right = {0.5: 0, 0.9: 0}
    said = {0.5: 0, 0.9: 0}
    recall: dict[str, list[int]] = {"6-8": [0, 0], "8-12": [0, 0], "12 and more": [0, 0]}
    stated: list[float] = []
    true: list[bool] = []
    for _, d in draws(kind, n, 30):
        family, label = d.b.family, d.b.classes.label
        # shared among classes by their rates, so that what cannot be told apart counts as found together
        hit = np.flatnonzero((d.rng.uniform(size=len(family)) < 3 * family.rate) & (label >= 0))
        for h in hit:
            low, high = np.log(SIZES_M)
            fixed = family.size[h]
            size = fixed if np.isfinite(fixed) else np.exp(d.rng.uniform(low, high)) * d.rng.choice((-1, 1))
            d.plant(int(h), float(size))
        v = d.judge()
        for least in right:
            accused = accused_classes(v, least)
            said[least] += len(accused)
            right[least] += len(accused & d.planted)
        for h, size in d.sizes.items():
            delta = abs(size) * np.sqrt(d.b.diagonal[h])
            cell = "6-8" if 6 <= delta < 8 else "8-12" if 8 <= delta < 12 else "12 and more" if delta >= 12 else None
            if cell:
                recall[cell][0] += int(v.class_probability[label[h]] >= 0.5)
                recall[cell][1] += 1
        stated += v.class_probability.tolist()
        true += [c in d.planted for c in range(len(v.class_probability))]
    p, t = np.array(stated), np.array(true)
    bins = []
    for low, high in ((0.02, 0.1), (0.1, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 0.99), (0.99, 1.01)):
        inside = (p >= low) & (p < high)
        if inside.sum() >= 100:
            bins.append({"stated": round(float(p[inside].mean()), 3), **rate(int(t[inside].sum()), int(inside.sum()))})
    return {
        "precision P > .5": rate(right[0.5], max(said[0.5], 1)),
        "precision P > .9": rate(right[0.9], max(said[0.9], 1)),
        "recall": {k: rate(a, b) for k, (a, b) in recall.items() if b},
        "calibration": bins,
    }


def group(kind: str, n: int, size: float = 0.005) -> dict:
    """All heights of one equipment wrong by 5 mm."""
    named = alone = 0
    for _, d in draws(kind, n, 40):
        ids = d.b.family.ids
        able = [h for h, i in enumerate(ids) if str(i).startswith("group:equipment") and d.b.classes.label[h] >= 0]
        able = [h for h in able if len(d.b.family.members(h)) >= (20 if kind == "M1" else 4)]
        h = int(d.rng.choice(able))
        d.plant(h, size * d.rng.choice((-1, 1)))
        v = d.judge()
        named += bool(v.class_probability[d.b.classes.label[h]] >= 0.5)
        alone += accused_classes(v) == d.planted
    return {"named": rate(named, n), "named and nothing else": rate(alone, n)}


def sixty(_: int) -> dict:
    """Seconds on one core for the whole family and the variance grid of a job of 60 set-ups, by stage."""
    job = simulate("M1", 5)[0]
    t0 = time.perf_counter()
    net = build_network(job)
    t1 = time.perf_counter()
    b = Bench(net)
    b.critical  # noqa: B018
    t2 = time.perf_counter()
    b.judge()
    t3 = time.perf_counter()
    return {"network s": round(t1 - t0, 2), "bench s": round(t2 - t1, 2), "search s": round(t3 - t2, 2),
            "hypotheses": len(b.family), "observations": int((net.kind < Kind.REFRACTION).sum())}  # fmt: skip


def cells(n: int) -> dict[str, Callable[[], dict]]:
    out: dict[str, Callable[[], dict]] = {}
    for kind in ("S1", "S2", "S3", "M1"):
        few = n if kind != "M1" else max(n // 10, 100)
        out[f"clean {kind}"] = lambda k=kind, m=few: clean(k, m)
        out[f"clean {kind}, all sigmas x 1.6"] = lambda k=kind, m=few: clean(k, m, 1.6, 1.6)
        out[f"clean {kind}, tapes x 2"] = lambda k=kind, m=few: clean(k, m, 2.0, 1.0)
    for kind in ("S1", "S2", "S3"):
        out[f"detection {kind}"] = lambda k=kind: detection(k, n)
        for count, delta in ((1, (6.0, 10.0)), (2, (7.0, 12.0)), (3, (7.0, 12.0))):
            out[f"identification {kind}, {count}"] = lambda k=kind, c=count, d=delta: identification(k, n, c, d)
        out[f"at the rates {kind}"] = lambda k=kind: at_the_rates(k, n)
    out["at the rates M1"] = lambda: at_the_rates("M1", max(n // 10, 100))
    out["group M1"] = lambda: group("M1", max(n // 10, 100))
    out["group S1"] = lambda: group("S1", n)
    out["60 set-ups"] = lambda: sixty(n)
    return out


def table(found: dict[str, dict]) -> str:
    """The results as Markdown."""

    def show(value: object) -> str:
        if isinstance(value, dict) and "rate" in value:
            return f"{value['rate']:.3f} ± {value['se']:.3f} (n {value['n']})"
        if isinstance(value, dict):
            return "; ".join(f"{k}: {show(v)}" for k, v in value.items())
        if isinstance(value, list):
            return "; ".join(f"{v['stated']:.2f} → {v['rate']:.2f} (n {v['n']})" for v in value)
        return str(value)

    lines = ["# How often the judgement is right", "",
             "Made by `python -m tests.benchmarks.figures`; simulated jobs, ± one Monte-Carlo standard error.", "",
             "| cell | what | found |", "| --- | --- | --- |"]  # fmt: skip
    for cell, values in found.items():
        for what, value in values.items():
            if what != "seconds":
                lines.append(f"| {cell} | {what} | {show(value)} |")
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("-n", type=int, default=4000, help="jobs a cell (a tenth of it for 60 set-ups)")
    parser.add_argument("--cell", help="only cells whose name holds this")
    parser.add_argument("--again", action="store_true", help="do cells anew that are there already")
    parser.add_argument("--to", type=Path, default=RESULTS / "figures.json")
    options = parser.parse_args()
    found = json.loads(options.to.read_text()) if options.to.exists() else {}
    for name, cell in cells(options.n).items():
        if (options.cell and options.cell not in name) or (name in found and not options.again):
            continue
        begun = time.perf_counter()
        found[name] = cell() | {"seconds": round(time.perf_counter() - begun, 1)}
        options.to.parent.mkdir(exist_ok=True)
        options.to.write_text(json.dumps(found, indent=1) + "\n")
        options.to.with_suffix(".md").write_text(table(found))
        print(name, json.dumps(found[name]), flush=True)


if __name__ == "__main__":
    main()
