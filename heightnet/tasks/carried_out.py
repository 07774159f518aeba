"""A job with measurements of a plan made: rows as the crew would bring them home, with values that the job expects.

What a measurement proves rests on where it was made and how well, not on what it reads: the job with these rows is
asked the very questions that `check` asks of one that was measured.
"""

from __future__ import annotations

from collections import defaultdict
from math import atan2, hypot
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from heightnet.arrays import Floats, Ints
from heightnet.job.model import Job, complete
from heightnet.judge.bench import BenchBase
from heightnet.judge.large import bench_for
from heightnet.judge.promises import found_at_most, promises
from heightnet.judge.proof import OF_VERDICT, proof_of
from heightnet.ledger.thing import Thing
from heightnet.network import build_network
from heightnet.network.model import Network
from heightnet.reduce.sight import curvature_and_refraction
from heightnet.tasks.next import Candidate

POLE_M = 1.5  # of a pole of known height
ANEW = "plan"  # how names of what is put up anew begin
SOMEBODY_ELSE = "another person"


def carried_out(net: Network, made: list[tuple[str, Candidate]]) -> Job:
    """The job with measurements made, each of a kind and as weighed beforehand."""
    rows = _Rows(net)
    for kind, one in made:
        rows.add(kind, one)
    return rows.job()


def proof_after(
    net: Network, made: list[tuple[str, Candidate]], ids: list[str], whole: npt.NDArray[np.bool_]
) -> Floats:
    """(h, kinds) sizes from which errors of the heights of these ids show once the measurements are made, m.

    whole : (h,) of these all that was read before is wrong together: only another way to the height counts.
    """
    bench = bench_for(build_network(carried_out(net, made)))
    proof = proof_of(bench, promises(bench).found)
    at = {str(bench.family.ids[h]): i for i, h in enumerate(proof.stands.tolist())}
    some = np.array([at[id_] for id_ in ids], dtype=np.int64)
    size = proof.size[some]
    asked = np.flatnonzero(whole)
    size[asked, : len(OF_VERDICT)] = _of_what_was_read(net, bench, proof.stands[some[asked]])[:, None]
    return size


def _of_what_was_read(before: Network, bench: BenchBase, stands: Ints) -> Floats:
    """(s,) sizes from which an error of all that was read of these heights before shows, m."""
    if not len(stands):
        return np.zeros(0)
    net, nodes = bench.net, bench.family.node[stands]
    first = np.array([rows[0] for rows in net.readings["rows"]])
    names = {str(name): i for i, name in enumerate(before.nodes.name)}
    columns = []
    for node in nodes.tolist():
        own = np.flatnonzero(net.readings["node"].to_numpy() == node)
        count = int(np.sum(before.readings["node"].to_numpy() == names[str(net.nodes.name[node])]))
        column = np.zeros(len(net.y))
        column[net.rows("height").start + own[np.argsort(first[own], kind="stable")[:count]]] = 1.0
        columns.append(column)
    return found_at_most(bench, sparse.csc_matrix(np.column_stack(columns)))


class _Rows:
    def __init__(self, net: Network) -> None:
        self.net = net
        self.rows: dict[str, list[dict[str, Any]]] = defaultdict(list)
        self.taped = set(zip(net.job.tape["stand_kind"], net.job.tape["stand"], strict=True))
        job = net.job
        self.used = {*job.setups["setup"], *job.targets["target"], *job.marks["mark"], *job.tape["part"]}
        self.count = 0

    def job(self) -> Job:
        job = self.net.job
        frames = {}
        for table, rows in self.rows.items():
            before = job.tables[table]
            first = int(before["row"].max()) + 1 if len(before) else 2
            fresh = complete(table, pd.DataFrame(rows))
            fresh["row"] = np.arange(first, first + len(fresh))
            frames[table] = pd.concat([before, fresh], ignore_index=True)
        return job.with_tables(**frames)

    def add(self, kind: str, one: Candidate) -> None:
        at, to = float(self.net.nodes.height[one.tail]), float(self.net.nodes.height[one.head])
        match kind:
            case "other_scale" | "other_person" | "in_parts" | "second_tape":
                self._taped(kind, one)
            case "level_tie":
                self.rows["levels"].append(
                    {"from_mark": one.from_mark, "to_mark": one.mark, "rise": to - at, "length": one.distance,
                     "setups": np.nan, "sd": one.sd, "run": ""}
                )  # fmt: skip
            case "check_shot" | "pole_shot":
                self._sight(Thing.of(one.stand).name, at, one, to)
            case "reoccupation":
                self._sight(self._setup(one.from_mark), at + POLE_M, one, to)
            case "antenna_reoccupation":
                self._antennas(one)

    def _name(self) -> str:
        self.count += 1
        name = f"{ANEW} {self.count}"
        return self._name() if name in self.used else name

    def _taped(self, kind: str, one: Candidate) -> None:
        """One more reading; a height that was booked without its reading becomes the first of two."""
        readings = self.net.readings
        own = readings[readings["node"].to_numpy() == one.head]
        stand_kind, stand = str(own["stand_kind"].iloc[0]), str(own["stand"].iloc[0])
        if (stand_kind, stand) not in self.taped:
            self.taped.add((stand_kind, stand))
            for first in own.itertuples():
                self._reading(stand_kind, stand, float(first.height), float(first.sd), str(first.by), "")
        by = SOMEBODY_ELSE if kind in ("other_person", "second_tape") else str(own["by"].iloc[0])
        height, point = float(own["height"].iloc[0]), str(own["point"].iloc[0])
        if kind != "in_parts":
            self._reading(stand_kind, stand, height, one.sd, by, point)
            return
        part = self._name()
        for length in (height / 3, 2 * height / 3):
            self._reading(stand_kind, stand, length, one.sd / np.sqrt(2), by, "", "part", part)

    def _reading(
        self, stand_kind: str, stand: str, value: float, sd: float, by: str, point: str, kind: str = "vertical",
        part: str = "",
    ) -> None:  # fmt: skip
        self.rows["tape"].append(
            {"stand_kind": stand_kind, "stand": stand, "text": f"{value:.4f}", "reading": value, "scale": "m",
             "kind": kind, "point": point, "radius": 0.0, "offset": 0.0, "part": part, "tape": "", "by": by, "sd": sd}
        )  # fmt: skip

    def _setup(self, mark: str) -> str:
        name = self._name()
        sd = self.net.job.settings.precision.tape_mm / 1000
        self.rows["setups"].append({"setup": name, "mark": mark, "height": POLE_M, "sd": sd, "observer": SOMEBODY_ELSE})
        return name

    def _sight(self, setup: str, axis: float, one: Candidate, mark_height: float) -> None:
        """A sight from a set-up to a pole of known height."""
        settings, far = self.net.job.settings, np.array([one.distance])
        bend = curvature_and_refraction(far, settings.air.refraction, settings.earth.radius_m)
        target, rise = self._name(), mark_height + POLE_M - axis - float(bend[0])
        sessions = self.net.job.shots["session"]
        self.rows["targets"].append(
            {"target": target, "mark": one.mark, "height": POLE_M, "equipment": one.pole,
             "sd": self.net.job.settings.precision.tape_mm / 1000}
        )  # fmt: skip
        self.rows["shots"].append(
            {"setup": setup, "target": target, "slope_distance": hypot(one.distance, rise),
             "zenith_angle": atan2(one.distance, rise), "session": sessions.iloc[0] if len(sessions) else ""}
        )  # fmt: skip

    def _antennas(self, one: Candidate) -> None:
        """A satellite row observed again, every antenna of it put up anew."""
        job, net = self.net.job, self.net
        row: dict[Any, Any] = job.gnss.iloc[one.again].to_dict()
        for end in ("from_setup", "to_setup"):
            if not row[end]:
                continue
            position = job.setups["setup"].tolist().index(row[end])
            node, name = int(net.setup_node[position]), self._name()
            own = net.readings[net.readings["node"].to_numpy() == node]
            put_up: dict[Any, Any] = job.setups.iloc[position].to_dict()
            sd = job.settings.precision.tape_mm / 1000
            height = float(own["height"].iloc[0]) + float(net.setup_axis[position]) if len(own) else POLE_M
            self.rows["setups"].append({**put_up, "setup": name, "height": height, "sd": sd, "tripod": ""})
            row[end] = name
        self.rows["gnss"].append(row)
