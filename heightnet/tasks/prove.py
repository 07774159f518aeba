"""Check shots: the instrument height of one set-up by each known mark, together, and against the tape."""

from __future__ import annotations

from dataclasses import replace
from math import erf, sqrt
from typing import TYPE_CHECKING

import numpy as np

import heightnet
from heightnet.adjust import adjust
from heightnet.errors import HeightnetError
from heightnet.job.model import Job
from heightnet.judge.bench import Bench
from heightnet.judge.judgement import Judgement
from heightnet.judge.promises import promises
from heightnet.network import build_network
from heightnet.network.model import Kind
from heightnet.tasks.facts import JobFacts, Record, number
from heightnet.tasks.judgement_facts import suspects

if TYPE_CHECKING:
    from heightnet.network.model import Network

SCHEMA = "heightnet-prove/1"
MARKS_TO_DECIDE = 3  # known marks from which a wrong one is told from a wrong tape


def prove(job: Job, setup: str, tolerance: float | None = None) -> Record:
    """The instrument height of a set-up from its shots to known marks, and whether its tape agrees.

    A mark is known if its height is given or follows from levelling alone.  A level sight to a staff is a shot with
    zenith 90 degrees whose target height is the reading.

    Parameters
    ----------
    tolerance : error of the instrument height that must be caught, m; by default the job's.

    Raises
    ------
    HeightnetError : there is no such set-up.
    """
    setups = job.setups[job.setups["setup"] == setup]
    if not len(setups):
        names = ", ".join(job.setups["setup"].astype(str).head(12))
        raise HeightnetError(f"--setup {setup}: no such set-up in {job.name}. Set-ups: {names or 'none'}.")
    limit = job.settings.test.tolerance_mm / 1000 if tolerance is None else tolerance
    heights = known_heights(job)
    part = check_shots_of(job, setup, set(heights))
    net = build_network(part)
    bench = Bench(net) if net.edge_count else None
    facts = JobFacts(Judgement(bench), promises(bench), bench.fit) if bench else None
    mark = str(setups["mark"].iloc[0])
    by_shot = _by_shot(net, heights, mark)
    taped, taped_sd = _taped(net)
    pooled = _pooled(part, heights, mark)
    marks = list(dict.fromkeys(r["mark"] for r in by_shot))
    tape = _tape(facts, setup, limit) if taped is not None else None
    agreement = _agreement(part, len(by_shot))
    suspects = _suspects(facts)
    odd = _odd_mark(facts, suspects, mark)
    tests_tape = tape is not None and tape["redundancy"] > 1e-8
    return {
        "schema": SCHEMA,
        "job": _head(job),
        "heightnet": {"version": heightnet.__version__},
        "setup": setup,
        "over": mark or None,
        "over_known": mark in heights,
        "taped_m": number(taped),
        "taped_sd_mm": number(taped_sd, 1000),
        "tolerance_mm": limit * 1000,
        "marks": marks,
        "by_shot": by_shot,
        "together": pooled,
        "agreement": agreement,
        "tape": tape,
        "can_tell_mark_from_tape": len(marks) >= MARKS_TO_DECIDE,
        "suspects": suspects,
        "odd_mark": odd,
        "verdict": _verdict(by_shot, tape if tests_tape else None, agreement, odd, len(marks), taped is not None),
    }


def exit_status(facts: Record) -> int:
    """0: accepted, or found from marks that agree without any tape; 1: rejected, undecided or untested."""
    return 0 if facts["verdict"] in ("accept", "determined") else 1


def _head(job: Job) -> Record:
    title = job.settings.title
    return {
        "name": job.name,
        "title": title,
        "length_unit": job.settings.units.length,
        "angle_unit": job.settings.units.angle,
        "invented": "invented" in title.lower(),
    }


def known_heights(job: Job) -> dict[str, tuple[float, float]]:
    """Height and sd (m) of every mark that known heights and levelling alone determine."""
    none = {t: getattr(job, t).iloc[:0] for t in ("setups", "targets", "shots", "tape", "gnss")}
    net = build_network(replace(job, **none))  # type: ignore[arg-type]
    if net.edge_count == 0 and not len(net.held):
        return {}
    fit = adjust(net.A, net.y, net.sd)
    tied = {p.label for p in net.pieces if p.tied}
    out = {}
    for node in np.flatnonzero(net.nodes.kind == "mark").tolist():
        column = int(net.nodes.column[node])
        if int(net.nodes.piece[node]) not in tied or not np.isfinite(net.nodes.height[node]):
            continue
        height, sd = float(net.nodes.height[node]), 0.0
        if column >= 0:
            height, sd = height + float(fit.x[column]), float(fit.sd_x[column])
        out[str(net.nodes.name[node])] = (height, sd)
    return out


def check_shots_of(job: Job, setup: str, known: set[str]) -> Job:
    """The job with nothing but this set-up, its shots to known marks, and all levelling."""
    own = job.setups[job.setups["setup"] == setup]
    on_known = job.targets[job.targets["mark"].isin(known)]
    shots = job.shots[(job.shots["setup"] == setup) & job.shots["target"].isin(on_known["target"])]
    targets = on_known[on_known["target"].isin(shots["target"])]
    stands = {("setup", setup), *(("target", t) for t in targets["target"])}
    stands |= {("tripod", t) for t in (*own["tripod"], *targets["tripod"]) if t}
    of = zip(job.tape["stand_kind"], job.tape["stand"], strict=True)
    tape = job.tape[np.array([s in stands for s in of], dtype=bool)]
    frames = {"setups": own, "targets": targets, "shots": shots, "tape": tape, "gnss": job.gnss.iloc[:0]}
    return replace(job, **{t: f.reset_index(drop=True) for t, f in frames.items()})  # type: ignore[arg-type]


def _without_tape(part: Job) -> Job:
    setups = part.setups.assign(height=np.nan)
    kept = part.tape[part.tape["stand_kind"] == "target"].reset_index(drop=True)
    return replace(part, setups=setups, tape=kept)


def _taped(net: Network) -> tuple[float | None, float | None]:
    """The set-up's height by its own tape readings, weighted, and its sd."""
    rows = net.rows(Kind.HEIGHT)
    own = np.flatnonzero(net.head[rows] == net.setup_node[0])
    if not len(own):
        return None, None
    weight = 1 / net.sd[rows][own] ** 2
    mean = float((weight * net.rise[rows][own]).sum() / weight.sum())
    return mean + float(net.setup_axis[0]), float(weight.sum() ** -0.5)


def _by_shot(net: Network, heights: dict[str, tuple[float, float]], mark: str) -> list[Record]:
    """The axis, and over a known mark the instrument height, by each shot:  Z = H + HT - rise of the shot."""
    out = []
    heights_rows, shots = net.rows(Kind.HEIGHT), net.rows(Kind.SHOT)
    under = heights.get(mark)
    for i, row in enumerate(range(shots.start, shots.stop)):
        node = int(net.head[row])
        on = str(net.nodes.name[net.nodes.mark[node]])
        at = heights_rows.start + np.flatnonzero(net.head[heights_rows] == node)
        if not len(at):
            continue
        weight = 1 / net.sd[at] ** 2
        target = float((weight * net.rise[at]).sum() / weight.sum())
        height, sd_mark = heights[on]
        axis = height + target - float(net.rise[row]) + float(net.setup_axis[0])
        bend = float(net.sights.bow[i]) * net.job.settings.air.refraction_sd
        variance = sd_mark**2 + 1 / float(weight.sum()) + float(net.sd[row]) ** 2 + bend**2
        shot = net.job.shots.iloc[i]
        out.append(
            {
                "mark": on,
                "target": str(shot["target"]),
                "file": net.job.files["shots"],
                "row": int(shot["row"]),
                "mark_height_m": height,
                "target_height_m": target + float(net.target_axis[net.shot_target[i]]),
                "rise_m": float(net.sights.rise[i]),
                "axis_m": axis,
                "axis_sd_mm": sqrt(variance) * 1000,
                "height_m": axis - under[0] if under else None,
                "height_sd_mm": sqrt(variance + under[1] ** 2) * 1000 if under else None,
            }
        )
    return out


def _pooled(part: Job, heights: dict[str, tuple[float, float]], mark: str) -> Record | None:
    """Axis, and instrument height over a known mark, from all marks together, without the tape."""
    net = build_network(_without_tape(part))
    if not len(net.job.shots):
        return None
    fit = adjust(net.A, net.y, net.sd)
    node = int(net.setup_node[0])
    column = int(net.nodes.column[node])
    if column < 0 or net.nodes.piece[node] != net.nodes.piece[0]:
        return None
    axis = float(net.nodes.height[node] + fit.x[column] + net.setup_axis[0])
    out: Record = {"axis_m": axis, "axis_sd_mm": float(fit.sd_x[column] * 1000), "height_m": None, "height_sd_mm": None}
    if mark in heights:
        under = int(net.nodes.mark[node])
        at = int(net.nodes.column[under])
        a = np.zeros(net.A.shape[1])
        a[column] = 1.0
        base = float(net.nodes.height[under])
        if at >= 0:
            a[at] -= 1.0
            base += float(fit.x[at])
        out["height_m"] = axis - base
        out["height_sd_mm"] = float(np.sqrt(a @ fit.solve(a))) * 1000
    return out


def _agreement(part: Job, shots: int) -> Record | None:
    """Whether the marks agree among themselves, the tape left out; None with fewer than two shots."""
    if shots < 2:
        return None
    net = build_network(_without_tape(part))
    bench = Bench(net)
    judgement = Judgement(bench)
    largest, fit = judgement.largest, bench.fit
    w = float(judgement.w[largest]) if largest >= 0 else None
    return {
        "redundancy": int(fit.dof),
        "chi2": float(fit.chi2),
        "largest_w": w,
        "largest_w_id": str(bench.family.ids[largest]) if largest >= 0 else None,
        "critical_w": number(bench.closing.k),
        "agree": not judgement.said,
    }


def _tape(facts: JobFacts | None, setup: str, limit: float) -> Record:
    """The tape against the marks: the error found in it, what would have been caught, and the risks."""
    none: Record = {
        "error_mm": None, "error_sd_mm": None, "redundancy": 0.0, "smallest_found_mm": None,
        "accept": None, "risk_accepting": None, "risk_rejecting": None, "false_rejection": None,
        "accepted_at_most_mm": None, "same_as": [],
    }  # fmt: skip
    if facts is None:
        return none
    wanted = np.flatnonzero(np.isin(facts.family.kind, ("setup", "tripod")))
    if not len(wanted):
        return none
    h = int(wanted[0])
    for one in wanted.tolist():
        if facts.family.node[one] == facts.net.setup_node[0]:
            h = one
    redundancy = float(facts.bench.classes.redundancy[h])
    if redundancy <= 1e-8:
        return none | {"same_as": []}
    error, sd, _ = facts.judgement.freed
    d, s = float(error[h]), float(sd[h])
    over = _beyond(d, s, limit)
    return {
        "error_mm": d * 1000,
        "error_sd_mm": s * 1000,
        "redundancy": redundancy,
        "smallest_found_mm": number(facts.promises.found[h], 1000),
        "accept": abs(d) <= limit,
        "risk_accepting": over,
        "risk_rejecting": 1 - over,
        "false_rejection": _beyond(0.0, s, limit),
        "accepted_at_most_mm": (limit + 1.645 * s) * 1000,
        "same_as": facts.same_as(h),
    }


def _beyond(mean: float, sd: float, limit: float) -> float:
    """Probability that a normal variable lies beyond +-limit.

    >>> round(_beyond(0.0, 1.0, 1.96), 3), round(_beyond(3.0, 1.0, 3.0), 3)
    (0.05, 0.5)
    """

    def below(x: float) -> float:
        return 0.5 * (1 + erf((x - mean) / (sd * sqrt(2))))

    return 1 - below(limit) + below(-limit)


def _suspects(facts: JobFacts | None) -> list[Record]:
    if facts is None:
        return []
    return [
        {key: s[key] for key in ("id", "error_mm", "error_sd_mm", "probability", "cause_text", "verdict")}
        for s in suspects(facts)
    ]


def _odd_mark(facts: JobFacts | None, suspects: list[Record], under: str) -> Record | None:
    """The mark whose known height, pole or shot is probably wrong, taken together; "tape" stands for the set-up's own.

    A mark shot once, its pole and its shot are one class: nothing tells them apart, but together they may be certain.
    """
    if facts is None or not suspects:
        return None
    job = facts.job
    total: dict[str, list[Record]] = {}
    on = dict(zip(job.targets["target"], job.targets["mark"], strict=True))
    shot_to = {str(row): on[target] for row, target in zip(job.shots["row"], job.shots["target"], strict=True)}
    own = (f"setup:{job.setups['setup'].iloc[0]}", *(f"tripod:{t}" for t in job.setups["tripod"] if t))
    for s in suspects:
        kind, _, name = s["id"].partition(":")
        mark = {"known": name, "target": on.get(name), "shot": shot_to.get(name.rpartition(":")[2])}.get(kind)
        if s["id"] in own or kind == "reading":
            mark = "tape"
        if mark:
            total.setdefault(mark, []).append(s)
    if not total:
        return None
    mark, members = max(total.items(), key=lambda item: sum(s["probability"] for s in item[1]))
    return {
        "mark": None if mark == "tape" else mark,
        "is_tape": mark in ("tape", under),
        "ids": [s["id"] for s in members],
        "probability": min(1.0, sum(s["probability"] for s in members)),
        "error_mm": members[0]["error_mm"],
        "error_sd_mm": members[0]["error_sd_mm"],
    }


def _verdict(
    by_shot: list[Record], tape: Record | None, agreement: Record | None, odd: Record | None, marks: int, taped: bool
) -> str:
    """accept, reject, mark_wrong, undecidable, marks_disagree, determined, untested or no_check_shots."""
    if not by_shot:
        return "no_check_shots"
    disagree = agreement is not None and not agreement["agree"]
    certain = odd is not None and odd["probability"] >= 0.5
    if certain and odd and not odd["is_tape"] and marks >= MARKS_TO_DECIDE:
        return "mark_wrong"
    if tape is None:
        if disagree:
            return "marks_disagree"
        return "untested" if taped else "determined"
    if not disagree and tape["accept"] and odd is None:
        return "accept"
    if marks == 1:
        return "undecidable"
    if disagree and not (certain and odd and odd["is_tape"]):
        return "marks_disagree"
    return "accept" if tape["accept"] and not certain else "reject"
