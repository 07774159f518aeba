"""Standard deviations that a job shows by what it measured more than once, beside the stated ones.

Only rows that the job's settings speak for count: what states a standard deviation of its own does not.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.adjust.spread import Spread, spread
from heightnet.arrays import Floats, Ints
from heightnet.kinds.repeats import pointings
from heightnet.kinds.stands import stand_heights
from heightnet.ledger.settings import BY_NAME
from heightnet.reduce.sight import ARCSEC
from heightnet.reduce.tape import target_sd_mm
from heightnet.rows import Record

if TYPE_CHECKING:
    from heightnet.tasks.facts import JobFacts

LEAST_DOF = 5  # from which a standard deviation is held against the stated one
HOLDS = 0.95  # chance that the range told holds the true one
WRONG = ("suspect", "either")
CANCELS = 0.01  # of a sight: an index error that reaches no further is cancelled by the other face


def own_precision(facts: JobFacts) -> list[Record]:
    """``own_precision`` of results.json: what was measured more than once, kind by kind."""
    return [*_sights(facts), *_tapes(facts), *_rises(facts)]


def _told(
    facts: JobFacts, kind: str, unit: str, stated: float, found: Spread, wrong: int, settings: tuple[str, ...]
) -> list[Record]:
    """One kind; none where nothing of it was repeated.

    stated : standard deviation in the unit. settings : of the precision, that a factor would change.
    """
    if not found.sets and not found.left_out:
        return []
    there = np.isfinite(found.factor)
    low, high = found.between(HOLDS) if there else (np.nan, np.nan)
    values = {f"stated_{unit}": stated} | {
        f"{name}_{unit}": factor * stated if there else None
        for name, factor in (("own", found.factor), ("low", low), ("high", high))
    }
    differs = False
    if there and found.dof >= LEAST_DOF and found.factor > 0:
        least, most = found.between(1 - facts.job.settings.test.false_alarm)
        differs = not least <= 1.0 <= most
    none = dict.fromkeys((f"{name}_{u}" for u in ("sec", "mm") for name in ("stated", "own", "low", "high")), None)
    lines = _lines(facts, settings, found) if differs else []
    return [
        {
            "kind": kind, **none, **values, "dof": found.dof, "sets": found.sets, "left_out": found.left_out,
            "wrong": wrong, "alike": found.alike, "differs": differs, "lines": lines,
        }
    ]  # fmt: skip


def _lines(facts: JobFacts, settings: tuple[str, ...], found: Spread) -> list[str]:
    """What to write into job.toml, to two digits; nothing that a setting may not be."""
    out = []
    for name in settings:
        value = float(f"{found.factor * getattr(facts.job.settings.precision, name):.2g}")
        if BY_NAME[f"precision.{name}"].keeps(value):
            out.append(f"{name} = {value:g}  # estimated from the job's own repeats, {found.dof} degrees of freedom")
    return out


def _accused(facts: JobFacts, kind: str) -> npt.NDArray[np.bool_]:
    """(observations,) those of a kind that the judgement tells as wrong."""
    of_kind = np.flatnonzero(facts.family.of(kind))
    out = np.zeros(len(facts.net.y), dtype=bool)
    out[facts.family.observation[of_kind[np.isin(facts.verdicts[of_kind], WRONG)]]] = True
    return out


def _sights(facts: JobFacts) -> list[Record]:
    """Zenith angles from faces and rounds, index errors free; slope distances from all sights of one target."""
    net, precision = facts.net, facts.job.settings.precision
    shots = net.job.shots
    right = ~_accused(facts, "shot")[net.rows("shot")]
    thing, wrong = pointings(net), 0
    repeated = np.bincount(thing, minlength=1)[thing] > 1 if len(thing) else np.zeros(0, dtype=bool)
    wrong = int((repeated & ~right).sum())
    read, s = shots["zenith_angle"].to_numpy(float), shots["slope_distance"].to_numpy(float)
    z = np.where(read > np.pi, 2 * np.pi - read, read)
    face = shots["face"].to_numpy(object)
    arm = np.where(face == "L", 1.0, np.where(face == "R", -1.0, 0.0))
    by = pd.factorize(net.job.setups["instrument"].to_numpy(object)[net.shot_setup])[0]
    at = np.flatnonzero(right & shots["sd_zenith"].isna().to_numpy())
    sd = np.full(len(at), precision.zenith_sec * ARCSEC)
    found = spread(z[at], sd, thing[at], arm[at], by[at])
    out = _told(facts, "zenith", "sec", precision.zenith_sec, found, wrong, ("zenith_sec",))
    at = np.flatnonzero(right & repeated & shots["sd_distance"].isna().to_numpy())
    sd = np.hypot(precision.distance_mm / 1000, precision.distance_ppm * 1e-6 * s[at])
    found = spread(s[at], sd, thing[at])
    stated = _mean(sd) * 1000
    return out + _told(facts, "distance", "mm", stated, found, wrong, ("distance_mm", "distance_ppm"))


def _mean(sd: Floats) -> float:
    """The root mean square."""
    return float(np.sqrt((sd**2).mean())) if len(sd) else 0.0


def _tapes(facts: JobFacts) -> list[Record]:
    """Taped heights of one stand, instruments' and targets' together unless they are stated apart."""
    net, precision = facts.net, facts.job.settings.precision
    readings = net.readings
    apart = precision.target_mm is not None
    usual = {"tape": precision.tape_mm, "target": target_sd_mm(facts.job)}
    of = np.where((readings["stand_kind"] == "target") & apart, "target", "tape")
    parts = np.array([len(rows) for rows in readings["rows"]], dtype=float)
    default = np.where(of == "target", usual["target"], usual["tape"]) * np.sqrt(parts) / 1000
    ours = np.isclose(readings["value_sd"].to_numpy(float), default, rtol=1e-9)
    accused = _accused(facts, "reading")[net.rows("height")]
    node = readings["node"].to_numpy(np.int64)
    value = (readings["height"] - readings["axis"]).to_numpy(float)
    sd = readings["sd"].to_numpy(float)
    out = []
    for kind, name in (("tape", "tape_mm"), ("target", "target_mm")):
        at = np.flatnonzero((of == kind) & ours & ~accused)
        wrong = int(((of == kind) & accused).sum())
        out += _told(facts, kind, "mm", usual[kind], spread(value[at], sd[at], node[at]), wrong, (name,))
    return out


def _rises(facts: JobFacts) -> list[Record]:
    """Rises from mark to mark, the first forward with the first back and so on, index errors free.

    Both faces and all rounds of one target are one sight here. The height of a stand that both sights use cancels, as
    with instrument and target on one tripod.
    """
    pairs, wrong = _there_and_back(facts)
    if not len(pairs):
        return []
    value = (pairs["rise_x"] + pairs["rise_y"] + pairs["heights"]).to_numpy(float)
    sd = np.sqrt((pairs["variance_x"] + pairs["variance_y"] + pairs["variance_heights"]).to_numpy(float))
    alone = np.full(len(value), -1)
    found = spread(value, sd, alone, pairs["arm"].to_numpy(float), pairs["by_x"].to_numpy(np.int64))
    return _told(facts, "rise", "mm", _mean(sd) / 2**0.5 * 1000, found, wrong, ())


def _there_and_back(facts: JobFacts) -> tuple[pd.DataFrame, int]:
    """Pairs of sights between two marks, one from either end, and how many sights were left out as wrong."""
    net, rows = facts.net, facts.net.rows("shot")
    tail, head = net.tail[rows], net.head[rows]
    wrong = _accused(facts, "shot")[rows] | np.isin(tail, _stands(facts)) | np.isin(head, _stands(facts))
    sights = pd.DataFrame({
        "pointing": pointings(net), "tail": tail, "head": head, "rise": net.rise[rows], "variance": net.sd[rows] ** 2,
        "arm": net.sights.index_arm, "far": net.sights.horizontal,
        "from": net.nodes.mark[tail], "to": net.nodes.mark[head],
        "by": pd.factorize(net.job.setups["instrument"].to_numpy(object)[net.shot_setup])[0],
    })  # fmt: skip
    there = (sights["from"] >= 0) & (sights["to"] >= 0) & (sights["from"] != sights["to"])
    groups = sights[there & ~wrong].groupby("pointing", sort=False)
    one = groups.first()
    one[["rise", "arm", "far"]] = groups[["rise", "arm", "far"]].mean()
    one["variance"] = groups["variance"].sum() / groups.size() ** 2
    one["turn"] = one.groupby(["from", "to"], sort=False).cumcount()
    back = one[one["from"] > one["to"]].rename(columns={"from": "to", "to": "from"})
    pairs = one[one["from"] < one["to"]].merge(back, on=["from", "to", "turn"])
    mean, sd = stand_heights(net)
    pairs["heights"], pairs["variance_heights"] = 0.0, 0.0
    for up, down in (("tail_x", "head_y"), ("tail_y", "head_x")):
        apart = (pairs[up] != pairs[down]).to_numpy()
        pairs["heights"] += np.where(apart, mean[pairs[up]] - mean[pairs[down]], 0.0)
        pairs["variance_heights"] += np.where(apart, sd[pairs[up]] ** 2 + sd[pairs[down]] ** 2, 0.0)
    pairs["arm"] = pairs["arm_x"] + pairs["arm_y"]
    pairs.loc[np.abs(pairs["arm"]) < CANCELS * pairs["far_x"], "arm"] = 0.0
    plain = (pairs["by_x"] == pairs["by_y"]) | (pairs["arm"] == 0)
    return pairs[plain & np.isfinite(pairs["heights"])], int((there & wrong).sum())


def _stands(facts: JobFacts) -> Ints:
    """Nodes of the stands whose height is told as wrong."""
    of = np.flatnonzero(facts.family.of("setup", "target", "tripod", "reading"))
    return np.unique(facts.family.node[of[np.isin(facts.verdicts[of], WRONG)]])
