"""Random valid jobs of every mix, for comparison with a dense reference: ``random_job(seed, observations, mix)``.

Marks lie on a plan as jobs have them (one long line, parallel lines with cross ties, a grid of loops, streets); each
stretch of it is sighted, levelled, levelled at reading level or observed by satellite, until the number of observations
is reached.  What a job holds besides is drawn from its seed: held marks and weighted ones or none at all, pieces with
nothing between them, stands that instrument and target share, set-ups over no mark, stands taped once, several times or
never, slants and parts, single faces, sights and readings taken again, marks that one reading hangs on, and names that
spreadsheets spoil.  All names and numbers are invented.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import count
from typing import Any

import numpy as np

from heightnet.job.model import Job
from heightnet.ledger.settings import Settings, Units
from heightnet.network import build_network
from tests.noise import NOISES, blunders, errors, recorded
from tests.party import Party
from tests.simulate.jobs import Truth

MIXES: dict[str, tuple[str, ...]] = {
    "levels": ("level",), "staff": ("book",), "sights": ("sight",), "sights+levels": ("sight", "sight", "level"),
    "gnss": ("satellite",), "all": ("sight", "sight", "level", "book", "satellite"),
}  # fmt: skip
"""Ways to observe a stretch, as often as they are taken."""

AWKWARD = (
    "NA", "007", "1E5", "nan", "null", "True", "1e-3", "-7", "=1+1", "+A1", "@x", "'a", "#REF!", "a,b;c", 'x"y', "A B",
    "Höhe 3", "č-12", "水準点", "Ω", "0", "inf", "None", "1/2", "%d", "<b>", "{0}",
)  # fmt: skip
PLANS = ("line", "parallel", "grid", "streets")
APART_M = 110.0
LARGEST_M = {"setup": 0.3, "target": 0.3, "tripod": 0.3, "reading": 0.3}  # a blunder; of others a metre
SEAT_TO_AXIS = {"instrument": 0.236, "prism": 0.1965}
RIM = (0.140, 0.030)
SIDE = 0.102
CHANCES = ("free", "shared", "bare", "again", "several", "own", "twice", "single face", "service")
"""Set-ups over no mark, shared stands, stands without any height, sights made again, several readings of a stand, marks
that one staff reading hangs on, stretches observed twice, single faces, heights by a positioning service."""
STAND = {"setup": (1.45, 1.65), "target": (1.30, 1.80)}


def random_job(seed: int, observations: int, mix: str) -> tuple[Job, Truth]:
    """A job of so many observations that tie two places, simulated with the sds it states, and what is true of it.

    Parameters
    ----------
    observations : 10 to some thousands.
    mix : one of `MIXES`.

    Returns
    -------
    the job as it would be read from its files, and the heights of its marks (of change points too, under the names that
    the job gives them) with the 0 to 3 blunders in it by hypothesis id, m, > 0 recorded too high.  Where no known mark
    ties a piece down only differences of its heights can be found.
    """
    rng = np.random.default_rng((seed, observations, list(MIXES).index(mix)))
    maker = _Maker(rng, mix, observations)
    maker.make()
    job = maker.party.job(f"{mix}-{observations}-{seed}")
    net = build_network(job)
    e = errors(net, NOISES["stated"], rng)
    able = blunders(net)
    planted: dict[str, float] = {}
    for i in rng.permutation(len(able))[: rng.integers(0, 4)].tolist():
        id_ = list(able)[i]
        largest = LARGEST_M.get(id_.partition(":")[0], 1.0)
        planted[id_] = float(np.exp(rng.uniform(np.log(0.005), np.log(largest))) * rng.choice((-1, 1)))
        e[able[id_]] += planted[id_]
    bent = e[net.rows("refraction")]
    refraction = job.settings.air.refraction - (float(bent[0]) if len(bent) else 0.0)
    return recorded(net, e), Truth(dict(maker.party.height), planted, refraction)


Place = tuple[int, int]


def stretches(rng: np.random.Generator, observations: int, plan: str) -> Iterator[tuple[Place, Place]]:
    """Stretches of an endless plan, row by row: from a place reached before (but for the first) to the next one."""
    block = int(rng.integers(3, 6))
    width = {"line": 1, "parallel": int(rng.integers(2, 7)), "streets": 2 * block + 1}.get(
        plan, 2 + int(np.sqrt(observations) / 3)
    )
    tie = int(rng.integers(3, 9)) if plan == "parallel" else block if plan == "streets" else 1

    def there(row: int, column: int) -> bool:
        return plan != "streets" or row % block == 0 or column % block == 0

    for row in count():
        for column in range(width):
            if not there(row, column):
                continue
            if row and there(row - 1, column):
                yield (row - 1, column), (row, column)
            if column and row % tie == 0 and there(row, column - 1):
                yield (row, column - 1), (row, column)


@dataclass
class _Maker:
    """One job in the making; ``left`` is the number of observations still to be made."""

    rng: np.random.Generator
    mix: str
    left: int
    party: Party = field(init=False)

    def __post_init__(self) -> None:
        rng = self.rng
        self.ways = MIXES[self.mix]
        self.party = Party(self._settings())
        self.awkward = {kind: list(rng.permutation(AWKWARD)) if rng.uniform() < 0.4 else []
                        for kind in ("mark", "setup", "target", "run", "tripod")}  # fmt: skip
        self.number = {kind: count(1) for kind in (*self.awkward, "peg")}
        self.known = rng.choice(["weighted", "held", "both", "none"], p=[0.4, 0.2, 0.2, 0.2])
        self.often = float(rng.choice([0.03, 0.10, 0.30]))  # a known mark
        self.chance = {what: float(rng.choice([0.0, 0.1, 0.3])) for what in CHANCES}
        self.lean = bool(rng.uniform() < 0.06)  # nothing is observed more than once: no redundancy at all
        if self.lean:
            self.often = 0.0
            self.chance |= dict.fromkeys(("again", "several", "twice", "service"), 0.0)
        self.far = float(rng.choice([0.0, 40.0]))
        self.numbered = bool(rng.uniform() < 0.5)
        self.named_things = bool(rng.uniform() < 0.7)
        self.sessions = int(rng.integers(1, 4))
        self.again: list[tuple[Any, ...]] = []  # what may be observed once more
        self.begin()
        if {"sight", "satellite"} & set(self.ways):
            self._equipment()

    def _settings(self) -> Settings:
        rng = self.rng
        units = Units(str(rng.choice(["m", "m", "ft", "ftUS"])), str(rng.choice(["dms", "packed", "deg", "gon"])))
        values = {
            "units": units, "precision.zenith_sec": float(rng.choice([1.0, 3.0, 5.0])),
            "precision.tape_mm": float(rng.choice([0.5, 1.0, 2.0])),
            "precision.known_mm": float(rng.choice([0.5, 1.0, 5.0])),
            "air.refraction_sd": float(rng.choice([0.0, 0.05, 0.05])), "precision.index_sec": float(rng.choice([0, 5])),
            "separation.sd_mm": float(rng.choice([0.0, 10.0, 20.0])),
            "separation.offset_sd_mm": float(rng.choice([0.0, 50.0])),
            "separation.tilt_sd_mm_km": float(rng.choice([0.0, 10.0])),
        }  # fmt: skip
        if rng.uniform() < 0.5:
            values["precision.target_mm"] = float(rng.choice([0.7, 1.5]))
        return Settings(title="Invented at random").with_values(**values)

    def happens(self, what: str) -> bool:
        return bool(self.rng.uniform() < self.chance[what])

    def name(self, kind: str) -> str:
        if self.awkward[kind] and self.rng.uniform() < 0.2:
            return str(self.awkward[kind].pop()).strip()
        return f"{kind[0].upper()}{next(self.number[kind])}"

    # ---- marks and pieces ----

    def make(self) -> None:
        pieces = int(self.rng.choice([1, 1, 1, 2, 3])) if self.left >= 30 else 1
        end = np.linspace(self.left, 0, pieces + 1).round().astype(int)[1:]
        for stop in end.tolist():
            self.begin()
            self.one_piece(stop)

    def begin(self) -> None:
        """Nothing that was put up before is seen any more."""
        self.at: dict[Place, str] = {}
        self.standing: dict[tuple[str, str], list[str]] = {}
        self.shared: dict[str, tuple[str, float, bool]] = {}
        self.shift = self.rng.uniform(-4000, 4000, 2)

    def one_piece(self, stop: int) -> None:
        """Observe stretch by stretch until only ``stop`` observations are left, then some of it again."""
        self.again.clear()
        plan = "line" if self.lean else str(self.rng.choice(PLANS))
        for start, end in stretches(self.rng, self.left - stop, plan):
            least = 4 + sum(place not in self.at for place in (start, end))
            if self.left - stop < least + 6:
                break
            self.stretch(start, end)
            if self.happens("twice") and self.left - stop > 12:
                self.stretch(start, end)
        if not self.again:
            self.stretch((0, 0), (0, 1))
        while self.left > stop:
            if self.lean or self.rng.uniform() < 0.2:
                self.hang()
            else:
                self.once_more()

    def mark(self, place: Place) -> str:
        if place in self.at:
            return self.at[place]
        rng, first = self.rng, not self.at
        e, n = APART_M * np.array(place[::-1]) + rng.normal(0, 15, 2) + self.shift
        held = self.known == "held" or (self.known == "both" and rng.uniform() < 0.5)
        known = self.known != "none" and bool(first or rng.uniform() < self.often)
        more: dict[str, Any] = {}
        if known:
            more["sd"] = 0.0 if held else float(rng.choice([np.nan, 0.002]))
            self.left -= not held
        if "satellite" in self.ways:
            more["separation"] = 41.0 + 2e-5 * e - 1e-5 * n
            more["separation_sd"] = float(rng.choice([np.nan, np.nan, 0.015, 0.0]))
        listed = known or bool({"satellite", "book"} & set(self.ways)) or rng.uniform() < 0.8
        height = 200 + 5 * np.sin(e / 900) + rng.normal(0, 2)
        self.at[place] = self.party.mark(self.name("mark"), e, n, height, known, listed, **more)
        return self.at[place]

    def stretch(self, start: Place, end: Place) -> None:
        a, b = self.mark(start), self.mark(end)
        way = self.rng.choice(self.ways)
        getattr(self, str(way))(a, b)

    def once_more(self) -> None:
        """One observation that was made before, made again."""
        what, *which = self.again[self.rng.integers(len(self.again))]
        getattr(self.party, what)(*which[0], **which[1])
        self.left -= 1

    def observed(self, what: str, *args: Any, **more: Any) -> None:
        getattr(self.party, what)(*args, **more)
        self.again.append((what, args, more))
        self.left -= 1

    def hang(self) -> None:
        """One observation to a mark that nothing else ties to the job."""
        near = list(self.at.values())[-1]
        party, way = self.party, str(self.rng.choice(self.ways))
        if way == "book":
            what = [args for what, args, _ in self.again if what == "read"]
            if what:
                self.peg(*what[-1][:2], what[-1][4])
                return
            way = "level" if "level" in self.ways else "sight"
        e, n = party.east[near] + self.rng.normal(0, 40), party.north[near] + self.rng.normal(0, 40)
        mark = party.mark(self.name("mark"), e, n, party.height[near] + self.rng.normal(0, 1),
                          separation=party.separation[near])  # fmt: skip
        if way == "level":
            self.observed("level", near, mark, sd=0.001)
        elif way == "sight":
            setups = [args[0] for what, args, _ in self.again if what == "sight"]
            setup = setups[-1] if setups else party.free(self.name("setup"), e + 40, n, party.height[near] + 1.5)
            target = party.target(self.name("target"), mark, 1.5, booked=False)
            self.observed("sight", setup, target)
        else:
            antenna = party.setup(self.name("setup"), mark, 1.5, booked=False)
            self.observed("rise", self.stand("antenna", near), antenna)

    # ---- ways to observe a stretch ----

    def level(self, a: str, b: str) -> None:
        far = 1.3 * np.hypot(self.party.east[a] - self.party.east[b], self.party.north[a] - self.party.north[b])
        said = (
            {"length": far},
            {"setups": float(self.rng.integers(1, 9))},
            {"sd": float(self.rng.uniform(3e-4, 2e-3))},
        )
        run = self.name("run") if self.rng.uniform() < 0.2 else ""
        self.observed("level", *((a, b) if self.rng.uniform() < 0.7 else (b, a)), run=run, **said[self.rng.integers(3)])

    def book(self, a: str, b: str) -> None:
        setups = int(self.rng.integers(1, max(2, min(7, self.left // 2))))
        done = self.party.book(self.rng, self.name("run"), [a, b], [setups], self.far, self.numbered)
        run = self.party.rows["staff"][-1]["run"]
        for level_setup, line, place, name in done:
            self.again.append(("read", (level_setup, line, place, "IS", run), {"name": name}))
        self.left -= len(done)
        if self.happens("own") and self.left > 1:
            self.peg(*done[self.rng.integers(len(done))][:2], run)

    def peg(self, level_setup: str, line: float, run: str) -> None:
        """An intermediate sight to a mark of its own."""
        peg = f"peg {next(self.number['peg'])}"
        self.party.height[peg] = line - self.rng.uniform(0.2, 3.0)
        self.observed("read", level_setup, line, peg, "IS", run)

    def sight(self, a: str, b: str) -> None:
        if self.happens("free"):
            setup = self.free(a)
            self.sighted(setup, a)
        else:
            setup = self.stand("setup", a)
        self.sighted(setup, b)
        if not self.lean and self.rng.uniform() < 0.4 and self.left > 10:  # and back
            self.sighted(self.stand("setup", b), a)

    def free(self, near: str) -> str:
        party, rng = self.party, self.rng
        e, n = np.array([party.east[near], party.north[near]]) + rng.choice((-1, 1), 2) * rng.uniform(20, 50, 2)
        return party.free(
            self.name("setup"), e, n, party.height[near] + rng.normal(1.5, 1), instrument=self.thing("setup")
        )

    def sighted(self, setup: str, mark: str) -> None:
        if self.left <= 1:
            return
        target = self.stand("target", mark)
        more: dict[str, Any] = {}
        if self.happens("single face"):
            more["face"] = str(self.rng.choice(["L", "R"]))
        if self.sessions > 1:
            more["session"] = f"day {self.rng.integers(1, self.sessions)}" if self.rng.uniform() < 0.9 else ""
        if self.happens("again"):
            more["sd_zenith"] = float(self.rng.uniform(1, 6) * np.pi / 648_000)
            more["sd_distance"] = float(self.rng.uniform(0.5e-3, 3e-3))
        if self.left:
            self.observed("sight", setup, target, **more)
        if self.happens("again") and self.left:
            self.once_more()

    def satellite(self, a: str, b: str) -> None:
        one, other = self.stand("antenna", a), self.stand("antenna", b)
        if self.left and one != other:
            more = {"sd": 0.005} if self.rng.uniform() < 0.5 else {}
            self.observed("rise", one, other, session=f"session {self.rng.integers(1, 4)}", **more)
        if self.left and (self.happens("service") or not self.again):
            self.observed("satellite", other, session="service")

    # ---- stands and their heights ----

    def _equipment(self) -> None:
        party = self.party
        for name in ("instrument 1", "instrument 2"):
            party.equip(name, "axis", offset=SEAT_TO_AXIS["instrument"], carries="instrument")
            party.equip(name, "side mark", radius=SIDE, usual=True, carries="instrument")
            party.equip(name, "tripod head", offset=0.243, carries="instrument")
        for name in ("prism 1", "prism 2"):
            party.equip(name, "axis", offset=SEAT_TO_AXIS["prism"], carries="target")
        for name in ("antenna 1", "antenna 2"):
            party.equip(name, "axis", carries="antenna")
            party.equip(name, "rim", *RIM, usual=True, carries="antenna")

    def thing(self, kind: str) -> str:
        """The equipment of a stand; only shared stands and measuring points need one."""
        name = {"setup": "instrument", "target": "prism", "antenna": "antenna"}[kind]
        return f"{name} {self.rng.integers(1, 3)}" if self.named_things else ""

    def stand(self, kind: str, mark: str) -> str:
        """Something standing over a mark: what stands there already, or put up anew with its readings."""
        rng = self.rng
        there = self.standing.setdefault((kind, mark), [])
        if there and rng.uniform() < 0.6:
            return there[-1]
        thing, of = self.thing(kind), "target" if kind == "target" else "setup"
        more = {
            "equipment" if of == "target" else "instrument": thing,
            "observer": str(rng.choice(["", "A. B.", "Ö. C."])),
        }
        name = self.name(of)
        put = self.party.setup if of == "setup" else self.party.target
        if kind != "antenna" and self.named_things and (mark in self.shared or self.happens("shared")):
            tripod, seat, taped = self.shared.get(mark, ("", 0.0, False))
            new = not tripod
            if new:
                tripod, seat = self.name("tripod"), round(float(rng.uniform(1.15, 1.45)), 5)
                taped = bool(rng.uniform() < 0.4) and self.left > 1
                self.shared[mark] = tripod, seat, taped
            else:
                del self.shared[mark]
            above = seat + SEAT_TO_AXIS["instrument" if of == "setup" else "prism"]
            put(
                name, mark, above, not taped, tripod=tripod, **more
            )  # booked again with the same seat, it is one taping
            if new and taped:
                self.party.tape("tripod", tripod, seat, tape=self.tape_name())
            self.left -= new
        else:
            above = round(float(rng.uniform(*STAND[of])), 5)
            readings = 0 if self.happens("bare") and self.happens("bare") else 1
            readings += int(rng.integers(1, 3)) if readings and self.happens("several") else 0
            readings = min(readings, max(self.left - 1, 0))
            booked = readings == 1 and rng.uniform() < 0.7
            if booked and rng.uniform() < 0.2:
                more["sd"] = float(rng.uniform(0.4e-3, 2e-3))
            put(name, mark, above, bool(booked), **more)
            for _ in range(0 if booked else readings):
                self.taped(of, name, above, thing)
            self.left -= readings
        there.append(name)
        return name

    def tape_name(self) -> str:
        return f"tape {self.rng.integers(1, 3)}" if self.rng.uniform() < 0.7 else ""

    def taped(self, kind: str, stand: str, above: float, thing: str) -> None:
        """One reading: upright or slant or in parts, on any scale."""
        rng, party = self.rng, self.party
        more: dict[str, Any] = {"tape": self.tape_name(), "by": str(rng.choice(["", "A. B."]))}
        if rng.uniform() < 0.2:
            more["sd"] = float(rng.uniform(0.5e-3, 3e-3))
        scale = str(rng.choice(["m", "m", "ft", "ftUS", "ftin", "mm"]))
        how = rng.choice(["vertical", "slant", "part"], p=[0.6, 0.3, 0.1])
        if how == "part":
            letter = f"p{len(party.rows['tape'])}"
            low = round(float(rng.uniform(0.6, 0.9)), 5)
            beyond = float(rng.choice([0.0, 0.110]))  # the upper part is taped to a point that far below the axis
            party.tape(kind, stand, low, scale, "part", part=letter, **more)
            party.tape(kind, stand, above - low, scale, "part", offset=beyond, part=letter, **more)
            return
        points = {"instrument": ("side mark", SIDE, 0.0), "antenna": ("rim", *RIM)}
        point, radius, offset = points.get(thing.partition(" ")[0], ("", 0.115, 0.02))
        if how == "vertical":
            tripod_head = thing.startswith("instrument") and rng.uniform() < 0.3
            point, radius, offset = ("tripod head", 0.0, 0.243) if tripod_head else ("", 0.0, 0.0)
        party.tape(kind, stand, above, scale, str(how), radius, offset, point=point, **more)
