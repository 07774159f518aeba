"""What was read, as facts: small jobs whose ties, reductions and loops are worked out by hand."""

from __future__ import annotations

import json
import math

import pandas as pd
import pytest

from heightnet.job.model import Job
from heightnet.ledger.settings import Settings
from heightnet.tasks.show import show

LEVEL = math.pi / 2


def trig(known, shots, **more):
    """Set-up S over A, one shot to a target over each of the named marks; known: mark to sd in metres."""
    marks = [{"mark": m, "height": 100.0, "sd": sd} for m, sd in known.items()]
    frames = {
        "marks": pd.DataFrame(marks, columns=["mark", "height", "sd"]),
        "setups": pd.DataFrame([{"setup": "S", "mark": "A", "height": 1.5}]),
        "targets": pd.DataFrame([{"target": f"T{m}", "mark": m, "height": 1.6} for m in shots]),
        "shots": pd.DataFrame(
            [{"setup": "S", "target": f"T{m}", "slope_distance": 50.0, "zenith_angle": LEVEL} for m in shots]
        ),
    }
    return Job.from_frames("made up", Settings(), **(frames | more))


def checks(job):
    facts = show(job)
    return {s[kind]: s["check"] for kind in ("setup", "target") for s in facts[f"{kind}s"]}


@pytest.mark.parametrize(
    ("known", "shots", "expected"),
    [
        # one line out to a new mark: whatever is wrong goes into that mark
        ({"A": 0.0}, "B", {"S": "unproved", "TB": "unproved"}),
        # between two fixed marks all ties form one chain: an error shows, but not whose it is
        ({"A": 0.0, "B": 0.0}, "B", {"S": "shared", "TB": "shared"}),
        # a second fixed mark: only the set-up's height is common to both lines; each target shares with its shot
        ({"A": 0.0, "B": 0.0, "C": 0.0}, "BC", {"S": "own", "TB": "shared", "TC": "shared"}),
        # A is known only to 1 mm and nothing else uses it: its height may be what is wrong
        ({"A": 0.001, "B": 0.0, "C": 0.0}, "BC", {"S": "shared", "TB": "shared", "TC": "shared"}),
        # a free end beside a checked line stays untested
        ({"A": 0.0, "B": 0.0}, "BD", {"S": "shared", "TB": "shared", "TD": "unproved"}),
    ],
)
def test_what_tests_each_height(known, shots, expected):
    assert checks(trig(known, shots)) == expected


def test_two_readings_of_one_height_do_not_test_each_other_against_the_mark():
    """They may both be of the wrong stand or mark; in the network they are one tie."""
    reading = {"stand_kind": "setup", "stand": "S", "reading": 1.5, "text": "1.5", "scale": "m", "kind": "vertical"}
    tape = pd.DataFrame([reading, reading | {"reading": 1.501, "text": "1.501"}])
    job = trig({"A": 0.0}, "B", tape=tape)
    assert checks(job)["S"] == "unproved"
    read = [h for h in show(job)["heights"] if h["stand"] == "S" and h["kind"] != "booked"]
    assert [h["height_m"] for h in read] == [1.5, 1.501]


def test_pieces_and_what_hangs_on_nothing():
    facts = show(trig({"B": 0.0, "X": 0.0}, "B"))
    (piece,) = facts["pieces"]
    assert (sorted(piece["marks"]), piece["setups"], piece["tied"]) == (["A", "B", "X"], ["S"], True)
    facts = show(trig({}, "B"))
    (piece,) = facts["pieces"]
    assert not piece["tied"] and piece["datum_mark"] in piece["marks"] == ["A", "B"]


def test_a_stand_without_a_height_leaves_its_mark_undetermined():
    setups = pd.DataFrame([{"setup": "S", "mark": "A", "height": math.nan}])
    facts = show(trig({"B": 0.0}, "B", setups=setups))
    (setup,) = facts["setups"]
    assert setup["height_m"] is None and setup["check"] == "none"
    assert {"kind": "mark", "name": "A"} in facts["undetermined"]
    json.dumps(facts, allow_nan=False)


def ring(last):
    """Levels A to B to C and back to A, 100 m sights; by hand: rises +1, +1 and -(2 + ...)."""
    rows = [("L1", "A", 2.0, "BS"), ("L1", "B", 1.0, "FS"), ("L2", "B", 2.0, "BS"), ("L2", "C", 1.0, "FS"),
            ("L3", "C", 0.5, "BS"), ("L3", "A", last, "FS")]  # fmt: skip
    staff = pd.DataFrame(rows, columns=["level_setup", "mark", "reading", "sight"])
    staff["name"], staff["run"], staff["distance"] = staff["mark"], "", 100.0
    marks = pd.DataFrame([{"mark": "A", "height": 10.0, "sd": 0.0}])
    return Job.from_frames("made up", Settings(), marks=marks, staff=staff)


@pytest.mark.parametrize(("last", "misses_mm", "wide"), [(2.503, 3.0, 0), (2.52, 20.0, 1)])
def test_a_level_ring(last, misses_mm, wide):
    """Backsights sum to 4.5 m; by hand: six readings of 0.5 mm expect sqrt(6) 0.5 mm, three times that is allowed."""
    facts = show(ring(last))
    loops = facts["loops"]
    assert (loops["count"], loops["wide"]) == (1, wide)
    (loop,) = loops["worst"]
    assert abs(loop["misclosure_mm"]) == pytest.approx(misses_mm, abs=1e-6)
    assert loop["length_km"] == pytest.approx(0.6)
    assert loop["allowed_mm"] == pytest.approx(3 * math.sqrt(6) * 0.5)
    assert set(loop["marks"]) == {"A", "B", "C"}
    assert [[r["mark"] for r in s["readings"]] for s in facts["level_setups"]] == [["A", "B"], ["B", "C"], ["C", "A"]]
    json.dumps(facts, allow_nan=False)


def test_settings_say_which_are_the_usual_ones():
    job = trig({"A": 0.0}, "B")
    facts = show(Job.from_frames("x", job.settings.with_values(**{"precision.tape_mm": 2.0}), setups=job.setups,
                                 targets=job.targets, shots=job.shots))  # fmt: skip
    assert [s["setting"] for s in facts["settings"] if not s["default"]] == ["precision.tape_mm"]
