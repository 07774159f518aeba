"""The facts of many jobs: order, division, hidden names, schema, words; rates offered back to check."""

from __future__ import annotations

import json
from importlib.resources import files
from itertools import chain

import numpy as np
import pytest
from across_records import drawn
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from heightnet.archives.across import across_jobs
from heightnet.archives.reduced import reduced_job
from heightnet.commands.demo import demos
from heightnet.commands.group import cli
from heightnet.errors import HeightnetError, InputErrors
from heightnet.job.observers import code, hide_observers
from heightnet.job.settings import read_rates
from heightnet.judge.bench import Bench
from heightnet.judge.judgement import Judgement
from heightnet.network import build_network
from heightnet.report.across_words import RATES, VERDICTS, across_blocks, cause_text, rates_toml
from heightnet.report.document import Document
from heightnet.report.html import html
from heightnet.report.text import plain
from heightnet.tasks.check import check
from tests.simulate.archive import country, simulate_job

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def land():
    return country(24, seed=3, offices=1)


@pytest.fixture(scope="module")
def records(land):
    out = []
    for n in range(land.jobs):
        job = simulate_job(land, n).job
        judgement = Judgement(Bench(build_network(job)))
        out.append(reduced_job(judgement, check(job).facts if n < 6 else None))
    return out


@pytest.fixture(scope="module")
def facts(records):
    return across(records)


def across(records):
    """The facts of a list of records."""
    return across_jobs(lambda: records)


def same(one, other, digits=5):
    """Equal but for the last digits of numbers."""
    if isinstance(one, dict):
        assert one.keys() == other.keys()
        for key in one:
            same(one[key], other[key], digits)
    elif isinstance(one, list):
        assert len(one) == len(other)
        for a, b in zip(one, other, strict=True):
            same(a, b, digits)
    elif isinstance(one, float):
        assert one == pytest.approx(other, rel=10.0**-digits, abs=1e-9)
    else:
        assert one == other


def test_neither_order_nor_division_of_an_archive_matters(records, facts):
    shuffled = [records[i] for i in np.random.default_rng(1).permutation(len(records))]
    same(across(shuffled), facts)
    same(across_jobs(lambda: chain(records[15:], records[:15])), facts)


def test_facts_follow_their_schema(facts):
    schema = json.loads(files("heightnet.report").joinpath("across.schema.json").read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema)
    for one in (facts, across([]), across([drawn(np.random.default_rng(1), ["index:I"], np.array([1e-4]))])):
        assert [error.message for error in validator.iter_errors(json.loads(json.dumps(one, allow_nan=False)))] == []


def test_no_archive_is_an_empty_answer():
    facts = across([])
    assert facts["jobs"] == 0 and facts["offsets"] == [] and facts["rates"] == {}
    assert across_blocks(facts) == []


def test_records_of_another_version_are_refused(records):
    with pytest.raises(HeightnetError, match="another version"):
        across([*records, records[0] | {"schema": "heightnet-reduced/0"}])


def test_hidden_observers_change_no_estimate(land, records):
    shown, hidden = across(records[:8]), []
    for n in range(8):
        job = hide_observers(simulate_job(land, n).job, "codes", b"key")
        hidden.append(reduced_job(Judgement(Bench(build_network(job)))))
    found = across(hidden)
    document = Document("An archive", "doubtful", "", "", across_blocks(found))
    written = json.dumps(found) + html(document) + rates_toml(found) + plain(document)
    real = {code(person, b"key"): person for person in land.offices[0].people}
    assert not [person for person in real.values() if person in written]
    assert [real[o["name"]] for o in found["observers"]] == [o["name"] for o in shown["observers"]]
    errors = {(t["kind"], t["name"]): t["error_mm"] for t in shown["offsets"]}
    for t in found["offsets"]:
        assert t["error_mm"] == pytest.approx(errors[t["kind"], real.get(t["name"], t["name"])], rel=1e-6)


def test_people_of_one_name_are_counted_together(land):
    job = simulate_job(land, 0).job
    names, setups, tape = ["Ann Berg", "Alf Bo"], job.setups, job.tape
    job = job.with_tables(setups=setups.assign(observer=np.resize(names, len(setups))),
                  tape=tape.assign(by=np.resize(names, len(tape))))  # fmt: skip
    several, one = (
        reduced_job(Judgement(Bench(build_network(each)))) for each in (job, hide_observers(job, "initials"))
    )

    def heights(record):
        return {t: n for t, n in zip(record["things"], record["heights"], strict=True) if t.startswith("observer:")}

    assert heights(one) == {"observer:AB": sum(heights(several).values())} and len(heights(several)) == 2
    facts = across([one])
    assert "AB" in [o["name"] for o in facts["observers"]]
    assert len([t for t in facts["offsets"] if t["kind"] == "observer"]) == 1


@pytest.mark.parametrize("name", ["P|from today", "P|before 700", "a:b|?", "", "｜"])
def test_a_name_may_hold_anything(name):
    """A thing that changed is told from one whose name looks like it."""
    rng = np.random.default_rng(4)
    records = [
        drawn(
            rng,
            [f"equipment:{name}", f"equipment:Q{i % 5}"],
            np.array([0.006 * (i > 20), 0]),
            f"2024-{1 + i // 4:02d}-{1 + i % 4:02d}",
        )
        for i in range(40)
    ]
    facts = across(records)
    assert [c["name"] for c in facts["changes"]] == [name]
    times = [(t["since"] is None, t["until"] is None) for t in facts["offsets"] if t["name"] == name]
    assert sorted(times) == [(False, True), (True, False)]


def test_words_say_what_was_found(facts):
    text = plain(Document("An archive", "doubtful", "", "", across_blocks(facts)))
    assert "±" not in text and "%" not in text
    for kind in facts["rates"]:
        assert RATES[kind] in text
    for t in facts["offsets"]:
        assert t["name"] in text
    for c in facts["causes"][:1]:
        assert cause_text(c["cause"]) in text
    assert {t["verdict"] for t in facts["offsets"]} <= VERDICTS.keys()
    assert "None" not in text and "nan" not in text


def test_rates_are_offered_back_to_check(facts, tmp_path):
    file = tmp_path / "rates.toml"
    file.write_text(rates_toml(facts), encoding="utf-8")
    rates = read_rates(file)
    assert rates.keys() == {f"rates.{kind}" for kind in facts["rates"]}
    assert rates["rates.setup"] == pytest.approx(facts["rates"]["setup"]["rate"], abs=1e-6)
    demo = str(next(iter(demos().values())))
    shown = CliRunner().invoke(cli, ["check", demo, "--rates", str(file), "--json"])
    assert shown.exit_code in (0, 1), shown.output
    used = json.loads(shown.stdout)["settings"]["rates"]
    assert used["setup"] == pytest.approx(rates["rates.setup"])


@pytest.mark.parametrize(
    "text, said",
    [
        ("[rates]\nsetup = 2\n", "a number from 0.000000001 to 0.5"),
        ("[rates]\nsetups = 0.1\n", "nearest setting"),
        ("[precision]\ntape_mm = 2.0\n", "settings of [rates] only"),
        ("", "at least one rate"),
        ("[rates\n", "TOML"),
    ],
)
def test_a_file_that_holds_no_rates_is_refused(tmp_path, text, said):
    file = tmp_path / "rates.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputErrors) as caught:
        read_rates(file)
    assert said in str(caught.value) and "rates.toml" in str(caught.value)


def test_offsets_of_a_simulated_office_are_recovered(land, facts):
    office = land.offices[0]
    misses = []
    for t in facts["offsets"]:
        if t["kind"] in ("equipment", "instrument") and t["name"] not in office.changed and t["w"] is not None:
            misses.append((t["error_mm"] - 1000 * office.offset[t["name"]]) / t["error_sd_mm"])
    assert len(misses) >= 10
    assert np.mean(np.abs(misses) < 3) > 0.9
