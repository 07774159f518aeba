"""Readings of one stand to different points: those to one of them may be wrong together."""

from __future__ import annotations

import numpy as np
import pandas as pd

from heightnet.kinds.height import points
from heightnet.network import build_network
from tests.networks import Field


def taped(*to: tuple[str, str, str], stand: str = "S0") -> pd.DataFrame:
    """Readings of a stand: point, kind and part of each; 1.5 m upright whatever they are held to."""
    return pd.DataFrame(
        {
            "stand_kind": "setup", "stand": stand, "text": "1.500", "reading": 1.5, "scale": "m", "offset": 0.0,
            "radius": [0.1 if kind == "slant" else 0.0 for _, kind, _ in to], "kind": [kind for _, kind, _ in to],
            "point": [point for point, _, _ in to], "part": [part for _, _, part in to],
        }
    )  # fmt: skip


def found(*frames: pd.DataFrame) -> list[tuple[str, list[int]]]:
    party = Field({"A": 100.0, "B": 101.0}, noise=0.0)
    for i, mark in enumerate("AB"):
        party.setup(f"S{i}", mark, 1.5, taped=False)
    net = build_network(party.job(tape=pd.concat(frames, ignore_index=True)))
    groups = list(points(net))
    for kind, _, rows, pattern, size in groups:
        assert kind == "point" and np.isnan(size) and set(pattern) == {1.0}
        assert len(set(net.head[rows])) == 1
    return [(name, (rows - net.rows("height").start).tolist()) for _, name, rows, _, _ in groups]


SIDE, AXIS = ("side mark", "slant", ""), ("", "vertical", "")


def test_two_readings_to_a_point_are_wrong_together_beside_another_point():
    assert found(taped(SIDE, AXIS, SIDE)) == [("side mark, set-up S0", [0, 2])]
    assert found(taped(SIDE, AXIS, SIDE, AXIS)) == [("side mark, set-up S0", [0, 2]), ("axis, set-up S0", [1, 3])]


def test_one_reading_and_all_readings_are_other_hypotheses():
    assert found(taped(SIDE, AXIS)) == []
    assert found(taped(SIDE, SIDE)) == []


def test_stands_are_told_apart():
    assert found(taped(SIDE, AXIS, AXIS), taped(SIDE, SIDE, AXIS, stand="S1")) == [
        ("axis, set-up S0", [1, 2]), ("side mark, set-up S1", [3, 4]),
    ]  # fmt: skip


def test_a_job_without_readings_has_none():
    party = Field({"A": 100.0, "B": 101.0})
    party.levels = [{"from_mark": "A", "to_mark": "B", "rise": 1.0}]
    assert list(points(build_network(party.job()))) == []
