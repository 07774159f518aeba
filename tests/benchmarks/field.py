"""What is told of events in the field: poles wrong for half a day, tripods that sank, wrong names, old lists.

    python -m tests.benchmarks.field [--seed 1] [--scale 1.0] [--cell TEXT] [--workers 2] [--again]

A cell is one event (`tests.simulate.field`) in one shape of job (`tests.shapes`, a geometry drawn from ``--seed``), put
into the field book of 400 jobs, which are read and judged as they came home.  Findings are judged by the observations
they touch, not by what they are called.  A cell's result is written to results/field-SEED.json as soon as it is there;
results/field.md is made of all seeds run, beside what a family of hypotheses that knew no such events told
(results/before-field.json).

said : something is said.
named : every slip of the event is named: a named hypothesis touches just its observations, or makes the very same
    misclosures.
as such : a named hypothesis is of the event's own kind and, of a wrong name, holds the right one.
listed : every slip is among the members of something told; of one slip repeated its range but for two uses.
accused : a sound thing is wrong by more than .9, by a finding that touches nothing the event did, or by its verdict.
off : some mark's height is beyond 4 stated sds and 3 mm of every height told.
readings : observations that the finding with the event puts in question, until .95 of it; small: two more than the
    event's at most.
unexplained : the job is called not explained.
asked : reading the book tells of, or refuses, a name that cannot be meant.
known alone : of the first quarter of the jobs, named, listed and accused where, of events, the family knows that very
    one only: what the posterior with the right hypothesis can reach.
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import json  # noqa: E402
from collections import defaultdict  # noqa: E402
from dataclasses import fields  # noqa: E402
from functools import lru_cache, partial  # noqa: E402
from pathlib import Path  # noqa: E402
from tempfile import TemporaryDirectory  # noqa: E402

import numpy as np  # noqa: E402
from scipy import sparse  # noqa: E402

from heightnet.errors import InputErrors  # noqa: E402
from heightnet.job.model import Job  # noqa: E402
from heightnet.job.read import read_job  # noqa: E402
from heightnet.job.write import write_job  # noqa: E402
from heightnet.judge.bench import Bench  # noqa: E402
from heightnet.judge.family import Family, build_family  # noqa: E402
from heightnet.judge.judgement import CERTAIN, UNEXPLAINED, Finding  # noqa: E402
from heightnet.judge.names import judged_by  # noqa: E402
from heightnet.judge.promises import Promises  # noqa: E402
from heightnet.judge.reduction import ONE_CLASS  # noqa: E402
from heightnet.ledger.thing import AT_MARKS, EXCHANGED, OBSERVED, TAPED, Thing  # noqa: E402
from heightnet.network import build_network  # noqa: E402
from heightnet.network.model import Network  # noqa: E402
from heightnet.tasks.facts import JobFacts  # noqa: E402
from tests.benchmarks.cells import RESULTS, Cells, Record, in_table, main, rate  # noqa: E402
from tests.benchmarks.decide import BEYOND_MM, BEYOND_SD, clean, found_by  # noqa: E402
from tests.noise import NOISES, errors  # noqa: E402
from tests.shapes import Shape, shape  # noqa: E402
from tests.simulate.field import Book, Event, happened  # noqa: E402

CLASSIC = (*TAPED, *OBSERVED, *AT_MARKS, *EXCHANGED, "group")
EVENT_RATE = 0.0025
FEW_MORE = 2  # readings beyond the event's own that its finding may hold
HELD = 0.95
LIMIT_FROM = 4  # part of the jobs that the limit is found from
BEFORE = "before-field.json"


@lru_cache(maxsize=2)
def prepared(name: str, seed: int) -> tuple[Shape, Book, Bench]:
    """A shape's geometry, its book without errors, and its bench, whose calibration serves every draw."""
    made = shape(name, seed)
    net = build_network(made.job)
    return made, Book(net), Bench(net)


def judged(net: Network, family: Family | None, calibrated: Bench) -> JobFacts:
    bench = Bench(net, family=family)
    bench.__dict__["closing"] = calibrated.closing
    judgement = judged_by(bench)
    nothing = np.full(len(judgement.bench.family), np.inf)
    return JobFacts(judgement, Promises(nothing, nothing, True), bench.fit)


def knowing(net: Network, event: Event) -> Family:
    """Single blunders and common errors, and of events the very one that happened."""
    whole = build_family(net)
    kept = np.flatnonzero(whole.of(*CLASSIC))
    columns = event.pattern / np.sqrt((event.pattern**2).sum(0) / (event.pattern != 0).sum(0))
    n, like = columns.shape[1], int(np.argmax(whole.of("group")))
    rows = np.r_[kept, np.full(n, like)]
    arrays = {f.name: getattr(whole, f.name)[rows] for f in fields(Family) if f.name != "C"}
    of_event = {"kind": "group", "node": -1, "observation": -1, "rate": EVENT_RATE, "size": np.nan, "unit": 1.0}
    for name, value in of_event.items():
        arrays[name][len(kept) :] = value
    arrays["ids"][len(kept) :] = [str(Thing.both("group", "equipment", f"the event, {i}")) for i in range(n)]
    C = sparse.hstack([whole.C[:, kept], sparse.csc_matrix(columns)])
    return Family(**arrays, C=sparse.csc_matrix(C))


class Told:
    """What a judgement tells, held against what happened."""

    def __init__(self, facts: JobFacts, event: Event) -> None:
        self.facts, self.event = facts, event
        self.judgement, self.family = facts.judgement, facts.family
        self.told = [] if self.judgement.state == UNEXPLAINED else self.judgement.findings
        self.alike = self._alike()

    def _alike(self) -> np.ndarray:
        """(h, p) whether each hypothesis makes the misclosures of each slip."""
        net, bench = self.facts.net, self.facts.bench
        weighted = self.event.pattern / net.sd[:, None] ** 2
        left = weighted - (net.A @ bench.fit.solve(net.A.T @ weighted)) / net.sd[:, None] ** 2
        own = np.einsum("mp,mp->p", left, self.event.pattern)
        scale = np.sqrt(np.maximum(bench.diagonal[:, None] * own, 1e-300))
        return (np.abs(self.family.C.T @ left) > ONE_CLASS * scale) & bench.classes.tested[:, None]

    def touches(self, h: int) -> frozenset[int]:
        return frozenset(self.family.members(h).tolist())

    def same(self, h: int, slip: int) -> bool:
        touched = self.touches(h)
        return bool(self.alike[h, slip]) or touched == self.event.touched[slip] or touched in self.event.also

    def near(self, h: int, slip: int) -> bool:
        off = len(self.touches(h) ^ self.event.touched[slip])
        return self.same(h, slip) or (self.family.kind[h] in self.event.kinds and off <= self.event.loose)

    @property
    def slips(self) -> range:
        return range(self.event.pattern.shape[1])

    @property
    def named(self) -> bool:
        heads = [f.members[0].hypothesis for f in found_by(self.judgement) if f.named]
        return all(any(self.same(h, i) for h in heads) for i in self.slips)

    @property
    def as_such(self) -> bool:
        heads = [f.members[0].hypothesis for f in found_by(self.judgement) if f.named]
        own = [h for h in heads if self.family.kind[h] in self.event.kinds and self.event.says in self.family.ids[h]]
        return all(any(self.same(h, i) for h in own) for i in self.slips)

    def holding(self, slip: int) -> Finding | None:
        """The finding that lists a slip."""
        return next((f for f in self.told if any(self.near(m.hypothesis, slip) for m in f.members)), None)

    @property
    def listed(self) -> bool:
        return all(self.holding(i) is not None for i in self.slips)

    @property
    def accused(self) -> bool:
        """Whether something sound is said to be wrong, with more than nine tenths."""
        wrong, sure = self.event.wrong, found_by(self.judgement, CERTAIN)
        if any(f.named and not self.touches(f.members[0].hypothesis) & wrong for f in sure):
            return True
        if not any(f.named for f in sure):
            return False
        chance = np.maximum(self.judgement.probability, self.facts.told_within)
        suspect = np.flatnonzero((self.facts.verdicts == "suspect") & (chance >= CERTAIN))
        return any(not self.touches(h) & wrong for h in suspect.tolist())

    def readings(self, finding: Finding) -> int:
        """Observations that a finding puts in question."""
        held, some = 0.0, set()
        for m in finding.members:
            if held >= HELD * finding.probability:
                break
            held, some = held + m.probability, some | self.touches(m.hypothesis)
        return len(some)

    def off(self, heights: dict[str, float]) -> bool:
        """Whether some mark's true height is far from every height told of it."""
        net, found = self.facts.net, self.facts.corrected
        for i, node in enumerate(self.facts.mark_nodes.tolist()):
            name = str(net.nodes.name[node])
            if net.nodes.column[node] < 0 or name in self.event.unnamed:
                continue
            true = heights[name] - net.nodes.height[node]
            told = [(m.mean, m.sd) for m in found.divided(i)] or [(found.mean[i], found.sd[i])]
            sds, m = (
                [abs(true - mean) / by for mean, by in some] for some in (told, [(mean, 1.0) for mean, _ in told])
            )
            if min(sds) > BEYOND_SD and min(m) * 1000 > BEYOND_MM:
                return True
        return False


def asked(job: Job, name: str) -> bool:
    """Whether reading a job's files says something about a name."""
    with TemporaryDirectory() as folder:
        path = write_job(job, Path(folder) / "job")
        try:
            return any(name in note.text for note in read_job(path).notes)
        except InputErrors as error:
            return name in str(error)


def cell(event: str, name: str, seed: int, n: int, sds: float = np.nan) -> Record:
    """An event in the books of n jobs of one geometry."""
    made, book, bench = prepared(name, seed)
    rng = np.random.default_rng((seed, *map(ord, event + name), 0 if np.isnan(sds) else round(10 * sds)))
    bench.closing  # noqa: B018
    hits: dict[str, int] = defaultdict(int)
    limits = 0
    readings, sizes = [], []
    for i in range(n):
        one = happened(event, book, rng, sds)
        net = build_network(one.booked(book.net, errors(book.net, NOISES["stated"], rng)))
        hits["asked"] += bool(one.unnamed) and asked(net.job, one.unnamed[0])
        told = Told(judged(net, None, bench), one)
        hits["said"] += told.judgement.said
        hits["named"] += told.named
        hits["as such"] += told.as_such
        hits["listed"] += told.listed
        hits["accused"] += told.accused
        hits["off"] += told.off(made.heights)
        hits["unexplained"] += told.judgement.state == UNEXPLAINED
        sizes.append(np.abs(one.sds).mean())
        for slip, touched in enumerate(one.touched):
            if (finding := told.holding(slip)) is not None:
                readings.append(told.readings(finding))
                hits["small"] += readings[-1] <= len(touched) + FEW_MORE
        if i < max(20, n // LIMIT_FROM) and any(len(touched) > 1 for touched in one.touched):
            limits += 1
            best = Told(judged(net, knowing(net, one), bench), one)
            hits["alone named"] += best.named
            hits["alone listed"] += best.listed
            hits["alone accused"] += best.accused
    of_all = ("said", "named", "as such", "listed", "accused", "off", "unexplained")
    return {
        **{what: rate(hits[what], n) for what in of_all},
        "asked": rate(hits["asked"], n if one.unnamed else 0),
        "small": rate(hits["small"], len(readings)),
        "readings": round(float(np.mean(readings)), 1) if readings else None,
        **{f"known alone: {what}": rate(hits[f"alone {what}"], limits) for what in ("named", "listed", "accused")},
        "sds": round(float(np.median(sizes)), 1),
    }


MISNAMED = ("target of a known mark misnamed", "target of an unknown mark misnamed", "set-up over another mark")
SIZED = (
    ("pole by half-day", "day", (8.0, 12.0, 15.0)), ("pole extended and put back", "day", (12.0, 15.0)),
    ("index after a knock", "site-one-face", (8.0, 12.0)), ("staff joint", "book14-marks", (12.0,)),
    ("staff joint", "loops3-book", (8.0, 12.0)),
    ("prism at one mark", "day", (8.0, 12.0)), ("prism at two marks", "day", (8.0, 12.0)),
    ("prism with one observer", "day", (10.0,)), ("sunk instrument", "day", (8.0, 12.0)),
    ("sunk instrument", "site-hilly", (8.0,)), ("knocked target", "site-hilly", (8.0, 12.0)),
    ("slow settling", "day", (12.0,)), ("old list of two marks", "site-lists2", (8.0,)),
    ("old list of three marks", "site-lists2", (8.0,)), ("old list of two marks", "site-lists3", (10.0,)),
    ("old list of three marks", "site-lists3", (10.0,)),
)  # fmt: skip
OF_ITSELF = (
    *((f"{event}{how}", name) for event in MISNAMED for how in ("", ", no coordinates")
      for name in ("site-hilly", "site-flat")),
    ("sight booked to another target", "site-hilly"), ("repeated turning-point name", "book14-marks"),
    ("slant on a low tripod", "day"), ("slant reduced already", "day-slant"), ("height of the set-up before", "day"),
    ("height of an earlier occupation", "site-hilly"), ("HI and HT exchanged in a row", "day"),
    ("HI and HT exchanged at a set-up", "day"), ("half of the heights", "day"), ("half of the heights", "site-hilly"),
)  # fmt: skip
CLEAN = ("day", "site-hilly", "site-lists3")


def cells(scale: float, seed: int) -> Cells:
    n = max(20, round(400 * scale))
    out: Cells = {f"{name}: clean": partial(clean, name, seed, "stated", 10 * n) for name in CLEAN}
    for event, name, sizes in SIZED:
        for sds in sizes:
            out[f"{name}: {event}, {sds:g} sds"] = partial(cell, event, name, seed, n, sds)
    for event, name in OF_ITSELF:
        few = max(20, n // 4) if event.startswith("half") else n  # each of them is a long search
        out[f"{name}: {event}"] = partial(cell, event, name, seed, few)
    return out


COLUMNS = ("said", "named", "as such", "listed", "accused", "off", "unexplained", "asked", "small", "readings", "sds",
           "known alone: named", "known alone: listed", "known alone: accused")  # fmt: skip


OF_CLEAN = ("said", "a place over .5", "a place over .9", "one thing over .5")


def page(title: str, command: str, names: list[str], seeds: dict[int, dict[str, Record]], commit: str) -> str:
    """The results as Markdown, a row a cell and seed."""
    before = RESULTS / BEFORE
    runs = {"before": json.loads(before.read_text())} if before.exists() else {}
    runs |= {f"seed {seed}": found for seed, found in seeds.items()}
    most = max((v["n"] for found in runs.values() for r in found.values() for v in r.values() if isinstance(v, dict)),
               default=1)  # fmt: skip
    lines = [
        f"# {title}", "",
        f"Made by `{command}` at {commit}; `{command.rpartition(' ')[2].replace('.', '/')}.py` says what the columns "
        f"are; ± is one Monte-Carlo standard error, of at most {most} jobs.  Before: a family that knew no events.", "",
    ]  # fmt: skip
    sound = [name for name in names if name.endswith("clean")]
    for shown, columns in ((sound, OF_CLEAN), ([name for name in names if name not in sound], COLUMNS)):
        lines += [f"| cell | run | {' | '.join(columns)} |", "| --- " * (2 + len(columns)) + "|"]
        for name in shown:
            for run, found in runs.items():
                if name in found:
                    lines.append(f"| {name} | {run} | {' | '.join(in_table(found[name].get(c), 3) for c in columns)} |")
        lines.append("")
    return "\n".join(lines)


if __name__ == "__main__":
    main(__doc__, "What is told of events in the field", "field", cells, page)
