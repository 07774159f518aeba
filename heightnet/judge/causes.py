"""Why a value is wrong: each usual cause's expected size against the error found.

``rank_causes`` for an instrument or target height, ``rank_level_causes`` for a staff reading, a levelled difference, a
sight, a known mark, a satellite height or a separation, ``group_causes`` for an error that a whole group shares.
``Records`` gathers the evidence from a job.  The weighing is in ``cause_model``; the lists are in ``cause_heights``,
``cause_antennas``, ``cause_levels``, ``cause_satellites`` and ``cause_groups``.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from functools import cached_property, partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.job.model import Job
from heightnet.judge.cause_antennas import ANTENNA_CAUSES, phase_of
from heightnet.judge.cause_groups import GROUP_CAUSES, GroupEvidence
from heightnet.judge.cause_heights import (
    HEIGHT_CAUSES,
    LATER_CAUSE,
    POPULATION,
    HeightCause,
    HeightEvidence,
    MeasuringPoint,
    Reading,
)
from heightnet.judge.cause_levels import LEVEL_CAUSES, LevelEvidence, level_density, on_staff
from heightnet.judge.cause_model import Alternative, CauseFit, Found, Score, normal_density, score, weigh
from heightnet.judge.cause_satellites import SATELLITE_CAUSES
from heightnet.judge.moments import is_later
from heightnet.reduce.tape import READINGS

__all__ = [
    "CauseFit", "GroupEvidence", "HeightEvidence", "LevelEvidence", "MeasuringPoint", "Reading", "Records",
    "group_causes", "height_causes", "height_scores", "rank_causes", "rank_level_causes",
]  # fmt: skip

AXIS_WORDS = {"setup": "trunnion axis", "target": "target's centre", "tripod": "axis"}
ANTENNA_AXIS = "reference point"


def rank_causes(evidence: HeightEvidence, keep: float = 1e-4) -> list[CauseFit]:
    """Causes of a wrong instrument or target height, likeliest first; equal rivals are all kept.

    >>> point = (MeasuringPoint("side mark", 0.1, 0.0, True), MeasuringPoint("axis", 0.0, 0.243))
    >>> e = HeightEvidence("setup", 1.301, -0.2417, 0.0016, (Reading("1.301", 1.301),), point)
    >>> best = rank_causes(e)[0]
    >>> best.text, round(best.expected, 3), best.probability > 0.95
    ('the tape held to the tripod head, not to the trunnion axis', -0.243, True)
    """
    return weigh(*_height_question(evidence), keep=keep)


def height_scores(evidence: HeightEvidence) -> list[Score]:
    """The same before normalising, to weigh causes of two values against each other."""
    return score(*_height_question(evidence))


def _height_question(
    e: HeightEvidence,
) -> tuple[list[tuple[HeightCause, Iterable[Alternative]]], Found, dict[str, str]]:
    found = Found(e.recorded, e.error, e.error_sd, e.unit, normal_density(*e.population))
    words = {"axis": ANTENNA_AXIS if e.antenna else AXIS_WORDS[e.role]}
    return height_causes(e), found, words


def height_causes(e: HeightEvidence) -> list[tuple[HeightCause, Iterable[Alternative]]]:
    """Every cause of a wrong height with what the true one would have been."""
    causes = (*HEIGHT_CAUSES, *ANTENNA_CAUSES) if e.antenna else HEIGHT_CAUSES
    causes = (*causes, LATER_CAUSE) if e.later else causes
    return [(cause, cause.alternatives(e)) for cause in causes]


def rank_level_causes(evidence: LevelEvidence, keep: float = 1e-4) -> list[CauseFit]:
    """Causes of a wrong staff reading, levelled difference, sight or known height, likeliest first.

    >>> rank_level_causes(LevelEvidence("staff", 2.417, 1.0004, 0.0015))[0].text
    'a reading one metre off'
    """
    causes = SATELLITE_CAUSES if evidence.kind in ("gnss", "separation") else LEVEL_CAUSES
    return weigh(
        ((cause, cause.alternatives(evidence)) for cause in causes),
        Found(
            evidence.recorded,
            evidence.error,
            evidence.error_sd,
            evidence.as_read.unit,
            level_density(evidence),
            partial(on_staff, evidence),
        ),
        keep=keep,
    )


def group_causes(evidence: GroupEvidence, keep: float = 1e-4) -> list[CauseFit]:
    """What a common error usually is, likeliest first.

    >>> points = (MeasuringPoint("prism centre", 0, 0, True), MeasuringPoint("bubble", 0, 0.035))
    >>> group_causes(GroupEvidence("equipment", "prism 2", -0.0346, 0.0008, points=points))[0].text
    'the tape held to the bubble instead of the prism centre, every time'
    """
    return weigh(
        ((cause, cause.alternatives(evidence)) for cause in GROUP_CAUSES),
        Found(0.0, evidence.error, evidence.error_sd, 0.001, lambda _: 1.0),
        keep=keep,
    )


class _Positions:
    """Positions of each name in a column of names."""

    def __init__(self, names: pd.Series) -> None:
        code, unique = pd.factorize(names.to_numpy(object))
        self._order = np.argsort(code, kind="stable")
        self._starts = np.concatenate([[0], np.cumsum(np.bincount(code, minlength=len(unique)))])
        self._code = pd.Index(unique, dtype=object)

    def of(self, name: str) -> npt.NDArray[np.int64]:
        """Rising; none where the name does not occur."""
        at = int(self._code.get_indexer([name])[0])
        return self._order[self._starts[at] : self._starts[at + 1]] if at >= 0 else self._order[:0]


class Records:
    """What a job recorded, asked for the evidence about one suspect at a time.

    Parameters
    ----------
    job : the job as read.
    readings : its reduced readings, columns ``heightnet.reduce.tape.READINGS``.
    """

    def __init__(self, job: Job, readings: pd.DataFrame):
        self.job, self.readings = job, readings
        self._populations: dict[tuple[str, str], tuple[float, float]] = {}
        self._sorted: dict[tuple[str, str], _Positions] = {}

    @cached_property
    def heights(self) -> dict[tuple[str, str], float]:
        """The mean of each stand's reduced readings, by kind and name."""
        height = self._column["height"]
        return {stand: sum(height[i] for i in at) / len(at) for stand, at in self.at.items()}

    @cached_property
    def at(self) -> dict[tuple[str, str], list[int]]:
        """Positions of each stand's readings in the table, by kind and name."""
        found: dict[tuple[str, str], list[int]] = {}
        for i, stand in enumerate(zip(self._column["stand_kind"], self._column["stand"], strict=True)):
            found.setdefault(stand, []).append(i)
        return found

    @property
    def when(self) -> list[Any]:
        """When each reading was made, "" for not recorded."""
        return self._column["when"]

    def height(self, id: str, error: float, error_sd: float) -> HeightEvidence:
        """Evidence about ``setup:S4``, ``target:P7``, ``tripod:K2`` or one reading, ``reading:tape.csv:12``."""
        kind, _, name = id.partition(":")
        if kind == "reading":
            file, _, row = name.rpartition(":")
            places = zip(self._column["file"], self._column["rows"], strict=True)
            found = [i for i, (f, rows) in enumerate(places) if f == file and rows[0] == int(row)]
        else:
            found = self._readings_of(kind, name)
        if not found:
            raise KeyError(f"no reading behind {id}")
        stand_kind, stand = kind, name
        if kind == "reading":
            stand_kind, stand = self._column["stand_kind"][found[0]], self._column["stand"][found[0]]
        equipment = self.equipment_of(stand_kind, stand)
        heights = [self._column["height"][i] for i in found]
        weights = [1 / max(self._column["sd"][i], 1e-6) ** 2 for i in found]
        return HeightEvidence(
            role=stand_kind,
            recorded=float(np.average(heights, weights=weights)),
            error=error,
            error_sd=error_sd,
            readings=tuple(self.reading(i) for i in found),
            points=self.points(equipment),
            previous=self._previous(stand, equipment) if stand_kind == "setup" else None,
            partners=self._partners(stand_kind, stand),
            population=self.population(stand_kind, equipment),
            hooks=self.hooks(found),
            sections=self._sizes("section", {equipment}),
            usual_parts=self._usual_parts(stand_kind, stand),
            antenna=stand_kind == "setup" and stand in self._antennas,
            later=kind == "reading" and self._is_later(found[0], stand_kind, stand),
        )

    def _is_later(self, position: int, kind: str, stand: str) -> bool:
        """Whether a reading was made after another one of its stand."""
        when = self._column["when"]
        return any(is_later(str(when[position]), str(when[i])) for i in self.at[kind, stand])

    def level(self, id: str, error: float, error_sd: float) -> LevelEvidence:
        """Evidence about ``staff:FILE:ROW``, ``level:``, ``shot:``, ``gnss:``, ``known:MARK``, ``separation:MARK``."""
        kind, _, name = id.partition(":")
        unit = self.job.settings.units.length
        common = {"error": error, "error_sd": error_sd, "scale": unit}
        if kind == "known":
            row = self.job.marks[self.job.marks["mark"] == name].iloc[0]
            return LevelEvidence("known", float(row["height"]), **common)  # type: ignore[arg-type]
        if kind == "separation":
            row = self.job.marks[self.job.marks["mark"] == name].iloc[0]
            return LevelEvidence("separation", float(row["separation"]), **common)  # type: ignore[arg-type]
        if kind == "gnss":
            return self._satellite(int(name.rpartition(":")[2]), common)
        table = {"staff": self.job.staff, "level": self.job.levels, "shot": self.job.shots}[kind]
        row = table.iloc[self._row_numbers[kind][int(name.rpartition(":")[2])]]
        common |= {"sections": self._of_any["section"]}
        if kind == "shot":
            far, zenith = float(row["slope_distance"]), float(row["zenith_angle"])
            return LevelEvidence("shot", far * np.cos(zenith), slope_distance=far, zenith=zenith, **common)  # type: ignore[arg-type]
        common |= {"feet": self._of_any["foot"]}
        if kind == "level":
            return LevelEvidence("level", float(row["rise"]), **common)  # type: ignore[arg-type]
        beside = self._readings_beside[row["level_setup"], row["run"]]
        partners = tuple(reading for sight, reading in beside if sight != row["sight"])
        turning = row["mark"] not in self._marks
        return LevelEvidence("staff", float(row["reading"]), partners=partners, turning=turning, **common)  # type: ignore[arg-type]

    @cached_property
    def _row_numbers(self) -> dict[str, dict[int, int]]:
        """Positions of the rows of the tables of levelling and sights, by kind and row."""
        tables = {"staff": self.job.staff, "level": self.job.levels, "shot": self.job.shots}
        return {kind: {row: i for i, row in enumerate(table["row"].tolist())} for kind, table in tables.items()}

    @cached_property
    def _readings_beside(self) -> dict[tuple[str, str], list[tuple[str, float]]]:
        """Sight and value of the staff readings of each level set-up and run."""
        found: dict[tuple[str, str], list[tuple[str, float]]] = defaultdict(list)
        columns = (self.job.staff[c].tolist() for c in ("level_setup", "run", "sight", "reading"))
        for setup, run, sight, reading in zip(*columns, strict=True):
            found[setup, run].append((sight, float(reading)))
        return found

    @cached_property
    def _marks(self) -> set[str]:
        return set(self.job.marks["mark"])

    @cached_property
    def _of_any(self) -> dict[str, tuple[float, ...]]:
        """Sizes of sections and feet of whatever the equipment table has."""
        return {point: self._sizes(point, None) for point in ("section", "foot")}

    def group(self, id: str, error: float, error_sd: float, pattern: float = 0.0) -> GroupEvidence:
        """Evidence about ``group:KIND:NAME``; ``pattern`` as in ``GroupEvidence``, but for separations."""
        _, kind, name = id.split(":", 2)
        things = {name}
        if kind == "antenna_observer":
            of = zip(self._column["stand_kind"], self._column["stand"], self._column["by"], strict=True)
            things = {self.equipment_of(k, s) for k, s, by in of if by == name and k == "setup" and s in self._antennas}
        if kind == "separations":
            pattern = self._mean_separation()
        hooks, sections = self._sizes("hook", {name}), self._sizes("section", things)
        points = self.points(next(iter(things))) if len(things) == 1 else ()
        antenna = kind == "antenna_observer" or (kind == "instrument" and name in self._antenna_models)
        return GroupEvidence(kind, name, error, error_sd, pattern, points, hooks, sections, antenna)

    def _satellite(self, row_number: int, common: dict[str, Any]) -> LevelEvidence:
        """Evidence about a satellite rise or height, with the phase centres of its antennas."""
        row = self.job.gnss[self.job.gnss["row"] == row_number].iloc[0]
        phases = []
        for column, side in (("to_setup", 1.0), ("from_setup", -1.0)):
            points = self.points(self.equipment_of("setup", row[column])) if row[column] else ()
            if points and (phase := phase_of(points)) is not None:
                phases.append(side * phase[0])
        recorded = float(row["rise"] if row["from_setup"] else row["height"])
        return LevelEvidence("gnss", recorded, phases=tuple(phases), **common)

    def _mean_separation(self) -> float:
        """Of the marks under antennas that have heights of their own."""
        alone = self.job.gnss["to_setup"][self.job.gnss["from_setup"] == ""]
        marks = self.job.setups["mark"][self.job.setups["setup"].isin(alone)]
        return float(self.job.marks["separation"][self.job.marks["mark"].isin(marks)].mean())

    @cached_property
    def _antennas(self) -> set[str]:
        """The set-ups that are satellite antennas."""
        return {*self.job.gnss["from_setup"], *self.job.gnss["to_setup"]} - {""}

    @cached_property
    def _antenna_models(self) -> set[str]:
        return {self.equipment_of("setup", name) for name in self._antennas}

    def points(self, equipment: str) -> tuple[MeasuringPoint, ...]:
        """The measuring points of an equipment; () for one that the equipment table does not have."""
        table = self.job.equipment
        rows = table[table["equipment"] == equipment] if equipment else table.iloc[:0]
        return tuple(
            MeasuringPoint(str(p), float(r), float(v), bool(u))
            for p, r, v, u in zip(rows["point"], rows["radius"], rows["offset"], rows["usual"], strict=True)
        )

    def reading(self, position: int) -> Reading:
        """A row of the table of readings as the causes want it."""
        row = {name: column[position] for name, column in self._column.items()}
        unit = self.job.settings.units.length
        if row["kind"] == "booked":
            return Reading.booked(row["height"], unit)
        parts = tuple(self._part_lengths[r] for r in row["rows"]) if row["kind"] == "parts" else ()
        scale = row["scale"].partition("/")[0] or unit
        return Reading(
            row["text"], row["value"], scale, row["kind"], row["radius"], row["offset"], row["point"], parts
        )  # fmt: skip

    def equipment_of(self, kind: str, stand: str) -> str:
        """Name of a set-up's instrument or of a target's equipment, "" for a tripod."""
        return self._equipment.get((kind, stand), "")

    def hooks(self, positions: Iterable[int]) -> tuple[float, ...]:
        """Sizes of the hooks of the tapes that made these readings."""
        return self._sizes("hook", {self._column["tape"][i] for i in positions})

    def population(self, kind: str, equipment: str) -> tuple[float, float]:
        """Mean and sd of such heights: those usual anywhere, moved towards the job's own as these are many."""
        key = (kind, equipment if kind == "target" else "")
        if key not in self._populations:
            self._populations[key] = self._own_population(*key)
        return self._populations[key]

    def _own_population(self, kind: str, equipment: str) -> tuple[float, float]:
        of_kind = ((name, h) for (k, name), h in self.heights.items() if k == kind)
        own = [h for name, h in of_kind if not equipment or self.equipment_of(kind, name) == equipment]
        mean, sd = POPULATION[kind]
        weight = len(own) / (len(own) + 8.0)
        if not own:
            return mean, sd
        median = float(np.median(own))
        spread = float(np.clip(1.4826 * np.median(np.abs(np.array(own) - median)), 0.03, 0.5))
        return weight * median + (1 - weight) * mean, weight * spread + (1 - weight) * sd

    def _rows(self, table: str, column: str) -> _Positions:
        """Where each name stands in a column, sorted out once however many suspects ask."""
        if (table, column) not in self._sorted:
            self._sorted[table, column] = _Positions(getattr(self.job, table)[column])
        return self._sorted[table, column]

    @cached_property
    def _column(self) -> dict[str, list[Any]]:
        return {name: self.readings[name].tolist() for name in READINGS}

    @cached_property
    def _part_lengths(self) -> dict[int, float]:
        """The length of each row of the tape table that is a part."""
        parts = self.job.tape[self.job.tape["kind"] == "part"]
        return dict(zip(parts["row"].tolist(), parts["reading"].tolist(), strict=True))

    @cached_property
    def _equipment(self) -> dict[tuple[str, str], str]:
        setups, targets = self.job.setups, self.job.targets
        return {("setup", s): e for s, e in zip(setups["setup"], setups["instrument"], strict=True)} | {
            ("target", t): e for t, e in zip(targets["target"], targets["equipment"], strict=True)
        }

    def _readings_of(self, kind: str, name: str) -> list[int]:
        """Positions of a stand's readings; of its tripod's where it has none of its own."""
        if (kind, name) in self.at:
            return self.at[kind, name]
        if kind == "tripod":
            on = [(k, s) for k, t in (("setup", self.job.setups), ("target", self.job.targets))
                  for s in t[t["tripod"] == name][k]]  # fmt: skip
            return sorted(i for stand in on for i in self.at.get(stand, []))
        table = self.job.setups if kind == "setup" else self.job.targets
        at = self._rows(f"{kind}s", kind).of(name)
        tripod = table["tripod"].iloc[at[0]] if len(at) else ""
        return self._readings_of("tripod", tripod) if tripod else []

    def _previous(self, setup: str, instrument: str) -> float | None:
        """The height of the set-up before with the same instrument."""
        at = self._rows("setups", "setup").of(setup)
        same = self._rows("setups", "instrument").of(instrument)
        before = same[same < at[0]] if len(at) else same[:0]
        return self.heights.get(("setup", str(self.job.setups["setup"].iloc[before[-1]]))) if len(before) else None

    def _partners(self, kind: str, name: str) -> tuple[tuple[str, float], ...]:
        """The heights at the other ends of a stand's sights."""
        if kind == "tripod":
            return ()
        other = "target" if kind == "setup" else "setup"
        names = dict.fromkeys(self.job.shots[other].iloc[self._rows("shots", kind).of(name)])
        return tuple((str(n), self.heights[(other, n)]) for n in names if (other, n) in self.heights)

    def _sizes(self, point: str, equipment: set[str] | None) -> tuple[float, ...]:
        """Sizes that the equipment table gives as offsets of points named hook, section or foot."""
        table = self.job.equipment
        rows = table[np.array([str(p).lower().startswith(point) for p in table["point"]], dtype=bool)]
        if equipment is not None:
            rows = rows[rows["equipment"].isin(equipment)]
        return tuple(dict.fromkeys(abs(float(v)) for v in rows["offset"] if v))

    def _usual_parts(self, kind: str, stand: str) -> tuple[float, ...]:
        """Parts that at least two other stands have, to the millimetre, and this one has not."""
        tape = self.job.tape
        parts = tape[(tape["kind"] == "part") & (tape["stand_kind"] == kind)]
        own = parts["stand"] == stand
        length = parts["reading"].round(3)
        counts = length[~own].value_counts()
        has = set(length[own])
        return tuple(float(x) for x, count in counts.items() if count >= 2 and x not in has)[:8]  # type: ignore[arg-type]
