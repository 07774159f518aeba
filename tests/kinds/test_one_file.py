"""A kind of one's own is one file, a cause one line: each tried for real, from a CSV file to the sentence about it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest

import heightnet
from heightnet.archives.screen import screen_archive
from heightnet.errors import InputErrors
from heightnet.job.read import read_job
from heightnet.judge.family import build_family
from heightnet.kinds import level, registry, slips
from heightnet.kinds.cause import Cause
from heightnet.kinds.kind import Shared, Words
from heightnet.kinds.registry import KINDS, register, unregister
from heightnet.ledger import recorded, results, thing
from heightnet.ledger.record import NUMBER, Fact
from heightnet.ledger.results import results as whole
from heightnet.ledger.schema import schema
from heightnet.network import build_network
from heightnet.tasks.bust import bust
from tests.kinds import toy_water

LINE = (("W1", "W2", 0.4210), ("W2", "W3", 0.6311), ("W3", "W4", 0.4499))
MARKS = "mark,height,sd_mm\nW1,100.000,1\nW4,101.502,1\n"
LEVELS = "from,to,rise,sd_mm\nW1,W2,0.4210,1\nW2,W3,0.6312,1\nW3,W4,0.4497,1\nW4,W1,-1.5021,1\n"
WATER = "\n".join(
    ("from_mark,to_mark,rise,sd_mm", "W1,W2,0.4210,0.5", "W2,W3,0.6311,0.5", "W3,W4,0.4499,0.5", "W1,W3,1.0521,0.5",
     "W2,W4,1.0811,0.5", "")
)  # fmt: skip
AIR = WATER.replace("W2,W3,0.6311", "W2,W3,0.6433")  # 12.2 mm of air


def everything() -> tuple[object, ...]:
    """What a registration changes."""
    return tuple(
        list(names) for names in (KINDS, recorded.TABLES, results.PARTS, thing.ROWS, thing.OBSERVED, thing.TABLES)
    )


@pytest.fixture
def water():
    before = everything()
    register(toy_water.KIND)
    yield
    unregister("water")
    assert everything() == before


def job(folder: Path, water: str = WATER, levels: str = LEVELS) -> Path:
    for name, text in {"marks": MARKS, "levels": levels, "water": water}.items():
        if text:
            (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


def test_its_table_is_read_and_every_error_named(water, tmp_path):
    with pytest.raises(InputErrors) as refused:
        heightnet.check(job(tmp_path, "from,to,rise,sd_mm\nW1,,0.4210,0.5\nW2,W3,wet,0.5\nW3,W4,0.4499,-1\n"))
    places = {(p.file, p.row, p.column) for p in refused.value.problems}
    assert places == {("water.csv", 2, "to_mark"), ("water.csv", 3, "rise"), ("water.csv", 4, "sd_mm")}


def test_it_ties_marks_and_is_tested(water, tmp_path):
    net = build_network(read_job(job(tmp_path, levels="")))
    assert net.rows("water") == slice(2, 7) and net.edge_count == 7
    assert [str(net.nodes.name[n]) for n in (net.tail[2], net.head[2])] == ["W1", "W2"]
    assert net.rise[2] == 0.4210 and net.sd[2] == pytest.approx(0.0005)
    assert build_family(net).ids.tolist()[-5:] == [f"water:water.csv:{row}" for row in range(2, 7)]


def test_a_sound_job_closes(water, tmp_path):
    result = heightnet.check(job(tmp_path))
    assert result.facts["judgement"]["state"] == "closes"
    assert {r["verdict"] for r in result.facts["water"]} == {"proved"}


def test_its_blunder_is_found_and_told(water, tmp_path):
    result = heightnet.check(job(tmp_path, AIR))
    (finding,) = result.facts["findings"]
    assert (finding["id"], finding["named"], finding["slip"]["cause"]) == ("water:water.csv:3", True, "bubble")
    told = result.shown["water"][1]
    assert told["error_mm"] == pytest.approx(12.2, abs=0.6) and told["verdict"] == "suspect"
    assert list(told)[:6] == ["id", "file", "row", "from_mark", "to_mark", "rise_m"]
    jsonschema.validate(json.loads(result.to_json()), schema(whole(), "results"))
    assert result.water.shape == (5, 15)
    words = " ".join(result.summary().split())
    assert "The water reading W2 to W3 (row 3) is wrong: recorded 12." in words and "Air in the hose." in words
    assert "5 water readings: 1 probably wrong, 4 proved" in words


def test_the_page_has_its_table_and_draws_its_line(water, tmp_path):
    page = heightnet.check(job(tmp_path, AIR)).page()
    assert "Water readings as recorded." in page and "by the hose" in page
    assert "water reading W2 to W3" in page and "culprit suspect" in page and "accused-line" in page


def test_its_results_are_read_back(water, tmp_path):
    result = heightnet.check(job(tmp_path, AIR))
    result.write(tmp_path / "report")
    again = heightnet.Result.from_json(tmp_path / "report" / "results.json")
    assert again.summary() == result.summary()


def test_several_that_nothing_parts_are_listed_with_what_is_booked(water, tmp_path):
    water = "from_mark,to_mark,rise,sd_mm\nW1,W2,0.4210,0.5\nW2,W3,0.6433,0.5\nW3,W1,-1.0521,0.5\n"
    folder = job(tmp_path, water, levels="")
    result = heightnet.check(folder)
    assert {r["verdict"] for r in result.facts["water"]} == {"either"}
    assert "water reading W3 to W1" in " ".join(result.summary().split()) and "W2 to W3" in result.page()
    rival = bust(read_job(folder))["rivals"][1]
    assert (rival["id"], rival["recorded_m"]) == ("water:water.csv:3", 0.6433)
    assert rival["would_be_m"] == pytest.approx(0.6311, abs=1e-6)


def test_workers_of_an_archive_learn_of_it(water, tmp_path):
    for name, text in {"sound": WATER, "air": AIR}.items():
        (tmp_path / "office" / name).mkdir(parents=True)
        job(tmp_path / "office" / name, text)
    screened = screen_archive(tmp_path / "office", tmp_path / "out", workers=2, page=False)
    assert screened.checked == 2 and not screened.faults
    index = json.loads((tmp_path / "out" / "archive.json").read_text(encoding="utf-8"))
    assert {j["path"]: (j["state"], j["error"]) for j in index["jobs"]} == {
        "air": ("wrong", None), "sound": ("closes", None),
    }  # fmt: skip
    worst = next(j["worst"] for j in index["jobs"] if j["path"] == "air")
    assert (worst["id"], worst["cause"]) == ("water:water.csv:3", "bubble")


def test_without_it_its_table_is_not_read(tmp_path):
    assert "water.csv is not a table of a job" in heightnet.check(job(tmp_path)).page()


# the contract


def hose(net):
    rows = net.rows("water")
    yield "hose", "the red hose", np.arange(rows.start, rows.stop), np.ones(rows.stop - rows.start), np.nan


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"edges": None}, "no edges"),
        ({"causes": ()}, "no causes"),
        ({"record": ()}, "no record"),
        ({"record": (Fact("depth_m", NUMBER), *toy_water.KIND.record)}, "nothing tells 'depth_m'"),
        ({"rate": "shot"}, "it is not the KIND of the module"),
        ({"rate": "hose"}, "there is no setting rates.hose"),
        ({"words": {}}, "no words for 'water'"),
        ({"marks": ("from",)}, "'water' has no column 'from'"),
        ({"at_marks": ("start",)}, "an edge has no 'start'"),
        ({"name": "staff", "blunders": ("staff",)}, "there is a kind 'staff' already"),
        ({"table": "levels"}, "there is a table 'levels' already"),
        ({"scatter": "none"}, "a scatter 'none' is not known"),
        ({"line": ("from_mark", "to_mark")}, "its line is not two marks and a length"),
        ({"line": ("from_mark", "rise_m", "")}, "its line goes by 'rise_m', which is no column of marks"),
        ({"common": hose}, "its common errors are not in `shared`"),
        ({"shared": {"tape": Shared("{name}", "a tie")}}, "there is a common error 'tape' already"),
        ({"words": {"water": Words()}}, "no noun for 'water'"),
        ({"record": toy_water.KIND.record * 2}, "the key 'rise_m' is there twice"),
        ({"line": ("from_mark", "end", "")}, "its line speaks of 'end', its record does not"),
        (
            {"words": {"water": toy_water.KIND.words["water"]._replace(row="at {hose}")}},
            "its words speak of 'hose', its record does not",
        ),
        ({"causes": toy_water.KIND.causes + toy_water.KIND.causes[-1:]}, "the cause 'bubble' is there twice"),
    ],
)
def test_what_is_missing_or_clashes_is_said(change, said):
    before = everything()
    with pytest.raises(ValueError, match="cannot be registered") as refused:
        register(replace(toy_water.KIND, **change))
    assert said in str(refused.value) and everything() == before


def test_what_its_rows_have_in_common_is_named_and_what_would_show_it(monkeypatch, tmp_path):
    """A line of readings from one known mark to another, each too high by as much."""
    shared = {"hose": Shared("the scale of {name}", "one rise levelled")}
    monkeypatch.setattr(toy_water, "KIND", replace(toy_water.KIND, common=hose, shared=shared))
    register(toy_water.KIND)
    try:
        rows = ["from,to,rise,sd_mm", *(f"{a},{b},{h + 0.02:.4f},0.5" for a, b, h in LINE)]
        result = heightnet.check(job(tmp_path, "\n".join(rows) + "\n", levels=""))
        members = [m["id"] for f in result.facts["findings"] for m in f["members"]]
        assert "group:hose:the red hose" in members
        assert "one rise levelled" in {one["what"] for f in result.facts["findings"] for one in f["shown_by"]}
        assert "the scale of the red hose" in result.page()
    finally:
        unregister("water")


def test_a_common_error_that_nobody_declares_is_refused(monkeypatch, tmp_path):
    shared = {"tube": Shared("the scale of {name}", "one rise levelled")}
    monkeypatch.setattr(toy_water, "KIND", replace(toy_water.KIND, common=hose, shared=shared))
    register(toy_water.KIND)
    try:
        with pytest.raises(ValueError, match="what the common error 'hose' is"):
            heightnet.check(job(tmp_path))
    finally:
        unregister("water")


def test_kinds_of_the_house_keep_it_too():
    """Those that stand in a table of rows; their tables and records are in the ledger."""
    for name in thing.ROWS:
        kind = KINDS[name]
        assert kind.edges and kind.rate and kind.causes and kind.words[name].noun
        assert thing.TABLES[name] == kind.table and kind.table in results.PARTS and kind.table in recorded.TABLES
    every = {name for kind in KINDS.values() for name in (*kind.blunders, kind.pair)} - {""}
    listed = {*thing.TAPED, *thing.OBSERVED, *thing.AT_MARKS, *thing.EXCHANGED, *thing.TOGETHER}
    assert every == listed | {thing.MISNAMED, thing.POINTING}
    assert registry.code_of("known") == 0 and registry.code_of("height") == 1  # what was known stands first


# a cause


def test_a_cause_is_one_line(tmp_path, monkeypatch):
    frost = Cause("frost", "the mark heaved by frost", 0.50, slips.usually(0.0005, 0.0273))
    monkeypatch.setitem(KINDS, "level", replace(level.KIND, causes=(*level.CAUSES, frost)))
    levels = LEVELS.replace("W2,W3,0.6312", "W2,W3,0.6585") + "W1,W3,1.0522,1\nW2,W4,1.0809,1\n"
    result = heightnet.check(job(tmp_path, water="", levels=levels))
    assert result.facts["suspects"][0]["id"] == "level:levels.csv:3"
    assert (result.facts["suspects"][0]["cause"], result.facts["suspects"][0]["cause_text"]) == ("frost", frost.text)
    assert "The mark heaved by frost." in result.summary()
    assert "The mark heaved by frost" in result.page()
