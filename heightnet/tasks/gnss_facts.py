"""Satellite heights and separations as facts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from heightnet.judge.reduction import NEARLY_ONE_CLASS, UNTESTABLE
from heightnet.network.separation import OFFSET, TILT_EAST, TILT_NORTH
from heightnet.rows import Rows
from heightnet.tasks.facts import JobFacts, Record, number

LINEAR = {OFFSET: ("offset", "mm"), TILT_EAST: ("tilt_east", "mm_km"), TILT_NORTH: ("tilt_north", "mm_km")}
RIVALS = ("instrument", "antenna_observer", "gnss_session", "tape")


def separations(facts: JobFacts) -> Sequence[Record]:
    """``separations[]``: each recorded separation under an antenna, and what the job as recorded makes of it."""
    net, known = facts.net, facts.net.separations
    if not len(known.mark):
        return []
    first = net.heights + len(net.sessions) + len(net.indexed)
    x, sd_x = facts.fit.x[first:], facts.fit.sd_x[first:]
    correction, sd = np.zeros(len(known.mark)), np.zeros(len(known.mark))
    correction[known.unknown] = x[: len(known.unknown)]
    sd[known.unknown] = sd_x[: len(known.unknown)]
    h = np.flatnonzero(facts.family.kind == "separation")
    of = dict(zip(net.nodes.name[facts.family.node[h]], h.tolist(), strict=True))
    h = np.array([of[name] for name in known.mark], dtype=np.int64)
    return Rows(
        {
            "id": facts.family.ids[h],
            "mark": known.mark,
            "separation_m": known.value,
            "sd_mm": known.sd * 1000,
            "residual_mm": -correction * 1000,
            "adjusted_sd_mm": sd * 1000,
            **facts.tested_many(h),
        }
    )


def separation_model(facts: JobFacts) -> Record | None:
    """``separation_model``: what is common to all separations; offset and tilts where the settings ask for them."""
    net, known = facts.net, facts.net.separations
    if not len(known.mark):
        return None
    first = net.heights + len(net.sessions) + len(net.indexed) + len(known.unknown)
    found = {"": facts.fit.x[first:], "_sd": facts.fit.sd_x[first:], "_prior_sd": known.linear_sd}
    out: Record = {"same_as": _like_separations(facts)}
    for name, (key, unit) in LINEAR.items():
        at = known.linear.index(name) if name in known.linear else -1
        for word, values in found.items():
            out[f"{key}{word}_{unit}"] = number(values[at], 1000) if at >= 0 else None
    return out


def _like_separations(facts: JobFacts) -> list[str]:
    """Groups whose common error looks, or practically looks, like separations that are all wrong alike."""
    groups = np.flatnonzero(facts.family.of("group"))
    kind = np.array([facts.family.thing(h).pair[0] for h in groups.tolist()], dtype=object)
    all_, of = groups[kind == "separations"], groups[np.isin(kind, RIVALS)]
    if not len(all_) or facts.bench.classes.redundancy[all_[0]] <= UNTESTABLE:
        return []
    h = np.concatenate([all_, of[facts.bench.classes.redundancy[of] > UNTESTABLE]])
    _, G = facts.fit.reduce(facts.family.C[:, h])
    rho = np.abs(G[0]) / np.sqrt(np.maximum(np.diag(G), 1e-300) * G[0, 0])
    return facts.ids(h[1:][rho[1:] > NEARLY_ONE_CLASS])
