"""Checks of the values themselves."""

from __future__ import annotations

import numpy as np
import pandas as pd

from heightnet.job.model import Job
from heightnet.judge.screening import RULES, screen
from heightnet.reduce.tape import reduce_tape

KEYS = {"rule", "id", "value_m", "other_id", "other_value_m"}


def found(job: Job) -> list[dict]:
    return screen(job, reduce_tape(job))


def setups(heights: list[float], **columns: object) -> pd.DataFrame:
    n = len(heights)
    names = {"setup": [f"S{i + 1}" for i in range(n)], "mark": [f"M{i + 1}" for i in range(n)], "instrument": "T1"}
    return pd.DataFrame({**names, "height": heights, **columns})


def test_zero_negative_and_unusual_heights() -> None:
    findings = found(Job.from_frames(setups=setups([0.0, -1.55, 0.19, 2.51, 0.2, 2.5, 1.5])))
    assert [(f["rule"], f["id"]) for f in findings] == [
        ("zero", "setup:S1"),
        ("negative", "setup:S2"),
        ("outside", "setup:S3"),
        ("outside", "setup:S4"),
    ]
    assert all(set(f) == KEYS for f in findings) and {f["rule"] for f in findings} <= set(RULES)


def test_the_height_of_the_set_up_before() -> None:
    (finding,) = found(Job.from_frames(setups=setups([1.586, 1.586, 1.587])))
    assert (finding["rule"], finding["id"], finding["other_id"]) == ("same_as_before", "setup:S2", "setup:S1")
    assert finding["other_value_m"] == 1.586


def test_another_instrument_or_an_unmoved_stand_is_no_height_carried_over() -> None:
    assert found(Job.from_frames(setups=setups([1.586, 1.586], instrument=["T1", "T2"]))) == []
    assert found(Job.from_frames(setups=setups([1.586, 1.586], mark=["A", "A"]))) == []
    assert found(Job.from_frames(setups=setups([1.586, 1.586], tripod=["K1", "K1"]))) == []
    # the same instrument comes back after another one was used, and after a free set-up without a height
    between = setups([1.586, 1.5, 1.586, np.nan, 1.586], instrument=["T1", "T2", "T1", "T1", "T1"])
    assert [f["id"] for f in found(Job.from_frames(setups=between))] == ["setup:S3", "setup:S5"]


def test_instrument_and_target_height_of_a_sight_are_the_same() -> None:
    targets = pd.DataFrame({"target": ["P1", "P2"], "mark": ["X", "Y"], "height": [1.586, 1.500]})
    shots = pd.DataFrame({"setup": "S1", "target": ["P1", "P1", "P2"], "slope_distance": 50.0, "zenith_angle": 1.57})
    (finding,) = found(Job.from_frames(setups=setups([1.586]), targets=targets, shots=shots))
    assert (finding["rule"], finding["id"], finding["other_id"]) == ("same_as_target", "setup:S1", "target:P1")


def test_targets_are_screened_against_their_own_equipment() -> None:
    targets = pd.DataFrame(
        {
            "target": [f"P{i}" for i in range(8)], "mark": [f"M{i}" for i in range(8)],
            "height": [0.0, 0.0, 0.0, 1.5, 1.5, 0.0, 3.6, 3.6], "equipment": ["peg"] * 3 + ["pole"] * 3 + ["long"] * 2,
        }
    )  # fmt: skip
    assert [(f["rule"], f["id"]) for f in found(Job.from_frames(targets=targets))] == [("zero", "target:P5")]


def test_booked_height_against_its_readings_and_readings_against_each_other() -> None:
    tape = pd.DataFrame(
        {
            "stand_kind": "setup", "stand": ["S1", "S1", "S2", "S3"], "text": ["1.674", "1.684", "1.674", "1.674"],
            "reading": [1.674, 1.684, 1.674, 1.674], "scale": "m", "kind": "slant", "radius": 0.1, "offset": 0.0,
            "sd": 0.0005,
        }
    )  # fmt: skip
    findings = found(Job.from_frames(setups=setups([1.676, 1.674, 1.671]), tape=tape))
    assert [(f["rule"], f["id"]) for f in findings if f["rule"] != "same_as_before"] == [
        ("booked_differs", "setup:S2"),  # the slant was booked as it was read
        ("readings_disagree", "reading:tape.csv:2"),
    ]


def test_an_empty_job_has_nothing_to_screen() -> None:
    assert found(Job.from_frames()) == []


def test_antennas_on_poles_of_one_length_are_what_they_are():
    names = [f"G{i}" for i in range(6)]
    gnss = pd.DataFrame({"to_setup": names, "height": 146.0})

    def repeated(heights):
        marks = [f"M{i}" for i in range(6)]
        stands = pd.DataFrame({"setup": names, "mark": marks, "height": heights, "instrument": "x"})
        return [f["id"] for f in found(Job.from_frames(setups=stands, gnss=gnss)) if f["rule"] == "same_as_before"]

    assert repeated([2.0] * 6) == []
    assert repeated([1.512, 1.512, 1.498, 1.604, 1.577, 1.533]) == ["setup:G1"]


def taped(kinds: str, **columns: object) -> Job:
    """Set-ups of one instrument, each with one reading to its side mark: v vertical, s slant, p a part."""
    n = len(kinds)
    names = {"v": "vertical", "s": "slant", "p": "part"}
    tape = {
        "stand_kind": "setup", "stand": [f"S{i + 1}" for i in range(n)], "text": "1.5", "scale": "m", "point": "side",
        "kind": [names[k] for k in kinds], "reading": [1.5 + 0.01 * i for i in range(n)], "radius": 0.12, "offset": 0.0,
    }  # fmt: skip
    return Job.from_frames(setups=setups([np.nan] * n), tape=pd.DataFrame({**tape, **columns}))


def test_one_part_of_a_height_measured_in_parts() -> None:
    parts = taped("ppp", stand=["S1", "S1", "S2"], part=["a", "a", "b"])
    lone = [f for f in found(parts) if f["rule"] == "lone_part"]
    assert [(f["id"], f["value_m"]) for f in lone] == [("reading:tape.csv:4", 1.52)]


def test_one_vertical_among_slants_of_a_point_or_the_other_way_round() -> None:
    def odd(job: Job) -> list[tuple[str, str]]:
        return [(f["id"], f["other_id"]) for f in found(job) if f["rule"] == "other_kind"]

    assert odd(taped("ssvs")) == [("reading:tape.csv:4", "reading:tape.csv:2")]
    assert odd(taped("vvs")) == [("reading:tape.csv:4", "reading:tape.csv:2")]
    assert odd(taped("sv")) == odd(taped("ssvv")) == odd(taped("sss")) == odd(taped("pps")) == []
    assert odd(taped("ssv", point=["side", "side", "handle"])) == []
    assert odd(taped("ssv", radius=0.0)) == []  # to the axis a slant is no other than a vertical
    assert odd(taped("ssv", point="")) == []
