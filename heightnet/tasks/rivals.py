"""What tells the members of a finding apart: which of them is wrong is found out before anything else is measured.

If the member m is wrong by its error b, the adjusted heights are off by N^-1 A'P c b, and a measurement with row a
reads less than they say by f b, f = a N^-1 A'P c (`heightnet.judge.gain`).  Two members are told apart where what is
foreseen differs by more than the measurement and the forecast scatter.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from heightnet.judge.gain import Gain
from heightnet.judge.judgement import CERTAIN, Finding
from heightnet.kinds.registry import shared_by
from heightnet.ledger.thing import LEVELLED, STANDS, TAPED, TOGETHER, Thing
from heightnet.network.runs import chains_of, level_legs, permanent_marks, sections_of, staff_legs
from heightnet.tasks.bust import releveling
from heightnet.tasks.design import EPS
from heightnet.tasks.facts import JobFacts, Record
from heightnet.tasks.measurements import BY_TAPE, Minutes, measurement
from heightnet.tasks.next import LEVELLED_M, Candidate, design_rows, level_sd
from heightnet.tasks.options import Option
from heightnet.tasks.route import Ground, Work, walk

SECTIONS_AT_MOST = 3  # levelled again to find out about one finding
RIVALS = 60  # members of a finding that are told apart, the likeliest
APART = 3.0  # standard deviations by which what two members foresee must differ
LOOKED_UP = 0.05  # chance that a known height is wrong, from which it is looked up
TIES = 6  # marks about a doubted one from which it could be levelled, the nearest

Extra = tuple[Record, Work]
"""A step beside the measurements that were weighed against each other, and where it is done."""


@dataclass(frozen=True)
class Rival:
    """What may be wrong: a hypothesis, its node (-1 for none), its chance, error and its sd (m)."""

    id: str
    hypothesis: int
    node: int
    chance: float
    error: float
    sd: float


class Rivals:
    """The members of the findings of a job, by the order of the finding; one named mark has its own list for a rival.

    findings : as told, `heightnet.tasks.judgement_facts.findings`.
    """

    def __init__(self, facts: JobFacts, findings: Sequence[Record]) -> None:
        self.facts, self.net = facts, facts.net
        self.at = {str(id_): h for h, id_ in enumerate(facts.family.ids)}
        self.of = {finding["order"]: self._members(finding) for finding in findings}

    def _members(self, finding: Record) -> list[Rival]:
        """Of what is named what makes the same misclosures as well."""
        some = [(m["id"], m["probability"]) for m in finding["members"]]
        if finding["named"]:
            some = [(finding["id"], finding["probability"]), *((m["id"], m["probability"]) for m in finding["mates"])]
        out = []
        for id_, chance in some[:RIVALS]:
            h = self.at[id_]
            out.append(Rival(id_, h, int(self.facts.family.node[h]), chance, *self.facts.judgement.size_of(h)))
        return out

    @property
    def known(self) -> list[tuple[int, Rival]]:
        """Known heights in doubt, each with its finding."""
        each = [(order, rival) for order, of in self.of.items() for rival in of]
        return [(o, r) for o, r in each if self.facts.family.kind[r.hypothesis] == "known" and r.chance >= LOOKED_UP]

    @property
    def doubted(self) -> set[int]:
        """Nodes of marks whose known heights are in doubt."""
        return {rival.node for _, rival in self.known}

    def stands(self) -> list[int]:
        """Nodes of the stands about which something could be measured that tells members apart."""
        net, family = self.net, self.facts.family
        of_stand = np.isin(net.nodes.kind, STANDS)
        out: dict[int, None] = {}
        for of in self.of.values():
            for rival in of:
                kind = family.kind[rival.hypothesis]
                if kind in TAPED:
                    out[rival.node] = None
                elif kind in ("shot", "gnss"):
                    rows = family.members(rival.hypothesis)
                    out.update(dict.fromkeys([*net.tail[rows].tolist(), *net.head[rows].tolist()]))
                elif kind == "known":
                    out.update(dict.fromkeys(self._about(rival.node)))
        return [node for node in out if of_stand[node]]

    def _about(self, mark: int) -> list[int]:
        """Stands over a mark, and those that sighted one or were sighted from one."""
        net = self.net
        at, to = net.setup_node[net.shot_setup], net.target_node[net.shot_target]
        over = np.flatnonzero(net.nodes.mark == mark)
        near = np.isin(at, over) | np.isin(to, over)
        return [*over.tolist(), *at[near].tolist(), *to[near].tolist()]

    def told(self, options: Sequence[Option]) -> list[list[Record]]:
        """(options,) the findings whose members each tells apart, with what each group of members foresees."""
        every = list(dict.fromkeys(rival.hypothesis for of in self.of.values() for rival in of))
        if not options or not every:
            return [[] for _ in options]
        bases = [option.base for option in options]
        variance = np.array([base.sd**2 for base in bases])
        C, rows = self.facts.family.C[:, every], design_rows(self.net, bases)
        gain = Gain(self.facts.bench, self.facts.fit, rows, variance, C, np.zeros(len(every)))
        scatter = variance + np.maximum(np.diag(gain.spread), 0.0)
        column = {h: i for i, h in enumerate(every)}
        out = []
        for p, option in enumerate(options):
            f = {h: float(gain.f[p, i]) for h, i in column.items()}
            found = [self._parted(order, option, f, float(scatter[p])) for order in self.of]
            out.append([one for one in found if one])
        return out

    def _parted(self, order: int, option: Option, f: dict[int, float], scatter: float) -> Record | None:
        """How a measurement parts the members of a finding; None where it does not."""
        of = self.of[order]
        if option.kind in BY_TAPE:  # what one tape or one person has wrong everywhere may be wrong in it again
            of = [rival for rival in of if not self._taped_alike(rival.hypothesis, option.base.head)]
        foreseen = [(-f[rival.hypothesis] * rival.error, rival.id) for rival in of]
        spread = [(f[rival.hypothesis] * rival.sd) ** 2 for rival in of]
        if len(of) == 1 and (as_listed := self._as_listed(of[0], option.base)):
            foreseen.append((foreseen[0][0] + as_listed, ""))
            spread.append(of[0].sd ** 2)
        foreseen.sort()
        least = APART * float(np.sqrt(scatter + max(spread, default=0.0)))
        cuts = [i for i, (one, other) in enumerate(pairwise(foreseen), 1) if other[0] - one[0] > least]
        if not cuts:
            return None
        groups = [foreseen[i:j] for i, j in pairwise([0, *cuts, len(foreseen)])]
        outcomes = [
            {
                "ids": [rival.id for rival in of if rival.id in {id_ for _, id_ in group}],
                "expected_mm": float(np.mean([m for m, _ in group])) * 1000,
            }
            for group in groups
        ]
        apart = 1000 * min(other[0][0] - one[-1][0] for one, other in pairwise(groups))
        return {"finding": order, "apart_mm": apart, "outcomes": outcomes}

    def _taped_alike(self, h: int, stand: int) -> bool:
        """Whether a hypothesis is that several heights are wrong alike, and this one among them."""
        if self.facts.family.kind[h] not in TOGETHER:
            return False
        rows = self.net.rows("height")
        some = self.facts.family.members(h)
        return stand in self.net.head[some[(some >= rows.start) & (some < rows.stop)]]

    def _as_listed(self, rival: Rival, base: Candidate) -> float:
        """How much more a measurement to or from a named mark would read if its list were right, m; else 0."""
        if self.facts.family.kind[rival.hypothesis] != "known":
            return 0.0
        return rival.error * ((base.head == rival.node) - (base.tail == rival.node))

    def best(self, order: int, options: Sequence[Option], told: Sequence[list[Record]]) -> int | None:
        """Which of some options tells most of a finding's members apart for its minutes, None where none does.

        Of a known mark rather one from another known mark.
        """
        chance = {rival.id: rival.chance for rival in self.of[order]}
        best, most = None, (False, 0.0)
        for p, option in enumerate(options):
            for one in told[p]:
                if one["finding"] == order and not (self.of_marks(option) <= self.doubted and self.doubted):
                    shares = [sum(chance[id_] for id_ in outcome["ids"]) for outcome in one["outcomes"]]
                    parted = max(sum(shares) ** 2 - sum(share**2 for share in shares), EPS)
                    worth = self._from_known(option), parted / option.minutes
                    if worth > most:
                        best, most = p, worth
        return best

    def of_marks(self, option: Option) -> set[int]:
        """Marks at or under the ends of a measurement."""
        mark = self.net.nodes.mark
        return {int(mark[end]) if mark[end] >= 0 else end for end in (option.base.tail, option.base.head)}

    def _from_known(self, option: Option) -> bool:
        known = set(self.net.held.tolist()) | set(self.net.head[self.net.rows("known")].tolist())
        marks = self.of_marks(option)
        return bool(marks & self.doubted and (marks - self.doubted) & known)


@dataclass(frozen=True)
class Inquiry:
    """What a job that contradicts itself asks for first.

    options : what could be measured about the members of its findings.
    doubted : poles and prisms that may be wrong themselves.
    """

    rivals: Rivals
    options: list[Option]
    minutes: Minutes
    doubted: set[str]

    def first(self, made: Sequence[Option], told: Iterable[list[Record]]) -> list[Extra]:
        """Before what is measured anyway, which tells these findings apart."""
        parted = {one["finding"] for of in told for one in of}
        return [
            *looked_up(self.rivals, self.minutes),
            *separators(self.rivals, parted, self.options, self.doubted),
            *self._other_ways({option.base.about for option in made}),
        ]

    def _other_ways(self, about: set[int]) -> list[Extra]:
        """Of each height that is named, and that nothing else is about, the quickest way to it that is not its tape."""
        family, out = self.rivals.facts.family, []
        for order, of in self.rivals.of.items():
            if len(of) == 1 and family.kind[of[0].hypothesis] in TAPED and of[0].node not in about:
                ways = [o for o in self.options if o.base.about == of[0].node and o.kind not in BY_TAPE]
                if ways:
                    quickest = min(ways, key=lambda o: o.minutes)
                    out.append((quickest.step(self.doubted, finding=order), quickest.work))
        return out

    def levelled(self) -> list[Extra]:
        return relevelled(self.rivals, self.minutes)

    def unparted(self, steps: Sequence[Record]) -> list[int]:
        """Findings of several members that no step tells apart, none of them levelled again or shown by other means."""
        done = {one["finding"] for step in steps for one in step["separates"]}
        done |= {step["finding"] for step in steps if step["kind"] == "relevel"}
        kind = self.rivals.facts.family.kind
        return [
            order
            for order, of in self.rivals.of.items()
            if order not in done and len(of) > 1 and kind[of[0].hypothesis] not in TOGETHER
        ]


def known_ties(rivals: Rivals, ground: Ground, minutes: Minutes) -> list[Option]:
    """Levelling to a mark whose known height is in doubt, from the nearest marks that are not."""
    net, names = rivals.net, rivals.net.nodes.name
    marks = np.flatnonzero((net.nodes.kind == "mark") & np.isfinite(net.nodes.height))
    out = []
    for to in sorted(rivals.doubted):
        away = [
            (metres, at)
            for at in set(marks.tolist()) - rivals.doubted
            if (metres := ground.metres(str(names[at]), str(names[to]))) is not None and 0 < metres <= LEVELLED_M
        ]
        for metres, at in sorted(away)[:TIES]:
            sd = level_sd(net, metres)
            tie = Candidate("level_tie", "", str(names[at]), str(names[to]), at, to, sd, to, distance=metres)
            out.append(Option("level_tie", tie, minutes.level_tie))
    return out


def separators(
    rivals: Rivals, parted: Collection[int], options: Sequence[Option], doubted: Collection[str]
) -> list[Extra]:
    """For each finding whose members are not told apart yet the measurement that does it best.

    parted : findings whose members what is measured anyway tells apart.
    """
    told, out = rivals.told(options), []
    for order in rivals.of:
        best = None if order in parted else rivals.best(order, options, told)
        if best is not None:
            step = options[best].step(doubted, finding=order, separates=told[best])
            out.append((step, replace(options[best].work, first=True)))
    return out


def looked_up(rivals: Rivals, minutes: Minutes) -> list[Extra]:
    """Known heights in doubt, each looked up where it came from, before anybody goes out."""
    source = dict(zip(rivals.net.job.marks["mark"], rivals.net.job.marks["source"], strict=True))
    out: dict[str, Extra] = {}
    for order, rival in rivals.known:
        mark = Thing.of(rival.id).name
        step = measurement(
            0, "look_up", None, mark, mark,
            finding=order, looks_up=rival.id, source=source.get(mark) or None, pole=None, pole_doubted=False,
            sd_mm=None, separates=[], minutes=minutes.look_up, proves=[], proves_kinds=[], improves=[],
        )  # fmt: skip
        out.setdefault(mark, (step, Work((), first=True)))
    return list(out.values())


def fitting(extras: Sequence[Extra], works: Sequence[Work], spent: float, budget: float, ground: Ground) -> list[Extra]:
    """Those that the minutes are enough for, with the way to them.

    works, spent : what is done in any case, and the minutes that takes without the way.
    """
    out: list[Extra] = []
    for step, work in extras:
        stops, _ = walk(ground, [*works, *(other for _, other in out), work])
        if spent + step["minutes"] + ground.minutes(stops) <= budget + EPS:
            out.append((step, work))
            spent += step["minutes"]
    return out


def relevelled(rivals: Rivals, minutes: Minutes) -> list[Extra]:
    """Stretches to level again, for findings that are about levelling: the likeliest for its work first."""
    facts, job, net = rivals.facts, rivals.facts.job, rivals.net
    node = {str(name): n for n, name in enumerate(net.nodes.name) if net.nodes.kind[n] == "mark"}
    chains = chains_of(staff_legs(job)[0]) + chains_of(level_legs(job))
    sections = sections_of(chains, permanent_marks(job))
    out: list[Extra] = []
    for order, finding in enumerate(facts.judgement.findings, start=1):
        found = _stretches(releveling(facts, sections, [finding])["steps"]) if _of_levelling(facts, finding) else []
        for stretch in found:
            setups = max(1.0, float(stretch["setups"]))
            ends = stretch["from_mark"], stretch["to_mark"]
            sd = float(net.job.settings.precision.staff_mm / 1000 * np.sqrt(2 * setups))
            again = Candidate("relevel", "", *ends, node[ends[0]], node[ends[1]], sd, -1)
            option = Option("relevel", again, minutes.relevel * setups)
            (told,) = rivals.told([option])
            step = option.step((), finding=order, separates=told)
            more = {"setups": stretch["setups"], "probability": stretch["probability"]}
            out.append(({**step, **more}, replace(option.work, first=bool(told))))
    return out


def needs_of(findings: list[Record]) -> list[Record]:
    """What would show a common error, for findings that one leads: no measurement between marks and stands does."""
    led = [(f["order"], Thing.of(f["members"][0]["id"])) for f in findings]
    return [{"finding": order, "what": shared_by(thing).shown_by} for order, thing in led if thing.kind in TOGETHER]


def _of_levelling(facts: JobFacts, finding: Finding) -> bool:
    return any(facts.family.kind[m.hypothesis] in LEVELLED for m in finding.members)


def _stretches(steps: list[Record]) -> list[Record]:
    """The first ones, until they hold nine tenths."""
    out: list[Record] = []
    held = 0.0
    for step in steps[:SECTIONS_AT_MOST]:
        if held >= CERTAIN * sum(s["probability"] for s in steps):
            break
        out.append(step)
        held += step["probability"]
    return out
