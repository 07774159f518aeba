"""Each demo says what its README says it must."""

from pathlib import Path

import pytest

import heightnet

DATA = Path(__file__).resolve().parents[1] / "data"


@pytest.fixture(scope="module")
def checked():
    return {p.name: heightnet.check(p) for p in DATA.iterdir() if p.is_dir()}


def test_every_demo_is_marked_as_invented(checked):
    assert len(checked) >= 4
    for name, result in checked.items():
        assert result.facts["job"]["invented"], name
        assert "invented" in (DATA / name / "README.md").read_text(encoding="utf-8")


def test_quarry(checked):
    result = checked["quarry-traverse"]
    assert [s["id"] for s in result.facts["suspects"]] == ["setup:S4"]
    suspect = result.facts["suspects"][0]
    assert suspect["error_mm"] == pytest.approx(-247, abs=6)  # two sds and the rounding of the tape
    assert suspect["probability"] > 0.99
    cause = next(s for s in result.facts["setups"] if s["setup"] == "S4")["causes"][0]
    assert "tripod head" in cause["text"]
    assert cause["expected_mm"] == pytest.approx(-247.2, abs=0.5)  # 243 mm, and the slant that was none
    readings = [c for c in result.facts["reading_checks"] if c["stand"] == "S4"]
    assert readings and all(c["agrees"] for c in readings)
    moved = {m["mark"]: m["moved_mm"] for m in suspect["moved"]}
    assert max(moved, key=lambda m: abs(moved[m])) == "H3"
    assert result.exit_status() == 1


@pytest.mark.parametrize(("job", "stand"), [("quarry-traverse", "setup:S4"), ("harbour-feet", "setup:A3")])
def test_what_a_levelled_line_tests_is_the_height_in_question_and_none_that_is_proved(checked, job, stand):
    facts = checked[job].facts
    (tie,) = [step for step in facts["next_measurements"] if step["kind"] == "level_tie"]
    assert tie["tests"] == stand
    assert tie["found_after_mm"] < tie["found_before_mm"]


def test_quarry_corrected_heights_are_the_true_ones(checked):
    marks = checked["quarry-traverse"].marks.set_index("mark")
    true = {"H1": 215.902, "H2": 219.447, "H3": 224.113, "H4": 227.658, "H5": 226.031, "H6": 229.774}
    for mark, height in true.items():
        off = abs(marks["corrected_height_m"][mark] - height) * 1000
        assert off < 3 * marks["corrected_sd_mm"][mark], mark


def test_mill(checked):
    result = checked["mill-levels"]
    named = {s["id"] for s in result.facts["suspects"]}
    bad = {f"staff:staff.csv:{row}" for row in range(12, 18)}  # the way out between W2 and W3
    assert named == bad
    for suspect in result.facts["suspects"]:
        assert abs(suspect["error_mm"]) == pytest.approx(100, abs=5)
        assert suspect["cause"] == "misread_1dm"
    verdicts = {s["id"]: s["verdict"] for s in result.facts["staff"]}
    assert {verdicts[i] for i in bad} == {"either"}
    assert result.exit_status() == 1


def test_bridge(checked):
    result = checked["bridge-check-shots"]
    assert result.facts["suspects"] == []
    for setup in result.facts["setups"]:
        assert setup["verdict"] == "proved"
        assert setup["smallest_found_mm"] < 5
        assert abs(setup["error_mm"]) < 2  # common practice: a check shot to a good mark agrees within 1-2 mm
    assert result.exit_status() == 0


def test_tunnel(checked):
    result = checked["tunnel-forced-centring"]
    assert result.facts["suspects"] == []
    assert all(loop["closes"] for loop in result.facts["loops"])
    verdict = {s["setup"]: s["verdict"] for s in result.facts["setups"]}
    assert {verdict[f"U{i}"] for i in range(2, 7)} == {"unproved"}
    for mark in ("T1", "T2", "T3", "T4", "T5"):
        row = next(m for m in result.facts["marks"] if m["mark"] == mark)
        assert row["hidden_mm"] is None
        assert row["hidden_by"].startswith("tripod:")
    middle = next(s for s in result.facts["setups"] if s["setup"] == "U4")
    # an unprovable height moves its own mark by as much, and nothing else
    assert [m["mark"] for m in middle["moves"]] == ["T3"]
    assert middle["moves"][0]["per_mm"] == pytest.approx(-1.0, abs=1e-9)
    assert result.facts["next_measurements"]
    assert (result.exit_status(), result.exit_status(strict=True)) == (0, 1)


def test_harbour(checked):
    result = checked["harbour-feet"]
    assert [s["id"] for s in result.facts["suspects"]] == ["setup:A3"]
    assert result.facts["suspects"][0]["error_mm"] == pytest.approx(-25.4, abs=8)
    causes = {c["cause"] for c in next(s for s in result.facts["setups"] if s["setup"] == "A3")["causes"][:2]}
    assert causes == {"decimal_as_inches", "misread_1in"}
    assert " ft " in result.summary()


def test_saltmarsh(checked):
    result = checked["saltmarsh-antennas"]
    (suspect,) = result.facts["suspects"]
    assert suspect["id"] == "setup:A6"
    assert suspect["error_mm"] == pytest.approx(24.6, abs=6)
    a6 = next(s for s in result.facts["setups"] if s["setup"] == "A6")
    causes = {c["cause"]: c["expected_mm"] for c in a6["causes"][:2]}
    assert causes.keys() == {"controller", "other_point"}
    assert causes["controller"] == pytest.approx(24.6, abs=0.1)
    checks = {s: [c for c in result.facts["reading_checks"] if c["stand"] == s] for s in ("A6", "A8")}
    assert len(checks["A6"]) == 3 and all(c["agrees"] for c in checks["A6"])
    settled = [c for c in checks["A8"] if not c["agrees"]]
    assert settled and settled[0]["change_mm"] == pytest.approx(-4, abs=0.1)
    said = " ".join(result.summary().split())
    assert "At set-up A8 the height read after is 4.0 mm lower than the one before: the stand settled" in said
    assert result.facts["separation_model"]["same_as"] == ["group:instrument:disc antenna"]
    assert "nothing here tells one from the other" in said
    assert "repeat occupation is the proof" in said
    true = {"W1": 4.871, "W2": 4.935, "W3": 5.022, "W4": 5.107, "W5": 5.064, "W6": 4.988}
    marks = result.marks.set_index("mark")
    for mark, height in true.items():
        off = abs(marks["corrected_height_m"][mark] - height) * 1000
        assert off < 3 * marks["corrected_sd_mm"][mark], mark
    assert result.exit_status() == 1


def test_moss(checked):
    result = checked["moss-one-day"]
    pole, stand = result.facts["findings"]
    assert pole["named"] and pole["id"].startswith("spell:equipment/pole 2/")
    assert pole["probability"] > 0.99
    assert pole["error_mm"] == pytest.approx(-100, abs=2)
    assert pole["event"]["began"] == {
        "after": {"id": "target:P25", "when": "2026-05-19T11:39"},
        "before": {"id": "target:P26", "when": "2026-05-19T12:55"},
    }
    assert pole["event"]["ended"] is None
    assert pole["slip"]["cause"] == "section"
    assert stand["named"] and stand["id"] == "moved:setup/S4/19/"
    assert stand["probability"] > 0.95
    assert stand["error_mm"] == pytest.approx(20, abs=3)
    assert [use["when"][-5:] for use in stand["event"]["began"].values()] == ["10:34", "10:40"]
    verdict = {t["target"]: t["verdict"] for t in result.facts["targets"]}
    of_pole = [t["target"] for t in result.facts["targets"] if t["equipment"] == "pole 2"]
    afternoon = [name for name in of_pole if int(name[1:]) > 25]
    assert len(of_pole) == 16 and len(afternoon) == 8
    assert {name for name, one in verdict.items() if one == "suspect"} == set(afternoon)
    assert {one for name, one in verdict.items() if name not in afternoon} == {"proved"}
    assert {s["verdict"] for s in result.facts["setups"]} == {"proved"}
    said = " ".join(result.summary().split())
    assert "from a moment between 11:39 (target P25) and 12:55 (target P26) on, is wrong: each recorded" in said
    assert (
        "between 10:34 (sight to N6, row 18) and 10:40 (sight to N5, row 19), moved: it sank 19 mm (17 to 22)" in said
    )
    assert "Its recorded height is right for the sights before that." in said
    true = {"N1": 19.162, "N2": 20.874, "N3": 19.933, "N4": 23.317, "N5": 22.046, "N6": 21.395, "N7": 19.708}
    marks = result.marks.set_index("mark")
    for mark, height in true.items():
        off = abs(marks["corrected_height_m"][mark] - height) * 1000
        assert off < 3 * marks["corrected_sd_mm"][mark], mark
    assert result.exit_status() == 1
