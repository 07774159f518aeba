"""The one judgement of a job: does it close, what may be wrong and where, how sure that is, what was not looked at.

Everything that speaks of a job, in a terminal, on a page, in a file, speaks from here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import linalg

from heightnet.arrays import Floats, Ints
from heightnet.judge.bench import BenchBase, Look, Seen, freed_of
from heightnet.judge.closing import log_bayes
from heightnet.judge.naming import CONVICTS_FROM_M, EVIDENCE, PUT_UPS, broad_density
from heightnet.judge.places import STAND, Key, Place
from heightnet.judge.reduction import NEARLY_ONE_CLASS
from heightnet.judge.search import Clock
from heightnet.judge.slots import Slot, slots_of
from heightnet.judge.stepwise import one_at_a_time
from heightnet.judge.tails import Blunder, blunder_among_strays, long_tails
from heightnet.ledger.thing import MISNAMED, OBSERVED, TAPED

CERTAIN, LIKELY = 0.9, 0.5  # probability of a place from which it is told as wrong, as probably wrong
SHOWS = 3.0  # odds of a blunder against those beforehand from which the job, not the rates alone, speaks of it
SCATTERS = 0.1  # probability that anything is wrong below which a contradiction is put down to the scatter
DOUBT = 0.02  # a thing likelier wrong than this is not proved
CUT_ABOVE = 0.02  # a place that parts a class of this weight tells nothing apart
COMPOSITE = 20.0  # a mate of a class this many times rarer than it, and wrong only as several put-ups alike
STILL_TESTED = 1e-3  # part of a hypothesis' information that must be left once others are freed
MANY, MANY_SHARE, SEVERAL, SEVERAL_SHARE = 4, 5.0, 3, 10.0  # blunders against redundancy: not explained, many
LEAST_SHARE = 1e-3  # of the likeliest member of a place, under which another is left out
SHOWN_AT_MOST = 100  # explanations
FREE_PRECISION = 1.0  # 1 / m^2: a size that nothing is known of beforehand, within a metre or so
TAILS_FROM = 20  # redundancy from which a job can show how long the tails of its errors are
LEAST_HEAVY = 0.005  # probability of long tails below which they change nothing
IN_CLASS_UP_TO = 2_000  # members of a class up to which causes are weighed against one another

CLOSES, SCATTER, UNCLEAR, WRONG = "closes", "scatters", "unclear", "wrong"
MANY_WRONG, UNEXPLAINED, UNTESTED = "many", "unexplained", "untested"
CONTRADICTED = (UNCLEAR, WRONG, MANY_WRONG, UNEXPLAINED)
STATES = (CLOSES, SCATTER, UNCLEAR, WRONG, MANY_WRONG, UNEXPLAINED, UNTESTED)


@dataclass(frozen=True)
class Explanation:
    """One set of blunders and what follows if it is the truth.

    members : representative hypothesis of each class in the set.
    error, covariance : their sizes, m, at the likeliest factors on the standard deviations.
    """

    probability: float
    members: Ints
    error: Floats
    covariance: Floats


@dataclass(frozen=True)
class Member:
    """A hypothesis of a place, and the probability that it is the slot's blunder."""

    hypothesis: int
    probability: float


@dataclass(frozen=True)
class Finding:
    """One blunder there probably is, and the smallest place that holds it.

    probability : that it lies in this place; ``level``: .9, .5, or 0 where no place holds half.
    members : of the place, likeliest first; those that nothing puts in question are left out.
    named : the place is one thing, and the evidence, not its rate alone, says so.
    sizes : error and its sd of the leading member, m.
    """

    place: Place
    probability: float
    level: float
    members: tuple[Member, ...]
    named: bool
    size: float
    size_sd: float


class Judgement:
    """What one set of observations says; arrays have one entry a hypothesis, lengths in m.

    u, w, error, error_sd : reduced score, test at the stated standard deviations, estimate (> 0: recorded too high) and
        its standard deviation; NaN where nothing tests the hypothesis.
    probability : that the hypothesis is among the blunders.
    """

    def __init__(self, bench: BenchBase, y: Floats | None = None, clock: Clock | None = None) -> None:
        self.bench = bench
        self.y = bench.net.y if y is None else y
        self.seen: Seen = bench.look(self.y, clock)
        self.u, self.looks = self.seen.u, self.seen.looks
        self.error, self.error_sd, self.w = bench.classes.tests(self.u, bench.diagonal)

    # ---- does it close? ----

    @cached_property
    def largest(self) -> int:
        """The hypothesis of any size with the largest |w|, -1 where nothing can be tested."""
        free = self._free
        w = np.where(free, np.abs(np.nan_to_num(self.w, nan=0.0)), 0.0)
        return int(np.argmax(np.round(w, 9))) if len(w) and w.max() > 0 else -1

    @cached_property
    def _free(self) -> npt.NDArray[np.bool_]:
        """(h,) hypotheses of any size that are asked whether the job closes."""
        asked = np.zeros(len(self.bench.classes.representative) + 1, dtype=bool)
        asked[self.bench.asked] = True
        return np.asarray(np.isnan(self.bench.family.size) & asked[self.bench.classes.label])

    @property
    def largest_w(self) -> float:
        return float(abs(self.w[self.largest])) if self.largest >= 0 else 0.0

    @cached_property
    def said(self) -> bool:
        """Whether the job contradicts itself."""
        return self.bench.closing.said(self.largest_w, self.seen.log_odds)

    @cached_property
    def something(self) -> float:
        """Probability that anything is wrong."""
        if not self.looks:
            return 0.0
        best = [int(look.classes[c]) for look in self.looks for c in look.posterior.sets[0]]
        calm = max((float(self.calm[c]) for c in best), default=1.0)
        return calm * (1 - float(np.prod([look.posterior.nothing for look in self.looks])))

    @cached_property
    def _tails(self) -> tuple[float, float]:
        """Probability that stray readings are commoner here than normal, and the scatter then; of what is said."""
        if not self.said or self.bench.redundancy < TAILS_FROM:
            return 0.0, 1.0
        reps = self.bench.classes.representative
        members = self.explanations[0].members
        left, rest, _ = self.bench.freed(self.u, members)
        own = self.bench.free & ~np.isin(reps, members) & self.bench.family.of(*TAPED, *OBSERVED)[reps]
        own &= rest[reps] > STILL_TESTED * self.bench.diagonal[reps]
        at = reps[own]
        best = (look.classes[list(look.posterior.sets[0])].tolist() for look in self.looks)
        blunders = [self._blunder(c) for classes in best for c in classes]
        return long_tails(left[at] / np.sqrt(rest[at]), self.bench.classes.redundancy[at], blunders)

    def _blunder(self, c: int) -> Blunder:
        readings = len(self.bench.family.members(int(self.bench.classes.representative[c])))
        return Blunder(float(self.bench.candidates.log_odds[c]), *self._stated(c), readings)

    @property
    def long_tails(self) -> float:
        """Probability that the job's errors have longer tails than normal ones."""
        return self._tails[0]

    @cached_property
    def calm(self) -> Floats:
        """(c,) part of the probability of each class that is left once a stray reading may be what it is."""
        out = np.ones(len(self.bench.classes.representative))
        heavy, scale = self._tails
        if heavy > LEAST_HEAVY:
            for look in self.looks:
                for c in look.classes[look.posterior.each > DOUBT].tolist():
                    out[c] = 1 - heavy + heavy * blunder_among_strays(self._blunder(c), scale)
        return out

    @cached_property
    def state(self) -> str:
        """One of ``STATES``."""
        if self.bench.redundancy == 0 or not len(self.bench.classes.representative):
            return UNTESTED
        if not self.said:
            return CLOSES
        if self.something < SCATTERS and not self.seen.unlooked:
            return SCATTER
        if self._found and not self.explained:
            return UNEXPLAINED
        if not self._found:
            return UNCLEAR
        return MANY_WRONG if self._several else WRONG

    @property
    def sure_at_most(self) -> float:
        """No probability above this is shown: less than all was searched, or many things are wrong."""
        if self.state == UNEXPLAINED:
            return min(LIKELY, self.searched)
        return min(CERTAIN, self.searched) if self._several else self.searched

    @property
    def searched(self) -> float:
        """About the share of probability that was looked at."""
        unsearched = max((look.posterior.unsearched for look in self.looks), default=0.0)
        return (1 - unsearched) * (1 - self.seen.unlooked)

    @property
    def factors(self) -> tuple[float, float]:
        """How many times larger than stated the sds of tapes, and of sights and levels, probably are."""
        return self.bench.factors_of(self.looks)

    # ---- are the likeliest blunders an explanation? ----

    @cached_property
    def blunders(self) -> int:
        """Separate blunders that the likeliest explanation shows, or those that would be told if they are more.

        Where they take up all spare measurements, none of them is shown by itself.  A common error counts once.
        """
        return max(len(self.shown), len(self._found))

    @cached_property
    def shown(self) -> Ints:
        """Classes of the likeliest explanation, without those that only their rates put there: among a thousand
        readings one is easily wrong, without a sign of it."""
        shown = []
        for c in [int(c) for look in self.looks for c in look.classes[list(look.posterior.sets[0])]]:
            b, s = self._alone(c)
            prior = self.bench.candidates.some(np.array([c]))
            if log_bayes(np.array([b / s**2]), np.array([s**-2.0]), prior)[0] >= np.log(SHOWS):
                shown.append(c)
        return np.array(shown, dtype=np.int64)

    @property
    def _several(self) -> bool:
        r = self.bench.redundancy
        return self.blunders >= SEVERAL and r / SEVERAL_SHARE < self.blunders

    @cached_property
    def explained(self) -> bool:
        """Whether the likeliest blunders leave nothing that still contradicts, and are few enough to be believed."""
        if self.seen.unlooked:
            return False
        if self.blunders >= MANY and self.blunders > self.bench.redundancy / MANY_SHARE:
            return False
        return self.seen.left <= self.bench.closing.k and all(self._look_explained(look) for look in self.looks)

    def _look_explained(self, look: Look) -> bool:
        if look.posterior.capped:
            return False
        best = list(look.posterior.sets[0])
        u, G = look.u[look.likeliest], look.G[look.likeliest]
        left, rest = freed_of(u, np.diag(G), G[:, best], best)
        asked = np.isin(look.classes, self.bench.asked)
        free = asked & self.bench.free[look.classes] & (rest > STILL_TESTED * np.diag(G))
        w = np.abs(left[free]) / np.sqrt(rest[free])
        return not len(w) or float(w.max()) <= self.bench.closing.k

    # ---- where? ----

    @cached_property
    def slots(self) -> list[tuple[Look, Slot]]:
        """Every blunder there may be, with the classes it may be, by their labels in the whole job."""
        out = []
        for look in self.looks:
            for slot in slots_of(look.posterior, look.rho):
                classes = tuple(int(look.classes[c]) for c in slot.classes)
                held = tuple(p * float(self.calm[c]) for c, p in zip(classes, slot.probability, strict=True))
                out.append((look, Slot(classes, held)))
        return sorted(out, key=lambda one: -round(one[1].total, 9))

    @cached_property
    def _found(self) -> list[Finding]:
        found = []
        for look, slot in self.slots:
            for level in (CERTAIN, LIKELY) if self._shows(slot) else ():
                if slot.total >= level and (finding := self._told(look, slot, level)) is not None:
                    found.append(finding)
                    break
        return found

    def _shows(self, slot: Slot) -> bool:
        """Whether the job speaks of a slot's blunder: that many readings make one likely is nothing it shows."""
        sound = float(np.exp(np.log1p(-self.bench.class_rate[list(slot.classes)]).sum()))
        return slot.total * sound >= SHOWS * (1 - slot.total) * (1 - sound)

    @cached_property
    def findings(self) -> list[Finding]:
        """What is told: the blunders there probably are; where no place holds half, the list that holds nine tenths."""
        if self.state not in (WRONG, MANY_WRONG, UNEXPLAINED, UNCLEAR):
            return []
        if self.state == UNEXPLAINED:  # a lead at best: what does not explain the job accuses nobody
            return [replace(f, probability=min(f.probability, LIKELY), level=0.0, named=False) for f in self._found]
        if self.state == MANY_WRONG:
            return [replace(f, probability=min(f.probability, CERTAIN), level=LIKELY) for f in self._found]
        if self._found or not self.slots:
            return self._found
        look, slot = self.slots[0]
        whole = Slot(slot.classes, tuple(p / slot.total for p in slot.probability))
        finding = self._told(look, whole, CERTAIN, named=False)
        if finding is None:
            return []
        members = tuple(Member(m.hypothesis, m.probability * slot.total) for m in finding.members)
        return [
            Finding(finding.place, slot.total * finding.probability, 0.0, members, False, finding.size, finding.size_sd)
        ]

    def _told(self, look: Look, slot: Slot, level: float, named: bool = True) -> Finding | None:
        """The smallest place that holds a slot's blunder with this probability."""
        q = self._in_slot(slot)
        heavy = [c for c, p in zip(slot.classes, slot.probability, strict=True) if p > CUT_ABOVE]
        likelihood = self._likelihoods(slot, q)
        listed, size = self._list(slot, level, likelihood), self.bench.places.size
        around = [
            p for p in self.bench.places.around(h for c in listed for h in self.bench.classes.members(c).tolist())
            if sum(q.get(h, 0.0) for h in p.hypotheses) >= level
        ]  # fmt: skip
        if named:
            things = [p for p in around if p.kind == "thing" and self._entitled(p, likelihood, q)]
            if things:
                best = min(things, key=lambda p: (size(p), len(p.hypotheses), min(p.hypotheses)))
                return self._finding(best, q, level, named=self._one_way(best, q, level))
        inside = frozenset(h for c in listed for h in self.bench.classes.members(c).tolist())
        whole = Place("class" if len(listed) == 1 else "list", -1, inside)
        places = [p for p in around if p.kind != "thing" and self._cuts_none(p, heavy) and len(self._keys(p, q)) > 1]
        alike = self._alike(look, slot, level)
        if alike:
            places.append(alike)
        if places:
            best = min(places, key=lambda p: (size(p), p.kind, min(p.hypotheses)))
            if size(best) <= size(whole):
                return self._finding(best, q, level, named=False)
        return self._finding(whole, q, level, named=False)

    def _in_slot(self, slot: Slot) -> dict[int, float]:
        """Probability that the slot's blunder is each hypothesis."""
        return {
            h: p * float(self.share[h])
            for c, p in zip(slot.classes, slot.probability, strict=True)
            for h in self.bench.classes.members(c).tolist()
        }

    def _likelihoods(self, slot: Slot, q: dict[int, float]) -> dict[int, float]:
        """How well each hypothesis explains the misclosures, rates left out."""
        rate = self.bench.class_rate
        out: dict[int, float] = {}
        for c, p in zip(slot.classes, slot.probability, strict=True):
            per_class = p * (1 - rate[c]) / rate[c]
            for h in self.bench.classes.members(c).tolist():
                out[h] = per_class * self._convicts.get(h, 1.0)
        return out

    def _list(self, slot: Slot, level: float, likelihood: dict[int, float]) -> list[int]:
        """Whole classes, likeliest first, until they hold ``level`` and are no thing that only its rate accuses."""
        members = self.bench.classes.members
        listed: list[int] = []
        held = 0.0
        for c, p in zip(slot.classes, slot.probability, strict=True):
            if held >= level - 1e-12:
                inside = {h for k in listed for h in members(k).tolist()}
                best = max(likelihood[h] for h in inside)
                if len({self.bench.places.key_of(h) for h in inside}) > 1 or best >= EVIDENCE * max(
                    (v for h, v in likelihood.items() if h not in inside), default=0.0
                ):
                    break
            listed.append(c)
            held += p
        return listed

    def _entitled(self, place: Place, likelihood: dict[int, float], q: dict[int, float]) -> bool:
        """Whether evidence, not a rate, lets one thing be named alone."""
        inside = max((likelihood.get(h, 0.0) for h in place.hypotheses), default=0.0)
        own = place.hypotheses | set(self._other_ways(place))
        outside = max((v for h, v in likelihood.items() if h not in own and not self._composite(h)), default=0.0)
        return inside >= EVIDENCE * outside

    def _one_way(self, place: Place, q: dict[int, float], level: float) -> bool:
        """Whether one of a stand's readings, or all together, holds the level: else it is one, not told which.  A wrong
        name is named where it holds the level itself."""
        kind = self.bench.family.kind
        readings = [h for h in place.hypotheses if kind[h] == "reading"]
        most = max(place.hypotheses, key=lambda h: (round(q.get(h, 0.0), 9), -h))
        return not (readings or kind[most] == MISNAMED) or q[most] >= level

    def _other_ways(self, place: Place) -> list[int]:
        key = place.subject
        return self.bench.places.other_ways(key[1]) if isinstance(key, tuple) and key[0] == STAND else []

    def _composite(self, h: int) -> bool:
        """Several put-ups wrong alike, much rarer beforehand than its class: it is listed, and blocks no name."""
        family, c = self.bench.family, int(self.bench.classes.label[h])
        return family.kind[h] in PUT_UPS and bool(family.rate[h] * COMPOSITE < self.bench.class_rate[c])

    def _cuts_none(self, place: Place, heavy: list[int]) -> bool:
        for c in heavy:
            inside = sum(h in place.hypotheses for h in self.bench.classes.members(c).tolist())
            if 0 < inside < len(self.bench.classes.members(c)):
                return False
        return True

    def _keys(self, place: Place, q: dict[int, float]) -> set[Key]:
        """The things of a place that are in question."""
        return {self.bench.places.key_of(h) for h in place.hypotheses if q.get(h, 0.0) > 0}

    def _alike(self, look: Look, slot: Slot, level: float) -> Place | None:
        """Classes that can hardly be told from the likeliest one, where they hold the level."""
        at = {int(c): i for i, c in enumerate(look.classes)}
        lead = at[slot.classes[0]]
        alike = [
            (c, p) for c, p in zip(slot.classes, slot.probability, strict=True)
            if abs(look.rho[lead, at[c]]) > NEARLY_ONE_CLASS
        ]  # fmt: skip
        if len(alike) < 2 or sum(p for _, p in alike) < level:
            return None
        inside = frozenset(h for c, _ in alike for h in self.bench.classes.members(c).tolist())
        return Place("alike", -1, inside)

    def _finding(self, place: Place, q: dict[int, float], level: float, named: bool) -> Finding:
        most = max(q.get(h, 0.0) for h in place.hypotheses)
        held = [Member(h, q[h]) for h in place.hypotheses if q.get(h, 0.0) > LEAST_SHARE * most]
        members = sorted(held, key=lambda m: (-round(m.probability, 6), m.hypothesis))
        lead = members[0].hypothesis
        size, sd = self.size_of(lead)
        total = sum(m.probability for m in members)
        return Finding(place, total, level, tuple(members), named, size, sd)

    # ---- members of classes ----

    @cached_property
    def share(self) -> Floats:
        """(h,) part of its class's probability that each hypothesis takes: by rates, and where something is said by
        how well a usual slip explains the size it would need."""
        return self._shares[0]

    @property
    def _convicts(self) -> dict[int, float]:
        """Likelihood of members of classes against their representative, where causes part them and may convict."""
        return self._shares[1]

    @cached_property
    def _shares(self) -> tuple[Floats, dict[int, float]]:
        bench = self.bench
        share = bench.classes.shares(bench.family.rate)
        convicts: dict[int, float] = {}
        if not self.said:
            return share, convicts
        for c in {
            c for _, slot in self.slots for c, p in zip(slot.classes, slot.probability, strict=True) if p > DOUBT
        }:
            members = bench.classes.members(c)
            if not 1 < len(members) <= IN_CLASS_UP_TO:
                continue
            b, s = self._alone(c)
            ratios = [bench.classes.ratio(h, bench.diagonal) for h in members.tolist()]
            own = bench.family.rate[members] / bench.family.rate[members].sum()
            # what the search took the class to be: any of its members, of any size
            base = sum(p * broad_density(b * f, s * abs(f)) * s * abs(f) for p, f in zip(own, ratios, strict=True))
            parts = np.array(
                [
                    bench.naming.of(h, b * f, s * abs(f)) * s * abs(f) / base
                    for h, f in zip(members.tolist(), ratios, strict=True)
                ]
            )
            weight = bench.family.rate[members] * parts
            if weight.sum() > 0:  # else every one of them is a common error of an impossible size: rates part them
                share[members] = weight / weight.sum()
            if abs(b) >= CONVICTS_FROM_M:
                convicts.update(zip(members.tolist(), parts.tolist(), strict=True))
        return share, convicts

    def _alone(self, c: int) -> tuple[float, float]:
        """Size and sd of a class's representative with the rest of the likeliest set that holds it let go."""
        return self._beside(c, None)

    def _stated(self, c: int) -> tuple[float, float]:
        """The same with the standard deviations as stated."""
        return self._beside(c, self.bench.base)

    def _beside(self, c: int, g: int | None) -> tuple[float, float]:
        for look in self.looks:
            if (i := look.position.get(c)) is None:
                continue
            g = look.likeliest if g is None else g
            others = next(([k for k in s if k != i] for s in look.posterior.sets if i in s), [])
            left, rest = freed_of(look.u[g], np.diag(look.G[g]), look.G[g][:, others], others)
            return float(left[i] / max(rest[i], 1e-300)), float(max(rest[i], 1e-300) ** -0.5)
        raise KeyError(c)

    # ---- probabilities ----

    @cached_property
    def class_probability(self) -> Floats:
        """(c,) probability that each class is among the blunders."""
        out = self.seen.alone.copy()
        for look in self.looks:
            out[look.classes] = look.posterior.each * self.calm[look.classes]
        return out

    @cached_property
    def probability(self) -> Floats:
        """(h,) probability that each hypothesis is among the blunders."""
        label, tested = self.bench.classes.label, self.bench.classes.tested
        out = np.zeros(len(label))
        out[tested] = self.class_probability[label[tested]] * self.share[tested]
        return out

    def any_of(self, hypotheses: Iterable[int]) -> float:
        """Probability that at least one of these hypotheses is among the blunders."""
        label = self.bench.classes.label
        part: dict[int, float] = {}
        for h in hypotheses:
            if label[h] >= 0:
                c = int(label[h])
                part[c] = part.get(c, 0.0) + float(self.share[h] * self.calm[c])
        far = [c for c in part if all(c not in look.position for look in self.looks)]
        sound = float(np.prod([1 - part[c] * self.class_probability[c] for c in far]))
        for look in self.looks:
            inside = [(at, part[c]) for c in part if (at := look.position.get(c)) is not None]
            if len(inside) == 1:
                sound *= 1 - min(1.0, inside[0][1] * float(look.posterior.each[inside[0][0]]))
            elif inside:
                clean = np.prod([1 - p * look.members_of(at) for at, p in inside], axis=0)
                sound *= 1 - float(look.posterior.probability @ (1 - clean))
        return 1 - sound

    def chance_of(self, key: Key) -> float:
        """Probability that a thing is wrong, one way or another; of a stand its swaps count too."""
        kind, at = key
        places = self.bench.places
        return self.any_of([*places.thing(key).tolist(), *(places.other_ways(at) if kind == STAND else [])])

    # ---- sets ----

    @cached_property
    def explanations(self) -> tuple[Explanation, ...]:
        """Every set within 20 : 1 of the likeliest; of several neighbourhoods one varied at a time."""
        best = [look.posterior.sets[0] for look in self.looks]
        p_best = [float(look.posterior.probability[0]) for look in self.looks]
        out = [self._explanation(best, float(np.prod(p_best)))]
        for i, look in enumerate(self.looks):
            others = float(np.prod(p_best[:i] + p_best[i + 1 :]))
            for s, p in list(zip(look.posterior.sets, look.posterior.probability.tolist(), strict=True))[
                1 : look.posterior.shown
            ]:
                out.append(self._explanation([*best[:i], s, *best[i + 1 :]], p * others))
        return tuple(sorted(out, key=lambda e: -round(e.probability, 12)))[:SHOWN_AT_MOST]

    def _explanation(self, sets: list[tuple[int, ...]], probability: float) -> Explanation:
        members, errors, blocks = [], [], []
        for look, s in zip(self.looks, sets, strict=True):
            at = list(s)
            members.append(self.bench.classes.representative[look.classes[at]])
            b, covariance = self._estimate(look, at)
            errors.append(b)
            blocks.append(covariance)
        if not members:
            return Explanation(probability, np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros((0, 0)))
        covariance = linalg.block_diag(*blocks) if sum(map(len, errors)) else np.zeros((0, 0))
        return Explanation(probability, np.concatenate(members), np.concatenate(errors), covariance)

    def _estimate(self, look: Look, at: list[int]) -> tuple[Floats, Floats]:
        """Sizes and covariance of classes freed together; a fixed size counts as an observation of it."""
        g = look.likeliest
        reps = self.bench.classes.representative[look.classes[at]]
        size = self.bench.family.size[reps]
        fixed = np.isfinite(size)
        precision = np.where(fixed, self.bench.family.size_sd[reps] ** -2.0, FREE_PRECISION)
        covariance = np.linalg.inv(look.G[g][np.ix_(at, at)] + np.diag(precision)) if at else np.zeros((0, 0))
        return covariance @ (look.u[g][at] + np.where(fixed, size, 0.0) * precision), covariance

    def size_of(self, h: int) -> tuple[float, float]:
        """Size of a hypothesis and its sd, averaged over the explanations with its class; else its test's, m.

        The size of a wrong name rests on the heights of two marks, which are no better known than the error itself.
        """
        label = self.bench.classes.label
        weight, mean, second = 0.0, 0.0, 0.0
        for e in self.explanations:
            for i in np.flatnonzero(label[e.members] == label[h]).tolist():
                ratio = self.bench.classes.ratio(h, self.bench.diagonal)
                b, variance = float(e.error[i]) * ratio, float(e.covariance[i, i]) * ratio**2
                weight += e.probability
                mean += e.probability * b
                second += e.probability * (variance + b**2)
        if weight == 0:
            error, sd = self.freed[:2]
            return float(error[h]), float(sd[h])
        mean /= weight
        spread = float(np.sqrt(max(second / weight - mean**2, 0.0)))
        named = self.bench.family.kind[h] == MISNAMED
        return mean, max(spread, float(self.bench.diagonal[h] ** -0.5)) if named else spread

    @cached_property
    def freed(self) -> tuple[Floats, Floats, Floats]:
        """Error, its sd and w of each hypothesis (h,) with the likeliest explanation freed beside it.

        A large blunder pulls at the tests of everything near it; these are the tests once it has been let go.  Members
        of the explanation have their joint estimates; a hypothesis that nothing tests any more keeps its test alone.
        Error and sd carry the factors on the standard deviations that the job shows, w the stated ones.
        """
        members = self.explanations[0].members
        error, sd, w = self.error.copy(), self.error_sd.copy(), self.w.copy()
        scale = self.bench.inflation(self.looks)
        if not len(members):
            return error, sd * scale, w
        left, rest, inside = self.bench.freed(self.u, members)
        tested = self.bench.classes.tested & (rest > STILL_TESTED * self.bench.diagonal)
        error[tested] = left[tested] / rest[tested]
        sd[tested] = 1 / np.sqrt(rest[tested])
        w[tested] = left[tested] / np.sqrt(rest[tested])
        error[members], sd = self.explanations[0].error, sd * scale
        sd[members] = np.sqrt(np.diag(self.explanations[0].covariance))
        covariance = np.linalg.inv(inside + FREE_PRECISION * np.eye(len(members)))
        w[members] = covariance @ self.u[members] / np.sqrt(np.diag(covariance))
        return error, sd, w

    # ---- a second opinion ----

    @cached_property
    def best_subset(self) -> Ints:
        """Hypotheses that the penalised best-subset rule would accuse."""
        reps = self.bench.classes.representative
        chosen = [reps[look.classes[list(look.posterior.best_subset)]] for look in self.looks]
        return np.concatenate([np.zeros(0, dtype=np.int64), *chosen])

    @cached_property
    def one_at_a_time(self) -> Ints:
        """Hypotheses that freeing the largest test, one after the other, would accuse."""
        reps, k = self.bench.classes.representative, self.bench.closing.k
        chosen = [
            reps[look.classes[list(one_at_a_time(look.u[look.base], look.G[look.base], k))]] for look in self.looks
        ]
        return np.concatenate([np.zeros(0, dtype=np.int64), *chosen])
