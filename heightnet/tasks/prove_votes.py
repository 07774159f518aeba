"""Check shots mark by mark: repeats pooled, who stands against whom, and what would decide where they are too weak."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import hypot, sqrt

import numpy as np

from heightnet.tasks.facts import Record
from heightnet.tasks.risk import ACCEPTED_UP_TO, REJECTED_FROM, beyond

APART = 3.0  # sds between two neighbouring heights from which they stand against one another
NEAR_M = 30.0  # a sight that "nearer" speaks of
FAR_M = 60.0  # and from where on it is said


def by_mark(by_shot: Sequence[Record]) -> list[Record]:
    """The height by each mark, its sights pooled: they share the mark, and those to one target that, too.

    A height is the mean of the targets', each weighted by its own sights' and target's variance (weighted means of
    independent values; what all share is added at the end).
    """
    out = []
    for mark in dict.fromkeys(shot["mark"] for shot in by_shot):
        shots = [shot for shot in by_shot if shot["mark"] == mark]
        targets = [
            _one_target([s for s in shots if s["target"] == t]) for t in dict.fromkeys(s["target"] for s in shots)
        ]
        weight = np.array([1 / variance for _, variance in targets])
        axis = float(np.dot(weight, [height for height, _ in targets]) / weight.sum())
        out.append({
            "mark": mark, "shots": len(shots), "targets": len(targets), "axis_m": axis,
            "axis_sd_mm": sqrt(1 / weight.sum() + shots[0]["mark_sd_mm"] ** 2),
            "spread_mm": _spread(shots),
        })  # fmt: skip
    return out


def _spread(shots: Sequence[Record]) -> float | None:
    """How far the sights to a mark lie apart, mm, each face by itself, whose index error is another; None for one."""
    of: dict[str, list[float]] = {}
    for shot in shots:
        of.setdefault(shot["face"], []).append(shot["axis_m"])
    apart = [max(axes) - min(axes) for axes in of.values() if len(axes) > 1]
    return max(apart) * 1000 if apart else None


def _one_target(shots: Sequence[Record]) -> tuple[float, float]:
    """The axis by the sights to one target, m, and its variance without the mark's, mm2."""
    weight = np.array([shot["sight_sd_mm"] ** -2.0 for shot in shots])
    axis = float(np.dot(weight, [shot["axis_m"] for shot in shots]) / weight.sum())
    return axis, 1 / float(weight.sum()) + shots[0]["target_sd_mm"] ** 2


def sides(marks: Sequence[Record], taped_axis: float | None, taped_sd_mm: float) -> list[Record]:
    """Two groups of heights that agree within and not with each other, the tape among them; [] where there are not two.

    Neighbours in height are of one group where less than three standard deviations lie between them.
    """
    voices = [(one["axis_m"], one["axis_sd_mm"], one["mark"]) for one in marks]
    if taped_axis is not None:
        voices.append((taped_axis, taped_sd_mm, None))
    voices.sort(key=lambda voice: voice[0])
    cuts = [i for i, (a, b) in enumerate(pairwise(voices), start=1) if (b[0] - a[0]) * 1000 > APART * hypot(a[1], b[1])]
    if len(cuts) != 1:
        return []
    return [
        {"marks": [mark for _, _, mark in group if mark is not None], "tape": any(mark is None for _, _, mark in group),
         "axis_m": float(np.average([h for h, _, _ in group], weights=[sd**-2.0 for _, sd, _ in group]))}
        for group in (voices[: cuts[0]], voices[cuts[0] :])
    ]  # fmt: skip


def remedies(by_shot: Sequence[Record], doubt: Sequence[Record], error_mm: float, limit_mm: float) -> list[Record]:
    """What would decide a check too weak, each with what would be left of the chance that the tape is off by more than
    the tolerance, were the difference found again: what decides first, then what comes nearest.

    doubt : parts of the standard deviation of tape less marks.  A normal law is taken for all of it.
    """
    part = {one["of"]: one["sd_mm"] for one in doubt}
    weight = np.array([shot["axis_sd_mm"] ** -2.0 for shot in by_shot])
    weight /= weight.sum()

    def of_sights(sd: Sequence[float]) -> float:
        return float(np.sqrt(np.sum((weight * np.asarray(sd)) ** 2)))

    distance = np.array([shot["distance_m"] for shot in by_shot])
    sight, bend = (np.array([shot[key] for shot in by_shot]) for key in ("sight_sd_mm", "bend_sd_mm"))
    more = sqrt(len(by_shot) / (len(by_shot) + 1))
    ways = {
        "another_mark": {of: part.get(of, 0.0) * more for of in ("sights", "marks", "poles")},
        "both_ends": {"sights": of_sights((np.sqrt(np.maximum(sight**2 - bend**2, 0.0)) / sqrt(2)).tolist())},
        "tape_again": {"tape": part.get("tape", 0.0) / sqrt(2)},
        "level_under": {"under": part.get("under", 0.0) / 2},
    }  # fmt: skip
    if distance.max(initial=0.0) > FAR_M:
        ways["nearer"] = {"sights": of_sights((sight * np.minimum(1.0, NEAR_M / distance)).tolist())}
    out: list[Record] = []
    for way, smaller in ways.items():
        sd = sqrt(sum(sd**2 for sd in {**part, **smaller}.values()))
        risk = float(beyond(error_mm, sd, limit_mm))
        out.append({"way": way, "sd_mm": sd, "risk": risk, "decides": not ACCEPTED_UP_TO < risk < REJECTED_FROM})
    return sorted(out, key=lambda one: (not one["decides"], one["sd_mm"]))
