"""The hypotheses that only a levelling book has, beside the whole family of a job."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from heightnet.judge.family import Family, build_family
from heightnet.network.model import Kind, Network

EXCHANGED_SHARE = 0.06  # of the wrong readings, those whose backsight and foresight stand in each other's place
EXCHANGED_LEAST_M = 0.002  # readings closer than this exchanged do nothing worth finding


def book_family(net: Network) -> tuple[Family, float]:
    """The whole family, and for each level set-up its two readings exchanged, and the level's collimation error.

    Exchanged readings b (backsight) and f make the backsight b - f too high and the foresight as much too low.  A line
    of sight out of level by c reads c * distance too high: it grows with the imbalance of the sights.

    Returns the family and the root mean square of the distances: an error of the collimation group divided by it is c,
    in radians.
    """
    family, staff, rows = build_family(net), net.job.staff, net.rows(Kind.STAFF)
    rates = net.job.settings.rates
    ids: list[str] = []
    kinds: list[str] = []
    columns: list[tuple[list[int], list[float], float, float]] = []
    position = {row: rows.start + i for i, row in enumerate(staff["row"])}
    for (run, level), pair in staff.groupby(["run", "level_setup"], sort=False):
        back, fore = pair[pair["sight"] == "BS"], pair[pair["sight"] == "FS"]
        if len(back) != 1 or len(fore) != 1:
            continue
        size = float(back["reading"].iloc[0] - fore["reading"].iloc[0])
        if abs(size) >= EXCHANGED_LEAST_M:
            at = [position[back["row"].iloc[0]], position[fore["row"].iloc[0]]]
            columns.append((at, [1.0, -1.0], rates.level * EXCHANGED_SHARE, size))
            ids.append(f"exchange:{level}:{run}" if run else f"exchange:{level}")
            kinds.append("exchange")
    distance = np.nan_to_num(staff["distance"].to_numpy(float))
    far = np.flatnonzero(distance > 0)
    rms = float(np.sqrt(np.mean(distance[far] ** 2))) if len(far) else 0.0
    if len(far) >= 2:
        columns.append(((rows.start + far).tolist(), (distance[far] / rms).tolist(), rates.group, np.nan))
        ids.append("group:collimation:the level")
        kinds.append("group")
    if not columns:
        return family, rms
    C = sparse.csc_matrix(
        (
            np.concatenate([values for _, values, _, _ in columns]),
            (
                np.concatenate([at for at, _, _, _ in columns]),
                np.repeat(np.arange(len(columns)), [len(at) for at, _, _, _ in columns]),
            ),
        ),
        shape=(len(net.y), len(columns)),
    )
    none = np.full(len(columns), -1, dtype=np.int64)
    return Family(
        ids=np.concatenate([family.ids, np.array(ids, dtype=object)]),
        kind=np.concatenate([family.kind, np.array(kinds, dtype=object)]),
        node=np.concatenate([family.node, none]),
        observation=np.concatenate([family.observation, none]),
        rate=np.concatenate([family.rate, [c[2] for c in columns]]),
        size=np.concatenate([family.size, [c[3] for c in columns]]),
        C=sparse.hstack([family.C, C], format="csc"),
    ), rms
