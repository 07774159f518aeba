"""The one pen for pages: a document as one HTML file that needs nothing else, no network and, if must be, no scripts.

The style sheet and the script are named by their hashes in the page's Content-Security-Policy, so that nothing else
runs in it, whatever a mark is called.  All text is escaped where it is put into an element.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable, Iterator
from functools import cache
from html import escape
from importlib.resources import files
from typing import Any

import heightnet
from heightnet.report import claims
from heightnet.report import document as doc
from heightnet.report.console import clean
from heightnet.report.listings import Column, Listing, Row
from heightnet.report.numbers import tie
from heightnet.report.pictures import drawing

SIGNS = {name: name for name in (*doc.WORD, "known", "found")} | {
    "unexplained": "suspect", "many": "suspect", "wrong": "suspect", "unclear": "either", "untested": "unproved",
    "scatters": "weak", "closes": "proved",
}  # fmt: skip
"""The sign of each verdict; of the state of a job that of the verdict on a height that it is like."""
CREW = (("Date", ""), ("Instrument", ""), ("Tape", ""), ("Crew", "long"))


class Html(str):
    """Text that is HTML already."""

    __slots__ = ()


def told(text: str) -> Html:
    """Text for a page: escaped, numbers tied to their units, its claims as elements."""
    return Html(claims.html(claims.shown(text, tie)))


def as_is(text: str) -> Html:
    """Text of a file: escaped, every character of it as it stands."""
    return Html(claims.isolated(clean(claims.name(text))))


def element(tag: str, *inner: str, **attributes: Any) -> Html:
    """An element; text in it is escaped, and an attribute that is empty left out.

    >>> element("p", "5 < 6, ", element("b", "said"), cls="note", data_key="", hidden=True)
    '<p class="note" hidden>5 &lt; 6, <b>said</b></p>'
    """
    said = [tag]
    for name, value in attributes.items():
        if value is None or value is False or value == "":
            continue
        key = "class" if name == "cls" else name.rstrip("_").replace("_", "-")
        said.append(key if value is True else f'{key}="{escape(str(value))}"')
    start = f"<{' '.join(said)}>"
    if tag in ("meta", "link", "input"):
        return Html(start)
    return Html(f"{start}{''.join(text if isinstance(text, Html) else told(text) for text in inner)}</{tag}>")


def stating(of: str, fact: str, value: Any) -> dict[str, str]:
    """Attributes of an element that states a fact."""
    return {"data_of": of, "data_fact": fact, "data_value": json.dumps(value, ensure_ascii=False)}


def sign(kind: str) -> Html:
    use = element("use", href=f"#sign-{kind}")
    return element("svg", use, cls="sign", aria_hidden="true")


def said(verdict: str) -> Html:
    """A verdict as sign and word."""
    return element("span", sign(verdict), doc.WORD[verdict], cls=f"said said-{verdict}")


# ---- blocks ----


def blocks(some: Iterable[doc.Block], level: int = 2) -> Html:
    """Blocks one after another; ``level`` : of the headings among them."""
    return Html("\n".join(_block(block, level) for block in some))


def _block(block: doc.Block, level: int) -> Html:
    match block:
        case str():
            return element("p", block)
        case doc.Bullets([line], numbered=False):
            return element("p", line)
        case doc.Bullets(lines, numbered):
            return element("ol" if numbered else "ul", *(element("li", line) for line in lines))
        case doc.Section():
            return _section(block, level)
        case doc.Note(text, kind):
            return element("p", text, cls=kind)
        case doc.Table():
            return _table(block) if block.rows else Html()
        case doc.Picture():
            return _picture(block)
        case doc.Numbers(title, entries):
            return element("details", element("summary", title), _meanings(entries), cls="numbers")
        case doc.Fold():
            return _fold(block, level)
        case doc.Card():
            return _card(block, level)
        case doc.Choices():
            return _choices(block, level)
        case doc.Columns(inner):
            return element("div", blocks(inner, level), cls="columns")
        case doc.Steps(steps):
            return _steps(steps)
        case doc.Switch(label):
            box = element("input", type="checkbox", id="show-statistics")
            return element("p", element("label", box, f" {label}", cls="stats"))
        case doc.Legend(signs):
            return element("dl", *map(_meaning_of, signs), cls="legend")
        case doc.Counts(counts):
            rows = (
                element("li", sign(of), element("b", f"{n:,}"), f" {doc.WORD[of]}") for of, n in counts.items() if n
            )
            return element("ul", *rows, cls="counts")
        case doc.Link(text, to, after):
            return element("p", element("a", text, href=to), after)
        case Listing():
            return _listing(block)
        case doc.Code(text):
            return element("pre", element("code", as_is(text)))
        case doc.AsInFile():
            return _as_in_file(block)
        case doc.Wrongs(entries):
            return element("div", *map(_wrong, entries), cls="wrongs")


def _section(section: doc.Section, level: int) -> Html:
    heading = element(f"h{level}", section.title, id=section.id and f"{section.id}-title")
    inner = Html(f"{heading}\n{blocks(section.blocks, level + 1)}")
    if not section.id:
        return inner
    return element("section", inner, id=section.id, aria_labelledby=f"{section.id}-title")


def _scroll(inner: Html, title: str = "") -> Html:
    """What may be wider than the page; with a title it can be reached by keyboard."""
    reached = {"tabindex": "0", "role": "region", "aria_label": f"{title}, can be scrolled"} if title else {}
    return element("div", inner, cls="scroll", **reached)


def _grid(title: str, head: Iterable[Html], rows: Iterable[Html], **attributes: Any) -> Html:
    caption = element("caption", title) if title else ""
    inner = element("thead", element("tr", *head)), element("tbody", *rows)
    return element("table", caption, *inner, **attributes)


def _table(table: doc.Table) -> Html:
    kinds = ["x" if head.endswith(" ") else "n" for head in table.header] or ["x"] * len(table.rows[0])
    head = (element("th", text.strip(), scope="col", cls=kind) for text, kind in zip(table.header, kinds, strict=False))
    rows = (
        element("tr", *map(_cell, row, ["name", *kinds[1:]]), data_about=about)
        for row, about in zip(table.rows, table.about or [""] * len(table.rows), strict=True)
    )
    return _scroll(_grid(table.caption, head, rows, cls="small"))


def _cell(cell: str | doc.Verdict, kind: str) -> Html:
    """kind : "name" of the first one of a row, else "x" or "n"."""
    if isinstance(cell, doc.Verdict):
        return element("td", said(cell.verdict), **stating(cell.of, "verdict", cell.verdict))
    return element("th", cell, scope="row") if kind == "name" else element("td", cell, cls=kind)


def _picture(picture: doc.Picture) -> Html:
    drawn = Html(drawing.svg(picture.drawing))
    if not picture.wide:
        return element("figure", drawn, cls="plan", aria_label=picture.title, tabindex="0")
    caption = element("figcaption", picture.title)
    return element("figure", caption, _scroll(drawn, picture.title), cls="wide", aria_label=picture.title)


def _meanings(entries: Iterable[doc.Number]) -> Html:
    rows = []
    for name, value, meaning in entries:
        told = [element("dd", text, cls=kind) for text, kind in ((value, "value"), (meaning, "")) if text]
        rows.append(element("div", element("dt", name), *told))
    return element("dl", *rows)


def _meaning_of(one: doc.Sign) -> Html:
    states = {"data_verdict": one.sign, **stating("vocabulary", "verdict", one.sign)} if one.verdict else {}
    return element("div", element("dt", sign(one.sign), one.word, **states), element("dd", one.meaning))


def _fold(fold: doc.Fold, level: int) -> Html:
    title = told(fold.title)
    if fold.count is not None:
        title = element(f"h{level}", f"{fold.title} ", element("small", f"{fold.count:,}"))
    return element("details", element("summary", title), blocks(fold.blocks, level), cls=fold.kind, open=fold.open)


def _card(card: doc.Card, level: int) -> Html:
    summary = element("summary", sign(card.verdict), element("b", card.name), " ", element("span", card.says))
    inside = element("div", blocks(card.blocks, level), id=card.key, cls="inside")
    look = {"cls": f"card card-{card.verdict}", "open": card.verdict in ("suspect", "either")}
    return element("details", summary, inside, data_key=card.key, data_about=card.about, **look)


def _choices(some: doc.Choices, level: int) -> Html:
    labels, parts = [], []
    for number, (name, likely, inner) in enumerate(some.choices):
        dot = element("input", type="radio", name="explanation", id=f"explanation-{number}", checked=number == 0)
        labels.append(element("label", dot, " ", element("span", f"{claims.strong(name)}: {likely}")))
        heading = element(f"h{level}", f"{name} ", element("small", likely))
        parts.append(element("div", heading, blocks(inner, level), cls=f"choice choice-{number}"))
    fieldset = element("fieldset", element("legend", some.legend), *labels, hidden=len(labels) == 1)
    return Html("\n".join([fieldset, *parts]))


def _steps(steps: Iterable[doc.Step]) -> Html:
    crew = (Html(f"{label} {element('span', cls=f'blank {long}'.strip())} ") for label, long in CREW)
    items = []
    for what, why, labels in steps:
        boxes = (element("span", element("span", label), cls="box") for label in labels)
        items.append(element("li", element("p", f"{claims.strong(what)} {why}"), element("p", *boxes, cls="boxes")))
    return Html(element("p", *crew, cls="crew") + element("ol", *items, cls="steps"))


# ---- tables that sort and filter ----


def _listing(table: Listing) -> Html:
    without = element("span", table.without_script, cls="without-script")
    says = [table.says, *([" ", without] if table.without_script else []), f" {table.left_out}".rstrip()]
    head = (_heading(column, bool(table.more)) for column in table.columns)
    rows = (
        element("tr", *(_stated(*cell, row, table.link(row)) for cell in table.stated(row)),
                data_key="" if table.leads else row.key, data_about=row.about)
        for row in table.first
    )  # fmt: skip
    start = table.of if table.more else ""
    made = _grid(
        table.title, head, rows, cls="list", id=f"table-{table.id}", data_start=start, data_leads=table.leads
    )  # fmt: skip
    return Html(element("p", *says) + _scroll(made, table.title))


def _heading(column: Column, fetched: bool) -> Html:
    """fetched : whether a script writes further cells from their values, to so many digits."""
    written = {"data_digits": column.digits, "data_divisor": column.divisor} if fetched and column.digits >= 0 else {}
    about = {"data_kind": column.kind, "data_column": column.fact, "title": column.meaning}
    return element("th", column.heading, scope="col", cls=_look(column), **about, **written)


def _look(column: Column) -> str:
    return f"{'n' if column.kind == 'number' else 'x'}{' stat' if column.stat else ''}"


def _stated(column: Column, text: str, fact: str, value: Any, row: Row, link: str) -> Html:
    if column.kind == "name":
        return element("th", element("a", text, href=link) if link else text, scope="row")
    states = stating(row.of, fact, value) if fact else {}
    if column.kind == "verdict":
        return element("td", said(text), **states)
    return element("td", text, cls=_look(column), **states)


# ---- rows of a file ----


def _as_in_file(some: doc.AsInFile) -> Html:
    width = len(some.columns) or 1
    letters = (element("th", letter or "…", scope="col") for letter in some.columns)
    first = element("th", some.counts, scope="col", cls="n")
    head = [element("tr", first, *letters, cls="letters")] if some.columns else []
    rows = [*(_row_of_file(row, width, "th") for row in some.heads)]
    made = element("thead", *head, *rows) + element("tbody", *(_row_of_file(r, width, "td") for r in some.rows))
    return _scroll(element("table", element("caption", some.title), Html(made), cls="in-file"), some.title)


def _row_of_file(row: doc.FileRow, width: int, tag: str) -> Html:
    """A row, under it what is wrong with it."""
    out = element("tr", element("td", "⋮", cls="n"), element("td", colspan=width), cls="gap") if row.between else ""
    marked = {"cls": "spoilt"} if row.itself else {}
    number = element("th", f"{row.number}", *_refer(row.itself), scope="row", **marked)
    wide = {"colspan": width} if row.whole else {}
    out += element("tr", number, *(_cell_of_file(cell, tag, **wide) for cell in row.cells))
    if row.wrong:
        why = element("td", element("div", *map(_wrong, row.wrong), cls="wrongs"), colspan=width)
        out += element("tr", element("td"), why, cls="why")
    return Html(out)


def _cell_of_file(cell: doc.FileCell, tag: str, **wide: int) -> Html:
    out, at = [], 0
    for start, end, wrong in cell.marks:
        text = cell.text[start:end]
        mark = element("mark", as_is(text) if text.strip() else "(blank)")
        out += [as_is(cell.text[at:start]), mark, *_refer(wrong)]
        at = end
    scope = {"scope": "col"} if tag == "th" else {}
    return element(tag, *out, as_is(cell.text[at:]), cls="spoilt" if cell.marks else "", **scope, **wide)


def _refer(numbers: Iterable[int]) -> list[Html]:
    return [Html(" " + element("a", f"problem {number}", href=f"#problem-{number}")) for number in numbers]


def _wrong(wrong: doc.Wrong) -> Html:
    said = (
        ("read", element("code", as_is(wrong.read)) if wrong.read else "nothing"),
        ("expected", as_is(wrong.expected)),
        ("likely cause", as_is(wrong.cause)),
        ("to write", element("code", as_is(wrong.line)) if wrong.line else ""),
    )
    told = (element("div", element("dt", name), element("dd", text)) for name, text in said if text)
    heading = element("p", element("b", f"Problem {wrong.number}"), " ", as_is(wrong.place))
    return element("div", heading, element("dl", *told), cls="wrong", id=f"problem-{wrong.number}")


# ---- the page ----


def html(document: doc.Document) -> str:
    return "".join(pieces(document))


def pieces(document: doc.Document) -> Iterator[str]:
    """The text of a page in pieces; ``document.data`` is read once, at the end."""
    style, script = style_sheet() + _templates(document.styles), _templates(document.scripts)
    scripted = f"script-src {hash_of(script)}; " if script else ""
    csp = (
        f"default-src 'none'; style-src {hash_of(style)}; {scripted}img-src data:; base-uri 'none'; form-action 'none'"
    )
    named = {
        "viewport": "width=device-width, initial-scale=1",
        "generator": f"heightnet {heightnet.__version__}",
    }
    yield '<!doctype html>\n<html lang="en">\n'
    yield element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", http_equiv="Content-Security-Policy", content=csp),
        *(element("meta", name=name, content=content) for name, content in named.items()),
        element("title", Html(escape(clean(f"{document.title}: {claims.plain(document.headline)}")))),
        element("link", rel="icon", href="data:,"),
        element("style", Html(style)),
    )
    yield "\n<body>\n"
    body = "".join(_body(document))
    yield _symbols(body)
    yield body
    for id, text in document.data.items():
        yield f'<script type="application/json" id="{id}">'
        yield from map(script_json, text)
        yield "</script>\n"
    yield element("script", Html(script)) if script else ""
    yield "\n</body>\n</html>\n"


def _body(document: doc.Document) -> Iterator[str]:
    yield element("a", "To the answers", cls="skip", href="#answers") + "\n"
    tag = element("span", "invented example", cls="tag") if document.invented else ""
    job = element("p", element("b", document.title), " " if tag else "", tag, cls="job")
    yield element("header", job, element("p", document.size, cls="size") if document.size else "") + "\n<main>\n"
    mark = sign(document.sign) if document.sign else ""
    says = element("p", mark, " " if mark else "", document.says, cls="tone-says")
    doubted = element("div", blocks(document.doubted)) if document.doubted else ""
    banner = element("div", doubted, says, element("h1", document.headline, id="headline"), cls="banner")
    banner = banner if document.headline or document.says else Html()  # of a page that judges nothing
    beside = element("div", blocks(document.beside), cls="beside") if document.beside else ""
    first = element("div", element("div", blocks(document.blocks), cls="says"), beside, cls="first")
    named = "headline" if banner else ""
    yield element("section", banner, first, id="answers", cls=f"tone tone-{document.tone}", aria_labelledby=named)
    parts = [block for block in document.below if isinstance(block, doc.Section)]
    links = (Html(element("a", part.short, href=f"#{part.id}") + "\n") for part in parts)
    before = [block for block in document.below if block not in parts]
    yield blocks(before)
    yield element("nav", *links, aria_label="Parts of this page") if parts else ""
    yield blocks(parts)
    yield "\n</main>\n" + element("footer", element("p", document.foot)) + "\n"


def _symbols(body: str) -> Html:
    """The signs that a page uses."""
    used = {name: of for name, of in SIGNS.items() if f'"#sign-{name}"' in body}
    box = "-11 -11 22 22"
    made = (element("symbol", Html(drawing.sign_svg(of)), id=f"sign-{name}", viewBox=box) for name, of in used.items())
    return element("svg", element("defs", *made), cls="symbols", aria_hidden="true")


def script_json(text: str) -> str:
    """JSON that cannot end the script element it stands in."""
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def hash_of(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


@cache
def template(name: str) -> str:
    return files("heightnet.report").joinpath("templates", name).read_text(encoding="utf-8")


def _templates(names: Iterable[str]) -> str:
    return "".join(map(template, names))


@cache
def style_sheet() -> str:
    return f"{template('page.css')}\n{drawing.style_sheet()}\n"
