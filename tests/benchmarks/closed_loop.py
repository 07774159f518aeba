"""Plans carried out: does `check` say what the plan promised?  ``python -m tests.benchmarks.closed_loop [jobs]``

A job is drawn (its shape, its geometry, the tolerance, whether the stands are gone), planned, and measured anew with
the rows of the plan among its own, every value with an error of its own.  Jobs that raise an alarm, at home or with the
new measurements, are put aside.  Writes results/closed_loop.md.

kept : of what was promised, a height and a kind of error, what `check` says is proved then.
promised : of the heights that one candidate by itself would prove, those that the plan promises.
unpromised : of the heights not proved before that are proved once the plan is carried out, those never promised.
"""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

from heightnet.judge.judgement import CLOSES
from heightnet.network import build_network
from heightnet.tasks.carried_out import carried_out, proof_after
from heightnet.tasks.check import check
from heightnet.tasks.measurements import Minutes
from heightnet.tasks.next import taken_down
from heightnet.tasks.options import options_of
from heightnet.tasks.plan import aims_of, plan_of
from tests.noise import NOISES, errors, recorded
from tests.shapes import shape

RESULTS = Path(__file__).parent / "results" / "closed_loop.md"
SHAPES = ("small3", "small4", "small4x", "oneway12", "centred", "twoprisms", "mixed", "onecontrol25")
TOLERANCES_MM = (8.0, 10.0, 12.0, 15.0)
SINGLE = 4  # candidates of a job tried by themselves


def one(number: int) -> Counter[str]:
    """What becomes of one job."""
    rng = np.random.default_rng((7, number))
    made = shape(SHAPES[number % len(SHAPES)], number)
    by = str(rng.choice(["", "R. Quill"]))  # whether it is known who held the tape
    tables = {table: made.job.tables[table].assign(observer=by) for table in ("setups", "targets")}
    base = build_network(made.job.with_tables(**tables))
    job = recorded(base, errors(base, NOISES["stated"], rng))
    tolerance, gone = float(rng.choice(TOLERANCES_MM)) / 1000, bool(rng.random() < 0.3)
    aims = aims_of(job, tolerance, planned=False)
    out: Counter[str] = Counter(jobs=1)
    if aims.facts is None or aims.facts.judgement.state != CLOSES:
        return out + Counter(aside=1)
    facts, chosen = plan_of(aims, gone=gone)
    promised = {(r["id"], kind) for step in facts["steps"] for r in step["proves_kinds"] for kind in r["kinds"]}
    after = build_network(carried_out(base, [(o.kind, o.base) for o in chosen]))
    measured = replace(recorded(after, errors(after, NOISES["stated"], rng)), settings=aims.bench.net.job.settings)
    home = check(measured).facts
    if home["judgement"]["state"] != CLOSES:
        return out + Counter(aside=1)
    proved = {
        (stand["hypothesis"], proof["kind"])
        for table in ("setups", "targets") for stand in home[table] for proof in stand["proofs"] if proof["proved"]
    }  # fmt: skip
    out += Counter(promises=len(promised), kept=len(promised & proved), steps=len(chosen))
    heights = facts["heights"]
    then = {s["hypothesis"] for t in ("setups", "targets") for s in home[t] if s["verdict"] == "proved"}
    newly = {h["id"] for h in heights if not h["proved_before"]} & then
    foretold = {id_ for step in facts["steps"] for id_ in step["proves"]}
    out += Counter(newly=len(newly), unpromised=len(newly - foretold))
    return out + _alone(aims, gone, heights, foretold, rng)


def _alone(aims, gone, heights, foretold, rng):  # type: ignore[no-untyped-def]
    """Some candidates made by themselves."""
    nodes = aims.bench.family.node[aims.watched]
    down = set(nodes.tolist()) if gone else taken_down(aims.bench.net)
    wanted = aims.wanted
    options = options_of(aims.bench.net, nodes[wanted], aims.before[wanted], Minutes(), down, set())
    out: Counter[str] = Counter()
    open_ = np.array([not h["proved_before"] for h in heights])
    for p in rng.permutation(len(options))[:SINGLE].tolist():
        size = proof_after(aims.bench.net, [(options[p].kind, options[p].base)], aims.ids, aims.doubted)
        for i in np.flatnonzero(open_ & (aims.of_verdict(size) <= aims.goal)).tolist():
            out += Counter(provable=1, promised=int(heights[i]["id"] in foretold))
    return out


def page(total: Counter[str], commit: str) -> str:
    def share(of: str, all_: str) -> str:
        return f"{total[of] / total[all_]:.4f}" if total[all_] else "none"

    lines = [
        "# Plans carried out", "",
        f"Made by `python -m tests.benchmarks.closed_loop` at {commit}: {total['jobs']} jobs, {total['aside']} of them "
        f"put aside because they raised an alarm; {total['steps']} measurements.", "",
        "| what | found | of |", "| --- | --- | --- |",
        f"| promises kept | {share('kept', 'promises')} | {total['promises']} |",
        f"| heights that one candidate would prove, promised | {share('promised', 'provable')} | {total['provable']} |",
        f"| heights proved then and never promised | {share('unpromised', 'newly')} | {total['newly']} |",
    ]  # fmt: skip
    return "\n".join(lines) + "\n"


def main(jobs: int) -> None:
    total: Counter[str] = Counter()
    for number in range(jobs):
        total += one(number)
        print(number, dict(total), file=sys.stderr, flush=True)
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True).stdout.strip()
    RESULTS.write_text(page(total, commit))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
