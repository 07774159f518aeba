"""The pictures as files for other documents: SVG with the page's own pen, PDF and PNG by matplotlib where asked for.

The same job gives the same bytes of SVG: no date, places to a tenth of a point.
"""

from __future__ import annotations

import io
import logging
import warnings
from typing import TYPE_CHECKING, Any

from heightnet.report.document import Picture
from heightnet.report.excerpt import excerpt
from heightnet.report.keys import Keys
from heightnet.report.pictures import bars, plan, section, timeline
from heightnet.report.pictures.drawing import (
    LETTERS,
    STYLES,
    Circle,
    Drawing,
    Group,
    Item,
    Line,
    Text,
    file_of,
    on_paper,
    tenth,
)
from heightnet.report.words import Words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

POINTS = 72.0
DOTS_PER_INCH = 200
ANCHORS = {"start": "left", "middle": "center", "end": "right"}


def pictures(words: Words, keys: Keys) -> list[Picture]:
    """Every picture that the job has something to show in; the plan is to stand beside what is said."""
    found = [
        ("The network in plan", plan.plan(words, keys)),
        ("The job in long section", section.section(words, keys)),
        (f"How wrong could each {words.stood} height be?", bars.errors(words, keys)),
        ("What the readings of what is accused say", bars.readings(words, keys)),
        ("What was wrong when", timeline.timeline(words, keys)),
        ("The loops against their limits", bars.loops(words, keys)),
    ]
    return [Picture(title, drawing, drawing.name != "plan") for title, drawing in found if drawing is not None]


def drawings(facts: dict[str, Any]) -> list[Drawing]:
    """The pictures of a job as they are drawn."""
    facts = excerpt(facts)
    return [picture.drawing for picture in pictures(Words(facts), Keys(facts))]


def figure_files(facts: dict[str, Any]) -> dict[str, str]:
    """The text of figures/NAME.svg for each picture."""
    return {f"figures/{drawing.name}.svg": file_of(drawing) for drawing in drawings(facts)}


def printed_files(facts: dict[str, Any], kind: str) -> dict[str, bytes]:
    """The bytes of figures/NAME.pdf or NAME.png for each picture; ``kind`` is "pdf" or "png"."""
    # it tells who has no home at length where it keeps its list of letters: of no use to whoever wants a figure
    log = logging.getLogger("matplotlib")
    log.setLevel(log.level or logging.ERROR)
    about: dict[str, Any] = {"pdf": {"CreationDate": None}, "png": {"Software": None}}[kind]
    files = {}
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing from")  # a box stands for a letter that no font here has
        for drawing in drawings(facts):
            out = io.BytesIO()
            figure(drawing).savefig(out, format=kind, dpi=DOTS_PER_INCH, metadata=about)
            files[f"figures/{drawing.name}.{kind}"] = out.getvalue()
    return files


def figure(drawing: Drawing) -> Figure:
    """A matplotlib Figure of a drawing, in its size in points; nothing of pyplot is touched."""
    from matplotlib.figure import Figure

    width, height = tenth(drawing.width), tenth(drawing.height)
    made = Figure(figsize=(width / POINTS, height / POINTS))
    axes = made.add_axes((0, 0, 1, 1))
    axes.set_xlim(0, width)
    axes.set_ylim(height, 0)
    axes.set_axis_off()
    for item in on_paper(drawing.root):
        _put(axes, item)
    return made


def _put(axes: Axes, item: Item) -> None:
    from matplotlib.patches import Circle as Disc
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    match item:
        case Group():
            for inner in item.items:
                _put(axes, inner)
        case Line(parts, style, closed):
            points = [(tenth(x), tenth(y)) for part in parts for x, y in (part + part[:1] if closed else part)]
            codes = [
                code
                for part in parts
                for code in [Path.MOVETO] + [Path.LINETO] * (len(part) - 1) + ([Path.CLOSEPOLY] if closed else [])
            ]
            axes.add_patch(PathPatch(Path(points, codes), **_look(style, closed)))
        case Circle(centre, radius, style):
            axes.add_patch(Disc((tenth(centre[0]), tenth(centre[1])), tenth(radius), **_look(style, True)))
        case Text((x, y), text, letter, anchor):
            look = LETTERS[letter]
            axes.text(
                tenth(x),
                tenth(y),
                text,
                fontsize=look.size * 0.92,
                color=look.colour,
                weight="bold" if look.bold else "normal",
                ha=ANCHORS[anchor],
                va="baseline",
                parse_math=False,
            )


def _look(name: str, closed: bool) -> dict[str, Any]:
    style = STYLES[name]
    look: dict[str, Any] = {
        "clip_on": False,
        "edgecolor": style.stroke,
        "linewidth": style.width,
        "facecolor": style.fill if closed else "none",
    }
    if style.dash:
        look["linestyle"] = (0, tuple(length / style.width for length in style.dash))
    return look
