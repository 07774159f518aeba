"""The page in a real browser: what a reader does with it, by pointer, keyboard, printer and without scripts.

Contrast by the formula of WCAG 2.2 (W3C Recommendation, relative luminance and contrast ratio): 4.5 for text, 3 for
large or bold-large text.
"""

import base64
import json
import re

import pytest
import sample_facts

from heightnet.report.facts import as_written
from heightnet.report.page import page
from tests.report.statements import Facts, faults, parse

pytestmark = pytest.mark.browser

selenium = pytest.importorskip("selenium")
from selenium.webdriver.common.action_chains import ActionChains  # noqa: E402
from selenium.webdriver.common.by import By  # noqa: E402
from selenium.webdriver.common.keys import Keys  # noqa: E402

PHONE, LAPTOP = 390, 1366
A4_HEIGHT_PX = (297 - 2 * 13) / 25.4 * 96


FIRST_PAGE = "suspect"


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    for name in ("suspect", "either", "clean", "unproved", "feet"):
        (folder / f"{name}.html").write_text(page(sample_facts.JOBS[name]()), encoding="utf-8")
    undoubted = {**sample_facts.suspect(), "notes": []}
    (folder / "undoubted.html").write_text(page(undoubted), encoding="utf-8")
    return folder


def size(browser, width):
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    )


NAME = "p => p.tagName.toLowerCase() + '.' + (p.className.baseVal ?? p.className)"


def lit(browser):
    """Tag and class of everything that is lit up."""
    return browser.execute_script(f"return [...document.querySelectorAll('.lit')].map({NAME})")


@pytest.mark.parametrize("name", ["suspect", "either", "clean", "unproved", "feet"])
def test_no_errors_and_no_requests(open_page, name):
    browser = open_page(name)
    assert [entry for entry in browser.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")] == []
    asked = [
        message["params"]["request"]["url"]
        for entry in browser.get_log("performance")
        if (message := json.loads(entry["message"])["message"])["method"] == "Network.requestWillBeSent"
    ]
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []


def test_pointing_at_a_set_up_lights_it_up_everywhere(open_page):
    browser = open_page()
    target = browser.find_element(By.CSS_SELECTOR, ".plan a.setup[data-key='s3']")
    ActionChains(browser).move_to_element(target).perform()
    parts = lit(browser)
    assert any(p.startswith("tr") for p in parts), "its row in the table"
    assert any(p.startswith("details.card") for p in parts), "its card"
    assert sum(p.startswith("a.setup") for p in parts) >= 3, "plan, section, errors"
    assert sum(p.startswith("g.sight") for p in parts) == 2, "its two sights in plan"
    assert sum(p.startswith("g.loop") for p in parts) >= 2, "its loops"
    ActionChains(browser).move_to_element(browser.find_element(By.TAG_NAME, "h1")).perform()
    assert lit(browser) == []


def test_focus_lights_up_as_pointing_does_and_escape_lets_go(open_page):
    browser = open_page()
    browser.execute_script("document.querySelector(\".plan a.setup[data-key='s3']\").focus()")
    assert any(p.startswith("details.card") for p in lit(browser))
    browser.switch_to.active_element.send_keys(Keys.ESCAPE)
    assert lit(browser) == []


def test_enter_on_a_set_up_opens_its_card(open_page):
    browser = open_page()
    browser.execute_script("document.querySelector(\".plan a.setup[data-key='s0']\").focus()")
    browser.switch_to.active_element.send_keys(Keys.ENTER)
    card = browser.find_element(By.CSS_SELECTOR, "details.card[data-key='s0']")
    assert card.get_attribute("open") is not None
    assert "Readings" in card.text


def column(browser, table, number):
    return [
        cell.text for cell in browser.find_elements(By.CSS_SELECTOR, f"#table-{table} tbody tr > :nth-child({number})")
    ]


def test_tables_sort_by_number_by_name_and_by_verdict(open_page):
    browser = open_page()
    heads = browser.find_elements(By.CSS_SELECTOR, "#table-setups thead button")
    heads[4].click()  # the error
    errors = [float(text.replace("−", "-")) for text in column(browser, "setups", 5)]
    assert errors == sorted(errors)
    assert browser.find_elements(By.CSS_SELECTOR, "#table-setups th")[4].get_attribute("aria-sort") == "ascending"
    heads[4].click()
    errors = [float(text.replace("−", "-")) for text in column(browser, "setups", 5)]
    assert errors == sorted(errors, reverse=True) and errors[0] == 24.2
    heads[2].click()  # the verdict: worst first
    assert column(browser, "setups", 3)[:2] == ["probably wrong", "weakly tested"]
    browser.find_elements(By.CSS_SELECTOR, "#table-targets thead button")[0].click()
    assert column(browser, "targets", 1)[:3] == ["T1", "T2", "T3"] and column(browser, "targets", 1)[-1] == "T16"


def test_tables_filter_by_text_and_verdict(open_page):
    browser = open_page()
    tools = browser.find_element(By.XPATH, "//table[@id='table-setups']/ancestor::details[1]//div[@class='tools']")
    tools.find_element(By.CSS_SELECTOR, "input").send_keys("P4")
    assert column(browser, "setups", 1) == ["S4"]
    assert tools.find_element(By.CSS_SELECTOR, "[role=status]").text == "1 of 8 rows"
    tools.find_element(By.CSS_SELECTOR, "input").send_keys(Keys.BACKSPACE * 2)
    browser.execute_script(
        "arguments[0].value = 'weak'; arguments[0].dispatchEvent(new Event('change'))",
        tools.find_element(By.CSS_SELECTOR, "select"),
    )
    assert column(browser, "setups", 1) == ["S7"]


def test_choosing_another_explanation_changes_heights_residuals_and_the_section(open_page):
    browser = open_page()

    def shown():
        return browser.execute_script(
            "return [...document.querySelectorAll('.choice')]"
            f".filter(p => getComputedStyle(p).display !== 'none').map({NAME})"
        )

    assert shown() == ["g.choice choice-0", "div.choice choice-0"]
    browser.find_element(By.ID, "explanation-0").send_keys(Keys.ARROW_DOWN)
    assert shown() == ["g.choice choice-1", "div.choice choice-1"]
    text = browser.find_element(By.CSS_SELECTOR, "div.choice-1").text
    assert "sight" in text and "too high" in text and "Residuals".lower() in text.lower()


def test_statistics_are_folded_until_asked_for(open_page):
    browser = open_page()
    cell = browser.find_element(By.CSS_SELECTOR, "#table-setups td.stat")
    assert not cell.is_displayed()
    browser.find_element(By.ID, "show-statistics").click()
    assert cell.is_displayed()


def test_without_scripts_everything_is_still_there(open_page, browser):
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    browser = open_page()
    assert "recorded 24 mm too high (20 to 28)" in browser.find_element(By.TAG_NAME, "h1").text.replace("\u00a0", " ")
    assert len(browser.find_elements(By.CSS_SELECTOR, "#table-setups tbody tr")) == 8
    assert browser.find_elements(By.CSS_SELECTOR, "th button, nav button") == []
    assert browser.find_element(By.CSS_SELECTOR, "div.choice-0").is_displayed()
    assert not browser.find_element(By.CSS_SELECTOR, "div.choice-1").is_displayed()
    browser.find_element(By.ID, "explanation-1").click()
    assert browser.find_element(By.CSS_SELECTOR, "div.choice-1").is_displayed()


@pytest.mark.parametrize("width", [PHONE, LAPTOP])
@pytest.mark.parametrize("name", ["suspect", "unproved"])
def test_the_page_never_scrolls_sideways(open_page, name, width):
    browser = open_page(name, width)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width


def test_the_answers_fit_the_first_screen_of_a_laptop(open_page):
    """What reading doubts stands above them and takes the room of one answer, which the last then lacks."""
    bottom = "return [...document.querySelectorAll('#answers h2')].pop().getBoundingClientRect().bottom"
    assert open_page("suspect").execute_script(bottom) <= 768
    bottom = "return document.querySelector('#answers').getBoundingClientRect().bottom"
    assert open_page("undoubted").execute_script(bottom) <= 768


@pytest.mark.parametrize("name", ["suspect", "either", "clean", "unproved", "feet"])
def test_the_first_printed_page_is_a_complete_summary(open_page, name):
    browser = open_page(name, 688)  # the width between the margins of A4
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    bottom = browser.execute_script("return document.querySelector('#answers').getBoundingClientRect().bottom")
    assert bottom <= A4_HEIGHT_PX
    assert browser.find_element(By.CSS_SELECTOR, ".caution").is_displayed()
    assert not browser.find_element(By.TAG_NAME, "nav").is_displayed()


def test_printing_gives_a_few_pages_and_the_field_sheet_is_one(open_page):
    browser = open_page()

    def pages_of(**options):
        printed = browser.execute_cdp_cmd(
            "Page.printToPDF", {"preferCSSPageSize": True, "printBackground": True, **options}
        )
        return len(re.findall(rb"/Type\s*/Page\b", base64.b64decode(printed["data"])))

    assert 5 <= pages_of() <= 16
    browser.execute_script("document.body.classList.add('only-sheet')")
    assert pages_of() == 1


CONTRAST = """
const parse = (text) => text.match(/[\\d.]+/g).map(Number);
const channel = (value) => (value /= 255) <= 0.04045 ? value / 12.92 : ((value + 0.055) / 1.055) ** 2.4;
const luminance = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
const behind = (part) => {
  for (; part; part = part.parentElement) {
    const colour = parse(getComputedStyle(part).backgroundColor);
    if (colour.length < 4 || colour[3] > 0) return colour;
  }
  return [255, 255, 255];
};
const found = {};
for (const part of document.querySelectorAll("body *")) {
  const own = [...part.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim());
  if (!own || ["SCRIPT", "STYLE", "TITLE", "DESC", "title", "desc", "OPTION"].includes(part.tagName)) continue;
  const style = getComputedStyle(part);
  const ink = luminance(parse(part instanceof SVGElement ? style.fill : style.color));
  const paper = luminance(behind(part));
  const ratio = (Math.max(ink, paper) + 0.05) / (Math.min(ink, paper) + 0.05);
  const size = parseFloat(style.fontSize);
  const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
  if (ratio < (large ? 3 : 4.5)) found[part.tagName + "." + (part.className.baseVal ?? part.className)] = ratio;
}
return found;
"""


@pytest.mark.parametrize("name", ["suspect", "unproved"])
def test_every_text_has_contrast_enough(open_page, name):
    browser = open_page(name)
    browser.execute_script("for (const part of document.querySelectorAll('details')) part.open = true")
    assert browser.execute_script(CONTRAST) == {}


def test_lit_rows_keep_their_contrast(open_page):
    browser = open_page()
    browser.execute_script("light('s3')")
    assert len(lit(browser)) > 5 and browser.execute_script(CONTRAST) == {}


NAMES = """
const name = (part) => part.getAttribute("aria-label") || part.textContent.trim() || part.title
  || [...(part.labels || [])].map((label) => label.textContent.trim()).join(" ");
return [...document.querySelectorAll("a, button, input, select, summary, [tabindex]")]
  .filter((part) => !name(part)).map((part) => part.outerHTML.slice(0, 120));
"""


def test_everything_that_takes_focus_has_a_name(open_page):
    assert open_page().execute_script(NAMES) == []


def test_the_keyboard_goes_through_the_page_in_reading_order(open_page):
    browser = open_page()
    assert browser.execute_script("return [...document.querySelectorAll('[tabindex]')].every(p => p.tabIndex === 0)")
    seen = []
    for _ in range(14):
        browser.switch_to.active_element.send_keys(Keys.TAB)
        seen.append(
            browser.execute_script(
                "const p = document.activeElement; return p.getAttribute('aria-label') || p.textContent"
            )
        )
    assert seen[0] == "To the answers" and seen[1] == "The network in plan"
    # verdicts that need attention are drawn last, on top: within the plan they come last; then the page goes on
    assert any(text.startswith("Set-up S4 over P4: probably wrong") for text in seen[2:10])
    assert seen[10:13] == ["Pictures", "Explanations", "Height by height"]


def test_landmarks_and_language(open_page):
    browser = open_page()
    assert browser.execute_script("return document.documentElement.lang") == "en"
    for tag in ("header", "main", "nav", "footer", "h1"):
        assert len(browser.find_elements(By.TAG_NAME, tag)) == 1
    for picture in browser.find_elements(By.CSS_SELECTOR, "svg.picture"):
        assert picture.accessible_name
    suspect = browser.find_element(By.CSS_SELECTOR, ".plan a.setup[data-key='s3']")
    assert suspect.accessible_name == "Set-up S4 over P4: probably wrong"


def test_rows_that_a_script_makes_state_what_results_json_holds(open_page, browser, pages):
    """All rows of a table over 120 shown: what a reader then sees is read as a whole."""
    facts = sample_facts.big(130, 4)
    (pages / "rows.html").write_text(page(facts), encoding="utf-8")
    open_page("rows")
    browser.execute_script("for (const part of document.querySelectorAll('details')) part.open = true")
    for button in browser.find_elements(By.XPATH, "//button[text()='Show more rows']"):
        while button.is_displayed():
            button.click()
    shown = parse(browser.page_source)
    cells = shown.xpath("//table[@id='table-shots']/tbody/tr/td[@data-fact='error_mm']")
    assert len(cells) == len(facts["shots"]) == 520
    found, count = faults(shown, Facts(as_written(facts)))
    assert not found and count > 2 * 520 * 8, found[:10]


def test_big_jobs_show_some_rows_and_fetch_the_others(open_page, browser, pages):
    """How fast it is, is measured in tests/benchmarks/big_page.py."""
    (pages / "big.html").write_text(page(sample_facts.big()), encoding="utf-8")
    open_page("big")
    listing = "//table[@id='table-shots']/ancestor::details[1]"
    browser.execute_script("document.getElementById('table-shots').closest('details').open = true")
    assert len(column(browser, "shots", 1)) == 200
    assert browser.find_element(By.XPATH, f"{listing}//*[@role='status']").text == "200 of 10,000 rows"
    browser.find_element(By.XPATH, f"{listing}//button[text()='Show more rows']").click()
    assert len(column(browser, "shots", 1)) == 400
    browser.find_element(By.XPATH, f"{listing}//input").send_keys("S777")
    assert {text.startswith("S777") for text in column(browser, "shots", 2)} == {True}
    ActionChains(browser).move_to_element(
        browser.find_element(By.CSS_SELECTOR, "#table-shots tbody tr:first-child")
    ).perform()
