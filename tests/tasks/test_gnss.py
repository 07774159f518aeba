"""Antennas in mixed jobs: what is found, what cannot be told apart, what is proposed, and what must change nothing."""

import numpy as np
import pandas as pd
import pytest

import heightnet
from heightnet.job.model import Job
from heightnet.judge.bench import Bench
from heightnet.judge.judgement import Judgement
from heightnet.judge.large import ONE_UP_TO, PART, LargeBench, bench_for
from heightnet.judge.promises import Promises, promises
from heightnet.kinds.registry import code_of, common_error
from heightnet.ledger.recorded import TABLES
from heightnet.network import build_network
from heightnet.report.check_words import check_document
from heightnet.report.document import sentences
from heightnet.report.fieldsheet import steps as field_sheet
from heightnet.report.measurements import instruction
from heightnet.report.plan_words import plan_document
from heightnet.report.words import Words
from heightnet.tasks.facts import JobFacts
from heightnet.tasks.judgement_facts import parted_by
from heightnet.tasks.measurements import Minutes
from heightnet.tasks.plan import exit_status, plan
from tests.simulate.jobs import simulate
from tests.tasks.test_properties import same, told
from tests.timed import timed

ALONE = "group:separations:the whole job"


@pytest.fixture(scope="module")
def job():
    return simulate("G1", 11, {"setup:G18": 0.06})[0]


@pytest.fixture(scope="module")
def result(job):
    return heightnet.check(job)


# ---- what is found ----


def test_a_wrong_antenna_height_is_named_with_its_size(result):
    (suspect,) = result.facts["suspects"]
    assert suspect["id"] == "setup:G18"
    assert suspect["error_mm"] == pytest.approx(60, abs=4 * suspect["error_sd_mm"])
    assert "The antenna height of set-up G18" in result.summary()
    assert result.exit_status() == 1


@pytest.mark.slow
@pytest.mark.parametrize(
    ("blunders", "named"),
    [({"gnss:gnss.csv:4": 0.12}, {"gnss:gnss.csv:4"}), ({"known:M6": 0.09}, {"known:M6"}),
     ({"separation:M6": 0.15}, {"separation:M6"}),
     ({"setup:G14": -0.08, "setup:G28": 0.07}, {"setup:G14", "setup:G28"})],
)  # fmt: skip
def test_other_blunders(blunders, named):
    found = heightnet.check(simulate("G1", 2, blunders)[0])
    members = found.facts["explanations"][0]["members"]
    assert {m["id"] for m in members} == named
    for member in members:
        assert member["error_mm"] == pytest.approx(1000 * blunders[member["id"]], abs=4.5 * member["error_sd_mm"])


def test_the_separation_and_the_height_of_a_mark_with_one_occupation_are_one_class():
    found = heightnet.check(simulate("G1", 2, {"separation:M3": 0.2})[0])
    setup = next(s for s in found.facts["setups"] if s["setup"] == "G13")
    assert setup["same_as"] == ["separation:M3"] and setup["smallest_named_mm"] is None
    assert {"setup:G13", "separation:M3"} >= {s["id"] for s in found.facts["suspects"]}
    assert "Nothing in the job can tell an error here from one in the separation at M3." in found.page()


def test_facts_of_satellite_rows_add_up(job, result):
    gnss = result.gnss
    assert list(gnss["row"]) == list(job.gnss["row"])
    rises = gnss[gnss["from"].notna()]
    assert rises["height_m"].isna().all() and rises["length_m"].notna().all()
    alone = gnss[gnss["from"].isna()]
    assert alone["rise_m"].isna().all() and alone["length_m"].isna().all()
    assert (alone["separation_m"] > 40).all() and (rises["separation_m"].abs() < 0.3).all()
    assert (result.separations["sd_mm"] == 20).all() and (result.separations["adjusted_sd_mm"] < 20).all()
    model = result.facts["separation_model"]
    assert 0 < model["offset_sd_mm"] < model["offset_prior_sd_mm"] == 50
    assert model["tilt_east_mm_km"] is None


def test_loops_with_satellite_heights_are_measured_against_their_own_scatter():
    sound = heightnet.check(simulate("G1", 3)[0]).facts["loops"]
    satellite = [loop for loop in sound if any(i.startswith("gnss:") for i in loop["ids"])]
    assert len(satellite) > 20
    assert all("expected sd" in loop["tolerance"] for loop in satellite)
    ratio = np.array([loop["misclosure_mm"] / loop["expected_sd_mm"] for loop in satellite])
    assert 0.5 < np.sqrt(np.mean(ratio**2)) < 1.6
    assert all("expected sd" in loop["tolerance"] for loop in sound)


# ---- an error of all antennas, and one of all separations ----


def one_model(job):
    """Every antenna of one model and every satellite row a height by itself."""
    antenna = job.setups["setup"].isin(job.gnss["to_setup"])
    setups = job.setups.assign(instrument=job.setups["instrument"].where(~antenna, "antenna 1"))
    gnss = job.gnss[job.gnss["from_setup"] == ""].assign(session="1").reset_index(drop=True)
    return job.with_tables(setups=setups, gnss=gnss)


def test_one_model_and_the_separations_are_one_class_and_the_report_says_so():
    job = one_model(simulate("G1", 4)[0])
    net = build_network(job)
    for bench in (Bench(net), LargeBench(net)):
        ids = [str(i) for i in bench.family.ids]
        one, other = ids.index("group:instrument:antenna 1"), ids.index(ALONE)
        _, G = bench.fit.reduce(bench.family.C[:, [one, other]]) if isinstance(bench, LargeBench) else (
            None, bench.G[np.ix_([one, other], [one, other])])  # fmt: skip
        assert abs(G[0, 1]) / np.sqrt(G[0, 0] * G[1, 1]) == pytest.approx(1, abs=1e-9)
    found = heightnet.check(job)
    assert "group:instrument:antenna 1" in found.facts["separation_model"]["same_as"]
    said = " ".join(found.summary().split())
    assert "every antenna height of antenna 1" in said
    assert "looks the same in this job as one common to all separations" in said


def test_a_wrong_point_of_the_only_model_is_told_as_either():
    job = one_model(simulate("G1", 4, settings=simulate("G1", 0)[0].settings.with_values(
        **{"separation.offset_sd_mm": 0.0, "separation.sd_mm": 5.0}))[0])  # fmt: skip
    gnss = job.gnss.assign(height=job.gnss["height"] + 0.2)
    found = heightnet.check(job.with_tables(gnss=gnss))
    best = found.facts["explanations"][0]
    together = {best["members"][0]["id"], *best["also"][0]}
    assert {"group:instrument:antenna 1", ALONE} <= together
    assert found.exit_status() == 1


def test_what_parts_common_errors_is_said_of_common_errors_only():
    bench = Bench(build_network(one_model(simulate("G1", 4)[0])))
    nothing = np.full(len(bench.family), np.inf)
    facts = JobFacts(Judgement(bench), Promises(nothing, nothing, True), bench.fit)
    ids = [str(i) for i in bench.family.ids]
    group, other, height = (ids.index(i) for i in ("group:instrument:antenna 1", ALONE, "setup:G13"))
    assert parted_by(facts, [group, other]) == common_error("instrument").shown_by
    assert parted_by(facts, [other, group]) == common_error("separations").shown_by
    for mixed in ([group, height], [height, group], [group, other, height], [height]):
        assert parted_by(facts, mixed) is None


def test_two_models_tell_them_apart():
    found = heightnet.check(simulate("G1", 4)[0])
    assert found.facts["separation_model"]["same_as"] == []
    bench = Bench(build_network(simulate("G1", 4)[0]))
    ids = [str(i) for i in bench.family.ids]
    h = [ids.index("group:instrument:antenna 1"), ids.index(ALONE)]
    rho = bench.G[h[0], h[1]] / np.sqrt(bench.diagonal[h[0]] * bench.diagonal[h[1]])
    assert abs(rho) < 0.5


def test_with_no_known_mark_both_are_untested_and_move_every_mark():
    job = simulate("G1", 4)[0]
    job = one_model(job.with_tables(marks=job.marks.assign(height=np.nan)))
    found = heightnet.check(job)
    untested = {e["id"]: e for e in found.facts["common_errors"]}
    assert ALONE in untested and untested[ALONE]["shot_that_would_show"] and not untested[ALONE]["harmless"]
    assert found.facts["pieces"][0]["datum"] == "heights by a positioning service"


# ---- what to do ----


def satellites_only(job):
    """The job without its total stations and levels."""
    antenna = job.setups["setup"].isin(job.gnss["to_setup"])
    setups = job.setups[antenna].reset_index(drop=True)
    tape = job.tape[job.tape["stand"].isin(setups["setup"])].reset_index(drop=True)
    return job.with_tables(
        setups=setups, tape=tape, **{t: job.tables[t].iloc[:0] for t in ("targets", "shots", "levels")}
    )


def test_a_repeat_occupation_is_what_is_proposed(job):
    found = heightnet.check(satellites_only(job))
    assert found.facts["suspects"][0]["id"] == "setup:G18"
    steps = found.facts["next_measurements"]
    assert steps[0]["kind"] == "antenna_reoccupation"
    assert not {s["kind"] for s in steps} & {"check_shot", "pole_shot", "second_tape"}  # it sights nothing, and is gone
    said = instruction(Words(found.shown), steps[0])
    assert said.startswith("Put the antenna up again over M") and "two tapings that share nothing" in said
    assert any(s.what == said and "before, metres" in s.boxes for s in field_sheet(Words(found.shown)))


def test_a_plan_for_antennas_that_are_gone():
    facts = plan(satellites_only(simulate("G1", 1)[0]), gone=True, tolerance=0.022)
    kinds = [s["kind"] for s in facts["steps"]]
    assert "antenna_reoccupation" in kinds
    text = str(plan_document(facts))
    assert "Put the antenna up again over" in text and "antenna height of set-up G1" in text
    assert exit_status(facts) in (0, 1)


def test_the_gain_of_a_repeat_occupation_is_what_making_it_gives():
    """The information foretold is that of the job with the row, its antenna and its tape in it."""
    from heightnet.judge.gain import Gain
    from heightnet.tasks.next import candidates, design_rows

    job = simulate("G1", 6)[0]
    net = build_network(job)
    bench = Bench(net)
    node = int(net.setup_node[list(job.setups["setup"]).index("G13")])
    option = next(o for o in candidates(net, np.array([node])) if o.again >= 0 and o.tail == 0)
    at = np.flatnonzero([str(i) == "setup:G13" for i in bench.family.ids])
    variance = np.array([option.sd**2])
    gain = Gain(bench, bench.fit, design_rows(net, [option]), variance, bench.family.C[:, at], bench.diagonal[at])
    foretold = gain.after()[0, 0]
    again = pd.DataFrame({"setup": ["G33"], "mark": ["M3"], "height": [1.5], "instrument": ["antenna 1"]})
    row = job.gnss[(job.gnss["to_setup"] == "G13") & (job.gnss["from_setup"] == "")].assign(to_setup="G33", row=999)
    more = Job.from_frames("again", job.settings, **{
        **{t: job.tables[t] for t in TABLES},
        "setups": pd.concat([job.setups, again.assign(tripod="", when="", observer="", row=99)], ignore_index=True),
        "gnss": pd.concat([job.gnss, row], ignore_index=True),
    })  # fmt: skip
    made = Bench(build_network(more))
    h = [str(i) for i in made.family.ids].index("setup:G13")
    assert made.diagonal[h] == pytest.approx(foretold, rel=1e-6)
    assert promises(made).found[h] < promises(bench).found[at[0]]


# ---- large jobs ----


def long_line(count=260, seed=3, wrong=()):
    """Antennas along a line, each mark twice, rises to the next two marks; neighbours levelled, every 20th known."""
    rng = np.random.default_rng(seed)
    east = 300.0 * np.arange(count)
    true, N = 100 + np.cumsum(rng.normal(0, 1, count)), 40 + east * 2e-5
    recorded = N - np.cumsum(rng.normal(0, 0.005 * np.sqrt(0.3), count))
    marks = pd.DataFrame({"mark": [f"M{i}" for i in range(count)], "east": east, "north": 0.0, "separation": recorded,
                          "height": np.where(np.arange(count) % 20 == 0, true, np.nan)})  # fmt: skip
    setups, z = [], {}
    for i in range(count):
        for session in "ab":
            name, h = f"G{i}{session}", rng.uniform(1.3, 1.7)
            z[name] = true[i] + N[i] + h
            off = 0.08 if name in wrong else 0.0
            setups.append({"setup": name, "mark": f"M{i}", "height": h + off + rng.normal(0, 0.001), "instrument": "x"})
    gnss = [
        {"from_setup": f"G{i}{s}", "to_setup": f"G{j}{s}", "sd": 0.004, "session": s,
         "rise": z[f"G{j}{s}"] - z[f"G{i}{s}"] + rng.normal(0, 0.004)}
        for s in "ab" for i in range(count) for j in (i + 1, i + 2) if j < count
    ]  # fmt: skip
    levels = pd.DataFrame(
        {
            "from_mark": f"M{i}",
            "to_mark": f"M{i + 1}",
            "rise": true[i + 1] - true[i] + rng.normal(0, 0.002),
            "sd": 0.002,
        }
        for i in range(count - 1)
    )
    return Job.from_frames("line", marks=marks, setups=pd.DataFrame(setups), gnss=pd.DataFrame(gnss), levels=levels)


@pytest.fixture(scope="module")
def line():
    return build_network(long_line(wrong=("G41a", "G130b", "G211a")))


@pytest.mark.slow
def test_large_jobs_are_judged_by_neighbourhoods_and_find_the_same(line):
    assert len(line.y) - line.A.shape[1] > ONE_UP_TO
    assert isinstance(bench_for(line), LargeBench)
    facts = heightnet.check(line.job).facts
    named = {s["id"]: s["error_mm"] for s in facts["suspects"] if s["probability"] > 0.5}
    wrong = {"setup:G41a", "setup:G130b", "setup:G211a"}
    assert wrong <= set(named) and len(named) <= len(wrong) + 1  # among 1800 one may look likely by chance
    assert all(abs(named[id_] - 80) < 20 for id_ in wrong)


def test_large_jobs_have_the_tests_of_small_ones(line):
    wide = LargeBench(line)
    Q, _ = np.linalg.qr(line.A.toarray() / line.sd[:, None])
    C = wide.family.C.toarray() / line.sd[:, None]
    exact = np.sum(C**2, axis=0) - np.sum((Q.T @ C) ** 2, axis=0)
    tested = wide.classes.label >= 0
    assert np.max(np.abs(wide.diagonal - exact)[tested] / exact[tested]) < 1e-5
    single = wide.family.kind != "group"
    assert (exact / wide.own < 1e-7)[~tested & single].all()


def test_a_part_cut_out_knows_how_separations_hang_together(line):
    """In the part a wrong height is nearly as well determined as in the whole."""
    large = LargeBench(line)
    h = [str(i) for i in large.family.ids].index("setup:G130b")
    part = large._part_around(int(large._edge_of[h]), large.fit.v, PART)
    at = part.classes.tolist().index(int(large.classes.label[h]))
    ratio = large.classes.ratio(h, large.diagonal)
    assert part.tests(1.0, 1.0)[1][at] / ratio**2 / large.diagonal[h] > 0.9
    knowledge = part.A[np.flatnonzero(part.kind >= code_of("refraction"))]
    assert (np.diff(knowledge.indptr) == 2).sum() > 10


# ---- what must change nothing ----


def test_row_order(job, result):
    rng, job = np.random.default_rng(3), timed(job)
    frames = {t: job.tables[t].sample(frac=1, random_state=rng.integers(1000)) for t in TABLES if len(job.tables[t])}
    mixed = Job.from_frames("other order", job.settings, **frames)
    same(*(told(heightnet.check(one)) for one in (job, mixed)), 1e-5)


def test_datum_and_ellipsoid_shift_together(job, result):
    marks = job.marks.assign(height=job.marks["height"] + 500, separation=job.marks["separation"] - 30)
    gnss = job.gnss.assign(height=job.gnss["height"] + 470)
    same(told(result), told(heightnet.check(job.with_tables(marks=marks, gnss=gnss))), 1e-5)


def test_a_rise_may_be_booked_from_either_end(job, result):
    back = job.gnss["from_setup"] != ""
    gnss = job.gnss.assign(
        from_setup=job.gnss["to_setup"].where(back, ""),
        to_setup=job.gnss["from_setup"].where(back, job.gnss["to_setup"]),
        rise=-job.gnss["rise"],
    )  # fmt: skip
    # the few dozen columns of noise behind the sizes found are drawn in the order of names and ends
    same(told(result), told(heightnet.check(job.with_tables(gnss=gnss))), 1e-5, sizes=0.1)


def test_units_of_the_files(job, result, tmp_path):
    from heightnet.job.write import write_job
    from heightnet.ledger.settings import Units

    write_job(job, tmp_path / "job", Units("ft", "gon"))
    same(told(result), told(heightnet.check(tmp_path / "job")), 0.02, chance=1e-3)  # tapes show 0.01 mm


def test_renamed_marks(job, result):
    new = {m: f"{i:03d}" for i, m in enumerate(reversed(list(job.marks["mark"])))}
    frames = {t: job.tables[t].assign(mark=job.tables[t]["mark"].map(new)) for t in ("marks", "setups", "targets")}
    levels = job.levels.assign(from_mark=job.levels["from_mark"].map(new), to_mark=job.levels["to_mark"].map(new))
    same(told(result), told(heightnet.check(job.with_tables(levels=levels, **frames))), 1e-5, sizes=0.1)


def test_a_job_without_satellites_is_as_it_was():
    net = build_network(simulate("S3", 1)[0])
    assert not len(net.separations) and not (net.kind >= code_of("separations")).any()
    assert net.rows("gnss").start == net.rows("gnss").stop == net.edge_count
    facts = heightnet.check(net.job).facts
    assert facts["gnss"] == [] and facts["separations"] == [] and facts["separation_model"] is None
    assert "antenna" not in heightnet.check(net.job).summary()


# ---- forced centring, and words ----


def test_an_antenna_and_an_instrument_on_one_stand():
    """The antenna's reference point is 0.081 m above the seat, the trunnion axis 0.196 m: one taping serves both."""
    job = simulate("G1", 7)[0]
    equipment = pd.concat(
        [job.equipment, pd.DataFrame([{"equipment": "instrument 1", "point": "axis", "radius": 0.0, "offset": 0.196}])]
    )
    equipment = equipment.drop_duplicates(["equipment", "point"], keep="last")
    equipment.loc[(equipment["equipment"] == "antenna 1") & (equipment["point"] == "axis"), "offset"] = 0.081
    antenna = next(s for s, m, i in zip(job.setups["setup"], job.setups["mark"], job.setups["instrument"], strict=True)
                   if m == "M1" and i == "antenna 1")  # fmt: skip
    setups = job.setups.assign(tripod=np.where(job.setups["setup"].isin([antenna, "S0"]), "stand 1", ""))
    seat = float(job.tape.loc[job.tape["stand"] == "S0", "reading"].iloc[0]) - 0.196
    z = float(job.tape.loc[job.tape["stand"] == antenna, "reading"].iloc[0])
    gnss = job.gnss.copy()  # the antenna's rows as they would be on this stand
    gnss.loc[gnss["to_setup"] == antenna, ["rise", "height"]] += seat + 0.081 - z
    gnss.loc[gnss["from_setup"] == antenna, "rise"] -= seat + 0.081 - z
    tape = job.tape[job.tape["stand"] != antenna].reset_index(drop=True)
    shared = job.with_tables(setups=setups, equipment=equipment, gnss=gnss, tape=tape)
    found = heightnet.check(shared)
    assert found.facts["suspects"] == []
    heights = {s["setup"]: s["recorded_m"] for s in found.facts["setups"]}
    assert heights[antenna] == pytest.approx(seat + 0.081) and heights["S0"] == pytest.approx(seat + 0.196)


def test_the_page_and_the_story_speak_of_antennas(result):
    page = result.page()
    assert "Satellite heights" in page and "Separations" in page
    story = check_document(result.shown)
    assert story.headline.startswith("The antenna height of set-up G18")
    said = list(sentences(story.blocks))
    assert any("instrument or antenna heights:" in line for line in said)
    assert any("satellite heights:" in line for line in said)
    assert result._repr_html_()


def test_the_other_commands_speak_of_antennas():
    from heightnet.report.bust_words import bust_document
    from heightnet.report.show_words import show_document
    from heightnet.report.text import plain
    from heightnet.tasks.bust import bust
    from heightnet.tasks.prove import prove
    from heightnet.tasks.show import show

    job = simulate("G1", 11, {"setup:G18": 0.06})[0]
    assert "The antenna height of set-up G18" in str(bust_document(bust(job)))
    gone = str(plan_document(plan(satellites_only(job), gone=True)))
    assert "First find out about the antenna height of set-up G18" in gone
    assert "Put the antenna up again over M8" in gone and "head to" not in gone
    in_parts = str(plan_document(plan(satellites_only(simulate("G1", 11)[0]), minutes=Minutes(in_parts=0.1))))
    assert "head to the antenna's reference point" in in_parts
    assert prove(job, "G18")["verdict"] == "no_check_shots"
    listed = plain(show_document(show(job), None)).splitlines()
    assert "Satellite heights" in listed
    assert any("less separation 41." in line and "session session 1" in line for line in listed)
    assert any("an antenna" in line and "satellite heights" in line for line in listed)


def test_of_two_that_nothing_tells_apart_neither_is_the_suspect():
    """The antennas of the only model or the separations: equally likely, so it is one or the other."""
    settings = simulate("G1", 0)[0].settings.with_values(**{"separation.offset_sd_mm": 0.0, "separation.sd_mm": 5.0})
    job = one_model(simulate("G1", 4, settings=settings)[0])
    marks = job.marks.assign(separation_sd=0.005)
    found = heightnet.check(job.with_tables(marks=marks, gnss=job.gnss.assign(height=job.gnss["height"] + 0.1)))
    verdicts = {g["id"]: g["verdict"] for g in found.facts["groups"]}
    assert verdicts["group:instrument:antenna 1"] == verdicts[ALONE] == "either"
    said = " ".join(found.summary().split())
    assert "One of these is wrong, and nothing in the job tells which" in said
    assert "every antenna height of antenna 1" in said and "every separation" in said
