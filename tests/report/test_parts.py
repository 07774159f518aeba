"""Parts of the page by themselves: tables, cards, explanations, the field sheet, and what a wrong value spoils."""

import pytest
import sample_facts
from lxml import html

from heightnet.report.cards import cards
from heightnet.report.choices import choices
from heightnet.report.claims import plain
from heightnet.report.document import Numbers, Table, sentences
from heightnet.report.fieldsheet import lookups, steps
from heightnet.report.keys import Keys
from heightnet.report.listings import Tables
from heightnet.report.method import method
from heightnet.report.page import page
from heightnet.report.spoilt import Spoilt
from heightnet.report.words import Words


def within(blocks):
    """Every block, and those in them."""
    for block in blocks:
        yield block
        yield from within(getattr(block, "blocks", ()))


def said(choice):
    return list(sentences(within(choice.blocks)))


def numbers(blocks):
    return [number for block in within(blocks) if isinstance(block, Numbers) for number in block.entries]


def pens(facts):
    return Words(facts), Keys(facts)


def table(facts, name):
    """A table as a list of rows by heading."""
    made = next(t for t in Tables(*pens(facts)).all() if t.id == name)
    heads = [plain(c.heading) for c in made.columns]
    return [dict(zip(heads, map(plain, row.cells), strict=True)) for row in made.rows]


@pytest.fixture
def spoilt():
    """A wrong set-up S4 whose sights have residuals of 73 mm, 1 mm without it."""
    facts = sample_facts.suspect()
    for shot in facts["shots"]:
        shot["residual_mm"] = 73.0 if shot["setup"] == "S4" else 1.0
        facts["explanations"][0]["residuals_mm"][shot["id"]] = -1.0
    return facts


def test_a_sight_that_a_wrong_height_spoils_says_so_beside_its_residual(spoilt):
    rows = {row["Row"]: row for row in table(spoilt, "shots")}
    assert rows["8"]["Residual, mm"] == "spoilt by S4 73.0" and rows["8"]["Then, mm"] == "−1.0"
    assert rows["8"]["Verdict"] == "proved"
    assert rows["2"]["Residual, mm"] == "1.0"
    card = next(c for c in cards(*pens(spoilt)) if c.name.startswith("Set-up S4"))
    (sights,) = [table for table in within(card.blocks) if isinstance(table, Table)]
    assert sights.header[2:4] == ["Residual, mm", "Then"]
    assert [[plain(cell) for cell in row[2:4]] for row in sights.rows] == [["spoilt by S4 73.0", "−1.0"]] * 2


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda f: f["findings"][0].update(named=False, id=None), "spoilt"),
        (lambda f: f["findings"][0].update(id="reading:tape.csv:5"), "spoilt by tape row 5"),
        (lambda f: f["shots"][6].update(verdict="either"), ""),
        (lambda f: f["explanations"][0]["residuals_mm"].update({"shot:shots.csv:8": 60.0}), ""),
        (lambda f: f["explanations"][0].update(members=[]), ""),
        (lambda f: f["findings"].clear(), ""),
    ],
)
def test_what_spoils_a_sight_is_named_where_it_has_a_name(spoilt, change, said):
    change(spoilt)
    assert Spoilt(*pens(spoilt)).by(spoilt["shots"][6]) == said


def test_a_mark_that_may_have_two_heights_shows_both_and_a_rarer_one_is_told_with_its_chance():
    facts = sample_facts.either()
    mark = next(m for m in facts["marks"] if m["mark"] == "P5")
    first, second = mark["heights"]
    one, other = (f"{h['height_m']:.4f}" for h in (first, second))
    row = next(r for r in table(facts, "marks") if r["Mark"] == "P5")
    assert row["Corrected, m"] == f"{one} (66 in 100) or {other} (34 in 100)"
    assert (row["Lowest, m"], row["Highest, m"]) == ("–", "–")
    first["probability"], second["probability"] = 0.97, 0.03
    mark.update(corrected_height_m=first["height_m"], low_m=first["low_m"], high_m=first["high_m"])
    row = next(r for r in table(facts, "marks") if r["Mark"] == "P5")
    assert row["Corrected, m"] == f"{one}, or {other} (3 in 100)"
    assert row["Lowest, m"] == f"{first['low_m']:.4f}"


def test_what_is_never_named_alone_says_so():
    rows = {row["Set-up"]: row for row in table(sample_facts.suspect(), "setups")}
    assert (rows["S7"]["Named from, mm"], rows["S1"]["Named from, mm"]) == ("never", "11.5")
    rows = {row["Set-up"]: row for row in table(sample_facts.unproved(), "setups")}
    assert rows["S2"]["Named from, mm"] == "–"


def test_a_finding_of_two_is_looked_up_in_a_table_and_one_thing_in_a_step():
    facts = sample_facts.either()
    (looked,) = lookups(*pens(facts))
    rows = [[plain(cell) for cell in row.cells] for row in looked.rows]
    s5, t9 = facts["setups"][4], facts["targets"][8]
    assert [plain(c.heading) for c in looked.columns] == [
        "Set-up", "What", "Mark", "Row", "Booked, m", "Would be, m", "Wrong, in 100",
    ]  # fmt: skip
    tape = next(iter(s5["readings"]))["rows"][0]
    assert rows == [
        ["S5", "instrument height", "P5", f"tape.csv, {tape}", f"{s5['recorded_m']:.4f}",
         f"{s5['recorded_m'] - 0.0181:.3f}", "62"],
        ["S5", "target height", "P4", "shots.csv, 10", f"{t9['recorded_m']:.4f}",
         f"{t9['recorded_m'] + 0.0181:.3f}", "31"],
    ]  # fmt: skip
    words = Words(sample_facts.suspect())
    assert lookups(words, Keys(words.facts)) == []
    first = steps(words)[0]
    assert first.what == "Look up in the field book: the instrument height of set-up S4 (over P4)."
    assert plain(first.why) == "Recorded 24 mm too high (20 to 28)."
    assert len(steps(words)) == 1 + len(words.facts["next_measurements"])


def test_what_a_slant_reading_would_be_is_reduced_back():
    """A reading v held slant over radius r gives the height sqrt(v^2 - r^2): without an error e it had been
    sqrt((height - e)^2 + r^2)."""
    facts = sample_facts.suspect()
    reading = facts["setups"][3]["readings"][1] | {"error_mm": 24.0, "error_sd_mm": 0.5, "probability": 0.5}
    other = facts["setups"][3]["readings"][0] | {"error_mm": 24.0, "error_sd_mm": 0.5, "probability": 0.4}
    facts["findings"] = []
    sample = sample_facts.Sample("slant", "", 2)
    sample.facts = facts
    sample.find([reading, other], 0.9)
    (looked,) = lookups(*pens(facts))
    height = (1.6113**2 - 0.102**2) ** 0.5
    would = ((height - 0.024) ** 2 + 0.102**2) ** 0.5
    assert plain(looked.rows[0].cells[-2]) == f"{would:.4f}"
    assert plain(looked.rows[1].cells[-2]) == f"{other['value_m'] - 0.024:.4f}"


def test_of_many_members_120_are_in_the_page_and_the_others_are_fetched():
    facts = sample_facts.big(130, 4)
    facts["findings"] = []
    sample = sample_facts.Sample("many", "", 2)
    sample.facts = facts
    sample.find(facts["shots"][:400], 0.95, count=2_500)
    document = html.fromstring(page(facts).encode())
    assert len(document.xpath("//table[@id='table-lookup-1']/tbody/tr")) == 120
    text = " ".join(document.get_element_by_id("sheet").text_content().split())
    assert "The 400 likeliest of 2,500." in text
    assert '"lookup-1":[["S30"' in document.get_element_by_id("more-rows").text


def test_explanations_tell_what_cannot_be_told_apart_as_one():
    facts = sample_facts.either()
    (only,) = choices(*pens(facts))
    either = (
        "either the instrument height of set-up S5 (over P5) or the height of target T9 on P4 sighted from S5 (row 10)"
    )
    assert plain(only.name) == f"Only {either} is wrong"
    assert [table.header[0] for table in within(only.blocks) if isinstance(table, Table)] == ["Observation "]
    assert plain(said(only)[0]) == f"E{either[1:]}: by 18 mm; nothing here tells which."
    first, second = choices(*pens(sample_facts.suspect()))
    tables = [table.header[0] for table in within(first.blocks) if isinstance(table, Table)]
    assert tables == ["Set-up ", "Mark ", "Observation "]
    assert plain(second.name) == "Only the sight S4 to P3 (row 8) and the sight S4 to P5 (row 9) are wrong"


def test_an_explanation_of_a_named_thing_is_told_by_its_name_though_others_look_the_same():
    """The evidence of a usual slip names one of a class; the explanation is led by another member."""
    facts = sample_facts.either()
    finding = facts["findings"][0]
    finding.update(named=True, id="target:T9", members=finding["members"][1:], count=1, error_mm=-18.1)
    (only,) = choices(*pens(facts))
    assert plain(only.name) == "Only the height of target T9 on P4 sighted from S5 (row 10) is wrong"
    assert "recorded 18 mm too low" in plain(said(only)[0]) and "Which heights it moves depends" in said(only)[1]


def test_a_job_in_which_nothing_is_wrong_has_nothing_to_explain():
    assert choices(*pens(sample_facts.clean())) == []
    assert 'id="explanations"' not in page(sample_facts.clean())


@pytest.mark.parametrize(
    ("name", "sign"), [("suspect", "suspect"), ("either", "either"), ("clean", "proved"), ("unproved", "unproved")]
)
def test_the_state_stands_at_the_top_with_a_sign(name, sign):
    document = html.fromstring(page(sample_facts.JOBS[name]()).encode())
    (top,) = document.find_class("tone-says")
    assert top.xpath(".//use/@href") == [f"#sign-{sign}"]
    said = {"suspect": "Something is wrong", "either": "Something is wrong"}.get(name, "Closes")
    assert top.text_content().strip() == said
    assert top.xpath("./span/@data-fact") == ["state"]


def test_every_number_of_the_statistics_has_a_line_that_explains_it():
    facts = sample_facts.suspect()
    found = [n for n in numbers(method(Words(facts))) if "." not in n.name]
    names = {n.name for n in found}
    assert {"Largest test (w)", "Log odds of the likeliest error", "Share looked at", "Parts searched", "Second search",
            "Errors it bears", "Errors every height survives", "Variance factor"} <= names  # fmt: skip
    assert all(n.meaning for n in found)
    card = next(c for c in cards(*pens(facts)) if c.name.startswith("Set-up S4"))
    assert len(numbers(card.blocks)) == 8 and all(n.meaning for n in numbers(card.blocks))


@pytest.mark.parametrize(
    ("by", "said"),
    [
        ("simulation", "found by simulation"),
        ("formula", "found by a formula"),
        ("none", "there is none: nothing can contradict anything"),
    ],
)
def test_how_the_limit_was_found_is_told(by, said):
    facts = sample_facts.suspect()
    facts["fit"]["critical_by"] = by
    limits = [n.meaning for n in numbers(method(Words(facts))) if n.name == "Its limit"]
    assert f"for one test in each class; {said}" in limits


def test_words_of_the_statistics_stay_below_the_first_click():
    """Rule of speech: redundancy, class, hypothesis, posterior and w stand only in what is folded away."""
    document = html.fromstring(page(sample_facts.suspect()).encode())
    for folded in document.xpath("//details[contains(@class, 'numbers')] | //script | //style | //head"):
        folded.drop_tree()
    text = document.text_content().lower()
    for word in ("redundancy", "hypothes", "posterior", "log odds", "class ", "collimation", " w "):
        assert word not in text, word
