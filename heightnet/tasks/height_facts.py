"""The heights of set-ups and targets as facts: readings, verdict, causes, what could hide."""

from __future__ import annotations

from functools import cached_property

import numpy as np
import numpy.typing as npt

from heightnet.judge.causes import rank_causes
from heightnet.network.model import Kind
from heightnet.network.routes import Routes
from heightnet.reduce.tape import reading_ids
from heightnet.tasks.facts import JobFacts, Record, number

CHECKS_COUNTED = 3  # "3" means three or more
CAUSES_FROM = 0.05  # probability of being wrong from which causes are weighed


class HeightFacts:
    """Facts of the stands of a judged job; ``of`` is "setup" or "target"."""

    def __init__(self, facts: JobFacts) -> None:
        self.facts = facts
        self.net, self.job, self.bench = facts.net, facts.job, facts.bench
        self.things = {t.key: t for t in facts.things if t.key[0] == "stand"}
        family = self.bench.family
        stand = np.flatnonzero(np.isin(family.kind, ("setup", "target", "tripod")))
        self.height_of = {int(family.node[h]): int(h) for h in stand}
        rows = self.net.rows(Kind.HEIGHT)
        self.readings_at: dict[int, list[int]] = {}
        for position, node in enumerate(self.net.head[rows].tolist()):
            self.readings_at.setdefault(node, []).append(position)
        self.first_reading = rows.start
        single = np.flatnonzero(family.kind == "reading")
        self.reading_at = dict(zip((family.observation[single] - rows.start).tolist(), single.tolist(), strict=True))
        self.reading_names = reading_ids(self.net.readings)
        self.columns = {c: self.net.readings[c].tolist() for c in self.net.readings}
        self.tables = {
            t: {c: f[c].tolist() for c in f} for t, f in (("setup", self.job.setups), ("target", self.job.targets))
        }
        explained = [int(h) for e in facts.verdicts.explanations for h in e.members]
        touched = family.C[rows][:, explained].tocoo().row if explained else np.zeros(0, dtype=np.int64)
        self.explained = set(self.net.head[rows][touched].tolist())

    def setups(self) -> list[Record]:
        return [self._height("setup", i) for i in range(len(self.job.setups))]

    def targets(self) -> list[Record]:
        return [self._height("target", i) for i in range(len(self.job.targets))]

    def _height(self, of: str, i: int) -> Record:
        row = {c: values[i] for c, values in self.tables[of].items()}
        thing = "instrument" if of == "setup" else "equipment"
        node = int((self.net.setup_node if of == "setup" else self.net.target_node)[i])
        axis = float((self.net.setup_axis if of == "setup" else self.net.target_axis)[i])
        placed = np.isfinite(self.net.nodes.height[node])
        common: Record = {
            of: str(row[of]),
            "mark": str(row["mark"]) or None,
            thing: str(row[thing]) or None,
            "observer": str(row["observer"]) or None,
            "when": str(row["when"]) or None,
            "tripod": str(row["tripod"]) or None,
        }
        piece = int(self.net.nodes.piece[node]) if placed else None
        booked = number(row["height"])
        h = self.height_of.get(node, -1)
        if h < 0:
            return {**common, **self._without_height(booked), "piece": piece}
        return {**common, **self._judged(node, axis, h, booked), "piece": piece}

    def _without_height(self, booked: float | None) -> Record:
        """A stand no tape was read for: a free set-up, or a height that the job itself has to find."""
        keys = ("hypothesis", "recorded_m", "sd_mm", "error_mm", "error_sd_mm", "w", "redundancy",
                "smallest_detectable_mm", "smallest_attributable_mm", "independent_checks", "probability",
                "corrected_m", "corrected_sd_mm", "found_m", "found_sd_mm")  # fmt: skip
        lists = ("same_as", "causes", "readings", "moves")
        record: Record = dict.fromkeys(keys) | {k: [] for k in lists}
        return {**record, "booked_m": booked, "verdict": "free"}

    def _judged(self, node: int, axis: float, h: int, booked: float | None) -> Record:
        facts, key = self.facts, ("stand", node)
        thing = self.things[key]
        recorded = facts.recorded_height(node, axis)
        recorded_sd = facts.recorded_sd(node)
        assert recorded is not None and recorded_sd is not None  # it has a hypothesis, so it has readings
        error, error_sd = (float(x[h]) for x in facts.verdicts.freed[:2])
        found_sd = float(np.sqrt(max(error_sd**2 - recorded_sd**2, 0.0))) if np.isfinite(error_sd) else np.nan
        probability = facts.verdicts.any_of(thing.hypotheses)
        corrected, corrected_sd = self._corrected(node, recorded, recorded_sd)
        attributable = float(facts.reliability.attributable[h])
        verdict = facts.verdict(key, h)
        return {
            "hypothesis": str(self.bench.family.ids[h]),
            "recorded_m": recorded,
            "booked_m": booked,
            "sd_mm": recorded_sd * 1000,
            **facts.tested(h),
            "smallest_attributable_mm": number(attributable, 1000),
            "independent_checks": self._independent_checks(node),
            "verdict": verdict,
            "probability": probability,
            "corrected_m": corrected,
            "corrected_sd_mm": corrected_sd * 1000,
            "same_as": facts.same_as(h) if not facts.wide or self._checks_of_class(h) == 1 else [],
            "causes": self._causes(node, h) if probability >= CAUSES_FROM else [],
            "readings": self._readings(node, axis, recorded - error if np.isfinite(error) else np.nan, verdict),
            "moves": facts.moves(h) if not facts.wide or key in facts.decided else [],
            "found_m": number(recorded - error),
            "found_sd_mm": number(found_sd, 1000),
        }

    def _corrected(self, node: int, recorded: float, recorded_sd: float) -> tuple[float, float]:
        """Height averaged over the explanations kept: the recorded one where they leave it alone."""
        facts, at = self.facts, self.first_reading
        if node not in self.explained:
            return recorded, recorded_sd
        rows = np.array(self.readings_at[node]) + at
        weight = 1 / self.net.sd[rows] ** 2
        total = sum(e.probability for e in facts.verdicts.explanations)
        mean = second = 0.0
        for e in facts.verdicts.explanations:
            touched = np.asarray(self.bench.family.C[rows][:, e.members].todense())
            pull = weight @ touched / weight.sum()  # what a unit of each member puts into the recorded mean
            value = recorded - float(pull @ e.error)
            variance = float(pull @ e.covariance @ pull)
            variance = max(variance - recorded_sd**2, 0.0) if np.any(pull) else recorded_sd**2
            mean += e.probability / total * value
            second += e.probability / total * (variance + (value - recorded) ** 2)
        return mean, float(np.sqrt(max(second - (mean - recorded) ** 2, 0.0)))

    def found(self) -> dict[tuple[str, str], tuple[float, float]]:
        """Height and sd (m) of each stand from all but its own readings, where something else determines it."""
        facts, out = self.facts, {}
        error, error_sd, _ = facts.verdicts.freed
        for position in range(len(self.net.readings)):
            reading = {c: values[position] for c, values in self.columns.items()}
            node, key = int(reading["node"]), (str(reading["stand_kind"]), str(reading["stand"]))
            h = self.height_of[node]
            recorded, sd = facts.recorded_height(node, float(reading["axis"])), facts.recorded_sd(node)
            if key not in out and recorded is not None and sd is not None and np.isfinite(error_sd[h]):
                out[key] = (recorded - float(error[h]), float(np.sqrt(max(error_sd[h] ** 2 - sd**2, 0.0))))
        return out

    @cached_property
    def _routes(self) -> Routes:
        return Routes(self.net)

    def _independent_checks(self, node: int) -> int | None:
        if self.facts.wide:
            return self._checks_of_class(self.height_of[node])
        own = {self.first_reading + p for p in self.readings_at[node]}
        return self._routes.count(int(self.net.nodes.mark[node]), node, own, CHECKS_COUNTED)

    def _checks_of_class(self, h: int) -> int:
        """0 where nothing tests a height, 1 where something else shares its every loop, 2 for two or more."""
        label = int(self.bench.classes.label[h])
        return 0 if label < 0 else 1 if self._class_sizes[label] > 1 else 2

    @cached_property
    def _class_sizes(self) -> npt.NDArray[np.int64]:
        label = self.bench.classes.label
        return np.bincount(label[label >= 0])

    def _readings(self, node: int, axis: float, found: float, verdict: str) -> list[Record]:
        out = []
        several = len(self.readings_at[node]) > 1
        for position in self.readings_at[node]:
            reading = {c: values[position] for c, values in self.columns.items()}
            name = self.reading_names[position]
            h = self.reading_at.get(position, self.height_of[node]) if several else self.height_of[node]
            height = float(reading["height"] - reading["axis"]) + axis
            out.append(
                {
                    "id": name,
                    "file": str(reading["file"]),
                    "rows": list(reading["rows"]),
                    "text": str(reading["text"]),
                    "scale": str(reading["scale"]),
                    "kind": str(reading["kind"]),
                    "point": str(reading["point"]) or None,
                    "radius_mm": float(reading["radius"]) * 1000,
                    "offset_mm": float(reading["offset"]) * 1000,
                    "tape": str(reading["tape"]) or None,
                    "by": str(reading["by"]) or None,
                    "when": str(reading["when"]) or None,
                    "value_m": float(reading["value"]),
                    "sd_mm": float(reading["sd"]) * 1000,
                    "height_m": height,
                    "difference_mm": number(height - float(found), 1000),
                    "w": number(float(self.facts.verdicts.freed[2][h])),
                    "redundancy": float(self.bench.classes.redundancy[h]),
                    "probability": float(self.facts.verdicts.probability[h]),
                    "verdict": self._reading_verdict(h, verdict) if several else verdict,
                }
            )
        return out

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
