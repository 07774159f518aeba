"""Names beside the signs of a picture, written where they fit."""

from __future__ import annotations

from itertools import product
from typing import NamedTuple

from heightnet.report.pictures.drawing import LETTERS, Drawing, text_width

Box = tuple[float, float, float, float]

PLACES = {
    "right": (10, 4, "start"),
    "left": (-10, 4, "end"),
    "above": (0, -11, "middle"),
    "below": (0, 18, "middle"),
    "upper right": (8, -8, "start"),
    "upper left": (-8, -8, "end"),
    "lower right": (8, 16, "start"),
    "lower left": (-8, 16, "end"),
}


NEAR, FARTHER = (1.0,), (1.4, 2.4, 3.6)  # times the distances of these places, tried one after the other


class Wanted(NamedTuple):
    x: float
    y: float
    text: str
    rank: float
    letter: str
    about: str
    prefer: str


class Names:
    """Writes names where they fit, the important ones first.

    A name without room is left out, unless it is an accused one (letter ``accused-name``): that is always written.
    """

    def __init__(self) -> None:
        self._wanted: list[Wanted] = []
        self._taken: list[Box] = []

    def block(self, x: float, y: float, r: float) -> None:
        """No name goes within r of this place."""
        self._taken.append((x - r, y - r, x + r, y + r))

    def want(
        self, x: float, y: float, text: str, rank: float, letter: str = "name", about: str = "", prefer: str = "right"
    ) -> None:
        self._wanted.append(Wanted(x, y, text, rank, letter, about, prefer))

    def write(self, sheet: Drawing, bottom: float) -> None:
        """Write the names on the sheet, none below ``bottom``."""
        for name in sorted(self._wanted, key=lambda w: w.rank):
            wide = text_width(name.text, name.letter)
            high = LETTERS[name.letter].size * 0.8
            order = [PLACES[name.prefer], *(place for key, place in PLACES.items() if key != name.prefer)]
            inside = []
            for far, (dx, dy, anchor) in product(FARTHER if name.letter == "accused-name" else NEAR, order):
                x, y = name.x + dx * far, name.y + (dy - 4) * far + 4
                left = x - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
                box = (left, y - high, left + wide, y + 2)
                if box[0] > 2 and box[2] < sheet.width - 2 and box[1] > 2 and box[3] < bottom:
                    inside.append((box, x, y, anchor))
            free = [place for place in inside if self._free(place[0])]
            if not free and name.letter == "accused-name":
                free = inside
            if free:
                box, x, y, anchor = free[0]
                self._taken.append(box)
                with sheet.group(about=name.about, cls="label"):
                    sheet.text(x, y, name.text, name.letter, anchor)

    def _free(self, box: Box) -> bool:
        return all(box[2] < b[0] or box[0] > b[2] or box[3] < b[1] or box[1] > b[3] for b in self._taken)
