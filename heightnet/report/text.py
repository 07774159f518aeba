"""A document as text: coloured on a terminal, plain in a pipe, the same words in both."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from heightnet.report import claims
from heightnet.report import document as doc
from heightnet.report.columns import table_lines
from heightnet.report.console import put, width_of, wrapped
from heightnet.report.numbers import NO_BREAK, tie

if TYPE_CHECKING:
    from rich.console import Console

WIDTH = 100
INDENT = "   "
# signs and words first; a colour only repeats them
SIGN = {doc.WRONG: "!!", doc.DOUBTFUL: " ?", doc.SOUND: "ok"}
STYLE = {doc.WRONG: "bold red", doc.DOUBTFUL: "bold yellow", doc.SOUND: "bold green"}


def plain(document: doc.Document) -> str:
    return "\n".join(line for line, _ in text_lines(document))


def show(document: doc.Document, console: Console) -> None:
    """Print it; a console that is no terminal gets the same text without colour."""
    for line, style in text_lines(document, width_of(console)):
        put(console, line, style)


def text_lines(document: doc.Document, terminal: int | None = None) -> Iterator[tuple[str, str]]:
    """Lines with the style a terminal may give them; terminal : its columns, None where there is none."""
    width = min(WIDTH, terminal or WIDTH)
    yield document.heading, "bold"
    for number, sentence in enumerate(document.doubted):
        for line in _wrap(sentence, INDENT if number else "", width):
            yield line, STYLE[doc.DOUBTFUL]
    if document.headline:
        for line in _wrap(f"{SIGN[document.tone]} {document.headline}", "", width):
            yield line, STYLE[document.tone]
    for block in document.blocks:
        if not document.headline and isinstance(block, doc.Section):
            yield "", ""  # what only lists is read with air between its parts
        yield from _lines([block], width, terminal)
    for line in _wrap(document.foot, "", width):
        yield line, ""


def _lines(blocks: Iterable[doc.Block], width: int, terminal: int | None) -> Iterator[tuple[str, str]]:
    said: list[str]
    for block in blocks:
        match block:
            case doc.Section(title, inner) | doc.Fold(title, inner):
                if isinstance(block, doc.Section):
                    yield title, "bold"
                yield from _lines(inner, width, terminal)
                continue
            case doc.Table():
                said = [f"{INDENT}{line}" for line in _table(block, terminal and terminal - len(INDENT))]
            case str() | doc.Bullets():
                said = [
                    line
                    for sentence in ([block] if isinstance(block, str) else block.lines)
                    for line in _wrap(sentence, INDENT, width)
                ]
            case doc.Counts(counts):
                said = [f"{INDENT}{number:>8,}  {doc.WORD[state]}" for state, number in counts.items() if number]
            case doc.Steps(steps):
                said = []
                for number, step in enumerate(steps, start=1):
                    said += _wrap(f"[ ] {number}. {step.what}", INDENT, width, f"{INDENT}    ")
                    boxes = "  ".join(f"{box} ______" for box in step.boxes)
                    said += [line for text in (step.why, boxes) if text for line in _wrap(text, f"{INDENT}    ", width)]
            case _:
                continue
        for line in said:
            yield line, ""


def _table(table: doc.Table, width: int | None) -> list[str]:
    rows = [[claims.plain(cell) if isinstance(cell, str) else cell.word for cell in row] for row in table.rows]
    if not rows:
        return []
    left = [head.endswith(" ") for head in table.header] or [True] * len(rows[0])
    return table_lines(rows, left, width, [head.rstrip() for head in table.header])


def _wrap(text: str, indent: str, width: int, hanging: str = "") -> list[str]:
    tied = indent + tie(claims.plain(text)).replace("\n", " ")
    return [line.replace(NO_BREAK, " ") for line in wrapped(tied, width, len(hanging or indent or INDENT)) if text]
