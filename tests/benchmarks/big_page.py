"""How large and how fast the page of a big job is: ``python tests/benchmarks/big_page.py`` writes results/big_page.md.

Needs Debian's chromium and chromium-driver.  The job is invented: set-ups on a grid, ten sights from each.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path

from selenium import webdriver
from selenium.webdriver.chrome.service import Service

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "report"))

import sample_facts  # noqa: E402

from heightnet.report.facts import as_written  # noqa: E402
from heightnet.report.figures import figure_files  # noqa: E402
from heightnet.report.page import page  # noqa: E402

REPEATS = 5
MEASURE = """
const done = arguments[0];
const table = document.getElementById("table-shots");
table.closest("details").open = true;
let t = performance.now();
light("s3");
document.body.offsetHeight;
const lit = performance.now() - t;
t = performance.now();
table.querySelectorAll("thead button")[6].click();
document.body.offsetHeight;
const sorted = performance.now() - t;
const timing = performance.getEntriesByType("navigation")[0];
done([timing.domInteractive, timing.loadEventEnd, lit, sorted]);
"""


def main() -> None:
    lines = [
        "# The page of a big job",
        "",
        f"Medians of {REPEATS}, headless chromium, one machine of 2 cores shared with other work; seconds. "
        "Interactive: from opening the file to a page whose scripts have run. Lit: pointing at a set-up until all of "
        "it is laid out again. Sorted: the table of sights. Made by `python tests/benchmarks/big_page.py`.",
        "",
        "| set-ups | sights | page made | figures made | page, MB | interactive | loaded | lit | sorted |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for setups in (10, 100, 1000, 10_000):
        facts = as_written(sample_facts.big(setups))
        began = time.perf_counter()
        text = page(facts)
        made = time.perf_counter() - began
        began = time.perf_counter()
        figure_files(facts)
        drawn = time.perf_counter() - began
        interactive, loaded, lit, ordered = opened(text)
        cells = [
            f"{setups:,}",
            f"{len(facts['shots']):,}",
            f"{made:.2f}",
            f"{drawn:.2f}",
            f"{len(text.encode()) / 1e6:.2f}",
        ]
        cells += [f"{ms / 1000:.2f}" for ms in (interactive, loaded)] + [f"{ms / 1000:.3f}" for ms in (lit, ordered)]
        lines.append(f"| {' | '.join(cells)} |")
        print(lines[-1])
    (HERE / "results" / "big_page.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


def opened(text: str) -> list[float]:
    """Milliseconds to interactive, loaded, lit and sorted."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "report.html"
        path.write_text(text, encoding="utf-8")
        options = webdriver.ChromeOptions()
        options.binary_location = "/usr/bin/chromium"
        for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--window-size=1366,900"):
            options.add_argument(flag)
        options.add_argument(f"--user-data-dir={folder}/profile")
        driver = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
        try:
            runs = []
            for _ in range(REPEATS):
                driver.get("about:blank")
                driver.get(path.as_uri())
                runs.append(driver.execute_async_script(MEASURE))
        finally:
            driver.quit()
    return [statistics.median(run[i] for run in runs) for i in range(4)]


if __name__ == "__main__":
    main()
