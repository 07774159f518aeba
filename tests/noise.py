"""Errors of observation, drawn in the order of a network's rows, and put into the tables of its job."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.job.model import Job
from heightnet.network.model import Network
from tests.party import as_read

Floats = npt.NDArray[np.float64]
FIELD = ("height", "shot", "level", "staff", "gnss")
"""What is read in the field; known heights, and knowledge of refraction and the like, come from elsewhere."""


@dataclass(frozen=True)
class Noise:
    """How observations scatter about the truth, where the job's stated standard deviations are no part of it.

    factor : of the true to the stated standard deviations of what is read in the field.
    tails : Student's t with four degrees of freedom, of the stated standard deviation, instead of the normal
        distribution, for everything that is observed.
    refraction : sd of each sight's own refraction coefficient about that of its session.  The job is not told: it
        states its default for the session's coefficient, ``air.refraction_sd``, and nothing for one sight.
    """

    factor: float = 1.0
    tails: bool = False
    refraction: float = 0.0


NOISES = {
    "stated": Noise(), "x1.6": Noise(factor=1.6), "t4": Noise(tails=True), "refraction": Noise(refraction=0.07),
}  # fmt: skip


def errors(net: Network, noise: Noise, rng: np.random.Generator, count: int | None = None) -> Floats:
    """Errors e of ``y = A x + e``, (m,) or (count, m), m.

    Rows of knowledge beforehand (refraction, index errors, separations) have normal errors of their stated sds: over
    many draws their unknowns are as uncertain as the job says.
    """
    one = count is None
    shape = (1 if one else count, len(net.sd))
    edges = net.edge_count
    unit = rng.standard_normal(shape)
    if noise.tails:  # a variance of 4 / (4 - 2)
        unit[:, :edges] = rng.standard_t(4, (shape[0], edges)) / np.sqrt(2.0)
    e = net.sd * unit
    e[:, np.isin(net.kind, FIELD)] *= noise.factor
    if noise.refraction:
        shots = net.rows("shot")
        own = noise.refraction * rng.standard_normal((shape[0], len(net.sights.bow)))
        e[:, shots] -= net.sights.bow * own
    return e[0] if one else e


def of_edges(net: Network, e: Floats) -> Floats:
    """The same errors (m,) as far as tables can hold them: what refraction and the like do is done to the edges."""
    edges, heights = net.edge_count, net.heights
    if net.A.shape[1] == heights:
        return e
    rows = net.A[edges:, heights:].toarray()
    unknown = np.linalg.solve(rows, -e[edges:])
    out = np.zeros(len(e))
    out[:edges] = e[:edges] + net.A[:edges, heights:] @ unknown
    return out


def recorded(net: Network, e: Floats) -> Job:
    """The network's job with errors e (m,) in its tables: every reading, angle, rise and known height off by its own.

    Heights held exactly stay as they are.
    """
    e, job = of_edges(net, e), net.job
    rows = {kind: (net.source[net.rows(kind)], e[net.rows(kind)]) for kind in ("known", *FIELD)}

    def off(kind: str, frame: pd.DataFrame, *columns: str) -> pd.DataFrame:
        """The table with the errors of its rows added; of several columns a row fills one."""
        much = np.zeros(len(frame))
        at, size = rows[kind]
        much[at] = size
        return frame.assign(**{c: frame[c] + much for c in columns})

    return _heights(net, job, rows["height"][1]).with_tables(
        marks=off("known", job.marks, "height"),
        shots=_shots(job.shots, rows["shot"][1]),
        levels=off("level", job.levels, "rise"),
        staff=off("staff", job.staff, "reading"),
        gnss=off("gnss", job.gnss, "rise", "height"),
    )


def _shots(shots: pd.DataFrame, e: Floats) -> pd.DataFrame:
    """Slope distance and angle of a rise off by e at the same horizontal distance."""
    s, read = shots["slope_distance"].to_numpy(float), shots["zenith_angle"].to_numpy(float)
    beyond = read > np.pi
    z = np.where(beyond, 2 * np.pi - read, read)
    rise, far = s * np.cos(z) + e, s * np.sin(z)
    z = np.arctan2(far, rise)
    return shots.assign(slope_distance=np.hypot(rise, far), zenith_angle=np.where(beyond, 2 * np.pi - z, z))


def _heights(net: Network, job: Job, e: Floats) -> Job:
    """Booked heights and tape readings off, so that each reduced height is off by its e; parts by their first."""
    setups, targets, tape = (job.tables[t].copy() for t in ("setups", "targets", "tape"))
    row_of = {row: i for i, row in enumerate(tape["row"])}
    reading, text = tape["reading"].to_numpy(float).copy(), tape["text"].to_numpy(object).copy()
    booked = {"setup": setups["height"].to_numpy(float).copy(), "target": targets["height"].to_numpy(float).copy()}
    at_node = {"setup": net.setup_node, "target": net.target_node}
    several = np.bincount(net.readings["node"].to_numpy(np.int64), minlength=len(net.nodes))
    place = {
        kind: dict(zip(f[kind], range(len(f)), strict=True)) for kind, f in (("setup", setups), ("target", targets))
    }
    columns = ("stand_kind", "stand", "kind", "rows", "height", "offset", "radius", "node")
    for error, (kind, stand, how, rows, height, offset, radius, node) in zip(
        e, zip(*(net.readings[c] for c in columns), strict=True), strict=True
    ):
        if how == "booked":
            if net.nodes.kind[node] == "tripod" and several[node] == 1:  # one taping, booked for all that stood there
                for of, nodes in at_node.items():
                    booked[of][nodes == node] += error
            else:
                booked[kind][place[kind][stand]] += error
            continue
        i = row_of[rows[0]]
        off = np.hypot(height - offset + error, radius) if how == "slant" else reading[i] + error
        text[i], reading[i] = as_read(off, tape["scale"].iloc[i])
    return job.with_tables(
        setups=setups.assign(height=booked["setup"]),
        targets=targets.assign(height=booked["target"]),
        tape=tape.assign(reading=reading, text=pd.Series(text, index=tape.index, dtype=object)),
    )


def blunders(net: Network) -> dict[str, npt.NDArray[np.int64]]:
    """Rows that each possible blunder makes too high by its size, by id; those of held marks and groups left out."""
    job, out = net.job, {}
    users: dict[int, list[str]] = {}
    for kind, nodes, frame in (("setup", net.setup_node, job.setups), ("target", net.target_node, job.targets)):
        for node, name in zip(nodes.tolist(), frame[kind], strict=True):
            users.setdefault(node, []).append(f"{kind}:{name}")
    rows = np.arange(len(net.kind))
    heights = rows[net.rows("height")]
    for node in np.unique(net.head[heights]).tolist():
        stood = users[node]
        name = stood[0] if len(stood) == 1 else f"tripod:{net.nodes.name[node]}"
        of = heights[net.head[heights] == node]
        out[name] = of
        if len(of) > 1:
            for row in of.tolist():
                reading = net.readings.iloc[net.source[row]]
                out[f"reading:{reading['file']}:{reading['rows'][0]}"] = np.array([row])
    for row in rows[net.rows("known")].tolist():
        out[f"known:{net.nodes.name[net.head[row]]}"] = np.array([row])
    tables = {"shot": "shots", "level": "levels", "staff": "staff", "gnss": "gnss"}
    for kind, table in tables.items():
        for row, line in zip(rows[net.rows(kind)].tolist(), job.tables[table]["row"], strict=True):
            out[f"{kind}:{job.files[table]}:{line}"] = np.array([row])
    return out
