"""Which one or two measurements would prove most: from the field party's own set-ups, marks and tapes."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.special import ndtri

from heightnet.arrays import Floats, Ints
from heightnet.errors import WrongSettings
from heightnet.job.problems import nearest
from heightnet.judge.bench import BenchBase
from heightnet.judge.critical import sidak_value
from heightnet.judge.gain import Gain
from heightnet.judge.reduction import UNTESTABLE
from heightnet.kinds.kind import DATUM
from heightnet.ledger.thing import STANDS, Thing
from heightnet.network.model import Network
from heightnet.reduce.sight import ARCSEC
from heightnet.tasks.facts import JobFacts, Record, number
from heightnet.tasks.judgement_facts import wrong_together
from heightnet.tasks.measurements import measurement

SUGGESTED = 3
ACCUSED_WEIGHT = 6.0  # a height that is probably wrong matters as much as this many that are merely unproved
HELPS = 0.05  # of the logarithm of a size, from which a measurement is told as one about that height
LARGE_M = 1.0  # an error nothing limits counts like one of this size
WORTH_A_TRIP = 0.2  # of the logarithm of the detectable size, summed over the heights
CANDIDATES_UP_TO = 600
LEVELLED_M = 250.0  # between antennas; further off a level tie is no quick check
OCCUPATIONS = 4  # observations of one antenna that are weighed once more
NUMBERS_HELD = 4_000_000  # candidates times unknowns; the stands that matter most come first

DAY = re.compile(r"(\d{4}-\d{2}-\d{2})(?!\d)")


@dataclass(frozen=True)
class Candidate:
    """One measurement that could be made: it observes height of head less height of tail, sd in m.

    about : node of the stand whose height it is to test, which need not be an end of it.
    again : position of the satellite row that it repeats, with the separations in it; -1 for none.
    distance : from one end to the other, m.
    pole : what is sighted, "" where it has no name.
    """

    kind: str
    stand: str
    from_mark: str
    mark: str
    tail: int
    head: int
    sd: float
    about: int
    again: int = -1
    distance: float = 0.0
    pole: str = ""


def taken_down(net: Network) -> set[int]:
    """Nodes of stands that were there on an earlier day than the job's last: nobody tapes them or sights from them now.

    Where no day is recorded a stand may still be there.
    """
    day: dict[int, str] = {}
    of_stand = zip(
        (*net.setup_node, *net.target_node), (*net.job.setups["when"], *net.job.targets["when"]), strict=True
    )
    for node, when in (*of_stand, *zip(net.readings["node"], net.readings["when"], strict=True)):
        if found := DAY.search(str(when)):
            day[int(node)] = max(day.get(int(node), ""), found[1])
    last = max(day.values(), default="")
    return {node for node, on in day.items() if on < last}


def standing(net: Network, names: Collection[str]) -> set[int]:
    """Nodes of the set-ups and targets of these names.

    Raises WrongSettings with every name that is neither.
    """
    setups, targets = net.job.setups["setup"].tolist(), net.job.targets["target"].tolist()
    known = {*setups, *targets}
    wrong = [
        f"stands: read {name}, expected set-ups or targets of the job. {nearest(name, [*setups, *targets])}".rstrip()
        for name in names
        if name not in known
    ]
    if wrong:
        raise WrongSettings("\n".join(wrong))
    of_stand = zip([*setups, *targets], [*net.setup_node.tolist(), *net.target_node.tolist()], strict=True)
    return {node for name, node in of_stand if name in set(names)}


def candidates(net: Network, wanted: npt.NDArray[np.int64], gone: Collection[int] = ()) -> list[Candidate]:
    """Measurements that could be made about the stands wanted (nodes), the tie of a set-up to a mark first.

    A second taping of each; from each set-up a shot to a pole on every mark it saw or was seen from; a level tie
    from the mark under it to those marks.  Where a stand is gone, a new set-up over its mark takes the place of both.
    An antenna sights nothing: over its mark it can be put up again, as often as it was observed.
    """
    known = set(net.held.tolist()) | set(net.head[net.rows("known")].tolist())
    names = net.nodes.name
    neighbours = _neighbours(net, set(wanted.tolist()))
    antennas = set(net.setup_node[net.antennas].tolist()) if len(net.job.gnss) else set()
    unnamed = set(net.readings["node"].to_numpy()[(net.readings["by"] == "").to_numpy(dtype=bool)].tolist())
    out = []
    for node in wanted.tolist():
        at = int(net.nodes.mark[node])
        stand = stand_name(net, node)
        if at < 0:
            continue
        under = str(names[at])
        if node not in gone:
            out.append(taped_again(net, node, stand, unnamed))
        is_setup = bool(np.any(net.setup_node == node)) and node not in antennas
        if node in antennas:
            out += _occupations(net, node, stand, under)
        for mark, distance in neighbours.get(node, {}).items():
            if is_setup:
                sight = sight_sd(net, distance)
                kind = "check_shot" if mark in known else "pole_shot"
                shot = Candidate(kind, stand, under, str(names[mark]), node, mark, sight, node, distance=distance)
                if node not in gone:
                    out.append(shot)
                elif mark != at:
                    out.append(occupied_again(net, shot))
            level = level_sd(net, distance)
            if mark != at:
                out.append(Candidate("level_tie", stand, under, str(names[mark]), at, mark, level, node, -1, distance))
    # a measurement to what nothing determines ties it to nothing
    return [one for one in out if np.isfinite(net.nodes.height[[one.tail, one.head]]).all()]


def sight_sd(net: Network, distance: float) -> float:
    """Of a sight to a pole of known height, m."""
    precision = net.job.settings.precision
    return float(np.hypot(precision.zenith_sec * ARCSEC * distance, precision.tape_mm / 1000))


def level_sd(net: Network, distance: float) -> float:
    """Of a levelled difference, m."""
    return float(max(net.job.settings.precision.level_mm_sqrt_km / 1000 * np.sqrt(distance / 1000), 0.0003))


def taped_again(net: Network, node: int, stand: str, unnamed: Collection[int]) -> Candidate:
    """One more way to a height: by another person, or in parts where it is not known who that would be."""
    kind, times = ("in_parts", np.sqrt(2)) if node in unnamed else ("second_tape", 1.0)
    under = str(net.nodes.name[net.nodes.mark[node]])
    sd = float(times * net.job.settings.precision.tape_mm / 1000)
    return Candidate(kind, stand, under, under, int(net.nodes.mark[node]), node, sd, node)


def occupied_again(net: Network, shot: Candidate) -> Candidate:
    """A sight to a mark from a new set-up over the old one's mark, taped anew."""
    tape = net.job.settings.precision.tape_mm / 1000
    at = int(net.nodes.mark[shot.tail])
    return replace(shot, kind="reoccupation", tail=at, sd=float(np.hypot(shot.sd, tape)))


def _occupations(net: Network, node: int, stand: str, under: str) -> list[Candidate]:
    """The satellite observations of an antenna made once more with every antenna put up and taped anew."""
    rows, tape = net.rows("gnss"), net.job.settings.precision.tape_mm / 1000
    tail, head = net.tail[rows], net.head[rows]
    out = []
    for i in np.flatnonzero((tail == node) | (head == node))[:OCCUPATIONS].tolist():
        ends = [DATUM if end == DATUM else int(net.nodes.mark[end]) for end in (int(tail[i]), int(head[i]))]
        if ends[0] == ends[1] or -1 in ends:
            continue
        antennas = 1 if ends[0] == DATUM else 2
        other = ends[0] if int(head[i]) == node else ends[1]
        mark = under if other == DATUM else str(net.nodes.name[other])
        sd = float(np.hypot(net.sd[rows][i], np.sqrt(antennas) * tape))
        out.append(Candidate("antenna_reoccupation", stand, under, mark, ends[0], ends[1], sd, node, i))
    return out


def stand_name(net: Network, node: int) -> str:
    at = np.flatnonzero(net.setup_node == node)
    if len(at):
        return str(Thing("setup", net.job.setups["setup"].iloc[int(at[0])]))
    at = np.flatnonzero(net.target_node == node)
    return str(Thing("target", net.job.targets["target"].iloc[int(at[0])]))


def _neighbours(net: Network, wanted: set[int]) -> dict[int, dict[int, float]]:
    """For each stand wanted the marks in sight of it and how far they are: those it shot, or whose set-ups shot it."""
    at, to = net.setup_node[net.shot_setup], net.target_node[net.shot_target]
    under = np.isin(net.nodes.mark, net.nodes.mark[list(wanted)])
    near = np.flatnonzero(under[at] | under[to])
    at, to, distance = at[near], to[near], net.sights.horizontal[near]
    out: dict[int, dict[int, float]] = {}
    for a, b, d in zip(at.tolist(), to.tolist(), distance.tolist(), strict=True):
        for one, other in ((a, b), (b, a)):
            mark = int(net.nodes.mark[other])
            if mark >= 0:
                out.setdefault(one, {}).setdefault(mark, d)
    if len(net.job.gnss):
        for node, mark, d in _satellite_neighbours(net, wanted):
            out.setdefault(node, {}).setdefault(mark, d)
    over: dict[int, list[int]] = {}
    for node in {*at.tolist(), *to.tolist()}:
        over.setdefault(int(net.nodes.mark[node]), []).append(node)
    for mark, stands in over.items():  # what one stand over a mark saw, every stand over it can see
        if mark < 0:
            continue
        seen = {m: d for s in stands for m, d in out.get(s, {}).items()}
        for s in stands:
            out[s] = {**seen, **out.get(s, {})}
    return out


def _satellite_neighbours(net: Network, wanted: set[int]) -> Iterator[tuple[int, int, float]]:
    """Antenna, mark and distance of each satellite rise at these antennas that is short enough to be levelled."""
    rows, distance = net.rows("gnss"), net.satellite_lengths
    tail, head = net.tail[rows], net.head[rows]
    asked = np.isin(tail, list(wanted)) | np.isin(head, list(wanted))
    for i in np.flatnonzero(asked & (distance > 0) & (distance <= LEVELLED_M)).tolist():
        for one, other in ((int(tail[i]), int(head[i])), (int(head[i]), int(tail[i]))):
            if one in wanted:
                yield one, int(net.nodes.mark[other]), float(distance[i])


def in_question(facts: JobFacts, watched: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """(watched,) heights that a finding is about, be it that no place holds half of it.

    Those that a named event or common error makes wrong are not: what shows that one says nothing of each by itself.
    """
    verdict = facts.verdicts[watched]
    out = np.isin(verdict, ("suspect", "either")) & ~np.isin(watched, list(wrong_together(facts)))
    return np.asarray(out | np.isin(watched, list(facts.in_findings)))


def delta_afterwards(bench: BenchBase) -> float:
    """How many sds of its test an error must have to be found once more is measured: an upper bound.

    More measurements make more tests, of which the largest must stay usual: at most one for each hypothesis.
    """
    test, tests = bench.net.job.settings.test, int(np.isnan(bench.family.size).sum())
    return max(bench.delta, sidak_value(max(tests, 1), test.false_alarm) + float(ndtri(test.power)))


def next_measurements(facts: JobFacts, suggested: int = SUGGESTED) -> list[Record]:
    """The few measurements that prove most, best first; [] where every height is proved and none is accused."""
    net, family, bench = facts.net, facts.family, facts.bench
    watched = np.flatnonzero(family.of(*STANDS))
    tolerance = net.job.settings.test.tolerance_mm / 1000
    accused, found = in_question(facts, watched), facts.found[watched]
    doubted = accused | (facts.verdicts[watched] == "doubted")
    open_ = doubted | ~(found <= tolerance)
    if not open_.any():
        return []
    order = np.argsort(-(accused[open_] * 1e3 + np.minimum(found[open_], LARGE_M)).round(9), kind="stable")
    wanted = family.node[watched[open_]][order]
    limit = max(30, min(CANDIDATES_UP_TO, NUMBERS_HELD // max(1, net.A.shape[1])))
    # satellite heights are worked out when the antennas are down: nobody can tape them again
    antennas = set(net.setup_node[net.antennas].tolist()) if len(net.job.gnss) else set()
    options = candidates(net, wanted[:limit], taken_down(net) | antennas)[:limit]
    if not options:
        return []
    variance = np.array([o.sd**2 for o in options])
    gain = Gain(bench, facts.fit, design_rows(net, options), variance, family.C[:, watched], bench.diagonal[watched])
    sizes = Sizes.of_whole(gain.own, found, delta_afterwards(bench))
    weight = np.where(accused, ACCUSED_WEIGHT, np.where(open_, 1.0, 0.0))
    out: list[Record] = []
    taken: set[tuple[str, str, str]] = set()
    for number_ in range(1, suggested + 1):
        least = np.where(doubted, tolerance / 10, tolerance)  # a height in doubt is worth knowing beyond it
        before, after = (np.clip(sizes.of(G), least, LARGE_M) for G in (gain.diagonal, gain.after()))
        score = ((np.log(before) - np.log(after)) * weight).sum(axis=1)
        for i, option in enumerate(options):
            if (option.kind, option.stand, option.mark) in taken:
                score[i] = -np.inf
        best = int(np.argmax(score.round(9)))  # of equal ones the first
        if score[best] < WORTH_A_TRIP:
            break
        out.append(_as_record(facts, number_, options[best], gain, best, watched, tolerance, sizes, weight))
        taken.add((options[best].kind, options[best].stand, options[best].mark))
        gain.take(best)
    return out


@dataclass(frozen=True)
class Sizes:
    """Sizes of errors that are found: with more information than today an upper bound, never above today's promise.

    own : (w,) whole information of each hypothesis; share : (w,) of a unit of it in the height.
    of_height : (h, k) hypotheses of each height, of which the one that shows least counts.
    found : (h, k) or (h,) size found today, m; delta : see `delta_afterwards`.
    """

    own: Floats
    share: Floats
    of_height: Ints
    found: Floats
    delta: float

    @classmethod
    def of_whole(cls, own: Floats, found: Floats, delta: float) -> Sizes:
        """Each height is one hypothesis."""
        return cls(own, np.ones(len(own)), np.arange(len(own))[:, None], found, delta)

    def each(self, information: Floats) -> Floats:
        """(..., w) sizes with this reduced information; inf where nothing tests a hypothesis."""
        tested = information > UNTESTABLE * self.own
        return np.where(tested, self.share * self.delta / np.sqrt(np.where(tested, information, 1.0)), np.inf)

    def kinds(self, information: Floats) -> Floats:
        """(..., h, k) sizes of each kind of error in the heights."""
        found = self.found if self.found.ndim > 1 else self.found[:, None]
        return np.minimum(self.each(information)[..., self.of_height], found)

    def of(self, information: Floats) -> Floats:
        """(..., h) sizes of the heights: of the kind that shows least."""
        return np.asarray(self.kinds(information).max(axis=-1))


def design_rows(net: Network, options: list[Candidate]) -> sparse.csr_matrix:
    column = net.nodes.column
    row, col, value = [], [], []
    for i, option in enumerate(options):
        for node, sign in ((option.head, 1.0), (option.tail, -1.0)):
            if column[node] >= 0:
                row.append(i)
                col.append(int(column[node]))
                value.append(sign)
    again = np.array([o.again for o in options])
    if (repeats := np.flatnonzero(again >= 0)).size:
        separations = net.A[net.rows("gnss").start + again[repeats], net.heights :].tocoo()
        row += repeats[separations.row].tolist()
        col += (net.heights + separations.col).tolist()
        value += separations.data.tolist()
    return sparse.csr_matrix((value, (row, col)), shape=(len(options), net.A.shape[1]))


def _as_record(
    facts: JobFacts,
    order: int,
    option: Candidate,
    gain: Gain,
    p: int,
    watched: npt.NDArray[np.int64],
    tolerance: float,
    sizes: Sizes,
    weight: Floats,
) -> Record:
    """A measurement as it is told: about its own stand, or where it hardly helps that the open height it helps most."""
    before, after = sizes.of(gain.diagonal), sizes.of(gain.after()[p])
    proves = np.flatnonzero((before > tolerance) & (after <= tolerance))
    near = np.flatnonzero(facts.family.node[watched] == option.about)
    helped = np.log(np.minimum(before, LARGE_M)) - np.log(np.minimum(after, LARGE_M))
    one = int(near[0]) if len(near) and helped[near[0]] > HELPS else int(np.argmax((helped * weight).round(9)))
    return measurement(
        order,
        option.kind,
        option.stand,
        option.from_mark,
        option.mark,
        tests=str(facts.family.ids[watched[one]]),
        proves=facts.ids(int(watched[i]) for i in proves),
        found_before_mm=number(before[one], 1000),
        found_after_mm=number(after[one], 1000),
    )
