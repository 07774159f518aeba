"""What a job says of one thing agrees with what it says of that thing elsewhere."""

import json
from collections import Counter

import numpy as np
import pytest

import heightnet
from heightnet.report.method import screening
from heightnet.report.prove_words import prove_document
from heightnet.report.text import plain
from heightnet.report.words import Words
from heightnet.tasks.prove import prove
from tests.large_books import EVERY, staff_book
from tests.networks import reciprocal

TRUE_M, WRONG_M = 1.53, 0.1


@pytest.fixture(scope="module")
def two_readings():
    """A traverse with two readings at one set-up, the second a decimetre too high."""
    party = reciprocal(5, seed=4)
    next(s for s in party.setups if s["setup"] == "S3")["height"] = np.nan
    for row, wrong in enumerate((0.0, WRONG_M), start=2):
        value = round(TRUE_M + wrong, 3)
        party.tape.append({"stand_kind": "setup", "stand": "S3", "text": f"{value:.3f}", "reading": value, "scale": "m",
                           "kind": "vertical", "sd": 0.001, "row": row})  # fmt: skip
    return party.job()


def test_a_stand_of_which_one_reading_is_wrong_has_one_height(two_readings):
    facts = json.loads(heightnet.check(two_readings).to_json())
    stand = next(s for s in facts["setups"] if s["setup"] == "S3")
    first, second = stand["readings"]
    assert facts["findings"][0]["id"] == second["id"]
    assert stand["recorded_m"] == pytest.approx(TRUE_M + WRONG_M / 2, abs=1e-6)
    for height in (stand["corrected_m"], stand["found_m"], facts["explanations"][0]["setups"][0]["corrected_m"]):
        assert height == pytest.approx(TRUE_M, abs=0.005)  # two sds of a tape and a sight
    assert stand["error_mm"] == pytest.approx((stand["recorded_m"] - stand["found_m"]) * 1000, abs=1e-3)
    assert abs(first["difference_mm"]) < 5 and first["verdict"] != second["verdict"] == "suspect"
    assert [c["sides_with"] for c in facts["reading_checks"]] == ["first"]


def test_two_readings_are_walked_as_one(two_readings):
    facts = json.loads(heightnet.check(two_readings).to_json())
    walks = Counter(tuple(sorted(loop["ids"])) for loop in facts["loops"])
    assert max(walks.values()) == 1
    readings = sum(len(s["readings"]) for table in ("setups", "targets") for s in facts[table])
    stands = sum(len(facts[table]) for table in ("setups", "targets"))
    assert len(facts["loops"]) == facts["fit"]["redundancy"] - (readings - stands)


def test_a_set_up_whose_readings_contradict_each_other_is_not_called_untested(two_readings):
    facts = prove(two_readings, "S3")
    assert facts["verdict"] == "no_check_shots"
    said = plain(prove_document(facts))
    assert "nothing here tests its height" not in said and "100 mm too high" in said.replace("99.9", "100")


def test_a_blunder_that_only_the_number_of_readings_makes_likely_is_not_told():
    """Half of a thousand readings lie in one class that closes: that one of 500 is easily wrong is nothing it shows."""
    job = staff_book(1000)
    ends = {f"M{0}", f"M{1000 // 4 // EVERY}"}
    staff = job.staff.copy()
    inner = ~staff["mark"].isin(ends)  # no mark between is used again
    staff.loc[inner, "mark"] += " " + staff["run"][inner]
    staff.loc[200, "reading"] += 0.1
    marks = job.marks[job.marks["mark"].isin(ends)].reset_index(drop=True)
    facts = json.loads(heightnet.check(heightnet.Job.from_frames("long", marks=marks, staff=staff)).to_json())
    (finding,) = facts["findings"]
    assert facts["judgement"]["state"] == "wrong" and facts["judgement"]["blunders"] == 1
    told = {m["id"] for m in finding["members"]}
    assert "staff:staff.csv:202" in told and finding["count"] >= 500
    asked = {r["id"] for r in facts["staff"] if r["verdict"] == "either"}
    assert asked == {id_ for id_ in told if id_.startswith("staff:")}


def test_heights_that_share_a_named_common_error_are_not_called_sound():
    """Every target height of one prism 30 mm too high: each of them is, and no other."""
    party = reciprocal(6, seed=3)
    for target in party.targets:
        target["height"] += 0.03 * (target["equipment"] == "prism 0")
    facts = json.loads(heightnet.check(party.job()).to_json())
    (finding,) = facts["findings"]
    assert finding["id"] == "group:equipment:prism 0" and finding["error_mm"] == pytest.approx(30, abs=3)
    for target in facts["targets"]:
        wrong = target["equipment"] == "prism 0"
        assert (target["verdict"] == "suspect") == wrong
        assert (abs(target["probability"] - finding["probability"]) < 1e-3) == wrong  # but for where it may have begun
        assert target["recorded_m"] - target["corrected_m"] == pytest.approx(0.0307 * wrong, abs=2e-4)
        assert target["recorded_m"] - target["found_m"] == pytest.approx(0.030 * wrong, abs=0.009)  # about three sds


def test_one_of_two_common_errors_leaves_nothing_proved_that_shares_either():
    """Prism and instrument always together: every instrument height, or every target height, is 30 mm off."""
    party = reciprocal(6, seed=3, levelled=[("K0", "M1"), ("M1", "M2"), ("M2", "M3"), ("M4", "M5"), ("M6", "K1")])
    for target in party.targets:
        target["equipment"] = "prism 0"
        target["height"] += 0.03
    facts = json.loads(heightnet.check(party.job()).to_json())
    (finding,) = facts["findings"]
    assert {m["id"] for m in finding["members"]} == {"group:instrument:one", "group:equipment:prism 0"}
    for table in ("setups", "targets"):
        assert {s["verdict"] for s in facts[table]} == {"either"}
        assert all(s["probability"] == pytest.approx(0.5, abs=0.01) for s in facts[table])


@pytest.mark.slow
def test_the_range_of_a_height_holds_it_once_a_reading_is_let_go():
    """Of stands with two readings, one a decimetre off: about 95 in 100 true heights lie in their ranges."""
    held = 0
    for seed in range(40):
        rng = np.random.default_rng((seed, 5))
        party = reciprocal(3, seed=seed)
        next(s for s in party.setups if s["setup"] == "S2")["height"] = np.nan
        for row, wrong in enumerate((0.0, WRONG_M), start=2):
            value = round(1.52 + wrong + 0.001 * rng.standard_normal(), 4)
            party.tape.append({"stand_kind": "setup", "stand": "S2", "text": f"{value:.4f}", "reading": value,
                               "scale": "m", "kind": "vertical", "sd": 0.001, "row": row})  # fmt: skip
        facts = json.loads(heightnet.check(party.job()).to_json())
        stand = next(s for s in facts["setups"] if s["setup"] == "S2")
        assert stand["low_m"] <= stand["corrected_m"] <= stand["high_m"]
        held += stand["low_m"] <= 1.52 <= stand["high_m"]
    assert held / 40 >= 0.85  # three standard errors below .95


def test_of_a_stand_with_two_equal_wrong_readings_no_sound_one_is_named():
    party = reciprocal(3, seed=2)
    next(s for s in party.setups if s["setup"] == "S2")["height"] = np.nan
    for row, value in enumerate((1.62, 1.6204, 1.52), start=2):
        party.tape.append({"stand_kind": "setup", "stand": "S2", "text": f"{value:.4f}", "reading": value,
                           "scale": "m", "kind": "vertical", "sd": 0.001, "row": row})  # fmt: skip
    facts = json.loads(heightnet.check(party.job()).to_json())
    assert "reading:tape.csv:4" not in {f["id"] for f in facts["findings"]}
    stand = next(s for s in facts["setups"] if s["setup"] == "S2")
    (height, chance), *_ = [(h["height_m"], h["probability"]) for h in stand["heights"]] or [
        (stand["corrected_m"], 1.0)
    ]
    assert height == pytest.approx(1.52, abs=0.004) and chance > 0.9


@pytest.mark.parametrize(("kinds", "own", "others"), [("ssv", "vertical", "slant"), ("vvs", "slant", "vertical")])
def test_a_reading_of_another_kind_is_told_with_the_kind_it_is(kinds, own, others):
    party = reciprocal(5, seed=4)
    for i, kind in enumerate(kinds, start=1):
        setup = next(s for s in party.setups if s["setup"] == f"S{i}")
        height, setup["height"], setup["instrument"] = setup["height"], np.nan, "T1"
        party.tape.append({"stand_kind": "setup", "stand": f"S{i}", "reading": round(height, 3), "scale": "m",
                           "text": f"{height:.3f}", "sd": 0.001, "row": i + 1,
                           "kind": {"s": "slant", "v": "vertical"}[kind], "point": "side", "radius": 0.01,
                           "offset": 0.0})  # fmt: skip
    facts = json.loads(heightnet.check(party.job()).to_json())
    (odd,) = [one for one in facts["screening"] if one["rule"] == "other_kind"]
    said = f"is {own} where the other readings to this point are {others}"
    assert said in screening(Words(facts), odd)
