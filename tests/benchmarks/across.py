"""What many jobs tell together, by simulation: offsets, changes, rates, against what was planted.

    python -m tests.benchmarks.across [-n 60] [--cell TEXT] [--workers 2]

Each archive is one office of `tests.simulate.archive`; its jobs are judged in memory, one bench for each lie of
a job, and reduced and put together as ``heightnet archive`` does it.  Every finished cell is written to
results/across.json at once; results/across.md is made from it.  ``se`` is the standard error over archives, whose
things are not independent of one another.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from concurrent.futures import ProcessPoolExecutor
from datetime import date, timedelta
from functools import cache, partial
from pathlib import Path
from typing import Any

import numpy as np

from heightnet.archives.across import across_jobs
from heightnet.archives.reduced import reduced_job
from heightnet.archives.things import PIVOT_M, Things, things_of
from heightnet.judge.bench import Bench
from heightnet.judge.judgement import Judgement
from heightnet.ledger.settings import Rates, Settings
from heightnet.ledger.thing import Thing
from heightnet.network import build_network
from tests.simulate.archive import DAYS, FIRST_DAY, KINDS, Office, country, signed, slip, staffed
from tests.simulate.jobs import PRECISION, design, observe

RESULTS = Path(__file__).parent / "results"
LIES = 6  # of a kind
Record = dict[str, Any]
ROLES = Office(
    "roles", ["instrument 1", "instrument 2"], ["prism 1", "prism 2", "prism 3"], ["tape 1", "tape 2"],
    ["observer 1", "observer 2"],
)  # fmt: skip


@cache
def bench_of(kind: str, seed: int) -> tuple[Bench, Things]:
    """A bench whose things are named by their roles."""
    rng = np.random.default_rng((seed, 7))
    plan, crew = staffed(design(kind, seed), ROLES, rng)
    settings = Settings(title="Simulated (invented)").with_values(**PRECISION)
    job, _ = observe(plan, settings, rng)
    net = build_network(signed(job, plan, crew, "2020-01-01"))
    return Bench(net), things_of(net)


def simulated(
    office: Office, rng: np.random.Generator, day: str, always: str = "", rates: Rates | None = None
) -> Record:
    """The record of one more job of an office; ``always`` names a prism that is one of its prisms."""
    kind = KINDS[int(rng.uniform() < 1 / 3)]
    bench, things = bench_of(kind, int(rng.integers(LIES)))
    prisms = rng.permutation([p for p in office.prisms if p != always]).tolist()
    owned = (rng.permutation(office.instruments).tolist(), [always, *prisms] if always else prisms,
             rng.permutation(office.tapes).tolist(), rng.permutation(office.people).tolist())  # fmt: skip
    roles = (ROLES.instruments, ROLES.prisms, ROLES.tapes, ROLES.people)
    real = {r: o for role, own in zip(roles, owned, strict=True) for r, o in zip(role, own, strict=False)}
    y = bench.net.sd * rng.standard_normal(len(bench.net.sd))
    y += things.C @ [true_of(office, thing.kind, real[thing.name], day) for thing in things.things]
    rates, family = rates or Rates(), bench.family
    times = {v: office.careless.get(o, 1.0) for v, o in real.items()}
    chance = np.zeros(len(family))
    for kind_, rate in (("setup", rates.setup), ("target", rates.target), ("shot", rates.shot), ("known", rates.known)):
        chance[family.kind == kind_] = rate
    stands = np.flatnonzero(np.isin(family.kind, ("setup", "target")))
    chance[stands] *= [times[who] for who in observers_of(kind, bench)]
    for h in np.flatnonzero(rng.uniform(size=len(chance)) < chance).tolist():
        y += family.C[:, [h]].toarray().ravel() * slip(rng)
    record = reduced_job(Judgement(bench, y))
    return renamed(record, real) | {"date": day}


@cache
def observers_of(kind: str, bench: Bench) -> list[str]:
    """Who stood at each set-up and target, in the order of their hypotheses."""
    job = bench.net.job
    who = dict(zip(job.setups["setup"], job.setups["observer"], strict=True))
    who |= dict(zip(job.targets["target"], job.targets["observer"], strict=True))
    at = np.flatnonzero(np.isin(bench.family.kind, ("setup", "target")))
    return [who[str(id_).partition(":")[2]] for id_ in bench.family.ids[at]]


def true_of(office: Office, kind: str, name: str, day: str) -> float:
    """The true error of a thing, as `heightnet.archives.things` counts it."""
    if kind == "tape_scale":
        return office.scale[name]
    return office.offset_on(name, day) + (PIVOT_M * office.scale[name] if kind == "tape" else 0.0)


def renamed(record: Record, real: dict[str, str]) -> Record:
    def name(text: str) -> str:
        thing = Thing.of(text)
        return str(thing._replace(name=real[thing.name]))

    by = {of: {real.get(n, n): entry for n, entry in names.items()} for of, names in record["by"].items()}
    things, let_go = list(map(name, record["things"])), {name(n): v for n, v in record["let_go"].items()}
    return record | {"things": things, "by": by, "let_go": let_go}


def days_of(rng: np.random.Generator, jobs: int) -> list[str]:
    return [(FIRST_DAY + timedelta(days=int(d))).isoformat() for d in rng.integers(DAYS, size=jobs)]


# ---- cells: one archive each ----


def usual(seed: int, jobs: int = 60) -> Record:
    """An office as the country has them: some things wrong or changed, people careless, blunders at the rates."""
    office = country(jobs, seed, offices=1).offices[0]
    rng = np.random.default_rng((seed, 11))
    records = [simulated(office, rng, day) for day in days_of(rng, jobs)]
    facts = across_jobs(lambda: records)
    return offsets_found(facts, office) | rates_found(facts, office)


def nothing_wrong(seed: int, jobs: int = 60) -> Record:
    """No offset, no change, no careless person; blunders at the rates."""
    office = blank(seed)
    rng = np.random.default_rng((seed, 12))
    records = [simulated(office, rng, day) for day in days_of(rng, jobs)]
    facts = across_jobs(lambda: records)
    things = [*facts["offsets"], *facts["scales"]]
    return {
        "archives with a false offset": [any(t["verdict"] == "wrong" for t in things)],
        "archives with a false change": [bool(facts["changes"])],
        "archives with a false careless person": [any(o["stands_out"] for o in facts["observers"])],
        "things with a false offset": [t["verdict"] == "wrong" for t in things],
    } | rates_found(facts, office)


def prism_3_mm(seed: int, jobs: int = 50) -> Record:
    """One prism 3 mm wrong in 50 jobs; nothing else is."""
    office = blank(seed)
    office.offset[office.prisms[0]] = 0.003
    rng = np.random.default_rng((seed, 13))
    records = [simulated(office, rng, day, always=office.prisms[0]) for day in days_of(rng, jobs)]
    facts = across_jobs(lambda: records)
    own = next(t for t in facts["offsets"] if t["name"] == office.prisms[0])
    others = [t for t in (*facts["offsets"], *facts["scales"]) if t["name"] != office.prisms[0]]
    return {
        "found": [own["verdict"] == "wrong" and not own["until"]],
        "interval holds it": [abs(own["error_mm"] - 3) <= 1.96 * own["error_sd_mm"]],
        "estimate, mm": [own["error_mm"]],
        "stated sd, mm": [own["error_sd_mm"]],
        "archives that accuse something else": [any(t["verdict"] == "wrong" for t in others) or bool(facts["changes"])],
    }


def prism_changed(seed: int, jobs: int = 50, size: float = 0.003) -> Record:
    """One prism changed by 3 mm at an unknown date, used in 50 jobs."""
    office, rng = blank(seed), np.random.default_rng((seed, 14))
    prism, when = office.prisms[0], FIRST_DAY + timedelta(days=int(rng.uniform(0.2, 0.8) * DAYS))
    office.changed[prism] = (when.isoformat(), size)
    days = days_of(rng, jobs)
    records = [simulated(office, rng, day, always=prism) for day in days]
    facts = across_jobs(lambda: records)
    own = [c for c in facts["changes"] if c["name"] == prism]
    out: Record = {
        "found": [bool(own)],
        "archives with another change": [len(facts["changes"]) > len(own) or len(own) > 1],
    }
    if own:
        from_day, to_day = (date.fromisoformat(own[0][k]) for k in ("from_day", "to_day"))
        out |= {
            "dates hold the day": [from_day < when <= to_day],
            "days between the dates": [(to_day - from_day).days],
            "change, mm": [own[0]["change"]],
            "interval holds the change": [abs(own[0]["change"] - size * 1000) <= 1.96 * own[0]["change_sd"]],
        }
    return out


def blank(seed: int) -> Office:
    office = country(1, seed, offices=1).offices[0]
    office.offset = dict.fromkeys(office.offset, 0.0)
    office.scale = dict.fromkeys(office.scale, 0.0)
    office.changed, office.careless = {}, {}
    return office


def offsets_found(facts: Record, office: Office) -> Record:
    """Coverage and alarms; a thing that changed counts on the days of each of its times, if the change was found."""
    held: dict[str, list[bool]] = {"offsets": [], "scales": []}
    bad: list[bool] = []
    fine: list[bool] = []
    changed = {c["name"] for c in facts["changes"]}
    for which, unit in (("offsets", "mm"), ("scales", "mm_per_m")):
        for t in facts[which]:
            if t["w"] is None or (t["name"] in office.changed and t["name"] not in changed):
                continue
            before = [c["likeliest_from"] for c in facts["changes"] if c["thing"] == t["kind"] + ":" + t["name"]]
            day = t["since"] or (before[0] if t["until"] else "2020-01-01")
            true = true_of(office, t["kind"], t["name"], day) * 1000
            held[which].append(abs(t[f"error_{unit}"] - true) <= 1.96 * t[f"error_sd_{unit}"])
            if t["kind"] == "equipment" and abs(true) >= 3:
                bad.append(t["verdict"] == "wrong")
            elif which == "offsets" and abs(true) < 1:
                fine.append(t["verdict"] == "wrong")
    return {
        "interval of 95 % holds the offset": held["offsets"],
        "interval of 95 % holds the scale": held["scales"],
        "prisms 3 mm or more wrong: found": bad,
        "less than 1 mm wrong: called wrong": fine,
        "changed prisms found": [name in changed for name in office.changed],
        "of the changes found, prisms that did": [c["name"] in office.changed for c in facts["changes"]],
    }


def rates_found(facts: Record, office: Office) -> Record:
    out: Record = {}
    usual_rates = Rates()
    for kind in ("setup", "target", "shot", "known"):
        rate = facts["rates"][kind]
        if kind in ("setup", "target") and office.careless:
            continue  # their rate is nobody's
        true = getattr(usual_rates, kind)
        out[f"interval of 95 % holds the rate: {kind}"] = [rate["low"] <= true <= rate["high"]]
        out[f"rate over true rate: {kind}"] = [rate["rate"] / true]
    for person in facts["observers"]:
        which = "careless" if person["name"] in office.careless else "other"
        if which == "careless" or not office.careless:
            out.setdefault(f"{which} people standing out", []).append(person["stands_out"])
    return out


CELLS = {
    "an office of 60 jobs": usual,
    "nothing wrong, 60 jobs": nothing_wrong,
    "a prism 3 mm wrong, 50 jobs": prism_3_mm,
    "a prism changed by 3 mm, 50 jobs": prism_changed,
    "an office of 300 jobs": partial(usual, jobs=300),
}


def gathered(archives: list[Record]) -> Record:
    """Mean of each figure over all things, and its standard error over archives."""
    out: Record = {}
    for key in dict.fromkeys(k for a in archives for k in a):
        parts = [np.array(a[key], dtype=float) for a in archives if a.get(key)]
        if not parts:
            continue
        total, number = np.array([p.sum() for p in parts]), np.array([len(p) for p in parts])
        mean = total.sum() / number.sum()
        spread = np.sqrt(np.sum((total - mean * number) ** 2)) / number.sum()
        if spread == 0:  # all alike: as if one archive more had been otherwise
            spread = 1 / len(parts)
        out[key] = {"mean": round(float(mean), 4), "se": round(float(spread), 4), "n": int(number.sum())}
    return out


def write(results: Record) -> None:
    (RESULTS / "across.json").write_text(json.dumps(results, indent=1) + "\n")
    lines = [
        "# What many jobs tell together",
        "",
        "Made by `python -m tests.benchmarks.across`: simulated archives of one",
        "office, ± one standard error over archives.",
        "",
        "| cell | what | found | of |",
        "| --- | --- | --- | --- |",
    ]
    for cell, record in results.items():
        for key, f in record["figures"].items():
            lines.append(f"| {cell} | {key} | {f['mean']:.3f} ± {f['se']:.3f} | {f['n']} |")
        lines.append(f"| {cell} | archives; seconds for each | {record['seconds_each']} | {record['archives']} |")
    (RESULTS / "across.md").write_text("\n".join(lines) + "\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("-n", type=int, default=60, help="archives a cell")
    parser.add_argument("--cell", default="")
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args()
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    file = RESULTS / "across.json"
    results = json.loads(file.read_text()) if file.exists() else {}
    with ProcessPoolExecutor(asked.workers) as pool:
        for name, cell in CELLS.items():
            if asked.cell not in name:
                continue
            begun = time.monotonic()
            archives = list(pool.map(cell, range(1000, 1000 + asked.n)))
            seconds = round((time.monotonic() - begun) * asked.workers / asked.n, 1)
            results[name] = {"figures": gathered(archives), "archives": asked.n, "seconds_each": seconds}
            write({n: results[n] for n in CELLS if n in results})
            print(name, json.dumps(results[name], indent=1), flush=True)


if __name__ == "__main__":
    main()
