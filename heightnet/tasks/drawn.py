"""What a picture needs of a network: its marks and what ties two of them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from heightnet.kinds.registry import code_of
from heightnet.network.loops import edge_lengths
from heightnet.network.model import Network
from heightnet.rows import Record

MOST = 400  # marks: a picture of more shows nothing


def drawn(net: Network) -> Record | None:
    """``network``: marks with coordinates, and pairs of marks that sights or levelled lines tie; None for very many.

    Lines of a level to its staffs, which end on no mark, tie the marks of one level set-up in their order.
    """
    marks = np.flatnonzero(net.nodes.kind == "mark")
    if len(marks) > MOST:
        return None
    listed = net.job.marks.set_index("mark")
    known = set(net.job.marks["mark"][net.job.marks["height"].notna()])
    told = []
    for mark in net.nodes.name[marks].tolist():
        east, north = (listed[c].get(mark, np.nan) for c in ("east", "north"))
        place = (None, None) if pd.isna(east) or pd.isna(north) else (float(east), float(north))
        told.append({"mark": mark, "known": mark in known, "east_m": place[0],
                     "north_m": place[1]})  # fmt: skip
    return {"marks": told, "lines": _lines(net)}


def _lines(net: Network) -> list[Record]:
    """Each pair of marks once, with its horizontal length where one is known."""
    count, length = net.edge_count, edge_lengths(net)
    end = np.where(net.nodes.kind == "mark", np.arange(len(net.nodes)), net.nodes.mark)
    start, stop = end[net.tail[:count]], end[net.head[:count]]
    pairs = [(int(a), int(b), float(d)) for a, b, d in zip(start, stop, length, strict=True)
             if a >= 0 and b >= 0 and a != b]  # fmt: skip
    staff = net.kind[:count] == code_of("staff")
    at_level: dict[int, tuple[int, float]] = {}
    for i in np.flatnonzero(staff).tolist():
        level, mark = int(net.tail[i]), int(net.head[i])
        level, mark = (level, mark) if net.nodes.kind[mark] == "mark" else (mark, level)
        if level in at_level and at_level[level][0] != mark:
            pairs.append((at_level[level][0], mark, at_level[level][1] + float(length[i])))
        at_level[level] = mark, float(length[i])
    found: dict[tuple[int, int], float] = {}
    for a, b, far in pairs:
        found[min(a, b), max(a, b)] = max(found.get((min(a, b), max(a, b)), 0.0), far)
    name = net.nodes.name
    return [{"from_mark": str(name[a]), "to_mark": str(name[b]), "length_m": far or None}
            for (a, b), far in found.items()]  # fmt: skip
