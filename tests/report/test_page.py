"""report.html as text: self-contained, safe whatever a mark is called, the same every time, small."""

import base64
import hashlib
import json
import re
from itertools import pairwise

import pytest
import sample_facts
from lxml import html

from heightnet.report.page import EMBEDDED_BYTES, page, snippet

NASTY = '"><script>alert(1)</script>'


@pytest.fixture(scope="module")
def text():
    return page(sample_facts.suspect())


def embedded(text, id):
    return json.loads(html.fromstring(text.encode()).get_element_by_id(id).text_content())


@pytest.mark.parametrize("name", ["suspect", "either", "clean", "unproved", "feet"])
def test_the_same_facts_give_the_same_page(name):
    assert page(sample_facts.JOBS[name]()) == page(sample_facts.JOBS[name]())


def test_the_policy_names_the_style_and_the_script_that_are_there(text):
    document = html.fromstring(text.encode())
    (policy,) = document.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
    for tag, directive in (("style", "style-src"), ("script[not(@type)]", "script-src")):
        (found,) = document.xpath(f"//{tag}")
        digest = base64.b64encode(hashlib.sha256(found.text.encode()).digest()).decode()
        assert f"{directive} 'sha256-{digest}'" in policy
    assert "default-src 'none'" in policy and "unsafe" not in policy


def test_nothing_comes_from_elsewhere_and_nothing_runs_from_an_attribute(text):
    document = html.fromstring(text.encode())
    assert not document.xpath("//@src") and not document.xpath("//@style")
    assert [h for h in document.xpath("//@href") if not h.startswith("#")] == ["data:,"]
    attributes = {name for element in document.iter("*") for name in element.attrib}
    assert not [name for name in attributes if name.startswith("on")]
    assert not re.search(r"https?://|@import|url\(", re.sub(r"<script type=.*?</script>", "", text, flags=re.S))


def test_names_cannot_break_out():
    facts = sample_facts.suspect()
    facts["job"]["title"] = NASTY
    old = facts["setups"][3]["setup"]
    facts["setups"][3]["setup"] = NASTY
    for shot in facts["shots"]:
        shot["setup"] = NASTY if shot["setup"] == old else shot["setup"]
    facts["setups"][3]["hypothesis"] = facts["suspects"][0]["id"] = f"setup:{NASTY}"
    facts["findings"][0]["id"] = facts["findings"][0]["members"][0]["id"] = f"setup:{NASTY}"
    facts["marks"][2]["mark"] = "</script><b onclick=x>"
    facts["setups"][3]["readings"][0]["by"] = NASTY
    text = page(facts)
    document = html.fromstring(text.encode())
    assert len(document.xpath("//script")) == 3 and not document.xpath("//@onclick")
    assert embedded(text, "results")["setups"][3]["setup"] == NASTY
    assert "<script>alert" not in snippet(facts)


def test_the_results_are_in_the_page(text):
    facts = embedded(text, "results")
    assert facts["schema"] == "heightnet-results/2" and len(facts["shots"]) == 16


def test_the_first_screen_answers(text):
    document = html.fromstring(text.encode())
    answers = document.get_element_by_id("answers")
    said = answers.text_content().replace("\u00a0", " ")
    for part in (
        "S4 (over P4) is wrong: recorded 24 mm too high (20 to 28)", "Very likely: 97 in 100", "side cover",
        "P5 19 mm too high",
        "sight a pole of known height on mark P4", "What nothing here can prove", "Up to 14 mm could hide in S7",
        "licensed surveyor",
    ):  # fmt: skip
        assert part in said


def test_headings_go_down_one_step_at_a_time_and_every_id_is_there_once(text):
    document = html.fromstring(text.encode())
    levels = [int(h.tag[1]) for h in document.xpath("//h1|//h2|//h3|//h4")]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    ids = document.xpath("//@id")
    assert len(ids) == len(set(ids))
    for target in document.xpath("//a/@href"):
        assert target[1:] in ids, target
    for label in document.xpath("//@aria-labelledby"):
        assert all(part in ids for part in label.split())


def test_every_table_has_headings_and_a_name(text):
    document = html.fromstring(text.encode())
    for table in document.xpath("//table"):
        assert table.xpath(".//thead//th[@scope='col']")
        rows = table.xpath(".//tbody/tr")
        columns = len(table.xpath(".//thead//th"))
        assert rows and all(len(row) == columns and row[0].get("scope") == "row" for row in rows)


def test_a_job_in_feet_has_no_millimetres_in_its_tables():
    document = html.fromstring(page(sample_facts.feet()).encode())
    headings = [th.text_content() for th in document.xpath("//table[@class='list']//th[@scope='col']")]
    assert any("ft/1000" in heading for heading in headings) and not any("mm" in heading for heading in headings)


def test_a_job_without_set_ups_has_a_page_too():
    facts = sample_facts.clean()
    for table in ("setups", "targets", "shots", "loops", "known"):
        facts[table] = []
    facts["explanations"] = []
    document = html.fromstring(page(facts).encode())
    assert document.get_element_by_id("answers") is not None
    assert not document.xpath("//section[@id='cards']")


@pytest.mark.slow
def test_a_thousand_set_ups_stay_under_five_megabytes():
    text = page(sample_facts.big())
    assert len(text.encode()) < 5_000_000
    assert len(embedded(text, "more-rows")["shots"]) > 9000
    assert len(text) > EMBEDDED_BYTES and embedded(text, "results")["all_of_it"] == "results.json"
