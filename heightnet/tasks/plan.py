"""Before going back, or before going out: which measurements prove every height, for the fewest minutes."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import asdict, dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import sparse

from heightnet.arrays import Floats, Ints
from heightnet.errors import CannotAdjust, WrongSettings
from heightnet.job.model import Job
from heightnet.job.settings import check_arguments, with_tolerance
from heightnet.judge.bench import BenchBase
from heightnet.judge.gain import Gain
from heightnet.judge.judgement import CONTRADICTED
from heightnet.judge.large import bench_for
from heightnet.judge.names import judged_by
from heightnet.judge.promises import promises
from heightnet.judge.proof import KINDS, OF_VERDICT, Proof, proof_of
from heightnet.kinds.stands import stand_weights
from heightnet.network import build_network
from heightnet.tasks import judgement_facts
from heightnet.tasks.bust import factors
from heightnet.tasks.carried_out import proof_after
from heightnet.tasks.check_marks import check_marks
from heightnet.tasks.design import Design
from heightnet.tasks.drawn import drawn
from heightnet.tasks.facts import JobFacts, Record, head, number
from heightnet.tasks.measurements import WALKING, Minutes
from heightnet.tasks.named import ids_in, named
from heightnet.tasks.next import LARGE_M, Sizes, delta_afterwards, design_rows, in_question, standing, taken_down
from heightnet.tasks.options import PER_STAND, Option, doubted_poles, options_of, stands_up_to
from heightnet.tasks.rivals import Extra, Inquiry, Rivals, fitting, known_ties, needs_of
from heightnet.tasks.route import Ground, Work, on_foot, timetable, walk

SCHEMA = "heightnet-plan/2"
PLANNED_HEIGHT_M = 1.5  # of what a planned job has not measured yet
PLANNED_STEP_M = 1e-5
TESTED_ANEW = 0.75  # of the size found of a height in doubt: what is left of it once it has been tested anew
LEAST_GAIN = 0.01  # of the logarithm of a size, from which a measurement is said to improve it
NEAR_ENOUGH = 1.5  # times what all candidates together would leave, where that misses the goal
TRIED, MORE = 3, 1.01  # times that measurements are chosen, each time with more in hand


def plan(
    job: Job,
    *,
    tolerance: float | None = None,
    budget: float | None = None,
    minutes: Minutes | None = None,
    planned: bool = False,
    gone: bool = False,
    stands: Collection[str] | None = None,
    walking: float = WALKING,
    start: str | None = None,
) -> Record:
    """The measurements to make, what each proves, the way between them, and what is left.

    Parameters
    ----------
    tolerance : error that must not be able to hide in a height, m; by default the job's.
    budget : minutes there are, walking included; None: as many as it takes.
    planned : nothing is observed yet; values are rough, and heights left blank will be taped.
    gone : the set-ups have been taken down: only what works without them.
    stands : names of the set-ups and targets that still stand, all others being gone; None: nobody says.
    walking : minutes a kilometre; start : mark at which the walk begins, None for wherever it is shortest.

    Raises
    ------
    CannotAdjust : nothing in the job ties two places together.
    WrongSettings : tolerance, budget or walking keep no rule, or nobody knows where the start is.
    """
    check_arguments(budget=budget, walking=walking, start=start)
    if stands is not None and (gone or planned):
        why = "all of them are gone" if gone else "a planned job has none yet"
        raise WrongSettings(f"stands: {why}; ask for one of the two.")
    ground = Ground.of(job, walking, start)
    aims = aims_of(job, tolerance, planned)
    return plan_of(aims, budget=budget, minutes=minutes, gone=gone, stands=stands, ground=ground)[0]


def plan_of(
    aims: Aims, *, budget: float | None = None, minutes: Minutes | None = None, gone: bool = False,
    stands: Collection[str] | None = None, ground: Ground | None = None,
) -> tuple[Record, list[Option]]:  # fmt: skip
    """The plan that reaches some aims, and its measurements as they were weighed."""
    minutes, planned = minutes or Minutes(), aims.facts is None
    net, watched, before = aims.bench.net, aims.watched, aims.before
    ground = ground or Ground.of(net.job, WALKING, None)
    nodes = aims.bench.family.node[watched]
    wanted = aims.wanted
    every = {*net.setup_node.tolist(), *net.target_node.tolist()}
    down = every if gone else set() if planned else taken_down(net)
    if stands is not None:
        down = every - standing(net, stands)
    facts, findings = aims.facts, []
    doubted = doubted_poles(facts) if facts else set()
    known = minutes, down, set(nodes[aims.accused].tolist()), doubted
    options = options_of(net, nodes[wanted], before[wanted], *known)
    inquiry = None
    if facts and aims.contradicted:
        findings = judgement_facts.findings(facts)
        rivals = Rivals(facts, findings)
        near = np.array(rivals.stands(), dtype=np.int64)
        about = [*options_of(net, near, np.ones(len(near)), *known), *known_ties(rivals, ground, minutes)]
        inquiry = Inquiry(rivals, about, minutes, doubted)
    made = _chosen(aims, options, inquiry, np.inf if budget is None else budget, ground)
    after = np.minimum(aims.of_verdict(made.sizes), before) if made.chosen else before
    steps, stops, route = _walked(made, aims, after, ground, doubted)
    everything = made.design.detectable(list(range(len(options)))) if made.design else before
    record = {
        **head(net.job, SCHEMA),
        "planned": planned,
        "fit": factors(facts) if facts else {},
        "judgement": judgement_facts.in_short(facts) if facts else {"state": None},
        "findings": findings,
        "needs": needs_of(findings),
        "gone": gone,
        "stands": None if stands is None else sorted(set(stands)),
        "tolerance_mm": aims.limit * 1000,
        "budget_min": budget,
        "minutes": asdict(minutes),
        "candidates": len(options),
        "least_min": min((o.minutes + ground.minutes(walk(ground, [o.work])[0]) for o in options), default=None),
        "cut": len(options) >= PER_STAND * stands_up_to(net),
        "reached": bool(not aims.contradicted and np.all(after <= aims.goal * (1 + 1e-9))),
        **ground.told(stops),
        "route": route,
        "measuring_min": sum(step["minutes"] for step in steps),
        "total_min": steps[-1]["minutes_so_far"] if steps else 0.0,
        "steps": steps,
        "check_marks": check_marks(aims, minutes, ground) if planned else [],
        "unparted": inquiry.unparted(steps) if inquiry else [],
        "dropped": [options[p].told for p in made.dropped],
        "heights": _heights(aims, after, made.sizes, np.minimum(everything, after)),
        "network": drawn(net),
        **named(net, [*aims.ids, *ids_in(findings)]),
    }
    return record, [options[p] for p in made.chosen]


@dataclass(frozen=True)
class Made:
    """What is chosen of some options, what falls away because of the way, and what is done beside.

    told : of each option the findings whose members it tells apart; works : where it is made.
    sizes : (h, kinds) from which errors show then.
    """

    options: list[Option]
    told: list[list[Record]]
    works: list[Work]
    design: Design | None
    chosen: list[int]
    dropped: list[int]
    sizes: Floats
    more: list[Extra]


def _chosen(aims: Aims, options: list[Option], inquiry: Inquiry | None, budget: float, ground: Ground) -> Made:
    """The measurements that reach the aims; before them, and from the same minutes, what finds out about findings."""
    told = inquiry.rivals.told(options) if inquiry else [[] for _ in options]
    works = [replace(option.work, first=bool(parts)) for option, parts in zip(options, told, strict=True)]
    chosen = _choice(aims, options, works, budget, ground, [])
    more: list[Extra] = []
    if inquiry:
        first = inquiry.first([options[p] for p in chosen[1]], [told[p] for p in chosen[1]])
        more = fitting(first, [], 0.0, budget, ground)
        if more and np.isfinite(budget):
            left = budget - sum(step["minutes"] for step, _ in more)
            chosen = _choice(aims, options, works, left, ground, [work for _, work in more])
        spent = sum(options[p].minutes for p in chosen[1]) + sum(step["minutes"] for step, _ in more)
        done = [*(works[p] for p in chosen[1]), *(work for _, work in more)]
        more += fitting(inquiry.levelled(), done, spent, budget, ground)
    return Made(options, told, works, *chosen, more)


def _choice(
    aims: Aims, options: list[Option], works: list[Work], budget: float, ground: Ground, beside: list[Work]
) -> tuple[Design | None, list[int], list[int], Floats]:
    """The measurements, those that fall away because of the way, and the sizes (h, kinds) from which errors show then.

    More measurements make more tests, of which the largest must stay usual: where the job with the measurements made
    misses a goal that was thought reached, it is chosen again with so much more in hand.
    """
    if not options:
        return None, [], [], aims.after([])
    delta = aims.delta
    for _ in range(TRIED):
        design = aims.design(options, delta)
        chosen, dropped = on_foot(design, works, budget, ground, beside)
        sizes = aims.after([options[p] for p in chosen])
        thought, after = design.detectable(chosen), aims.of_verdict(sizes)
        missed = aims.wanted & (thought <= aims.goal) & (after > aims.goal * (1 + 1e-9))
        if not missed.any() or not chosen:
            break
        delta = min(delta * MORE * float((after[missed] / thought[missed]).max()), delta_afterwards(aims.bench))
    return design, chosen, dropped, sizes


def _walked(
    made: Made, aims: Aims, after: Floats, ground: Ground, doubted: set[str]
) -> tuple[list[Record], list[str], list[Record]]:
    """The steps in the order of the way, its stops as names and as they are told."""
    stops, at = walk(ground, [*(made.works[p] for p in made.chosen), *(work for _, work in made.more)])
    order = sorted(range(len(made.chosen)), key=lambda i: (stops.index(at[i]), not made.told[made.chosen[i]]))
    at = [*(at[i] for i in order), *at[len(order) :]]
    chosen = [made.chosen[i] for i in order]
    steps = _steps(replace(made, chosen=chosen), aims, after, doubted)
    told, route = timetable([*steps, *(step for step, _ in made.more)], at, stops, ground)
    return told, stops, route


@dataclass(frozen=True)
class Aims:
    """What a plan is to reach.

    facts : of the job as it stands; None where nothing is observed yet.
    limit : error that must not be able to hide, m.
    proof : of the heights; ``verdict``, ``accused``, ``doubted``, ``wanted``, ``before`` and ``goal``
        (sizes found, m) are about these.
    """

    bench: BenchBase
    facts: JobFacts | None
    limit: float
    proof: Proof
    before: Floats
    verdict: npt.NDArray[np.object_]
    accused: npt.NDArray[np.bool_]

    @property
    def watched(self) -> Ints:
        return self.proof.stands

    @property
    def ids(self) -> list[str]:
        return [str(self.bench.family.ids[h]) for h in self.watched]

    @property
    def contradicted(self) -> bool:
        return self.facts is not None and self.facts.judgement.state in CONTRADICTED

    @property
    def doubted(self) -> npt.NDArray[np.bool_]:
        return self.accused | (self.verdict == "doubted")

    @property
    def goal(self) -> Floats:
        return np.where(self.doubted, np.minimum(self.limit, self.before * TESTED_ANEW), self.limit)

    @property
    def wanted(self) -> npt.NDArray[np.bool_]:
        """A job that contradicts itself wants to know about that first: planning the rest waits."""
        return self.accused if self.contradicted else ~(self.before <= self.goal)

    @property
    def anew(self) -> npt.NDArray[np.bool_]:
        """(h,) what must be tested anew, as a whole."""
        return self.doubted & self.wanted

    def after(self, made: list[Option]) -> Floats:
        """(h, kinds) sizes from which errors show with these made, as `check` would say then; without any, today's."""
        whole = self.doubted
        if not made:
            size = self.proof.size.copy()
            size[whole, : len(OF_VERDICT)] = self.before[whole, None]
            return size
        return proof_after(self.bench.net, [(o.kind, o.base) for o in made], self.ids, whole)

    @staticmethod
    def of_verdict(size: Floats) -> Floats:
        """(h,) of sizes (h, kinds) those that the verdict goes by."""
        return np.asarray(size[:, : len(OF_VERDICT)].max(axis=1, initial=0.0))

    @property
    def delta(self) -> float:
        """How many sds of its test an error must have today to be found, of the tested height that shows least."""
        size, by = self.proof.size[:, : len(OF_VERDICT)], self.proof.by[:, : len(OF_VERDICT)]
        tested = np.isfinite(size) & (by < len(self.bench.family))
        most = delta_afterwards(self.bench)
        if not tested.any():
            return most
        h = by[tested]
        found = size[tested] / _share(self.bench, self.proof, np.nonzero(tested)[0], h)
        return min(most, float((found * np.sqrt(self.bench.diagonal[h])).max()))

    def design(self, options: list[Option], delta: float) -> Design:
        goals = np.where(self.wanted, self.goal, LARGE_M)
        found = np.where(self.anew[:, None], self.before[:, None], self.proof.size[:, : len(OF_VERDICT)])
        return design_of(self.bench, options, self.proof, goals, found, self.anew, delta)


def aims_of(job: Job, tolerance: float | None, planned: bool) -> Aims:
    """Raises CannotAdjust where nothing ties two places together; parameters as of `plan`."""
    job = with_tolerance(job, tolerance)
    if planned:
        job = as_planned(job)
    net = build_network(job)
    if net.edge_count == 0:
        raise CannotAdjust(f"{job.name}: nothing to plan with. No height, sight, levelled difference or known mark.")
    limit = job.settings.test.tolerance_mm / 1000
    bench = bench_for(net)
    found = promises(bench)
    proof = proof_of(bench, found.found)
    watched, before = proof.stands, proof.of_verdict
    if planned:
        none = np.zeros(len(watched), dtype=bool)
        return Aims(bench, None, limit, proof, before, by_size(before, limit), none)
    judgement = judged_by(bench)
    facts = JobFacts(judgement, found.of_more(judgement.bench), bench.fit)
    accused = in_question(facts, watched)
    return Aims(bench, facts, limit, proof, facts.found[watched], facts.verdicts[watched], accused)


def _heights(aims: Aims, after: Floats, sizes: Floats, everything: Floats) -> list[Record]:
    """What a plan does for each height: the size found before, after it, and after all candidates.

    sizes : (h, kinds) of each kind of error once it is carried out.

    What is wrong together with others is proved by no measurement of one of them.
    """
    apart = aims.accused | (aims.verdict != "suspect")
    each = zip(aims.ids, aims.verdict, aims.accused, apart, aims.goal, aims.before, after, everything, strict=True)
    return [
        {
            "id": id_,
            "verdict": str(v),
            "accused": bool(a),
            "goal_mm": float(g * 1000),
            "before_mm": number(b, 1000),
            "after_mm": number(f, 1000),
            "proved_before": bool(own and b <= g),
            "proved_after": bool(own and f <= g * (1 + 1e-9)),
            "reachable": bool(own and e <= g * (1 + 1e-9)),
            "kinds_before": _kinds(today, g),
            "kinds_after": _kinds(then, g),
        }
        for (id_, v, a, own, g, b, f, e), today, then in zip(each, aims.after([]), sizes, strict=True)
    ]


def _kinds(size: Floats, goal: float) -> list[str]:
    """Kinds of error that show within the goal."""
    return [kind for kind, one in zip(KINDS, size.tolist(), strict=True) if one <= goal * (1 + 1e-9)]


def exit_status(facts: Record) -> int:
    """0: after these steps every height is proved; 1: some is not, for lack of minutes or of any way to it, or the job
    contradicts itself as it stands."""
    return 0 if facts["reached"] else 1


def by_size(before: Floats, limit: float) -> npt.NDArray[np.object_]:
    """Verdicts of heights that are not observed yet: by the size that would be found."""
    return np.where(before <= limit, "proved", np.where(np.isfinite(before), "weak", "unproved")).astype(object)


def as_planned(job: Job) -> Job:
    """Heights that are not there yet, filled in as if taped: the plan needs no values, only what will be measured."""
    taped = set(zip(job.tape["stand_kind"], job.tape["stand"], strict=True))
    frames = {}
    for table, kind in (("setups", "setup"), ("targets", "target")):
        frame = job.tables[table].copy()
        has = np.array([(kind, name) in taped for name in frame[kind]], dtype=bool)
        has |= np.array([("tripod", name) in taped for name in frame["tripod"]], dtype=bool)
        blank = frame["height"].isna().to_numpy() & ~has & (frame["mark"] != "").to_numpy()
        # each its own: one height at several marks is that of a pole
        frame.loc[blank, "height"] = PLANNED_HEIGHT_M + PLANNED_STEP_M * np.arange(int(blank.sum()))
        frames[table] = frame
    return job.with_tables(**frames)


def design_of(
    bench: BenchBase, options: list[Option], proof: Proof, goal: Floats, found: Floats, anew: npt.NDArray[np.bool_],
    delta: float,
) -> Design:  # fmt: skip
    """The candidates weighed against the job; a goal that all of them together miss becomes what they nearly reach.

    Parameters
    ----------
    found : (h, kinds) sizes of errors that are found today, m.
    anew : (h,) heights that must be tested anew, as a whole and better than today.
    delta : how many sds of its test an error must have to be found.
    """
    columns = proof.by[:, : len(OF_VERDICT)].copy()
    columns[anew] = proof.stands[anew, None]
    h, kinds = columns.shape
    each = columns.T.ravel()  # kind after kind
    C = proof.C[:, each]
    rows = design_rows(bench.net, [o.base for o in options])
    variance = np.array([o.base.sd**2 for o in options])
    gain = Gain(
        bench, bench.fit, rows, variance, C, _informations(bench, proof, each), _same_way(bench, proof, options)
    )
    share = _share(bench, proof, np.tile(np.arange(h), kinds), each)
    of_height = np.arange(kinds * h).reshape(kinds, h).T
    minutes = np.array([o.minutes for o in options])
    sizes = Sizes(gain.own, share, of_height, found, delta)
    design = Design(gain.f, gain.spread, variance, gain.diagonal, goal, minutes, sizes)
    # a goal out of reach must not buy everything that helps a little
    everything = design.detectable(list(range(len(options))))
    near = NEAR_ENOUGH * everything
    near = np.where(anew, np.minimum(near, np.sqrt(design.detectable([]) * everything)), near)
    within_reach = np.where(everything <= goal, goal, near)
    return replace(design, goal=np.minimum(within_reach, LARGE_M))


def _share(bench: BenchBase, proof: Proof, height: Ints, columns: Ints) -> Floats:
    """(len,) what a unit of each column of a proof puts into the mean of a height's readings."""
    readings = sparse.csr_array(proof.C[bench.net.rows("height")][:, columns])
    node = bench.family.node[proof.stands[height]]
    pull = stand_weights(bench.net)[node].multiply(readings.T)
    return np.abs(np.asarray(pull.sum(axis=1)).ravel())


def _informations(bench: BenchBase, proof: Proof, columns: Ints) -> Floats:
    """(len,) diagonal of G of columns of a proof."""
    own = columns < len(bench.family)
    out = np.empty(len(columns))
    out[own] = bench.diagonal[columns[own]]
    if not own.all():
        out[~own] = bench.fit.reduce_diagonal(proof.C[:, columns[~own]])[1]
    return out


def _same_way(bench: BenchBase, proof: Proof, options: list[Option]) -> Floats:
    """(p, kinds h) 1 where a reading of the tape's other scale is wrong as well, held to the same wrong point."""
    at = {int(node): i for i, node in enumerate(bench.family.node[proof.stands].tolist())}
    out = np.zeros((len(options), len(OF_VERDICT) * len(at)))
    for p, option in enumerate(options):
        if option.kind == "other_scale":
            out[p, OF_VERDICT.index("wrong_point") * len(at) + at[option.base.head]] = 1.0
    return out


def _steps(made: Made, aims: Aims, after_all: Floats, doubted: set[str]) -> list[Record]:
    """What each measurement proves, and improves of the heights that are told of.

    after_all : (h,) sizes with all of them made.
    """
    if not made.design:
        return []
    out: list[Record] = []
    before, goal, ids = aims.before, aims.goal, aims.ids
    told = aims.wanted if aims.contradicted else np.ones_like(aims.wanted)
    for p, (after, shown) in zip(
        made.chosen, _one_by_one(made.design, made.chosen, aims, after_all, made.sizes), strict=True
    ):
        newly = np.flatnonzero((before > goal) & (after <= goal * (1 + 1e-9)))
        better = np.log(np.minimum(before, LARGE_M) / np.minimum(after, LARGE_M))
        gains = [i for i in np.argsort(-better, kind="stable").tolist() if told[i]]
        felt = [i for i in gains if better[i] > LEAST_GAIN or i in newly][:6]
        step = made.options[p].step(
            doubted,
            separates=made.told[p],
            proves=[ids[i] for i in newly],
            proves_kinds=[
                {"id": ids[i], "kinds": [KINDS[k] for k in np.flatnonzero(shown[i])]}
                for i in np.flatnonzero(shown.any(axis=1)).tolist()
            ],
            improves=[
                {"id": ids[i], "before_mm": number(before[i], 1000), "after_mm": number(after[i], 1000)} for i in felt
            ],
        )
        out.append(step)
        before = after
    return out


def _one_by_one(
    design: Design, chosen: list[int], aims: Aims, after_all: Floats, sizes: Floats
) -> Iterator[tuple[Floats, npt.NDArray[np.bool_]]]:
    """After each measurement the sizes found (h,), and the kinds of error (h, kinds) that show from this one on.

    All of them together reach what `check` would say; which of them does it goes by the bounds of the design.

    Parameters
    ----------
    after_all, sizes : (h,) and (h, kinds) with all of them made.
    """
    goal, today, weighed = aims.goal[:, None] * (1 + 1e-9), aims.after([]), len(OF_VERDICT)
    left = (sizes <= goal) & ~(today <= goal)
    bound = design.detectable(chosen)
    with np.errstate(invalid="ignore"):
        part = np.where(np.isfinite(bound), np.minimum(after_all / bound, 1.0), 1.0)
    for order in range(1, len(chosen)):
        information = design.information(chosen[:order])
        shown = np.zeros_like(left)
        shown[:, :weighed] = left[:, :weighed] & (part[:, None] * design.sizes.kinds(information) <= goal)
        left &= ~shown
        yield np.clip(part * design.sizes.of(information), after_all, aims.before), shown
    if chosen:
        yield after_all, left
