"""What only many jobs together can tell: offsets of equipment and people, changes, rates of blunders."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Iterable, Iterator
from datetime import date
from typing import IO, Any

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from heightnet.archive.change import LEAST_JOBS, Step, find_step
from heightnet.archive.mixed import Apart, Model, apart
from heightnet.archive.rates import Rate, count_interval, estimate_rate, estimate_rates
from heightnet.archive.sums import REDUCED, Counts, Index, Information, Split, Tally, TimeLine, block_of, mapped
from heightnet.errors import HeightnetError
from heightnet.judge.critical import sidak_value
from heightnet.ledger.thing import Thing
from heightnet.rows import Record

Floats = npt.NDArray[np.float64]
Records = Callable[[], Iterator[Record]]

SCHEMA = "heightnet-across/1"

FALSE_ALARM = 0.01  # chance that anything in an archive without offsets, or without changes, is said to have one
POWER = 0.80
NEWLY_M = (0.0, 0.0003, 0.0006, 0.0012, 0.0025)  # sds tried of the error that a thing has anew in each job
WORTH_IT = 2.0  # gain in the logarithm of the likelihood from which such an error is assumed
RIGHT = {"offset": 2.0, "scale": 1.0, "index": 10.0}  # mm, mm/m, sec: such an error must show for "right" to be said
AGREE_JOBS = 3  # jobs whose heights of one thing were let go, from which they are compared with one another
MOST_ROUNDS = 8
SLIGHT = 0.5  # of that, under which an error beyond chance is of no consequence
UNITS = {"offset": ("mm", 1e3), "scale": ("mm_per_m", 1e3), "index": ("sec", 180 * 3600 / np.pi)}
LISTS = {"offset": "offsets", "scale": "scales", "index": "indexes"}


def across_jobs(
    records: Iterable[Record] | Records, hide: Callable[[str], str] | None = None, false_alarm: float = FALSE_ALARM
) -> Record:
    """The facts of many jobs together.

    Raises HeightnetError where a record was made by another version.

    Parameters
    ----------
    records : of `heightnet.archive.reduced.reduced_job`.  They are gone through several times: a list, an object that
        can be iterated anew, or a function that returns a new iterator; an iterator is copied to a temporary file.
        Neither their order nor how an archive is divided matters.
    hide : how observers are shown, name to code; by default as the records have them.
    false_alarm : chance that an archive with no offset at all gets any, and that one with no change gets any.

    Returns
    -------
    schema, jobs, dated, first_day, last_day : ``heightnet-across/1``; the days ISO or None.
    stands : {all, tested, expected}: heights, those that something tests, expected number of wrong ones.
    false_alarm, critical_w : and the value that |w| of a thing must exceed to be called wrong.
    newly_mm : sd of an error that each thing has anew in each job, 0 where the jobs do not ask for one.
    usual : {kind: {sd_mm | sd_mm_per_m | sd_sec, things}}: the scale of the errors of a kind in the mixed model.
    offsets[] : {thing, kind, name, jobs, heights, error_mm, error_sd_mm, w, smallest_detectable_mm, predicted_mm,
        left, verdict, together[], let_go, since, until}, in order of |w|.  ``verdict``: "wrong"; "slight" (beyond
        chance, but surely under half of `RIGHT`); "right" (an error as large as `RIGHT` would have shown); "weak" (it
        would not); "together" (it cannot be told from the things in ``together``); "unseen" (no job shows it).
        ``together[]``: {thing, seen}: "sum" or "difference", what alone of the two errors is seen.  ``left``: part of
        its information that needs no assumption about other things.
        ``let_go``: {jobs, error_mm, error_sd_mm, agree}: what the jobs say in which its heights were let go.
    scales[], indexes[] : likewise, ``_mm_per_m`` and ``_sec`` in place of ``_mm``.
    changes[] : {thing, kind, name, unit, before, before_sd, after, after_sd, change, change_sd, w, chance, from_day,
        to_day, likeliest_from, likeliest_to, jobs_before, jobs_after}: from_day to to_day holds the change with
        probability .95, the likeliest gap between two jobs is likeliest_from to likeliest_to; unit "mm", "mm_per_m"
        or "sec".  A thing that changed is in the lists once for each of its times, with ``since`` and ``until``.
    rates : {kind: {rate, low, high, assumed, hypotheses, expected}} for ``[rates]``, intervals of 95 %.
    observers[], methods[], equipment[] : {name, heights, tested, expected, rate, low, high, stands_out}, rate of wrong
        heights; stands_out: surely more often than all together.
    causes[] : {cause, expected, share, per_thousand, low, high}: per thousand heights that something tests.
    """
    again, opened = _again(records)
    try:
        return _facts(mapped(again, hide) if hide else again, false_alarm)
    finally:
        if opened:
            opened.close()


def _again(records: Iterable[Record] | Records) -> tuple[Records, IO[str] | None]:
    """A function that goes through the records anew each time, and the file behind it where one was needed."""
    if callable(records):
        return records, None
    iterator = iter(records)
    if iterator is not records:
        return lambda: iter(records), None
    file = tempfile.TemporaryFile("w+", encoding="utf-8")  # noqa: SIM115 (the caller closes it)
    for record in iterator:
        file.write(json.dumps(record) + "\n")

    def anew() -> Iterator[Record]:
        file.seek(0)
        return map(json.loads, file)

    return anew, file


def _facts(records: Records, false_alarm: float) -> Record:
    counts = Counts()
    for record in records():
        if record["schema"] != REDUCED:
            text = f"was made by another version of heightnet ({record['schema']}, not {REDUCED}): check the job again."
            raise HeightnetError(f"{record['job']}: its record {text}")
        counts.add(record)
    found = _with_changes(records, false_alarm)
    things = _things(found, counts, false_alarm)
    facts: Record = {
        "schema": SCHEMA,
        "jobs": counts.jobs,
        "dated": counts.dated,
        "first_day": _day(counts.first),
        "last_day": _day(counts.last),
        "stands": {key: _plain(counts.stands[key]) for key in ("all", "tested", "expected")},
        "false_alarm": false_alarm,
        "critical_w": _plain(sidak_value(max(1, _testable(found.model)), false_alarm)),
        "newly_mm": found.newly * 1000,
        "usual": _usual(found.model),
        **{LISTS[what]: [t for t in things if _what(t["kind"]) == what] for what in UNITS},
        "changes": _changes(found, {t["thing"]: t for t in things}),
        **_blunders(counts),
    }
    return facts


# ---- offsets, and the days on which they changed ----


class _Found:
    """A solved archive: its things by position, and the steps by which things were divided.

    newly : sd of the error that a thing has anew in each job, m, as assumed; asked : as these jobs ask for it.
    """

    splits: dict[str, list[Split]]
    steps: dict[str, Step]

    def __init__(self, records: Records, splits: dict[str, list[Split]], newly: float | None) -> None:
        index = Index()
        self.information = Information(index, np.array(NEWLY_M))
        self.lines: dict[int, TimeLine] = {}
        chosen = NEWLY_M.index(newly) if newly is not None else -1
        for record in records():
            block = block_of(record, splits)
            at, u, G = self.information.add(block)
            if block.day is None or chosen < 0:
                continue
            for k in np.flatnonzero(np.diag(block.G) > 0).tolist():
                line = self.lines.setdefault(int(at[k]), TimeLine())
                line.add(block.day, at, float(u[chosen, k]), G[chosen, k])
        self.names = list(index.at)
        kinds = [Thing.of(name).kind for name in self.names]
        constant = self.information.constant
        first = Model(kinds, *self.information.total(), constant[0])
        same = [
            Model(kinds, *self.information.total(k), constant[k], penalty=first.penalty) for k in range(len(NEWLY_M))
        ]
        likelihood = np.array([m.log_likelihood for m in same])
        best = int(np.argmax(likelihood))
        self.asked = NEWLY_M[best] if likelihood[best] > likelihood[0] + WORTH_IT else 0.0
        self.newly = self.asked if newly is None else newly
        k = NEWLY_M.index(self.newly)
        self.model = Model(kinds, *self.information.total(k), constant[k]) if k else first


def _with_changes(records: Records, false_alarm: float) -> _Found:
    """Solve, look for changes, divide what changed into before and after, and again until nothing more changes.

    A change that was not found yet looks like errors that are new in each job; so these are estimated anew after it.
    """
    splits: dict[str, list[Split]] = {}
    steps: dict[str, Step] = {}
    newly = _Found(records, splits, None).asked
    for _ in range(MOST_ROUNDS):
        found = _Found(records, splits, newly)
        fresh = _steps(found, false_alarm)
        for name, step in fresh.items():
            day = step.first_after
            splits[name] = [(day, f"{name}|before {day}", f"{name}|from {day}")]
            steps[name] = step
        if not fresh and found.asked >= newly:
            break
        newly = min(newly, found.asked)
    else:
        found = _Found(records, splits, newly)
    found.splits, found.steps = splits, steps
    return found


def _steps(found: _Found, false_alarm: float) -> dict[str, Step]:
    """The surest change of each part of the archive, where it is sure enough for all of the archive's things."""
    tried = []
    for piece in found.model.pieces:
        steps = []
        for thing in piece.at.tolist():
            line = found.lines.get(thing)
            if line is not None and sum(d[2] for d in line.days.values()) >= LEAST_JOBS:
                step = find_step(found.model, piece, thing, line)
                if step is not None:
                    steps.append((step.chance, found.names[thing], step))
        tried.append(steps)
    number = sum(map(len, tried))
    level = -np.expm1(np.log1p(-false_alarm) / number) if number else 0.0
    surest = [min(steps, key=lambda s: (s[0], -abs(s[2].w), s[1])) for steps in tried if steps]
    return {name: step for chance, name, step in surest if chance <= level}


def _things(found: _Found, counts: Counts, false_alarm: float) -> list[Record]:
    model, information = found.model, found.information
    separate: Apart = apart(model, information.own)
    k = sidak_value(max(1, _testable(model)), false_alarm)
    out = []
    for i, full in enumerate(found.names):
        thing, since, until = _times(full)
        kind, name, *_ = Thing.of(thing)
        unit, factor = UNITS[_what(kind)]
        known = bool(information.jobs[i]) and np.isfinite(model.sd[i])
        error, sd = (model.error[i] * factor, model.sd[i] * factor) if known else (None, None)
        w = model.error[i] / model.sd[i] if known else None
        detectable = (k + ndtri(POWER)) * sd if known else None
        partners = separate.partners.get(i, [])
        record: Record = {
            "thing": full,
            "kind": kind,
            "name": name,
            "since": _day(since),
            "until": _day(until),
            "jobs": int(information.jobs[i]),
            "heights": int(information.heights[i]),
            f"error_{unit}": _plain(error),
            f"error_sd_{unit}": _plain(sd),
            "w": _plain(w),
            f"smallest_detectable_{unit}": _plain(detectable),
            f"predicted_{unit}": _plain(model.predicted[i] * factor),
            "left": _plain(separate.left[i]),
            "verdict": _verdict(kind, error, sd, w, k, bool(partners)),
            "together": [
                {"thing": found.names[j], "seen": "sum" if sign < 0 else "difference"} for j, sign in partners
            ],
            "let_go": _let_go(counts, thing, unit, factor),
        }
        out.append(record)
    out.sort(key=lambda r: (-abs(r["w"] or 0.0), r["thing"]))
    return out


def _verdict(kind: str, error: float | None, sd: float | None, w: float | None, k: float, leans: bool) -> str:
    if error is None or sd is None or w is None:
        return "unseen"
    if leans:
        return "together"
    matters = RIGHT[_what(kind)]
    if abs(w) > k:
        return "slight" if abs(error) + 1.96 * sd < SLIGHT * matters else "wrong"
    return "right" if (k + ndtri(POWER)) * sd <= matters else "weak"


def _let_go(counts: Counts, thing: str, unit: str, factor: float) -> Record | None:
    """What the jobs say together in which this thing's heights were let go as blunders."""
    if thing not in counts.let_go:
        return None
    jobs, weight, first, second = counts.let_go[thing]
    mean = first / weight
    scatter = (second - first * mean) / max(jobs - 1, 1)
    agree = bool(jobs >= AGREE_JOBS and scatter < 4.0 and abs(mean) * np.sqrt(weight) > 4.0)
    return {"jobs": int(jobs), f"error_{unit}": _plain(mean * factor), f"error_sd_{unit}": _plain(factor / weight**0.5),
            "agree": agree}  # fmt: skip


def _changes(found: _Found, things: dict[str, Record]) -> list[Record]:
    out = []
    for full, step in found.steps.items():
        _, before, after = found.splits[full][0]
        thing, since, until = _times(full)
        kind, name, *_ = Thing.of(thing)
        unit, factor = UNITS[_what(kind)]
        sides = {}
        for side, one in (("before", before), ("after", after)):
            at = found.names.index(one) if one in found.names else None  # a side that changed again is not one thing
            sides[side] = _plain(found.model.error[at] * factor) if at is not None else None
            sides[f"{side}_sd"] = _plain(found.model.sd[at] * factor) if at is not None else None
        out.append(
            {
                "thing": thing, "kind": kind, "name": name, "unit": unit, **sides,
                "change": _plain(step.size * factor), "change_sd": _plain(step.sd * factor), "w": _plain(step.w),
                "chance": _plain(step.chance), "from_day": _day(step.from_day), "to_day": _day(step.to_day),
                "likeliest_from": _day(step.last_before), "likeliest_to": _day(step.first_after),
                "jobs_before": step.jobs_before, "jobs_after": step.jobs_after,
                "since": _day(since), "until": _day(until),
            }
        )  # fmt: skip
    return sorted(out, key=lambda c: (-abs(c["w"]), c["thing"], c["from_day"]))


def _times(full: str) -> tuple[str, int | None, int | None]:
    """A thing's own name, and the days between which it counted as this one: first day, last day.

    >>> _times("equipment:P|before 900|from 500")
    ('equipment:P', 500, 899)
    """
    parts = full.split("|")
    since: int | None = None
    until: int | None = None
    while len(parts) > 1 and parts[-1].partition(" ")[0] in ("before", "from"):
        word, _, day = parts.pop().partition(" ")
        if word == "from":
            since = max(since or 0, int(day))
        else:
            until = int(day) - 1 if until is None else min(until, int(day) - 1)
    return "|".join(parts), since, until


def _testable(model: Model) -> int:
    return int(np.isfinite(model.sd).sum())


def _usual(model: Model) -> dict[str, Record]:
    out = {}
    for kind in sorted(model.kinds):
        unit, factor = UNITS[_what(kind)]
        out[kind] = {f"sd_{unit}": _plain(model.scale[kind] * factor), "things": int(np.sum(model.kind == kind))}
    return out


def _what(kind: str) -> str:
    """ "offset", "scale" or "index"."""
    return "scale" if kind.endswith("_scale") else "index" if kind == "index" else "offset"


# ---- blunders ----


def _blunders(counts: Counts) -> Record:
    assumed = {kind: total / max(counts.jobs, 1) for kind, total in counts.stated.items()}
    rates = _rates(counts, assumed)
    tested = counts.stands["tested"]
    everything = Tally()
    for tally in counts.by["method"].values():
        everything.add({"heights": tally.heights, "tested": tally.tested, "expected": tally.expected, "evidence": []})
        everything.add_evidence([[b, n, s / n] for b, (n, s) in tally.bins.items()])
    mean = counts.stands["expected"] / tested if tested else 0.02
    overall = estimate_rate(*everything.factors, min(max(mean, 1e-4), 0.5)).rate if everything.bins else mean
    total = sum(counts.causes.values())
    causes = []
    for cause, expected in sorted(counts.causes.items(), key=lambda item: (-item[1], item[0])):
        low, high = (x / max(tested, 1.0) * 1000 for x in count_interval(expected))
        causes.append({"cause": cause, "expected": _plain(expected), "share": _plain(expected / total),
                       "per_thousand": _plain(expected / max(tested, 1.0) * 1000), "low": _plain(low),
                       "high": _plain(high)})  # fmt: skip
    lists = {"observer": "observers", "method": "methods", "equipment": "equipment"}
    return {
        "rates": rates,
        "rate_of_heights": _plain(overall),
        **{lists[of]: _ranked(tallies, overall) for of, tallies in counts.by.items()},
        "causes": causes,
    }


def _rates(counts: Counts, assumed: dict[str, float]) -> dict[str, Record]:
    """Rates by kind, of the kinds that something tests."""
    rows = [
        ({k: float(n) for k, _, n in (part.partition(":") for part in made_of.split())}, *tally.factors)
        for made_of, tally in sorted(counts.classes.items())
        if made_of
    ]
    kinds = sorted({kind for numbers, _, _ in rows for kind in numbers})
    if not kinds:
        return {}
    made_of = np.concatenate([np.tile([n.get(k, 0.0) for k in kinds], (len(c), 1)) for n, c, _ in rows])
    count, factor = (np.concatenate(part) for part in zip(*((c, f) for _, c, f in rows), strict=True))
    found = estimate_rates(made_of, count, factor, np.array([assumed[k] for k in kinds]))
    out = {}
    for kind, rate, tested in zip(kinds, found, count @ made_of, strict=True):
        low, high = rate.interval()
        out[kind] = {"rate": _plain(rate.rate), "low": _plain(low), "high": _plain(high),
                     "assumed": _plain(assumed[kind]), "hypotheses": round(float(tested)),
                     "expected": _plain(rate.expected)}  # fmt: skip
    return out


def _ranked(tallies: dict[str, Tally], overall: float) -> list[Record]:
    """Wrong heights by name, those of the highest rate first."""
    out = []
    for name, tally in tallies.items():
        found: Rate = estimate_rate(*tally.factors, overall)
        low, high = found.interval()
        surely, _ = found.interval(1 - 2 * FALSE_ALARM / len(tallies))
        out.append({"name": name, "heights": _plain(tally.heights), "tested": _plain(tally.tested),
                    "expected": _plain(found.expected), "rate": _plain(found.rate), "low": _plain(low),
                    "high": _plain(high), "stands_out": bool(surely > overall)})  # fmt: skip
    return sorted(out, key=lambda r: (-r["rate"], r["name"]))


def _day(day: int | None) -> str | None:
    return None if day is None else date.fromordinal(day).isoformat()


def _plain(value: Any) -> float | None:
    """A plain float of nine digits, None where there is none: sums in another order give the same."""
    return None if value is None or not np.isfinite(value) else float(f"{float(value):.9g}")
