"""What a job recorded, asked for what it says about one thing at a time."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from functools import cached_property
from itertools import repeat
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from heightnet.kinds.cause import POPULATION, axis_above_head
from heightnet.ledger.field import METRES
from heightnet.reduce.order import in_order, times
from heightnet.reduce.reading import MeasuringPoint, Reading

if TYPE_CHECKING:
    import pandas as pd

    from heightnet.job.model import Job


DEFAULTS = (1.5, 2.0)  # heights that forms and habits fill in, m; 0 is a cause of its own
OTHERS = 200  # known marks whose listed heights are compared with one that is wrong
OFTEN = 3  # stands from which a height is usual in a job


class _Positions:
    """Positions of each name in a column of names."""

    def __init__(self, names: pd.Series) -> None:
        import pandas as pd

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
        self._figures: dict[tuple[str, str], int] = {}
        self._at_row: dict[str, dict[tuple[int, str], int]] = {}

    @cached_property
    def heights(self) -> dict[tuple[str, str], float]:
        """Of each stand by its own readings, by kind and name."""
        from heightnet.reduce.tape import taped_heights

        return dict(zip(self.at, taped_heights(self.readings).tolist(), strict=True))

    @cached_property
    def at(self) -> dict[tuple[str, str], list[int]]:
        """Positions of each stand's readings in the table, by kind and name."""
        found: dict[tuple[str, str], list[int]] = {}
        for i, stand in enumerate(zip(self.column["stand_kind"], self.column["stand"], strict=True)):
            found.setdefault(stand, []).append(i)
        return found

    @property
    def when(self) -> list[Any]:
        """When each reading was made, "" for not recorded."""
        return self.column["when"]

    def positions(self, kind: str, stand: str) -> list[int]:
        """Of a stand's readings in the table; of its tripod's where it has none of its own."""
        if (kind, stand) in self.at:
            return self.at[kind, stand]
        if kind == "tripod":
            on = [(k, s) for k, t in (("setup", self.job.setups), ("target", self.job.targets))
                  for s in t[t["tripod"] == stand][k]]  # fmt: skip
            return sorted(i for under in on for i in self.at.get(under, []))
        table = self.job.setups if kind == "setup" else self.job.targets
        at = self._rows(f"{kind}s", kind).of(stand)
        tripod = table["tripod"].iloc[at[0]] if len(at) else ""
        return self.positions("tripod", tripod) if tripod else []

    def position(self, file: str, row: int) -> list[int]:
        """Of the reading that stands there, [] for none."""
        places = zip(self.column["file"], self.column["rows"], strict=True)
        return [i for i, (f, rows) in enumerate(places) if f == file and rows[0] == row]

    def row(self, table: str, number: int, cell: str = "") -> pd.Series:
        """The row of a table that stands in this row of its file, and in this cell of it where it has several."""
        if table not in self._at_row:
            rows = self.job.tables[table]
            cells = rows["cell"].tolist() if "cell" in rows else repeat("")
            self._at_row[table] = {place: i for i, place in enumerate(zip(rows["row"].tolist(), cells, strict=False))}
        return self.job.tables[table].iloc[self._at_row[table][number, cell]]

    def mark(self, name: str) -> pd.Series:
        """The row of a mark."""
        return self.job.marks[self.job.marks["mark"] == name].iloc[0]

    def other_marks(self, name: str) -> tuple[tuple[str, float], ...]:
        """The heights of the other known marks; of very many the first."""
        marks = self.job.marks
        known = marks[(marks["mark"] != name) & marks["height"].notna()].head(OTHERS)
        return tuple(zip(known["mark"].tolist(), known["height"].tolist(), strict=True))

    def written(self, value: float) -> tuple[Reading, ...]:
        """A value of the job's tables as it was written."""
        return (Reading.booked(value, self.job.settings.units.length, "written"),)

    @cached_property
    def beside(self) -> dict[tuple[str, str], list[tuple[str, str, float]]]:
        """Sight, mark and value of the staff readings of each level set-up and run."""
        found: dict[tuple[str, str], list[tuple[str, str, float]]] = defaultdict(list)
        columns = (self.job.staff[c].tolist() for c in ("level_setup", "run", "sight", "mark", "reading"))
        for setup, run, *reading in zip(*columns, strict=True):
            found[setup, run].append(tuple(reading))
        return found

    @cached_property
    def inverted(self) -> bool:
        """Whether a staff was held upside down at any reading."""
        return bool((self.job.staff["reading"] < 0).any())

    def figures(self, table: str, column: str) -> int:
        """After the point, to which a column is written."""
        from heightnet.job.booked import figures

        if (table, column) not in self._figures:
            metre = METRES[self.job.settings.units.length]
            self._figures[table, column] = figures(self.job.tables[table][column], metre)
        return self._figures[table, column]

    @cached_property
    def marks(self) -> set[str]:
        return set(self.job.marks["mark"])

    @cached_property
    def sections(self) -> tuple[float, ...]:
        """Of whatever the equipment table has."""
        return self.sizes("section", None)

    @cached_property
    def feet(self) -> tuple[float, ...]:
        return self.sizes("foot", None)

    @cached_property
    def antennas(self) -> set[str]:
        """The set-ups that are satellite antennas."""
        return {*self.job.gnss["from_setup"], *self.job.gnss["to_setup"]} - {""}

    @cached_property
    def antenna_models(self) -> set[str]:
        return {self.equipment_of("setup", name) for name in self.antennas}

    def mean_separation(self) -> float:
        """Of the marks under antennas that have heights of their own."""
        alone = self.job.gnss["to_setup"][self.job.gnss["from_setup"] == ""]
        marks = self.job.setups["mark"][self.job.setups["setup"].isin(alone)]
        return float(self.job.marks["separation"][self.job.marks["mark"].isin(marks)].mean())

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
        row = {name: column[position] for name, column in self.column.items()}
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
        return self.sizes("hook", {self.column["tape"][i] for i in positions})

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
            self._sorted[table, column] = _Positions(self.job.tables[table][column])
        return self._sorted[table, column]

    @cached_property
    def column(self) -> dict[str, list[Any]]:
        return {str(name): self.readings[name].tolist() for name in self.readings}

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

    def previous(self, setup: str, instrument: str) -> float | None:
        """The height of the set-up before with the same instrument."""
        at = self._rows("setups", "setup").of(setup)
        same = self._rows("setups", "instrument").of(instrument) if len(at) else at
        before = self._before("setups", same, at)
        return self.heights.get(("setup", str(self.job.setups["setup"].iloc[before[-1]]))) if len(before) else None

    def _before(self, table: str, some: npt.NDArray[np.int64], at: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Those of some rows of a table that were done before another one, ``at[0]``, the last of them last."""
        place = self._places[table]
        before = some[place[some] < place[at[0]]] if len(at) else some[:0]
        return before[np.argsort(place[before], kind="stable")]

    @cached_property
    def _places(self) -> dict[str, npt.NDArray[np.int64]]:
        """Where each row of set-ups and targets comes in the order in which they were done; at one time, as written."""
        whens = times(self.job)
        places = {}
        for table in ("setups", "targets"):
            order = np.argsort(in_order(whens[table]).rank, kind="stable")
            places[table] = np.empty(len(order), dtype=np.int64)
            places[table][order] = np.arange(len(order))
        return places

    def earlier(self, kind: str, name: str) -> tuple[float, ...]:
        """The heights of stands of this kind that stood over the same mark before, but for the one before."""
        if kind == "tripod":
            return ()
        table = self.job.tables[f"{kind}s"]
        at = self._rows(f"{kind}s", kind).of(name)
        mark = table["mark"].iloc[at[0]] if len(at) else ""
        same = self._rows(f"{kind}s", "mark").of(mark) if mark else at[:0]
        just_before = self._places[f"{kind}s"][at[0]] - 1 if len(at) else -1
        before = self._before(f"{kind}s", same, at)
        names = (str(table[kind].iloc[i]) for i in before if self._places[f"{kind}s"][i] != just_before)
        return tuple(self.heights[kind, one] for one in names if (kind, one) in self.heights)

    def defaults(self, kind: str, name: str) -> tuple[tuple[float, float], ...]:
        """Values that may be left in, each with the part of the other stands that have it.

        The commonest height of the kind in this job comes first, if three stands and more have it.
        """
        counts: dict[float, int] = self._counts.get(kind, {})
        own, total = round(self.heights.get((kind, name), -1.0), 4), sum(counts.values()) - 1
        usual = max(counts, key=lambda h: counts[h], default=0.0)
        values = dict.fromkeys([*([usual] if counts.get(usual, 0) >= OFTEN else []), *DEFAULTS])
        return tuple((v, (counts.get(v, 0) - (v == own)) / max(total, 1)) for v in values)

    @cached_property
    def _counts(self) -> dict[str, Counter[float]]:
        """How many stands of a kind have each height, to a tenth of a millimetre."""
        counts: dict[str, Counter[float]] = defaultdict(Counter)
        for (kind, _), height in self.heights.items():
            counts[kind][round(height, 4)] += 1
        return counts

    def axes(self, kind: str, name: str) -> tuple[tuple[str, float], ...]:
        """How much higher the axes of what else stood on a stand's tripod are than its own, where tables tell."""
        own = axis_above_head(self.points(self.equipment_of(kind, name)))
        if own is None or not (tripod := self._tripods.get((kind, name))):
            return ()
        others = dict.fromkeys(self.equipment_of(*one) for one in self._on.get(tripod, ()))
        axes = ((other, axis_above_head(self.points(other))) for other in others)
        return tuple((other, axis - own) for other, axis in axes if axis is not None and abs(axis - own) > 1e-6)

    @cached_property
    def _tripods(self) -> dict[tuple[str, str], str]:
        """The tripod that each stand stood on, of those on a tripod with a name."""
        tables = (("setup", self.job.setups), ("target", self.job.targets))
        return {(k, s): t for k, table in tables for s, t in zip(table[k], table["tripod"], strict=True) if t}

    @cached_property
    def _on(self) -> dict[str, list[tuple[str, str]]]:
        """What stood on each tripod."""
        found: dict[str, list[tuple[str, str]]] = defaultdict(list)
        for stand, tripod in self._tripods.items():
            found[tripod].append(stand)
        return found

    def partners(self, kind: str, name: str) -> tuple[tuple[str, float], ...]:
        """The heights at the other ends of a stand's sights."""
        if kind == "tripod":
            return ()
        other = "target" if kind == "setup" else "setup"
        names = dict.fromkeys(self.job.shots[other].iloc[self._rows("shots", kind).of(name)])
        return tuple((str(n), self.heights[(other, n)]) for n in names if (other, n) in self.heights)

    def sizes(self, point: str, equipment: set[str] | None) -> tuple[float, ...]:
        """Sizes that the equipment table gives as offsets of points named hook, section or foot."""
        table = self.job.equipment
        rows = table[np.array([str(p).lower().startswith(point) for p in table["point"]], dtype=bool)]
        if equipment is not None:
            rows = rows[rows["equipment"].isin(equipment)]
        return tuple(dict.fromkeys(abs(float(v)) for v in rows["offset"] if v))

    def usual_parts(self, kind: str, stand: str) -> tuple[float, ...]:
        """Parts that at least two other stands have, to the millimetre, and this one has not."""
        tape = self.job.tape
        parts = tape[(tape["kind"] == "part") & (tape["stand_kind"] == kind)]
        own = parts["stand"] == stand
        length = parts["reading"].round(3)
        counts = length[~own].value_counts()
        has = set(length[own])
        return tuple(float(x) for x, count in counts.items() if count >= 2 and x not in has)[:8]  # type: ignore[arg-type]
