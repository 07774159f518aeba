"""Geometries of jobs on which the judgement is measured: each seed has its own distances, heights and lines of sight.

``shape(name, seed)`` is a job whose observations are free of error; errors come from `tests.noise`.  A geometry is
drawn within its shape's character, so the number of observations and the redundancy of a shape hardly change.

=====================  ================================================================================================
small3, small4         small jobs: three or four set-ups, reciprocal sights to the marks next to them
small4x                small4 with sights two marks on
book{n}                n set-ups out and n back to the start, every turning point used once: one check
book{n}-ends           the same, closing on another known mark
book{n}-again          turning points are pegs, used again on the way back: a check a set-up
book{n}-marks          listed marks every four set-ups, out and back: a check a section
oneway12               trigonometric traverse, one way, 12 set-ups between two known marks: one check
centred, centred-tied  instrument and prism change places on 10 stands, one tape height a stand; with levelled ties
pillars                instruments and prisms on pillars of fixed height over known marks, object points all round
mixed                  levels, sights, set-ups over marks and over none
onecontrol25           25 set-ups, one known mark
twoprisms              12 set-ups, every mark sighted under a pole and under a prism
areal25, areal60       as the areal kinds of `tests.simulate.jobs`: two parties, three prisms, some heights taped twice
loops3, loops6         nets of 3 x 3 and 6 x 6 levelled loops, one known mark
loops3-book            the 3 x 3 net with its sections at reading level, two to four set-ups each
satellites             antennas in two sessions beside a total station and a level
day, day-slant         ten set-ups of one day with two poles and two who hold them, every time booked, three marks
                       known; a few tripods low; or the instrument's height taped slant
site-hilly, site-flat  14 set-ups on 12 marks of an area, two marks occupied again, prisms that stay up over several
site-lists2, -lists3   site-hilly with known heights from two lists (of two and three marks); a third has another two
=====================  ================================================================================================

All names and numbers are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np

from heightnet.job.model import Job
from heightnet.ledger.settings import Settings
from heightnet.network import build_network
from tests.party import Party
from tests.simulate.antennas import PHASE_M, RIM
from tests.simulate.jobs import PRECISION

BOOKS = (6, 14, 30, 60, 100, 200, 400)
SECTION = 4  # set-ups between listed marks
SIDE_MARK_M = 0.16  # of the instruments of a day in the field, from the axis
POLE_M = 1.80
LOW_TRIPODS = (2, 5, 7)
LISTS = (2, 3, 2)  # known marks of each list of heights
STAYS_UP = 3  # sights of a prism before it is put up anew
ATTEMPTS = 200  # lies drawn until one holds together


@dataclass(frozen=True)
class Shape:
    """A job without errors of observation, and the true heights of its marks, m."""

    name: str
    seed: int
    job: Job
    heights: dict[str, float]


def shape(name: str, seed: int = 0) -> Shape:
    """One geometry of a shape; the same seed gives the same one, and a lie in which everything hangs together.

    Raises KeyError for a name that is not in `SHAPES`.
    """
    made = SHAPES[name]
    for attempt in range(ATTEMPTS):
        rng = np.random.default_rng((seed, attempt, *name.encode()))
        party = Party(Settings(title=f"Invented: {name}").with_values(**PRECISION))
        made(party, rng)
        job = party.job(f"{name}-{seed}")
        net = build_network(job)
        if len(net.pieces) == 1 and not len(net.undetermined):
            return Shape(name, seed, job, party.height)
    raise RuntimeError(f"no {name} with seed {seed} hangs together")


def _hi(rng: np.random.Generator) -> float:
    return round(float(rng.uniform(1.45, 1.65)), 5)  # as finely as a tape is read here: without error


def _ht(rng: np.random.Generator) -> float:
    return round(float(rng.uniform(1.35, 1.75)), 5)


def _line(party: Party, rng: np.random.Generator, count: int, known: tuple[int, ...], near: float, far: float) -> None:
    """Marks M0, M1, ... along a bent line, ``near`` to ``far`` metres apart."""
    east, north, height = 1000.0, 1000.0, 100.0
    for i in range(count):
        party.mark(f"M{i}", east, north, height, known=i in known)
        step, turn = rng.uniform(near, far), rng.normal(0, 0.35)
        east, north, height = (
            east + step * np.cos(turn),
            north + step * np.sin(turn),
            height + rng.normal(0, 0.03) * step,
        )


def _field(
    party: Party, rng: np.random.Generator, across: int, count: int, known: tuple[int, ...], apart: float
) -> None:
    """Marks M0, M1, ... on a jittered grid, row by row."""
    for i in range(count):
        east, north = apart * (i % across) + rng.normal(0, apart / 8), apart * (i // across) + rng.normal(0, apart / 8)
        party.mark(f"M{i}", 1000 + east, 1000 + north, 100 + rng.normal(0, apart / 30), known=i in known)


def _instrument(party: Party, *names: str) -> None:
    """Instruments with their axis at the seat, and the side mark that heights may be taped to."""
    for name in names:
        party.equip(name, "axis")
        party.equip(name, "side mark", radius=0.100, usual=True)


def _apart(party: Party, one: str, other: str) -> float:
    return float(np.hypot(party.east[one] - party.east[other], party.north[one] - party.north[other]))


def _nearest(party: Party, mark: str, count: int) -> list[str]:
    return sorted((m for m in party.east if m != mark), key=lambda m: _apart(party, mark, m))[:count]


# ---- sights ----


def small(party: Party, rng: np.random.Generator, setups: int, reach: int) -> None:
    """Set-ups over a line of marks, two of them known; of three set-ups the ends sight known marks further out."""
    outer = setups == 3
    pair = ((0, 4),) if outer else ((0, 3), (0, 2), (1, 3))
    _line(party, rng, 5 if outer else setups, pair[rng.integers(len(pair))], 60, 180)
    _instrument(party, "instrument 1")
    party.equip("prism 1", "axis")
    for i in range(outer, setups + outer):
        party.setup(f"S{i}", f"M{i}", _hi(rng), instrument="instrument 1")
    skipped = (1, 3) if rng.uniform() < 0.5 else (3, 1)
    pairs = [(i, j) for i in range(outer, setups + outer) for j in range(5 if outer else setups)
             if 1 <= abs(i - j) <= reach or (outer and (i, j) == skipped)]  # fmt: skip
    for i, j in pairs:
        _sight_once(party, rng, f"S{i}", f"M{j}")


def _sight_once(party: Party, rng: np.random.Generator, setup: str, mark: str, equipment: str = "prism 1") -> str:
    """A sight to a target put up for it alone."""
    name = f"{mark.replace('M', 'P')}-{setup}"
    party.target(name, mark, _ht(rng), equipment=equipment)
    party.sight(setup, name)
    return name


def oneway(party: Party, rng: np.random.Generator, setups: int) -> None:
    _line(party, rng, setups + 1, (0, setups), 80, 300)
    _instrument(party, "instrument 1")
    party.equip("prism 1", "axis")
    for i in range(setups):
        party.setup(f"S{i}", f"M{i}", _hi(rng), instrument="instrument 1")
        _sight_once(party, rng, f"S{i}", f"M{i + 1}")


def centred(party: Party, rng: np.random.Generator, stands: int, tied: bool) -> None:
    """One height a stand, booked for what stood on it; the axes of instrument and prism stand alike above the seat."""
    _line(party, rng, stands, (0, stands - 1), 70, 180)
    for name in ("instrument 1", "carrier prism"):
        party.equip(name, "axis", offset=0.196)
    for i in range(stands):
        above = float(rng.uniform(1.42, 1.68))
        party.setup(f"S{i}", f"M{i}", above, tripod=f"stand {i}", instrument="instrument 1")
        party.target(f"P{i}", f"M{i}", above, tripod=f"stand {i}", equipment="carrier prism")
    for i, j in pairwise(range(stands)):
        party.sight(f"S{i}", f"P{j}")
        party.sight(f"S{j}", f"P{i}")
    if tied:
        first = int(rng.integers(2))
        for i in range(first, stands - 1, 2):
            party.level(f"M{i}", f"M{i + 1}", length=1.2 * _apart(party, f"M{i}", f"M{i + 1}"))
        for i in rng.permutation(stands - 2)[:2].tolist():
            party.level(f"M{i}", f"M{i + 2}", length=1.2 * _apart(party, f"M{i}", f"M{i + 2}"))


def pillars(party: Party, rng: np.random.Generator, count: int = 6, points: int = 8, seen: int = 4) -> None:
    """Known marks at the foot of pillars around an area of object points; each pillar sights others and points."""
    settings = party.settings
    party.equip("instrument 1", "axis", offset=0.240)
    party.equip("pillar prism", "axis", offset=0.205)
    for i in range(count):
        angle = 2 * np.pi * (i + rng.uniform(-0.2, 0.2)) / count
        party.mark(f"M{i}", 1000 + 180 * np.cos(angle), 1000 + 150 * np.sin(angle), 100 + rng.normal(0, 4), known=True)
        plate = float(rng.uniform(1.05, 1.35))
        party.setup(f"S{i}", f"M{i}", plate + 0.240, instrument="instrument 1", tripod=f"pillar {i}", sd=0.0003)
        party.target(f"P{i}", f"M{i}", plate + 0.205, equipment="pillar prism", tripod=f"pillar {i}", sd=0.0003)
    for i in range(points):
        at = f"O{i}"
        party.mark(at, 1000 + rng.uniform(-90, 90), 1000 + rng.uniform(-70, 70), 100 + rng.normal(0, 6))
        party.target(
            f"T{i}", at, float(rng.uniform(0.08, 0.25)), equipment="mini prism", sd=settings.precision.tape_mm / 1e3
        )
    for i in range(count):
        for j in (np.array([1, 2, count - 1]) + i) % count:
            party.sight(f"S{i}", f"P{j}")
        for j in sorted(rng.permutation(points)[:seen].tolist()):
            party.sight(f"S{i}", f"T{j}")


def mixed(party: Party, rng: np.random.Generator) -> None:
    """Nine marks, four set-ups over marks and three over none, 22 sights to 20 targets, 6 levelled differences."""
    _field(party, rng, 3, 9, tuple(rng.permutation(9)[:3].tolist()), 120)
    _instrument(party, "instrument 1")
    for name in ("prism 1", "prism 2"):
        party.equip(name, "axis")
    setups = [party.setup(f"S{i}", f"M{m}", _hi(rng), instrument="instrument 1")
              for i, m in enumerate(rng.permutation(9)[:4].tolist())]  # fmt: skip
    for i in range(4, 7):
        east, north = rng.uniform(0, 240, 2)
        setups.append(
            party.free(f"S{i}", 1000 + east, 1000 + north, 101.6 + rng.normal(0, 2), instrument="instrument 1")
        )
    wanted = [4] + [3] * 6
    last: dict[str, str] = {}
    shared = 0
    for setup, count in zip(setups, rng.permutation(wanted).tolist(), strict=True):
        e, n, _ = party.centre["setup", setup]
        others = [m for m in party.east if m != party.over["setup", setup]]
        near = sorted(others, key=lambda m: np.hypot(party.east[m] - e, party.north[m] - n))[:6]
        for mark in sorted(rng.permutation(near)[:count].tolist()):
            if mark in last and shared < 2:
                party.sight(setup, last.pop(mark))
                shared += 1
            else:
                last[mark] = _sight_once(party, rng, setup, mark, f"prism {rng.integers(1, 3)}")
    pairs = [(i, j) for i in range(9) for j in (i + 1, i + 3) if j < 9 and (j != i + 1 or j % 3)]
    for i, j in sorted(pairs[p] for p in rng.permutation(len(pairs))[:6]):
        party.level(f"M{i}", f"M{j}", length=1.2 * _apart(party, f"M{i}", f"M{j}"))


def areal(
    party: Party, rng: np.random.Generator, count: int, known: int, seen: float, twice: bool = True,
    equipment: tuple[str, ...] = ("prism 1", "prism 2", "prism 3"), parties: int = 2, new_after: int | None = None,
) -> None:  # fmt: skip
    """A set-up over each mark of a field, sighting the nearest ``seen`` of them on average.

    twice : every fourth set-up is taped in metres and in feet.
    equipment : what a mark is sighted under, in turn.
    new_after : a target is put up anew after so many sights; None: two stand over each mark and are sighted in turn.
    """
    side = int(np.ceil(np.sqrt(count)))
    chosen = tuple(np.linspace(0, count - 1, known).round().astype(int).tolist()) if known > 1 else (
        int(rng.integers(count)),)  # fmt: skip
    _field(party, rng, side, count, chosen, 120)
    _instrument(party, *(f"instrument {i + 1}" for i in range(parties)))
    for name in equipment:
        party.equip(name, "axis")
    tape = {}
    for i in range(count):
        of = 1 + (i // 2) % parties
        above, name = _hi(rng), f"S{i}"
        party.setup(name, f"M{i}", above, booked=False, instrument=f"instrument {of}")
        tape["setup", name] = above, f"tape {of}", ("m", "ft") if twice and i % 4 == 1 else ("m",)
    sighted = dict.fromkeys(range(count), 0)
    whole = int(seen)
    more = set(rng.permutation(count)[: round((seen - whole) * count)].tolist())
    for i in rng.permutation(count).tolist():
        for mark in _nearest(party, f"M{i}", whole + (i in more)):
            j = int(mark[1:])
            which = sighted[j] % 2 if new_after is None else sighted[j] // new_after
            sighted[j] += 1
            name = f"P{j}{'abcdefgh'[which]}"
            if ("target", name) not in tape:
                above = _ht(rng)
                party.target(name, mark, above, booked=False, equipment=equipment[(2 * j + which) % len(equipment)])
                tape["target", name] = above, f"tape {1 + (j // 2 + which) % parties}", ("m",)
            party.sight(f"S{i}", name)
    for (kind, name), (above, by, scales) in tape.items():
        for scale in scales:
            party.tape(kind, name, above, scale, tape=by)


def two_prisms(party: Party, rng: np.random.Generator) -> None:
    """Every mark has a pole and a prism, sighted in turn."""
    areal(party, rng, 12, 3, 5, twice=False, equipment=("pole 1", "prism 1"), parties=1)


# ---- a day in the field: times, poles, who held them, lists of known heights ----


def _clock(minutes: float) -> str:
    hours, rest = divmod(round(8 * 60 + minutes), 60)
    return f"2026-05-04T{hours:02d}:{rest:02d}"


def _slanted(party: Party, name: str) -> None:
    """An instrument whose side mark is far enough out that a slant matters."""
    party.equip(name, "axis")
    party.equip(name, "side mark", radius=SIDE_MARK_M, usual=True)


def day(party: Party, rng: np.random.Generator, slant: bool) -> None:
    """Marks one and two behind are sighted under pole 1, those ahead under pole 2; every sight has its own put-up."""
    _line(party, rng, 10, (0, 4, 9), 60, 150)
    _slanted(party, "instrument 1")
    for pole in ("pole 1", "pole 2"):
        party.equip(pole, "axis")
    for i in range(10):
        low = not slant and i in LOW_TRIPODS
        above, begun = round(float(rng.uniform(0.65, 0.85)), 5) if low else _hi(rng), 50 * i
        party.setup(f"S{i}", f"M{i}", above, not slant, instrument="instrument 1", observer="observer 1",
                    when=_clock(begun))  # fmt: skip
        if slant:
            party.tape("setup", f"S{i}", above, how="slant", radius=SIDE_MARK_M, point="side mark", by="observer 1")
        for n, j in enumerate(j for j in (i - 2, i - 1, i + 1, i + 2) if 0 <= j < 10):
            name, when = f"P{j}-S{i}", begun + 6 + 9 * n
            party.target(name, f"M{j}", POLE_M, equipment="pole 1" if j < i else "pole 2",
                         observer=f"observer {2 + j % 2}", when=_clock(when))  # fmt: skip
            party.sight(f"S{i}", name, when=_clock(when + 4))


def site(party: Party, rng: np.random.Generator, rugged: float, lists: tuple[int, ...], face: str = "") -> None:
    """A set-up over each mark of a field whose heights scatter by ``rugged`` metres; two marks are occupied again.

    lists : how many known marks are of each list of heights; one list has no name.
    face : in which all sights are observed, "" for both.
    """
    sources = [f"list {n}" if len(lists) > 1 else "" for n, count in enumerate(lists, 1) for _ in range(count)]
    known = dict(zip(sorted(rng.permutation(12)[: len(sources)].tolist()), sources, strict=True))
    for i in range(12):
        east, north = 120 * (i % 4) + rng.normal(0, 15), 120 * (i // 4) + rng.normal(0, 15)
        party.mark(f"M{i}", 1000 + east, 1000 + north, 100 + rng.normal(0, rugged), i in known, source=known.get(i, ""))
    _slanted(party, "instrument 1")
    for n in (1, 2, 3):
        party.equip(f"prism {n}", "axis")
    order = rng.permutation(12).tolist()
    sighted = dict.fromkeys(range(12), 0)
    for s, i in enumerate([*order, order[0], order[3]]):
        party.setup(f"S{s}", f"M{i}", _hi(rng), instrument="instrument 1", observer="observer 1", when=_clock(35 * s))
        for n, mark in enumerate(_nearest(party, f"M{i}", 5)):
            j, when = int(mark[1:]), 35 * s + 5 + 5 * n
            which, name = sighted[j] // STAYS_UP, f"P{j}{'abcdefgh'[sighted[j] // STAYS_UP]}"
            if sighted[j] % STAYS_UP == 0:
                party.target(name, mark, _ht(rng), equipment=f"prism {1 + (2 * j + which) % 3}", observer="observer 2",
                             when=_clock(when - 3))  # fmt: skip
            sighted[j] += 1
            party.sight(f"S{s}", name, face, when=_clock(when))


# ---- levelling ----


def _pegs(party: Party, rng: np.random.Generator, names: list[str], known: tuple[str, ...], steps: list[int]) -> None:
    """Marks one after the other, so many set-ups of about 60 m apart."""
    east, height = 1000.0, 100.0
    for name, count in zip(names, [0, *steps], strict=True):
        east, height = east + 60.0 * count, height + rng.normal(0, 0.4) * np.sqrt(count)
        party.mark(name, east, 1000 + rng.normal(0, 10), height, known=name in known)


def book(party: Party, rng: np.random.Generator, setups: int, closing: str) -> None:
    """A levelling of ``setups`` out and as many back; closing: "start", "ends", "again" or "marks"."""
    far = float(rng.uniform(25, 45))
    if closing in ("start", "ends"):
        back = "A" if closing == "start" else "C"
        _pegs(party, rng, ["A", "B"], ("A",), [setups])
        if back == "C":
            party.mark("C", 1040.0, 1030.0, party.height["A"] + rng.normal(0, 0.5), known=True)
        stops, counts = ["A", "B"], [setups]
    else:
        step = 1 if closing == "again" else SECTION
        counts = [step] * (setups // step) + ([setups % step] if setups % step else [])
        stops = ["A", *(f"{'T' if step == 1 else 'B'}{i}" for i in range(1, len(counts) + 1))]
        _pegs(party, rng, stops, ("A",), counts)
        back = "A"
    party.book(rng, "out", stops, counts, far)
    party.book(rng, "back", [*stops[:0:-1], back], counts[::-1], far)


def loops(party: Party, rng: np.random.Generator, side: int, at_reading_level: bool) -> None:
    """A square net of levelled sections, one mark known; single differences, or staff readings of each section."""
    across = side + 1
    known = int(rng.integers(across**2))
    _field(party, rng, across, across**2, (known,), 400)
    sections = [(i, i + 1) for i in range(across**2) if (i + 1) % across]
    sections += [(i, i + across) for i in range(across**2 - across)]
    for i, j in sections:
        if at_reading_level:
            party.book(rng, f"{i}-{j}", [f"M{i}", f"M{j}"], [int(rng.integers(2, 5))], 40.0)
        else:
            party.level(f"M{i}", f"M{j}", length=float(rng.uniform(1.1, 1.5)) * _apart(party, f"M{i}", f"M{j}"))


# ---- satellites ----


def satellites(party: Party, rng: np.random.Generator) -> None:
    """Six marks: antennas on all in one session and on three in another, two total stations, four levelled ties."""
    party.settings = party.settings.with_values(**{"separation.offset_sd_mm": 50.0})
    known = tuple(rng.permutation(6)[:2].tolist())
    for i in range(6):
        e, n = 350.0 * (i % 3) + rng.normal(0, 25), 350.0 * (i // 3) + rng.normal(0, 25)
        geoid = 41.3 + 0.012e-3 * e - 0.021e-3 * n
        party.mark(f"M{i}", 1000 + e, 1000 + n, 100 + rng.normal(0, 4), known=i in known, separation=geoid)
    _instrument(party, "instrument 1")
    party.equip("prism 1", "axis")
    for name in ("antenna 1", "antenna 2"):
        party.equip(name, "axis")
        party.equip(name, "rim", *RIM, usual=True)
        party.equip(name, "phase centre", offset=-PHASE_M)
    for session, marks in ((1, range(6)), (2, sorted(rng.permutation(6)[:3].tolist()))):
        for i in marks:
            above, name = _hi(rng), f"G{session}{i}"
            party.setup(
                name, f"M{i}", above, booked=False, instrument=f"antenna {session}", observer=f"observer {session}"
            )
            party.tape("setup", name, above, tape="tape 1", by=f"observer {session}")
            if session == 2 or i % 2:
                party.satellite(name, session=f"session {session}")
        of = [f"G{session}{i}" for i in marks]
        for a, b in [*pairwise(of), (of[-1], of[0]), *([(of[0], of[3])] if session == 1 else [])]:
            party.rise(a, b, sd=0.004, session=f"session {session}")
    for i in sorted(rng.permutation(6)[:2].tolist()):
        above = _hi(rng)
        party.setup(f"S{i}", f"M{i}", above, booked=False, instrument="instrument 1", observer="observer 1")
        party.tape("setup", f"S{i}", above, tape="tape 1", by="observer 1")
        for mark in _nearest(party, f"M{i}", 3):
            name, ht = f"{mark.replace('M', 'P')}-S{i}", _ht(rng)
            party.target(name, mark, ht, booked=False, equipment="prism 1")
            party.tape("target", name, ht, tape="tape 1")
            party.sight(f"S{i}", name)
    ties = [(0, 1), (1, 2), (3, 4), (4, 5), (0, 3), (2, 5)]
    for i, j in sorted(ties[t] for t in rng.permutation(6)[:4]):
        party.level(f"M{i}", f"M{j}", length=1.2 * _apart(party, f"M{i}", f"M{j}"))


Made = Callable[[Party, np.random.Generator], None]

SHAPES: dict[str, Made] = {
    "small3": partial(small, setups=3, reach=1),
    "small4": partial(small, setups=4, reach=1),
    "small4x": partial(small, setups=4, reach=2),
    **{f"book{n}": partial(book, setups=n, closing="start") for n in BOOKS},
    **{f"book{n}-{way}": partial(book, setups=n, closing=way) for way in ("ends", "again", "marks") for n in BOOKS},
    "oneway12": partial(oneway, setups=12),
    "centred": partial(centred, stands=10, tied=False),
    "centred-tied": partial(centred, stands=10, tied=True),
    "pillars": pillars,
    "mixed": mixed,
    "onecontrol25": partial(areal, count=25, known=1, seen=3.2, twice=False, new_after=2),
    "twoprisms": two_prisms,
    "areal25": partial(areal, count=25, known=4, seen=5),
    "areal60": partial(areal, count=60, known=6, seen=5),
    "loops3": partial(loops, side=3, at_reading_level=False),
    "loops6": partial(loops, side=6, at_reading_level=False),
    "loops3-book": partial(loops, side=3, at_reading_level=True),
    "satellites": satellites,
    "day": partial(day, slant=False),
    "day-slant": partial(day, slant=True),
    "site-hilly": partial(site, rugged=8.0, lists=(4,)),
    "site-one-face": partial(site, rugged=8.0, lists=(4,), face="L"),
    "site-flat": partial(site, rugged=0.2, lists=(4,)),
    "site-lists2": partial(site, rugged=8.0, lists=LISTS[:2]),
    "site-lists3": partial(site, rugged=8.0, lists=LISTS),
}
"""How each shape is laid out and observed, by name."""
