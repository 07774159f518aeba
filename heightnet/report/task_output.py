"""Shows and writes what a task found: text, JSON and a page, the same for every task."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from heightnet.report.console import console, one_line, say, say_json
from heightnet.report.document import Document
from heightnet.report.html import pieces
from heightnet.report.text import show
from heightnet.report.writing import write_text


def give(
    name: str, facts: dict[str, Any], story: Callable[[], Document], as_json: bool, to: Path | None = None
) -> None:
    """Print the story of the facts, or the facts as JSON; with a folder write ``name``.json and ``name``.html too."""
    text = json.dumps(facts, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    if to is not None:
        write_text(to / f"{name}.json", [text])
        write_text(to / f"{name}.html", pieces(story()))
    if as_json:
        say_json(text)
        return
    show(story(), console())
    if to is not None:
        say(f"The page: {one_line(to / f'{name}.html')}")
