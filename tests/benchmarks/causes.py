"""How often the true cause of a wrong height is ranked first, and among the first three.

    python tests/benchmarks/causes.py [cases]     writes tests/benchmarks/results/causes.md

Heights are drawn from N(1.55, 0.10) m, a cause by its prior among those the stand allows, and the field book is
written *forwards* from the true height: what the tape showed, what was done to it, what was written.  Only the written
record and the estimated error (sd 2 mm) go into the ranking.  The forward steps share no code with what they test.
"""

from __future__ import annotations

import math
import sys
import time
from collections import Counter
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from heightnet.judge.causes import NONE, NONE_PRIOR, rank_causes
from heightnet.kinds import height, staff
from heightnet.kinds.cause import Evidence
from heightnet.reduce.reading import MeasuringPoint, Reading
from tests.evidence import written

HEIGHT_CAUSES = [cause for cause in height.CAUSES if not cause.only]

FT, IN = 0.3048, 0.0254
SD = 0.002
FLAGGED = 3.9  # |error| / sd from which a job would ask for a cause at all

# Two instruments, invented: point, radius, offset.
EQUIPMENT = (
    (
        MeasuringPoint("side mark", 0.100, 0.0, True),
        MeasuringPoint("handle", 0.0, -0.165),
        MeasuringPoint("battery edge", 0.085, 0.031),
        MeasuringPoint("plate", 0.072, 0.196),
        MeasuringPoint("axis", 0.0, 0.243),
    ),
    (
        MeasuringPoint("bumper", 0.118, 0.052, True),
        MeasuringPoint("side mark", 0.093, 0.0),
        MeasuringPoint("handle", 0.0, -0.148),
        MeasuringPoint("axis", 0.0, 0.227),
    ),
)


@dataclass
class Case:
    """A stand to be booked; ``record`` fills in what was written."""

    rng: np.random.Generator
    tape: str  # scale of the readings
    kind: str  # kind of reading
    points: tuple[MeasuringPoint, ...]
    hook: float
    head: float
    true: float
    previous: float
    partners: list[float]
    known: bool

    @property
    def usual(self) -> MeasuringPoint:
        return next(p for p in self.points if p.usual)

    def text(self, length: float) -> str:
        if self.tape == "ftin":
            sixteenths = round(length / IN * 16)
            feet, rest = divmod(sixteenths, 192)
            inches, part = divmod(rest, 16)
            shrink = math.gcd(part, 16)
            return f"{feet}' {inches}" + (f' {part // shrink}/{16 // shrink}"' if part else '"')
        return f"{length:.3f}" if self.tape == "m" else f"{length / FT:.2f}"

    def number(self, text: str) -> float:
        if self.tape == "ftin":
            feet, inches = text.rstrip('"').split("' ")
            total = sum(int(x.split("/")[0]) / int(x.split("/")[1]) if "/" in x else int(x) for x in inches.split(" "))
            return (int(feet) * 12 + total) * IN
        return float(text) * (1 if self.tape == "m" else FT)

    def tape_reads(self, height: float, point: MeasuringPoint | None = None) -> float:
        """What a tape held to a point shows (the usual one, slant, unless the reading is upright to the axis)."""
        if point is None:
            if self.kind != "slant":
                return height
            point = self.usual
        return math.hypot(height - point.offset, point.radius)

    def by_hand(self, read: float, point: MeasuringPoint) -> float:
        return math.sqrt(read**2 - point.radius**2) + point.offset

    def as_reading(self, text: str) -> Reading:
        value = self.number(text)
        if self.kind == "slant":
            p = self.usual
            return Reading(text, value, self.tape, "slant", p.radius, p.offset, p.name)
        return Reading(text, value, self.tape, self.kind)

    def evidence(self, readings: tuple[Reading, ...], partners: list[float] | None = None) -> Evidence:
        recorded = readings[0].height
        names = tuple((f"P{i}", h) for i, h in enumerate(partners or self.partners))
        return Evidence(
            "setup", recorded, recorded - self.true + self.rng.normal(0, SD), SD, readings,
            points=self.points if self.known else (), previous=self.previous, partners=names,
            hooks=(self.hook,) if self.known else (), usual_parts=(0.243, 0.196) if self.kind == "parts" else (),
        )  # fmt: skip

    def shown(self, length: float) -> Evidence:
        return self.evidence((self.as_reading(self.text(length)),))


def record(case: Case, cause: str) -> Evidence | None:
    """The field book after this cause, or None where it cannot happen here."""
    rng, kind, h = case.rng, case.kind, case.true
    usual = case.usual
    if kind == "parts" and cause not in ("part_left_out", "part_twice", NONE):
        return None
    match cause:
        case "slant_not_reduced":
            if kind == "slant":
                return None
            offset = usual.offset if kind == "booked" else 0.0
            return case.shown(math.hypot(h - offset, usual.radius) + offset)
        case "slant_reduced_twice":
            if kind == "slant":
                return case.shown(h - usual.offset)
            return case.shown(case.by_hand(h - usual.offset, usual)) if kind == "booked" else None
        case "feet_as_metres":
            if case.tape != "m":
                return None
            text = f"{case.tape_reads(h) / FT:.2f}"
            return case.evidence((case.as_reading(text),))
        case "metres_as_feet":
            return case.evidence((case.as_reading(f"{case.tape_reads(h):.3f}"),)) if case.tape == "ft" else None
        case "inches_as_decimal":
            if case.tape != "ft":
                return None
            inches = round(case.tape_reads(h) / IN)
            case.true = h = _true_of(case, inches * IN)
            feet, inches = divmod(inches, 12)
            return case.evidence((case.as_reading(f"{feet}.{inches}"),))
        case "decimal_as_inches":
            if case.tape != "ftin":
                return None
            tenths = round(case.tape_reads(h) / FT * 10)
            case.true = _true_of(case, tenths / 10 * FT)
            return case.evidence((case.as_reading(f"{tenths // 10}' {tenths % 10}\""),))
        case "transposed":
            text = case.text(case.tape_reads(h))
            places = [i for i, c in enumerate(text) if c.isdigit()]
            pairs = [(i, j) for i, j in pairwise(places) if text[i] != text[j]]
            if case.tape == "ftin" or not pairs:
                return None
            i, j = pairs[rng.integers(len(pairs))]
            swapped = list(text)
            swapped[i], swapped[j] = swapped[j], swapped[i]
            return case.evidence((case.as_reading("".join(swapped)),))
        case "hook":
            return case.shown(case.tape_reads(h) + case.hook * (1 if rng.random() < 0.7 else -1))
        case "swap":
            chosen = rng.integers(len(case.partners))
            others = list(case.partners)
            recorded, others[chosen] = others[chosen], float(case.text(h)) if case.tape == "m" else h
            return case.evidence((case.as_reading(case.text(case.tape_reads(recorded))),), others)
        case "swap_all":  # seen from the sights, wrong by twice what the two heights differ
            target = float(case.text(h)) if case.tape == "m" else h
            reading = case.as_reading(case.text(case.tape_reads(case.partners[0])))
            case.true = 2 * target - reading.height
            return case.evidence((reading,), [target] * len(case.partners))
        case "previous":
            reading = case.as_reading(case.text(case.tape_reads(case.previous)))
            case.previous = reading.height
            return case.evidence((reading,))
        case "other_point":
            others = [p for p in case.points if not p.usual and p.name != "axis"]
            other = others[rng.integers(len(others))]
            if kind == "booked":
                held, taken = (other, usual) if rng.random() < 0.7 else (usual, other)
                return case.shown(case.by_hand(case.tape_reads(h, held), taken))
            if kind == "vertical" and rng.random() < 0.5:
                return case.shown(h - other.offset)
            return case.shown(case.tape_reads(h, other))
        case "zero":
            return (
                case.evidence((Reading.booked(0.0, case.tape),)) if kind == "booked" and case.tape != "ftin" else None
            )
        case "tripod_head":
            return case.shown(case.tape_reads(h - case.head))
        case "sign":
            if kind != "booked" or case.tape == "ftin":
                return None
            return case.evidence((Reading.booked(-case.number(case.text(h)), case.tape),))
        case "offset_twice" | "offset_left_out" | "offset_sign":
            if not usual.offset or kind == "vertical" or (kind == "slant" and cause != "offset_twice"):
                return None
            times = {"offset_twice": 1, "offset_left_out": -1, "offset_sign": -2}[cause]
            return case.shown(case.tape_reads(h + times * usual.offset))
        case "part_left_out" | "part_twice":
            if kind != "parts" or case.tape != "m":
                return None
            parts = [h - 0.439, 0.243, 0.196]
            which = rng.integers(1, 3)
            written = parts + [parts[which]] if cause == "part_twice" else parts[:which] + parts[which + 1 :]
            return _parts(case, written)
        case "inches_converted":
            if kind != "booked" or case.tape != "m":
                return None
            feet, inches = divmod(round(h / IN), 12)
            case.true = (12 * feet + inches) * IN
            return case.evidence((Reading.booked(round(float(f"{feet}.{inches}") * FT, 3)),))
        case "software":
            return case.shown(h) if kind == "slant" and usual.offset else None
        case "default" if kind == "booked" and case.tape == "m":
            return replace(case.evidence((Reading.booked(1.5),)), defaults=((1.5, 0.0), (2.0, 0.0)))
        case "earlier" if kind == "booked" and case.tape == "m":
            left = round(float(rng.normal(1.55, 0.10)), 3)
            return replace(case.evidence((Reading.booked(left),)), earlier=(left,))
        case "tribrach" if case.known and case.tape == "m" and kind == "booked":
            step = round(rng.normal(0.0, 0.03), 3)
            return replace(case.shown(h + step), axes=(("prism", step),))
        case "section" | "default" | "earlier" | "tribrach":
            return None
    if cause.startswith("misread_"):
        step, scales = {
            "1cm": (0.01, "m"), "1dm": (0.1, "m"), "1m": (1.0, "m"), "1in": (IN, "ftin"),
            "tenth_ft": (0.1 * FT, "ft"), "1ft": (FT, "ft ftin"),
        }[cause.removeprefix("misread_")]  # fmt: skip
        if case.tape not in scales.split():
            return None
        read = case.tape_reads(h) + step * rng.choice((-1, 1))
        return case.shown(read) if read > 0.15 else None
    size = math.exp(rng.uniform(math.log(0.003), 0.0)) * rng.choice((-1, 1))
    if h + size < 0.15:
        return None
    if kind == "parts":
        return _parts(case, [h + size - 0.439, 0.243, 0.196]) if case.tape == "m" and h + size > 0.5 else None
    return case.shown(case.tape_reads(h + size))


def _true_of(case: Case, read: float) -> float:
    return case.by_hand(read, case.usual) if case.kind == "slant" else read


def _parts(case: Case, parts: list[float]) -> Evidence:
    text = " + ".join(case.text(p) for p in parts)
    lengths = tuple(round(p, 3) for p in parts)
    used = case.evidence((Reading(text, sum(lengths), "m", "parts", parts=lengths),))
    return replace(used, usual_parts=tuple(p for p in (0.243, 0.196) if p not in lengths))


def draw(rng: np.random.Generator, cell: str) -> Case:
    points = EQUIPMENT[rng.integers(2)]
    hook, known = 0.045, cell != "metric, constants unknown"
    if not known:  # an equipment that no table has
        radius = [rng.normal(r, s) for r, s in ((0.06, 0.02), (0.10, 0.02), (0.10, 0.02), (0.16, 0.03))][
            rng.integers(4)
        ]
        other = rng.normal(0.16, 0.04) * rng.choice((-1, 1))
        points = (
            MeasuringPoint("usual", max(radius, 0.02), 0.0, True),
            MeasuringPoint("other", 0.0, other),
            MeasuringPoint("axis", 0.0, rng.normal(0.24, 0.02)),
        )
        hook = max(0.01, rng.normal(0.03, 0.01))
    tape = "m" if cell.startswith("metric") else str(rng.choice(("ft", "ftin")))
    kinds = ("booked", "vertical") if not known else ("booked", "vertical", "slant", "parts")
    kind = str(rng.choice(kinds, p=None if not known else (0.35, 0.25, 0.3, 0.1)))
    if (tape != "m" and kind == "parts") or (tape == "ftin" and kind == "booked"):
        kind = "slant"
    partners = [round(float(x), 3) for x in rng.normal(1.60, 0.20, rng.integers(1, 5))]
    previous = round(float(rng.normal(1.55, 0.10)), 3)
    return Case(
        rng, tape, kind, points, hook, points[-1].offset, float(rng.normal(1.55, 0.10)), previous, partners, known
    )


CELLS = ("metric, constants known", "metric, constants unknown", "feet tape")
WANTED = {CELLS[0]: (0.92, 0.99), CELLS[1]: (0.89, 0.99), CELLS[2]: (0.87, 0.98)}  # first, first three


STAFF = {"staff, section and foot known": True, "staff, section and foot unknown": False}
CONDITIONS: dict[str, dict[str, Any]] = {"": {}, ", sd 1.6 times": {"sd_true": 1.6 * SD}, ", even": {"even": True}}


def draw_cause(rng: np.random.Generator, cell: str, even: bool = False) -> tuple[str, Case, Evidence]:
    """A flagged case.  A cause that the stand does not allow is drawn again: its prior goes to the others.

    even : all causes equally frequent, whatever the ranking takes them to be.
    """
    keys = [cause.key for cause in HEIGHT_CAUSES] + [NONE]
    prior = np.array([1.0 if even else cause.prior for cause in HEIGHT_CAUSES] + [1.0 if even else NONE_PRIOR])
    while True:
        case = draw(rng, cell)
        truth = keys[rng.choice(len(keys), p=prior / prior.sum())]
        evidence = record(case, truth)
        while evidence is None:
            truth = keys[rng.choice(len(keys), p=prior / prior.sum())]
            evidence = record(case, truth)
        if abs(evidence.error) >= FLAGGED * SD:
            return truth, case, evidence


def run(
    cell: str, cases: int, seed: int, sd_true: float = SD, even: bool = False
) -> tuple[dict[str, float], Counter[tuple[str, str]]]:
    """Rates over the cases that a job would have flagged, and what was taken for what.

    sd_true : what the estimated error really scatters by, where the ranking is told 2 mm.
    """
    rng = np.random.default_rng(seed)
    rows, missed, seconds = [], Counter[tuple[str, str]](), 0.0
    for _ in range(cases):
        truth, case, evidence = draw_cause(rng, cell, even)
        exact = evidence.recorded - case.true
        evidence = replace(evidence, error=exact + (evidence.error - exact) * sd_true / SD)
        start = time.process_time()
        fits = rank_causes(evidence)
        seconds += time.process_time() - start
        order = list(dict.fromkeys(fit.cause for fit in fits))
        said = sum(fit.probability for fit in fits if fit.cause == order[0])
        rows.append((truth != NONE, order[0] == truth, truth in order[:3], said))
        if order[0] != truth:
            missed[truth, order[0]] += 1
    return _rates(rows, seconds), missed


def _rates(rows: list[tuple[bool, bool, bool, float]], seconds: float) -> dict[str, float]:
    listed, first, third, said = (np.array(column) for column in zip(*rows, strict=True))
    sure = said > 0.9
    rates = {
        "first": first[listed].mean(), "third": third[listed].mean(),
        "first, none too": first.mean(), "third, none too": third.mean(), "none": first[~listed].mean(),
        "sure": sure.mean(), "sure and right": first[sure].mean(), "said less found": said.mean() - first.mean(),
        "ms": seconds / len(rows) * 1000,
    }  # fmt: skip
    return {name: float(rate) for name, rate in rates.items()}


LEVEL_SD = 0.001
SECTION, SHOE = 1.350, 0.025  # of the invented staff


def record_staff(rng: np.random.Generator, cause: str, known: bool) -> tuple[Evidence, float] | None:
    """A staff reading as written after this cause, and its exact error; None where it cannot happen."""
    true, partner = (round(float(x), 3) for x in rng.uniform(0.3, 3.7, 2))
    turning = bool(rng.random() < 0.5)
    text, side = f"{true:.3f}", rng.choice((-1, 1))
    section, shoe = (SECTION, SHOE) if known else (rng.normal(1.2, 0.2), abs(rng.normal(0.010, 0.008)))
    match cause:
        case "misread_1m" | "misread_1dm" | "misread_1cm":
            text = f"{true + side * {'1m': 1.0, '1dm': 0.1, '1cm': 0.01}[cause.removeprefix('misread_')]:.3f}"
        case "transposed" if len(set(text)) > 2:  # two digits that differ, and the point
            places = [(i, j) for i, j in pairwise(i for i, c in enumerate(text) if c != ".") if text[i] != text[j]]
            i, j = places[rng.integers(len(places))]
            text = text[:i] + text[j] + text[i + 1 : j] + text[i] + text[j + 1 :]
        case "exchanged":  # the rise is wrong by twice the difference, put down to this reading
            error = 2 * (partner - true)
            return written("staff", partner, 0.0, LEVEL_SD, partners=(("", true),), turning=turning), error
        case "section" | "staff_foot":
            text = f"{true + side * (section if cause == 'section' else shoe):.3f}"
        case "feet_as_metres":
            text = f"{true / FT:.2f}"
        case "joint" if true > section:
            text = f"{true - rng.normal(0.010, 0.005):.3f}"
        case "turning_point" if turning:
            text = f"{true + rng.normal(0, 0.015):.3f}"
        case "none":
            text = f"{true + side * math.exp(rng.uniform(math.log(0.003), 0.0)):.3f}"
        case _:
            return None
    value = float(text)
    if value <= 0:
        return None
    sizes = {"sections": (SECTION,), "feet": (SHOE,)} if known else {}
    found = written("staff", value, 0.0, LEVEL_SD, partners=(("", partner),), turning=turning, text=text, **sizes)
    return found, value - true


def run_staff(known: bool, cases: int, seed: int) -> dict[str, float]:
    """The same rates for staff readings, of cases whose error is over FLAGGED sd."""
    rng = np.random.default_rng(seed)
    keys = [cause.key for cause in staff.CAUSES] + [NONE]
    prior = np.array([cause.prior for cause in staff.CAUSES] + [NONE_PRIOR])
    rows, seconds = [], 0.0
    while len(rows) < cases:
        truth = keys[rng.choice(len(keys), p=prior / prior.sum())]
        drawn = record_staff(rng, truth, known)
        if drawn is None:
            continue
        evidence, exact = drawn
        error = exact + rng.normal(0, LEVEL_SD)
        if abs(error) < FLAGGED * LEVEL_SD:
            continue
        start = time.process_time()
        fits = rank_causes(replace(evidence, error=error))
        seconds += time.process_time() - start
        order = [fit.cause for fit in fits]
        rows.append((truth != NONE, order[0] == truth, truth in order[:3], fits[0].probability))
    return _rates(rows, seconds)


HEAD = """# Is the true cause found?

{cases:,} flagged cases a row (error over {flagged} sd), sd of the error 2 mm, heights N(1.55, 0.10) m, causes drawn by
their priors among those the stand allows. The columns "first" and "in first three" count the cases with a cause of the
list; "all" counts those with no such cause too (any size, log-uniform 3 mm to 1 m, prior {none} against {listed:.2f} of
the list). One standard error of a rate over all is about {error:.3f}. "Sd 1.6 times": the error scatters 1.6 times as
much as the ranking is told. "Even": all causes, and none of them, equally frequent, which the ranking does not know.
"Staff": readings of a metre staff in a level book, sd of the error 1 mm.
"Said less found": the probability stated for the cause ranked first, less how often it was the true one.
Made by `python tests/benchmarks/causes.py`.

"""
COLUMNS = (
    "readings", "first", "wanted", "in first three", "wanted", "first, all", "in first three, all",
    "no cause found as such", "said over .9", "right of these", "said less found", "ms a call",
)  # fmt: skip


def main(cases: int = 20_000) -> None:
    text = HEAD.format(
        cases=cases, flagged=FLAGGED, none=NONE_PRIOR, listed=sum(c.prior for c in HEIGHT_CAUSES),
        error=math.sqrt(0.9 * 0.1 / cases),
    )  # fmt: skip
    text += f"| {' | '.join(COLUMNS)} |\n|{' --- |' * len(COLUMNS)}\n"
    for condition, more in CONDITIONS.items():
        for number, cell in enumerate(CELLS):
            got, missed = run(cell, cases, seed=number + 1, **more)
            first, third = (f"{x:.2f}" if not more else "" for x in WANTED[cell])
            rates = [f"{got[k]:.3f}" for k in list(got)[2:]]
            cells = [cell + condition, f"{got['first']:.3f}", first, f"{got['third']:.3f}", third, *rates]
            text += f"| {' | '.join(cells)} |\n"
            print(" | ".join(cells), flush=True)
            print("   most often:", ", ".join(f"{a} taken for {b} {n}" for (a, b), n in missed.most_common(8)))
    for name, known in STAFF.items():
        got = run_staff(known, cases, seed=9)
        rates = [f"{got[k]:.3f}" for k in list(got)[2:]]
        cells = [name, f"{got['first']:.3f}", "", f"{got['third']:.3f}", "", *rates]
        text += f"| {' | '.join(cells)} |\n"
        print(" | ".join(cells), flush=True)
    folder = Path(__file__).parent / "results"
    folder.mkdir(exist_ok=True)
    (folder / "causes.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(*(int(x) for x in sys.argv[1:2]))
