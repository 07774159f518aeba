"""A level run or loop does not close: where is it?  The facts behind ``heightnet bust``."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import asdict
from itertools import combinations
from math import hypot, prod, sqrt

import numpy as np

from heightnet.errors import CannotAdjust
from heightnet.job.model import Job
from heightnet.judge.causes import evidence_about
from heightnet.judge.judgement import CERTAIN, CONTRADICTED, UNCLEAR, UNEXPLAINED, UNTESTED, Finding
from heightnet.judge.large import bench_for
from heightnet.judge.names import judged_by
from heightnet.judge.promises import Promises, promises
from heightnet.kinds.registry import of_blunder
from heightnet.kinds.staff import THE_LEVEL
from heightnet.ledger.recorded import ONE_SIGHT
from heightnet.ledger.thing import STANDS, Thing, row_ids
from heightnet.network import build_network
from heightnet.network.closing import Closing
from heightnet.network.loops import PRECISION, loops_of
from heightnet.network.model import Network
from heightnet.network.runs import (
    Chain,
    Fault,
    chains_of,
    level_legs,
    permanent_marks,
    sections_of,
    staff_legs,
    trig_legs,
)
from heightnet.tasks import book_facts, judgement_facts
from heightnet.tasks.doubted import read_with_doubt
from heightnet.tasks.facts import JobFacts, Record, head, number
from heightnet.tasks.height_facts import untested
from heightnet.tasks.named import ids_in, named

SCHEMA = "heightnet-bust/4"
CAUSES_SHOWN = 4
UNTESTED_NAMED = 20  # of each kind of what nothing tests, described beside its id
CAUSES_UP_TO = 100  # members of a finding, likeliest first, whose causes are weighed
COLLIMATION = f"group:collimation:{THE_LEVEL}"


def bust(job: Job, closing: Closing = PRECISION, points_stand: bool = False) -> Record:
    """Check a levelling book, and say what explains a misclosure.

    Parameters
    ----------
    closing : what loops, runs and sections may miss.
    points_stand : the change points can be found again, so that re-levelling may begin and end at them.

    Raises
    ------
    CannotAdjust : nothing in the job ties two places together.
    """
    net = build_network(job)
    if net.edge_count == 0:
        raise CannotAdjust(f"{job.name}: nothing to compare. No levelled difference, staff reading or sight in it.")
    facts = _judged(net)
    legs, faults = staff_legs(job)
    chains = chains_of(legs, faults) + chains_of(level_legs(job)) + chains_of(trig_legs(net))
    marks = permanent_marks(job)
    pegs = marks | ({c.end for c in chains} | {leg.end for c in chains for leg in c.legs} if points_stand else set())
    sections = sections_of(chains, marks)
    known, distance = _known(job), _signed_distances(job)
    spread = _Spread(facts)
    whole = [chain for chain in chains if chain.kind != "trig"]
    runs = [_run(known, distance, part, closing, spread) for chain in whole for part in _between_known(chain, known)]
    compared = _sections(sections, closing, spread)
    loops = _loops(facts, net, closing)
    findings, rivals = judgement_facts.findings(facts), _rivals(facts)
    between = sections_of(chains, pegs)
    sets = book_facts.sets_of_busts(facts, between) if findings else []
    plan = releveling(facts, between, facts.judgement.findings)
    nothing_tests = untested(facts)
    lists = nothing_tests["heights"], *nothing_tests["rows"].values(), nothing_tests["without_height"]
    first_told = [id_ for ids in lists for id_ in ids[:UNTESTED_NAMED]]
    in_sets = [bust for one in sets for bust in one["busts"]]
    misclosed = closing.stated and any(r["closes"] is False for r in (*runs, *compared, *loops))
    return {
        **head(job, SCHEMA),
        "closing": {"name": closing.name, "stated": closing.stated, **asdict(closing)},
        "fit": factors(facts),
        "judgement": judgement_facts.in_short(facts),
        "verdict": _verdict(facts, between, misclosed),
        "findings": findings,
        "rivals": rivals,
        "sets": sets,
        "plan": plan,
        "misclosed": misclosed,
        "faults": [_fault(job, fault) for fault in faults],
        "arithmetic": book_facts.arithmetic(job),
        "level_tests": book_facts.level_tests(job, runs),
        "book": runs,
        "sections": compared,
        "loops": loops,
        "hides": book_facts.hides(facts, between) if not findings else [],
        "untested": nothing_tests,
        "notes": facts.notes(),
        **read_with_doubt(job, [*ids_in(findings), *(r["id"] for r in rivals)] if findings else None),
        **named(net, [*ids_in(findings), *(r["id"] for r in (*rivals, *in_sets)), *first_told]),
    }


def exit_status(facts: Record) -> int:
    """0: nothing contradicts; 1: the job does, something misses more than a stated limit, or the book is faulty."""
    faulty = facts["faults"] or facts["arithmetic"]["slips"]
    return int(facts["judgement"]["state"] in CONTRADICTED or facts["misclosed"] or bool(faulty))


def _judged(net: Network) -> JobFacts:
    """The judged job; what could hide is worked out where nothing is found."""
    facts = facts_without_promises(net)
    if facts.judgement.said:
        return facts
    return JobFacts(facts.judgement, promises(facts.bench), facts.fit)


def facts_without_promises(net: Network) -> JobFacts:
    """The judged job, without working out how large an error would have to be."""
    judgement = judged_by(bench_for(net))
    unknown = np.full(len(judgement.bench.family), np.inf)
    return JobFacts(judgement, Promises(unknown, unknown, at_most=True), judgement.bench.fit)


def factors(facts: JobFacts) -> Record:
    """``fit`` in short: how many measurements are spare, and how much more than stated they scatter."""
    tape, sight = facts.judgement.factors
    return {"redundancy": int(facts.fit.dof), "tape_factor": tape, "sight_factor": sight}


def _fault(job: Job, fault: Fault) -> Record:
    return {
        "kind": fault.kind, "run": fault.run, "level_setup": fault.level_setup, "file": job.files["staff"],
        "row": fault.row,
    }  # fmt: skip


def _between_known(chain: Chain, known: dict[str, float]) -> list[Chain]:
    """A run, and where it goes on through known marks each of its parts between them."""
    parts = chain.cut(set(known))
    return (
        [chain, *(part for part in parts if part.start in known and part.end in known)] if len(parts) > 1 else [chain]
    )


def _known(job: Job) -> dict[str, float]:
    listed = job.marks[job.marks["height"].notna()]
    return dict(zip(listed["mark"], listed["height"].astype(float), strict=True))


def _signed_distances(job: Job) -> dict[str, float]:
    """Distance of each staff reading by its id, m, a foresight's negative; NaN where none is recorded."""
    staff, file = job.staff, job.files["staff"]
    again = staff.duplicated(ONE_SIGHT)  # a further reading lies no further away
    far = staff["distance"].where(~again, 0.0).to_numpy(float)
    signed = np.where(staff["sight"] == "BS", 1.0, -1.0) * np.where((far > 0) | again, far, np.nan)
    return dict(zip(row_ids("staff", file, staff["row"], staff["cell"]), signed.tolist(), strict=True))


class _Spread:
    """What the job's own precision lets expect of levellings."""

    def __init__(self, facts: JobFacts) -> None:
        family, net = facts.family, facts.net
        single = np.flatnonzero(family.observation >= 0)
        self.of = {str(family.ids[h]): float(net.sd[family.observation[h]]) for h in single.tolist()}
        stands, sd = np.flatnonzero(family.of(*STANDS)), facts.stand_mean[1]
        self.of |= {str(family.ids[h]): float(sd[family.node[h]]) for h in stands.tolist()}

    def sd(self, *chains: Chain) -> float:
        """Of the rise of a chain, of the difference of two, m."""
        return sqrt(sum((weight * self.of.get(id_, 0.0)) ** 2 for chain in chains for id_, weight in chain.weighted))

    def known(self, mark: str) -> float:
        return self.of.get(str(Thing("known", mark)), 0.0)


def _run(
    known: dict[str, float], distance: dict[str, float], chain: Chain, closing: Closing, spread: _Spread
) -> Record:  # fmt: skip
    """The arithmetic check: the backsights less the foresights must give the rise from the first mark to the last."""
    expected = 0.0 if chain.start == chain.end else None
    if chain.start in known and chain.end in known:
        expected = known[chain.end] - known[chain.start]
    missed = None if expected is None else chain.rise - expected
    ends = (spread.known(chain.start), spread.known(chain.end)) if chain.start != chain.end else ()
    expected_sd = hypot(spread.sd(chain), *ends)
    allowed, by = closing.allowed(expected_sd, chain.km, chain.setups)
    staff = chain.kind == "staff"
    return {
        "run": chain.run,
        "kind": chain.kind,
        "from_mark": chain.start,
        "to_mark": chain.end,
        "setups": chain.setups,
        "length_km": chain.km or None,
        "backsights_m": float(sum(leg.backsight for leg in chain.legs)) if staff else None,
        "foresights_m": float(sum(leg.foresight for leg in chain.legs)) if staff else None,
        "rise_m": chain.rise,
        "expected_m": expected,
        "misclosure_mm": number(missed, 1000),
        "expected_sd_mm": expected_sd * 1000,
        "allowed_mm": allowed * 1000,
        "by": by,
        "closes": None if missed is None else bool(abs(missed) <= allowed),
        # backsight distances less foresight distances, none where one is missing
        "imbalance_m": number(sum(distance[id_] for id_ in chain.ids)) if staff else None,
    }


def _sections(sections: dict[tuple[str, str], list[Chain]], closing: Closing, spread: _Spread) -> list[Record]:
    """Sections measured more than once, every two levellings compared."""
    out = []
    for (start, end), parts in sections.items():
        for one, other in combinations(parts, 2):
            km = (one.km + other.km) / 2
            expected_sd = spread.sd(one, other)
            allowed, by = closing.allowed(expected_sd, km, (one.setups + other.setups) / 2)
            difference = one.rise - other.rise
            out.append(
                {
                    "from_mark": start,
                    "to_mark": end,
                    "first": _levelling(one),
                    "second": _levelling(other),
                    "length_km": km or None,
                    "difference_mm": difference * 1000,
                    "expected_sd_mm": expected_sd * 1000,
                    "allowed_mm": allowed * 1000,
                    "by": by,
                    "closes": bool(abs(difference) <= allowed),
                }
            )
    return out


def _levelling(chain: Chain) -> Record:
    return {"run": chain.run, "kind": chain.kind, "rise_m": chain.rise, "setups": chain.setups}


def _loops(facts: JobFacts, net: Network, closing: Closing) -> list[Record]:
    return [
        {
            "marks": list(loop.marks),
            "length_km": loop.length_km or None,
            "setups": loop.setups,
            "misclosure_mm": loop.misclosure * 1000,
            "expected_sd_mm": loop.expected_sd * 1000,
            "allowed_mm": loop.allowed * 1000,
            "by": loop.by,
            "closes": bool(abs(loop.misclosure) <= loop.allowed),
            "ids": facts.observation_ids(loop.edges),
        }
        for loop in loops_of(net, closing)
    ]


def _rivals(facts: JobFacts) -> list[Record]:
    """What may be wrong: the members of every finding as told there, with what was recorded and what would be right."""
    family = facts.family
    out: list[Record] = []
    for order, finding in enumerate(facts.judgement.findings, start=1):
        keys = judgement_facts.keys_in(facts, finding)[: judgement_facts.MEMBERS_TOLD]
        keys.sort(key=lambda one: (-round(facts.chance(one[0]), 2), one[1]))  # equal ones as they were booked
        for i, (key, h) in enumerate(keys):
            b, s = facts.judgement.size_of(h)
            causes = facts.causes_of(h, b, s)[:CAUSES_SHOWN] if i < CAUSES_UP_TO else []
            id_, recorded = str(family.ids[h]), _recorded(facts, h)
            out.append(
                {
                    "order": len(out) + 1,
                    "id": id_,
                    "finding": order,
                    "class": int(facts.bench.classes.label[h]),
                    "probability": facts.chance(key),
                    "error_mm": number(b, 1000),
                    "error_sd_mm": number(s, 1000),
                    "recorded_m": recorded,
                    "would_be_m": None if recorded is None else number(recorded - b),
                    "collimation_mm_per_10m": b / family.unit[h] * 10_000 if id_ == COLLIMATION else None,
                    "causes": [cause.as_dict() for cause in causes],
                }
            )
    return out


def _recorded(facts: JobFacts, h: int) -> float | None:
    """What stands in the book for a single value, m."""
    kind = str(facts.family.kind[h])
    if kind in ("staff", "level", "known") or of_blunder(kind).record:
        return evidence_about(facts.recorded, str(facts.family.ids[h])).recorded
    return None


def releveling(facts: JobFacts, between: dict[tuple[str, str], list[Chain]], findings: Iterable[Finding]) -> Record:
    """The cheapest re-levelling: sections by probability for each set-up, likeliest first, until the bust shows.

    A re-levelling compares at every mark it passes, so sections are taken in the order of p / c (set-ups c): the order
    of a search with the least expected cost (common knowledge of search theory; an exchange of two neighbours in any
    other order lowers the sum p_i (c_1 + ... + c_i)).
    """
    chances = [_chances(facts, finding) for finding in findings]
    steps: list[Record] = []
    for (start, end), parts in between.items():
        ids = _ids_of(parts)
        p = 1 - prod(1 - min(1.0, sum(of.get(id_, 0.0) for id_ in ids)) for of in chances)  # one of them or more
        if p <= 0:
            continue
        cost = min((part.setups for part in parts if part.kind != "trig"), default=2.0)
        runs = sorted(
            {part.run for part in parts if any(id_ in of for id_ in _ids_of([part]) for of in chances)} - {""}
        )
        steps.append({"from_mark": start, "to_mark": end, "setups": cost, "probability": p, "runs": runs})
    steps.sort(key=lambda s: -round(s["probability"] / s["setups"], 2))  # stable: what is equal stays in booked order
    total_p = sum(s["probability"] for s in steps)
    done, expected = 0.0, 0.0
    for order, step in enumerate(steps, start=1):
        done += step["setups"]
        step["order"], step["setups_so_far"] = order, done
        expected += step["probability"] / total_p * done
    outside = [sum(p for id_, p in of.items() if Thing.of(id_).kind in ("known", "group")) for of in chances]
    return {
        "steps": steps,
        "expected_setups": expected if steps else None,
        "all_setups": done if steps else None,
        "outside": prod(min(1.0, p) for p in outside) if outside else 0.0,  # all of them
        "split": _split(steps),
    }


def _chances(facts: JobFacts, finding: Finding) -> dict[str, float]:
    """Probability of each member of a finding, that it is its blunder, by its id."""
    return {str(facts.family.ids[m.hypothesis]): m.probability for m in finding.members}


def _ids_of(parts: Iterable[Chain]) -> set[str]:
    """Ids of all that may be wrong in some chains, readings exchanged at a level set-up among them."""
    ids = {id_ for part in parts for id_ in part.ids}
    return ids | {id_ for part in parts for id_ in part.together}


def _split(steps: list[Record]) -> Record | None:
    """The first half of the probability: how many of the steps hold it and what they cost."""
    total = sum(s["probability"] for s in steps)
    if len(steps) < 2 or not total:
        return None
    held = 0.0
    for i, step in enumerate(steps, start=1):
        held += step["probability"]
        if held >= total / 2:
            return {"steps": i, "setups": step["setups_so_far"], "probability": held / total}
    return None


def _verdict(facts: JobFacts, between: dict[tuple[str, str], list[Chain]], misclosed: bool) -> str:
    """Where it is: located (every blunder is one thing), narrowed (each in one section), open (in several places),
    unexplained; or untested, misses (more than the tolerance, though no more than its precision expects), closes."""
    state = facts.judgement.state
    if state == UNTESTED:
        return "untested"
    if state not in CONTRADICTED:
        return "misses" if misclosed else "closes"
    found = facts.judgement.findings
    if state == UNEXPLAINED or not found:
        return "unexplained"
    if state == UNCLEAR:
        return "open"
    if all(finding.named for finding in found):
        return "located"
    section = book_facts.section_of(between)
    return "narrowed" if all(f.named or _in_one(_chances(facts, f), section) for f in found) else "open"


def _in_one(chance: dict[str, float], section: dict[str, tuple[str, str]]) -> bool:
    """Whether one section holds nine tenths of a finding."""
    held: dict[tuple[str, str] | None, float] = defaultdict(float)
    for id_, p in chance.items():
        held[section.get(id_)] += p
    best = max(held, key=lambda ends: held[ends])
    return best is not None and held[best] >= CERTAIN * sum(held.values())
