"""A picture as lines, circles and words on a sheet, and the signs this project draws with.

`svg` puts a drawing on the page, where a part can be pointed at and lights up what belongs to it; `file_of` makes a
file of it for other documents, and `heightnet.report.figures` a matplotlib Figure.

The signs say by shape what colour only repeats.  A height is a square: the fuller it is, the better it was tested; a
band across it is a doubt, and one that stands open holds no height.  A square tipped on its corner is accused.

Texts and titles may hold claims (`heightnet.report.claims`): on the page each says what it states.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from html import escape
from typing import NamedTuple

from heightnet.report import claims

Point = tuple[float, float]

INK, SOFT, FAINT, PAPER = "#1c2329", "#5b6670", "#d5dade", "#ffffff"
ACCUSED, SHADE = "#b3271e", "#e8ebee"


class Style(NamedTuple):
    stroke: str = "none"
    width: float = 0.0
    dash: tuple[float, ...] = ()
    fill: str = "none"


STYLES = {
    "sight": Style("#8a949c", 0.8),
    "many-sights": Style("#c3cacf", 0.5),
    "level": Style(INK, 1.1, (7, 3)),
    "planned": Style(INK, 1.8, (6, 4)),
    "accused-line": Style(ACCUSED, 2.2, (2, 2)),
    "stem": Style(INK, 0.8),
    "axis": Style(SOFT, 0.8),
    "grid": Style(FAINT, 0.7),
    "leader": Style(SOFT, 0.6, (1, 2)),
    "profile": Style(INK, 1.5),
    "shifted": Style(ACCUSED, 1.5, (5, 3)),
    "range": Style(INK, 1.0),
    "far-range": Style(SOFT, 0.9, (1.5, 2)),
    "spread": Style(INK, 3.2),
    "spread-accused": Style(ACCUSED, 3.2),
    "band": Style("none", 0, (), SHADE),
    "solid": Style(INK, 1.0, (), INK),
    "cut": Style("none", 0, (), PAPER),
    "frame": Style(INK, 1.0),
    "open": Style(INK, 1.6),
    "hollow": Style(INK, 1.1, (), PAPER),
    "accused": Style(ACCUSED, 1.2, (), ACCUSED),
    "accused-hollow": Style(ACCUSED, 1.5, (), PAPER),
    "ring": Style(ACCUSED, 1.0),
    "hit": Style(),  # an unseen area that can be pointed at
}


class Letter(NamedTuple):
    size: float = 11.5
    colour: str = INK
    bold: bool = False


LETTERS = {
    "name": Letter(),
    "strong": Letter(bold=True),
    "accused-name": Letter(colour=ACCUSED, bold=True),
    "note": Letter(10.5, SOFT),
    "tick": Letter(10, SOFT),
}


@dataclass(frozen=True)
class Line:
    """Polylines in one style; ``closed`` makes areas of them."""

    parts: list[list[Point]]
    style: str
    closed: bool = False


@dataclass(frozen=True)
class Circle:
    centre: Point
    radius: float
    style: str


@dataclass(frozen=True)
class Text:
    at: Point
    text: str
    letter: str = "name"
    anchor: str = "start"


@dataclass
class Group:
    """Parts of one thing: ``key`` names it, ``about`` has the keys that light it up, ``href`` is where it leads."""

    items: list[Item] = field(default_factory=list)
    key: str = ""
    about: str = ""
    href: str = ""
    title: str = ""
    cls: str = ""


Item = Line | Circle | Text | Group


class Drawing:
    """A sheet, in points from its upper left corner, that items are put on in order.

    >>> sheet = Drawing("demo", "A line", "one line", 40, 10)
    >>> sheet.line([(0, 5), (40, 5)], "axis")
    >>> svg(sheet).count("<path")
    1
    """

    def __init__(self, name: str, title: str, description: str, width: float, height: float) -> None:
        self.name, self.title, self.description = name, title, description
        self.width, self.height = width, height
        self.root = Group()
        self._open = [self.root]

    def add(self, item: Item) -> None:
        self._open[-1].items.append(item)

    def line(self, points: list[Point], style: str) -> None:
        self.add(Line([points], style))

    def area(self, points: list[Point], style: str) -> None:
        self.add(Line([points], style, closed=True))

    def box(self, x: float, y: float, width: float, height: float, style: str) -> None:
        self.area([(x, y), (x + width, y), (x + width, y + height), (x, y + height)], style)

    def text(self, x: float, y: float, text: str, letter: str = "name", anchor: str = "start") -> None:
        self.add(Text((x, y), text, letter, anchor))

    @contextmanager
    def group(self, key: str = "", about: str = "", href: str = "", title: str = "", cls: str = "") -> Iterator[None]:
        group = Group([], key, about or key, href, title, cls)
        self.add(group)
        self._open.append(group)
        try:
            yield
        finally:
            self._open.pop()

    def sign(self, kind: str, x: float, y: float, size: float = 6.0) -> None:
        """One of the signs, centred: a verdict, ``error``, ``known`` or ``found``."""
        for item in sign(kind, x, y, size):
            self.add(item)


def sign(kind: str, x: float, y: float, size: float = 6.0) -> list[Item]:
    """The parts of a sign of half-width ``size``."""
    s = size
    square = [(x - s, y - s), (x + s, y - s), (x + s, y + s), (x - s, y + s)]
    t = 1.35 * s
    tipped = [(x, y - t), (x + t, y), (x, y + t), (x - t, y)]
    match kind:
        case "proved":
            return [Line([square], "solid", True)]
        case "weak":
            half = [(x - s, y), (x + s, y), (x + s, y + s), (x - s, y + s)]
            return [Line([square], "hollow", True), Line([half], "solid", True)]
        case "unproved":
            return [Line([square], "hollow", True)]
        case "doubted":
            g = 0.75 * s  # a band from the lower left to the upper right
            band = [(x - s, y + s - g), (x - s, y + s), (x - s + g, y + s)]
            band += [(x + s, y - s + g), (x + s, y - s), (x + s - g, y - s)]
            return [Line([square], "solid", True), Line([band], "cut", True), Line([square], "frame", True)]
        case "missing":
            return [Line([[(x - s, y - s), (x - s, y + s), (x + s, y + s), (x + s, y - s)]], "open")]
        case "suspect":
            r = 2.0 * s
            outer = [(x, y - r), (x + r, y), (x, y + r), (x - r, y)]
            return [Line([outer], "ring", True), Line([tipped], "accused", True)]
        case "either":
            half = [(x, y - t), (x, y + t), (x - t, y)]
            return [Line([tipped], "accused-hollow", True), Line([half], "accused", True)]
        case "free":
            return [Line([[(x - s, y), (x + s, y)], [(x, y - s), (x, y + s)]], "range")]
        case "error":
            return [Line([[(x - s, y - s), (x + s, y + s)], [(x - s, y + s), (x + s, y - s)]], "range")]
        case "known":
            return [Line([[(x, y - 1.2 * s), (x + 1.15 * s, y + 0.8 * s), (x - 1.15 * s, y + 0.8 * s)]], "solid", True)]
        case "found":
            return [Circle((x, y), 0.62 * s, "hollow")]
    raise ValueError(kind)


def svg(drawing: Drawing) -> str:
    """The drawing as inline SVG; its styles are classes, in the page's style sheet (`style_sheet`)."""
    name = drawing.name
    links = any(isinstance(item, Group) and item.href for item in _walk(drawing.root))
    head = (
        f'<svg viewBox="0 0 {_n(drawing.width)} {_n(drawing.height)}" role="{"group" if links else "img"}" '
        f'class="picture" aria-labelledby="{name}-title {name}-text"><title id="{name}-title">'
        f'{escape(drawing.title)}</title><desc id="{name}-text">{escape(drawing.description)}</desc>'
    )
    return head + "".join(map(_svg, drawing.root.items)) + "</svg>"


def file_of(drawing: Drawing) -> str:
    """The drawing as an SVG file that stands alone, on white, in its size in points."""
    width, height = _n(drawing.width), _n(drawing.height)
    size = f'width="{width}pt" height="{height}pt" viewBox="0 0 {width} {height}"'
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" {size}>',
        f"<title>{escape(claims.plain(drawing.title))}</title>",
        f"<desc>{escape(claims.plain(drawing.description))}</desc>",
        f"<style>\nsvg{{font-family:sans-serif}}\n{style_sheet()}\n</style>",
        f'<rect width="{width}" height="{height}" fill="{PAPER}"/>',
        *map(_svg, on_paper(drawing.root)),
        "</svg>",
    ]
    return "\n".join(lines) + "\n"


def on_paper(group: Group) -> list[Item]:
    """What is drawn of a group where nothing can be chosen or followed: of the explanations the likeliest."""
    items: list[Item] = []
    for item in group.items:
        if isinstance(item, Text):
            items.append(replace(item, text=claims.plain(item.text)))
        elif not isinstance(item, Group):
            items.append(item)
        elif "choice" not in item.cls or item.cls.endswith("choice-0"):
            items.append(Group(on_paper(item), title=claims.plain(item.title)))
    return items


def sign_svg(kind: str) -> str:
    """The parts of a sign around the origin, for a symbol that text can use."""
    return "".join(map(_svg, sign(kind, 0.0, 0.0, 5.0)))


def _walk(group: Group) -> Iterator[Item]:
    for item in group.items:
        yield item
        if isinstance(item, Group):
            yield from _walk(item)


def _svg(item: Item) -> str:
    match item:
        case Line(parts, style, closed):
            end = "z" if closed else ""
            path = "".join("M" + "L".join(f"{_n(x)} {_n(y)}" for x, y in part) + end for part in parts)
            return f'<path class="s-{style}" d="{path}"/>'
        case Circle((x, y), radius, style):
            return f'<circle class="s-{style}" cx="{_n(x)}" cy="{_n(y)}" r="{_n(radius)}"/>'
        case Text((x, y), text, letter, anchor):
            place = "" if anchor == "start" else f' text-anchor="{anchor}"'
            said, states = claims.only(text)
            inner = escape(said) if claims.is_one(text) else claims.html(text, "tspan")
            states = f" {states}" if claims.is_one(text) else ""
            return f'<text class="t-{letter}" x="{_n(x)}" y="{_n(y)}"{place}{states}>{inner}</text>'
        case Group():
            inside = "".join(map(_svg, item.items))
            title, states = claims.only(item.title)
            said = f"<title{f' {states}' if states else ''}>{escape(title)}</title>" if title else ""
            marks = "".join(
                f' {name}="{escape(value)}"'
                for name, value in (("class", item.cls), ("data-key", item.key), ("data-about", item.about))
                if value
            )
            if item.href:
                return f'<a href="{escape(item.href)}"{marks}>{said}{inside}</a>'
            return f"<g{marks}>{said}{inside}</g>"


def tenth(value: float) -> float:
    """A place on the sheet as it is written, to a tenth of a point: what lies below it differs between machines.

    >>> tenth(329.310287), str(tenth(-0.04))
    (329.3, '0.0')
    """
    return round(value, 1) + 0.0


def _n(value: float) -> str:
    return f"{tenth(value):g}"


def style_sheet() -> str:
    """The CSS of every style and letter."""
    lines = []
    for name, style in STYLES.items():
        dash = f";stroke-dasharray:{' '.join(map(_n, style.dash))}" if style.dash else ""
        width = f";stroke-width:{style.width:g}" if style.width else ""
        lines.append(f".s-{name}{{fill:{style.fill};stroke:{style.stroke}{width}{dash}}}")
    lines.append(".s-hit{pointer-events:all}")
    for name, letter in LETTERS.items():
        weight = ";font-weight:700" if letter.bold else ""
        lines.append(f".t-{name}{{font-size:{letter.size:g}px;fill:{letter.colour}{weight}}}")
    return "\n".join(lines)


def nice_step(span: float, about: float) -> float:
    """A step of 1, 2 or 5 times a power of ten that divides a span into about so many parts.

    >>> nice_step(23.0, 5)
    5.0
    """
    from math import floor, log10

    rough = span / about
    power = 10.0 ** floor(log10(rough))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= rough * 0.999)


def text_width(text: str, letter: str = "name") -> float:
    """About how wide a text is."""
    return len(claims.plain(text)) * LETTERS[letter].size * (0.58 if LETTERS[letter].bold else 0.54)
