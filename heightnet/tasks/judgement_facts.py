"""The judgement of a job as facts: its state, what is told and in which place, explanations, what bears how much."""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from heightnet.arrays import Floats
from heightnet.judge.judgement import Finding
from heightnet.judge.large import WHOLE_UP_TO, LargeBench
from heightnet.judge.places import OTHER, STAND, Key
from heightnet.kinds.group import SAID_ITSELF
from heightnet.kinds.registry import shared_by
from heightnet.kinds.stands import recorded_heights
from heightnet.ledger.thing import MISNAMED, POINTING, STANDS, TOGETHER
from heightnet.rows import Rows
from heightnet.tasks.event_facts import event, event_parts

if TYPE_CHECKING:
    from heightnet.tasks.facts import JobFacts

Record = dict[str, Any]

MEMBERS_TOLD = 2_000  # of a finding, likeliest first; how many there are in all is said
RIVALS_TOLD = 12  # of an unnamed finding, listed among the suspects
SHOWN_BY_UP_TO = 3  # common errors of a finding for which it is said what would show them
COMMON = 0.1  # probability of a common error that is told from which what shares it is in question
LEAST_TOLD = 0.005  # probability of a member of a list from which it is told
MATES_TOLD = 2  # of what is named
LEAST_SHOWN_M = 1e-4  # of a mark in an explanation of a large job
RESIDUALS_UP_TO = 20_000  # observations up to which every explanation carries its residuals
BEARS_UP_TO = 20  # redundancy up to which it is said how many blunders a job bears
BEARS = 5.0
INTERVAL = 1.96  # sds of a range that holds 95 of 100


def in_short(facts: JobFacts) -> Record:
    """What is decided of the job, without what it could have shown."""
    j, bench = facts.judgement, facts.bench
    stopped = {look.posterior.stopped for look in j.looks} - {""}
    return {
        "state": j.state,
        "relative": not any(piece.tied for piece in facts.net.pieces),
        "said": j.said,
        "probability": facts.capped(j.something),
        "explained": j.explained,
        "blunders": j.blunders,
        "bears": max(1, int(bench.redundancy // BEARS)) if bench.redundancy < BEARS_UP_TO else None,
        "searched": j.searched,
        "stopped": next(iter(sorted(stopped)), ""),
        "second_search": "made" if j.looks else "not made",
    }


def judgement(facts: JobFacts, checks: npt.NDArray[np.int64]) -> Record:
    """``judgement`` of results.json.

    Parameters
    ----------
    checks : independent checks of every height that has one.
    """
    return {
        **in_short(facts),
        "survives": int(checks.min() // 2) if len(checks) else None,
        "checked_under_two": int(np.sum(checks < 2)),
        "checked_under_four": int(np.sum(checks < 4)),
        "neighbourhoods": len(facts.judgement.looks) if isinstance(facts.bench, LargeBench) else 1,
        "events": "weighed" if facts.net.edge_count <= WHOLE_UP_TO else "not weighed",
        "found_at_most": facts.promises.at_most,
        "named_sizes": not np.isnan(facts.promises.named[facts.family.of(*STANDS)]).any(),
    }


def findings(facts: JobFacts) -> list[Record]:
    """``findings[]``: what is told, each in the smallest place that holds it, likeliest first."""
    return [_finding(facts, order, finding) for order, finding in enumerate(facts.judgement.findings, start=1)]


def _finding(facts: JobFacts, order: int, finding: Finding) -> Record:
    keys = keys_in(facts, finding)
    lead = finding.members[0].hypothesis
    probability = facts.chance(keys[0][0]) if finding.named else facts.capped(finding.probability)
    members = []
    for key, h in keys[:MEMBERS_TOLD]:
        size, sd = facts.judgement.size_of(h)
        members.append(
            {
                "id": str(facts.family.ids[h]),
                "probability": facts.chance(key),
                "error_mm": size * 1000,
                "error_sd_mm": sd * 1000,
            }
        )
    return {
        "order": order,
        "level": finding.level,
        "named": finding.named,
        "probability": probability,
        "place": place(facts, finding),
        "members": members,
        "count": len(keys),
        "kinds": _kinds(facts, [h for _, h in keys]),
        "mates": _mates(facts, lead) if finding.named else [],
        "event": event(facts, finding, keys[0][0]) if finding.named else None,
        "slip": slip(facts, keys[:1] if finding.named else keys),
        "error_mm": finding.size * 1000,
        "error_sd_mm": finding.size_sd * 1000,
        "same_sign": _one_sign(facts, finding),
        "id": str(facts.family.ids[lead]) if finding.named else None,
        "parted_by": parted_by(facts, [h for _, h in keys]) if len(keys) > 1 else None,
        "shown_by": shown_by(facts, [h for _, h in (keys[:1] if finding.named else keys)]),
        "moved": moved(facts, lead, finding.size) if finding.named else [],
    }


def _mates(facts: JobFacts, lead: int) -> list[Record]:
    """What makes the very same misclosures as what is named, likeliest first."""
    places, label = facts.bench.places, int(facts.bench.classes.label[lead])
    own = places.key_of(lead)
    alike = {places.key_of(h): h for h in facts.bench.classes.members(label).tolist() if places.key_of(h) != own}
    found: list[Record] = [
        {"id": str(facts.family.ids[h]), "probability": facts.chance(key)} for key, h in alike.items()
    ]
    likely = sorted(found, key=lambda one: -round(one["probability"], 9))[:MATES_TOLD]
    return [one for one in likely if one["probability"] >= LEAST_TOLD]


def keys_in(facts: JobFacts, finding: Finding) -> list[tuple[Key, int]]:
    """The things of a finding with the leading hypothesis of each, likeliest first; of one stand, of which it is not
    told in which way it is wrong, each way by itself."""
    ways = finding.place.kind == "thing" and not finding.named
    out: dict[Key, int] = {}
    for member in finding.members:
        key = (OTHER, member.hypothesis) if ways else facts.bench.places.key_of(member.hypothesis)
        out.setdefault(key, member.hypothesis)
    return list(out.items())


def _kinds(facts: JobFacts, members: list[int]) -> list[Record]:
    """How many there are of each kind, the most numerous first; of a kind with one member its id."""
    first: dict[str, int] = {}
    for h in members:
        first.setdefault(str(facts.family.kind[h]), h)
    number = Counter(facts.family.kind[members].tolist())
    return [
        {"what": kind, "count": n, "id": str(facts.family.ids[first[kind]]) if n == 1 else None}
        for kind, n in number.most_common()  # of equal ones the likelier first
    ]


def slip(facts: JobFacts, keys: list[tuple[Key, int]]) -> Record | None:
    """The usual slip that likeliest made the error of one of some things, how many of them it fits and the first of
    those; None where no slip fits any.  All that is told of slips of several things is told from here."""
    found: dict[tuple[str, str], Record] = {}
    likely: dict[tuple[str, str], float] = defaultdict(float)
    for key, h in keys[:MEMBERS_TOLD]:
        for one in facts.causes_of(h, *facts.judgement.size_of(h)):
            if one.fits and one.cause not in SAID_ITSELF:
                of, id_ = (one.cause, one.text), str(facts.family.ids[h])
                told = found.setdefault(of, {"cause": one.cause, "text": one.text, "count": 0, "id": id_})
                told["count"] += 1
                likely[of] += facts.chance(key) * one.probability
    return found[max(found, key=lambda of: round(likely[of], 9))] if found else None


def parted_by(facts: JobFacts, members: list[int]) -> str | None:
    """What would part common errors that the job cannot tell from one another; None where others are among them."""
    if any(facts.family.kind[h] not in TOGETHER for h in members):
        return None
    return shared_by(facts.family.thing(members[0])).shown_by


def shown_by(facts: JobFacts, members: list[int]) -> list[Record]:
    """What would show each common error among some members: of a common error there is no line in a field book."""
    common = [facts.family.thing(h) for h in members if facts.family.kind[h] in TOGETHER]
    return [{"id": str(thing), "what": shared_by(thing).shown_by} for thing in common[:SHOWN_BY_UP_TO]]


def _one_sign(facts: JobFacts, finding: Finding) -> bool:
    """Whether every member would be off the same way and by as much."""
    sizes = [facts.judgement.size_of(m.hypothesis)[0] for m in finding.members[:MEMBERS_TOLD]]
    return bool(np.ptp(np.abs(sizes)) <= 1e-4 and len({s > 0 for s in sizes}) == 1)


def place(facts: JobFacts, finding: Finding) -> Record:
    """Where: the kind of place and what it is called."""
    net, kind, subject = facts.net, finding.place.kind, finding.place.subject
    out: Record = {
        "kind": kind, "setup": None, "target": None, "mark": None, "from_mark": None, "to_mark": None, "run": None,
        "setups": None,
    }  # fmt: skip
    if not isinstance(subject, int):  # a thing names itself
        return out
    if kind == "setup":
        out["setup"] = str(net.job.setups["setup"].iloc[subject])
    elif kind == "target":
        out["target"] = str(net.job.targets["target"].iloc[subject])
    elif kind == "mark":
        out["mark"] = str(net.nodes.name[subject])
    elif kind == "section":
        section = facts.bench.places.section(subject)
        out |= {
            "from_mark": section.from_mark, "to_mark": section.to_mark, "run": section.run, "setups": section.setups,
        }  # fmt: skip
    return out


def moved(facts: JobFacts, h: int, error: float) -> list[Record]:
    return [{"mark": m["mark"], "moved_mm": m["per_mm"] * error * 1000} for m in facts.moves(h)]


def suspects(facts: JobFacts) -> list[Record]:
    """``suspects[]``: what is named, then the likeliest members of what is not, each thing once."""
    out: list[Record] = []
    told: set[Key] = set()
    by_name = sorted(enumerate(facts.judgement.findings, start=1), key=lambda one: not one[1].named)
    for number, finding in by_name:
        if finding.level == 0:
            continue
        for key, h in keys_in(facts, finding)[: 1 if finding.named else RIVALS_TOLD]:
            probability = facts.chance(key)
            if key in told or (not finding.named and probability < LEAST_TOLD):
                continue
            told.add(key)
            error, sd = facts.judgement.size_of(h)
            thing = facts.family.thing(h)
            cause = next(iter(facts.causes_of(h, error, sd)), None)
            out.append(
                {
                    "order": len(out) + 1,
                    "finding": number,
                    "verdict": "suspect" if finding.named else "either",
                    "id": str(thing),
                    "what": thing.kind,
                    "name": thing.called,
                    "error_mm": error * 1000,
                    "error_sd_mm": sd * 1000,
                    "probability": probability,
                    "cause": cause.cause if cause else None,
                    "cause_text": cause.text if cause else None,
                    "moved": moved(facts, h, error),
                }
            )
    return out


def explanations(facts: JobFacts) -> list[Record]:
    """``explanations[]``: sets of blunders within 20 : 1 of the likeliest, and what follows from each."""
    j, family, net = facts.judgement, facts.family, facts.net
    best = max(j.explanations[0].probability, 1e-300)
    names = net.nodes.name[facts.mark_nodes]
    base_height = net.nodes.height[facts.mark_nodes] + facts.of_marks(facts.fit.x)
    base_variance = facts.of_marks(facts.fit.sd_x) ** 2
    edges, label = net.edge_count, facts.bench.classes.label
    out = []
    for e in j.explanations:
        effect = facts.effect(e.members)
        height = base_height - effect @ e.error
        sd = np.sqrt(base_variance + np.einsum("ms,st,mt->m", effect, e.covariance, effect))
        residuals: dict[str, float] = {}
        if edges <= RESIDUALS_UP_TO:
            v = facts.fit.residuals_without(family.C[:, e.members] @ e.error)[:edges] * 1000
            residuals = dict(zip(facts.single_ids, v.tolist(), strict=True))
        out.append(
            {
                "probability": facts.capped(e.probability),
                "odds_against_best": best / max(e.probability, 1e-300),
                "members": [
                    {"id": str(family.ids[h]), "error_mm": float(b * 1000), "error_sd_mm": float(s * 1000)}
                    for h, b, s in zip(e.members, e.error, np.sqrt(np.diag(e.covariance)), strict=True)
                ],
                "also": [
                    facts.ids(int(x) for x in facts.bench.classes.members(int(label[h])) if x != h) for h in e.members
                ],
                "marks": _marks_shown(facts, names, height, sd, base_height),
                "residuals_mm": residuals,
                "setups": _setups_under(facts, e.members, e.error),
            }
        )
    return out


def _marks_shown(
    facts: JobFacts, names: npt.NDArray[np.object_], height: Floats, sd: Floats, before: Floats
) -> list[Record]:
    """Marks under an explanation; of a large job those that it moves."""
    shown = np.flatnonzero(np.abs(height - before) > LEAST_SHOWN_M) if facts.large else np.arange(len(names))
    return Rows({"mark": names[shown], "height_m": height[shown], "sd_mm": sd[shown] * 1000})[:]


def _setups_under(facts: JobFacts, members: npt.NDArray[np.int64], error: Floats) -> list[Record]:
    """Instrument heights that follow for the set-ups an explanation touches."""
    net, recorded = facts.net, recorded_heights(facts.net, "setup")[0]
    pull = facts.stand_pull(members.tolist())
    off, touched = pull @ error, np.flatnonzero(np.diff(pull.tocsr().indptr))
    out = []
    for i in np.flatnonzero(np.isin(net.setup_node, touched)).tolist():
        if np.isfinite(recorded[i]):
            name = str(facts.job.setups["setup"].iloc[i])
            out.append({"setup": name, "corrected_m": float(recorded[i] - off[net.setup_node[i]])})
    return out


def cross_check(facts: JobFacts) -> Record:
    """A second search, which knows no names: it agrees where it lets go the same observations."""
    j = facts.judgement

    def rows(members: npt.NDArray[np.int64]) -> set[tuple[int, ...]]:
        return {tuple(facts.family.members(h).tolist()) for h in members.tolist()}

    return {
        "agrees": rows(j.best_subset) == rows(facts.bench.classes.representative[j.shown]),
        "best_subset": facts.ids(j.best_subset),
        "one_at_a_time": facts.ids(j.one_at_a_time),
    }


def accused(facts: JobFacts) -> tuple[set[int], set[int]]:
    """Hypotheses of what is named, and those of what is in question: members of places that hold half and more."""
    named: set[int] = set()
    asked: set[int] = set()
    places = facts.bench.places
    for finding in facts.judgement.findings:
        if finding.named:
            for key, h in keys_in(facts, finding)[:1]:
                wrong, perhaps = event_parts(facts, finding, key) or (parts(facts, h), set())
                named |= {h, *places.thing(key).tolist(), *wrong}
                asked |= perhaps
        elif finding.level > 0:
            if finding.place.kind == "thing":
                asked |= set(places.thing(places.key_of(finding.members[0].hypothesis)).tolist())
            for member in finding.members:
                asked.add(member.hypothesis)
                least = COMMON if facts.family.kind[member.hypothesis] in TOGETHER else LEAST_TOLD
                if member.probability >= least:
                    # what nothing tests stays that: it would be in doubt without the rest as well
                    asked |= {k for k in parts(facts, member.hypothesis) if facts.bench.classes.tested[k]}
    return named, asked - named


def wrong_together(facts: JobFacts) -> set[int]:
    """What a named event or common error makes wrong, and what it is about."""
    out: set[int] = set()
    for finding in facts.judgement.findings:
        lead = finding.members[0].hypothesis
        if finding.named and facts.family.kind[lead] in TOGETHER and not readings_of(facts, lead):
            for key, h in keys_in(facts, finding)[:1]:
                wrong = event_parts(facts, finding, key)
                out |= parts(facts, h) if wrong is None else wrong[0]
    return out


def parts(facts: JobFacts, h: int) -> set[int]:
    """What is wrong with a hypothesis: of two values booked in each other's place each, of a common error the heights
    and rows that share it."""
    places, family = facts.bench.places, facts.family
    if family.kind[h] == "swap":
        return {k for node in places.stands_of_swap(h) for k in places.thing((STAND, node)).tolist()}
    if family.kind[h] in ("exchange", POINTING):
        rows = np.flatnonzero(np.isin(family.observation, family.members(h)) & family.of("staff"))
        return set(rows.tolist())
    if family.kind[h] in (*TOGETHER, MISNAMED):
        return facts.touching(family.members(h)) | readings_of(facts, h)
    return set()


def readings_of(facts: JobFacts, h: int) -> set[int]:
    """The readings of a stand that were held to one point, where the hypothesis is that these are wrong; else none."""
    family = facts.family
    if family.kind[h] != "local" or family.node[h] < 0:
        return set()
    return set(np.flatnonzero(np.isin(family.observation, family.members(h)) & family.of("reading")).tolist())
