"""What only many jobs together can tell: offsets of equipment and people, changes, rates of blunders."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from datetime import date

import numpy as np
from scipy.special import ndtri

from heightnet.archives.change import Step, find_step
from heightnet.archives.mixed import Model, apart
from heightnet.archives.rates import count_interval, estimate_rate, estimate_rates
from heightnet.archives.sums import Counts, Information, Tally, TimeLine, block_of, plain
from heightnet.archives.things import KINDS, MEASURES, Measure, Shared
from heightnet.judge.critical import sidak_value
from heightnet.ledger.archive import ACROSS_SCHEMA
from heightnet.ledger.thing import Thing
from heightnet.rows import Record

Records = Callable[[], Iterable[Record]]

FALSE_ALARM = 0.01  # chance that anything in an archive without offsets, or without changes, is said to have one
POWER = 0.80
NEWLY_M = (0.0, 0.0003, 0.0006, 0.0012, 0.0025)  # sds tried of the error that a thing has anew in each job
WORTH_IT = 2.0  # gain in the logarithm of the likelihood from which such an error is assumed
AGREE_JOBS = 3  # jobs whose heights of one thing were let go, from which they are compared with one another
MOST_ROUNDS = 8
SLIGHT = 0.5  # of what matters, under which an error beyond chance is of no consequence


def across_jobs(records: Records, false_alarm: float = FALSE_ALARM) -> Record:
    """The facts of many jobs together.

    Raises HeightnetError where a record was made by another version.

    Parameters
    ----------
    records : gives those of `heightnet.archives.reduced.reduced_job` anew each time it is called, for they are gone
        through several times.  Neither their order nor how an archive is divided matters.
    false_alarm : chance that an archive with no offset at all gets any, and that one with no change gets any.

    Returns
    -------
    dict : as `heightnet.ledger.archive.ACROSS` declares it.
    """
    counts = Counts()
    for record in records():
        counts.add(record)
    solved, steps = _with_changes(records, false_alarm)
    critical = sidak_value(max(1, int(np.isfinite(solved.model.sd).sum())), false_alarm)
    facts: Record = {
        "schema": ACROSS_SCHEMA,
        "jobs": counts.jobs,
        "dated": counts.days.total(),
        "first_day": _day(min(counts.days, default=None)),
        "last_day": _day(max(counts.days, default=None)),
        "stands": counts.stands,
        "false_alarm": false_alarm,
        "critical_w": critical,
        "newly_mm": solved.newly * 1000,
        "usual": _usual(solved.model),
        **_things(solved, counts, critical),
        "changes": _changes(solved, steps),
        **_blunders(counts),
    }
    return dict(plain(facts))


# ---- offsets, and the days on which they changed ----


class _Solved:
    """An archive whose things changed on the days given.

    newly : sd of the error that a thing has anew in each job, m, as assumed; asked : as these jobs ask for it.
    lines : the time lines of the things, by position; only where ``newly`` is given.
    """

    def __init__(self, records: Records, changed: dict[Shared, int], newly: float | None = None) -> None:
        self.information = Information(NEWLY_M)
        self.lines: dict[int, TimeLine] = defaultdict(TimeLine)
        chosen = 0 if newly is None else NEWLY_M.index(newly)
        for record in records():
            block = block_of(record, changed)
            at, u, G = self.information.add(block)
            if newly is not None and block.day is not None:
                for i in np.flatnonzero(np.diag(block.G) > 0).tolist():
                    self.lines[int(at[i])].add(block.day, at, u[chosen, i], G[chosen, i])
        self.things = list(self.information.at)
        kinds = [shared.thing.kind for shared in self.things]
        total = [self.information.total(k) for k in range(len(NEWLY_M))]
        first = Model(kinds, *total[0])
        likelihood = [Model(kinds, *sums, penalty=first.penalty).log_likelihood for sums in total]
        best = int(np.argmax(likelihood))
        self.asked = NEWLY_M[best] if likelihood[best] > likelihood[0] + WORTH_IT else 0.0
        self.newly = self.asked if newly is None else newly
        k = NEWLY_M.index(self.newly)
        self.model = Model(kinds, *total[k]) if k else first


def _with_changes(records: Records, false_alarm: float) -> tuple[_Solved, dict[Shared, Step]]:
    """Solve, look for changes, divide what changed into before and after, and again until nothing more changes.

    A change that was not found yet looks like errors that are new in each job; so these are estimated anew after it.
    """
    steps: dict[Shared, Step] = {}
    changed: dict[Shared, int] = {}
    newly = _Solved(records, changed).asked
    for _ in range(MOST_ROUNDS):
        solved = _Solved(records, changed, newly)
        fresh = _steps(solved, false_alarm)
        if not fresh and solved.asked >= newly:
            return solved, steps
        steps |= fresh
        changed |= {thing: step.first_after for thing, step in fresh.items()}
        newly = min(newly, solved.asked)
    return _Solved(records, changed, newly), steps


def _steps(solved: _Solved, false_alarm: float) -> dict[Shared, Step]:
    """The surest change of each part of the archive, where it is sure enough for all of the archive's things."""
    model, lines, tried = solved.model, solved.lines, []
    for piece in model.pieces:
        found = ((find_step(model, piece, i, lines[i]), solved.things[i]) for i in piece.at.tolist() if i in lines)
        tried.append([(step, thing) for step, thing in found if step])
    number = sum(map(len, tried))
    level = -np.expm1(np.log1p(-false_alarm) / number) if number else 0.0
    surest = [min(steps, key=lambda s: (s[0].chance, -abs(s[0].w), str(s[1]))) for steps in tried if steps]
    return {thing: step for step, thing in surest if step.chance <= level}


def _things(solved: _Solved, counts: Counts, critical: float) -> dict[str, list[Record]]:
    """The lists of things, by what is measured of them, in order of |w|."""
    model, information, things = solved.model, solved.information, solved.things
    separate = apart(model, information.own)
    jobs, heights = information.jobs.tolist(), information.heights.tolist()
    out: dict[str, list[Record]] = {measure.list: [] for measure in MEASURES}
    for i, (thing, since, until) in enumerate(things):
        measure, partners = KINDS[thing.kind], separate.partners.get(i, [])
        unit, factor = measure.unit, measure.factor
        known = jobs[i] > 0 and np.isfinite(model.sd[i])
        error, sd = (model.error[i], model.sd[i]) if known else (np.nan, np.nan)
        detectable = (critical + ndtri(POWER)) * sd
        record: Record = {
            "thing": str(things[i]),
            "kind": thing.kind,
            "name": thing.name,
            "since": _day(since),
            "until": _day(until),
            "jobs": jobs[i],
            "heights": heights[i],
            f"error_{unit}": error * factor,
            f"error_sd_{unit}": sd * factor,
            "w": error / sd,
            f"smallest_detectable_{unit}": detectable * factor,
            f"predicted_{unit}": model.predicted[i] * factor,
            "left": separate.left[i],
            "verdict": "together" if known and partners else _verdict(measure, error, sd, critical, detectable),
            "together": [
                {"thing": str(things[j]), "seen": "sum" if sign < 0 else "difference"} for j, sign in partners
            ],
            "let_go": _let_go(counts, thing, measure),
        }
        out[measure.list].append(record)
    for records in out.values():
        records.sort(key=lambda r: (-np.nan_to_num(abs(r["w"])), r["thing"]))
    return out


def _usual(model: Model) -> dict[str, Record]:
    out = {}
    for kind, scale in sorted(model.scale.items()):
        measure = KINDS[kind]
        out[kind] = {f"sd_{measure.unit}": scale * measure.factor, "things": int(np.sum(model.kind == kind))}
    return out


def _verdict(measure: Measure, error: float, sd: float, critical: float, detectable: float) -> str:
    matters = measure.matters / measure.factor
    if np.isnan(error):
        return "unseen"
    if abs(error) > critical * sd:
        return "slight" if abs(error) + 1.96 * sd < SLIGHT * matters else "wrong"
    return "right" if detectable <= matters else "weak"


def _let_go(counts: Counts, thing: Thing, measure: Measure) -> Record | None:
    """What the jobs say together in which this thing's heights were let go as blunders."""
    if thing not in counts.let_go:
        return None
    jobs, weight, first, second = counts.let_go[thing].tolist()
    mean, sd = first / weight, weight**-0.5
    scatter = (second - first * mean) / max(jobs - 1, 1)
    return {
        "jobs": int(jobs),
        f"error_{measure.unit}": mean * measure.factor,
        f"error_sd_{measure.unit}": sd * measure.factor,
        "agree": jobs >= AGREE_JOBS and scatter < 4.0 and abs(mean) > 4.0 * sd,
    }


def _changes(solved: _Solved, steps: dict[Shared, Step]) -> list[Record]:
    model, at, out = solved.model, solved.information.at, []
    for shared, step in steps.items():
        thing, measure = shared.thing, KINDS[shared.thing.kind]
        factor = measure.factor
        sides: dict[str, float | None] = {}
        for side, day in (("before", step.first_after - 1), ("after", step.first_after)):
            i = at.get(shared.on(day, {shared: step.first_after}))  # a side that changed again is not one thing
            sides |= {side: None, f"{side}_sd": None} if i is None else {
                side: model.error[i] * factor, f"{side}_sd": model.sd[i] * factor}  # fmt: skip
        out.append(
            {
                "thing": str(thing), "kind": thing.kind, "name": thing.name, "unit": measure.unit, **sides,
                "change": step.size * factor, "change_sd": step.sd * factor, "w": step.w, "chance": step.chance,
                "from_day": _day(step.from_day), "to_day": _day(step.to_day),
                "likeliest_from": _day(step.last_before), "likeliest_to": _day(step.first_after),
                "jobs_before": step.jobs_before, "jobs_after": step.jobs_after,
                "since": _day(shared.since), "until": _day(shared.until),
            }
        )  # fmt: skip
    return sorted(out, key=lambda c: (-abs(c["w"]), c["thing"], c["from_day"]))


# ---- blunders ----


def _blunders(counts: Counts) -> Record:
    tested, all_methods = counts.stands["tested"], Tally()
    for tally in counts.by["method"].values():
        all_methods.add_evidence([(b, n, total / n) for b, (n, total) in tally.bins.items()])
    mean = counts.stands["expected"] / tested if tested else 0.02
    overall = estimate_rate(*all_methods.factors, min(max(mean, 1e-4), 0.5)).rate if all_methods.bins else mean
    lists = {"observer": "observers", "method": "methods", "equipment": "equipment"}
    return {
        "rates": _rates(counts),
        "rate_of_heights": overall,
        **{lists[of]: _ranked(tallies, overall) for of, tallies in counts.by.items()},
        "causes": _causes(counts),
    }


def _rates(counts: Counts) -> dict[str, Record]:
    """Rates by kind, of the kinds that something tests."""
    classes = [
        ({kind: float(n) for kind, _, n in (part.partition(":") for part in made_of.split())}, tally.factors)
        for made_of, tally in sorted(counts.classes.items())
        if made_of
    ]
    kinds = sorted({kind for numbers, _ in classes for kind in numbers})
    if not kinds:
        return {}
    members = np.array([[numbers.get(kind, 0.0) for kind in kinds] for numbers, _ in classes])
    made_of = np.repeat(members, [len(factors[0]) for _, factors in classes], axis=0)
    count, factor = (np.concatenate(part) for part in zip(*(factors for _, factors in classes), strict=True))
    assumed = np.array([counts.stated[kind] for kind in kinds]) / counts.jobs
    out = {}
    for kind, rate, before, tested in zip(
        kinds, estimate_rates(made_of, count, factor, assumed), assumed, count @ made_of, strict=True
    ):
        low, high = rate.interval()
        out[kind] = {"rate": rate.rate, "low": low, "high": high, "assumed": before,
                     "hypotheses": round(float(tested)), "expected": rate.expected}  # fmt: skip
    return out


def _ranked(tallies: dict[str, Tally], overall: float) -> list[Record]:
    """Wrong heights by name, those of the highest rate first."""
    out = []
    for name, tally in tallies.items():
        found = estimate_rate(*tally.factors, overall)
        low, high = found.interval()
        surely, _ = found.interval(1 - 2 * FALSE_ALARM / len(tallies))
        out.append({"name": name, "heights": tally.heights, "tested": tally.tested, "expected": found.expected,
                    "rate": found.rate, "low": low, "high": high, "stands_out": surely > overall})  # fmt: skip
    return sorted(out, key=lambda r: (-r["rate"], r["name"]))


def _causes(counts: Counts) -> list[Record]:
    total, thousands = sum(counts.causes.values()), max(counts.stands["tested"], 1.0) / 1000
    out = []
    for cause, expected in sorted(counts.causes.items(), key=lambda item: (-item[1], item[0])):
        low, high = count_interval(expected)
        out.append({"cause": cause, "expected": expected, "share": expected / total,
                    "per_thousand": expected / thousands, "low": low / thousands,
                    "high": high / thousands})  # fmt: skip
    return out


def _day(day: int | None) -> str | None:
    return None if day is None else date.fromordinal(day).isoformat()
