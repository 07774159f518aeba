"""Photograph the demo reports: ``python -m tests.make_screenshots`` writes reports/examples/screenshots/*.png.

Each report on a phone, on a laptop and as its first page on A4.  Needs Debian's chromium and chromium-driver.
"""

from __future__ import annotations

import base64
import io
import tempfile
from pathlib import Path

from PIL import Image
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

REPORTS = Path(__file__).resolve().parents[1] / "reports" / "examples"
# name: width, height and media; A4 is what lies between its margins, at 96 points an inch
VIEWS = {"phone": (390, 844, ""), "laptop": (1366, 820, ""), "a4": (688, 1024, "print")}
SCALE = {"phone": 2, "laptop": 1, "a4": 1}
A4_PX, MARGIN_PX = (794, 1123), (53, 49)
COLOURS = 64  # enough for ink, one red and grey; keeps each picture small


def main() -> None:
    (REPORTS / "screenshots").mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as profile:
        driver = chromium(profile)
        try:
            for page in sorted(REPORTS.glob("*/report.html")):
                for view in VIEWS:
                    path = REPORTS / "screenshots" / f"{page.parent.name}-{view}.png"
                    path.write_bytes(photograph(driver, page, view))
                    print(path.relative_to(REPORTS.parent), f"{path.stat().st_size / 1000:.0f} kB")
        finally:
            driver.quit()


def chromium(profile: str) -> webdriver.Chrome:
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", f"--user-data-dir={profile}"):
        options.add_argument(flag)
    return webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))


def photograph(driver: webdriver.Chrome, page: Path, view: str) -> bytes:
    width, height, media = VIEWS[view]
    metrics = {"width": width, "height": height, "deviceScaleFactor": SCALE[view], "mobile": False}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media})
    driver.get(page.as_uri())
    clip = {}
    if media == "print":
        bottom = driver.execute_script("return document.querySelector('#answers').getBoundingClientRect().bottom")
        clip = {"clip": {"x": 0, "y": 0, "width": width, "height": min(height, bottom + 2), "scale": 1}}
    shot = driver.execute_cdp_cmd("Page.captureScreenshot", {"format": "png", **clip})
    picture = Image.open(io.BytesIO(base64.b64decode(shot["data"]))).convert("RGB")
    if media == "print":
        sheet = Image.new("RGB", A4_PX, "white")
        sheet.paste(picture, MARGIN_PX)
        picture = sheet
    out = io.BytesIO()
    picture.quantize(COLOURS).save(out, format="png", optimize=True)
    return out.getvalue()


if __name__ == "__main__":
    main()
