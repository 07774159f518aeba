"""Readings of one stand to different points: those to one of them may be wrong together."""

from __future__ import annotations

import pandas as pd
import pytest

import heightnet
from heightnet.judge.family import build_family
from heightnet.network import build_network
from heightnet.report.check_words import check_document
from heightnet.report.claims import plain
from heightnet.report.document import sentences
from tests.networks import reciprocal

SIDE, AXIS = ("side mark", "vertical"), ("", "vertical")


def taped(party, stand, *readings):
    """The job of a party with these readings of a stand instead of its one height: point, kind and error, m."""
    height = next(s["height"] for s in party.setups if s["setup"] == stand)
    for s in party.setups:
        s["height"] = float("nan") if s["setup"] == stand else s["height"]
    values = [height + wrong for _, _, wrong in readings]
    table = pd.DataFrame(
        {
            "stand_kind": "setup", "stand": stand, "text": [f"{v:.4f}" for v in values], "reading": values,
            "scale": "m", "offset": 0.0, "radius": 0.0, "kind": [kind for _, kind, _ in readings],
            "part": [chr(97 + i) if kind == "part" else "" for i, (_, kind, _) in enumerate(readings)],
            "point": [point for point, _, _ in readings],
        }
    )  # fmt: skip
    return party.job(tape=table)


def of_points(job):
    family = build_family(build_network(job))
    return {family.ids[h]: len(family.members(h)) for h in range(len(family)) if "readings_to_point" in family.ids[h]}


def test_readings_to_one_point_are_wrong_together_beside_another_point():
    ways = of_points(taped(reciprocal(), "S2", (*SIDE, 0.0), (*SIDE, 0.0), (*AXIS, 0.0)))
    assert ways == {"local:readings_to_point/setup/S2/side mark": 2}
    ways = of_points(taped(reciprocal(), "S2", (*SIDE, 0.0), (*SIDE, 0.0), ("", "part", 0.0), ("", "part", 0.0)))
    assert set(ways) == {f"local:readings_to_point/setup/S2/{of}" for of in ("side mark", "the axis in parts")}


@pytest.mark.parametrize("readings", [[SIDE, SIDE], [SIDE, AXIS]])
def test_one_point_alone_and_one_reading_to_each_are_no_ways_of_their_own(readings):
    assert not of_points(taped(reciprocal(), "S2", *((*one, 0.0) for one in readings)))


def test_a_tape_held_to_the_wrong_point_twice_is_told_from_the_one_sound_reading():
    job = taped(reciprocal(levelled=[("M1", "M2"), ("M2", "M3")]), "S2", (*SIDE, 0.04), (*SIDE, 0.04), (*AXIS, 0.0))
    facts = heightnet.check(job).facts
    (finding,) = facts["findings"]
    assert finding["named"] and finding["id"] == "local:readings_to_point/setup/S2/side mark"
    assert finding["error_mm"] == pytest.approx(40, abs=4)
    setup = next(s for s in facts["setups"] if s["setup"] == "S2")
    verdicts = [r["verdict"] for r in setup["readings"]]
    assert verdicts == ["suspect", "suspect", "proved"]
    assert setup["corrected_m"] == pytest.approx(setup["readings"][2]["height_m"], abs=0.004)
    said = " ".join(plain(line) for block in check_document(facts).blocks for line in sentences([block]))
    assert "Every reading to side mark at set-up S2 (over M2) is wrong: each recorded 4" in said
