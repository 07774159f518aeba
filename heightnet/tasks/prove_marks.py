"""Check shots of a whole job: every sight to a known mark against what the rest of the job says; and whether one known
mark is where it is listed."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from heightnet.errors import HeightnetError
from heightnet.job.model import Job
from heightnet.job.settings import with_tolerance
from heightnet.judge.reduction import UNTESTABLE
from heightnet.ledger.thing import MISNAMED, TAPED, Thing
from heightnet.tasks import judgement_facts
from heightnet.tasks.check import judged
from heightnet.tasks.doubted import read_with_doubt
from heightnet.tasks.facts import JobFacts, Record, head, number
from heightnet.tasks.named import ids_in, named
from heightnet.tasks.prove import known_heights
from heightnet.tasks.risk import risk_of, verdict_of

SCHEMA_ALL, SCHEMA_MARK = "heightnet-prove-all/1", "heightnet-prove-mark/1"
INTERVAL = 1.96  # sds within which 95 of 100 differences lie


def prove_all(job: Job, tolerance: float | None = None) -> Record:
    """Every sight to a mark whose height is known, or follows from levelling alone, as a check shot.

    What a sight finds is held against the job without it, its set-up's tape among the rest; risks as of `prove`.

    Parameters
    ----------
    tolerance : error of a height that must be caught, m; by default the job's.

    Raises
    ------
    CannotAdjust : nothing in the job ties two places together.
    WrongSettings : the tolerance keeps no rule.
    """
    facts = _judged(job, tolerance)
    shots = _shots(facts, known_heights(job))
    findings, let_go = judgement_facts.findings(facts), _let_go(facts)
    return {
        **head(facts.job, SCHEMA_ALL),
        "judgement": judgement_facts.in_short(facts),
        "findings": findings,
        "let_go": let_go,
        "check_shots": shots,
        "rms_mm": _rms(shots),
        "by_setup": _by_setup(shots),
        **read_with_doubt(facts.job, None),
        **named(facts.net, [*(s["id"] for s in shots), *ids_in(findings), *(one["id"] for one in let_go)]),
    }


def _let_go(facts: JobFacts) -> list[Record]:
    """What the likeliest explanation holds wrong: the check shots are held against the job without it."""
    if not facts.judgement.said:
        return []
    best = facts.judgement.explanations[0]
    return [
        {"id": str(facts.family.ids[h]), "error_mm": float(b) * 1000, "like_it": len(facts.same_as(h))}
        for h, b in zip(best.members.tolist(), best.error.tolist(), strict=True)
    ]


def prove_mark(job: Job, mark: str, tolerance: float | None = None) -> Record:
    """Whether one mark's listed height is what the rest of the job says.

    Raises
    ------
    HeightnetError : there is no such mark, or no height is listed for it.
    CannotAdjust, WrongSettings : as `prove_all`.
    """
    listed = job.marks.set_index("mark")["height"].to_dict()
    if mark not in listed or not np.isfinite(listed[mark]):
        known = ", ".join(str(m) for m, height in listed.items() if np.isfinite(height)) or "none"
        cause = "no height is listed for it" if mark in listed else "there is no such mark"
        raise HeightnetError(f"--mark {mark}: {cause} in {job.name}. Marks with a height: {known}.")
    facts = _judged(job, tolerance)
    family, limit = facts.family, facts.job.settings.test.tolerance_mm / 1000
    ids = [str(id_) for id_ in family.ids]
    h = next((k for k in np.flatnonzero(family.of("known")).tolist() if family.thing(k).name == mark), None)
    shots = [shot for shot in _shots(facts, known_heights(job)) if shot["mark"] == mark]
    findings = judgement_facts.findings(facts)
    risk = None if h is None else risk_of(facts.judgement, h, limit, lambda k: _about_mark(facts, k, mark))
    tested = {} if h is None else facts.tested(h)
    same = [] if h is None else facts.same_as(h)
    return {
        **head(facts.job, SCHEMA_MARK),
        "mark": mark,
        "known_m": float(listed[mark]),
        "id": None if h is None else ids[h],
        "error_mm": tested.get("error_mm"),
        "error_sd_mm": tested.get("error_sd_mm"),
        "smallest_found_mm": number(facts.promises.found[h], 1000) if h is not None else None,
        "probability": tested.get("probability"),
        "risk": risk,
        "risk_rejecting": None if risk is None else 1 - risk,
        "verdict": verdict_of(risk),
        "same_as": same,
        "judgement": judgement_facts.in_short(facts),
        "findings": findings,
        "check_shots": shots,
        **read_with_doubt(facts.job, [str(Thing("known", mark)), *(s["id"] for s in shots)]),
        **named(facts.net, [*(s["id"] for s in shots), *ids_in(findings), *same, *([ids[h]] if h is not None else [])]),
    }


def exit_status(facts: Record) -> int:
    """0: all of it is accepted in a job that nothing contradicts; 1: something is rejected, untested or wrong
    elsewhere, or the check is too weak to decide."""
    if facts.get("let_go"):
        return 1
    verdicts = [facts["verdict"]] if "verdict" in facts else [shot["verdict"] for shot in facts["check_shots"]]
    return 0 if verdicts and set(verdicts) == {"accept"} else 1


def _about_mark(facts: JobFacts, k: int, mark: str) -> bool:
    """Whether a hypothesis is about the mark itself, or about all that stood over it."""
    thing = facts.family.thing(k)
    if thing.kind == "known":
        return thing.name == mark
    return thing.kind in ("local", MISNAMED) and mark in thing.names


def _judged(job: Job, tolerance: float | None) -> JobFacts:
    """Without events: as in `prove`, what moved between few sights could explain any two of them."""
    return judged(with_tolerance(job, tolerance), lambda stage: None, events=False)


def _shots(facts: JobFacts, known: dict[str, tuple[float, float]]) -> list[Record]:
    """In the order of the table; ``difference_mm`` is by how much a sight puts its mark too high.

    Other sights to the mark are let go: the mark's listed height is what each of them is held against; so is what the
    likeliest explanation holds wrong elsewhere.
    """
    net, family = facts.net, facts.family
    limit, first = facts.job.settings.test.tolerance_mm / 1000, net.rows("shot").start
    hypotheses = np.flatnonzero(family.of("shot"))
    shot = family.observation[hypotheses] - first
    mark = net.nodes.mark[net.target_node[net.shot_target[shot]]]
    wrong = facts.judgement.explanations[0].members.tolist()
    grown = facts.bench.inflation(facts.judgement.looks)
    setups, targets, rows = (net.job.tables[t][c].to_numpy() for t, c in (
        ("setups", "setup"), ("targets", "target"), ("shots", "row")))  # fmt: skip
    out = []
    for h, i, at in zip(hypotheses.tolist(), shot.tolist(), mark.tolist(), strict=True):
        name = str(net.nodes.name[at]) if at >= 0 else ""
        if name not in known:
            continue
        alike = _far_end(facts, h, int(net.target_node[net.shot_target[i]]))
        others = hypotheses[(mark == at) & (hypotheses != h)]
        free = others[facts.bench.classes.tested[others]]
        found = _error(facts, h, np.r_[free, [k for k in wrong if not alike(k)]])
        risk = None if found is None else risk_of(facts.judgement, h, limit, alike, free)
        error, sd = found if found is not None else (np.nan, np.nan)
        out.append(
            {
                "id": str(family.ids[h]),
                "setup": str(setups[net.shot_setup[i]]),
                "mark": name,
                "target": str(targets[net.shot_target[i]]),
                "file": net.job.files["shots"],
                "row": int(rows[i]),
                "known_m": known[name][0],
                "found_m": number(known[name][0] + error),
                "difference_mm": number(error, 1000),
                "sd_mm": number(sd * grown[h], 1000),
                "allowed_mm": number(INTERVAL * sd * grown[h], 1000),
                "risk": risk,
                "verdict": verdict_of(risk),
            }
        )
    return out


def _error(facts: JobFacts, h: int, free: npt.NDArray[np.int64]) -> tuple[float, float] | None:
    """Error of a sight and its sd with others free, m; None where nothing is left to test it."""
    bench, label = facts.bench, facts.bench.classes.label
    free = free.astype(np.int64)
    _, first = np.unique(label[free], return_index=True)
    members = free[first][label[free[first]] != label[h]]
    u, information, _ = bench.freed(facts.judgement.u, members)
    if label[h] < 0 or information[h] <= UNTESTABLE * bench.own[h]:
        return None
    return float(u[h] / information[h]), float(information[h] ** -0.5)


def _far_end(facts: JobFacts, h: int, node: int) -> Callable[[int], bool]:
    """Whether another hypothesis is about the same sight's far end: the sight, its target, or the mark below it."""
    family, net = facts.family, facts.net
    mark = str(net.nodes.name[net.nodes.mark[node]])

    def alike(k: int) -> bool:
        at_target = family.kind[k] in TAPED and int(family.node[k]) == node
        return k == h or bool(at_target) or _about_mark(facts, k, mark)

    return alike


def _rms(shots: list[Record]) -> float | None:
    differences = [shot["difference_mm"] for shot in shots if shot["difference_mm"] is not None]
    return float(np.sqrt(np.mean(np.square(differences)))) if differences else None


def _by_setup(shots: list[Record]) -> list[Record]:
    out = []
    for setup in dict.fromkeys(shot["setup"] for shot in shots):
        own = [shot for shot in shots if shot["setup"] == setup]
        count = {v: sum(s["verdict"] == v for s in own) for v in ("accept", "too_weak", "reject", "untested")}
        out.append({"setup": setup, "shots": len(own), "rms_mm": _rms(own), **count})
    return out
