"""Networks for the speed benchmarks: numbers only, invented, laid out as jobs are.

Marks on a plan, set-ups over two thirds of them, six sights from each set-up to near marks, two sights to each
putting-up of a target, a tape height for every set-up and target, a known height every 200 marks, and four nuisance
columns that touch every sight.  So there are about a quarter as many marks as sights, a sixth as many set-ups, half as
many targets; 0.92 unknowns and 1.7 observations a sight.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

KINDS = ("chain", "town", "lattice")
NUISANCES = 4


def neighbours(kind: str, marks: int) -> tuple[np.ndarray, np.ndarray]:
    """Marks seen from each mark (marks, 6), -1 where there is none, and row and column of each mark on the plan.

    chain: ten parallel traverses with ties at every tenth mark; town: streets nine marks apart, nothing between them;
    lattice: open country, everything sees the six marks around it.
    """
    width = {"chain": 10, "lattice": int(np.ceil(np.sqrt(marks))), "town": 9 * max(1, round(np.sqrt(marks / 17))) + 1}[
        kind
    ]
    place = np.arange(width**2 if kind == "town" else marks)
    row, column = place // width, place % width
    number = place.copy()
    if kind == "town":
        street = (row % 9 == 0) | (column % 9 == 0)
        number = np.where(street, np.cumsum(street) - 1, -1)
        row, column = row[street], column[street]
    steps = {
        "chain": [(1, 0), (-1, 0), (2, 0), (-2, 0), (0, 1), (0, -1)],
        "town": [(0, 1), (1, 0), (0, -1), (-1, 0), (0, 2), (2, 0)],
        "lattice": [(0, 1), (1, 0), (0, -1), (-1, 0), (1, 1), (-1, -1)],
    }[kind]
    seen = np.full((len(row), 6), -1)
    for k, (down, right) in enumerate(steps):
        to = (row + down) * width + column + right
        there = (row + down >= 0) & (column + right >= 0) & (column + right < width) & (to < len(number))
        if kind == "chain" and right:
            there &= row % 10 == 0
        seen[there, k] = number[to[there]]
    return seen, np.column_stack([row, column])


@dataclass(frozen=True)
class Layout:
    """Who sees what: set-up and target of each sight, the mark under each set-up and target, the known marks."""

    marks: int
    setup: np.ndarray
    target: np.ndarray
    setup_mark: np.ndarray
    target_mark: np.ndarray
    known: np.ndarray
    place: np.ndarray


def layout(kind: str, shots: int) -> Layout:
    """About ``shots`` sights, two to each putting-up of a target."""
    seen, place = neighbours(kind, shots // 4)
    setup_mark = np.flatnonzero(place.sum(axis=1) % 3 != 2)
    aim = seen[setup_mark]
    for k in range(6):  # fewer than six marks around: sight one of them again
        for other in range(6):
            again = (aim[:, k] < 0) & (aim[:, other] >= 0)
            aim[again, k] = aim[again, other]
    setup, to = np.repeat(np.arange(len(setup_mark)), 6), aim.ravel()
    setup, to = setup[to >= 0], to[to >= 0]
    order = np.lexsort((setup, to))
    setup, to = setup[order], to[order]
    first = np.flatnonzero(np.r_[True, to[1:] != to[:-1]])
    rank = np.arange(len(to)) - np.repeat(first, np.diff(np.r_[first, len(to)]))
    target = np.cumsum(rank % 2 == 0) - 1  # two sights to each putting-up
    return Layout(len(seen), setup, target, setup_mark, to[rank % 2 == 0], np.arange(0, len(seen), 200), place)


def network(kind: str, shots: int, seed: int = 0) -> tuple[sp.csr_array, np.ndarray, np.ndarray]:
    """A (m, n), y (m,), sd (m,) with about ``shots`` sights."""
    rng = np.random.default_rng(seed)
    plan = layout(kind, shots)
    marks, setup, target, known = plan.marks, plan.setup, plan.target, plan.known
    setup_mark, target_mark = plan.setup_mark, plan.target_mark
    sights, setups, targets = len(setup), len(setup_mark), len(target_mark)
    heights = marks + setups + targets
    at_setup, at_target = marks + np.arange(setups), marks + setups + np.arange(targets)
    start = np.cumsum([0, sights, setups, targets, len(known), NUISANCES])
    blocks = [  # first row, columns and coefficients
        (start[0], at_setup[setup], -1.0),
        (start[0], at_target[target], 1.0),
        (start[1], setup_mark, -1.0),
        (start[1], at_setup, 1.0),
        (start[2], target_mark, -1.0),
        (start[2], at_target, 1.0),
        (start[3], known, 1.0),
        (start[4], heights + np.arange(NUISANCES), 1.0),
    ]
    blocks += [(start[0], np.full(sights, heights + k), rng.uniform(-5e-3, 5e-3, sights)) for k in range(NUISANCES)]
    row = np.concatenate([begin + np.arange(len(column)) for begin, column, _ in blocks])
    column = np.concatenate([column for _, column, _ in blocks])
    value = np.concatenate([np.broadcast_to(value, column.shape) for _, column, value in blocks])
    A = sp.coo_array((value, (row, column)), shape=(start[-1], heights + NUISANCES)).tocsr()
    sd = np.full(start[-1], 1e-3)
    sd[:sights] *= np.sqrt(1.0 + rng.uniform(0.5, 3.0, sights) ** 2)
    sd[start[4] :] = 0.05
    return A, rng.normal(size=len(sd)) * sd, sd
