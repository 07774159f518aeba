"""How often the judgement is right, in its own words: what is said, where, how sure, and what is promised.

    python -m tests.benchmarks.decide [--seed 1] [--scale 1.0] [--cell TEXT] [--workers 2] [--again]

A cell is one shape of job (`tests.shapes`, a geometry drawn from ``--seed``) under one kind of noise (`tests.noise`),
with or without blunders.  A cell's result is written to results/decide-SEED.json as soon as it is there, so that a run
can be interrupted and taken up again; results/decide.md is made of all seeds run.  ``se`` is the Monte-Carlo standard
error.  CI runs a tenth (``--scale 0.1``) of some cells, see tests/judge/test_decide.py.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import time  # noqa: E402
from collections.abc import Iterator  # noqa: E402
from functools import lru_cache, partial  # noqa: E402
from itertools import pairwise  # noqa: E402

import numpy as np  # noqa: E402

from heightnet.judge.bench import BenchBase  # noqa: E402
from heightnet.judge.judgement import CERTAIN, LIKELY, UNEXPLAINED, Finding, Judgement  # noqa: E402
from heightnet.judge.large import bench_for  # noqa: E402
from heightnet.judge.promises import Promises, promises  # noqa: E402
from heightnet.judge.search import TAUS_M  # noqa: E402
from heightnet.ledger.thing import STANDS  # noqa: E402
from heightnet.network import build_network  # noqa: E402
from heightnet.network.model import Network  # noqa: E402
from heightnet.tasks.facts import JobFacts  # noqa: E402
from heightnet.tasks.trust import as_numbered, judged_afresh  # noqa: E402
from tests.benchmarks.cells import Cells, Record, main, rate  # noqa: E402
from tests.noise import NOISES, errors  # noqa: E402
from tests.shapes import shape  # noqa: E402

Floats = np.ndarray

DENSE = (
    "small3", "small4", "small4x", "book14", "book14-again", "book14-marks", "oneway12", "centred", "centred-tied",
    "pillars", "mixed", "twoprisms", "onecontrol25", "areal25", "satellites",
)  # fmt: skip
LONGEST_STAFF_M = 4.0
BIG = ("areal60", "book200-again")
BOOKS = tuple(f"book{n}{end}" for n in (6, 14, 30, 60, 100, 200, 400) for end in ("", "-again", "-marks"))
FEW_HEIGHTS = ("pillars", "small3", "small4")  # half of them are no more than can be told
TRIG = ("small4x", "oneway12", "centred-tied", "pillars", "mixed", "twoprisms", "onecontrol25", "areal25")
DELTA = 10.0  # sds of its own test: a blunder that must be found
BEYOND_SD, BEYOND_MM = 4.0, 3.0


@lru_cache(maxsize=4)
def prepared(name: str, seed: int) -> BenchBase:
    """The bench of a shape's geometry, its observations free of error."""
    return bench_for(build_network(shape(name, seed).job))


@lru_cache(maxsize=4)
def promised(name: str, seed: int) -> Promises:
    return promises(prepared(name, seed))


class Draw:
    """One set of observations of a geometry, with errors and blunders."""

    def __init__(self, name: str, seed: int, noise: str, rng: np.random.Generator) -> None:
        self.bench, self.rng = prepared(name, seed), rng
        self.net: Network = self.bench.net
        self.e = errors(self.net, NOISES[noise], rng)
        self.planted: dict[int, float] = {}

    def plant(self, h: int, size: float) -> None:
        C = self.bench.family.C
        part = slice(C.indptr[h], C.indptr[h + 1])
        self.e[C.indices[part]] += size * C.data[part]
        self.planted[h] = size

    def plant_sds(self, h: int, delta: float) -> None:
        self.plant(h, delta / np.sqrt(self.bench.diagonal[h]) * self.rng.choice((-1, 1)))

    def judge(self) -> Judgement:
        judgement = judged_afresh(self.bench, self.net.y + self.e)
        self.planted = as_numbered(self.planted, self.bench, judgement.bench)
        return judgement

    def facts(self) -> JobFacts:
        j = self.judge()
        nothing = np.full(len(j.bench.family), np.inf)
        return JobFacts(j, Promises(nothing, nothing, True), j.bench.fit)


def able(bench: BenchBase, *kinds: str) -> np.ndarray:
    """Hypotheses of some kinds that something tests."""
    return np.flatnonzero(bench.family.of(*kinds) & bench.classes.tested)


SINGLE = ("setup", "target", "tripod", "reading", "shot", "level", "staff", "known", "gnss")


def draws(name: str, seed: int, noise: str, n: int, salt: int) -> Iterator[Draw]:
    rng = np.random.default_rng((salt, seed, *map(ord, name + noise)))
    prepared(name, seed).closing  # noqa: B018
    for _ in range(n):
        yield Draw(name, seed, noise, rng)


def found_by(j: Judgement, least: float = LIKELY) -> list[Finding]:
    return [f for f in j.findings if f.level > 0 and f.probability >= least]


def holds(finding: Finding, planted: dict[int, float], j: Judgement) -> bool:
    """Whether a place holds a blunder, or one that nothing tells from it."""
    label = j.bench.classes.label
    told = {int(label[h]) for h in finding.place.hypotheses if label[h] >= 0}
    if finding.named:
        return bool(set(planted) & finding.place.hypotheses)
    return any(h in finding.place.hypotheses for h in planted) or bool(told & {int(label[h]) for h in planted})


# ---- cells ----


def clean(name: str, seed: int, noise: str, n: int) -> Record:
    """No blunder: how often anything is said, and what."""
    said = place5 = place9 = thing5 = thing9 = nothing_told = scatters = 0
    for d in draws(name, seed, noise, n, 1):
        j = d.judge()
        if not j.said:
            continue
        said += 1
        told = found_by(j)
        place5 += bool(told)
        place9 += bool(found_by(j, CERTAIN))
        thing5 += any(f.named for f in told)
        thing9 += any(f.named for f in found_by(j, CERTAIN))
        scatters += j.state == "scatters"
        nothing_told += not j.findings and j.state != "scatters"
    return {
        "said": rate(said, n), "a place over .5": rate(place5, n), "a place over .9": rate(place9, n),
        "one thing over .5": rate(thing5, n), "one thing over .9": rate(thing9, n),
        "of these only scatter": rate(scatters, n), "said and nothing told": rate(nothing_told, n),
    }  # fmt: skip


def found(name: str, seed: int, n: int) -> Record:
    """An error of the printed size from which something is said, in any kind of observation."""
    p, bench = promised(name, seed), prepared(name, seed)
    hs = able(bench, *SINGLE)
    hs = hs[np.isfinite(p.found[hs])]
    said = 0
    for d in draws(name, seed, "stated", n, 2):
        h = int(d.rng.choice(hs))
        d.plant(h, p.found[h] * d.rng.choice((-1, 1)))
        said += d.judge().said
    return {"an error of smallest_found_mm is spoken of": rate(said, n)}


def named(name: str, seed: int, n: int) -> Record:
    """An error of the printed size from which a height is named alone."""
    p, bench = promised(name, seed), prepared(name, seed)
    hs = able(bench, *STANDS)
    share = float(np.isfinite(p.named[hs]).mean()) if len(hs) else 0.0
    hs = hs[np.isfinite(p.named[hs])]
    if not len(hs):
        return {"an error of smallest_named_mm is named alone": rate(0, 0), "heights that ever are": round(share, 3)}
    alone = 0
    for d in draws(name, seed, "stated", n, 3):
        h = int(d.rng.choice(hs))
        d.plant(h, p.named[h] * d.rng.choice((-1, 1)))
        j = d.judge()
        alone += any(f.named and set(d.planted) <= f.place.hypotheses for f in found_by(j))
    return {"an error of smallest_named_mm is named alone": rate(alone, n), "heights that ever are": round(share, 3)}


def one(name: str, seed: int, noise: str, n: int, delta: float = DELTA) -> Record:
    """One blunder of ten sds in anything: is it in the place, is the place small, is anything sound accused?"""
    bench = prepared(name, seed)
    hs = able(bench, *SINGLE)
    placed = told9 = sound9 = sound_named = right_named = names = small = unexplained = silent = beyond = intervals = 0
    covered = marks = shown = 0
    for d in draws(name, seed, noise, n, 4):
        h = int(d.rng.choice(hs))
        d.plant_sds(h, delta)
        facts = d.facts()
        j = facts.judgement
        silent += j.said and not j.findings and j.state != "scatters"
        unexplained += j.state == UNEXPLAINED
        sure = found_by(j, CERTAIN)
        right = [f for f in sure if holds(f, d.planted, j)]
        placed += bool(right)
        told9 += bool(sure)
        sound9 += len(right) < len(sure)
        names += sum(f.named for f in sure)
        right_named += sum(f.named for f in right)
        sound_named += any(f.named for f in sure if f not in right)
        label = j.bench.classes.label
        own = int(label[next(iter(d.planted))])
        shown += any(own in {int(label[k]) for k in e.members} for e in j.explanations)
        if right:
            family = j.bench.family
            alike = sum(family.kind[k] not in ("swap", "exchange") for k in j.bench.classes.members(own))
            small += min(j.bench.places.size(f.place) for f in right) <= 1.2 * max(alike, 1)
        if j.said:
            a, b, c = marks_of(d, facts)
            beyond, covered, marks = beyond + a, covered + b, marks + c
    intervals = marks
    return {
        "in a place over .9": rate(placed, n), "a place over .9 of something sound": rate(sound9, n),
        "one sound thing over .9": rate(sound_named, n), "named, of which right": rate(right_named, names),
        "place at most 1.2 times what no data separate": rate(small, placed),
        "true set within 20 : 1": rate(shown, n), "not explained": rate(unexplained, n),
        "said and nothing told": rate(silent, n),
        "marks beyond 4 sds and 3 mm of every height told": rate(beyond, marks),
        "marks inside their interval": rate(covered, intervals),
    }  # fmt: skip


def marks_of(d: Draw, facts: JobFacts) -> tuple[int, int, int]:
    """Marks far from every height told, marks inside an interval told, and marks."""
    found_ = facts.corrected
    truth = facts.of_marks(d.bench.adjusted(d.bench.base, d.net.y))
    column = d.net.nodes.column[facts.mark_nodes]
    far = inside = count = 0
    for i in np.flatnonzero(column >= 0).tolist():
        told = found_.divided(i)
        heights = [(m.mean, m.sd, m.low, m.high) for m in told] or [
            (found_.mean[i], found_.sd[i], found_.low[i], found_.high[i])
        ]
        miss = min(abs(truth[i] - mean) / max(sd, 1e-9) for mean, sd, _, _ in heights)
        mm = min(abs(truth[i] - mean) for mean, _, _, _ in heights) * 1000
        far += miss > BEYOND_SD and mm > BEYOND_MM
        inside += any(low <= truth[i] <= high for _, _, low, high in heights)
        count += 1
    return far, inside, count


def coverage(name: str, seed: int, noise: str, n: int) -> Record:
    """Blunders at the job's rates: 95 % intervals of the marks, and what stated probabilities are worth."""
    bench = prepared(name, seed)
    family = bench.family
    hs = np.flatnonzero(bench.classes.tested)
    far = inside = count = 0
    stated: list[float] = []
    true: list[bool] = []
    for d in draws(name, seed, noise, n, 5):
        for h in hs[d.rng.uniform(size=len(hs)) < family.rate[hs]].tolist():
            tau = min(d.rng.choice(TAUS_M), family.limit[h] / 2)  # no common error larger than it can be
            size = family.size[h] if np.isfinite(family.size[h]) else tau * d.rng.standard_normal()
            d.plant(h, float(size))
        facts = d.facts()
        a, b, c = marks_of(d, facts)
        far, inside, count = far + a, inside + b, count + c
        for f in facts.judgement.findings:
            if f.level >= CERTAIN:
                stated.append(f.probability)
                true.append(holds(f, d.planted, facts.judgement))
    mean = round(float(np.mean(stated)), 3) if stated else None
    return {
        "marks inside their interval": rate(inside, count), "marks beyond 4 sds and 3 mm": rate(far, count),
        f"places over .9, stated {mean}: true": rate(sum(true), len(true)),
    }  # fmt: skip


def book(name: str, seed: int, n: int) -> Record:
    """A staff reading wrong by 10 sds or more, up to a metre: in the place over .9, and listed."""
    bench = prepared(name, seed)
    hs = able(bench, "staff")
    placed = listed = 0
    for d in draws(name, seed, "stated", n, 6):
        h = int(d.rng.choice(hs))
        least = DELTA / np.sqrt(bench.diagonal[h])
        size = float(np.exp(d.rng.uniform(np.log(least), np.log(max(1.0, 2 * least)))))
        d.plant(h, size * d.rng.choice((-1, 1)))
        j = d.judge()
        right = [f for f in found_by(j, CERTAIN) if set(d.planted) <= f.place.hypotheses]
        placed += bool(right)
        listed += any(m.hypothesis in d.planted for f in right for m in f.members)
    return {"in the place over .9": rate(placed, n), "the reading is listed": rate(listed, n)}


def like_an_exchange(name: str, seed: int, n: int) -> Record:
    """A staff reading wrong by about what an exchange of back and fore sight at a sound set-up would have made."""
    bench = prepared(name, seed)
    hs, exchanges = able(bench, "staff"), able(bench, "exchange")
    placed = sound = 0
    for d in draws(name, seed, "stated", n, 10):
        likely = exchanges[np.abs(bench.family.size[exchanges]) < LONGEST_STAFF_M / 2]
        d.plant(int(d.rng.choice(hs)), 2 * float(bench.family.size[d.rng.choice(likely)]) + d.rng.uniform(-0.05, 0.05))
        told = found_by(d.judge(), CERTAIN)
        right = [set(d.planted) <= f.place.hypotheses for f in told]
        placed += any(right)
        sound += not all(right)
    return {"in the place over .9": rate(placed, n), "a place over .9 of something sound": rate(sound, n)}


def two(name: str, seed: int, n: int) -> Record:
    """Two busts in different classes of a net of loops."""
    bench = prepared(name, seed)
    hs, label = able(bench, "level", "staff"), bench.classes.label
    both = shown = 0
    for d in draws(name, seed, "stated", n, 7):
        a, b = d.rng.choice(hs, 2, replace=False)
        while label[a] == label[b]:
            a, b = d.rng.choice(hs, 2, replace=False)
        for h in (a, b):
            d.plant_sds(int(h), DELTA)
        j = d.judge()
        told = found_by(j)
        both += all(any(h in f.place.hypotheses for f in told) for h in d.planted)
        truth = {int(j.bench.classes.label[h]) for h in d.planted}
        shown += any({int(label[k]) for k in e.members} == truth for e in j.explanations)
    return {"both places": rate(both, n), "true set within 20 : 1": rate(shown, n)}


def half(name: str, seed: int, n: int) -> Record:
    """Half of all heights wrong by 30 to 150 mm; and one to three."""
    bench = prepared(name, seed)
    hs, label = able(bench, *STANDS), bench.classes.label
    told = few_told = sure = 0
    for d in draws(name, seed, "stated", n, 8):
        for h in d.rng.choice(hs, max(1, len(hs) // 2), replace=False):
            d.plant(int(h), float(d.rng.uniform(0.03, 0.15) * d.rng.choice((-1, 1))))
        j = d.judge()
        told += j.state == UNEXPLAINED
        sure += any(f.named and not set(d.planted) & f.place.hypotheses for f in found_by(j, CERTAIN))
    for d in draws(name, seed, "stated", n, 9):
        for c in d.rng.choice(np.unique(label[hs]), min(int(d.rng.integers(1, 4)), len(np.unique(label[hs]))), False):
            d.plant_sds(int(d.rng.choice(hs[label[hs] == c])), float(d.rng.uniform(6, 15)))
        few_told += d.judge().state == UNEXPLAINED
    return {
        "half wrong: not explained": rate(told, n), "half wrong: a sound thing over .9": rate(sure, n),
        "one to three wrong: not explained": rate(few_told, n), "redundancy": bench.redundancy,
    }  # fmt: skip


def seconds(name: str, seed: int) -> Record:
    """Processor seconds: building, calibrating, promises, and judging with one blunder."""
    net = build_network(shape(name, seed).job)
    clock = [time.process_time()]
    bench = bench_for(net)
    clock.append(time.process_time())
    bench.closing  # noqa: B018
    clock.append(time.process_time())
    promises(bench)
    clock.append(time.process_time())
    rng = np.random.default_rng(1)
    h = int(rng.choice(able(bench, *STANDS, "staff")))
    y = net.y + net.sd * rng.standard_normal(len(net.sd)) + DELTA / np.sqrt(bench.diagonal[h]) * bench.family.C[
        :, [h]].toarray().ravel()  # fmt: skip
    nothing = np.full(len(bench.family), np.inf)
    JobFacts(Judgement(bench, y), Promises(nothing, nothing, True), bench.fit).corrected  # noqa: B018
    clock.append(time.process_time())
    spent = [round(b - a, 2) for a, b in pairwise(clock)]
    return dict(zip(("building s", "calibrating s", "promises s", "judging and heights s"), spent, strict=True)) | {
        "all s": round(clock[-1] - clock[0], 2), "observations": net.edge_count, "redundancy": bench.redundancy,
    }  # fmt: skip


def cells(scale: float, seed: int) -> Cells:
    def of(count: int, least: int = 20) -> int:
        return max(least, int(count * scale))

    out: Cells = {}
    for name in (*DENSE, *BIG):
        big = name in BIG
        out[f"{name}: clean, stated"] = partial(clean, name, seed, "stated", of(200 if big else 4000))
        out[f"{name}: clean, x1.6"] = partial(clean, name, seed, "x1.6", of(200 if big else 1000))
        out[f"{name}: clean, t4"] = partial(clean, name, seed, "t4", of(200 if big else 1000))
        if name in TRIG:
            out[f"{name}: clean, refraction"] = partial(clean, name, seed, "refraction", of(1000))
        out[f"{name}: found"] = partial(found, name, seed, of(400 if big else 4000))
        out[f"{name}: named"] = partial(named, name, seed, of(200 if big else 1000))
        out[f"{name}: one blunder, stated"] = partial(one, name, seed, "stated", of(200 if big else 1000))
        out[f"{name}: one blunder, x1.6"] = partial(one, name, seed, "x1.6", of(200 if big else 1000))
        out[f"{name}: at the rates, stated"] = partial(coverage, name, seed, "stated", of(100 if big else 1000))
        out[f"{name}: at the rates, x1.6"] = partial(coverage, name, seed, "x1.6", of(100 if big else 1000))
        if name not in FEW_HEIGHTS and not name.startswith("book"):
            out[f"{name}: half wrong"] = partial(half, name, seed, of(50 if big else 500))
    for name in BOOKS:
        out[f"{name}: one reading"] = partial(book, name, seed, of(200))
        out[f"{name}: a reading, off like an exchange"] = partial(like_an_exchange, name, seed, of(200))
    for name in ("loops3", "loops3-book", "loops6"):
        out[f"{name}: two busts"] = partial(two, name, seed, of(1000))
    for name in (*DENSE, *BIG):
        out[f"{name}: seconds"] = partial(seconds, name, seed)
    return out


if __name__ == "__main__":
    main(__doc__, "How often the judgement is right", "decide", cells)
