"""The least-squares problem of a job, its equations written down anew from its tables, solved densely with numpy.

Written from the documentation of the columns and of the model (the heads of `heightnet.network.build`,
`heightnet.network.separation`, `heightnet.reduce`), without their code, so that both can be wrong only together:

    known height          H = value
    tape reading          Z - H = reduced height
    shot                  Z_target - Z_setup = s cos z + (1 - k)(s sin z)^2 / 2R
    levelled difference   H_to - H_from = rise
    staff                 Z_level - H_mark = reading - (1 - k) d^2 / 2R
    satellite             Z_to - Z_from = rise - (N_to - N_from),  Z_to = height - N_to
    beforehand            k = k0, index error = 0, errors of separations = 0 with their covariance

Rows stand in the order of the tables named above, as in the network, so that columns of hypotheses fit them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import networkx as nx
import numpy as np
import numpy.typing as npt
from scipy import linalg, sparse

from heightnet.job.model import Job

Floats = npt.NDArray[np.float64]

TAPE, SIGHT, BEFORE = 0, 1, 2
"""Whose factor a row's standard deviation takes: tapes, sights (levels, staffs and satellites too), nobody's."""

DATUM = ("datum", "")
ARCSEC = np.pi / 648_000
ONE_TAPING_M = 5e-5  # two booked heights of one shared stand that differ by less
LEAST_OWN, CLOSEST_M = 1e-8, 1.0  # of separations: see `heightnet.network.separation`


@dataclass(frozen=True)
class Equations:
    """A x = y, one row an observation.

    A : (m, n) dense; y, sd : (m,); group : (m,) whose factor each sd takes.
    edges : rows that tie two places; knowledge beforehand follows.
    column : unknown of each mark, or the height it is held at as a float where it has none, None where nothing
        determines it.
    """

    A: Floats
    y: Floats
    sd: Floats
    group: npt.NDArray[np.int64]
    edges: int
    column: dict[str, int | float | None]

    def solved(self, tape: float = 1.0, sight: float = 1.0) -> Solution:
        """With factors on the standard deviations of tape readings, and of sights, levels and satellite heights."""
        return Solution(self, self.sd * np.array([tape, sight, 1.0])[self.group])


@dataclass(frozen=True)
class Solution:
    """The adjusted job; sd (m,) are those used."""

    equations: Equations
    sd: Floats

    @cached_property
    def _scale(self) -> Floats:
        return np.asarray(np.linalg.norm(self.equations.A / self.sd[:, None], axis=0))

    @cached_property
    def _QR(self) -> tuple[Floats, Floats]:
        """Of A, its rows over sd and its columns of unit length."""
        return linalg.qr(self.equations.A / self.sd[:, None] / self._scale, mode="economic", check_finite=False)

    @cached_property
    def x(self) -> Floats:
        """(n,) estimates; solved twice, the second time for what the first left, as heights cost digits."""
        Q, R = self._QR
        x = np.zeros(len(self._scale))
        for _ in range(2):
            rest = (self.equations.y - self.equations.A @ x) / self.sd
            x += linalg.solve_triangular(R, Q.T @ rest, check_finite=False) / self._scale
        return x

    @property
    def heights(self) -> dict[str, float]:
        """Of marks, m, NaN where nothing determines them; a piece with no known mark has its first mark at 0."""
        of = self.equations.column
        return {m: np.nan if c is None else float(self.x[c]) if isinstance(c, int) else c for m, c in of.items()}

    def covariance(self, marks: list[str]) -> Floats:
        """(k, k) of the heights of marks that have an unknown, m^2."""
        columns = [self.equations.column[mark] for mark in marks]
        unit = np.zeros((len(self._scale), len(marks)))
        unit[columns, range(len(marks))] = 1 / self._scale[columns]
        half = linalg.solve_triangular(self._QR[1], unit, trans="T", check_finite=False)
        return half.T @ half

    @cached_property
    def residual(self) -> Floats:
        """(m,) observed less adjusted, m."""
        return self.equations.y - self.equations.A @ self.x

    @cached_property
    def redundancy(self) -> Floats:
        """(m,) of each row; they sum to ``dof``."""
        return 1 - np.einsum("ij,ij->i", self._QR[0], self._QR[0])

    @property
    def dof(self) -> int:
        return self.equations.A.shape[0] - self.equations.A.shape[1]

    @property
    def chi2(self) -> float:
        return float(np.sum((self.residual / self.sd) ** 2))

    def reduced(self, C: Any, some: npt.ArrayLike | None = None) -> tuple[Floats, Floats]:
        """u (h,) and G (h, h) of columns C (m, h) of errors, by default of all of them.

        G = C'PC - C'PA (A'PA)^-1 A'PC, u = C'P times the residuals.
        """
        C = self._whitened(C if some is None else sparse.csc_array(C)[:, np.asarray(some)])
        seen = np.asarray(C.T @ self._QR[0])
        return np.asarray(C.T @ (self.residual / self.sd)), (C.T @ C).toarray() - seen @ seen.T

    def reduced_diagonal(self, C: Any) -> tuple[Floats, Floats]:
        """u (h,) and the diagonal (h,) of G, for more columns than G has room for."""
        C = self._whitened(C)
        seen = np.asarray(C.T @ self._QR[0])
        own = np.asarray(C.multiply(C).sum(axis=0)).ravel()
        return np.asarray(C.T @ (self.residual / self.sd)), own - np.einsum("ij,ij->i", seen, seen)

    def _whitened(self, C: Any) -> sparse.csc_array:
        C = sparse.csr_array(C)
        beyond = C[self.equations.edges :]
        if beyond.nnz and np.abs(beyond.data).max() > 0:
            raise ValueError("an error of what is known beforehand: rows beyond the edges have no fixed order here")
        return (sparse.diags_array(1 / self.sd) @ C).tocsc()


def dense(job: Job) -> Solution:
    """The job as it stands."""
    return equations(job).solved()


def equations(job: Job) -> Equations:
    """Every observation of the job's tables as a row."""
    return _Writer(job).equations()


class _Writer:
    """Rows as they are written down: entries by name of unknown, value, sd, group."""

    def __init__(self, job: Job) -> None:
        self.job, self.p = job, job.settings.precision
        self.rows: list[tuple[list[tuple[Any, float]], float, float, int]] = []
        self.before: list[tuple[list[tuple[Any, float]], float, float]] = []
        self.equipment_axis = {e.equipment: e.offset for e in job.equipment.itertuples() if e.point == "axis"}
        self.stand: dict[tuple[str, str], tuple[Any, float]] = {}
        self.over: dict[Any, str] = {}
        for kind, table, thing in (("target", job.targets, "equipment"), ("setup", job.setups, "instrument")):
            for row in table.to_dict("records"):
                tripod = row["tripod"]
                place = ("tripod", tripod) if tripod else (kind, row[kind])
                axis = self.equipment_axis.get(row[thing], 0.0) if tripod else 0.0
                self.stand[kind, row[kind]] = place, axis
                if row["mark"]:
                    self.over[place] = row["mark"]
        names = [*job.marks["mark"], *job.setups["mark"], *job.targets["mark"], *job.levels["from_mark"]]
        names += [*job.levels["to_mark"], *job.staff["mark"]]
        self.marks = [m for m in dict.fromkeys(names) if m]

    def equations(self) -> Equations:
        self._known()
        self._heights()
        self._shots()
        self._levels()
        self._staff()
        self._satellites()
        return self._assembled()

    def add(self, entries: list[tuple[Any, float]], value: float, sd: float, group: int) -> None:
        self.rows.append((entries, value, sd, group))

    def _known(self) -> None:
        self.held: dict[Any, float] = {}
        for m in self.job.marks.itertuples():
            if np.isnan(m.height):
                continue
            sd = self.p.known_mm / 1000 if np.isnan(m.sd) else m.sd
            if sd == 0:
                self.held["mark", m.mark] = m.height
            else:
                self.add([(("mark", m.mark), 1.0)], m.height, sd, BEFORE)

    def _heights(self) -> None:
        """Booked heights of set-ups, then of targets, where no tape row tells better; then the tape's readings."""
        job, p = self.job, self.p
        target_mm = p.tape_mm if p.target_mm is None else p.target_mm
        default = {"setup": p.tape_mm / 1000, "tripod": p.tape_mm / 1000, "target": target_mm / 1000}
        taped = set(zip(job.tape["stand_kind"], job.tape["stand"], strict=True))
        once: dict[Any, float] = {}
        for kind, table in (("setup", job.setups), ("target", job.targets)):
            for s in table.to_dict("records"):
                place, axis = self.stand[kind, s[kind]]
                if np.isnan(s["height"]) or (kind, s[kind]) in taped or place not in self.over:
                    continue
                seat = s["height"] - axis
                if place[0] == "tripod":
                    if place in once and abs(once[place] - seat) < ONE_TAPING_M:
                        continue
                    once.setdefault(place, seat)
                self._height(place, seat, default[kind] if np.isnan(s["sd"]) else s["sd"])
        parts: dict[Any, list[dict[str, Any]]] = {}
        for i, t in enumerate(job.tape.to_dict("records")):
            together = (t["stand_kind"], t["stand"], t["part"]) if t["kind"] == "part" else i
            parts.setdefault(together, []).append(t)
        for readings in parts.values():
            first = readings[0]
            kind = first["stand_kind"]
            place, axis = (("tripod", first["stand"]), 0.0) if kind == "tripod" else self.stand[kind, first["stand"]]
            if place not in self.over:
                continue
            length = sum(r["reading"] for r in readings)
            variance = sum((default[kind] if np.isnan(r["sd"]) else r["sd"]) ** 2 for r in readings)
            above, sd = length, np.sqrt(variance)
            if first["kind"] == "slant":
                above = np.sqrt(length**2 - first["radius"] ** 2)
                sd *= length / above
            self._height(place, above + np.nansum([r["offset"] for r in readings]) - axis, sd)

    def _height(self, place: Any, above: float, sd: float) -> None:
        self.add([(place, 1.0), (("mark", self.over[place]), -1.0)], above, sd, TAPE)

    def _shots(self) -> None:
        settings, p = self.job.settings, self.p
        instrument = dict(zip(self.job.setups["setup"], self.job.setups["instrument"], strict=True))
        for s in self.job.shots.to_dict("records"):
            z = 2 * np.pi - s["zenith_angle"] if s["zenith_angle"] > np.pi else s["zenith_angle"]
            slope = s["slope_distance"]
            sd_z = p.zenith_sec * ARCSEC if np.isnan(s["sd_zenith"]) else s["sd_zenith"]
            sd_s = np.hypot(p.distance_mm / 1000, p.distance_ppm * 1e-6 * slope)
            sd_s = sd_s if np.isnan(s["sd_distance"]) else s["sd_distance"]
            far = slope * np.sin(z)
            bow = far**2 / (2 * settings.earth.radius_m)
            (start, low), (end, high) = self.stand["setup", s["setup"]], self.stand["target", s["target"]]
            entries = [(end, 1.0), (start, -1.0), (("k", s["session"]), bow)]
            # read = z + i on face L, 2 pi - z + i on face R: z is the reading less i, or 2 pi less the reading plus i
            if s["face"]:
                entries.append((("index", instrument[s["setup"]]), -far if s["face"] == "L" else far))
            self.add(entries, slope * np.cos(z) + bow - (high - low), np.hypot(np.cos(z) * sd_s, far * sd_z), SIGHT)

    def _levels(self) -> None:
        p = self.p
        for level in self.job.levels.itertuples():
            if not np.isnan(level.sd):
                sd = level.sd
            elif not np.isnan(level.length):
                sd = p.level_mm_sqrt_km / 1000 * np.sqrt(level.length / 1000)
            else:
                sd = p.level_mm_setup / 1000 * np.sqrt(level.setups)
            self.add([(("mark", level.to_mark), 1.0), (("mark", level.from_mark), -1.0)], level.rise, sd, SIGHT)

    def _staff(self) -> None:
        for s in self.job.staff.itertuples():
            distance = 0.0 if np.isnan(s.distance) else s.distance
            bow = distance**2 / (2 * self.job.settings.earth.radius_m)
            sd = self.p.staff_mm / 1000 if np.isnan(s.sd) else s.sd
            entries = [(("level", s.level_setup), 1.0), (("mark", s.mark), -1.0), (("k", ""), -bow)]
            self.add(entries, s.reading - bow, sd, SIGHT)

    def _satellites(self) -> None:
        job = self.job
        if not len(job.gnss):
            return
        at = {m.mark: m for m in job.marks.itertuples()}
        over = dict(zip(job.setups["setup"], job.setups["mark"], strict=True))
        ends = [(over.get(g.from_setup, ""), over[g.to_setup]) for g in job.gnss.itertuples()]
        needed = list(dict.fromkeys(m for pair in ends if pair[0] != pair[1] for m in pair if m))
        setting = job.settings.separation
        sd_of = {m: setting.sd_mm / 1000 if np.isnan(at[m].separation_sd) else at[m].separation_sd for m in needed}
        middle = np.mean([[at[m].east, at[m].north] for m in needed], axis=0) if needed else np.zeros(2)
        arms = {"offset": lambda m: 1.0, "east": lambda m: (at[m].east - middle[0]) / 1000,
                "north": lambda m: (at[m].north - middle[1]) / 1000}  # fmt: skip
        sds = {"offset": setting.offset_sd_mm, "east": setting.tilt_sd_mm_km, "north": setting.tilt_sd_mm_km}
        linear = {name: sds[name] / 1000 for name in arms if sds[name] > 0 and needed}
        for g, (start, end) in zip(job.gnss.itertuples(), ends, strict=True):
            place, high = self.stand["setup", g.to_setup]
            entries: list[tuple[Any, float]] = [(place, 1.0)]
            value = g.height if np.isnan(g.rise) else g.rise
            if g.from_setup:
                place, low = self.stand["setup", g.from_setup]
                entries.append((place, -1.0))
                high -= low
            if start != end:
                for mark, sign in ((end, 1.0), (start, -1.0)):
                    if mark:
                        value -= sign * at[mark].separation
                        if sd_of[mark] > 0:
                            entries.append((("separation", mark), sign))
                        entries += [((name, ""), sign * arms[name](mark)) for name in linear]
            self.add(entries, value - high, self.p.gnss_mm / 1000 if np.isnan(g.sd) else g.sd, SIGHT)
        uncertain = [m for m in needed if sd_of[m] > 0]
        if uncertain:
            covariance = alike([sd_of[m] for m in uncertain], [(at[m].east, at[m].north) for m in uncertain],
                               setting.mm_sqrt_km / 1000)  # fmt: skip
            whiten = linalg.solve_triangular(np.linalg.cholesky(covariance), np.eye(len(uncertain)), lower=True)
            for row in whiten:  # L^-1 r is of unit variance, its parts have nothing in common
                self.before.append(([(("separation", m), w) for m, w in zip(uncertain, row, strict=True)], 0.0, 1.0))
        self.before += [([((name, ""), 1.0)], 0.0, sd) for name, sd in linear.items()]

    def _beforehand(self) -> None:
        """Refraction and index errors that some row depends on; those held exactly are no unknowns."""
        air, p = self.job.settings.air, self.p
        bent, indexed = set(), set()
        for entries, *_ in self.rows:
            bent |= {name for name, much in entries if name[0] == "k" and much != 0}
            indexed |= {name for name, much in entries if name[0] == "index" and much != 0}
        if air.refraction_sd > 0:
            self.before += [([(name, 1.0)], air.refraction, air.refraction_sd) for name in sorted(bent)]
        else:
            self.held |= dict.fromkeys(bent, air.refraction)
        if p.index_sec > 0:
            self.before += [([(name, 1.0)], 0.0, p.index_sec * ARCSEC) for name in sorted(indexed)]
        else:
            self.held |= dict.fromkeys(indexed, 0.0)

    def _assembled(self) -> Equations:
        self._beforehand()
        fixed = dict(self.held)
        named = dict.fromkeys(name for entries, *_ in self.rows for name, _ in entries)
        order = [("mark", m) for m in self.marks]
        order += [name for kind in ("setup", "target", "tripod", "level") for name in named if name[0] == kind]
        rank = {place: i for i, place in enumerate(order)}
        ties = nx.Graph([(place, DATUM) for place in self.held if place in rank])
        for entries, *_ in self.rows:
            places = [name for name, _ in entries if name in rank]
            ties.add_edge(places[0], places[1] if len(places) > 1 else DATUM)
        for piece in nx.connected_components(ties):
            if DATUM not in piece:
                fixed[min(piece, key=rank.__getitem__)] = 0.0
        unknown = [place for place in order if place in ties and place not in fixed]
        nuisances = dict.fromkeys(name for entries, *_ in self.before for name, _ in entries)
        column = {name: i for i, name in enumerate([*unknown, *nuisances])}
        rows = [*self.rows, *((entries, value, sd, BEFORE) for entries, value, sd in self.before)]
        A, y = np.zeros((len(rows), len(column))), np.zeros(len(rows))
        for i, (entries, value, _, _) in enumerate(rows):
            y[i] = value
            for name, much in entries:
                if name in column:
                    A[i, column[name]] += much
                elif much != 0:
                    y[i] -= much * fixed[name]
        of_mark = {m: column.get(("mark", m), fixed.get(("mark", m))) for m in self.marks}
        sd, group = np.array([r[2] for r in rows]), np.array([r[3] for r in rows], dtype=np.int64)
        return Equations(A, y, sd, group, len(self.rows), of_mark)


def alike(sd: list[float], places: list[tuple[float, float]], q: float) -> Floats:
    """Covariance of the errors of separations at some places, m^2.

    On the shortest tree that joins the places that have coordinates, neighbours at a distance d have the correlation
    exp(-q^2 d / 2 s_i s_j), q in m per root km; others that of the way between them, and places without coordinates
    none.
    """
    count = len(sd)
    rho = np.eye(count)
    placed = [i for i in range(count) if np.isfinite(sum(places[i]))]
    if placed:
        done, rest = [placed[0]], np.array(placed[1:], dtype=np.int64)
        where = np.array(places, dtype=float)
        near = np.full(count, np.inf)
        before = np.full(count, placed[0])
        while len(rest):  # one place after the other, the nearest to those that are joined
            step = np.hypot(*(where[rest] - where[done[-1]]).T)
            closer = step < near[rest]
            near[rest[closer]], before[rest[closer]] = step[closer], done[-1]
            i = int(rest[np.argmin(near[rest])])
            j = int(before[i])
            km = max(near[i], CLOSEST_M) / 1000
            squared = np.exp(-(q**2) * km / (sd[i] * sd[j]))
            one = np.sqrt(min(squared, 1 - LEAST_OWN))
            rho[i, done] = rho[done, i] = one * rho[j, done]
            done.append(i)
            rest = rest[rest != i]
    return rho * np.outer(sd, sd)
