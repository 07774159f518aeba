"""The story of a check for a terminal: about twenty lines, plain text when it goes into a pipe."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from heightnet.report.claims import plain as bare
from heightnet.report.console import one_line, put, width_of
from heightnet.report.numbers import NO_BREAK, tie
from heightnet.report.story import DOUBTFUL, SOUND, WRONG, tell
from heightnet.report.words import Words

if TYPE_CHECKING:
    from rich.console import Console

WIDTH = 100
# signs and words first; a colour only repeats them
SIGN = {WRONG: "!!", DOUBTFUL: " ?", SOUND: "ok"}
STYLE = {WRONG: "bold red", DOUBTFUL: "bold yellow", SOUND: "bold green"}


def plain(facts: dict[str, Any]) -> str:
    """The story as plain text."""
    return "\n".join(line for line, _ in _lines(facts, WIDTH))


def show(facts: dict[str, Any], console: Console, folder: Path | None = None) -> None:
    """Print the story; a console that is no terminal gets the same text without any colour."""
    for line, style in _lines(facts, min(WIDTH, width_of(console))):
        put(console, line, style)
    if folder is not None:
        page = folder / "report.html"
        where = page if page.exists() else folder / "results.json"
        put(console, f"The whole report: {one_line(where)}")


def _lines(facts: dict[str, Any], width: int) -> Iterator[tuple[str, str]]:
    words = Words(facts)
    story = tell(words)
    job = facts["job"]
    yield f"{words.title}{' (an invented job)' if job['invented'] else ''}", "bold"
    for line in _wrap(f"{SIGN[story.tone]} {story.headline}", "", width):
        yield line, STYLE[story.tone]
    for answer in story.answers:
        yield answer.question, "bold"
        for text in answer.lines:
            for line in _wrap(text, "   ", width):
                yield line, ""


def _wrap(text: str, indent: str, width: int) -> list[str]:
    lines = textwrap.wrap(
        tie(bare(text)),
        width,
        initial_indent=indent,
        subsequent_indent="   ",
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace(NO_BREAK, " ") for line in lines]
