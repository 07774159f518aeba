"""A traverse in both faces, forward and back, with double tapes: what it shows of itself, against simulated truth."""

import json

import numpy as np
import pandas as pd
import pytest

import heightnet
from heightnet.job.model import Job
from heightnet.ledger.settings import Settings
from heightnet.network import build_network
from heightnet.network.loops import loops_of
from heightnet.report.claims import plain
from heightnet.report.method import method
from heightnet.report.words import Words

RADIUS, K, ARCSEC = 6371000.0, 0.13, np.pi / 180 / 3600


def traverse(zenith=2.0, tape_sd=1.0, rounds=2, marks=8, index_sec=12.0, seed=1, both_known=True, **stated):
    """A line of marks 150 m apart, each set up over once, sights to the marks before and after in both faces.

    zenith, tape_sd : the true, arc-seconds and mm, standard deviations; distances have 1 mm and 1.5 ppm as stated.
    """
    rng = np.random.default_rng(seed)
    height = 100 + np.cumsum(rng.uniform(-4, 4, marks))
    setups, targets, shots, tape = [], [], [], []

    def stand(table, kind, name, mark, true):
        table.append({kind: name, "mark": f"M{mark}"})
        for by in ("A", "B"):
            reading = true + rng.normal(0, tape_sd / 1000)
            tape.append({"stand_kind": kind, "stand": name, "text": f"{reading:.5f}", "reading": reading, "scale": "m",
                         "kind": "vertical", "by": by})  # fmt: skip
        return height[mark] + true

    for i in range(marks):
        axis = stand(setups, "setup", f"S{i}", i, 1.5 + 0.01 * i)
        for j in (i - 1, i + 1):
            if not 0 <= j < marks:
                continue
            centre = stand(targets, "target", f"P{i}-{j}", j, 1.6)
            horizontal = 150.0
            rise = centre - axis - (1 - K) * horizontal**2 / 2 / RADIUS
            s, z = np.hypot(horizontal, rise), np.arctan2(horizontal, rise)
            for face in ["L", "R"] * rounds:
                read = z + index_sec * ARCSEC + rng.normal(0, zenith * ARCSEC)
                read = read if face == "L" else 2 * np.pi - (z - index_sec * ARCSEC + rng.normal(0, zenith * ARCSEC))
                shots.append({"setup": f"S{i}", "target": f"P{i}-{j}", "face": face, "zenith_angle": read,
                              "slope_distance": s + rng.normal(0, np.hypot(1.0, 1.5e-3 * s) / 1000)})  # fmt: skip
    known = [0, marks - 1] if both_known else [0]
    marks_ = pd.DataFrame({"mark": [f"M{i}" for i in range(marks)],
                           "height": [h if i in known else np.nan for i, h in enumerate(height)]})  # fmt: skip
    for table in (setups, targets):
        for row in table:
            row["instrument" if "setup" in row else "equipment"] = "one"
    frames = {"setups": setups, "targets": targets, "shots": shots, "tape": tape}
    settings = Settings().with_values(**{f"precision.{name}": value for name, value in stated.items()})
    return Job.from_frames("line", settings, marks=marks_, **{n: pd.DataFrame(rows) for n, rows in frames.items()})


def own(result, kind):
    return next(one for one in result.facts["own_precision"] if one["kind"] == kind)


@pytest.fixture(scope="module")
def sound():
    return heightnet.check(traverse())


def test_the_first_line_is_the_misclosure_between_known_marks(sound):
    """By hand: rises of the sights of the loop named, each the mean of its faces, and the known heights at its ends;
    the weights of two faces differ in the sixth figure."""
    facts = sound.facts
    found = facts["traverse"]
    loop = facts["loops"][found["loop"] - 1]
    assert {found["from_mark"], found["to_mark"]} == {"M0", "M7"}
    assert found["sights"] == sum(id_.startswith("shot:") for id_ in loop["ids"]) == 7
    shots = {s["id"]: s for s in facts["shots"]}
    heights = {f"{kind}:{r[kind]}": r["recorded_m"] for kind in ("setup", "target") for r in facts[f"{kind}s"]}
    sights = [shots[id_] for id_ in loop["ids"] if id_.startswith("shot:")]
    rises: dict = {}
    for s in facts["shots"]:
        rises.setdefault((s["setup"], s["target"]), []).append(s["rise_m"])
    up = sum(
        (np.mean(rises[s["setup"], s["target"]]) + heights[f"setup:{s['setup']}"] - heights[f"target:{s['target']}"])
        * (1 if s["from_mark"] < s["to_mark"] else -1)
        for s in sights
    )
    known = {k["mark"]: k["height_m"] for k in facts["known"]}
    assert abs(loop["misclosure_mm"]) == pytest.approx(abs(up - (known["M7"] - known["M0"])) * 1000, abs=1e-3)
    assert loop["allowed_mm"] == pytest.approx(3 * loop["expected_sd_mm"])
    first = sound.story.blocks[0]
    size = f"{abs(loop['misclosure_mm']):.1f} mm"
    assert plain(first).startswith(f"{found['from_mark']} to {found['to_mark']} by 7 sights")
    assert f"misses {size}, the stated precision lets expect {loop['expected_sd_mm']:.1f} mm" in plain(first)


def test_one_known_mark_is_closed_on_by_the_longest_loop():
    """Out by the sights forward and back by those backward: of 7 lines 14 sights."""
    result = heightnet.check(traverse(both_known=False))
    found = result.facts["traverse"]
    assert (found["from_mark"], found["to_mark"], found["sights"]) == ("M0", "M0", 14)
    assert plain(result.story.blocks[0]).startswith("M0 back to M0 by 14 sights: misses")


def test_no_line_where_sights_join_no_known_marks():
    """Two marks seen from either end are no way round."""
    assert heightnet.check(traverse(both_known=False, marks=2)).facts["traverse"] is None


def test_faces_and_forward_and_back_stand_beside_each_sight(sound):
    """Against the same written down with plain Python from the recorded tables."""
    job, shots = traverse(), sound.facts["shots"]
    read = job.shots.to_dict("records")
    taped = {k: sum(v) / len(v) for k, v in _by_stand(job).items()}
    on = {**dict(zip(job.setups["setup"], job.setups["mark"], strict=True)),
          **dict(zip(job.targets["target"], job.targets["mark"], strict=True))}  # fmt: skip

    def rise(r):
        z = min(r["zenith_angle"], 2 * np.pi - r["zenith_angle"])
        far = r["slope_distance"] * np.sin(z)
        return r["slope_distance"] * np.cos(z) + (1 - K) * far**2 / 2 / RADIUS, z

    ground = [rise(r)[0] + taped[r["setup"]] - taped[r["target"]] for r in read]
    ends = [(on[r["setup"]], on[r["target"]]) for r in read]
    for i, (r, s) in enumerate(zip(read, shots, strict=True)):
        turn = sum(o["target"] == r["target"] and o["face"] == r["face"] for o in read[:i])
        other = [o for o in read if o["target"] == r["target"] and o["face"] != r["face"]][turn]
        left, right = (r, other) if r["face"] == "L" else (other, r)
        assert s["faces_mm"] == pytest.approx((rise(left)[0] - rise(right)[0]) * 1000, abs=1e-6)
        assert s["index_sec"] == pytest.approx((rise(left)[1] - rise(right)[1]) / 2 / ARCSEC, abs=1e-6)
        back = [g for g, e in zip(ground, ends, strict=True) if e == ends[i][::-1]]
        there = [g for g, o in zip(ground, read, strict=True) if (o["setup"], o["target"]) == (r["setup"], r["target"])]
        assert s["forward_back_mm"] == pytest.approx((np.mean(there) + sum(back) / len(back)) * 1000, abs=1e-6)
    assert np.mean([s["index_sec"] for s in shots]) == pytest.approx(12.0, abs=1.0)  # 2" / sqrt(2 x 28 pairs) = .3"


def _by_stand(job):
    found = {}
    for r in job.tape.to_dict("records"):
        found.setdefault(r["stand"], []).append(r["reading"])
    return found


def test_degrees_of_freedom(sound):
    """14 sights of two rounds in two faces: 56 - 14 - 1 for the angles, 56 - 14 for the distances; 22 stands taped
    twice; 7 lines from either end, whose index error cancels in the mean of the faces."""
    assert {one["kind"]: one["dof"] for one in sound.facts["own_precision"]} == {
        "zenith": 41, "distance": 42, "tape": 22, "rise": 7,
    }  # fmt: skip
    assert not any(one["differs"] for one in sound.facts["own_precision"] if one["kind"] != "zenith")


@pytest.mark.parametrize(("zenith", "tape"), [(6.0, 1.0), (3.0, 2.5)])
def test_planted_sds_are_found(zenith, tape):
    """Over 5 jobs of 41 degrees of freedom the root of the mean square is known to 1 / sqrt(2 x 205) = 5 %, of the
    tapes, 22 each, to 7 %: three times that."""
    jobs = [heightnet.check(traverse(zenith, tape, seed=seed)) for seed in range(5)]
    mean = {kind: np.sqrt(np.mean([own(job, kind)[key] ** 2 for job in jobs]))
            for kind, key in (("zenith", "own_sec"), ("tape", "own_mm"))}  # fmt: skip
    assert mean["zenith"] == pytest.approx(zenith, rel=0.15)
    assert mean["tape"] == pytest.approx(tape, rel=0.20)


def test_a_line_for_job_toml_where_it_differs():
    """Stated 2", planted 6": the line holds the estimate, and a job that has it no longer differs."""
    result = heightnet.check(traverse(6.0, zenith_sec=2.0))
    one = own(result, "zenith")
    assert one["differs"]
    value = float(one["lines"][0].partition(" = ")[2].partition(" ")[0])
    assert one["lines"] == [f"zenith_sec = {value:g}  # estimated from the job's own repeats, 41 degrees of freedom"]
    assert value == pytest.approx(one["own_sec"], rel=0.05)  # two digits
    said = result.summary().replace("\n   ", " ")
    assert f"; in job.toml, below [precision]: zenith_sec = {value:g}." in said
    assert not own(heightnet.check(traverse(6.0, zenith_sec=value)), "zenith")["differs"]


def test_one_blunder_changes_little():
    """A degree in one angle, 100 mm in one reading: left out, as told wrong or as too far apart."""
    job = traverse(3.0)
    before = heightnet.check(job)
    shots, tape = job.shots.copy(), job.tape.copy()
    shots.loc[8, "zenith_angle"] += np.radians(1.0)
    tape.loc[4, "reading"] += 0.1
    after = heightnet.check(job.with_tables(shots=shots, tape=tape))
    for kind, key, rows in (("zenith", "own_sec", 3), ("tape", "own_mm", 1)):
        was, now = own(before, kind), own(after, kind)
        assert now["wrong"] + now["left_out"] >= 1
        assert was["dof"] - rows <= now["dof"] < was["dof"]
        assert now[key] == pytest.approx(was[key], rel=0.15)


def test_rows_that_state_an_sd_of_their_own_do_not_count():
    job = traverse()
    shots = job.shots.assign(sd_zenith=5.0 * ARCSEC)
    kinds = {one["kind"] for one in heightnet.check(job.with_tables(shots=shots)).facts["own_precision"]}
    assert kinds == {"distance", "tape", "rise"}


def test_the_page_has_them_in_its_table_and_its_method(sound, tmp_path):
    sound.write(tmp_path)
    header = (tmp_path / "sights.csv").read_text().splitlines()[0].split(",")
    assert {"faces_mm", "index_sec", "forward_back_mm"} <= set(header)
    sections = {section.title: section for section in method(Words(sound.shown))}
    assert len(sections["What its own repeats show"].blocks[0].rows) == 4
    assert "Forward + back, mm" in sound.page()


def test_a_result_of_before_is_still_shown(sound, tmp_path):
    """A results.json without what came later has its page and its tables."""
    facts = json.loads(sound.to_json())
    del facts["traverse"], facts["own_precision"]
    for shot in facts["shots"]:
        for key in ("faces_mm", "index_sec", "forward_back_mm"):
            del shot[key]
    (tmp_path / "results.json").write_text(json.dumps(facts), encoding="utf-8")
    before = heightnet.Result.from_json(tmp_path / "results.json")
    assert "misses" not in before.summary()
    assert "Forward + back" not in before.page()
    before.write(tmp_path / "again")
    assert "faces_mm" not in (tmp_path / "again" / "sights.csv").read_text(encoding="utf-8")


def test_a_loop_between_known_marks_is_kept_beside_many_short_ones(sound):
    """Of very many loops the shortest are kept, and those from known mark to known mark besides."""
    net = build_network(traverse())
    few = loops_of(net, at_most=3)
    assert all(loop.marks[0] == loop.marks[-1] for loop in few[:3])  # short ones, forward and back
    assert {frozenset((loop.marks[0], loop.marks[-1])) for loop in few[3:]} == {frozenset(("M0", "M7"))}
    assert len(loops_of(net)) > len(few)
