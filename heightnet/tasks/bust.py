"""A level run or loop does not close: where is it?  The facts behind ``heightnet bust``."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

import heightnet
from heightnet.errors import CannotAdjust
from heightnet.job.model import Job
from heightnet.judge.causes import group_causes, rank_causes, rank_level_causes
from heightnet.judge.judgement import CERTAIN, CONTRADICTED, UNEXPLAINED, UNTESTED, Judgement
from heightnet.judge.large import bench_for
from heightnet.judge.promises import Promises
from heightnet.network import build_network
from heightnet.network.loops import loops_of
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
from heightnet.network.tolerance import THIRD_ORDER, Tolerance
from heightnet.tasks import judgement_facts
from heightnet.tasks.facts import JobFacts, Record, number

if TYPE_CHECKING:
    from heightnet.network.model import Network

SCHEMA = "heightnet-bust/1"
CAUSES_SHOWN = 4
WITHOUT_LENGTH = 3.0  # expected standard deviations that a loop of unknown length may miss


def bust(job: Job, tolerance: Tolerance = THIRD_ORDER, points_stand: bool = False) -> Record:
    """Check a levelling book, and say what explains a misclosure.

    Parameters
    ----------
    tolerance : what loops, runs and sections may miss.
    points_stand : the change points can be found again, so that re-levelling may begin and end at them.

    Raises
    ------
    CannotAdjust : nothing in the job ties two places together.
    """
    net = build_network(job)
    if net.edge_count == 0:
        raise CannotAdjust(f"{job.name}: nothing to compare. No levelled difference, staff reading or sight in it.")
    legs, faults = staff_legs(job)
    chains = chains_of(legs, faults) + chains_of(level_legs(job)) + chains_of(trig_legs(net))
    bench = bench_for(net)
    judgement = Judgement(bench)
    nothing = np.full(len(bench.family), np.inf)
    facts = JobFacts(judgement, Promises(nothing, nothing, at_most=True), bench.fit)
    marks = permanent_marks(job)
    pegs = marks | ({c.end for c in chains} | {leg.end for c in chains for leg in c.legs} if points_stand else set())
    sections = sections_of(chains, marks)
    runs = [_run(job, chain, tolerance) for chain in chains if chain.kind != "trig"]
    compared = _sections(sections, tolerance)
    loops = _loops(facts, net, tolerance)
    rivals = _rivals(facts)
    plan = _releveling(sections_of(chains, pegs), rivals)
    misclosed = any(r["closes"] is False for r in (*runs, *compared, *loops))
    return {
        "schema": SCHEMA,
        "job": facts.head()["job"],
        "heightnet": {"version": heightnet.__version__},
        "tolerance": {
            "key": tolerance.key,
            "name": tolerance.name,
            "mm_sqrt_km": float(tolerance.mm_sqrt_km),
            "section_mm_sqrt_km": float(tolerance.section_mm_sqrt_km),
        },
        "book": runs,
        "faults": [_fault(job, fault) for fault in faults],
        "sections": compared,
        "loops": loops,
        "tested": judgement.state != UNTESTED,
        "state": judgement.state,
        "findings": judgement_facts.findings(facts),
        "misclosed": misclosed,
        "verdict": _verdict(judgement, plan, misclosed),
        "rivals": rivals,
        "plan": plan,
    }


def exit_status(facts: Record) -> int:
    """0: all that can be compared closes and nothing is suspected; 1: something does not, or the book is faulty."""
    return 0 if facts["verdict"] in ("closes", "untested") and not facts["faults"] else 1


def _fault(job: Job, fault: Fault) -> Record:
    return {
        "kind": fault.kind, "run": fault.run, "level_setup": fault.level_setup, "file": job.files["staff"],
        "row": fault.row,
    }  # fmt: skip


def _known(job: Job) -> dict[str, float]:
    listed = job.marks[job.marks["height"].notna()]
    return dict(zip(listed["mark"], listed["height"].astype(float), strict=True))


def _run(job: Job, chain: Chain, tolerance: Tolerance) -> Record:
    """The arithmetic check: the backsights less the foresights must give the rise from the first mark to the last."""
    known = _known(job)
    expected = 0.0 if chain.start == chain.end else None
    if chain.start in known and chain.end in known:
        expected = known[chain.end] - known[chain.start]
    missed = None if expected is None else chain.rise - expected
    allowed = tolerance.loop(chain.km) if chain.km else None
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
        "allowed_mm": number(allowed, 1000),
        "closes": None if missed is None or allowed is None else bool(abs(missed) <= allowed),
        "imbalance_m": _imbalance(job, chain) if staff else None,
    }


def _imbalance(job: Job, chain: Chain) -> float | None:
    """Sum of the backsight distances less the foresight distances, m; None where one is missing."""
    wanted = {int(id_.rpartition(":")[2]) for id_ in chain.ids}
    staff = job.staff[job.staff["row"].isin(wanted)]
    sign = np.where(staff["sight"] == "BS", 1.0, -1.0)
    distance = staff["distance"].to_numpy(float)
    return float((sign * distance).sum()) if np.all(distance > 0) else None


def _sections(sections: dict[tuple[str, str], list[Chain]], tolerance: Tolerance) -> list[Record]:
    """Sections measured more than once, every two levellings compared."""
    out = []
    for (start, end), parts in sections.items():
        for one, other in combinations(parts, 2):
            km = (one.km + other.km) / 2
            allowed = tolerance.section(km) if km else None
            difference = one.rise - other.rise
            out.append(
                {
                    "from_mark": start,
                    "to_mark": end,
                    "first": _levelling(one),
                    "second": _levelling(other),
                    "length_km": km or None,
                    "difference_mm": difference * 1000,
                    "allowed_mm": number(allowed, 1000),
                    "closes": None if allowed is None else bool(abs(difference) <= allowed),
                }
            )
    return out


def _levelling(chain: Chain) -> Record:
    return {"run": chain.run, "kind": chain.kind, "rise_m": chain.rise, "setups": chain.setups}


def _loops(facts: JobFacts, net: Network, tolerance: Tolerance) -> list[Record]:
    out = []
    for loop in loops_of(net, tolerance):
        allowed = loop.allowed if loop.length_km else WITHOUT_LENGTH * loop.expected_sd
        out.append(
            {
                "marks": list(loop.marks),
                "length_km": loop.length_km or None,
                "misclosure_mm": loop.misclosure * 1000,
                "expected_sd_mm": loop.expected_sd * 1000,
                "allowed_mm": allowed * 1000,
                "by_length": bool(loop.length_km),
                "closes": bool(abs(loop.misclosure) <= allowed),
                "ids": facts.observation_ids(loop.edges),
            }
        )
    return out


def _rivals(facts: JobFacts) -> list[Record]:
    """What may be wrong: the members of every finding, likeliest first."""
    judgement, family = facts.judgement, facts.family
    antennas = set(facts.job.setups["setup"][facts.net.antennas])
    rms = _rms_distance(facts.job)
    out = []
    for order, finding in enumerate(judgement.findings, start=1):
        for member in finding.members:
            h = member.hypothesis
            b, s = judgement.size_of(h)
            id_ = str(family.ids[h])
            out.append(
                {
                    "id": id_,
                    "kind": str(family.kind[h]),
                    "of_antenna": family.kind[h] == "setup" and id_.partition(":")[2] in antennas,
                    "finding": order,
                    "probability": facts.capped(member.probability),
                    "error_mm": number(b, 1000),
                    "error_sd_mm": number(s, 1000),
                    "collimation_mm_per_10m": b / rms * 10_000 if id_.startswith("group:collimation") else None,
                    "causes": _causes(facts, h, b, s),
                    **_where(facts, id_),
                }
            )
    return sorted(out, key=lambda r: (r["finding"], -round(r["probability"], 3)))  # stable: equal ones in booked order


def _rms_distance(job: Job) -> float:
    """Root mean square of the distances of the staff readings that have one, m: an error of the collimation group
    divided by it is the inclination of the line of sight, in radians."""
    distance = np.nan_to_num(job.staff["distance"].to_numpy(float))
    far = distance[distance > 0]
    return float(np.sqrt(np.mean(far**2))) if len(far) else 1.0


def _causes(facts: JobFacts, h: int, error: float, sd: float) -> list[Record]:
    kind, id_ = str(facts.family.kind[h]), str(facts.family.ids[h])
    if kind in ("setup", "target", "tripod", "reading"):
        found = rank_causes(facts.recorded.height(id_, error, sd))
    elif kind in ("staff", "level", "shot", "known"):
        found = rank_level_causes(facts.recorded.level(id_, error, sd))
    elif kind == "group" and not id_.startswith("group:collimation"):
        found = group_causes(facts.recorded.group(id_, error, sd, float(facts.family.size[h])))
    else:
        return []  # the hypothesis says it itself
    return [cause.as_dict() for cause in found[:CAUSES_SHOWN]]


def _where(facts: JobFacts, id_: str) -> Record:
    """Where in the tables a rival stands: mark, level set-up, run, what was read."""
    kind, _, name = id_.partition(":")
    none: Record = {"mark": None, "level_setup": None, "run": None, "sight": None, "recorded_m": None, "row": None}
    if kind in ("staff", "level"):
        table = facts.job.staff if kind == "staff" else facts.job.levels
        row = table[table["row"] == int(name.rpartition(":")[2])].iloc[0]
        none |= {"run": str(row["run"]), "row": int(row["row"])}
        if kind == "staff":
            none |= {"mark": str(row["name"]), "level_setup": str(row["level_setup"]), "sight": str(row["sight"])}
            none["recorded_m"] = float(row["reading"])
        else:
            none |= {"mark": f"{row['from_mark']} to {row['to_mark']}", "recorded_m": float(row["rise"])}
    elif kind == "known":
        none["mark"] = name
    elif kind == "exchange":
        level, _, run = name.partition(":")
        none |= {"level_setup": level, "run": run}
    return none


def _releveling(sections: dict[tuple[str, str], list[Chain]], rivals: list[Record]) -> Record:
    """The cheapest re-levelling: sections by probability for each set-up, likeliest first, until the bust shows.

    A re-levelling compares at every mark it passes, so halves are taken in the order of p / c (set-ups c): the order
    of a search with the least expected cost (common knowledge of search theory; an exchange of two neighbours in any
    other order lowers the sum p_i (c_1 + ... + c_i)).
    """
    chance = {r["id"]: r["probability"] for r in rivals}
    exchanged = {(r["level_setup"], r["run"]): r["probability"] for r in rivals if r["kind"] == "exchange"}
    steps = []
    for (start, end), parts in sections.items():
        ids = {id_ for part in parts for id_ in part.ids}
        p = sum(chance.get(id_, 0.0) for id_ in ids)
        p += sum(exchanged.get((leg.place, leg.run), 0.0) for part in parts for leg in part.legs)
        if p <= 0:
            continue
        cost = min((part.setups for part in parts if part.kind != "trig"), default=2.0)
        runs = sorted({part.run for part in parts if any(chance.get(i, 0.0) > 0 for i in part.ids)} - {""})
        steps.append({"from_mark": start, "to_mark": end, "setups": cost, "probability": min(1.0, p), "runs": runs})
    steps.sort(key=lambda s: -round(s["probability"] / s["setups"], 2))  # stable: what is equal stays in booked order
    total_p = sum(s["probability"] for s in steps)
    done, expected = 0.0, 0.0
    for step in steps:
        done += step["setups"]
        step["setups_so_far"] = done
        expected += step["probability"] / total_p * done
    return {
        "steps": steps,
        "expected_setups": expected if steps else None,
        "all_setups": done if steps else None,
        "outside": float(sum(r["probability"] for r in rivals if r["kind"] in ("known", "group"))),
        "split": _split(steps),
    }


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


def _verdict(judgement: Judgement, plan: Record, misclosed: bool) -> str:
    """untested, closes, located (one thing), narrowed (one section), open (several places) or unexplained."""
    if judgement.state == UNTESTED:
        return "untested"
    if judgement.state not in CONTRADICTED:
        return "unexplained" if misclosed else "closes"
    found = judgement.findings
    if judgement.state == UNEXPLAINED or not found:
        return "unexplained"
    if len(found) == 1 and found[0].named:
        return "located"
    leading = plan["steps"][0]["probability"] if plan["steps"] else 0.0
    whole = sum(s["probability"] for s in plan["steps"]) + plan["outside"]
    return "narrowed" if whole and leading / whole >= CERTAIN else "open"
