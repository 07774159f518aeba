"""Before going back, or before going out: which measurements prove every height, for the fewest minutes."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace

import numpy as np
import numpy.typing as npt

from heightnet.arrays import Floats, Ints
from heightnet.errors import CannotAdjust
from heightnet.job.model import Job
from heightnet.job.settings import check_arguments, with_settings
from heightnet.judge.bench import BenchBase
from heightnet.judge.gain import Gain
from heightnet.judge.judgement import CERTAIN, CONTRADICTED, Finding
from heightnet.judge.large import bench_for
from heightnet.judge.names import judged_by
from heightnet.judge.promises import promises
from heightnet.judge.proof import proof_of
from heightnet.kinds.registry import shared_by
from heightnet.ledger.thing import LEVELLED, TOGETHER, Thing
from heightnet.network import build_network
from heightnet.network.model import Network
from heightnet.network.runs import chains_of, level_legs, permanent_marks, sections_of, staff_legs
from heightnet.tasks import judgement_facts
from heightnet.tasks.bust import factors, releveling
from heightnet.tasks.design import Design
from heightnet.tasks.facts import JobFacts, Record, head, number
from heightnet.tasks.measurements import Minutes, measurement
from heightnet.tasks.named import ids_in, named
from heightnet.tasks.next import (
    CANDIDATES_UP_TO,
    LARGE_M,
    NUMBERS_HELD,
    Candidate,
    Sizes,
    candidates,
    delta_afterwards,
    design_rows,
    in_question,
    occupied_again,
    taken_down,
)

SCHEMA = "heightnet-plan/2"
PLANNED_HEIGHT_M = 1.5  # of what a planned job has not measured yet
TESTED_ANEW = 0.75  # of the size found of a height in doubt: what is left of it once it has been tested anew
LEAST_GAIN = 0.01  # of the logarithm of a size, from which a measurement is said to improve it
SECTIONS_AT_MOST = 3  # levelled again to find out about one finding
NEAR_ENOUGH = 1.5  # times what all candidates together would leave, where that misses the goal
PER_STAND = 2  # candidates kept for each stand that is looked at, on average


@dataclass(frozen=True)
class Option:
    """A measurement that could be made, and what it takes."""

    kind: str
    base: Candidate
    minutes: float


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
    WrongSettings : tolerance or budget keep no rule.
    """
    check_arguments(budget=budget)
    minutes, aims = minutes or Minutes(), aims_of(job, tolerance, planned)
    net, watched, before = aims.bench.net, aims.watched, aims.before
    nodes = aims.bench.family.node[watched]
    down = set(nodes.tolist()) if gone else set() if planned else taken_down(net)
    wanted = aims.wanted
    options = options_of(net, nodes[wanted], before[wanted], minutes, down, set(nodes[aims.accused].tolist()))
    design = aims.design(options) if options else None
    chosen = design.best(np.inf if budget is None else budget) if design else []
    everything = design.detectable(list(range(len(options)))) if design else before
    after = design.detectable(chosen) if design else before
    told = wanted if aims.contradicted else np.ones_like(wanted)
    steps = _steps(design, chosen, options, aims.ids, aims.goal, told) if design else []
    facts, findings = aims.facts, []
    if facts and aims.contradicted:
        findings = judgement_facts.findings(facts)
        steps += _relevelled(facts, minutes, len(steps), design.cost(chosen) if design else 0.0, budget)
    return {
        **head(net.job, SCHEMA),
        "planned": planned,
        "fit": factors(facts) if facts else {},
        "judgement": judgement_facts.in_short(facts) if facts else {"state": None},
        "findings": findings,
        "needs": _needs(findings),
        "gone": gone,
        "tolerance_mm": aims.limit * 1000,
        "budget_min": budget,
        "minutes": asdict(minutes),
        "candidates": len(options),
        "cut": len(options) >= PER_STAND * _stands_up_to(net),
        "reached": bool(not aims.contradicted and np.all(after <= aims.goal * (1 + 1e-9))),
        "total_min": steps[-1]["minutes_so_far"] if steps else 0.0,
        "steps": steps,
        "heights": _heights(aims, after, everything),
        **named(net, [*aims.ids, *ids_in(findings)]),
    }


@dataclass(frozen=True)
class Aims:
    """What a plan is to reach.

    facts : of the job as it stands; None where nothing is observed yet.
    limit : error that must not be able to hide, m.
    watched : (h,) hypotheses of the heights; ``verdict``, ``accused``, ``doubted``, ``wanted``, ``before`` and ``goal``
        (sizes found, m) are about these.
    """

    bench: BenchBase
    facts: JobFacts | None
    limit: float
    watched: Ints
    before: Floats
    verdict: npt.NDArray[np.object_]
    accused: npt.NDArray[np.bool_]

    @property
    def ids(self) -> list[str]:
        return [str(self.bench.family.ids[h]) for h in self.watched]

    @property
    def contradicted(self) -> bool:
        return self.facts is not None and self.facts.judgement.state in CONTRADICTED

    @property
    def doubted(self) -> npt.NDArray[np.bool_]:
        return self.accused | (self.verdict == "doubted")

    @property
    def goal(self) -> Floats:
        return np.where(self.doubted, np.minimum(self.limit, self.before * TESTED_ANEW), self.limit)

    @property
    def wanted(self) -> npt.NDArray[np.bool_]:
        """A job that contradicts itself wants to know about that first: planning the rest waits."""
        return self.accused if self.contradicted else ~(self.before <= self.goal)

    def design(self, options: list[Option]) -> Design:
        goals = np.where(self.wanted, self.goal, LARGE_M)
        return design_of(self.bench, options, self.watched, goals, self.before, self.doubted & self.wanted)


def aims_of(job: Job, tolerance: float | None, planned: bool) -> Aims:
    """Raises CannotAdjust where nothing ties two places together; parameters as of `plan`."""
    if tolerance is not None:
        job = with_settings(job, {"test__tolerance_mm": tolerance * 1000})
    if planned:
        job = as_planned(job)
    net = build_network(job)
    if net.edge_count == 0:
        raise CannotAdjust(f"{job.name}: nothing to plan with. No height, sight, levelled difference or known mark.")
    limit = job.settings.test.tolerance_mm / 1000
    bench = bench_for(net)
    found = promises(bench)
    proof = proof_of(bench, found.found)
    watched, before = proof.stands, proof.of_verdict
    if planned:
        none = np.zeros(len(watched), dtype=bool)
        return Aims(bench, None, limit, watched, before, by_size(before, limit), none)
    judgement = judged_by(bench)
    facts = JobFacts(judgement, found.of_more(judgement.bench), bench.fit)
    accused = in_question(facts, watched)
    return Aims(bench, facts, limit, watched, facts.found[watched], facts.verdicts[watched], accused)


def _heights(aims: Aims, after: Floats, everything: Floats) -> list[Record]:
    """What a plan does for each height: the size found before, after it, and after all candidates.

    What is wrong together with others is proved by no measurement of one of them.
    """
    apart = aims.accused | (aims.verdict != "suspect")
    each = zip(aims.ids, aims.verdict, aims.accused, apart, aims.goal, aims.before, after, everything, strict=True)
    return [
        {
            "id": id_,
            "verdict": str(v),
            "accused": bool(a),
            "goal_mm": float(g * 1000),
            "before_mm": number(b, 1000),
            "after_mm": number(f, 1000),
            "proved_before": bool(own and b <= g),
            "proved_after": bool(own and f <= g * (1 + 1e-9)),
            "reachable": bool(own and e <= g * (1 + 1e-9)),
        }
        for id_, v, a, own, g, b, f, e in each
    ]


def exit_status(facts: Record) -> int:
    """0: after these steps every height is proved; 1: some is not, for lack of minutes or of any way to it, or the job
    contradicts itself as it stands."""
    return 0 if facts["reached"] else 1


def by_size(before: Floats, limit: float) -> npt.NDArray[np.object_]:
    """Verdicts of heights that are not observed yet: by the size that would be found."""
    return np.where(before <= limit, "proved", np.where(np.isfinite(before), "weak", "unproved")).astype(object)


def as_planned(job: Job) -> Job:
    """Heights that are not there yet, filled in as if taped: the plan needs no values, only what will be measured."""
    taped = set(zip(job.tape["stand_kind"], job.tape["stand"], strict=True))
    frames = {}
    for table, kind in (("setups", "setup"), ("targets", "target")):
        frame = job.tables[table].copy()
        has = np.array([(kind, name) in taped for name in frame[kind]], dtype=bool)
        has |= np.array([("tripod", name) in taped for name in frame["tripod"]], dtype=bool)
        blank = frame["height"].isna().to_numpy() & ~has & (frame["mark"] != "").to_numpy()
        frame.loc[blank, "height"] = PLANNED_HEIGHT_M
        frames[table] = frame
    return job.with_tables(**frames)


def options_of(
    net: Network, nodes: Ints, before: Floats, minutes: Minutes, gone: set[int], distrusted: set[int]
) -> list[Option]:
    """Every candidate about these stands with its kind and minutes, the stands with most to hide first.

    A stand whose height is in question, or that was read twice already, gains nothing by one more look at the same
    tape: only another way to its height counts.  Stands that are gone are neither taped nor sighted from.
    """
    if not len(nodes):
        return []
    rows = net.rows("height")
    read = np.bincount(net.head[rows], minlength=len(net.nodes))
    order = np.argsort(-np.minimum(before, LARGE_M), kind="stable")
    limit = _stands_up_to(net)
    cost = asdict(minutes)
    out: list[Option] = []
    seen: set[tuple[str, int, int]] = set()

    def add(kind: str, base: Candidate) -> None:
        ends = (kind, *sorted((base.tail, base.head))) if kind == "level_tie" else (kind, base.tail, base.head)
        if ends not in seen:
            seen.add(ends)  # type: ignore[arg-type]
            out.append(Option(kind, base, cost[kind]))

    for base in candidates(net, nodes[order][:limit], gone):
        if base.kind == "second_tape":
            if base.head not in distrusted:
                if read[base.head] < 2:
                    add("other_scale", base)
                add("other_person", base)
            add("in_parts", replace(base, sd=base.sd * np.sqrt(2)))
        else:
            add(base.kind, base)
            at = int(net.nodes.mark[base.tail])
            if base.kind in ("check_shot", "pole_shot") and at >= 0 and at != base.head:
                add("reoccupation", occupied_again(net, base))
    return out[: PER_STAND * limit]


def _stands_up_to(net: Network) -> int:
    """Stands whose candidates are weighed."""
    return max(30, min(CANDIDATES_UP_TO, NUMBERS_HELD // max(1, net.A.shape[1])))


def design_of(
    bench: BenchBase, options: list[Option], watched: Ints, goal: Floats, found: Floats, anew: npt.NDArray[np.bool_]
) -> Design:
    """The candidates weighed against the job; a goal that all of them together miss becomes what they nearly reach.

    Parameters
    ----------
    found : (h,) sizes of errors that are found today, m.
    anew : (h,) heights that must be tested anew, better than today.
    """
    rows = design_rows(bench.net, [o.base for o in options])
    variance = np.array([o.base.sd**2 for o in options])
    gain = Gain(bench, bench.fit, rows, variance, watched)
    minutes = np.array([o.minutes for o in options])
    sizes = Sizes(gain.own, found, delta_afterwards(bench))
    design = Design(gain.f, gain.spread, variance, gain.diagonal, goal, minutes, sizes)
    # a goal out of reach must not buy everything that helps a little
    everything = design.detectable(list(range(len(options))))
    near = NEAR_ENOUGH * everything
    near = np.where(anew, np.minimum(near, np.sqrt(design.detectable([]) * everything)), near)
    within_reach = np.where(everything <= goal, goal, near)
    return replace(design, goal=np.minimum(within_reach, LARGE_M))


def _steps(
    design: Design,
    chosen: list[int],
    options: list[Option],
    ids: list[str],
    goal: Floats,
    told: npt.NDArray[np.bool_],
) -> list[Record]:
    """What each measurement proves, and what it improves of the heights that are told of."""
    out: list[Record] = []
    before = design.detectable([])
    for order, p in enumerate(chosen, start=1):
        after = design.detectable(chosen[:order])
        base, kind = options[p].base, options[p].kind
        newly = np.flatnonzero((before > goal) & (after <= goal * (1 + 1e-9)))
        better = np.log(np.minimum(before, LARGE_M) / np.minimum(after, LARGE_M))
        gains = [i for i in np.argsort(-better, kind="stable").tolist() if told[i]]
        felt = [i for i in gains if better[i] > LEAST_GAIN or i in newly][:6]
        out.append(
            measurement(
                order, kind, base.stand, base.from_mark, base.mark,
                finding=None,
                sd_mm=base.sd * 1000,
                minutes=options[p].minutes,
                minutes_so_far=design.cost(chosen[:order]),
                proves=[ids[i] for i in newly],
                improves=[
                    {"id": ids[i], "before_mm": number(before[i], 1000), "after_mm": number(after[i], 1000)}
                    for i in felt
                ],
            )
        )  # fmt: skip
        before = after
    return out


def _relevelled(facts: JobFacts, minutes: Minutes, done: int, spent: float, budget: float | None) -> list[Record]:
    """Stretches to level again, for findings that are about levelling: the likeliest for its work first."""
    job = facts.job
    chains = chains_of(staff_legs(job)[0]) + chains_of(level_legs(job))
    sections = sections_of(chains, permanent_marks(job))
    out: list[Record] = []
    for order, finding in enumerate(facts.judgement.findings, start=1):
        found = _stretches(releveling(facts, sections, [finding])["steps"]) if _of_levelling(facts, finding) else []
        for stretch in found:
            cost = minutes.relevel * max(1.0, float(stretch["setups"]))
            if budget is not None and spent + cost > budget:
                break
            spent += cost
            out.append(
                measurement(
                    done + len(out) + 1, "relevel", None, stretch["from_mark"], stretch["to_mark"],
                    finding=order,
                    setups=stretch["setups"],
                    probability=stretch["probability"],
                    sd_mm=None,
                    minutes=cost,
                    minutes_so_far=spent,
                    proves=[],
                    improves=[],
                )
            )  # fmt: skip
    return out


def _needs(findings: list[Record]) -> list[Record]:
    """What would show a common error, for findings that one leads: no measurement between marks and stands does."""
    led = [(f["order"], Thing.of(f["members"][0]["id"])) for f in findings]
    return [{"finding": order, "what": shared_by(thing).shown_by} for order, thing in led if thing.kind in TOGETHER]


def _of_levelling(facts: JobFacts, finding: Finding) -> bool:
    return any(facts.family.kind[m.hypothesis] in LEVELLED for m in finding.members)


def _stretches(steps: list[Record]) -> list[Record]:
    """The first ones, until they hold nine tenths."""
    out: list[Record] = []
    held = 0.0
    for step in steps[:SECTIONS_AT_MOST]:
        if held >= CERTAIN * sum(s["probability"] for s in steps):
            break
        out.append(step)
        held += step["probability"]
    return out
