"""A levelling in long section: how far its runs differ from mark to mark, and where the bust is."""

from __future__ import annotations

from heightnet.report.claims import claim, name
from heightnet.report.document import Picture
from heightnet.report.numbers import count
from heightnet.report.pictures.drawing import Drawing, nice_step, text_width
from heightnet.report.pictures.signed import runs
from heightnet.report.words import Words
from heightnet.rows import Record

WIDTH, LEFT, RIGHT, TOP, BOTTOM = 690.0, 60.0, 16.0, 58.0, 200.0
MOST = 60  # stretches drawn: of a longer levelling the loops are shown
FAR = 4.0  # times the usual limit: a difference beyond is drawn at the edge, its size written


def bust_picture(words: Words) -> list[Picture]:
    """The picture of a bust as a block; none where nothing is compared."""
    drawn = levelled(words)
    title = "The levelling in long section" if drawn and drawn.name == "levelled" else "What the runs and loops miss"
    return [Picture(title, drawn)] if drawn else []


def levelled(words: Words) -> Drawing | None:
    """Stretches levelled more than once along the way, each with its difference and what it may be; of a job without
    any, or very many, what its runs or loops miss."""
    sections: list[Record] = words.facts["sections"]
    stretches = _along(sections) if 0 < len(sections) <= MOST else []
    if not stretches:
        return runs(words)
    total = stretches[-1][1]
    sheet = Drawing(
        "levelled",
        "The levelling in long section",
        "From mark to mark how far two levellings differ, against what they may, and the stretch that holds the bust.",
        WIDTH,
        BOTTOM + 68,
    )
    across = (WIDTH - LEFT - RIGHT) / total
    usual = sorted(s["allowed_mm"] for s in sections)[len(sections) // 2]
    reach = 1.1 * max(usual, *(min(max(abs(s["difference_mm"]), s["allowed_mm"]), FAR * usual) for s in sections))
    scale = (BOTTOM - TOP) / 2 / reach
    _bust(sheet, words, stretches, across)
    _scale(sheet, words, reach, scale)
    for start, end, number in stretches:
        _stretch(sheet, words, number, (LEFT + start * across, LEFT + end * across), reach, scale)
    _marks(sheet, words, stretches, across)
    notes = "Heavy line: how far two levellings differ. Shaded: what they may."
    if any(abs(s["difference_mm"]) > reach for s in sections):
        notes += " At the edge: further, by the size beside it."
    sheet.text(LEFT, BOTTOM + 56, notes)
    return sheet


def _along(sections: list[Record]) -> list[tuple[float, float, int]]:
    """Where each section begins and ends along the way, and its number; two comparisons of one stretch share it.

    In kilometres, or as many set-ups where a length is not known.
    """
    known = all(s["length_km"] for s in sections)
    out: list[tuple[float, float, int]] = []
    at, last = 0.0, ("", "")
    for number, section in enumerate(sections, start=1):
        ends = section["from_mark"], section["to_mark"]
        if ends == last:
            out.append((*out[-1][:2], number))
            continue
        length = section["length_km"] if known else max(section["first"]["setups"], 1.0)
        out.append((at, at + length, number))
        at, last = at + length, ends
    return out


def _scale(sheet: Drawing, words: Words, reach: float, scale: float) -> None:
    unit, middle = words.lengths.in_small_units(1.0) or 1.0, (TOP + BOTTOM) / 2
    step = nice_step(reach * unit, 2)
    for number in range(-int(reach * unit / step), int(reach * unit / step) + 1):
        y = middle - number * step / unit * scale
        sheet.line([(LEFT, y), (WIDTH - RIGHT, y)], "axis" if number == 0 else "grid")
        sheet.text(LEFT - 8, y + 4, f"{number * step:g}".replace("-", "−"), anchor="end")
    sheet.text(6, 14, f"first less second levelling, {words.lengths.small_name}")


def _stretch(sheet: Drawing, words: Words, number: int, ends: tuple[float, float], reach: float, scale: float) -> None:
    section, middle = words.facts["sections"][number - 1], (TOP + BOTTOM) / 2
    allowed, differ = (max(-reach, min(reach, section[key])) for key in ("allowed_mm", "difference_mm"))
    beyond = not section["closes"]
    sheet.box(ends[0] + 1, middle - allowed * scale, ends[1] - ends[0] - 2, 2 * allowed * scale, "band")
    y = middle - differ * scale
    sheet.line([(ends[0] + 1, y), (ends[1] - 1, y)], "spread-accused" if beyond else "spread")
    if beyond:
        size = f"{words.lengths.column(section['difference_mm'])} {words.lengths.small_short}"
        told = claim(f"section:{number}", "difference_mm", section["difference_mm"], size)
        x = min((ends[0] + ends[1]) / 2, WIDTH - RIGHT - text_width(size) / 2)
        sheet.text(x, y - 7 if differ > 0 else y + 15, told, "accused-name", "middle")


def _marks(sheet: Drawing, words: Words, stretches: list[tuple[float, float, int]], across: float) -> None:
    """The marks below, those that find room, in two rows."""
    at: dict[tuple[float, str], None] = {}
    for start, end, number in stretches:
        section = words.facts["sections"][number - 1]
        at |= {(start, section["from_mark"]): None, (end, section["to_mark"]): None}
    free = [0.0, 0.0]
    for place, mark in sorted(at):
        x, told = LEFT + place * across, name(mark)
        sheet.line([(x, TOP), (x, BOTTOM + 4)], "grid")
        half = text_width(told) / 2
        middle = max(half + 4, min(x, WIDTH - half - 4))
        row = next((row for row in (0, 1) if free[row] < middle - half), None)
        if row is not None:
            sheet.text(middle, BOTTOM + 20 + 14 * row, told, anchor="middle")
            free[row] = middle + half + 6


def _bust(sheet: Drawing, words: Words, stretches: list[tuple[float, float, int]], across: float) -> None:
    """The stretch that each finding lies in, where its ends are marks of the way."""
    places: dict[str, list[float]] = {}
    for start, end, number in stretches:
        section = words.facts["sections"][number - 1]
        places.setdefault(section["from_mark"], []).append(start)
        places.setdefault(section["to_mark"], []).append(end)
    for finding in words.facts["findings"]:
        place = finding["place"]
        ends = [places.get(place[key] or "") for key in ("from_mark", "to_mark")]
        if not all(ends) or finding["level"] <= 0:
            continue
        left, right = sorted(LEFT + min(there or [0.0]) * across for there in ends)
        sheet.line([(left, TOP - 10), (left, TOP - 20), (right, TOP - 20), (right, TOP - 10)], "accused-line")
        x = (left + right) / 2
        sheet.sign("suspect" if finding["named"] else "either", x, TOP - 20, 4.5)
        told = f"here: {count(finding['count'], 'possible error')}"
        half = text_width(told, "accused-name") / 2
        of = claim(f"finding:{finding['order']}", "count", finding["count"], told)
        sheet.text(max(half + 4, min(x, WIDTH - half - 4)), TOP - 30, of, "accused-name", "middle")
