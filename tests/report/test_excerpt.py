"""Large jobs on a page: what is accused, what touches it, what is tested least; and finding records among many."""

import pytest
import sample_facts

from heightnet.report.excerpt import SIGHTS, STANDS, WHOLE_UP_TO, excerpt
from heightnet.report.lookup import Lookup, Register
from heightnet.report.page import page
from heightnet.report.words import Words


@pytest.fixture(scope="module")
def large():
    facts = sample_facts.big(2_100)
    assert len(facts["shots"]) > WHOLE_UP_TO
    wrong = facts["setups"][1_234]
    wrong |= {"verdict": "suspect", "probability": 0.97, "error_mm": 31.0, "error_sd_mm": 2.0}
    return facts, wrong["setup"]


def test_a_job_that_fits_is_shown_whole():
    facts = sample_facts.suspect()
    assert excerpt(facts) is facts


def test_the_accused_and_all_that_touches_it_is_kept(large):
    facts, wrong = large
    part = excerpt(facts)
    assert part["setups"][[s["setup"] for s in part["setups"]].index(wrong)]["verdict"] == "suspect"
    sights = [s["id"] for s in facts["shots"] if s["setup"] == wrong]
    kept = {s["id"] for s in part["shots"]}
    assert sights and kept.issuperset(sights)
    targets, marks = {t["target"] for t in part["targets"]}, {m["mark"] for m in part["marks"]}
    for shot in part["shots"]:  # both ends of every sight shown are there
        assert shot["target"] in targets and {shot["from_mark"], shot["to_mark"]} - {None} <= marks


def test_it_is_bounded_and_in_the_order_of_the_job(large):
    facts, _ = large
    part = excerpt(facts)
    assert len(part["shots"]) <= SIGHTS
    assert len(part["setups"]) <= STANDS + SIGHTS
    order = {s["setup"]: i for i, s in enumerate(facts["setups"])}
    positions = [order[s["setup"]] for s in part["setups"]]
    assert positions == sorted(positions)


def test_the_page_says_what_it_leaves_out(large):
    facts, wrong = large
    text = page(facts)
    assert "Part of the job." in text and f"of {len(facts['setups']):,} set-ups" in text
    assert len(text) < 5_000_000
    assert wrong in text


def test_records_are_found_by_their_ids():
    facts = sample_facts.suspect()
    register = Register(facts)
    assert len(register) == len(list(register))
    for id in register:
        assert register[id] in [register.get(id)]
    suspect = next(s for s in facts["setups"] if s["verdict"] == "suspect")
    assert register[suspect["hypothesis"]] is suspect
    assert (suspect["hypothesis"], suspect) in register.with_verdict("suspect")
    assert "swap:S1/P1" not in register and "setup:none" not in register
    first = [{"mark": "A", "n": 1}, {"mark": None, "n": 2}]
    assert Lookup((first, [{"mark": "A", "n": 3}]), "mark")["A"]["n"] == 1
    assert Words(facts).setups[suspect["setup"]] is suspect
