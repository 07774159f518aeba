"""Every statement on a page is that of results.json, in its value and in its words, and is told once.

Pages of the demos and of simulated jobs are read as a reader gets them (`statements`); then one value on each is
altered, and the check must notice.
"""

from __future__ import annotations

import html
import json
import os
import random
import re
from pathlib import Path

import pytest

import heightnet
from heightnet.report.numbers import LIKELIHOODS
from heightnet.report.words import STATES as PRODUCT_STATES
from heightnet.report.words import VERDICTS as PRODUCT_VERDICTS
from heightnet.report.words import Words
from tests.large_books import staff_book
from tests.report.statements import CHANCES, STATES, VERDICTS, Facts, faults, loose, parse, plain, statements
from tests.simulate.jobs import simulate

DATA = Path(__file__).resolve().parents[2] / "data"
DEMOS = sorted(p.name for p in DATA.iterdir() if p.is_dir())
KINDS = ("S1", "S2", "S3", "G1", "book")
QUICK = 15
JOBS = 200 if os.environ.get("WHOLE") else 30  # all of them take minutes, and are run when pages change: WHOLE=1
ALTERED = 4  # alterations of each page


def simulated(number):
    """A simulated job with up to three blunders; its kind, its blunders and their sizes hang on its number alone."""
    kind, rng = KINDS[number % len(KINDS)], random.Random(number)
    count = (number // len(KINDS)) % 4
    if kind == "book":
        return staff_book(rng.choice((16, 24, 40)), rng.choice((-0.1, 0.01, 0.1, 1.0)) if count else 0.0, seed=number)
    clean, _ = simulate(kind, number)
    ids = [f"setup:{s}" for s in clean.setups["setup"][clean.setups["tripod"] == ""]]
    ids += [f"target:{t}" for t in clean.targets["target"][clean.targets["tripod"] == ""]]
    ids += [f"tripod:{t}" for t in dict.fromkeys(clean.setups["tripod"]) if t]
    ids += [f"shot:shots.csv:{row}" for row in clean.shots["row"]]
    ids += [f"known:{m}" for m, h in zip(clean.marks["mark"], clean.marks["height"], strict=True) if h == h]
    ids += [f"level:levels.csv:{row}" for row in clean.levels["row"]]
    ids += [f"gnss:gnss.csv:{row}" for row in clean.gnss["row"]]
    if kind == "S1" and count == 1:
        ids = [f"swap:S4/{t}" for t in clean.shots["target"][clean.shots["setup"] == "S4"]] + ids[:10]
    wrong = {id: rng.choice((-1, 1)) * rng.choice((0.006, 0.015, 0.03, 0.1, 1.0)) for id in rng.sample(ids, count)}
    factor = 1.6 if number % 7 == 6 else 1.0
    return simulate(kind, number, wrong, tape_factor=factor, sight_factor=factor)[0]


@pytest.fixture(scope="module")
def demos():
    return {name: heightnet.check(DATA / name) for name in DEMOS}


def check(result, name):
    """No fault on the page, everything that the terminal says is on it, and no alteration goes unnoticed."""
    text, results = result.page(), Facts(json.loads(result.to_json()))
    page = parse(text)
    found, count = faults(page, results)
    assert not found and count > 20, (name, found[:10])
    assert as_terminal(page) == plain(result.summary()), name
    embedded = json.loads(page.get_element_by_id("results").text)
    assert embedded == results.facts or embedded["all_of_it"] == "results.json", name
    for number in range(ALTERED):
        rng = random.Random(f"{name} {number}")
        altered, what = alter(text, rng)
        assert faults(parse(altered), results)[0], (name, what)


def as_terminal(page):
    """Title, headline and answers of a page in the order in which the terminal tells them."""
    sign = {"wrong": "!!", "doubtful": "?", "sound": "ok"}
    answers = page.get_element_by_id("answers")
    tone = answers.get("class").rpartition("-")[2]
    job = page.find_class("job")[0]
    invented = " (an invented job)" if job.find_class("tag") else ""
    parts = [job.find("b").text_content() + invented, sign[tone], answers.xpath(".//h1")[0].text_content()]
    parts += [part.text_content() for part in answers.find_class("says")[0].xpath("./h2|./p|.//li")]
    return plain(" ".join(parts))


# ---- alterations: one value on a page, as text, as a word, as what the element says it is ----

SAYING = re.compile(r'(<(?:span|td|tspan|text|title)\b[^>]* data-value="([^"]*)"[^>]*>)([^<]*\d[^<]*)<')
WORDS = {**VERDICTS, **STATES}


def alter(text, rng):
    """The page with one of its statements altered, and what was done."""
    way = rng.choice([_digit, _digit, _word, _value, _side, _row])
    altered = way(text, rng) or _digit(text, rng)
    return altered


def _replaced(text, start, end, new):
    return text[:start] + new + text[end:], f"{text[max(0, start - 150) : end]!r} became {new!r}"


def _digit(text, rng):
    """Another digit in a number that is shown, at least two off."""
    one = rng.choice(list(SAYING.finditer(text)))
    shown = one.start(3) + max(one[3].rfind(": ") + 1 if one[1].startswith("<title") else 0, 0)
    digits = [m.start() for m in re.finditer(r"(?<![\w/])\d|(?<=[\d.,])\d", text[shown : one.end(3)])] or None
    if digits is None:
        return _digit(text, rng)
    at = shown + rng.choice(digits)
    if one[2] == "null" or not _counts(text, one, at):
        return _digit(text, rng)
    new = str((int(text[at]) + rng.randint(2, 8)) % 10)
    return _replaced(text, at, at + 1, new)


def _counts(text, one, at):
    """Whether a digit is part of what is stated: not that of a unit."""
    return not text[at - 3 : at + 5].startswith(("ft/1000", "t/1000")) and "ft/1000" not in text[at - 6 : at + 1]


def _word(text, rng):
    """The word for another verdict, or for another chance, in an element that states one."""
    verdicts = "|".join(map(re.escape, VERDICTS.values()))
    chances = "|".join(re.escape(word) for _, word in CHANCES)
    found = list(re.finditer(rf'data-value="[^"]*"[^>]*>(?:<[^>]*>)*[^<]*?\b({verdicts})\b', text, re.IGNORECASE))
    found += re.finditer(rf'probability" data-value="[^"]*"[^>]*>({chances}) \(', text)
    one = rng.choice(found)
    words = list(VERDICTS.values()) if one[1].lower() in VERDICTS.values() else [word for _, word in CHANCES]
    new = rng.choice([word for word in words if word != one[1].lower()])
    return _replaced(text, one.start(1), one.end(1), new)


def _value(text, rng):
    """Another value in an element that states a number, its text as it was."""
    one = rng.choice(list(re.finditer(r'data-value="(-?[\d.]+)"', text)))
    return _replaced(text, one.start(1), one.end(1), json.dumps(float(one[1]) * 2 + 1.5))


def _side(text, rng):
    """Too high for too low."""
    found = list(re.finditer(r'data-value="-?[\d.]+"[^>]*>[^<]* too (high|low)<', text))
    found = [one for one in found if re.search("[1-9]", re.sub(r"data-value=\S*", "", one[0].partition(">")[2]))]
    if not found:
        return None
    one = rng.choice(found)
    return _replaced(text, one.start(1), one.end(1), "low" if one[1] == "high" else "high")


def _row(text, rng):
    """A value in the data from which a script makes the further rows."""
    start = text.index('id="more-rows">') + len('id="more-rows">')
    end = text.index("</script>", start)
    tables = json.loads(text[start:end])
    rows = [row for table in tables.values() for row in table if any(isinstance(v, float) for v in row[-1])]
    if not rows:
        return None
    values = rng.choice(rows)[-1]
    at = rng.choice([i for i, v in enumerate(values) if isinstance(v, float)])
    values[at] += 1.5
    return _replaced(text, start, end, json.dumps(tables).replace("<", "\\u003c"))


# ---- tests ----


def test_the_words_that_are_looked_for_are_those_of_the_vocabulary():
    assert (VERDICTS, STATES) == (PRODUCT_VERDICTS, PRODUCT_STATES)
    assert CHANCES == LIKELIHOODS


@pytest.mark.parametrize("name", DEMOS)
def test_every_statement_on_a_demos_page_is_that_of_results_json(demos, name):
    check(demos[name], name)


@pytest.mark.slow
@pytest.mark.parametrize("number", range(QUICK))
def test_every_statement_on_a_simulated_jobs_page_is_that_of_results_json(number):
    check(heightnet.check(simulated(number)), f"simulated {number}")


@pytest.mark.slow
@pytest.mark.parametrize("first", range(QUICK, JOBS, QUICK))
def test_every_statement_on_many_simulated_jobs_pages_is_that_of_results_json(first):
    for number in range(first, first + QUICK):
        check(heightnet.check(simulated(number)), f"simulated {number}")


def test_rows_that_a_script_fetches_state_their_values_too(demos):
    """Of a table with more than 120 rows."""
    import sample_facts

    from heightnet.result import Result

    result = Result(sample_facts.big(130, 4))
    page = parse(result.page())
    assert json.loads(page.get_element_by_id("more-rows").text)["shots"]
    found, count = faults(page, Facts(json.loads(result.to_json())))
    assert not found and count > 10 * 520, found[:10]


@pytest.mark.parametrize("said", ["probably wrong", "12 in 100", "97 %", "24 ± 2 mm", "It closes", "not cleared"])
def test_what_no_element_states_is_noticed(demos, said):
    result = demos["quarry-traverse"]
    text = result.page().replace("</main>", f"<p>{html.escape(said)}</p></main>")
    assert faults(parse(text), Facts(json.loads(result.to_json())))[0]


@pytest.mark.parametrize("name", DEMOS)
def test_csv_snippet_and_figures_are_free_of_marks(demos, name, tmp_path):
    result = demos[name]
    result.write(tmp_path)
    for path in tmp_path.rglob("*"):
        if path.is_file() and path.name != "report.html":
            assert not re.search("[\ue000-\ue002]", path.read_text(encoding="utf-8")), path.name
    assert not re.search("[\ue000-\ue002]", result.summary() + result._repr_html_() + repr(result))
    title = parse(result.page()).xpath("//head/title")[0].text
    words = Words(result.shown)
    from heightnet.report.check_words import check_document
    from heightnet.report.claims import plain as bare

    assert title == f"{words.title}: {bare(check_document(result.shown).headline)}"


def test_the_class_of_six_readings_is_one_explanation_in_every_place(demos):
    """Of the mill race: headline, answers, explanations, field sheet, tables and pictures speak of the same six."""
    page = parse(demos["mill-levels"].page())
    six = "one of 6 staff readings between W2 and W3, run out (rows 12 to 17 of staff.csv)"
    assert six in plain(page.get_element_by_id("headline").text_content()).replace("One of", "one of")
    choices = page.find_class("choice")
    (only,) = [part for part in choices if part.tag == "div"]
    assert six in plain(only.text_content()) and "Which heights it moves depends" in plain(only.text_content())
    sheet = page.get_element_by_id("table-lookup-1")
    rows = [[plain(cell.text_content()) for cell in row] for row in sheet.find("tbody")]
    assert [row[4] for row in rows] == [f"{row}" for row in range(12, 18)]
    heads = [plain(th.text_content()).replace("-", "-") for th in sheet.iter("th") if th.get("scope") == "col"]
    assert heads == ["Set-up", "What", "Mark", "Run", "Row", "Booked, m", "Would be, m", "Wrong, in 100"]
    asked = page.xpath("//table[@id='table-staff']//td[@data-value='\"either\"']")
    assert len(asked) == 6
    plan = page.xpath("//figure[@class='plan']")[0]
    assert "one of 6: in question" in plain(plan.text_content())
    chances = {plain(row[-1]) for row in rows}
    assert chances == {"17"}
    assert "in question" not in loose(page) and len(list(statements(page))) > 300
