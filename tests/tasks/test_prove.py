"""``heightnet prove``: check shots with planted errors."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import norm

from heightnet.commands.group import cli
from heightnet.errors import HeightnetError
from heightnet.job.read import read_job
from heightnet.judge.judgement import Judgement
from heightnet.judge.large import bench_for
from heightnet.network import build_network
from heightnet.report.facts import as_written
from heightnet.report.html import html
from heightnet.report.prove_marks_words import prove_all_document, prove_mark_document
from heightnet.report.prove_words import prove_document
from heightnet.report.text import plain
from heightnet.tasks.prove import exit_status, known_heights, prove
from heightnet.tasks.prove_marks import exit_status as exit_of_marks
from heightnet.tasks.prove_marks import prove_all, prove_mark
from tests.benchmarks import prove_risks
from tests.networks import Field
from tests.tasks.task_statements import altered, faults

DATA = Path(__file__).resolve().parents[2] / "data"
HEIGHTS = {"S": 100.0, "K1": 101.2, "K2": 99.4, "K3": 100.7, "N": 100.1}


def party(marks=("K1", "K2", "K3"), tape=0.0, wrong=None, taped=True, over="S", known_under=True, noise=0.0, seed=1):
    field = Field(HEIGHTS, noise=noise, seed=seed)
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
    stated = np.sqrt(pooled**2 + 1.0)
    # the sd told carries what four shots leave open about the scatter; w has the stated one
    assert stated < facts["tape"]["error_sd_mm"] < 1.1 * stated
    assert prove(party(tape=0.001).job(), "A", 0.005)["tape"]["w"] == pytest.approx(1 / stated, rel=2e-3)
    # an error is found from about k + .84 sds on, k between that of one test at 1 in 100 and of ten (normal law)
    assert 2.576 + 0.842 < facts["tape"]["smallest_found_mm"] / stated < 3.291 + 0.842
    assert "would have shown, four times in five" in " ".join(plain(prove_document(facts)).split())


@pytest.mark.slow
def test_the_size_said_to_be_found_is_found_four_times_in_five():
    """400 parties with such an error at the stated scatter: the shots contradict the tape in .8, sd .02."""
    size = prove(party().job(), "A", 0.005)["tape"]["smallest_found_mm"] / 1000
    told = 0
    bench = bench_for(build_network(party(noise=0.0).job()))
    for seed in range(400):
        told += Judgement(bench, build_network(party(tape=size, noise=1.0, seed=seed).job()).y).said
    assert abs(told / 400 - 0.8) < 0.07


def test_too_weak_to_accept():
    """The marks agree with the tape, but an error of the tolerance would not show: that is no proof."""
    facts = prove(party().job(), "A", 0.002)
    assert (facts["verdict"], facts["judgement"]["state"], exit_status(facts)) == ("too_weak", "closes", 1)
    # by hand: sd 1.22 mm, so that 2 mm are 1.64 sds, and .10 of a normal law lie beyond
    assert 0.05 < facts["tape"]["risk_accepting"] < 0.2
    text = " ".join(plain(prove_document(facts)).split())
    assert "Too weak to decide" in text and "Most of the doubt is that of the tape" in text
    assert [d["of"] for d in facts["doubt"]] == ["tape", "under", "sights", "marks", "poles"]


def test_an_error_near_the_tolerance_is_never_accepted_at_a_risk_of_a_third():
    """4 mm at a tolerance of 5, with sights that leave 2 mm open: by hand .3 of a normal law lie beyond."""
    for tape in (0.003, 0.004, 0.0045):
        facts = prove(party(tape=tape).job(), "A", 0.005)
        assert facts["verdict"] in ("too_weak", "undecidable") or facts["tape"]["risk_accepting"] <= 0.05


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
    # the mark, the pole on it and the shot to it are one class; together they are certain, and none of them alone
    (finding,) = facts["findings"]
    assert facts["blamed"] == [["K2"]] and finding["probability"] > 0.95 and not finding["named"]
    assert {m["id"] for m in finding["members"]} >= {"known:K2", "target:pole K2", "shot:shots.csv:3"}
    assert abs(finding["error_mm"]) == pytest.approx(20.0, abs=0.5)
    assert abs(facts["tape"]["error_mm"]) < 0.5  # with the wrong mark let go, the tape is right


def test_one_mark_cannot_decide():
    facts = prove(party(marks=("K1",), tape=0.020).job(), "A", 0.005)
    assert (facts["verdict"], facts["agreement"], exit_status(facts)) == ("undecidable", None, 1)
    assert facts["blamed"] == [["the tape", "K1"]]
    assert "Shoot another" in prove_document(facts).headline


def test_one_mark_that_agrees_is_accepted():
    assert prove(party(marks=("K1",)).job(), "A", 0.005)["verdict"] == "accept"


def test_without_any_tape():
    facts = prove(party(taped=False).job(), "A")
    assert (facts["verdict"], facts["taped_m"], facts["tape"], exit_status(facts)) == ("determined", None, None, 0)
    assert facts["together"]["height_m"] == pytest.approx(1.55, abs=1e-6)
    bad = prove(party(taped=False, wrong={"K1": 0.05}).job(), "A")
    assert bad["verdict"] == "mark_wrong" and bad["blamed"] == [["K1"]] and exit_status(bad) == 1
    two = prove(party(marks=("K1", "K2"), taped=False, wrong={"K1": 0.05}).job(), "A")
    assert two["verdict"] == "marks_disagree" and exit_status(two) == 1


@pytest.mark.parametrize("wrong", [{"K1": 0.02, "K2": 0.02}, {"K1": 0.02, "K2": -0.035}, {"K1": 0.05, "K2": 0.03}])
@pytest.mark.parametrize("taped", [True, False])
def test_two_wrong_marks_of_three_accuse_nobody_for_certain(wrong, taped):
    """One voice against two that are wrong cannot be told from one that is wrong against two: nobody is sure then."""
    facts = prove(party(taped=taped, wrong=wrong).job(), "A", 0.005)
    text = " ".join(plain(prove_document(facts)).split())
    assert exit_status(facts) == 1
    if not taped and wrong["K1"] == wrong["K2"]:  # it looks as K3 wrong alone would, and that is said
        assert facts["verdict"] == "mark_wrong" and "were these two wrong alike, it would look the same" in text
        return
    assert facts["verdict"] == "marks_disagree" and "The known marks disagree among themselves" in text
    accused = {m["id"]: m["probability"] for f in facts["findings"] for m in f["members"]}
    assert accused.get("known:K3", 0.0) < 0.6 and accused.get("setup:A", 0.0) < 0.6
    assert all(m["probability"] < 0.99 for f in facts["findings"] for m in f["members"])


def test_a_tape_that_scatter_may_explain_is_neither_accepted_nor_rejected():
    """4 mm against 1.2: 3.3 sds contradict, but nothing says that the tape is wrong."""
    facts = prove(party(tape=0.004).job(), "A", 0.005)
    assert (facts["judgement"]["state"], facts["verdict"], exit_status(facts)) == ("unclear", "undecidable", 1)
    assert "Neither accept nor reject" in plain(prove_document(facts))


PARTIES = {
    "sound": party(noise=1.0), "wrong tape": party(tape=0.02), "wrong mark": party(wrong={"K2": 0.02}),
    "one mark": party(marks=("K1",), tape=0.02), "no tape": party(taped=False), "over no known mark": party(over="N"),
    "two wrong marks": party(wrong={"K1": 0.02, "K2": -0.035}), "unclear": party(tape=0.004),
}  # fmt: skip


@pytest.mark.parametrize("name", PARTIES)
def test_every_statement_says_of_what_it_is(name):
    facts = json.loads(json.dumps(as_written(prove(PARTIES[name].job(), "A", 0.005))))
    page = html(prove_document(facts))
    found, number = faults(page, facts)
    assert found == [] and number > 3
    assert all(faults(altered(page, i), facts)[0] for i in range(number))
    assert all(faults(page.replace("</h1>", f" {loose}</h1>"), facts)[0] for loose in ("5 %", "± 2", "proved"))


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
    assert (
        facts["known_marks"] == ["AB2", "AB3", "AB4"]
        and max(abs(s["height_m"] - 1.5857) for s in facts["by_shot"]) < 5e-4
    )
    assert "<script" not in (tmp_path / "prove.html").read_text()
    missing = CliRunner().invoke(cli, ["prove", str(DATA / "bridge-check-shots"), "--setup", "B9"])
    assert missing.exit_code != 0


@pytest.mark.slow
def test_accepting_and_rejecting_risk_what_is_stated():
    """A tenth of the benchmark, whose table is results/prove_risks.md; at most .05 are wrong of either, of some 15 and
    35 cases here: none or one."""
    found = prove_risks.run(range(100))["verdicts"]
    accepted, rejected = (np.array(found[verdict], dtype=float) for verdict in ("accept", "reject"))
    assert len(accepted) >= 10 and accepted[:, 0].max() <= 0.05 and accepted[:, 1].sum() <= 1
    assert len(rejected) >= 25 and rejected[:, 0].min() >= 0.95 and (1 - rejected[:, 1]).sum() <= 2


# ---- every check shot, and one mark ----


def two_setups(**planted):
    """Two set-ups over known marks that sight K1, K2 and K3; planted: errors of listed heights and of a tape."""
    field = Field({**HEIGHTS, "T": 100.4}, noise=0.0)
    for mark in ("S", "T", "K1", "K2", "K3"):
        field.known(mark, sd=0.0005, wrong=planted.get(mark, 0.0))
    for name, over in (("A", "S"), ("B", "T")):
        field.setup(name, over, 1.55, wrong=planted.get(name, 0.0), sd=0.001)
        for mark in ("K1", "K2", "K3"):
            field.target(f"pole {mark} {name}", mark, 2.0, sd=0.0003)
            field.shot(name, f"pole {mark} {name}", 60.0, sd=0.0005)
    return field.job()


def test_every_check_shot_is_held_against_its_mark():
    facts = prove_all(two_setups(K2=0.020), 0.005)
    by_mark = {mark: [s for s in facts["check_shots"] if s["mark"] == mark] for mark in ("K1", "K2", "K3")}
    for mark, shots in by_mark.items():
        expected = -20.0 if mark == "K2" else 0.0  # the list is too high, so the sight finds the mark lower
        assert [s["setup"] for s in shots] == ["A", "B"]
        assert [s["difference_mm"] for s in shots] == pytest.approx([expected] * 2, abs=2.0)
        assert {s["verdict"] for s in shots} == {"reject" if mark == "K2" else "accept"}
    found = [s["difference_mm"] for s in facts["check_shots"]]
    assert facts["rms_mm"] == pytest.approx(np.sqrt(np.mean(np.square(found))))
    assert [(s["setup"], s["shots"], s["reject"]) for s in facts["by_setup"]] == [("A", 3, 1), ("B", 3, 1)]
    assert exit_of_marks(facts) == 1


def test_a_disturbed_mark_is_told_and_a_sound_one_is_not():
    job = two_setups(K2=0.020)
    wrong, sound = prove_mark(job, "K2", 0.005), prove_mark(job, "K1", 0.005)
    assert (wrong["verdict"], exit_of_marks(wrong)) == ("reject", 1)
    assert wrong["error_mm"] == pytest.approx(20.0, abs=1.0) and wrong["risk"] > 0.95
    assert (sound["verdict"], exit_of_marks(sound)) == ("accept", 0)
    assert "K2 is not where it is listed" in plain(prove_mark_document(as_written(wrong)))
    with pytest.raises(HeightnetError, match="there is no such mark"):
        prove_mark(job, "K9")


@pytest.mark.parametrize(
    "facts", [lambda: prove_all(two_setups(K2=0.02)), lambda: prove_mark(two_setups(A=0.02), "K1")]
)
def test_statements_of_check_shots_say_of_what_they_are(facts):
    found = json.loads(json.dumps(as_written(facts())))
    story = prove_mark_document if "mark" in found else prove_all_document
    problems, number = faults(html(story(found)), found)
    assert problems == [] and number > 10
    assert all(faults(altered(html(story(found)), i), found)[0] for i in range(number))


def test_check_shots_by_command(tmp_path):
    job = str(DATA / "bridge-check-shots")
    done = CliRunner().invoke(cli, ["prove", job, "--all", "--to", str(tmp_path)])
    assert done.exit_code == 0 and "5 accepted" in done.output
    lines = (tmp_path / "check-shots.csv").read_text(encoding="utf-8-sig").splitlines()
    assert lines[0].startswith("setup,mark,target,row,known_m,found_m") and len(lines) == 6
    assert CliRunner().invoke(cli, ["prove", job, "--mark", "AB3"]).exit_code == 0
    for wrong in ([], ["--all", "--mark", "AB3"], ["--setup", "B1", "--all"]):
        refused = CliRunner().invoke(cli, ["prove", job, *wrong])
        assert refused.exit_code == 2 and "one of them" in refused.output


def test_repeats_are_pooled_and_share_their_mark_and_pole():
    field = party(marks=("K1", "K2"), noise=0.0)
    for _ in range(3):
        field.shot("A", "pole K1", 60.0, sd=0.0005)
    facts = prove(field.job(), "A", 0.005)
    one, other = facts["by_mark"]
    assert (one["shots"], one["targets"], other["shots"]) == (4, 1, 1)
    # by hand: four sights of 0.5 mm, one pole of 0.3, one mark of 0.5
    assert one["axis_sd_mm"] == pytest.approx(np.sqrt(0.5**2 / 4 + 0.3**2 + 0.5**2), abs=2e-3)
    assert one["spread_mm"] == pytest.approx(0, abs=1e-6) and other["spread_mm"] is None
    # together as the adjustment has it: the two marks' axes weighted
    pooled = (one["axis_sd_mm"] ** -2 + other["axis_sd_mm"] ** -2) ** -0.5
    assert facts["together"]["axis_sd_mm"] == pytest.approx(pooled, rel=2e-3)
    assert "are pooled" in plain(prove_document(facts))


@pytest.mark.parametrize(
    ("marks", "tape", "wrong", "expected"),
    [
        (("K1", "K2", "K3"), 0.03, {"K1": 0.03}, [({"K2", "K3"}, False), ({"K1"}, True)]),
        (("K1", "K2", "K3"), 0.0, {}, []),
        (("K1", "K2"), 0.02, {}, [({"K1", "K2"}, False), (set(), True)]),
    ],
)
def test_who_stands_against_whom(marks, tape, wrong, expected):
    facts = prove(party(marks, tape=tape, wrong=wrong).job(), "A", 0.005)
    found = [(sorted(side["marks"]), side["tape"]) for side in facts["sides"]]
    assert sorted(found) == sorted((sorted(marks), tape) for marks, tape in expected)


def test_two_against_two_is_told_as_that():
    """Two marks say 30 mm more than the third and the tape: as many the one as the other."""
    facts = prove(party(tape=0.03, wrong={"K1": 0.03}).job(), "A", 0.005)
    text = " ".join(plain(prove_document(facts)).split())
    assert "Two against two, by the axis they give" in text
    assert "As many say the one as the other: nothing here shows which" in text
    assert facts["verdict"] not in ("accept", "reject", "mark_wrong") and exit_status(facts) == 1


def test_what_would_decide_is_what_it_comes_to():
    """The sd foretold of one more mark is the one that such a mark brings; likewise of a second taping."""
    facts = prove(party().job(), "A", 0.002)
    ways = {one["way"]: one for one in facts["remedies"]}
    more = party(marks=("K1", "K2", "K3", "N")).job()
    doubt = sum(d["sd_mm"] ** 2 for d in prove(more, "A", 0.002)["doubt"]) ** 0.5
    assert ways["another_mark"]["sd_mm"] == pytest.approx(doubt, rel=1e-3)
    # by hand: the tape's 1 mm over root two, the rest as it was
    rest = sum(d["sd_mm"] ** 2 for d in facts["doubt"] if d["of"] != "tape")
    assert ways["tape_again"]["sd_mm"] == pytest.approx(np.sqrt(rest + 0.5), rel=1e-6)
    # the normal law by scipy, apart from the code
    limit, sd, off = 2.0, ways["tape_again"]["sd_mm"], facts["tape"]["error_mm"]
    assert ways["tape_again"]["risk"] == pytest.approx(norm.sf((limit - off) / sd) + norm.cdf((-limit - off) / sd))
    assert ways["tape_again"]["decides"] == (ways["tape_again"]["risk"] <= 0.05)
    assert "nearer" not in ways  # 60 m are near
