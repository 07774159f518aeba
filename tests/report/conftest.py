"""Options and places of the report's tests."""

import os

import pytest

BROWSER, DRIVER = "/usr/bin/chromium", "/usr/bin/chromedriver"


@pytest.fixture(scope="session")
def browser(tmp_path_factory):
    """A headless chromium that writes down what it is asked to load; skipped where Debian's is not installed."""
    if not (os.path.exists(BROWSER) and os.path.exists(DRIVER)):
        pytest.skip("needs /usr/bin/chromium and /usr/bin/chromedriver (Debian packages chromium, chromium-driver)")
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    for flag in (
        "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars",
        "--disable-background-networking", "--disable-component-update", "--disable-sync", "--window-size=1366,900",
        f"--user-data-dir={tmp_path_factory.mktemp('profile')}",
    ):  # fmt: skip
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    yield driver
    driver.quit()


@pytest.fixture
def open_page(request, browser, pages):
    """Opens a page of the module's folder ``pages``, by default its ``FIRST_PAGE``, in a window of some width."""
    from test_browser import LAPTOP, size

    def opened(name=request.module.FIRST_PAGE, width=LAPTOP):
        size(browser, width)
        browser.get("about:blank")
        browser.get_log("browser")
        browser.get_log("performance")
        browser.get((pages / f"{name}.html").as_uri())
        return browser

    yield opened
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
