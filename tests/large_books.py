"""Large levelling jobs with known truth: staff books and nets of levelled differences of so many rows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from heightnet.job.model import Job

EVERY = 4  # set-ups from mark to mark
LOOP = 40  # of a staff book: set-ups from one known mark to the next


def staff_book(rows: int, wrong: float = 0.0, seed: int = 1, at: int | None = None) -> Job:
    """A staff book of ``rows`` readings, half of them out and half of them back, with marks that both ways use.

    wrong : put into one reading of the middle, or into the one at ``at``, m.
    """
    rng = np.random.default_rng(seed)
    stands = rows // 4
    names = [f"M{i // EVERY}" if i % EVERY == 0 else f"T{i}" for i in range(stands + 1)]
    height = np.concatenate([[0.0], np.cumsum(rng.uniform(-1.0, 1.0, stands))]) + 100.0
    level, mark, name, run, sight, reading = [], [], [], [], [], []
    for way, order in (("out", range(stands)), ("back", range(stands - 1, -1, -1))):
        for i in order:
            first, last = (i, i + 1) if way == "out" else (i + 1, i)
            line = max(height[first], height[last]) + rng.uniform(0.4, 2.0)
            for which, point in (("BS", first), ("FS", last)):
                own = not names[point].startswith("M")
                level.append(f"{way} {i}"), run.append(way), sight.append(which), name.append(names[point])
                mark.append(f"{names[point]} ({way})" if own else names[point])
                reading.append(line - height[point] + 0.0005 * rng.standard_normal())
    frame = {"level_setup": level, "mark": mark, "name": name, "run": run, "sight": sight, "reading": reading,
             "distance": 30.0}  # fmt: skip
    staff = pd.DataFrame(frame)
    staff.loc[len(staff) // 4 if at is None else at, "reading"] += wrong
    marks = [
        {"mark": names[i], "height": height[i] if i % LOOP == 0 or i == stands else np.nan, "sd": 0.001}
        for i in range(stands + 1) if names[i].startswith("M")
    ]  # fmt: skip
    return Job.from_frames(f"book of {rows}", marks=pd.DataFrame(marks), staff=staff)


def level_net(rows: int, wrong: float = 0.0, seed: int = 1, at: int | None = None) -> Job:
    """``rows`` levelled differences over a grid of marks, one corner known."""
    rng = np.random.default_rng(seed)
    side = int(np.ceil((rows / 2) ** 0.5)) + 1
    height = 100 + np.cumsum(rng.uniform(-1, 1, side * side))
    ties = [(i, i + 1) for i in range(side * side) if (i + 1) % side]
    ties += [(i, i + side) for i in range(side * (side - 1))]
    ties = sorted(ties)[:rows]
    rise = np.array([height[b] - height[a] for a, b in ties]) + 0.001 * rng.standard_normal(len(ties))
    rise[len(ties) // 2 if at is None else at] += wrong
    levels = pd.DataFrame({"from_mark": [f"G{a}" for a, _ in ties], "to_mark": [f"G{b}" for _, b in ties],
                           "rise": rise, "length": 200.0, "sd": 0.001})  # fmt: skip
    marks = pd.DataFrame([{"mark": "G0", "height": height[0], "sd": 0.001}])
    return Job.from_frames(f"net of {rows}", marks=marks, levels=levels)
