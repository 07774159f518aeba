"""A report as blocks: sentences, tables, pictures, cards.  A story makes them; a renderer shows them.

`heightnet.report.text` shows a document on terminals and in pipes, `heightnet.report.html` as a page.  A block that is
a plain ``str`` is a sentence.  Sentences and cells may hold claims (`heightnet.report.claims`): on a page each says
what it states, elsewhere their marks fall away.  The text leaves out what only a page can show (pictures, cards,
choices, long tables).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from heightnet.report.listings import Listing
from heightnet.report.pictures.drawing import Drawing
from heightnet.report.words import STATES, VERDICTS

WRONG, DOUBTFUL, SOUND = "wrong", "doubtful", "sound"
WORD = {**VERDICTS, **STATES, "error": "not readable"}
"""The word beside a sign: of a verdict on a thing, or of the state of a job."""


class Verdict(NamedTuple):
    """A cell that states the verdict on a thing: a sign and a word."""

    of: str
    verdict: str

    @property
    def word(self) -> str:
        return WORD[self.verdict]


@dataclass(frozen=True)
class Bullets:
    """Sentences that belong together: on a page a list, where they are several."""

    lines: Sequence[str]
    numbered: bool = False


@dataclass(frozen=True)
class Table:
    """A table; columns whose heading ends in a blank are set flush left, all others flush right; without a heading
    all left.

    about : on a page, of each row the keys of what lights up with it.
    """

    header: Sequence[str]
    rows: Sequence[Sequence[str | Verdict]]
    caption: str = ""
    about: Sequence[str] = ()


@dataclass(frozen=True)
class Section:
    """A heading and what stands under it.

    id, short : address on a page, and the name by which the bar of the page's parts leads there.
    """

    title: str
    blocks: Sequence[Block]
    id: str = ""
    short: str = ""


@dataclass(frozen=True)
class Note:
    """A sentence set apart: ``caution``, ``excerpt`` or ``when``."""

    text: str
    kind: str


@dataclass(frozen=True)
class Picture:
    title: str
    drawing: Drawing
    wide: bool = True


class Number(NamedTuple):
    """A number of the statistics, or a word, with a line that explains it."""

    name: str
    value: str
    meaning: str = ""


@dataclass(frozen=True)
class Numbers:
    """Numbers one click below, each with its line."""

    title: str
    entries: Sequence[Number]


@dataclass(frozen=True)
class Fold:
    """What is one click below; ``kind``: ``numbers``, ``paths``, or ``listing``, whose title is a heading."""

    title: str
    blocks: Sequence[Block]
    kind: str = "numbers"
    open: bool = False
    count: int | None = None


@dataclass(frozen=True)
class Card:
    """Everything about one height, one click below its verdict.

    key, about : its own key, and those that light it up.
    """

    key: str
    about: str
    name: str
    verdict: str
    says: str
    blocks: Sequence[Block]


class Choice(NamedTuple):
    name: str
    chance: str
    blocks: Sequence[Block]


@dataclass(frozen=True)
class Choices:
    """Of several explanations the one that is chosen; the page's pictures follow the choice."""

    legend: str
    choices: Sequence[Choice]


@dataclass(frozen=True)
class Columns:
    """Blocks side by side where there is room."""

    blocks: Sequence[Block]


class Step(NamedTuple):
    """Something to be done in the field, and why; boxes : what is written down then."""

    what: str
    why: str
    boxes: Sequence[str]


@dataclass(frozen=True)
class Steps:
    """Steps in the order to take them, each to be ticked off."""

    steps: Sequence[Step]


@dataclass(frozen=True)
class Switch:
    """A box to tick that shows the statistics of the page's tables."""

    label: str


class Sign(NamedTuple):
    """A sign with its word; ``verdict``: whether it stands for one, which then is a statement."""

    sign: str
    word: str
    meaning: str
    verdict: bool = True


@dataclass(frozen=True)
class Legend:
    signs: Sequence[Sign]


@dataclass(frozen=True)
class Counts:
    """How many there are of each state, those there are."""

    counts: Mapping[str, int]


@dataclass(frozen=True)
class Link:
    """A file beside the page, and what is said of it."""

    text: str
    to: str
    after: str


@dataclass(frozen=True)
class Code:
    """Lines to be copied as they are."""

    text: str


class Wrong(NamedTuple):
    """A problem of the input: its number on the page, where it is, and what to write, as a line of the mapping."""

    number: int
    place: str
    read: str
    expected: str
    cause: str
    line: str


class Mark(NamedTuple):
    """What of a text is marked, and the numbers of the problems that it is marked for."""

    start: int
    end: int
    wrong: Sequence[int]


class FileCell(NamedTuple):
    """A cell as it stands in a file, or a line of one; marks in their order, none in another."""

    text: str
    marks: Sequence[Mark] = ()


class FileRow(NamedTuple):
    """A row of a file; in ``wrong`` the problems that stand below it, in ``itself`` the numbers of those that have no
    cell in it.

    whole : one line of text, which has no cells.  between : rows are left out above it.
    """

    number: int
    cells: Sequence[FileCell]
    wrong: Sequence[Wrong] = ()
    itself: Sequence[int] = ()
    whole: bool = False
    between: bool = False


@dataclass(frozen=True)
class AsInFile:
    """Rows of a file as they stand in it, what is wrong with each beside it.

    columns : letters of the columns, as a spreadsheet has them; "" where some are left out, () of lines.
    counts : what the rows are called, ``row`` or ``line``.
    """

    title: str
    counts: str
    columns: Sequence[str]
    heads: Sequence[FileRow]
    rows: Sequence[FileRow]


@dataclass(frozen=True)
class Wrongs:
    """Problems that have no place in a table."""

    entries: Sequence[Wrong]


Block = (
    str | Bullets | Table | Section | Note | Picture | Numbers | Fold | Card | Choices | Columns | Steps | Switch
    | Legend | Counts | Link | Listing | Code | AsInFile | Wrongs
)  # fmt: skip


@dataclass(frozen=True)
class Document:
    """One report.

    tone : WRONG, DOUBTFUL or SOUND; a sign and words say it, a colour only repeats it.  "" where nothing is judged.
    doubted : sentences above the headline, of what was read with doubt and the headline names or rests on.
    says, sign : the words over the headline, and the sign beside them on a page.
    blocks : what is said, everywhere.  beside, below : what a page shows next to it, and under it.
    size : what the report is about, in numbers.  foot : the last line.
    styles, scripts, data : of a page, beyond what all have; each of ``data`` is JSON, in pieces, by the id of its
        element.
    """

    title: str
    tone: str = ""
    headline: str = ""
    says: str = ""
    blocks: Sequence[Block] = ()
    invented: bool = False
    foot: str = ""
    sign: str = ""
    size: str = ""
    beside: Sequence[Block] = ()
    below: Sequence[Block] = ()
    doubted: Sequence[str] = ()
    styles: Sequence[str] = ()
    scripts: Sequence[str] = ()
    data: Mapping[str, Iterable[str]] = field(default_factory=dict)

    @property
    def heading(self) -> str:
        return f"{self.title} (an invented job)" if self.invented else self.title


def sentences(blocks: Iterable[Block]) -> Iterator[str]:
    """Every sentence of some blocks and of the sections in them."""
    for block in blocks:
        match block:
            case str():
                yield block
            case Bullets(lines):
                yield from lines
            case Section(_, inner):
                yield from sentences(inner)
