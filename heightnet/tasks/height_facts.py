"""The heights of set-ups and targets as facts: readings, verdict, causes, what could hide."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.judge.causes import rank_causes
from heightnet.judge.family import HEIGHTS
from heightnet.network.model import Kind
from heightnet.network.routes import Routes
from heightnet.reduce.tape import reading_ids
from heightnet.rows import Nested, Rows
from heightnet.tasks.facts import JobFacts, Record

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

CHECKS_COUNTED = 3  # "3" means three or more
CAUSES_FROM = 0.05  # probability of being wrong from which causes are weighed


class HeightFacts:
    """Facts of the stands of a judged job."""

    def __init__(self, facts: JobFacts) -> None:
        self.facts = facts
        self.net, self.job, self.bench = facts.net, facts.job, facts.bench
        family, rows = self.bench.family, self.net.rows(Kind.HEIGHT)
        nodes = len(self.net.nodes)
        self.things = {t.key: t for t in facts.verdicts.things if t.key[0] == "stand"}
        stand = np.flatnonzero(family.of(*HEIGHTS))
        self.height_of = np.full(nodes, -1, dtype=np.int64)
        """(nodes,) the hypothesis about each stand's height as a whole."""
        self.height_of[family.node[stand]] = stand
        self.first_reading = rows.start
        node = self.net.head[rows]
        self.by_node = np.argsort(node, kind="stable")
        self.count = np.bincount(node, minlength=nodes)
        self.starts = np.concatenate([[0], np.cumsum(self.count)])
        """Readings in the order of their stands, and where each stand's begin."""
        single = np.flatnonzero(family.of("reading"))
        self.reading_at = np.full(len(node), -1, dtype=np.int64)
        self.reading_at[family.observation[single] - rows.start] = single
        explained = [int(h) for e in facts.verdicts.explanations for h in e.members]
        touched = family.C[rows][:, explained].tocoo().row if explained else np.zeros(0, dtype=np.int64)
        self.explained = np.unique(node[touched])

    def readings_at(self, node: int) -> Ints:
        """Positions of a stand's readings."""
        return self.by_node[self.starts[node] : self.starts[node + 1]]

    def setups(self) -> Rows:
        return self._table("setup", "instrument", self.job.setups, self.net.setup_node, self.net.setup_axis)

    def targets(self) -> Rows:
        return self._table("target", "equipment", self.job.targets, self.net.target_node, self.net.target_axis)

    def _table(self, of: str, thing: str, frame: pd.DataFrame, node: Ints, axis: Floats) -> Rows:
        """One row a stand; a free one, or one whose height the job itself has to find, has no numbers about it."""
        facts, family = self.facts, self.bench.family
        h = self.height_of[node]
        judged = h >= 0
        some = np.flatnonzero(judged)

        def of_hypothesis(values: npt.NDArray[Any]) -> Floats:
            out = np.full(len(h), np.nan)
            out[some] = values[h[some]]
            return out

        mean, sd = (values[node] for values in facts.stand_mean)
        recorded = np.where(judged, mean + axis, np.nan)
        error, error_sd, w = (of_hypothesis(values) for values in facts.verdicts.freed)
        corrected, corrected_sd = self._corrected(node, recorded, np.where(judged, sd, np.nan))
        verdict = np.full(len(h), "free", dtype=object)
        verdict[some] = facts.undecided(h[some])
        chance = np.where(judged, facts.verdicts.stand_chance[node], np.nan)
        decided = np.zeros(len(self.net.nodes), dtype=bool)
        for kind, key in facts.decided:
            if kind == "stand":
                decided[key] = True
        for i in np.flatnonzero(judged & decided[node]).tolist():
            verdict[i] = facts.decided["stand", int(node[i])]
        placed = np.isfinite(self.net.nodes.height[node])
        piece = self.net.nodes.piece[node].astype(object)
        piece[~placed] = None
        hypothesis = np.full(len(h), None, dtype=object)
        hypothesis[some] = family.ids[h[some]]
        checks = np.full(len(h), None, dtype=object)
        checks[some] = self._independent_checks(node[some])
        found = recorded - error
        return Rows(
            {
                of: frame[of].to_numpy(object),
                "mark": _or_none(frame["mark"]),
                thing: _or_none(frame[thing]),
                "observer": _or_none(frame["observer"]),
                "when": _or_none(frame["when"]),
                "tripod": _or_none(frame["tripod"]),
                "hypothesis": hypothesis,
                "recorded_m": recorded,
                "booked_m": frame["height"].to_numpy(float),
                "sd_mm": np.where(judged, sd * 1000, np.nan),
                "error_mm": error * 1000,
                "error_sd_mm": error_sd * 1000,
                "w": w,
                "redundancy": of_hypothesis(self.bench.classes.redundancy),
                "smallest_detectable_mm": of_hypothesis(facts.reliability.detectable) * 1000,
                "smallest_attributable_mm": of_hypothesis(facts.reliability.attributable) * 1000,
                "independent_checks": checks,
                "verdict": verdict,
                "probability": chance,
                "corrected_m": corrected,
                "corrected_sd_mm": corrected_sd * 1000,
                "same_as": self._same_as(h),
                "causes": [
                    self._causes(int(n), int(k)) if k >= 0 and p >= CAUSES_FROM else []
                    for n, k, p in zip(node.tolist(), h.tolist(), chance.tolist(), strict=True)
                ],
                "readings": self._readings(node, axis, found, verdict),
                "moves": self._moves(h, decided[node]),
                "found_m": found,
                "found_sd_mm": _root(error_sd**2 - sd**2) * 1000,
                "piece": piece,
            }
        )

    def _same_as(self, h: Ints) -> list[list[str]]:
        asked = h >= 0
        if self.facts.wide:
            asked[asked] = self._checks_of_classes(h[asked]) == 1
        return [self.facts.same_as(k) if ask else [] for k, ask in zip(h.tolist(), asked.tolist(), strict=True)]

    def _moves(self, h: Ints, decided: npt.NDArray[np.bool_]) -> list[list[Record]]:
        """The marks each height moves; in a large job those that an accused one moves."""
        asked = (h >= 0) & (decided if self.facts.wide else True)
        return [self.facts.moves(k) if ask else [] for k, ask in zip(h.tolist(), asked.tolist(), strict=True)]

    def _corrected(self, node: Ints, recorded: Floats, recorded_sd: Floats) -> tuple[Floats, Floats]:
        """Heights averaged over the explanations kept: the recorded ones where they leave them alone."""
        value, sd = recorded.copy(), recorded_sd.copy()
        for i in np.flatnonzero(np.isin(node, self.explained) & np.isfinite(recorded)).tolist():
            value[i], sd[i] = self._averaged(int(node[i]), float(recorded[i]), float(recorded_sd[i]))
        return value, sd

    def _averaged(self, node: int, recorded: float, recorded_sd: float) -> tuple[float, float]:
        facts = self.facts
        rows = self.readings_at(node) + self.first_reading
        weight = 1 / self.net.sd[rows] ** 2
        total = sum(e.probability for e in facts.verdicts.explanations)
        mean = second = 0.0
        pattern = self.bench.family.C[rows]
        for e in facts.verdicts.explanations:
            touched = np.asarray(pattern[:, e.members].todense())
            pull = weight @ touched / weight.sum()  # what a unit of each member puts into the recorded mean
            value = recorded - float(pull @ e.error)
            variance = float(pull @ e.covariance @ pull)
            variance = max(variance - recorded_sd**2, 0.0) if np.any(pull) else recorded_sd**2
            mean += e.probability / total * value
            second += e.probability / total * (variance + (value - recorded) ** 2)
        return mean, float(np.sqrt(max(second - (mean - recorded) ** 2, 0.0)))

    def found(self) -> dict[tuple[str, str], tuple[float, float]]:
        """Height and sd (m) of each stand from all but its own readings, where something else determines it."""
        readings = self.net.readings.drop_duplicates(["stand_kind", "stand"])
        node = readings["node"].to_numpy(np.int64)
        mean, sd = (values[node] for values in self.facts.stand_mean)
        error, error_sd = (values[self.height_of[node]] for values in self.facts.verdicts.freed[:2])
        value = mean + readings["axis"].to_numpy(float) - error
        spread = _root(error_sd**2 - sd**2)
        keys = zip(readings["stand_kind"].tolist(), readings["stand"].tolist(), strict=True)
        rows = zip(keys, value.tolist(), spread.tolist(), strict=True)
        return {key: (v, s) for key, v, s in rows if np.isfinite(s)}

    @cached_property
    def _routes(self) -> Routes:
        return Routes(self.net)

    def _independent_checks(self, node: Ints) -> Ints:
        """(len(node),) how many separate ways through the job check each stand's height."""
        if self.facts.wide:
            return self._checks_of_classes(self.height_of[node])
        mark, first = self.net.nodes.mark, self.first_reading
        counts = [
            self._routes.count(int(mark[n]), n, {first + p for p in self.readings_at(n).tolist()}, CHECKS_COUNTED)
            for n in node.tolist()
        ]
        return np.array(counts, dtype=np.int64)

    def _checks_of_classes(self, h: Ints) -> Ints:
        """0 where nothing tests a height, 1 where something else shares its every loop, 2 for two or more."""
        label = self.bench.classes.label[h]
        return np.where(label < 0, 0, np.where(self._class_sizes[label] > 1, 1, 2))

    @cached_property
    def _class_sizes(self) -> npt.NDArray[np.int64]:
        label = self.bench.classes.label
        return np.bincount(label[label >= 0], minlength=1)

    def _readings(self, node: Ints, axis: Floats, found: Floats, verdict: npt.NDArray[np.object_]) -> Nested:
        """The readings of each of these stands, one after the other."""
        facts, table = self.facts, self.net.readings
        count = np.where(self.height_of[node] >= 0, self.count[node], 0)
        starts = np.concatenate([[0], np.cumsum(count)])
        owner = np.repeat(np.arange(len(node)), count)
        at = self.by_node[np.repeat(self.starts[node] - starts[:-1], count) + np.arange(starts[-1])]
        of_stand = self.height_of[node[owner]]
        several = self.count[node[owner]] > 1
        h = np.where(several & (self.reading_at[at] >= 0), self.reading_at[at], of_stand)
        judged = verdict[owner]
        for i in np.flatnonzero(several).tolist():
            judged[i] = self._reading_verdict(int(h[i]), str(judged[i]))
        numbers = {c: table[c].to_numpy(float)[at] for c in ("radius", "offset", "value", "sd", "height", "axis")}
        texts = {c: table[c].to_numpy(object)[at] for c in ("file", "rows", "text", "scale", "kind")}
        blank = {c: _or_none(table[c].iloc[at]) for c in ("point", "tape", "by", "when")}
        height = numbers["height"] - numbers["axis"] + axis[owner]
        rows = Rows(
            {
                "id": np.array(reading_ids(table), dtype=object)[at],
                "file": texts["file"],
                "rows": [list(r) for r in texts["rows"].tolist()],
                "text": texts["text"],
                "scale": texts["scale"],
                "kind": texts["kind"],
                "point": blank["point"],
                "radius_mm": numbers["radius"] * 1000,
                "offset_mm": numbers["offset"] * 1000,
                "tape": blank["tape"],
                "by": blank["by"],
                "when": blank["when"],
                "value_m": numbers["value"],
                "sd_mm": numbers["sd"] * 1000,
                "height_m": height,
                "difference_mm": (height - found[owner]) * 1000,
                "w": facts.verdicts.freed[2][h],
                "redundancy": self.bench.classes.redundancy[h],
                "probability": facts.verdicts.probability[h],
                "verdict": judged,
            }
        )
        return Nested(rows, starts.tolist())

    def _reading_verdict(self, h: int, stand_verdict: str) -> str:
        """A reading of several: suspect where it alone carries the blame of its stand."""
        if stand_verdict in ("suspect", "either"):
            p = self.facts.verdicts.probability[h]
            if p >= 0.5:
                return "suspect"
            if p >= CAUSES_FROM:
                return "either"
        return self.facts.verdict(("other", h), h)

    def _causes(self, node: int, h: int) -> list[Record]:
        """Causes of the leading hypothesis about a stand: all its readings, or the one in question."""
        leading = self.facts.leading(self.things["stand", node])
        if self.bench.family.kind[leading] != "reading":
            leading = h
        error, sd = self.facts.size_of(leading)
        if not np.isfinite(error):  # wrong only as part of something else, a swap say; no size of its own
            return []
        evidence = self.facts.recorded.height(str(self.bench.family.ids[leading]), error, sd)
        return [fit.as_dict() for fit in rank_causes(evidence)]


def _or_none(texts: pd.Series) -> npt.NDArray[np.object_]:
    """Texts, None where one is blank."""
    out = texts.to_numpy(object).copy()
    out[(texts == "").to_numpy()] = None
    return out


def _root(variance: Floats) -> Floats:
    """Square roots, of a rounding below zero 0."""
    return np.sqrt(np.maximum(variance, 0.0))
