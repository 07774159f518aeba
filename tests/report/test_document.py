"""Blocks and their two renderers: what a story made is said alike as text and as a page."""

import re
from typing import get_args

import pytest
import sample_facts
from lxml import html as parser

from heightnet.report import document as doc
from heightnet.report.check_words import check_document
from heightnet.report.claims import claim, name, plain, strong
from heightnet.report.html import element, html
from heightnet.report.listings import Column, Listing
from heightnet.report.page import page_document
from heightnet.report.pictures.drawing import Drawing
from heightnet.report.text import plain as as_text

NASTY = "<i>&\"'</i>"
WRONG = doc.Wrong(1, "row 2", NASTY, NASTY, NASTY, f"x = {NASTY}")


def listing():
    table = Listing("t", "All", "Each.", [Column("Name", lambda r: r["name"], "name"), Column("Size", lambda r: "3.0")])
    table.add({"name": NASTY}, "", "k0")
    table.linked = {"k0"}
    return table


ONE_OF_EACH = {
    str: NASTY,
    doc.Bullets: doc.Bullets([NASTY, "second"]),
    doc.Table: doc.Table(["thing ", "size"], [[NASTY, "3.0"]], "caption"),
    doc.Section: doc.Section(NASTY, ["inside"], "place", "Place"),
    doc.Note: doc.Note(f"{strong('Caution.')} {NASTY}", "caution"),
    doc.Picture: doc.Picture("plan", Drawing("plan", NASTY, "", 10, 10)),
    doc.Numbers: doc.Numbers("statistics", [doc.Number(NASTY, "3", "what it means")]),
    doc.Fold: doc.Fold(NASTY, [doc.Table((), [["a", NASTY]])]),
    doc.Card: doc.Card("k0", "k0 k1", NASTY, "suspect", "says", ["inside"]),
    doc.Choices: doc.Choices("which", [doc.Choice(NASTY, "likely", ["inside"]), doc.Choice("two", "unlikely", [])]),
    doc.Columns: doc.Columns([NASTY, "beside"]),
    doc.Steps: doc.Steps([doc.Step(NASTY, "because", ["by, time"])]),
    doc.Switch: doc.Switch(NASTY),
    doc.Legend: doc.Legend([doc.Sign("proved", NASTY, "meaning")]),
    doc.Counts: doc.Counts({"closes": 3, "wrong": 0}),
    doc.Link: doc.Link(NASTY, "rates.toml", ", beside"),
    doc.Code: doc.Code(NASTY),
    doc.Wrongs: doc.Wrongs([WRONG]),
    doc.AsInFile: doc.AsInFile(
        NASTY,
        "row",
        ["A"],
        [doc.FileRow(1, [doc.FileCell(NASTY)])],
        [doc.FileRow(2, [doc.FileCell(NASTY, [doc.Mark(1, 3, [1])])], [WRONG])],
    ),
    Listing: listing(),
}


def shown(*blocks, **of_document):
    return html(doc.Document("t", doc.SOUND, "fine", "says", blocks, **of_document))


def body(page):
    return parser.fromstring(page.encode()).get_element_by_id("answers")


def test_every_block_there_is_is_tried_here():
    assert set(ONE_OF_EACH) == set(get_args(doc.Block))


@pytest.mark.parametrize("kind", ONE_OF_EACH, ids=lambda kind: kind.__name__)
def test_every_block_is_on_a_page_and_names_stay_text(kind):
    answers = body(shown(ONE_OF_EACH[kind]))
    assert not answers.xpath(".//i")
    says = answers.find_class("says")[0].text_content()
    assert (NASTY in says) == (kind not in (doc.Counts,)), "a name is shown as it is"


@pytest.mark.parametrize("kind", ONE_OF_EACH, ids=lambda kind: kind.__name__)
def test_the_text_has_what_a_terminal_can_show(kind):
    text = as_text(doc.Document("t", doc.SOUND, "fine", "", [ONE_OF_EACH[kind]]))
    assert text.startswith("t\nok fine")
    shows = kind in (str, doc.Bullets, doc.Table, doc.Section, doc.Fold, doc.Steps)
    assert (NASTY in text) == shows and ("3  closes" in text) == (kind is doc.Counts)


def test_a_document_that_judges_nothing_has_no_sign_and_air_between_its_parts():
    text = as_text(doc.Document("read", blocks=["first", doc.Section("A", ["a"]), doc.Section("B", ["b"])], foot="end"))
    assert text == "read\n   first\n\nA\n   a\n\nB\n   b\nend"


def test_steps_have_the_same_boxes_on_paper_and_on_a_page():
    steps = doc.Steps([doc.Step("Tape it.", "Then it is proved.", ["reading", "by, time"])])
    lines = as_text(doc.Document("t", blocks=[steps])).splitlines()
    assert lines[1:] == ["   [ ] 1. Tape it.", "       Then it is proved.", "       reading ______  by, time ______"]
    boxes = body(shown(steps)).xpath(".//p[@class='boxes']/span/span/text()")
    assert boxes == ["reading", "by, time"]


def test_tables_are_set_alike_by_the_blank_that_ends_a_heading():
    table = doc.Table(["thing ", "size"], [["a", "3.0"], ["longer", "12.0"]])
    assert as_text(doc.Document("t", blocks=[table])).splitlines()[1:] == [
        "   thing   size", "   a        3.0", "   longer  12.0",
    ]  # fmt: skip
    page = body(shown(table))
    assert page.xpath(".//thead//th/@class") == ["x", "n"] and page.xpath(".//tbody//td/@class") == ["n", "n"]
    assert page.xpath(".//tbody//th/@scope") == ["row", "row"]


def test_a_claim_states_on_a_page_what_the_text_only_says():
    sentence = f"{strong(claim('setup:S1', 'error_mm', -3.0, '3 mm too low'))}, it seems."
    (stated,) = body(shown(sentence)).xpath(".//p/b/span")
    assert dict(stated.attrib) == {"data-of": "setup:S1", "data-fact": "error_mm", "data-value": "-3.0"}
    assert plain(sentence) == "3 mm too low, it seems."
    assert name("\ue000\ue003x\ue004\ue002") == "??x??", "no name can open a claim, or stand out"


def test_a_page_names_the_scripts_it_has_and_holds_no_other():
    assert "<script" not in shown("text") and "script-src" not in shown("text")
    page = shown("text", scripts=("tables.js",), data={"more-rows": ['{"jobs":["', "</script>", '"]}']})
    assert page.count("</script>") == 2 and "\\u003c/script>" in page
    (policy,) = parser.fromstring(page.encode()).xpath("//meta[@http-equiv]/@content")
    assert "default-src 'none'" in policy and "script-src 'sha256-" in policy


def test_only_signs_that_are_used_are_in_a_page():
    assert "<symbol" not in shown("text")
    assert re.findall('symbol id="sign-(.*?)"', shown(ONE_OF_EACH[doc.Card])) == ["suspect"]


def test_the_bar_leads_to_the_parts_below_and_to_nothing_else():
    below = [doc.Note("first", "excerpt"), doc.Section("A", ["a"], "part-a", "Short")]
    page = parser.fromstring(shown("text", below=below).encode())
    assert page.xpath("//nav/a/@href") == ["#part-a"] and page.xpath("//nav/a/text()") == ["Short"]
    assert [part.get("id") for part in page.xpath("//main/section")] == ["answers", "part-a"]
    assert not parser.fromstring(shown("text").encode()).xpath("//nav")


def test_elements_leave_out_what_is_empty_and_escape_the_rest():
    assert (
        element("p", "a < b", title='"', data_key="", hidden=False, open=True) == '<p title="&quot;" open>a &lt; b</p>'
    )
    assert element("input", type="radio", checked=True) == '<input type="radio" checked>'


def test_the_page_of_a_check_says_at_its_top_what_the_terminal_says():
    document = page_document(facts := sample_facts.suspect(), check_document(facts))
    said = [plain(line) for line in doc.sentences(document.blocks)]
    text = " ".join(as_text(document).split())
    assert said and all(" ".join(line.split()) in text for line in said)
    assert [block.short for block in document.below] == [
        "Pictures", "Explanations", "Height by height", "Tables", "Field sheet", "How it was tested", "Signs",
    ]  # fmt: skip
