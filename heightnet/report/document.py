"""A short report as headings, sentences and tables: one content, shown as plain text, on a terminal, and as a page.

Sentences and cells may hold claims (`heightnet.report.claims`): on a page each says what it states, elsewhere their
marks fall away.
"""

from __future__ import annotations

import hashlib
import textwrap
from base64 import b64encode
from collections.abc import Iterator
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING

from heightnet.report import claims
from heightnet.report.claims import isolated
from heightnet.report.columns import table_lines
from heightnet.report.console import clean, put, width_of
from heightnet.report.numbers import NO_BREAK, tie

if TYPE_CHECKING:
    from rich.console import Console

WIDTH = 100
SIGN = {"wrong": "!!", "doubtful": " ?", "sound": "ok"}
STYLE = {"wrong": "bold red", "doubtful": "bold yellow", "sound": "bold green"}


@dataclass(frozen=True)
class Table:
    """A table; columns whose heading ends in a blank are set flush left, all others flush right."""

    header: list[str]
    rows: list[list[str]]


@dataclass(frozen=True)
class Part:
    """A heading with sentences, and a table under them."""

    heading: str
    lines: list[str] = field(default_factory=list)
    table: Table | None = None


@dataclass(frozen=True)
class Document:
    """tone : "wrong", "doubtful" or "sound"; a sign and words say it, a colour only repeats it.

    says : the words over the page's headline.
    """

    title: str
    tone: str
    headline: str
    parts: list[Part]
    invented: bool
    foot: str
    says: str

    @property
    def heading(self) -> str:
        return f"{self.title} (an invented job)" if self.invented else self.title


def text_lines(document: Document, terminal: int | None = None) -> Iterator[tuple[str, str]]:
    """Lines with the style a terminal may give them; terminal : its columns, None where there is none."""
    width = min(WIDTH, terminal or WIDTH)
    yield document.heading, "bold"
    for line in _wrap(f"{SIGN[document.tone]} {document.headline}", "", width):
        yield line, STYLE[document.tone]
    for part in document.parts:
        yield part.heading, "bold"
        for sentence in part.lines:
            for line in _wrap(sentence, "   ", width):
                yield line, ""
        if part.table and part.table.rows:
            left = [head.endswith(" ") for head in part.table.header]
            header = [head.rstrip() for head in part.table.header]
            rows = [[claims.plain(cell) for cell in row] for row in part.table.rows]
            for line in table_lines(rows, left, terminal and terminal - 3, header):
                yield f"   {line}", ""
    if document.foot:
        for line in _wrap(document.foot, "", width):
            yield line, ""


def plain(document: Document) -> str:
    return "\n".join(line for line, _ in text_lines(document))


def show(document: Document, console: Console) -> None:
    """Print it; a console that is no terminal gets the same text without colour."""
    for line, style in text_lines(document, width_of(console)):
        put(console, line, style)


def _wrap(text: str, indent: str, width: int) -> list[str]:
    lines = textwrap.wrap(
        tie(claims.plain(text)), width, initial_indent=indent, subsequent_indent=indent + ("   " if not indent else ""),
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip
    return [line.replace(NO_BREAK, " ") for line in lines]


PAGE_STYLE = """
:root { --ink: #1c2329; --soft: #5b6670; --line: #d5dade; --accused: #b3271e }
body { margin: 0 auto; max-width: 1000px; padding: 12px 24px; color: var(--ink); background: #fff;
  font: 15px/1.45 "Segoe UI", "Helvetica Neue", "Liberation Sans", Arial, sans-serif }
h1 { font: 700 27px/1.2 Georgia, "Liberation Serif", serif; margin: 2px 0 6px }
h2 { font-size: 17px; margin: 22px 0 4px; padding-top: 8px; border-top: 2px solid var(--ink) }
p { margin: 4px 0 }
.banner { border-left: 12px solid var(--ink); padding: 4px 0 6px 16px }
.wrong { border-color: var(--accused) } .doubtful { border-left-style: double }
.says { font-weight: 700 } .job, footer { color: var(--soft) }
.wide { overflow-x: auto }
table { border-collapse: collapse; margin: 8px 0; font-variant-numeric: tabular-nums }
th, td { border-bottom: 1px solid var(--line); padding: 3px 12px 3px 0; text-align: right; vertical-align: bottom }
th.left, td.left { text-align: left }
footer { margin-top: 24px; font-size: 13px }
@media print { h2 { break-after: avoid } tr { break-inside: avoid } .wide { overflow: visible } }
"""


def html(document: Document) -> str:
    """One page that needs nothing else: no script, no network."""
    digest = b64encode(hashlib.sha256(PAGE_STYLE.encode()).digest()).decode("ascii")
    csp = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    body = [
        f'<p class="job">{isolated(document.heading)}</p>',
        f'<div class="banner {document.tone}"><p class="says">{_html(document.says)}</p>'
        f"<h1>{_html(document.headline)}</h1></div>",
    ]
    for part in document.parts:
        body.append(f"<section><h2>{isolated(part.heading)}</h2>")
        body += [f"<p>{_html(line)}</p>" for line in part.lines]
        if part.table and part.table.rows:
            body.append(_html_table(part.table))
        body.append("</section>")
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{csp}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(clean(document.title))}</title><style>{PAGE_STYLE}</style></head>\n<body><main>\n"
        + "\n".join(body)
        + f"\n</main><footer>{_html(document.foot)}</footer></body></html>\n"
    )


def _html(text: str) -> str:
    return claims.html(claims.shown(text, tie))


def _html_table(table: Table) -> str:
    left = [' class="left"' if head.endswith(" ") else "" for head in table.header]
    head = "".join(f'<th scope="col"{at}>{isolated(h.strip())}</th>' for h, at in zip(table.header, left, strict=True))
    rows = [
        "<tr>" + "".join(f"<td{at}>{claims.html(cell)}</td>" for cell, at in zip(row, left, strict=True)) + "</tr>"
        for row in table.rows
    ]
    return f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{"".join(rows)}</tbody></table></div>'
