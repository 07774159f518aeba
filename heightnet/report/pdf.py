"""report.pdf: the page printed by a chromium or chrome that is already installed."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from heightnet.errors import HeightnetError

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
MAC = Path("/Applications/Google Chrome.app/Contents/MacOS/Google Chrome")
SECONDS = 180
FLAGS = (
    "--headless=new",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
    "--no-pdf-header-footer",
)


def browser() -> str | None:
    """The browser that prints; the environment variable HEIGHTNET_BROWSER names another one."""
    named = os.environ.get("HEIGHTNET_BROWSER")
    if named:
        return shutil.which(named)
    found = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    return found or (str(MAC) if MAC.exists() else None)


def print_page(page: Path, to: Path) -> Path:
    """Print a report.html to a PDF; raises HeightnetError where no browser is installed or it fails."""
    page = page.resolve()
    program = browser()
    if program is None:
        raise HeightnetError(
            "No PDF was made: printing needs an installed chromium or chrome, and none was found. Open "
            f"{page} in any browser and print it to a PDF, or name a browser in HEIGHTNET_BROWSER."
        )
    with tempfile.TemporaryDirectory(prefix="heightnet-") as folder:
        printed = Path(folder) / "report.pdf"
        command = [program, *FLAGS, f"--user-data-dir={folder}/profile", f"--print-to-pdf={printed}", page.as_uri()]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.insert(1, "--no-sandbox")  # the browser refuses its sandbox to root; the page is our own
        try:
            done = subprocess.run(command, capture_output=True, timeout=SECONDS, check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise HeightnetError(f"No PDF was made: {program} did not finish: {error}") from error
        if not printed.exists() or printed.stat().st_size == 0:
            last = done.stderr.decode(errors="replace").strip().splitlines()[-1:] or ["no message"]
            raise HeightnetError(f"No PDF was made: {program} ended with status {done.returncode}: {last[0]}")
        part = to.with_name(f".{to.name}.{os.getpid()}.part")
        try:
            shutil.copyfile(printed, part)
            os.replace(part, to)
        finally:
            part.unlink(missing_ok=True)
    return to
