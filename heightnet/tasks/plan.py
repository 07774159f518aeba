"""Before going back, or before going out: which measurements prove every height, for the fewest minutes."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

import heightnet
from heightnet.adjust import Fit
from heightnet.errors import CannotAdjust
from heightnet.job.model import Job
from heightnet.judge.bench import BenchBase
from heightnet.judge.gain import Gain
from heightnet.judge.judgement import CONTRADICTED, Judgement
from heightnet.judge.large import bench_for
from heightnet.judge.promises import Promises, promises
from heightnet.network import build_network
from heightnet.network.model import Kind
from heightnet.tasks.design import Design
from heightnet.tasks.facts import JobFacts, Record, number
from heightnet.tasks.next import CANDIDATES_UP_TO, LARGE_M, NUMBERS_HELD, WHY, Candidate, candidates, design_rows

if TYPE_CHECKING:
    from heightnet.network.model import Network

SCHEMA = "heightnet-plan/1"
PLANNED_HEIGHT_M = 1.5  # of what a planned job has not measured yet
TESTED_ANEW = 0.75  # of the detectable size of an accused height: what is left of it once it has been tested anew
NEAR_ENOUGH = 1.5  # times what all candidates together would leave, where that misses the goal
PER_STAND = 2  # candidates kept for each stand that is looked at, on average
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Minutes:
    """What each kind of measurement takes, in minutes; all are settings of the person who plans."""

    other_scale: float = 1.0
    other_person: float = 2.0
    in_parts: float = 3.0
    check_shot: float = 4.0
    pole_shot: float = 5.0
    level_tie: float = 15.0
    reoccupation: float = 20.0
    antenna_reoccupation: float = 40.0


@dataclass(frozen=True)
class Option:
    """A measurement that could be made, and what it takes."""

    kind: str
    base: Candidate
    minutes: float


WHY_MORE = {
    "other_scale": "read the tape's other scale: it shows a misread figure or a mixed-up scale, not a wrong point",
    "other_person": "another person tapes anew: it shows a misreading and a wrong point, if nothing is said before",
    "in_parts": "tape mark to tripod head and head to axis apart: it shows a wrong point, a slant and a wrong hook",
    "reoccupation": "set up there again, tape anew and sight the mark: it works after the set-up is gone",
}


def plan(
    job: Job,
    *,
    tolerance: float | None = None,
    budget: float | None = None,
    minutes: Minutes | None = None,
    planned: bool = False,
    gone: bool = False,
) -> Record:
    """The measurements to make, what each proves, and what is left.

    Parameters
    ----------
    tolerance : error that must not be able to hide in a height, m; by default the job's.
    budget : minutes there are; None: as many as it takes.
    planned : nothing is observed yet; values are rough, and heights left blank will be taped.
    gone : the set-ups have been taken down: only what works without them.

    Raises
    ------
    CannotAdjust : nothing in the job ties two places together.
    """
    minutes = minutes or Minutes()
    if planned:
        job = as_planned(job)
    net = build_network(job)
    if net.edge_count == 0:
        raise CannotAdjust(f"{job.name}: nothing to plan with. No height, sight, levelled difference or known mark.")
    limit = job.settings.test.tolerance_mm / 1000 if tolerance is None else tolerance
    bench = bench_for(net)
    fit, found = bench.fit, promises(bench).found
    watched = np.flatnonzero(np.isin(bench.family.kind, ("setup", "target", "tripod")))
    accused = np.zeros(len(watched), dtype=bool)
    state = None
    if not planned:
        judgement = Judgement(bench)
        state = judgement.state
        facts = JobFacts(judgement, Promises(found, found, at_most=True), fit)
        accused = np.array([verdict in ("suspect", "either") for verdict in facts.verdicts[watched]], dtype=bool)
    before = found[watched]
    goal = np.where(accused, np.minimum(limit, before * TESTED_ANEW), limit)
    open_ = ~(before <= goal)
    nodes = bench.family.node[watched]
    distrusted = set(nodes[accused].tolist())
    options = options_of(net, nodes[open_], before[open_], minutes, gone, distrusted) if open_.any() else []
    design, chosen = None, []
    if options:
        design = design_of(bench, fit, options, watched, goal)
        chosen = design.best(np.inf if budget is None else budget)
    ids = [str(bench.family.ids[h]) for h in watched]
    everything = design.detectable(list(range(len(options)))) if design else before
    after = design.detectable(chosen) if design else before
    return {
        "schema": SCHEMA,
        "job": {
            "name": job.name, "title": job.settings.title, "length_unit": job.settings.units.length,
            "angle_unit": job.settings.units.angle, "invented": "invented" in job.settings.title.lower(),
        },
        "heightnet": {"version": heightnet.__version__},
        "planned": planned,
        "state": state,
        "gone": gone,
        "tolerance_mm": limit * 1000,
        "budget_min": budget,
        "minutes": asdict(minutes),
        "antennas": [str(s) for s in job.setups["setup"][net.antennas]],
        "candidates": len(options),
        "cut": len(options) >= PER_STAND * _stands_up_to(net),
        "heights": [
            {
                "id": id_,
                "accused": bool(a),
                "goal_mm": float(g * 1000),
                "before_mm": number(b, 1000),
                "after_mm": number(f, 1000),
                "proved_before": bool(b <= g),
                "proved_after": bool(f <= g * (1 + 1e-9)),
                "reachable": bool(e <= g * (1 + 1e-9)),
            }
            for id_, a, g, b, f, e in zip(ids, accused, goal, before, after, everything, strict=True)
        ],
        "steps": _steps(design, chosen, options, ids, goal) if design else [],
        "total_min": design.cost(chosen) if design else 0.0,
    }  # fmt: skip


def exit_status(facts: Record) -> int:
    """0: after these steps every height is proved; 1: some is not, for lack of minutes or of any way to it, or the job
    contradicts itself as it stands."""
    return 0 if all(h["proved_after"] for h in facts["heights"]) and facts["state"] not in CONTRADICTED else 1


def as_planned(job: Job) -> Job:
    """Heights that are not there yet, filled in as if taped: the plan needs no values, only what will be measured."""
    taped = set(zip(job.tape["stand_kind"], job.tape["stand"], strict=True))
    frames = {}
    for table, kind in (("setups", "setup"), ("targets", "target")):
        frame = getattr(job, table).copy()
        has = np.array([(kind, name) in taped for name in frame[kind]], dtype=bool)
        has |= np.array([("tripod", name) in taped for name in frame["tripod"]], dtype=bool)
        blank = frame["height"].isna().to_numpy() & ~has & (frame["mark"] != "").to_numpy()
        frame.loc[blank, "height"] = PLANNED_HEIGHT_M
        frames[table] = frame
    return replace(job, **frames)  # type: ignore[arg-type]


def options_of(
    net: Network, nodes: Ints, before: npt.NDArray[np.float64], minutes: Minutes, gone: bool, distrusted: set[int]
) -> list[Option]:
    """Every candidate about these stands with its kind and minutes, the stands with most to hide first.

    A stand whose height is accused, or that was read twice already, gains nothing by one more look at the same tape:
    only another way to its height counts.
    """
    rows = net.rows(Kind.HEIGHT)
    read = np.bincount(net.head[rows], minlength=len(net.nodes))
    order = np.argsort(-np.minimum(before, LARGE_M), kind="stable")
    limit = _stands_up_to(net)
    cost = asdict(minutes)
    tape = net.job.settings.precision.tape_mm / 1000
    out: list[Option] = []
    seen: set[tuple[str, int, int]] = set()

    def add(kind: str, base: Candidate) -> None:
        ends = (kind, *sorted((base.tail, base.head))) if kind == "level_tie" else (kind, base.tail, base.head)
        if ends not in seen:
            seen.add(ends)  # type: ignore[arg-type]
            out.append(Option(kind, base, cost[kind]))

    for base in candidates(net, nodes[order][:limit]):
        if base.kind == "second_tape":
            if not gone:
                if base.head not in distrusted:
                    if read[base.head] < 2:
                        add("other_scale", base)
                    add("other_person", base)
                add("in_parts", replace(base, sd=base.sd * np.sqrt(2)))
        elif base.kind in ("level_tie", "antenna_reoccupation"):
            add(base.kind, base)
        else:
            if not gone:
                add(base.kind, base)
            at = int(net.nodes.mark[base.tail])
            if at >= 0 and at != base.head:
                add("reoccupation", replace(base, tail=at, sd=float(np.hypot(base.sd, tape))))
    return out[: PER_STAND * limit]


def _stands_up_to(net: Network) -> int:
    """Stands whose candidates are weighed."""
    return max(30, min(CANDIDATES_UP_TO, NUMBERS_HELD // max(1, net.A.shape[1])))


def design_of(
    bench: BenchBase,
    fit: Fit,
    options: list[Option],
    watched: Ints,
    goal: npt.NDArray[np.float64],
) -> Design:
    """The candidates weighed against the job; a goal that all of them together miss becomes what they nearly reach."""
    rows = design_rows(bench.net, [o.base for o in options])
    variance = np.array([o.base.sd**2 for o in options])
    gain = Gain(bench, fit, rows, variance, watched)
    minutes = np.array([o.minutes for o in options])
    design = Design(gain.f, gain.spread, variance, gain.diagonal, gain.own, goal, minutes, bench.delta)
    # a goal out of reach must not buy everything that helps a little
    everything = design.detectable(list(range(len(options))))
    within_reach = np.where(everything <= goal, goal, NEAR_ENOUGH * everything)
    return replace(design, goal=np.minimum(within_reach, LARGE_M))


def _steps(
    design: Design, chosen: list[int], options: list[Option], ids: list[str], goal: npt.NDArray[np.float64]
) -> list[Record]:
    out: list[Record] = []
    before = design.detectable([])
    for order, p in enumerate(chosen, start=1):
        after = design.detectable(chosen[:order])
        base, kind = options[p].base, options[p].kind
        newly = np.flatnonzero((before > goal) & (after <= goal * (1 + 1e-9)))
        better = np.log(np.minimum(before, LARGE_M) / np.minimum(after, LARGE_M))
        felt = [int(i) for i in np.argsort(-better, kind="stable") if better[i] > 0.05 or i in newly][:6]
        out.append(
            {
                "order": order,
                "kind": kind,
                "stand": base.stand,
                "setup": base.stand.partition(":")[2] if base.stand.startswith("setup:") else None,
                "from_mark": base.from_mark,
                "mark": base.mark,
                "why": WHY_MORE.get(kind) or WHY[kind],
                "sd_mm": base.sd * 1000,
                "minutes": options[p].minutes,
                "minutes_so_far": design.cost(chosen[:order]),
                "proves": [ids[i] for i in newly],
                "improves": [
                    {"id": ids[i], "before_mm": number(before[i], 1000), "after_mm": number(after[i], 1000)}
                    for i in felt
                ],
            }
        )
        before = after
    return out
