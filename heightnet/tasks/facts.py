"""A judged job as facts: the content of results.json, described in docs/results.md."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import chdtri

import heightnet
from heightnet.adjust import Fit
from heightnet.judge.assess import Bench, Reliability, Subject, Verdicts
from heightnet.judge.causes import CauseFit, Records, group_causes, rank_causes, rank_level_causes
from heightnet.judge.critical import tau_critical
from heightnet.judge.family import HEIGHTS, ONE_OBSERVATION
from heightnet.judge.reduction import UNTESTABLE
from heightnet.judge.wide import WideBench, WideVerdicts
from heightnet.network.loops import loops_of
from heightnet.network.model import DATUM, Kind, Network
from heightnet.reduce.tape import reading_ids
from heightnet.rows import Rows

Floats = npt.NDArray[np.float64]
Record = dict[str, Any]

MOVES_SHOWN = 8
LEAST_SHOWN_M = 1e-4  # of a mark in an explanation of a large job
LEAST_MOVE = 1e-6  # of an error: a mark that moves less does not move
MEMBERS_LISTED = 10_000  # of a group; of a larger one results.json says how many there are
RESIDUALS_UP_TO = 20_000  # observations up to which every explanation carries its residuals


def number(value: float | None, factor: float = 1.0) -> float | None:
    """The value times a factor as a plain float; None where there is none."""
    if value is None or not np.isfinite(value):
        return None
    return float(value) * factor


class JobFacts:
    """Everything a result says about one judged job.

    Parameters
    ----------
    bench, verdicts, reliability : from `heightnet.judge.assess`.
    fit : the adjustment with nothing freed.
    """

    def __init__(
        self, bench: Bench | WideBench, verdicts: Verdicts | WideVerdicts, reliability: Reliability, fit: Fit
    ) -> None:
        self.bench, self.verdicts, self.reliability, self.fit = bench, verdicts, reliability, fit
        self.net: Network = bench.net
        self.job = self.net.job
        self.family = bench.family
        self.wide = isinstance(bench, WideBench)
        self.decided = verdicts.decided
        self._effects: dict[int, Floats] = {}
        nodes = self.net.nodes
        self.mark_nodes = np.flatnonzero(nodes.kind == "mark")

    # ---- how an error of each hypothesis moves the marks ----

    def effect(self, hypotheses: npt.NDArray[np.int64]) -> Floats:
        """(marks, len) movement of each mark for a unit error of each of these hypotheses."""
        if not self.wide:
            return self._whole_effect[:, hypotheses]
        missing = np.array([h for h in dict.fromkeys(hypotheses.tolist()) if h not in self._effects], dtype=np.int64)
        if len(missing):
            found = self._effect_of(missing)
            self._effects |= {int(h): found[:, i] for i, h in enumerate(missing)}
        columns = [self._effects[int(h)] for h in hypotheses]
        return np.column_stack(columns) if columns else np.zeros((len(self.mark_nodes), 0))

    @cached_property
    def _whole_effect(self) -> Floats:
        return self._effect_of(np.arange(len(self.family)))

    def _effect_of(self, hypotheses: npt.NDArray[np.int64]) -> Floats:
        P = 1 / self.net.sd**2
        C = self.family.C[:, hypotheses]
        shift = self.fit.solve((self.net.A.T @ C.multiply(P[:, None])).toarray())
        return self._with_held(self._of_marks(shift), hypotheses)

    def _of_marks(self, of_unknowns: Floats) -> Floats:
        """The rows of an (n, ...) array that belong to the marks; 0 for marks that are no unknowns."""
        column = self.net.nodes.column[self.mark_nodes]
        out = np.zeros((len(column), *of_unknowns.shape[1:]))
        out[column >= 0] = of_unknowns[column[column >= 0]]
        return out

    def _with_held(self, effect: Floats, hypotheses: npt.NDArray[np.int64]) -> Floats:
        """A wrong height of a mark held exactly is the mark's own error too."""
        held = set(self.net.held.tolist())
        for i in np.flatnonzero(self.family.kind[hypotheses] == "known"):
            node = int(self.family.node[hypotheses[i]])
            if node in held:
                effect[np.searchsorted(self.mark_nodes, node), i] = 1.0
        return effect

    def moves(self, h: int) -> list[Record]:
        """The marks that an error of this hypothesis moves most, for each millimetre."""
        move = self.effect(np.array([h]))[:, 0]
        order = np.argsort(-np.abs(move).round(9), kind="stable")[:MOVES_SHOWN]  # equal ones as listed
        names = self.net.nodes.name[self.mark_nodes]
        return [{"mark": str(names[i]), "per_mm": float(move[i])} for i in order if abs(move[i]) > LEAST_MOVE]

    # ---- verdicts ----

    def verdict(self, key: tuple[str, int], h: int) -> str:
        """Verdict of a thing by its deciding hypothesis."""
        if key in self.decided:
            return self.decided[key]
        if self.bench.classes.redundancy[h] <= UNTESTABLE:
            return "unproved"
        hidden = self.reliability.detectable[h] * 1000
        return "proved" if hidden <= self.job.settings.test.tolerance_mm else "weak"

    def tested(self, h: int) -> Record:
        """What the test of one hypothesis found."""
        error, sd, w = self.verdicts.freed
        return {
            "error_mm": number(error[h], 1000),
            "error_sd_mm": number(sd[h], 1000),
            "w": number(w[h]),
            "redundancy": float(self.bench.classes.redundancy[h]),
            "smallest_detectable_mm": number(self.reliability.detectable[h], 1000),
        }

    def tested_many(self, h: npt.NDArray[np.int64]) -> dict[str, npt.NDArray[Any]]:
        """The same, and probability and verdict, of many single-observation hypotheses."""
        v = self.verdicts
        error, sd, w = v.freed
        verdict = self.undecided(h)
        for i in np.flatnonzero(v.probability[h] > 0.01):
            verdict[i] = self.decided.get(("other", int(h[i])), verdict[i])
        return {
            "error_mm": error[h] * 1000,
            "error_sd_mm": sd[h] * 1000,
            "w": w[h],
            "redundancy": self.bench.classes.redundancy[h],
            "smallest_detectable_mm": self.reliability.detectable[h] * 1000,
            "probability": v.probability[h],
            "verdict": verdict,
        }

    def undecided(self, h: npt.NDArray[np.int64]) -> npt.NDArray[np.object_]:
        """Verdicts of hypotheses that nothing accuses: what an error of them could do unseen."""
        small = self.reliability.detectable[h] * 1000 <= self.job.settings.test.tolerance_mm
        verdict = np.where(small, "proved", "weak").astype(object)
        verdict[self.bench.classes.redundancy[h] <= UNTESTABLE] = "unproved"
        return verdict

    def ids(self, hypotheses: Iterable[int]) -> list[str]:
        return [str(self.family.ids[h]) for h in hypotheses]

    # ---- the parts of the result ----

    def head(self) -> Record:
        settings = self.job.settings
        return {
            "schema": "heightnet-results/1",
            "job": {
                "name": self.job.name,
                "title": settings.title,
                "length_unit": settings.units.length,
                "angle_unit": settings.units.angle,
                "invented": "invented" in settings.title.lower(),
            },
            "heightnet": {"version": heightnet.__version__},
            "settings": asdict(settings),
        }

    def fit_facts(self) -> Record:
        fit, test, v = self.fit, self.job.settings.test, self.verdicts
        k, by = self.bench.critical
        largest = v.largest
        limit = float(chdtri(fit.dof, test.false_alarm)) if fit.dof else None
        tape_factor, sight_factor = v.factors
        return {
            "observations": len(self.net.y),
            "unknowns": int(self.net.A.shape[1]),
            "redundancy": int(fit.dof),
            "variance_factor": number(fit.variance_factor),
            "chi2": float(fit.chi2),
            "chi2_limit": limit,
            "passed": bool(fit.chi2 <= limit) if limit is not None else None,
            "hypotheses": len(self.family),
            "classes": len(self.bench.classes.representative),
            "critical_w": number(k),
            "critical_by": by,
            "largest_w": number(v.w[largest]) if largest >= 0 else None,
            "largest_w_id": str(self.family.ids[largest]) if largest >= 0 else None,
            "alarm": bool(largest >= 0 and abs(v.w[largest]) > k),
            "largest_tau": number(v.w[largest] / np.sqrt(fit.variance_factor)) if largest >= 0 and fit.chi2 else None,
            "critical_tau": tau_critical(fit.dof, test.false_alarm / max(1, len(self.bench.classes.representative))),
            "delta0": self.reliability.delta0,
            "tape_factor": tape_factor,
            "sight_factor": sight_factor,
        }

    def pieces(self) -> list[Record]:
        net, names = self.net, self.net.nodes.name
        setup_piece = net.nodes.piece[net.setup_node]
        setups = self.job.setups["setup"].to_numpy(object)
        known = {DATUM, *net.held.tolist(), *net.head[net.rows(Kind.KNOWN)].tolist()}
        out = []
        for piece in net.pieces:
            by = "known marks" if len(known) > 1 else "heights by a positioning service"
            marks = piece.nodes[net.nodes.kind[piece.nodes] == "mark"]
            out.append(
                {
                    "piece": piece.label,
                    "tied": piece.tied,
                    "datum": by if piece.tied else "first mark held at 0",
                    "datum_mark": None if piece.tied else str(names[piece.datum]),
                    "marks": [str(n) for n in names[marks]],
                    "setups": [str(s) for s in setups[setup_piece == piece.label]],
                }
            )
        return out

    def undetermined(self) -> list[Record]:
        kinds = {"mark": "mark", "setup": "setup", "target": "target", "tripod": "setup", "level": "setup"}
        nodes = self.net.nodes
        return [
            {
                "kind": kinds[str(nodes.kind[n])],
                "name": str(nodes.name[n]),
                "reason": "no observation ties it to anything else in the job",
            }
            for n in self.net.undetermined
        ]

    def marks(self) -> Rows:
        nodes, fit, at = self.net.nodes, self.fit, self.mark_nodes
        name, column = nodes.name[at], nodes.column[at]
        listed = pd.Index(self.job.marks["mark"], dtype=object).get_indexer(pd.Index(name, dtype=object))
        values = {}
        for key in ("height", "east", "north"):
            values[key] = np.append(self.job.marks[key].to_numpy(float), np.nan)[listed]
        placed = np.isfinite(nodes.height[at])
        height = nodes.height[at] + self._of_marks(fit.x)
        corrected, corrected_sd = self.corrected
        hidden, by = self._hidden()
        piece = nodes.piece[at].astype(object)
        piece[~placed] = None
        hidden_by = np.full(len(by), None, dtype=object)
        hidden_by[by >= 0] = self.family.ids[by[by >= 0]]
        return Rows(
            {
                "mark": name,
                "height_m": height,
                "sd_mm": np.where(placed, np.where(column >= 0, self._of_marks(fit.sd_x) * 1000, 0.0), np.nan),
                "known_m": values["height"],
                "corrected_height_m": height + corrected,
                "corrected_sd_mm": np.where(placed, corrected_sd * 1000, np.nan),
                "hidden_mm": hidden * 1000,
                "hidden_by": hidden_by,
                "east_m": values["east"],
                "north_m": values["north"],
                "piece": piece,
                "known": np.isfinite(values["height"]),
            }
        )

    @cached_property
    def corrected(self) -> tuple[Floats, Floats]:
        """Shift of each mark and its sd (marks,), averaged over the explanations kept, their disagreement included."""
        base = self._of_marks(self.fit.sd_x) ** 2
        mean = np.zeros(len(base))
        second = np.zeros(len(base))
        total = sum(e.probability for e in self.verdicts.explanations)
        for e in self.verdicts.explanations:
            effect = self.effect(e.members)
            shift = -effect @ e.error
            variance = base + np.einsum("ms,st,mt->m", effect, e.covariance, effect)
            mean += e.probability / total * shift
            second += e.probability / total * (variance + shift**2)
        return mean, np.sqrt(np.maximum(second - mean**2, 0.0))

    def _hidden(self) -> tuple[Floats, npt.NDArray[np.int64]]:
        """The most an undetected error could move each mark, and whose; inf where nothing limits it."""
        if self.wide:
            return self._hidden_bound()
        single = np.flatnonzero(~self.family.of("group", "swap"))
        move = np.abs(self.effect(single))
        size = self.reliability.detectable[single]
        with np.errstate(invalid="ignore"):
            hidden = np.where(move > LEAST_MOVE, move * size[None, :], 0.0)
        if not len(single):
            return np.zeros(len(move)), np.full(len(move), -1, dtype=np.int64)
        by = np.argmax(hidden.round(9), axis=1)  # of equal ones the first
        most = hidden[np.arange(len(hidden)), by]
        return most, np.where(most > 0, single[by], -1)

    def _hidden_bound(self) -> tuple[Floats, npt.NDArray[np.int64]]:
        """For large jobs: Baarda's bound delta0 sqrt((1 - r) / r) sd of the mark, over what touches it or its stands.

        Nothing limits the height of a mark that hangs by an untested observation.
        """
        net, nodes = self.net, self.net.nodes
        single = np.flatnonzero(self.family.of(*HEIGHTS, *ONE_OBSERVATION))
        edge = self.bench.edge_of[single]  # type: ignore[union-attr]
        single, edge = single[edge >= 0], edge[edge >= 0]
        r = self.bench.classes.redundancy[single]
        reach = np.where(r > UNTESTABLE, np.sqrt((1 - r) / np.maximum(r, UNTESTABLE)), np.inf) * self.reliability.delta0
        most = np.full(len(nodes), -1.0)
        by = np.full(len(nodes), -1, dtype=np.int64)
        order = np.argsort(reach, kind="stable")
        for end in (net.tail[edge], net.head[edge]):
            mark = np.where(nodes.kind[end] == "mark", end, nodes.mark[end])
            here = order[(mark[order] >= 0)]
            larger = reach[here] > most[mark[here]]
            most[mark[here][larger]], by[mark[here][larger]] = reach[here][larger], single[here][larger]
        column = nodes.column[self.mark_nodes]
        sd = self._of_marks(self.fit.sd_x)
        hidden = np.where(most[self.mark_nodes] > 0, most[self.mark_nodes] * sd, 0.0)
        hidden[column < 0] = 0.0
        return hidden, np.where(hidden > 0, by[self.mark_nodes], -1)

    def shots(self) -> Rows:
        net, job = self.net, self.job
        rows, shots = net.rows(Kind.SHOT), job.shots
        h = self.hypotheses_of(rows)
        place = net.nodes.name[net.nodes.mark]
        place[net.nodes.mark < 0] = None
        at, to = net.setup_node[net.shot_setup], net.target_node[net.shot_target]
        return Rows(
            {
                "id": self.family.ids[h],
                "file": [job.files["shots"]] * len(shots),
                "row": shots["row"].to_numpy(),
                "setup": shots["setup"].to_numpy(object),
                "target": shots["target"].to_numpy(object),
                "from_mark": place[at],
                "to_mark": place[to],
                "session": shots["session"].to_numpy(object),
                "face": shots["face"].to_numpy(object),
                "slope_distance_m": shots["slope_distance"].to_numpy(float),
                "zenith_deg": np.degrees(shots["zenith_angle"].to_numpy(float)),
                "horizontal_m": net.sights.horizontal,
                "rise_m": net.sights.rise,
                "sd_mm": net.sd[rows] * 1000,
                "residual_mm": self.fit.v[rows] * 1000,
                **self.tested_many(h),
            }
        )

    def levels(self) -> Rows:
        rows, levels = self.net.rows(Kind.LEVEL), self.job.levels
        h = self.hypotheses_of(rows)
        return Rows(
            {
                "id": self.family.ids[h],
                "file": [self.job.files["levels"]] * len(levels),
                "row": levels["row"].to_numpy(),
                "from_mark": levels["from_mark"].to_numpy(object),
                "to_mark": levels["to_mark"].to_numpy(object),
                "run": levels["run"].to_numpy(object),
                "rise_m": levels["rise"].to_numpy(float),
                "length_m": levels["length"].to_numpy(float),
                "sd_mm": self.net.sd[rows] * 1000,
                "residual_mm": self.fit.v[rows] * 1000,
                **self.tested_many(h),
            }
        )

    def staff(self) -> Rows:
        rows, staff = self.net.rows(Kind.STAFF), self.job.staff
        h = self.hypotheses_of(rows)
        return Rows(
            {
                "id": self.family.ids[h],
                "file": [self.job.files["staff"]] * len(staff),
                "row": staff["row"].to_numpy(),
                **{c: staff[c].to_numpy(object) for c in ("level_setup", "mark", "name", "run", "sight")},
                "reading_m": staff["reading"].to_numpy(float),
                "distance_m": staff["distance"].to_numpy(float),
                "sd_mm": self.net.sd[rows] * 1000,
                "residual_mm": self.fit.v[rows] * 1000,
                **self.tested_many(h),
            }
        )

    def known(self) -> Rows:
        h = np.flatnonzero(self.family.of("known"))
        node, obs = self.family.node[h], self.family.observation[h]
        seen = obs >= 0
        return Rows(
            {
                "id": self.family.ids[h],
                "mark": self.net.nodes.name[node],
                "height_m": np.where(seen, self.net.rise[obs], self.net.nodes.height[node]),
                "sd_mm": np.where(seen, self.net.sd[obs] * 1000, 0.0),
                "residual_mm": np.where(seen, self.fit.v[obs] * 1000, 0.0),
                **self.tested_many(h),
            }
        )

    def hypotheses_of(self, rows: slice) -> npt.NDArray[np.int64]:
        """The single-observation hypothesis of each observation in a slice."""
        where = np.full(len(self.net.y), -1, dtype=np.int64)
        own = ~self.family.of(*HEIGHTS, "reading") & (self.family.observation >= 0)
        where[self.family.observation[own]] = np.flatnonzero(own)
        return where[rows]

    def groups(self) -> list[Record]:
        out = []
        for h in np.flatnonzero(self.family.of("group")).tolist():
            _, kind, name = str(self.family.ids[h]).split(":", 2)
            members = self.family.members(h)
            out.append(
                {
                    "id": str(self.family.ids[h]),
                    "group": name,
                    "kind": kind,
                    "members": len(members),
                    "member_ids": self.observation_ids(members) if len(members) <= MEMBERS_LISTED else [],
                    **self.tested(h),
                    "probability": float(self.verdicts.probability[h]),
                    "verdict": self.verdict(("other", h), h),
                    "reason": self._why_untestable(h),
                }
            )
        return out

    def _why_untestable(self, h: int) -> str:
        if self.bench.classes.redundancy[h] > UNTESTABLE:
            return ""
        if np.abs(self.effect(np.array([h]))).max(initial=0.0) <= LEAST_MOVE:
            return "an error common to all of these cancels out of every height in the job: it is harmless here"
        return "an error common to all of these leaves every loop closing as before: nothing in the job shows it"

    def observation_ids(self, observations: npt.NDArray[np.int64]) -> list[str]:
        """Ids of observations as things: a stand for a tape reading, else the observation itself."""
        name = self._observation_name
        return list(dict.fromkeys(str(name[o]) for o in observations))

    @cached_property
    def _observation_name(self) -> npt.NDArray[np.object_]:
        name = np.full(len(self.net.y), "", dtype=object)
        own = np.flatnonzero((self.family.observation >= 0) & self.family.of(*ONE_OBSERVATION))
        name[self.family.observation[own]] = self.family.ids[own]
        stand = np.flatnonzero(self.family.of(*HEIGHTS))
        of_node = np.full(len(self.net.nodes), "", dtype=object)
        of_node[self.family.node[stand]] = self.family.ids[stand]
        rows = self.net.rows(Kind.HEIGHT)
        name[rows] = of_node[self.net.head[rows]]
        return name

    def loops(self) -> list[Record]:
        return [
            {
                "marks": list(loop.marks),
                "ids": self.observation_ids(loop.edges),
                "length_km": loop.length_km,
                "misclosure_mm": loop.misclosure * 1000,
                "expected_sd_mm": loop.expected_sd * 1000,
                "allowed_mm": loop.allowed * 1000,
                "tolerance": loop.by,
                "closes": bool(abs(loop.misclosure) <= loop.allowed),
            }
            for loop in loops_of(self.net)
        ]

    def explanations(self) -> list[Record]:
        best = self.verdicts.explanations[0].probability
        names = self.net.nodes.name[self.mark_nodes]
        base_height = self.net.nodes.height[self.mark_nodes] + self._of_marks(self.fit.x)
        base_variance = self._of_marks(self.fit.sd_x) ** 2
        edges = self.net.edge_count
        out = []
        for e in self.verdicts.explanations:
            effect = self.effect(e.members)
            height = base_height - effect @ e.error
            sd = np.sqrt(base_variance + np.einsum("ms,st,mt->m", effect, e.covariance, effect))
            residuals: dict[str, float] = {}
            if edges <= RESIDUALS_UP_TO:
                v = self.fit.residuals_without(self.family.C[:, e.members] @ e.error)[:edges] * 1000
                residuals = dict(zip(self._single_ids, v.tolist(), strict=True))
            label = self.bench.classes.label
            out.append(
                {
                    "probability": e.probability,
                    "odds_against_best": best / e.probability,
                    "members": [
                        {"id": str(self.family.ids[h]), "error_mm": float(b * 1000), "error_sd_mm": float(s * 1000)}
                        for h, b, s in zip(e.members, e.error, np.sqrt(np.diag(e.covariance)), strict=True)
                    ],
                    "also": [
                        self.ids(int(x) for x in self.bench.classes.members(int(label[h])) if x != h) for h in e.members
                    ],
                    "marks": self._marks_shown(names, height, sd, base_height),
                    "residuals_mm": residuals,
                    "setups": self._setups_under(e.members, e.error),
                }
            )
        return out

    def _marks_shown(self, names: npt.NDArray[np.object_], height: Floats, sd: Floats, before: Floats) -> list[Record]:
        """Marks under an explanation; of a large job those that it moves."""
        shown = np.arange(len(names)) if not self.wide else np.flatnonzero(np.abs(height - before) > LEAST_SHOWN_M)
        return Rows({"mark": names[shown], "height_m": height[shown], "sd_mm": sd[shown] * 1000})[:]

    @cached_property
    def _single_ids(self) -> list[str]:
        """Id of each observation that ties two places, a tape reading by its file and row."""
        names = self._observation_name.copy()
        names[self.net.rows(Kind.HEIGHT)] = reading_ids(self.net.readings)
        return [str(name) for name in names[: self.net.edge_count]]

    def _setups_under(self, members: npt.NDArray[np.int64], error: Floats) -> list[Record]:
        """Instrument heights that follow for the set-ups an explanation touches."""
        touched: dict[int, list[float]] = {}
        for h, b in zip(members.tolist(), error, strict=True):
            for o, c in zip(self.family.members(h), self.family.C[:, [h]].data, strict=True):
                if self.net.kind[o] == Kind.HEIGHT:
                    touched.setdefault(int(self.net.head[o]), []).append(float(c * b))
        out = []
        for i in np.flatnonzero(np.isin(self.net.setup_node, list(touched))).tolist():
            node = int(self.net.setup_node[i])
            recorded = self.recorded_height(node, float(self.net.setup_axis[i]))
            if recorded is not None:
                name = str(self.job.setups["setup"].iloc[i])
                out.append({"setup": name, "corrected_m": recorded - float(np.mean(touched[node]))})
        return out

    @cached_property
    def stand_mean(self) -> tuple[Floats, Floats]:
        """(nodes,) weighted mean of each stand's reduced readings above its mark, and its sd; NaN where it has none."""
        rows = self.net.rows(Kind.HEIGHT)
        weight = 1 / self.net.sd[rows] ** 2
        node = self.net.head[rows]
        size = len(self.net.nodes)
        total = np.bincount(node, weights=weight, minlength=size).astype(float)
        total[total == 0] = np.nan
        value = np.bincount(node, weights=weight * self.net.rise[rows], minlength=size)
        return value / total, 1 / np.sqrt(total)

    def recorded_height(self, node: int, axis: float) -> float | None:
        """Recorded height of an instrument or target above its mark, None where none was."""
        return number(self.stand_mean[0][node] + axis)

    def cross_check(self) -> Record:
        best = self.ids(self.verdicts.best_subset)
        likeliest = set(self.ids(self.verdicts.explanations[0].members))
        return {
            "agrees": set(best) == likeliest,
            "best_subset": best,
            "one_at_a_time": self.ids(self.verdicts.one_at_a_time),
        }

    def suspects(self) -> list[Record]:
        """What is probably wrong, likeliest first, then the rivals of what is undecided."""
        found = [t for t in self.verdicts.things if t.key in self.decided]
        chance = {t.key: self.verdicts.any_of(t.hypotheses) for t in found}
        found.sort(key=lambda t: (self.decided[t.key] != "suspect", -chance[t.key]))
        out = []
        for order, thing in enumerate(found, start=1):
            h = self.leading(thing)
            error, sd = self.size_of(h)
            kind, name = str(self.family.ids[h]).split(":", 1)
            cause = self.cause_of(h, error, sd)
            moved = [{"mark": m["mark"], "moved_mm": m["per_mm"] * error * 1000} for m in self.moves(h)]
            out.append(
                {
                    "order": order,
                    "id": str(self.family.ids[h]),
                    "what": kind,
                    "name": name,
                    "error_mm": error * 1000,
                    "error_sd_mm": sd * 1000,
                    "probability": chance[thing.key],
                    "cause": cause.cause if cause else None,
                    "cause_text": cause.text if cause else None,
                    "moved": moved,
                }
            )
        return out

    @cached_property
    def recorded(self) -> Records:
        """What the job recorded, asked for evidence about one suspect at a time."""
        return Records(self.job, self.net.readings)

    def cause_of(self, h: int, error: float, sd: float) -> CauseFit | None:
        """The likeliest cause of one hypothesis; None where the hypothesis says it itself (a swap)."""
        kind, id_ = str(self.family.kind[h]), str(self.family.ids[h])
        if kind in ("setup", "target", "tripod", "reading"):
            return rank_causes(self.recorded.height(id_, error, sd))[0]
        if kind in ("shot", "known", "level", "staff", "gnss", "separation"):
            return rank_level_causes(self.recorded.level(id_, error, sd))[0]
        if kind == "group":
            return group_causes(self.recorded.group(id_, error, sd, float(self.family.size[h])))[0]
        return None

    def leading(self, thing: Subject) -> int:
        """The likeliest hypothesis about a thing."""
        p = self.verdicts.probability
        return max(thing.hypotheses, key=lambda h: (p[h], -h))

    def size_of(self, h: int) -> tuple[float, float]:
        """Size of a hypothesis and its sd, averaged over the explanations with it or its class; else its test's."""
        label = self.bench.classes.label
        weight, mean, second = 0.0, 0.0, 0.0
        for e in self.verdicts.explanations:
            for i, member in enumerate(e.members):
                if label[member] == label[h]:
                    b, variance = float(e.error[i]), float(e.covariance[i, i])
                    if member != h:  # another of its class: the same misclosures, in this one's own terms
                        scale = self._scale(int(member), h)
                        b, variance = b * scale, variance * scale**2
                    weight += e.probability
                    mean += e.probability * b
                    second += e.probability * (variance + b**2)
        if weight == 0:
            return float(self.verdicts.error[h]), float(self.verdicts.error_sd[h])
        mean /= weight
        return mean, float(np.sqrt(max(second / weight - mean**2, 0.0)))

    def _scale(self, member: int, h: int) -> float:
        """Size of h for a unit of another hypothesis of its class."""
        diagonal, sign = self.bench.diagonal, self.bench.classes.sign
        return float(np.sqrt(diagonal[member] / diagonal[h]) * sign[member] * sign[h])

    def same_as(self, h: int) -> list[str]:
        own = int(self.family.node[h])
        return self.ids(x for x in self.bench.near(h) if int(self.family.node[x]) != own or own < 0)

    def notes(self) -> list[Record]:
        out = [{"kind": n.kind, "text": n.text, "file": n.file or None, "row": n.row} for n in self.job.notes]
        out += [{"kind": "understood", "text": text, "file": None, "row": None} for text in self.net.notes]
        if not any(p.tied for p in self.net.pieces) and self.net.pieces:
            text = "No known mark: every height is relative to the first mark, which is held at 0."
            out.append({"kind": "understood", "text": text, "file": None, "row": None})
        elif any(not p.tied for p in self.net.pieces):
            loose = [str(self.net.nodes.name[p.datum]) for p in self.net.pieces if not p.tied]
            text = "Not tied to any known mark and adjusted by itself, its first mark held at 0: the part of "
            text += f"{', '.join(loose)}."
            out.append({"kind": "doubt", "text": text, "file": None, "row": None})
        return out
