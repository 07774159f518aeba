"""``heightnet prove``: check shots with planted errors."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from heightnet.commands.group import cli
from heightnet.errors import HeightnetError
from heightnet.job.read import read_job
from heightnet.report.document import plain
from heightnet.report.prove_words import prove_document
from heightnet.tasks.prove import exit_status, known_heights, prove
from tests.networks import Field

DATA = Path(__file__).resolve().parents[2] / "data"
HEIGHTS = {"S": 100.0, "K1": 101.2, "K2": 99.4, "K3": 100.7, "N": 100.1}


def party(marks=("K1", "K2", "K3"), tape=0.0, wrong=None, taped=True, over="S", known_under=True, noise=0.0):
    field = Field(HEIGHTS, noise=noise)
    wrong = wrong or {}
    for mark in (*(("S",) if known_under else ()), *marks):
        field.known(mark, sd=0.0005, wrong=wrong.get(mark, 0.0))
    field.setup("A", over, 1.55, wrong=tape, taped=taped, sd=0.001)
    for mark in marks:
        field.target(f"pole {mark}", mark, 2.0, sd=0.0003)
        field.shot("A", f"pole {mark}", 60.0, sd=0.0005)
    return field


def test_right_tape_is_accepted():
    facts = prove(party().job(), "A", 0.005)
    assert (facts["verdict"], exit_status(facts)) == ("accept", 0)
    assert facts["together"]["height_m"] == pytest.approx(1.55, abs=1e-6)
    assert [s["height_m"] for s in facts["by_shot"]] == pytest.approx([1.55] * 3, abs=1e-6)
    # by hand: mark, pole and sight of each shot, and the mark under the instrument
    one = np.sqrt(0.5**2 + 0.3**2 + 0.5**2)
    assert facts["by_shot"][0]["axis_sd_mm"] == pytest.approx(one, abs=1e-3)
    assert facts["together"]["axis_sd_mm"] == pytest.approx(one / np.sqrt(3), abs=2e-3)
    pooled = np.sqrt(one**2 / 3 + 0.5**2)
    assert facts["tape"]["error_sd_mm"] == pytest.approx(np.sqrt(pooled**2 + 1.0), abs=2e-3)
    assert facts["tape"]["smallest_detectable_mm"] == pytest.approx(4.1322 * np.sqrt(pooled**2 + 1.0), abs=0.01)


def test_wrong_tape_is_rejected_and_sized():
    facts = prove(party(tape=0.020).job(), "A", 0.005)
    assert (facts["verdict"], exit_status(facts)) == ("reject", 1)
    assert facts["tape"]["error_mm"] == pytest.approx(20.0, abs=0.01)
    assert facts["tape"]["risk_accepting"] > 0.999 and facts["agreement"]["agree"]
    # tape and the mark under the instrument make the same misclosures: this must be said
    assert "known:S" in facts["tape"]["same_as"]
    assert "the known height of S" in plain(prove_document(facts))


def test_wrong_mark_among_three_is_told_from_a_wrong_tape():
    facts = prove(party(wrong={"K2": 0.020}).job(), "A", 0.005)
    assert facts["verdict"] == "mark_wrong" and not facts["agreement"]["agree"]
    # the mark, the pole on it and the shot to it are one class; together they are certain
    assert facts["odd_mark"]["mark"] == "K2" and facts["odd_mark"]["probability"] > 0.95
    assert set(facts["odd_mark"]["ids"]) >= {"known:K2", "target:pole K2"}
    assert abs(facts["odd_mark"]["error_mm"]) == pytest.approx(20.0, abs=0.5)
    assert abs(facts["tape"]["error_mm"]) < 0.5  # with the wrong mark let go, the tape is right


def test_one_mark_cannot_decide():
    facts = prove(party(marks=("K1",), tape=0.020).job(), "A", 0.005)
    assert (facts["verdict"], facts["agreement"], facts["can_tell_mark_from_tape"]) == ("undecidable", None, False)
    assert "Shoot another" in prove_document(facts).headline


def test_one_mark_that_agrees_is_accepted():
    assert prove(party(marks=("K1",)).job(), "A", 0.005)["verdict"] == "accept"


def test_without_any_tape():
    facts = prove(party(taped=False).job(), "A")
    assert (facts["verdict"], facts["taped_m"], facts["tape"], exit_status(facts)) == ("determined", None, None, 0)
    assert facts["together"]["height_m"] == pytest.approx(1.55, abs=1e-6)
    bad = prove(party(taped=False, wrong={"K1": 0.05}).job(), "A")
    assert bad["verdict"] == "mark_wrong" and bad["odd_mark"]["mark"] == "K1" and exit_status(bad) == 1
    two = prove(party(marks=("K1", "K2"), taped=False, wrong={"K1": 0.05}).job(), "A")
    assert two["verdict"] == "marks_disagree" and exit_status(two) == 1


def test_free_setup_between_two_marks():
    field = Field(HEIGHTS, noise=0.0)
    for mark in ("K1", "K2"):
        field.known(mark, sd=0.0005)
    field.true["F"] = 101.555
    field.setups.append({"setup": "F", "mark": "", "height": np.nan})
    for mark in ("K1", "K2"):
        field.target(f"pole {mark}", mark, 2.0, sd=0.0003)
        field.shot("F", f"pole {mark}", 60.0, sd=0.0005)
    facts = prove(field.job(), "F")
    assert facts["verdict"] == "determined" and facts["together"]["height_m"] is None
    assert facts["together"]["axis_m"] == pytest.approx(101.555, abs=1e-6)


def test_over_a_mark_without_height_the_tape_is_untested():
    facts = prove(party(over="N").job(), "A")
    assert (facts["verdict"], exit_status(facts)) == ("untested", 1)
    levelled = party(over="N")
    levelled.level("S", "N", sd=0.0005)
    facts = prove(levelled.job(), "A")
    assert facts["verdict"] == "accept" and facts["over_known"]
    assert known_heights(levelled.job())["N"][0] == pytest.approx(100.1, abs=1e-9)


def test_level_sight_to_a_staff():
    """Collimation height: at zenith 90 degrees the staff reading is the target height.  By hand, without curvature:
    mark 101.200 + reading 0.350 - 100.000 = 1.550."""
    field = Field(HEIGHTS, noise=0.0)
    field.known("S"), field.known("K1")
    field.setup("A", "S", 1.55)
    field.target("staff", "K1", 0.35, sd=0.0005)
    field.shots.append(
        {"setup": "A", "target": "staff", "slope_distance": 20.0, "zenith_angle": np.pi / 2, "sd_zenith": 1e-5}
    )
    facts = prove(field.job(), "A")
    assert facts["by_shot"][0]["height_m"] == pytest.approx(1.55, abs=5e-5)


def test_examination_item_printed_with_two_instrument_heights():
    """A 2013 national examination item, as printed: A 880.88 m, depression 6 degrees 10 minutes at 2200 m to the
    2.5 m mark, answer 642.205 with HI 1.2 while its statement prints 1.1: taped 1.1, the mark says 1.2."""
    horizontal = 2200.0
    zenith = np.pi / 2 + np.radians(6 + 10 / 60)
    field = Field({"A": 880.88, "B": 642.205}, noise=0.0)
    field.known("A"), field.known("B")
    field.setup("1", "A", 1.1)
    field.target("staff", "B", 2.5)
    slope = horizontal / np.sin(zenith)
    field.shots.append({"setup": "1", "target": "staff", "slope_distance": slope, "zenith_angle": zenith})
    field.settings = field.settings.with_values(**{"air.refraction": 1 / 7, "air.refraction_sd": 0.0})
    facts = prove(field.job(), "1")
    assert facts["by_shot"][0]["height_m"] == pytest.approx(1.2, abs=0.002)


def test_no_check_shots_and_no_such_setup():
    facts = prove(read_job(DATA / "tunnel-forced-centring"), "U3")
    assert (facts["verdict"], exit_status(facts)) == ("no_check_shots", 1)
    with pytest.raises(HeightnetError, match="B1, B2"):
        prove(read_job(DATA / "bridge-check-shots"), "B9")


def test_demo_by_command(tmp_path):
    call = ["prove", str(DATA / "bridge-check-shots"), "--setup", "B1", "--to", str(tmp_path)]
    done = CliRunner().invoke(cli, call)
    assert done.exit_code == 0 and "Accept the taped height" in done.output
    facts = json.loads((tmp_path / "prove.json").read_text())
    assert facts["marks"] == ["AB2", "AB3", "AB4"] and max(abs(s["height_m"] - 1.5857) for s in facts["by_shot"]) < 5e-4
    assert "<script" not in (tmp_path / "prove.html").read_text()
    missing = CliRunner().invoke(cli, ["prove", str(DATA / "bridge-check-shots"), "--setup", "B9"])
    assert missing.exit_code != 0
