"""What several jobs can share and have wrong in all of them: equipment, instruments, tapes, observers, by name."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import sparse

from heightnet.judge.groups import by_name, thing_of
from heightnet.ledger.thing import Thing
from heightnet.network.model import Kind, Network

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

OFFSETS = ("equipment", "instrument", "tape", "observer")
SCALES = ("equipment_scale", "tape_scale")
KINDS = (*OFFSETS, *SCALES, "index")
"""Kinds of things' errors.

equipment, instrument, tape, observer : an offset, m, of every height of targets with this equipment; of set-ups with
    this instrument; read with this tape; of set-ups that this person read.  Above 0: recorded too high.
equipment_scale, tape_scale : a share of the height, read off a pole where no tape is named; of the length on the tape.
    It counts from `PIVOT_M`, so that the offset is the error at such a height, where heights are read.
index : the vertical index error of an instrument, rad, seen in single faces.
"""

PIVOT_M = 1.5
VARIES = 0.02  # a thing whose heights vary by less than this share of their mean shows no scale beside its offset


@dataclass(frozen=True)
class Things:
    """The columns of one job; ``names`` are ids.

    C : (m, t) sparse, in the units of `KINDS`.
    heights : (t,) how many readings, or sights, each touches.
    typical : (t,) root mean square of a column's entries: what a unit of it does to one of them, m.
    """

    names: tuple[str, ...]
    C: sparse.csc_matrix
    heights: Ints
    typical: Floats

    def __len__(self) -> int:
        return len(self.names)


def things_of(net: Network) -> Things:
    """The things that a job names.  What is not named is this job's own: no other job can share it."""
    names: list[str] = []
    rows: list[Ints] = []
    values: list[Floats] = []
    for kind, name, at, value in _columns(net):
        names.append(str(Thing(kind, name)))
        rows.append(at)
        values.append(value)
    count = np.array([len(at) for at in rows], dtype=np.int64)
    column = np.repeat(np.arange(len(names)), count)
    data = np.concatenate(values) if names else np.zeros(0)
    row = np.concatenate(rows) if names else np.zeros(0, dtype=np.int64)
    C = sparse.csc_matrix((data, (row, column)), shape=(len(net.y), len(names)))
    square = np.bincount(column, weights=data**2, minlength=len(names))
    return Things(tuple(names), C, count, np.sqrt(square / np.maximum(count, 1)))


def _columns(net: Network) -> Iterator[tuple[str, str, Ints, Floats]]:
    """kind, name, observations and entries of every column."""
    readings, first = net.readings, net.rows(Kind.HEIGHT).start
    if len(readings):
        of = readings["stand_kind"].to_numpy(object)
        height, value = readings["height"].to_numpy(float), readings["value"].to_numpy(float)
        thing, tape, observer = thing_of(net), readings["tape"].to_numpy(object), readings["by"].to_numpy(object)
        wanted = (
            ("equipment", thing, (of == "target") & (thing != ""), np.where(tape == "", height, 0.0)),
            ("instrument", thing, (of == "setup") & (thing != ""), None),
            ("tape", tape, tape != "", value),
            ("observer", observer, (of == "setup") & (observer != ""), None),
        )
        for kind, names, where, length in wanted:
            for name, at in by_name(names, where):
                yield kind, name, first + at, np.ones(len(at))
                if length is None:
                    continue
                read = at[length[at] != 0]
                if len(read) and np.ptp(length[read]) > VARIES * abs(length[read].mean()):
                    yield f"{kind}_scale", name, first + read, length[read] - PIVOT_M
    shots = net.rows(Kind.SHOT)
    instrument = net.job.setups["instrument"].to_numpy(object)[net.shot_setup]
    arm = net.sights.index_arm
    for name, at in by_name(instrument, (arm != 0) & (instrument != "")):
        yield "index", name, shots.start + at, arm[at]
