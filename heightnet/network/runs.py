"""A job as a levelling book: legs, runs, and sections between marks that can be found again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil, isfinite

from heightnet.job.model import Job
from heightnet.kinds.stands import stand_heights
from heightnet.ledger.thing import POINTING, Thing, row_ids
from heightnet.network.model import Network

USUAL_SETUP_M = 80.0  # two sights of 40 m, common practice: set-ups of a levelled difference that does not say how many

TRIG = "trig"


@dataclass(frozen=True)
class Leg:
    """A height difference as booked: a level's backsight to its foresight, a levelled difference, or a sight.

    rise : m.  km : length, 0 where not recorded.  setups : of the level, estimated where not recorded.
    backsight, foresight : m, the mean where read several times; NaN for what is not a staff book.
    ids, weights : hypotheses of its observations, and what of an error in each the rise takes.
    """

    start: str
    end: str
    rise: float
    km: float
    setups: float
    run: str
    ids: tuple[str, ...]
    weights: tuple[float, ...]
    kind: str
    place: str
    backsight: float = float("nan")
    foresight: float = float("nan")
    back: bool = False

    @property
    def ends(self) -> tuple[str, str]:
        """The marks of its backsight and its foresight, whichever way it is walked."""
        return (self.end, self.start) if self.back else (self.start, self.end)

    def turned(self) -> Leg:
        """Walked the other way."""
        return Leg(
            self.end, self.start, -self.rise, self.km, self.setups, self.run, self.ids, self.weights, self.kind,
            self.place, self.foresight, self.backsight, not self.back,
        )  # fmt: skip


@dataclass(frozen=True)
class Fault:
    """Something wrong with how a run is booked: level_setup and row say where."""

    kind: str
    run: str
    level_setup: str
    row: int


@dataclass(frozen=True)
class Chain:
    """Legs that follow one another, each beginning where the one before ended."""

    run: str
    kind: str
    legs: tuple[Leg, ...]

    @property
    def start(self) -> str:
        return self.legs[0].start

    @property
    def end(self) -> str:
        return self.legs[-1].end

    @property
    def rise(self) -> float:
        return float(sum(leg.rise for leg in self.legs))

    @property
    def km(self) -> float:
        return float(sum(leg.km for leg in self.legs))

    @property
    def setups(self) -> float:
        return float(sum(leg.setups for leg in self.legs))

    @property
    def ids(self) -> tuple[str, ...]:
        return tuple(id_ for leg in self.legs for id_ in leg.ids)

    @property
    def weighted(self) -> Iterator[tuple[str, float]]:
        """Each of its ids, and what of an error in it the rise takes."""
        return ((id_, weight) for leg in self.legs for id_, weight in zip(leg.ids, leg.weights, strict=True))

    @property
    def together(self) -> Iterator[str]:
        """Ids of what several readings of one of its level set-ups may have wrong together: backsight and foresight in
        each other's place, all readings of a sight."""
        for leg in self.legs:
            if leg.kind == "staff":
                yield str(Thing.both("exchange", leg.place, leg.run))
                for sight, mark in zip(("BS", "FS"), leg.ends, strict=True):
                    yield str(Thing.several(POINTING, leg.place, leg.run, sight, mark))

    def cut(self, at: set[str]) -> list[Chain]:
        """The chain in parts, cut at these marks."""
        parts: list[list[Leg]] = [[]]
        for leg in self.legs:
            parts[-1].append(leg)
            if leg.end in at:
                parts.append([])
        return [Chain(self.run, self.kind, tuple(legs)) for legs in parts if legs]


def staff_legs(job: Job) -> tuple[list[Leg], list[Fault]]:
    """The legs of a staff book in booked order, and what is wrong with its form."""
    legs, faults = [], []
    staff, file = job.staff, job.files["staff"]
    columns = ("run", "level_setup", "sight", "mark", "row", "cell")
    run, level, sight, mark, row, cell = (staff[column].tolist() for column in columns)
    reading, distance = (staff[column].to_numpy(float).tolist() for column in ("reading", "distance"))
    sd = staff["sd"].fillna(job.settings.precision.staff_mm / 1000).tolist()
    id_of = row_ids("staff", file, row, cell)
    stands: dict[tuple[str, str], list[int]] = {}
    for i, stand in enumerate(zip(run, level, strict=True)):
        stands.setdefault(stand, []).append(i)
    for (of_run, at), rows in stands.items():
        back, fore = ([i for i in rows if sight[i] == which] for which in ("BS", "FS"))
        ends = [{mark[i] for i in some} for some in (back, fore)]
        for which, found in zip(("backsight", "foresight"), ends, strict=True):
            if len(found) != 1:
                kind = f"no_{which}" if not found else f"several_{which}s"
                faults.append(Fault(kind, str(of_run), str(at), int(row[rows[0]])))
        if len(ends[0]) != 1 or len(ends[1]) != 1:
            continue
        shares = [_shares([sd[i] for i in some]) for some in (back, fore)]
        b, f = (
            sum(share * reading[i] for share, i in zip(of, some, strict=True))
            for of, some in zip(shares, (back, fore), strict=True)
        )
        km = sum(far for far in (distance[back[0]], distance[fore[0]]) if far == far) / 1000  # NaN: not recorded
        ids = tuple(id_of[i] for i in (*back, *fore))
        weights = tuple(share for of in shares for share in of)
        legs.append(
            Leg(
                str(mark[back[0]]),
                str(mark[fore[0]]),
                b - f,
                km,
                1.0,
                str(of_run),
                ids,
                weights,
                "staff",
                str(at),
                b,
                f,
            )
        )
    return legs, faults


def _shares(sds: list[float]) -> list[float]:
    """What each of several readings of one sight counts in their mean, by its variance: three wires alike."""
    weight = [sd**-2.0 for sd in sds]
    return [one / sum(weight) for one in weight]


def level_legs(job: Job) -> list[Leg]:
    """The levelled differences as legs; a blank run name chains nothing but rows that follow one another."""
    out = []
    levels, file = job.levels, job.files["levels"]
    columns = [levels[c].tolist() for c in ("from_mark", "to_mark", "run", "row")]
    numbers = [levels[c].to_numpy(float).tolist() for c in ("rise", "length", "setups")]
    for start, end, run, row, rise, length, count in zip(*columns, *numbers, strict=True):
        far = length if isfinite(length) else 0.0
        setups = count if isfinite(count) else float(max(1, ceil(far / USUAL_SETUP_M)))
        ids = tuple(row_ids("level", file, [row]))
        out.append(Leg(str(start), str(end), rise, far / 1000, setups, str(run), ids, (1.0,), "levels", f"row {row}"))
    return out


def trig_legs(net: Network) -> list[Leg]:
    """Each sight from a taped set-up to a taped target as a leg from mark to mark."""
    shots, name = net.rows("shot"), net.nodes.name
    taped = stand_heights(net)[0]
    columns = (net.job.shots[c].tolist() for c in ("setup", "target", "row"))
    file = net.job.files["shots"]
    ends = (net.tail[shots].tolist(), net.head[shots].tolist())
    numbers = (net.rise[shots].tolist(), net.sights.horizontal.tolist())
    out = []
    for at, to, rise, far, setup, target, row in zip(*ends, *numbers, *columns, strict=True):
        a, b = int(net.nodes.mark[at]), int(net.nodes.mark[to])
        between = float(taped[at] + rise - taped[to])
        if a < 0 or b < 0 or a == b or not isfinite(between):
            continue
        ids = (*row_ids("shot", file, [row]), str(Thing("setup", setup)), str(Thing("target", target)))
        out.append(
            Leg(str(name[a]), str(name[b]), between, far / 1000, 1.0, "", ids, (1.0,) * 3, TRIG, f"{setup} to {target}")
        )
    return out


def chains_of(legs: list[Leg], faults: list[Fault] | None = None) -> list[Chain]:
    """Legs of each run strung together; a leg that does not begin where the one before ended begins a new chain."""
    out: list[list[Leg]] = []
    for leg in legs:
        if out and out[-1][-1].run == leg.run and out[-1][-1].end == leg.start:
            out[-1].append(leg)
            continue
        if faults is not None and out and out[-1][-1].run == leg.run:
            faults.append(Fault("gap", leg.run, leg.place, Thing.of(leg.ids[0]).row))
        out.append([leg])
    return [Chain(part[0].run, part[0].kind, tuple(part)) for part in out]


def permanent_marks(job: Job) -> set[str]:
    """Marks that can be found again: those listed, and the ends of levelled differences; not change points."""
    return {
        *job.marks["mark"],
        *job.levels["from_mark"],
        *job.levels["to_mark"],
        *job.setups["mark"],
        *job.targets["mark"],
    } - {""}


def sections_of(chains: list[Chain], marks: set[str]) -> dict[tuple[str, str], list[Chain]]:
    """Chains cut at permanent marks, by their two ends; walked the other way where the name order asks for it."""
    out: dict[tuple[str, str], list[Chain]] = {}
    for chain in chains:
        for part in chain.cut(marks):
            pair = (part.start, part.end)
            if pair[::-1] in out:
                pair = pair[::-1]
                part = Chain(part.run, part.kind, tuple(leg.turned() for leg in reversed(part.legs)))
            out.setdefault(pair, []).append(part)
    return out
