"""The index page of an archive in a real browser; how fast ten thousand rows are is measured in tests/benchmarks."""

import json

import pytest
import sample_facts
from test_browser import CONTRAST, LAPTOP, NAMES, PHONE

from heightnet.archives.find import Found
from heightnet.archives.record import record_of, record_of_error
from heightnet.archives.store import UNCONTRADICTED
from heightnet.report.archive_page import FIRST_ROWS, page_pieces
from heightnet.report.archive_words import STATES
from heightnet.result import Result

pytestmark = pytest.mark.browser

selenium = pytest.importorskip("selenium")
from selenium.webdriver.common.by import By  # noqa: E402
from selenium.webdriver.common.keys import Keys  # noqa: E402

CHANGED = {  # so that there are jobs of most states
    "suspect": {}, "either": {"state": "unclear"}, "clean": {}, "unproved": {"state": "untested"}, "feet": {},
}  # fmt: skip


def sample(name, path, **changes):
    result = Result(sample_facts.JOBS[name]())
    return {**record_of(Found(path, "folder", 1), result, f"jobs/{path}/report.html"), **changes}


def archive_of(records):
    counts = {state: sum(r["state"] == state for r in records) for state in STATES}
    counts["gaps"] = sum(r["state"] in UNCONTRADICTED and r["gap"] is not None for r in records)
    whole = {"found": len(records), "checked": len(records), "waiting": 0, **counts, "passed_over": 1, "dropped": 1}
    return {
        "schema": "heightnet-archive/2", "heightnet": {"version": "0"}, "archive": {"name": "office", "complete": True},
        "settings": {"test.tolerance_mm": 5.0}, "seconds": 2.0, "pages": True, "observers": "codes", "counts": whole,
        "across": None,
    }  # fmt: skip


def few():
    records = [sample(name, f"2025/{name} <b>&amp;", **changes) for name, changes in CHANGED.items()]
    problem = {"kind": "input", "text": "The job could not be read: 2 problems.", "count": 2}
    problem["problems"] = ["shots.csv, row 4, column zenith_angle: read 'x', expected an angle", "marks.csv: second"]
    return [*records, record_of_error(Found("2019/spoilt", "folder", 1), problem, "jobs/2019/spoilt/errors.txt")]


def many(count):
    some = few()
    for i in range(count):
        record = some[i % len(some)]
        worst = record["worst"] and {**record["worst"], "error_mm": record["worst"]["error_mm"] + i % 997}
        yield {**record, "path": f"20{i % 25:02d}/job {i:05d}", "worst": worst, "observers": [f"observer {i % 40}"]}


FIRST_PAGE = "few"


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("archive")
    for name, records in (("few", few()), ("many", list(many(1000)))):
        order = list(STATES)
        records.sort(key=lambda r: (order.index(r["state"]), -abs((r["worst"] or {}).get("error_mm", 0)), r["path"]))
        left_out = ["2018/gone"], [{"path": "x.xls", "reason": "old"}]
        pieces = page_pieces(archive_of(records), iter(records), records, *left_out)
        (folder / f"{name}.html").write_text("".join(pieces), encoding="utf-8")
    return folder


def column(browser, number):
    return [
        cell.text for cell in browser.find_elements(By.CSS_SELECTOR, f"#table-jobs tbody tr > :nth-child({number})")
    ]


@pytest.mark.parametrize("name", ["few", "many"])
def test_no_errors_and_no_requests(open_page, name):
    browser = open_page(name)
    assert [entry for entry in browser.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")] == []
    asked = [
        message["params"]["request"]["url"]
        for entry in browser.get_log("performance")
        if (message := json.loads(entry["message"])["message"])["method"] == "Network.requestWillBeSent"
    ]
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []


def test_it_says_how_many_and_leads_to_each_report(open_page):
    browser = open_page()
    assert browser.find_element(By.TAG_NAME, "h1").text == "3 of 5 jobs contradict themselves."
    counts = browser.find_element(By.CSS_SELECTOR, ".counts").text
    assert (
        "2 something is wrong" in counts and "1 contradicted, cause not shown" in counts and "1 not readable" in counts
    )
    body = browser.find_element(By.TAG_NAME, "body").text
    assert "1 job of the last run is no longer there" in body and "Observers are hidden by codes." in body
    links = {a.text: a.get_attribute("href") for a in browser.find_elements(By.CSS_SELECTOR, "#table-jobs a")}
    assert links["2025/suspect <b>&amp;"].endswith("/jobs/2025/suspect%20%3Cb%3E&amp;/report.html")
    assert links["2019/spoilt"].endswith("/jobs/2019/spoilt/errors.txt")
    assert column(browser, 2)[:2] == ["something is wrong"] * 2, "worst first"
    spoilt = column(browser, 3)[column(browser, 1).index("2019/spoilt")]
    assert spoilt.startswith("shots.csv, row 4") and spoilt.endswith("And 1 more problem.")


def test_it_sorts_and_filters_all_rows_not_only_those_shown(open_page):
    browser = open_page("many")
    status = browser.find_element(By.CSS_SELECTOR, "#jobs [role=status]")
    assert status.text == f"{FIRST_ROWS} of 1,000 rows" and len(column(browser, 1)) == FIRST_ROWS
    heads = browser.find_elements(By.CSS_SELECTOR, "#table-jobs thead button")
    heads[3].click()
    heads[3].click()
    sizes = [float(text) for text in column(browser, 4)]
    assert sizes == sorted(sizes, reverse=True)
    heads[0].click()
    assert column(browser, 1)[0] == "2000/job 00000"
    browser.find_element(By.CSS_SELECTOR, "#jobs input[type=search]").send_keys("2007/job 0008")
    assert column(browser, 1) == ["2007/job 00082"]
    link = browser.find_element(By.CSS_SELECTOR, "#table-jobs tbody a")
    assert "/jobs/" in link.get_attribute("href"), "rows made by the script have their links too"


def test_the_state_can_be_chosen(open_page):
    browser = open_page("many")
    choose = browser.find_element(By.CSS_SELECTOR, "#jobs select")
    choose.send_keys("not readable")
    assert set(column(browser, 2)) == {"not readable"}


def test_without_scripts_the_worst_are_there(open_page, browser):
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    browser = open_page("many")
    assert len(column(browser, 1)) == FIRST_ROWS
    assert "all of them are in archive.csv" in browser.find_element(By.CSS_SELECTOR, ".without-script").text


@pytest.mark.parametrize("width", [PHONE, LAPTOP])
def test_the_page_never_scrolls_sideways(open_page, width):
    browser = open_page("few", width)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width


def test_every_text_has_contrast_enough_and_every_focus_a_name(open_page):
    browser = open_page()
    browser.execute_script("for (const part of document.querySelectorAll('details')) part.open = true")
    assert browser.execute_script(CONTRAST) == {} and browser.execute_script(NAMES) == []


def test_the_keyboard_reaches_everything_in_reading_order(open_page):
    browser = open_page()
    seen = []
    for _ in range(8):
        browser.switch_to.active_element.send_keys(Keys.TAB)
        seen.append(
            browser.execute_script("return document.activeElement.textContent || document.activeElement.tagName")
        )
    assert seen[:5] == ["To the answers", "Job by job", "Left out", "Signs and words", "INPUT"]
    browser.execute_script("document.querySelectorAll('#table-jobs thead button')[5].focus()")
    browser.switch_to.active_element.send_keys(Keys.ENTER)
    assert browser.find_elements(By.CSS_SELECTOR, "#table-jobs th")[5].get_attribute("aria-sort") == "ascending"


def test_states_are_told_by_sign_and_word_not_by_colour(open_page):
    browser = open_page()
    said = browser.find_elements(By.CSS_SELECTOR, "#table-jobs .said")
    signs = {s.find_element(By.TAG_NAME, "use").get_attribute("href"): s.text for s in said}
    assert len(signs) == len(set(signs.values())) == 5 and "" not in signs.values()
