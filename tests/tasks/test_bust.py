"""``heightnet bust``: books with a planted error, and what must be said of them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from heightnet.commands.group import cli
from heightnet.errors import CannotAdjust
from heightnet.job.model import Job, Settings
from heightnet.job.read import read_job
from heightnet.network.tolerance import tolerance
from heightnet.report.bust_words import bust_document
from heightnet.report.document import html, plain
from heightnet.tasks.bust import bust, exit_status
from tests.networks import reciprocal

DATA = Path(__file__).resolve().parents[2] / "data"


def book(readings, known, pegs=(), run="r", noise=0.0, seed=3, **settings):
    """A staff book; readings: (level set-up, mark, sight, reading, distance)."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(readings, columns=["level_setup", "mark", "sight", "reading", "distance"])
    frame["name"], frame["run"] = frame["mark"], run
    frame["reading"] += noise * rng.standard_normal(len(frame))
    marks = [{"mark": m, "height": h, "sd": 0.001} for m, h in known.items()]
    marks += [{"mark": m} for m in pegs]
    chosen = Settings().with_values(**settings)
    return Job.from_frames("made up", chosen, marks=pd.DataFrame(marks), staff=frame)


def open_run(wrong=None, near=30.0, far=30.0, c=0.0, pegs=("P1", "P2", "P3"), setups=8):
    """A - B in level set-ups of +0.5 m each, pegs at every second change point; c: line of sight out of level."""
    names = ["A", *(f"T{i}" for i in range(1, setups)), "B"]
    for i, peg in enumerate(pegs, start=1):
        names[2 * i] = peg
    readings = []
    for i in range(setups):
        readings.append([f"L{i + 1}", names[i], "BS", 1.7 + 0.003 * i + c * near, near])
        readings.append([f"L{i + 1}", names[i + 1], "FS", 1.2 + 0.003 * i + c * far, far])
    for row, by in (wrong or {}).items():
        readings[row][3] += by
    return book([tuple(r) for r in readings], {"A": 100.0, "B": 100.0 + 0.5 * setups}, pegs)


def test_the_mill_demo():
    facts = bust(read_job(DATA / "mill-levels"))
    out, back = facts["book"]
    # by hand from the book: the sums of ten backsights and ten foresights
    assert (out["backsights_m"], out["foresights_m"]) == pytest.approx((14.0139, 9.2049))
    assert out["misclosure_mm"] == pytest.approx(-102.0, abs=1e-6) and not out["closes"]
    assert back["misclosure_mm"] == pytest.approx(1.7, abs=1e-6) and back["closes"]
    assert [s["closes"] for s in facts["sections"]] == [True, True, False, True]
    assert facts["verdict"] == "narrowed"
    assert sorted(r["row"] for r in facts["rivals"]) == [12, 13, 14, 15, 16, 17]
    assert sum(r["probability"] for r in facts["rivals"]) > 0.95
    assert all(r["causes"][0]["cause"] == "misread_1dm" for r in facts["rivals"])
    (step,) = facts["plan"]["steps"]
    assert (step["from_mark"], step["to_mark"], step["setups"], step["runs"]) == ("W2", "W3", 3, ["out"])
    assert exit_status(facts) == 1


def test_a_sound_book_closes():
    facts = bust(open_run())
    assert (facts["verdict"], facts["misclosed"], exit_status(facts)) == ("closes", False, 0)
    assert facts["rivals"] == []


def test_an_open_run_cannot_localise_and_says_what_to_level_again():
    facts = bust(open_run({4: 0.1}))
    assert facts["verdict"] == "open"
    assert len([r for r in facts["rivals"] if r["kind"] == "staff"]) == 16
    assert {r["id"] for r in facts["rivals"] if r["kind"] == "known"} == {"known:A", "known:B"}
    steps = facts["plan"]["steps"]
    assert [(s["from_mark"], s["to_mark"]) for s in steps] == [("A", "P1"), ("P1", "P2"), ("P2", "P3"), ("P3", "B")]
    # four sections alike, two set-ups each: (2 + 4 + 6 + 8) / 4 by hand
    assert facts["plan"]["expected_setups"] == pytest.approx(5.0, abs=0.05)
    assert facts["plan"]["split"]["setups"] == 4.0 and facts["plan"]["all_setups"] == 8.0
    # with change points that stand, single set-ups: (1 + ... + 8) / 8
    single = bust(open_run({4: 0.1}), points_stand=True)["plan"]
    assert len(single["steps"]) == 8 and single["expected_setups"] == pytest.approx(4.5, abs=0.05)


def test_no_peg_between_means_the_whole_run():
    facts = bust(open_run({4: 0.1}, pegs=()))
    assert [s["setups"] for s in facts["plan"]["steps"]] == [8]
    assert "leave pegs" in plain(bust_document(facts))


def test_digits_part_what_misclosures_cannot():
    """A foresight of 1.12 booked 1.21, 90 mm too high: no other reading of the run makes that by exchanged digits.

    A foresight must have a tenth one above its hundredth, a backsight one below: only 1.21 has (1.85, 1.35 ... not).
    """
    pairs = [(1.85, 1.35), (1.74, 1.21), (1.96, 1.37), (1.60, 1.18)]
    names = ["A", "T1", "T2", "T3", "B"]
    readings = []
    for i, (b, f) in enumerate(pairs):
        readings += [(f"L{i}", names[i], "BS", b, 30.0), (f"L{i}", names[i + 1], "FS", f, 30.0)]
    rise = sum(b - f for b, f in pairs) + 0.09
    facts = bust(book(readings, {"A": 100.0, "B": 100.0 + rise}))
    first = facts["rivals"][0]
    assert (first["recorded_m"], first["sight"]) == (1.21, "FS") and first["causes"][0]["cause"] == "transposed"
    assert first["probability"] > 0.5 and facts["verdict"] == "located"
    causes = {c["cause"] for r in facts["rivals"][1:] for c in r["causes"] if c["probability"] > 0.2}
    assert "transposed" not in causes


def test_backsight_and_foresight_exchanged():
    """L3's readings change places on the way out; the way back is right."""
    out, pegs = [], ["A", "P1", "P2", "B"]
    readings = [(1.71, 1.20), (1.84, 1.31), (1.95, 1.17)]
    for i, (b, f) in enumerate(readings):
        b, f = (f, b) if i == 2 else (b, f)
        out += [(f"L{i + 1}", pegs[i], "BS", b, 30.0), (f"L{i + 1}", pegs[i + 1], "FS", f, 30.0)]
    for i, (b, f) in enumerate(reversed(readings)):
        out += [(f"M{i + 1}", pegs[3 - i], "BS", f + 0.1, 30.0), (f"M{i + 1}", pegs[2 - i], "FS", b + 0.1, 30.0)]
    facts = bust(book(out, {"A": 100.0, "B": 100.0 + 0.51 + 0.53 + 0.78}, ("P1", "P2")))
    assert facts["verdict"] != "closes" and facts["misclosed"]
    exchanged = next(r for r in facts["rivals"] if r["id"] == "exchange:L3:r")
    assert exchanged["error_mm"] == pytest.approx(1000 * (1.17 - 1.95), abs=0.5)
    assert exchanged["probability"] > 0.3 and facts["rivals"][0]["level_setup"] == "L3"


def test_collimation_grows_with_the_imbalance_of_the_sights():
    """Many pegs between known marks, backsights 10 m and foresights 50 m: every section misses alike."""
    c = -1e-4  # 1 mm too low at 10 m: each set-up 4 mm
    names = [f"K{i}" for i in range(9)]
    readings = []
    for i in range(8):
        readings.append((f"L{i}", names[i], "BS", 1.7 + c * 10, 10.0))
        readings.append((f"L{i}", names[i + 1], "FS", 1.2 + c * 50, 50.0))
    facts = bust(book(readings, {n: 100 + 0.5 * i for i, n in enumerate(names)}, noise=0.0002))
    first = facts["rivals"][0]
    assert first["id"] == "group:collimation:the level" and first["probability"] > 0.9
    assert first["collimation_mm_per_10m"] == pytest.approx(-1.0, abs=0.1)
    assert "line of sight" in plain(bust_document(facts))


# Student research programme, Brazil, 2019-20 (inputs as printed; that each flip must be found: own recomputation).
# a-b reads height of a less height of b; A 10, B 8 held.
SIGN_NET = [
    ("A", "1", 3.541), ("A", "2", 1.877), ("1", "2", -1.664), ("1", "3", -2.394), ("2", "3", -0.730),
    ("2", "4", -4.021), ("3", "4", -3.291), ("3", "B", -3.147), ("4", "B", 0.144),
]  # fmt: skip


@pytest.mark.parametrize("flipped", range(9))
def test_planted_sign_errors(flipped):
    rows = [
        {"from_mark": a, "to_mark": b, "rise": -rise if i == flipped else rise, "sd": 0.002, "length": 400.0}
        for i, (a, b, rise) in enumerate(SIGN_NET)
    ]
    marks = pd.DataFrame([{"mark": "A", "height": 10.0, "sd": 0.0}, {"mark": "B", "height": 8.0, "sd": 0.0}])
    # as printed: the three heights from A and the rest close exactly with the signs of a-b
    heights = {"A": 10.0, "B": 8.0, "1": 13.541, "2": 11.877, "3": 11.147, "4": 7.856}
    for row, (a, b, rise) in zip(rows, SIGN_NET, strict=True):
        assert heights[b] - heights[a] == pytest.approx(rise, abs=1e-9)
        row["rise"] = -rise if row["rise"] != rise else rise
    facts = bust(Job.from_frames("signs", marks=marks, levels=pd.DataFrame(rows)))
    first = facts["rivals"][0]
    assert first["row"] == flipped + 2 and facts["verdict"] == "located"
    assert first["error_mm"] == pytest.approx(-2000 * SIGN_NET[flipped][2], abs=1.0)
    assert first["causes"][0]["cause"] in ("sign", "exchanged")


def test_a_tolerance_of_ones_own():
    job = open_run({4: 0.004})
    assert bust(job, tolerance("1"))["book"][0]["closes"] is False
    loose = bust(job, tolerance("12"))["book"][0]
    assert loose["closes"] is True and loose["allowed_mm"] == pytest.approx(12 * 0.48**0.5)


def test_faults_of_the_book():
    readings = [
        ("L1", "A", "BS", 1.5, 30.0), ("L1", "T", "FS", 1.2, 30.0),
        ("L2", "U", "BS", 1.5, 30.0), ("L2", "B", "FS", 1.3, 30.0), ("L3", "B", "BS", 1.1, 30.0),
    ]  # fmt: skip
    facts = bust(book(readings, {"A": 10.0, "B": 10.5}))
    assert {(f["kind"], f["level_setup"]) for f in facts["faults"]} == {("gap", "L2"), ("no_foresight", "L3")}
    assert exit_status(facts) == 1
    assert "does not begin on the point" in plain(bust_document(facts))


def test_one_known_mark_tests_nothing():
    facts = bust(book([("L1", "A", "BS", 1.5, 30.0), ("L1", "T", "FS", 1.2, 30.0)], {"A": 10.0}))
    assert (facts["verdict"], facts["tested"], exit_status(facts)) == ("untested", False, 0)
    with pytest.raises(CannotAdjust):
        bust(Job.from_frames("nothing"))


def test_trig_legs_beside_levels():
    """The quarry: the wrong instrument height S4 shows in both sections that use it."""
    facts = bust(read_job(DATA / "quarry-traverse"))
    assert facts["rivals"][0]["id"] == "setup:S4" and facts["verdict"] == "located"
    failing = {(s["from_mark"], s["to_mark"]) for s in facts["sections"] if not s["closes"]}
    assert failing == {("H2", "H3"), ("H3", "H4")}


def test_command_text_json_and_page(tmp_path):
    runner = CliRunner()
    done = runner.invoke(cli, ["bust", str(DATA / "mill-levels"), "--to", str(tmp_path)])
    assert done.exit_code == 1 and "between W2 and W3" in " ".join(done.output.split())
    written = json.loads((tmp_path / "bust.json").read_text())
    assert written["schema"] == "heightnet-bust/1"
    page = (tmp_path / "bust.html").read_text()
    assert "<script" not in page and "DOES NOT CLOSE" in page
    as_json = runner.invoke(cli, ["bust", str(DATA / "mill-levels"), "--json"])
    assert json.loads(as_json.stdout) == written


def test_a_large_sound_job_closes():
    """With hundreds of readings some small blunder is likelier than not; a book that closes is not called open."""
    facts = bust(reciprocal(30, seed=1).job())
    assert facts["verdict"] in ("closes", "unexplained")
    assert (facts["verdict"] == "closes") is not facts["misclosed"]


def test_names_cannot_break_the_page():
    job = open_run({4: 0.1}, pegs=("<b>&", "P2", "P3"))
    assert "<b>" not in html(bust_document(bust(job)))
