"""Check shots: the instrument height of one set-up by each known mark, together, and against the tape."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from math import hypot, sqrt

import numpy as np

from heightnet.adjust import adjust
from heightnet.errors import HeightnetError
from heightnet.job.model import Job
from heightnet.job.settings import with_tolerance
from heightnet.judge.judgement import CERTAIN, CONTRADICTED, UNEXPLAINED, UNTESTED, Finding, Judgement
from heightnet.judge.large import bench_for
from heightnet.judge.promises import promises
from heightnet.judge.reduction import UNTESTABLE
from heightnet.kinds.stands import recorded_heights, stand_heights
from heightnet.ledger.thing import TOGETHER, Thing, ids_of, row_ids
from heightnet.network import build_network
from heightnet.network.model import Network
from heightnet.tasks import judgement_facts
from heightnet.tasks.bust import factors
from heightnet.tasks.doubted import read_with_doubt
from heightnet.tasks.facts import JobFacts, Record, head, number
from heightnet.tasks.height_facts import HeightFacts
from heightnet.tasks.named import ids_in, named
from heightnet.tasks.prove_votes import by_mark, remedies, sides
from heightnet.tasks.risk import risk_of, verdict_of

SCHEMA = "heightnet-prove/3"
TAPE, OTHER = "the tape", "something else"  # whom a finding blames, beside marks
NOTHING = {
    "state": UNTESTED, "relative": False, "said": False, "probability": 0.0, "explained": True, "blunders": 0,
    "bears": None, "searched": 1.0, "stopped": "", "second_search": "not made",
}  # fmt: skip


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
    WrongSettings : the tolerance keeps no rule.
    """
    mark = _mark_under(job, setup)
    job = with_tolerance(job, tolerance)
    heights = known_heights(job)
    part = check_shots_of(job, setup, set(heights))
    net = build_network(part)
    facts = _judged(net)
    taped, taped_sd = (number(values[0]) for values in recorded_heights(net, "setup"))
    pooled = _pooled(part, heights, mark)
    by_shot = _by_shot(net, heights, mark)
    apart = _apart(by_shot, pooled, taped)
    marks = list(dict.fromkeys(r["mark"] for r in by_shot))
    tape = _tape(facts, part.settings.test.tolerance_mm / 1000, mark) if taped is not None else None
    blamed = _blamed(facts, mark) if facts else []
    agreement = _agreement(part, len(by_shot))
    verdict = _verdict(facts, blamed, tape, marks, by_shot, agreement)
    findings = judgement_facts.findings(facts) if facts else []
    suspects = judgement_facts.suspects(facts) if facts else []
    spoken = [*ids_in(findings)] + (tape["same_as"] if tape else [])
    if agreement and agreement["largest_w_id"]:
        spoken.append(agreement["largest_w_id"])
    return {
        **head(job, SCHEMA),
        "setup": setup,
        "over": mark or None,
        "over_known": mark in heights,
        "taped_m": number(taped),
        "taped_sd_mm": number(taped_sd, 1000),
        "taped_apart_mm": apart,
        "known_marks": marks,
        "by_shot": by_shot,
        **_voices(by_shot, heights.get(mark), taped, taped_sd),
        "together": pooled,
        "agreement": agreement,
        "tape": tape,
        **_in_doubt(by_shot, heights.get(mark), taped_sd, tape if verdict == "too_weak" else None, part),
        "fit": factors(facts) if facts else {"redundancy": 0, "tape_factor": 1.0, "sight_factor": 1.0},
        "judgement": judgement_facts.in_short(facts) if facts else NOTHING,
        "verdict": verdict,
        "findings": findings,
        "blamed": blamed,
        "suspects": suspects,
        **read_with_doubt(job, [*spoken, *_rests_on(setup, job, by_shot, marks)]),
        **named(net, [*spoken, *(s["id"] for s in suspects)]),
    }


def _rests_on(setup: str, job: Job, by_shot: list[Record], marks: list[str]) -> Iterator[str]:
    """Ids of the set-up, of the known marks that it sights, and of those sights."""
    yield str(Thing("setup", setup))
    yield from ids_of("known", marks)
    yield from row_ids("shot", job.files["shots"], (shot["row"] for shot in by_shot))


def _voices(
    by_shot: list[Record], under: tuple[float, float] | None, taped: float | None, taped_sd: float | None
) -> Record:
    """The marks with their repeats pooled, and who stands against whom, the tape among them."""
    voices = by_mark(by_shot)
    base = None if taped is None or under is None else under[0] + taped
    sd = hypot(taped_sd or 0.0, under[1] if under else 0.0)
    return {"by_mark": voices, "sides": sides(voices, base, sd * 1000)}


def _in_doubt(
    by_shot: list[Record], under: tuple[float, float] | None, taped_sd: float | None, weak: Record | None, part: Job
) -> Record:
    """What the doubt comes from; and of a check too weak to decide on the tape what would decide."""
    doubt = _doubt(by_shot, under, taped_sd)
    off = weak["error_mm"] if weak else None
    limit = part.settings.test.tolerance_mm
    return {"doubt": doubt, "remedies": [] if off is None else remedies(by_shot, doubt, off, limit)}


def _mark_under(job: Job, setup: str) -> str:
    """ "" of a free set-up; raises HeightnetError where there is no such set-up."""
    setups = job.setups[job.setups["setup"] == setup]
    if not len(setups):
        names = ", ".join(job.setups["setup"].astype(str).head(12))
        raise HeightnetError(f"--setup {setup}: no such set-up in {job.name}. Set-ups: {names or 'none'}.")
    return str(setups["mark"].iloc[0])


def exit_status(facts: Record) -> int:
    """0: accepted, or found from marks that agree without any tape; 1: contradicted, too weak or untested."""
    return 0 if facts["verdict"] in ("accept", "determined") else 1


def _judged(net: Network) -> JobFacts | None:
    """The check shots judged, None where nothing ties two places together."""
    if not net.edge_count:
        return None
    bench = bench_for(net, events=False)  # few sights: what moved between them could explain any two of them
    return JobFacts(Judgement(bench), promises(bench), bench.fit)


def known_heights(job: Job) -> dict[str, tuple[float, float]]:
    """Height and sd (m) of every mark that known heights and levelling alone determine."""
    none = {t: job.tables[t].iloc[:0] for t in ("setups", "targets", "shots", "tape", "gnss")}
    net = build_network(job.with_tables(**none))
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
    return job.with_tables(**{t: f.reset_index(drop=True) for t, f in frames.items()})


def _without_tape(part: Job) -> Job:
    setups = part.setups.assign(height=np.nan)
    kept = part.tape[part.tape["stand_kind"] == "target"].reset_index(drop=True)
    return part.with_tables(setups=setups, tape=kept)


def _by_shot(net: Network, heights: dict[str, tuple[float, float]], mark: str) -> list[Record]:
    """The axis, and over a known mark the instrument height, by each shot:  Z = H + HT - rise of the shot."""
    out = []
    shots, stands = net.rows("shot"), stand_heights(net)
    under = heights.get(mark)
    for i, row in enumerate(range(shots.start, shots.stop)):
        node = int(net.head[row])
        on = str(net.nodes.name[net.nodes.mark[node]])
        target, sd_target = (float(values[node]) for values in stands)
        if not np.isfinite(target):
            continue
        height, sd_mark = heights[on]
        axis = height + target - float(net.rise[row]) + float(net.setup_axis[0])
        bend = float(net.sights.bow[i]) * net.job.settings.air.refraction_sd
        variance = sd_mark**2 + sd_target**2 + float(net.sd[row]) ** 2 + bend**2
        shot = net.job.shots.iloc[i]
        out.append(
            {
                "mark": on,
                "target": str(shot["target"]),
                "face": str(shot["face"]),
                "file": net.job.files["shots"],
                "row": int(shot["row"]),
                "mark_height_m": height,
                "target_height_m": target + float(net.target_axis[net.shot_target[i]]),
                "rise_m": float(net.sights.rise[i]),
                "sight_sd_mm": sqrt(float(net.sd[row]) ** 2 + bend**2) * 1000,
                "bend_sd_mm": bend * 1000,
                "mark_sd_mm": sd_mark * 1000,
                "target_sd_mm": sd_target * 1000,
                "distance_m": float(net.sights.horizontal[i]),
                "axis_m": axis,
                "axis_sd_mm": sqrt(variance) * 1000,
                "height_m": axis - under[0] if under else None,
                "height_sd_mm": sqrt(variance + under[1] ** 2) * 1000 if under else None,
            }
        )
    return out


def _doubt(by_shot: list[Record], under: tuple[float, float] | None, taped_sd: float | None) -> list[Record]:
    """Where the standard deviation of tape less marks comes from, the largest part first."""
    weight = np.array([shot["axis_sd_mm"] ** -2.0 for shot in by_shot])
    if not len(weight):
        return []
    weight /= weight.sum()
    parts = {
        of: float(np.sqrt(np.sum((weight * [shot[f"{one}_sd_mm"] for shot in by_shot]) ** 2)))
        for of, one in (("sights", "sight"), ("marks", "mark"), ("poles", "target"))
    }
    parts |= {"under": under[1] * 1000 if under else 0.0, "tape": number(taped_sd, 1000) or 0.0}
    order = sorted(parts, key=lambda of: -round(parts[of], 9))
    return [{"of": of, "sd_mm": parts[of]} for of in order if parts[of] > 0]


def _apart(by_shot: list[Record], pooled: Record | None, taped: float | None) -> float | None:
    """Put into each shot how far it is from all together, mm; returns the same of the tape."""
    key = "height_m" if pooled and pooled["height_m"] is not None else "axis_m"
    for shot in by_shot:
        shot["apart_mm"] = (shot[key] - pooled[key]) * 1000 if pooled else None
    return None if taped is None or pooled is None or key == "axis_m" else (taped - pooled[key]) * 1000


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
    bench = bench_for(build_network(_without_tape(part)), events=False)
    judgement = Judgement(bench)
    largest = judgement.largest
    return {
        "redundancy": int(bench.fit.dof),
        "chi2": float(bench.fit.chi2),
        "largest_w": float(judgement.w[largest]) if largest >= 0 else None,
        "largest_w_id": str(bench.family.ids[largest]) if largest >= 0 else None,
        "critical_w": number(bench.closing.k),
        "agree": not judgement.said,
    }


def _tape(facts: JobFacts | None, limit: float, under: str) -> Record:
    """The tape against the marks: the error found in it, how large one would have shown, and the risks.

    risk_accepting : chance that it is off by more than the tolerance, it or what looks the same; risk_rejecting : that
        it is not.
    """
    h = _hypothesis(facts) if facts else None
    redundancy = float(facts.bench.classes.redundancy[h]) if facts and h is not None else 0.0
    if facts is None or h is None or redundancy <= UNTESTABLE:
        return {
            "id": None, "error_mm": None, "error_sd_mm": None, "w": None, "redundancy": 0.0, "smallest_found_mm": None,
            "verdict": "unproved", "probability": None, "risk_accepting": None, "risk_rejecting": None, "same_as": [],
        }  # fmt: skip
    error, sd, w = (values[facts.family.node[h]] for values in HeightFacts(facts).tests)
    over = risk_of(facts.judgement, h, limit, lambda k: _party(facts, k, under) in (TAPE, OTHER))
    return {
        "id": str(facts.family.ids[h]),
        "error_mm": number(error, 1000),
        "error_sd_mm": number(sd, 1000),
        "w": number(w),
        "redundancy": redundancy,
        "smallest_found_mm": number(facts.promises.found[h], 1000),
        "verdict": str(facts.verdicts[h]),
        "probability": facts.chance(facts.bench.places.key_of(h)),
        "risk_accepting": over,
        "risk_rejecting": None if over is None else 1 - over,
        "same_as": [id_ for id_ in facts.same_as(h) if Thing.of(id_).kind not in TOGETHER],
    }


def _hypothesis(facts: JobFacts) -> int | None:
    """The one about the set-up's height as a whole."""
    about = facts.family.of("setup", "tripod") & (facts.family.node == facts.net.setup_node[0])
    return int(np.flatnonzero(about)[0]) if about.any() else None


# ---- whom the findings blame ----


def _blamed(facts: JobFacts, under: str) -> list[list[str]]:
    """For each finding whom it blames, likeliest first, until nine tenths of it are told: marks, the tape (with the
    mark under it, which looks the same), or something else.

    A mark's known height, the pole on it and the sight to it are one: nothing tells them apart.  Errors common to all
    shots look like one of the tape; they are listed, and clear nobody.
    """
    return [_parties(facts, finding, under) for finding in facts.judgement.findings]


def _parties(facts: JobFacts, finding: Finding, under: str) -> list[str]:
    single = [m for m in finding.members if facts.family.kind[m.hypothesis] not in TOGETHER]
    held: dict[str, float] = defaultdict(float)
    for member in single or finding.members:
        held[_party(facts, member.hypothesis, under)] += member.probability
    out: list[str] = []
    told = 0.0
    for party in sorted(held, key=lambda p: -round(held[p], 9)):
        if told >= CERTAIN * sum(held.values()):
            break
        out.append(party)
        told += held[party]
    return out


def _party(facts: JobFacts, h: int, under: str) -> str:
    net, family = facts.net, facts.family
    kind, node = str(family.kind[h]), int(family.node[h])
    own = int(net.setup_node[0])
    if kind == "known":
        name = str(net.nodes.name[node])
        return TAPE if name == under else name
    touched = {int(n) for n in net.head[family.members(h)]}
    if own in touched and kind != "shot":
        return TAPE
    if kind in ("target", "tripod", "reading"):
        return str(net.nodes.name[net.nodes.mark[node]])
    if kind == "shot":
        return str(net.nodes.name[net.nodes.mark[touched.pop()]])
    return OTHER


def _verdict(
    facts: JobFacts | None,
    blamed: list[list[str]],
    tape: Record | None,
    marks: list[str],
    by_shot: list[Record],
    agreement: Record | None,
) -> str:
    """accept, too_weak, reject, mark_wrong, undecidable, marks_disagree, determined, untested or no_check_shots."""
    if not by_shot or facts is None:
        return "no_check_shots"
    judgement = facts.judgement
    contradicted = judgement.state in CONTRADICTED
    tested = tape is not None and tape["redundancy"] > UNTESTABLE
    by_risk = verdict_of(tape["risk_accepting"]) if tape is not None and tested else "untested"
    if not contradicted:
        return by_risk if tape is not None else "determined"
    told = [parties for parties, f in zip(blamed, judgement.findings, strict=True) if f.level > 0]
    disagree = agreement is not None and not agreement["agree"]
    if len(marks) == 1 and tested:
        return "undecidable"
    if told and judgement.state != UNEXPLAINED and not (len(told) > 1 and disagree):
        if [TAPE] in told:
            return by_risk if by_risk != "untested" else "reject"
        if len(told) == 1 and len(told[0]) == 1:
            return "mark_wrong" if told[0][0] != OTHER else by_risk if tested else "too_weak"
    return "marks_disagree" if (disagree or not tested) and len(marks) > 1 else "undecidable"
