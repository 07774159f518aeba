"""What is done about findings beside measuring heights anew: stretches to level again, what else would show them."""

from __future__ import annotations

from collections.abc import Sequence

from heightnet.judge.judgement import CERTAIN, Finding
from heightnet.kinds.registry import shared_by
from heightnet.ledger.thing import LEVELLED, TOGETHER, Thing
from heightnet.network.runs import chains_of, level_legs, permanent_marks, sections_of, staff_legs
from heightnet.tasks.bust import releveling
from heightnet.tasks.design import EPS
from heightnet.tasks.facts import JobFacts, Record
from heightnet.tasks.measurements import Minutes, measurement
from heightnet.tasks.route import Ground, Work, walk

SECTIONS_AT_MOST = 3  # levelled again to find out about one finding

Extra = tuple[Record, Work]
"""A step beside the measurements that were weighed against each other, and where it is done."""


def fitting(extras: Sequence[Extra], works: Sequence[Work], spent: float, budget: float, ground: Ground) -> list[Extra]:
    """Those that the minutes are enough for, with the way to them.

    works, spent : what is done in any case, and the minutes that takes without the way.
    """
    out: list[Extra] = []
    for step, work in extras:
        stops, _ = walk(ground, [*works, *(other for _, other in out), work])
        if spent + step["minutes"] + ground.minutes(stops) <= budget + EPS:
            out.append((step, work))
            spent += step["minutes"]
    return out


def relevelled(facts: JobFacts, minutes: Minutes) -> list[Extra]:
    """Stretches to level again, for findings that are about levelling: the likeliest for its work first."""
    job = facts.job
    chains = chains_of(staff_legs(job)[0]) + chains_of(level_legs(job))
    sections = sections_of(chains, permanent_marks(job))
    out: list[Extra] = []
    for order, finding in enumerate(facts.judgement.findings, start=1):
        found = _stretches(releveling(facts, sections, [finding])["steps"]) if _of_levelling(facts, finding) else []
        for stretch in found:
            step = measurement(
                0, "relevel", None, stretch["from_mark"], stretch["to_mark"],
                finding=order,
                setups=stretch["setups"],
                probability=stretch["probability"],
                sd_mm=None,
                minutes=minutes.relevel * max(1.0, float(stretch["setups"])),
                proves=[],
                proves_kinds=[],
                improves=[],
            )  # fmt: skip
            out.append((step, Work((stretch["from_mark"],))))
    return out


def needs_of(findings: list[Record]) -> list[Record]:
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
