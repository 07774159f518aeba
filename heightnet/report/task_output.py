"""Shows and writes the facts of a task: text, JSON and a page, the same for every task."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from heightnet.report.console import console, one_line, say, say_json
from heightnet.report.document import Document
from heightnet.report.html import html
from heightnet.report.text import show
from heightnet.report.writing import write_text


def give(name: str, facts: dict[str, Any], document: Document, to: Path | None, as_json: bool) -> None:
    """Print the facts as text, or as JSON; with a folder write ``name``.json and ``name``.html into it as well."""
    text = json.dumps(facts, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    if to is not None:
        write_text(to / f"{name}.json", [text])
        write_text(to / f"{name}.html", [html(document)])
    if as_json:
        say_json(text)
        return
    show(document, console())
    if to is not None:
        say(f"The page: {one_line(to / f'{name}.html')}")
