"""The heights of set-ups and targets as facts: readings, verdict, causes, what could hide."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from heightnet.arrays import Floats, Ints
from heightnet.judge.heights import Heights
from heightnet.judge.judgement import DOUBT, LIKELY
from heightnet.judge.naming import PUT_UPS
from heightnet.judge.places import STAND
from heightnet.kinds.stands import stand_heights
from heightnet.ledger.thing import ROWS, STANDS, TABLES, TAPED, ids_of
from heightnet.network.routes import Routes
from heightnet.reduce.tape import reading_ids
from heightnet.rows import Nested, Rows
from heightnet.tasks.facts import JobFacts, Record, told_heights
from heightnet.tasks.judgement_facts import parts

CHECKS_COUNTED = 4  # "4" means four or more
SURELY_SOUND = 0.005  # probability below which the parts of a stand's are added up and no more is asked
COUNTED_UP_TO = 4_000  # observations of a job whose separate ways are counted one by one
CAUSES_FROM = 0.05  # probability of being wrong from which causes are weighed


class HeightFacts:
    """Facts of the stands of a judged job."""

    def __init__(self, facts: JobFacts) -> None:
        self.facts = facts
        self.net, self.job, self.bench = facts.net, facts.job, facts.bench
        family, rows = self.bench.family, self.net.rows("height")
        nodes = len(self.net.nodes)
        stand = np.flatnonzero(family.of(*STANDS))
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
        accused, asked = facts.accused
        self.named, self.asked = (self._stands(some) for some in (accused, asked))

    def _stands(self, hypotheses: set[int]) -> npt.NDArray[np.bool_]:
        """(nodes,) stands that some hypotheses are about."""
        out = np.zeros(len(self.net.nodes), dtype=bool)
        about = np.array(sorted(hypotheses), dtype=np.int64)
        out[self.bench.family.node[about[np.isin(self.bench.family.kind[about], TAPED)]]] = True
        return out

    @cached_property
    def chance(self) -> Floats:
        """(nodes,) probability that the height of each stand is wrong, one way or another; as it is told."""
        family, places = self.bench.family, self.bench.places
        of_stand = family.of(*TAPED)
        out = np.bincount(family.node[of_stand], weights=self.facts.judgement.probability[of_stand],
                          minlength=len(self.net.nodes))  # fmt: skip
        swaps = {node for h in np.flatnonzero(family.of("swap")).tolist() for node in places.stands_of_swap(h)}
        several = np.flatnonzero((out > SURELY_SOUND) & (np.bincount(family.node[of_stand], minlength=len(out)) > 1))
        to_a_point = family.node[family.of("local") & (family.node >= 0)]
        for node in {*several.tolist(), *swaps, *to_a_point.tolist()}:
            out[node] = self.facts.judgement.chance_of((STAND, node))
        within = self.facts.told_within[of_stand]  # what a common error makes wrong is as likely wrong as that
        np.maximum.at(out, family.node[of_stand], within)
        return np.minimum(out, self.facts.judgement.sure_at_most)

    @cached_property
    def tests(self) -> tuple[Floats, Floats, Floats]:
        """(nodes,) error of each stand's recorded height, its sd and w; NaN where there is none to judge."""
        error, sd, w = (self._of_stands(values) for values in self.facts.tests)
        node, found, found_sd = self._beside_freed
        mean, own = (values[node] for values in self.facts.stand_mean)
        error[node], sd[node] = mean - found, np.hypot(own, found_sd)
        w[node] = self.facts.judgement.w[self.height_of[node]]
        return error, sd, w

    @cached_property
    def found_sd(self) -> Floats:
        """(nodes,) sd of the height of each stand from all but its own readings, m."""
        out = _root(self._of_stands(self.facts.tests[1]) ** 2 - self.facts.stand_mean[1] ** 2)
        node, _, found_sd = self._beside_freed
        out[node] = found_sd
        return out

    @cached_property
    def _beside_freed(self) -> tuple[Ints, Floats, Floats]:
        """Stands of which the likeliest explanation lets some readings go and keeps others, or that share a common
        error that is named: nodes, heights without axis from all but their own readings, and the sds of these.

        With some let go, what is tested is the mean of the others; with a common error, the mean without it.
        """
        facts, family = self.facts, self.bench.family
        members = facts.judgement.explanations[0].members
        gone = family.observation[members[family.kind[members] == "reading"]]
        node = np.unique(np.array([*self.net.head[gone].tolist(), *self._shared], dtype=np.int64))
        told = {m.hypothesis for f in facts.judgement.findings for m in f.members}
        node = node[[h >= 0 and h not in told for h in self.height_of[node].tolist()]]
        mean, sd = (values[node] for values in stand_heights(self.net, gone))
        error, error_sd = (values[self.height_of[node]] for values in facts.tests[:2])
        variance = error_sd**2 - sd**2
        for h in dict.fromkeys(self._shared.values()):
            much = facts.stand_pull([h]).toarray()[node, 0]
            size, size_sd = facts.judgement.size_of(h)
            mean, variance = mean - much * size, variance + (much * size_sd) ** 2
        left = np.isfinite(mean)
        return node[left], (mean - error)[left], _root(variance)[left]

    @cached_property
    def _shared(self) -> dict[int, int]:
        """Nodes of the stands that share a common error that is named, and its hypothesis."""
        facts, family = self.facts, self.bench.family
        named = [f.members[0].hypothesis for f in facts.judgement.findings if f.named]
        return {
            int(family.node[stand]): h
            for h in named
            if family.kind[h] in PUT_UPS
            for stand in sorted(parts(facts, h))
            if family.node[stand] >= 0
        }

    def _of_stands(self, values: Floats) -> Floats:
        out = np.full(len(self.height_of), np.nan)
        judged = self.height_of >= 0
        out[judged] = values[self.height_of[judged]]
        return out

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
        error, error_sd, w = (values[node] for values in self.tests)
        corrected = self._corrected(node, recorded)
        chance = np.where(judged, self.chance[node], np.nan)
        verdict = self._verdicts(frame, node, chance)
        placed = np.isfinite(self.net.nodes.height[node])
        piece = self.net.nodes.piece[node].astype(object)
        piece[~placed] = None
        hypothesis = np.full(len(h), None, dtype=object)
        hypothesis[some] = family.ids[h[some]]
        found, found_sd = recorded - error, self.found_sd[node]
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
                "smallest_found_mm": of_hypothesis(facts.found) * 1000,
                "smallest_named_mm": of_hypothesis(facts.promises.named) * 1000,
                "independent_checks": self._checked(node, judged),
                "verdict": verdict,
                "proofs": self._proofs(h),
                "probability": chance,
                **told_heights(corrected, "corrected_m", "corrected_sd_mm", np.zeros(len(h)), judged),
                "same_as": self._same_as(h),
                "causes": [
                    self._causes(int(n), int(k)) if k >= 0 and p >= CAUSES_FROM and n not in self._shared else []
                    for n, k, p in zip(node.tolist(), h.tolist(), chance.tolist(), strict=True)
                ],
                "readings": self._readings(node, axis, found, verdict),
                "moves": self._moves(h, (self.named | self.asked)[node]),
                "found_m": found,
                "found_sd_mm": found_sd * 1000,
                "piece": piece,
            }
        )

    def _verdicts(self, frame: pd.DataFrame, node: Ints, chance: Floats) -> npt.NDArray[np.object_]:
        h = self.height_of[node]
        judged = h >= 0
        verdict = np.full(len(h), "free", dtype=object)
        verdict[(frame["mark"] != "").to_numpy() & ~judged] = "missing"
        verdict[judged] = self.facts.verdicts[h[judged]]
        verdict[(verdict == "proved") & (chance > DOUBT)] = "doubted"
        verdict[judged & self.asked[node]], verdict[judged & self.named[node]] = "either", "suspect"
        return verdict

    def _proofs(self, h: Ints) -> list[list[Record]]:
        at = {int(stand): i for i, stand in enumerate(self.facts.proof.stands.tolist())}
        return [self.facts.proofs[at[k]] if k >= 0 else [] for k in h.tolist()]

    def _same_as(self, h: Ints) -> list[list[str]]:
        asked = h >= 0
        if self.facts.large:
            asked[asked] = self._checks_of_classes(h[asked]) == 1
        return [self.facts.same_as(k) if ask else [] for k, ask in zip(h.tolist(), asked.tolist(), strict=True)]

    def _moves(self, h: Ints, decided: npt.NDArray[np.bool_]) -> list[list[Record]]:
        """The marks each height moves; in a large job those that an accused one moves."""
        asked = (h >= 0) & (decided if self.facts.large else True)
        return [self.facts.moves(k) if ask else [] for k, ask in zip(h.tolist(), asked.tolist(), strict=True)]

    def _corrected(self, node: Ints, recorded: Floats) -> Heights:
        """Heights as the whole posterior has them: the recorded ones where nothing puts them in question."""
        facts = self.facts
        points = facts.posterior.points
        own = np.nan_to_num(facts.stand_mean[1][node])
        base = np.tile(np.nan_to_num(recorded), (len(points), 1))
        variance = (self.bench.factors.tape[points, None] * own[None, :]) ** 2

        def pull(_: int, hypotheses: list[int]) -> Any:
            return sparse.csr_array(facts.stand_pull(hypotheses)[node])

        rows = self.net.rows("height")
        A = self.net.A[rows][self.by_node[np.minimum(self.starts[node], max(len(self.by_node) - 1, 0))]]
        read = sparse.diags_array((self.count[node] > 0).astype(float)) @ A

        def stays(g: int, hypotheses: list[int]) -> Any:
            moved = read @ self.bench.moved(g, np.array(hypotheses, dtype=np.int64))
            pulled = pull(g, hypotheses)
            return pulled - moved if sparse.issparse(moved) else pulled.toarray() - moved

        return facts.posterior.mixed(base, variance, pull, stays)

    def found(self) -> dict[tuple[str, str], tuple[float, float]]:
        """Height and sd (m) of each stand from all but its own readings, where something else determines it."""
        readings = self.net.readings.drop_duplicates(["stand_kind", "stand"])
        node = readings["node"].to_numpy(np.int64)
        value = self.facts.stand_mean[0][node] + readings["axis"].to_numpy(float) - self.tests[0][node]
        spread = self.found_sd[node]
        keys = zip(readings["stand_kind"].tolist(), readings["stand"].tolist(), strict=True)
        rows = zip(keys, value.tolist(), spread.tolist(), strict=True)
        return {key: (v, s) for key, v, s in rows if np.isfinite(s)}

    @cached_property
    def _routes(self) -> Routes:
        return Routes(self.net)

    def _checked(self, node: Ints, judged: npt.NDArray[np.bool_]) -> npt.NDArray[np.object_]:
        checks = np.full(len(node), None, dtype=object)
        checks[judged] = self._independent_checks(node[judged])
        return checks

    def _independent_checks(self, node: Ints) -> Ints:
        """(len(node),) how many separate ways through the job check each stand's height."""
        if self.net.edge_count > COUNTED_UP_TO:
            return self._checks_of_classes(self.height_of[node])
        mark, first = self.net.nodes.mark, self.first_reading
        counts = [
            self._routes.count(int(mark[n]), n, {first + p for p in self.readings_at(n).tolist()}, CHECKS_COUNTED)
            for n in node.tolist()
        ]
        return np.array(counts, dtype=np.int64)

    def checks(self) -> Ints:
        """Independent checks of every height that has one."""
        return self._independent_checks(np.flatnonzero(self.height_of >= 0))

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
                "w": facts.tests[2][h],
                "redundancy": self.bench.classes.redundancy[h],
                "probability": np.minimum(facts.judgement.probability[h], facts.judgement.sure_at_most),
                "verdict": judged,
            }
        )
        return Nested(rows, starts.tolist())

    def _reading_verdict(self, h: int, stand_verdict: str) -> str:
        """A reading of several: suspect where it carries the blame of its stand, alone or with all to its point."""
        verdict = str(self.facts.verdicts[h])
        chance = max(float(self.facts.judgement.probability[h]), float(self.facts.told_within[h]))
        if stand_verdict in ("suspect", "either") and chance >= LIKELY:
            return "suspect" if stand_verdict == "suspect" else "either"
        if verdict in ("suspect", "either"):  # as part of its stand
            return "either" if chance >= CAUSES_FROM else str(self.facts.unaccused[h])
        return verdict

    def _causes(self, node: int, h: int) -> list[Record]:
        """Causes of the leading hypothesis about a stand: all its readings, or the one in question."""
        p = self.facts.judgement.probability
        leading = max(self.bench.places.thing((STAND, node)).tolist(), key=lambda k: (round(float(p[k]), 12), -k))
        if self.bench.family.kind[leading] != "reading":
            leading = h
        error, sd = self.facts.judgement.size_of(leading)
        if not np.isfinite(error):  # wrong only as part of something else, a swap say; no size of its own
            return []
        return [fit.as_dict() for fit in self.facts.causes_of(leading, error, sd)]


def untested(facts: JobFacts) -> Record:
    """``{heights[], rows{}, without_height[]}``: ids of what nothing in the job tests, rows by their table."""
    family = facts.family
    bare = facts.unaccused == "unproved"

    def ids(*kinds: str) -> list[str]:
        return facts.ids(np.flatnonzero(bare & family.of(*kinds)))

    rows = {TABLES[kind]: found for kind in ROWS if (found := ids(kind))}
    return {"heights": ids(*STANDS), "rows": rows, "without_height": _without_height(facts)}


def _without_height(facts: JobFacts) -> list[str]:
    """Ids of set-ups over a mark, and of targets on one, for which no height was recorded."""
    net, out = facts.net, []
    judged = np.zeros(len(net.nodes), dtype=bool)
    judged[facts.family.node[facts.family.of(*STANDS)]] = True
    for kind, table, node in (("setup", net.job.setups, net.setup_node), ("target", net.job.targets, net.target_node)):
        there = (table["mark"] != "").to_numpy() & ~judged[node]
        out += ids_of(kind, table[kind][there])
    return out


def _or_none(texts: pd.Series) -> npt.NDArray[np.object_]:
    """Texts, None where one is blank."""
    out = texts.to_numpy(object).copy()
    out[(texts == "").to_numpy()] = None
    return out


def _root(variance: Floats) -> Floats:
    """Square roots, of a rounding below zero 0."""
    return np.sqrt(np.maximum(variance, 0.0))
