"""A judged job as facts: the content of results.json, described in docs/results.md."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse
from scipy.special import chdtri

import heightnet
from heightnet.adjust import Fit
from heightnet.arrays import Floats, Ints
from heightnet.job.model import Job
from heightnet.judge.bench import BenchBase
from heightnet.judge.causes import CauseFit, evidence_about, rank_causes
from heightnet.judge.critical import tau_critical
from heightnet.judge.heights import LEAST_POINT, Heights, Posterior
from heightnet.judge.judgement import DOUBT, MANY_WRONG, UNCLEAR, UNEXPLAINED, Judgement
from heightnet.judge.large import LargeBench
from heightnet.judge.places import Key
from heightnet.judge.promises import Promises
from heightnet.judge.proof import Proof, proof_of
from heightnet.judge.reduction import UNTESTABLE
from heightnet.kinds.kind import DATUM, Kind
from heightnet.kinds.records import Records
from heightnet.kinds.registry import code_of, sequences_of
from heightnet.kinds.sequence import Sequence
from heightnet.kinds.stands import stand_heights, stand_weights
from heightnet.ledger.results import SCHEMA
from heightnet.ledger.results import table as declared
from heightnet.ledger.thing import EXCHANGED, OBSERVED, POINTING, STANDS, TAPED, TOGETHER
from heightnet.network.loops import loops_of
from heightnet.network.model import Network
from heightnet.reduce.tape import reading_ids
from heightnet.rows import Nested, Rows
from heightnet.tasks.common import LEAST_MOVE

Record = dict[str, Any]

MOVES_SHOWN = 8
LEAST_TOLD = 0.005  # probability of a height beside another, or of a member of a finding, from which it is told
MEMBERS_LISTED = 10_000  # of a group; of a larger one results.json says how many there are


def head(job: Job, schema: str = SCHEMA) -> Record:
    """What stands at the beginning of a result."""
    settings = job.settings
    return {
        "schema": schema,
        "job": {
            "name": job.name,
            "title": settings.title,
            "length_unit": settings.units.length,
            "angle_unit": settings.units.angle,
            "invented": "invented" in settings.title.lower(),
        },
        "heightnet": {"version": heightnet.__version__},
        "settings": asdict(settings),
    }


def number(value: float | None, factor: float = 1.0) -> float | None:
    """The value times a factor as a plain float; None where there is none."""
    if value is None or not np.isfinite(value):
        return None
    return float(value) * factor


def told_heights(
    found: Heights, name: str, sd_name: str, above: Floats, there: npt.NDArray[np.bool_]
) -> dict[str, Any]:
    """Columns of heights as they are told: no single number where a height has two minds, but each of them.

    Parameters
    ----------
    above : what the heights found are above, m.
    there : which of them exist.
    """
    divided = np.zeros(len(found.mean), dtype=bool)
    divided[[i for i in found.minds if found.divided(i)]] = True
    told = [(i, mind) for i in sorted(found.minds) for mind in found.minds[i] if mind.probability >= LEAST_TOLD]
    count = (
        np.bincount([i for i, _ in told], minlength=len(divided)) if told else np.zeros(len(divided), dtype=np.int64)
    )
    single = there & ~divided
    return {
        name: np.where(single, above + found.mean, np.nan),
        sd_name: np.where(single, found.sd * 1000, np.nan),
        "low_m": np.where(single, above + found.low, np.nan),
        "high_m": np.where(single, above + found.high, np.nan),
        "heights": Nested(
            Rows({
                "height_m": [float(above[i] + mind.mean) for i, mind in told],
                "sd_mm": [mind.sd * 1000 for _, mind in told],
                "probability": [mind.probability for _, mind in told],
                "low_m": [float(above[i] + mind.low) for i, mind in told],
                "high_m": [float(above[i] + mind.high) for i, mind in told],
            }),
            np.concatenate([[0], np.cumsum(count)]).tolist(),
        ),
    }  # fmt: skip


class JobFacts:
    """Everything a result says about one judged job.

    Parameters
    ----------
    judgement : of the job.
    promises : how large errors must be to be found and named.
    fit : the adjustment with nothing freed.
    """

    def __init__(self, judgement: Judgement, promises: Promises, fit: Fit) -> None:
        self.judgement, self.promises, self.fit = judgement, promises, fit
        self.bench: BenchBase = judgement.bench
        self.net: Network = self.bench.net
        self.job = self.net.job
        self.family = self.bench.family
        self.large = isinstance(self.bench, LargeBench)
        self._effects: dict[int, Floats] = {}
        self.mark_nodes = np.flatnonzero(self.net.nodes.kind == "mark")

    def capped(self, probability: float) -> float:
        """A probability as it is told: none above the share that was searched."""
        return float(min(probability, self.judgement.sure_at_most))

    def chance(self, key: Key) -> float:
        """Probability that a thing is wrong, as it is told."""
        return self.capped(self.judgement.chance_of(key))

    # ---- how an error of each hypothesis moves the marks ----

    def effect(self, hypotheses: npt.NDArray[np.int64]) -> Floats:
        """(marks, len) movement of each mark for a unit error of each of these hypotheses."""
        if not self.large:
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
        C = self.family.C[:, hypotheses]
        shift = self.fit.solve((self.net.A.T @ C.multiply((self.net.sd**-2.0)[:, None])).toarray())
        return self._with_held(self.of_marks(shift), hypotheses)

    def of_marks(self, of_unknowns: Floats) -> Floats:
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

    @cached_property
    def proof(self) -> Proof:
        """What each height is proved against."""
        return proof_of(self.bench, self.promises.found)

    @cached_property
    def proofs(self) -> list[list[Record]]:
        """As `heightnet.tasks.proof_facts.proofs` has them."""
        from heightnet.tasks.proof_facts import proofs

        return proofs(self)

    @cached_property
    def found(self) -> Floats:
        """(h,) sizes of errors that are found, m; of a stand's height one misread, or taken to a wrong point.

        Of one in question its readings say no more: the height as a whole.
        """
        out, stands = self.promises.found.copy(), self.proof.stands
        calm = ~np.isin(stands, list(self.in_findings))
        out[stands[calm]] = self.proof.of_verdict[calm]
        return out

    @cached_property
    def in_findings(self) -> set[int]:
        """The heights that a finding is about, be it that no place holds half of it."""
        family = self.family
        members = [m.hypothesis for f in self.judgement.findings for m in f.members if m.probability >= LEAST_TOLD]
        nodes = family.node[[h for h in members if family.kind[h] in TAPED]]
        return set(np.flatnonzero(family.of(*STANDS) & np.isin(family.node, nodes)).tolist())

    @cached_property
    def verdicts(self) -> npt.NDArray[np.object_]:
        """(h,) verdict of each hypothesis as a thing of its own."""
        verdict = self.unaccused.copy()
        named, asked = self.accused
        verdict[list(asked)], verdict[list(named)] = "either", "suspect"
        return verdict

    @cached_property
    def unaccused(self) -> npt.NDArray[np.object_]:
        """(h,) verdicts as they would be if nothing were told of a finding: by its test and its probability alone."""
        small = self.found * 1000 <= self.job.settings.test.tolerance_mm
        verdict = np.where(small, "proved", "weak").astype(object)
        unclear = self.judgement.state in (UNCLEAR, MANY_WRONG, UNEXPLAINED)
        verdict[small & (unclear | (self.judgement.probability > DOUBT))] = "doubted"
        verdict[(self.bench.classes.redundancy <= UNTESTABLE) & np.isinf(self.found)] = "unproved"
        return verdict

    @cached_property
    def tests(self) -> tuple[Floats, Floats, Floats]:
        """Error, sd and w (h,); of what is in a finding as it is told there."""
        error, sd, w = (values.copy() for values in self.judgement.freed)
        for finding in self.judgement.findings:
            for member in finding.members[:MEMBERS_LISTED]:
                error[member.hypothesis], sd[member.hypothesis] = self.judgement.size_of(member.hypothesis)
        return error, sd, w

    @cached_property
    def accused(self) -> tuple[set[int], set[int]]:
        """Hypotheses of what is named, and of what is in question."""
        from heightnet.tasks.judgement_facts import accused

        return accused(self)

    @cached_property
    def told_within(self) -> Floats:
        """(h,) probability of what is told that makes each hypothesis wrong with it: a common error, a swap; else 0."""
        from heightnet.tasks.event_facts import event_shares
        from heightnet.tasks.judgement_facts import COMMON, parts

        out = np.zeros(len(self.family))
        members = [m for f in self.judgement.findings if f.level > 0 for m in f.members]
        for m in members:
            if self.family.kind[m.hypothesis] in (*TOGETHER, "exchange", POINTING) and m.probability >= COMMON:
                within = list(parts(self, m.hypothesis))
                out[within] = np.maximum(out[within], m.probability)
        for f in self.judgement.findings:
            if f.level > 0:
                for h, p in event_shares(self, f).items():
                    out[h] = max(out[h], p)
        return out

    def tested(self, h: int) -> Record:
        """What the test of one hypothesis found."""
        many = self.tested_many(np.array([h]))
        return {name: number(value[0]) if name != "verdict" else value[0] for name, value in many.items()}

    def tested_many(self, h: npt.NDArray[np.int64]) -> dict[str, npt.NDArray[Any]]:
        """What the tests of many hypotheses found."""
        error, sd, w = self.tests
        return {
            "error_mm": error[h] * 1000,
            "error_sd_mm": sd[h] * 1000,
            "w": w[h],
            "redundancy": self.bench.classes.redundancy[h],
            "smallest_found_mm": self.found[h] * 1000,
            "probability": np.minimum(
                np.maximum(self.judgement.probability[h], self.told_within[h]), self.judgement.sure_at_most
            ),
            "verdict": self.verdicts[h],
        }

    def ids(self, hypotheses: Iterable[int]) -> list[str]:
        return [str(self.family.ids[h]) for h in hypotheses]

    # ---- the parts of the result ----

    def head(self) -> Record:
        return head(self.job)

    def fit_facts(self) -> Record:
        fit, test, j = self.fit, self.job.settings.test, self.judgement
        closing, largest = self.bench.closing, j.largest
        limit = float(chdtri(fit.dof, test.false_alarm)) if fit.dof else None
        tape_factor, sight_factor = j.factors
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
            "critical_w": number(closing.k),
            "critical_log_odds": number(closing.theta),
            "critical_by": closing.by,
            "largest_w": number(j.w[largest]) if largest >= 0 else None,
            "largest_w_id": str(self.family.ids[largest]) if largest >= 0 else None,
            "log_odds": number(j.seen.log_odds),
            "alarm": j.said,
            "largest_tau": number(j.w[largest] / np.sqrt(fit.variance_factor)) if largest >= 0 and fit.chi2 else None,
            "critical_tau": tau_critical(fit.dof, test.false_alarm / max(1, len(self.bench.classes.representative))),
            "tape_factor": tape_factor,
            "sight_factor": sight_factor,
        }

    def pieces(self) -> list[Record]:
        net, names = self.net, self.net.nodes.name
        setup_piece = net.nodes.piece[net.setup_node]
        setups = self.job.setups["setup"].to_numpy(object)
        known = {DATUM, *net.held.tolist(), *net.head[net.rows("known")].tolist()}
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
        height = nodes.height[at] + self.of_marks(fit.x)
        corrected = self.corrected
        hidden, by = self._hidden()
        piece = nodes.piece[at].astype(object)
        piece[~placed] = None
        hidden_by = np.full(len(by), None, dtype=object)
        hidden_by[by >= 0] = self.family.ids[by[by >= 0]]
        return Rows(
            {
                "mark": name,
                "height_m": height,
                "sd_mm": np.where(placed, np.where(column >= 0, self.sd_of_marks * 1000, 0.0), np.nan),
                "known_m": values["height"],
                **told_heights(corrected, "corrected_height_m", "corrected_sd_mm", nodes.height[at], placed),
                "hidden_mm": hidden * 1000,
                "hidden_by": hidden_by,
                "east_m": values["east"],
                "north_m": values["north"],
                "piece": piece,
                "known": np.isfinite(values["height"]),
            }
        )

    @cached_property
    def points(self) -> list[int]:
        """Points of the factor grid that matter."""
        grid = self.bench.grid_of(self.judgement.looks)
        return np.flatnonzero(grid >= LEAST_POINT).tolist() or [int(np.argmax(grid))]

    @cached_property
    def sd_of_marks(self) -> Floats:
        """(marks,) standard deviations of the heights as recorded, with the factors that the job shows."""
        grid = self.bench.grid_of(self.judgement.looks)
        total = sum(grid[g] * self.of_marks(self.bench.fit_at(g).sd_x) ** 2 for g in self.points)
        return np.asarray(np.sqrt(total / grid[self.points].sum()))

    @cached_property
    def posterior(self) -> Posterior:
        return Posterior(self.judgement)

    @cached_property
    def corrected(self) -> Heights:
        """Heights of the marks, less their approximate ones, as the whole posterior has them."""
        points, y = self.posterior.points, self.judgement.y
        base = np.array([self.of_marks(self.bench.adjusted(g, y)) for g in points])
        variance = np.array([self.of_marks(self.bench.fit_at(g).sd_x) ** 2 for g in points])
        return self.posterior.mixed(base, variance, self._effect_on_marks)

    def _effect_on_marks(self, g: int, hypotheses: list[int]) -> Any:
        """(marks, s) what unit errors do to the marks at one point of the factor grid."""
        some = np.array(hypotheses, dtype=np.int64)
        moved = self.bench.moved(g, some)
        if not sparse.issparse(moved):
            return self._with_held(self.of_marks(moved), some)
        column = self.net.nodes.column[self.mark_nodes]
        there = np.flatnonzero(column >= 0)
        place = sparse.csr_array(
            (np.ones(len(there)), (there, column[there])), shape=(len(column), self.net.A.shape[1])
        )
        held = self._with_held(np.zeros((len(column), len(some))), some) if len(self.net.held) else None
        found = place @ moved
        return found if held is None else found + sparse.csr_array(held)

    def _hidden(self) -> tuple[Floats, npt.NDArray[np.int64]]:
        """The most an undetected error could move each mark, and whose; inf where nothing limits it."""
        if self.large:
            return self._hidden_bound()
        single = np.flatnonzero(~self.family.of(*TOGETHER, *EXCHANGED))
        move = np.abs(self.effect(single))
        size = self.found[single]
        with np.errstate(invalid="ignore"):
            hidden = np.where(move > LEAST_MOVE, move * size[None, :], 0.0)
        if not len(single):
            return np.zeros(len(move)), np.full(len(move), -1, dtype=np.int64)
        by = np.argmax(hidden.round(9), axis=1)  # of equal ones the first
        most = hidden[np.arange(len(hidden)), by]
        return most, np.where(most > 0, single[by], -1)

    def _hidden_bound(self) -> tuple[Floats, npt.NDArray[np.int64]]:
        """For large jobs: Baarda's bound delta sqrt((1 - r) / r) sd of the mark, over what touches it or its stands.

        Nothing limits the height of a mark that hangs by an untested observation.
        """
        net, nodes = self.net, self.net.nodes
        single = np.flatnonzero(self.family.of(*STANDS, *OBSERVED))
        edge = self.bench._edge_of[single]  # type: ignore[attr-defined]
        single, edge = single[edge >= 0], edge[edge >= 0]
        r = self.bench.classes.redundancy[single]
        delta = self.bench.delta
        reach = np.where(r > UNTESTABLE, np.sqrt((1 - r) / np.maximum(r, UNTESTABLE)), np.inf) * delta
        most = np.full(len(nodes), -1.0)
        by = np.full(len(nodes), -1, dtype=np.int64)
        order = np.argsort(reach, kind="stable")
        for end in (net.tail[edge], net.head[edge]):
            mark = np.where(nodes.kind[end] == "mark", end, nodes.mark[end])
            here = order[(mark[order] >= 0)]
            larger = reach[here] > most[mark[here]]
            most[mark[here][larger]], by[mark[here][larger]] = reach[here][larger], single[here][larger]
        sd = self.of_marks(self.fit.sd_x)
        moves = (most[self.mark_nodes] > 0) & (nodes.column[self.mark_nodes] >= 0)  # a held mark does not move
        hidden = np.zeros(len(sd))
        hidden[moves] = most[self.mark_nodes][moves] * sd[moves]
        return hidden, np.where(hidden > 0, by[self.mark_nodes], -1)

    def rows(self, kind: Kind) -> Rows:
        """The table of a kind's observations: what is declared of it and nobody tells is what the job's table says."""
        rows, table = self.net.rows(kind.name), self.job.tables[kind.table]
        h = self.hypotheses_of(rows)
        found = {
            "id": self.family.ids[h],
            "file": [self.job.files[kind.table]] * len(table),
            **(kind.told(self.net) if kind.told else {}),
            "sd_mm": self.net.sd[rows] * 1000,
            "residual_mm": self.fit.v[rows] * 1000,
            **self.tested_many(h),
        }
        names = declared(kind.table).names
        return Rows({key: found[key] if key in found else table[key.removesuffix("_m")].to_numpy() for key in names})

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
        own = ~self.family.of(*TAPED) & (self.family.observation >= 0)
        where[self.family.observation[own]] = np.flatnonzero(own)
        return where[rows]

    def groups(self) -> list[Record]:
        out = []
        for h in np.flatnonzero(self.family.of("group")).tolist():
            kind, name = self.family.thing(h).pair
            members = self.family.members(h)
            out.append(
                {
                    "id": str(self.family.ids[h]),
                    "group": name,
                    "kind": kind,
                    "members": len(members),
                    "member_ids": self.observation_ids(members) if len(members) <= MEMBERS_LISTED else [],
                    **self.tested(h),
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
        own = np.flatnonzero((self.family.observation >= 0) & self.family.of(*OBSERVED))
        name[self.family.observation[own]] = self.family.ids[own]
        stand = np.flatnonzero(self.family.of(*STANDS))
        of_node = np.full(len(self.net.nodes), "", dtype=object)
        of_node[self.family.node[stand]] = self.family.ids[stand]
        rows = self.net.rows("height")
        name[rows] = of_node[self.net.head[rows]]
        return name

    def touching(self, observations: Ints) -> set[int]:
        """The whole heights and the single observations that these observations are of."""
        stands = np.unique(self.net.head[observations[self.net.kind[observations] == code_of("height")]])
        whole = self.family.of(*STANDS) & np.isin(self.family.node, stands)
        single = self.family.of(*OBSERVED) & np.isin(self.family.observation, observations)
        return set(np.flatnonzero(whole | single).tolist())

    @cached_property
    def sequences(self) -> dict[tuple[str, str], Sequence]:
        """The uses one after the other of what may be wrong for a while, by kind and name of the common error."""
        return {(s.kind, s.name): s for s in sequences_of(self.net)}

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

    @cached_property
    def single_ids(self) -> list[str]:
        """Id of each observation that ties two places, a tape reading by its file and row."""
        names = self._observation_name.copy()
        names[self.net.rows("height")] = reading_ids(self.net.readings)
        return [str(name) for name in names[: self.net.edge_count]]

    @cached_property
    def stand_mean(self) -> tuple[Floats, Floats]:
        """As `heightnet.kinds.stands.stand_heights` has them."""
        return stand_heights(self.net)

    @cached_property
    def _stand_weights(self) -> Any:
        """As `heightnet.kinds.stands.stand_weights` has them."""
        return stand_weights(self.net)

    def stand_pull(self, hypotheses: list[int]) -> Any:
        """(nodes, len) sparse: what a unit of each puts into the mean of a stand's readings."""
        return self._stand_weights @ self.family.C[self.net.rows("height")][:, list(hypotheses)]

    @cached_property
    def recorded(self) -> Records:
        """What the job recorded, asked for evidence about one suspect at a time."""
        return Records(self.job, self.net.readings)

    def causes_of(self, h: int, error: float, sd: float) -> list[CauseFit]:
        """Causes of one hypothesis, likeliest first; none where the hypothesis says it itself (a swap)."""
        if str(self.family.kind[h]) in EXCHANGED:
            return []
        recorded = evidence_about(self.recorded, str(self.family.ids[h]))
        return rank_causes(recorded.found(error, sd, float(self.family.unit[h])))

    def same_as(self, h: int) -> list[str]:
        """Ids about other things that nothing in the job tells from this one."""
        label = int(self.bench.classes.label[h])
        if label < 0:
            return []
        key_of = self.bench.places.key_of
        own = key_of(h)
        return self.ids(x for x in self.bench.classes.members(label).tolist() if key_of(x) != own)

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
