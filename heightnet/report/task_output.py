"""Shows and writes what a task found: text, JSON and a page, the same for every task."""

from __future__ import annotations

from pathlib import Path

from heightnet.answers import Answer
from heightnet.report.console import console, one_line, say, say_json
from heightnet.report.pdf import print_page
from heightnet.report.text import show


def give(answer: Answer, as_json: bool, to: Path | None, pdf: bool) -> None:
    """Print the story of the facts, or the facts as JSON; with a folder write them and the page too, with ``pdf`` also
    as a PDF.

    Raises HeightnetError where the page could not be printed.
    """
    if to is not None:
        answer.write(to)
        if pdf:
            print_page(to / f"{answer.name}.html", to / f"{answer.name}.pdf")
    if as_json:
        say_json(answer.to_json())
        return
    show(answer.story, console())
    if to is not None:
        say(f"The page: {one_line(to / f'{answer.name}.html')}")
