"""Differences on a signed scale, one row a thing: check shots against the tolerance, runs against their limits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from heightnet.report.claims import claim, name
from heightnet.report.numbers import INTERVAL
from heightnet.report.pictures.drawing import Drawing, nice_step, text_width
from heightnet.report.words import Words
from heightnet.rows import Record

WIDTH, LEFT, ROW, TOP = 690.0, 176.0, 24.0, 34.0
RIGHT = WIDTH - 150.0
ROWS = 40  # the worst ones where there are more
FAR = 6.0  # times what is usual: what lies beyond gets an arrow, so that the others stay readable


class Row(NamedTuple):
    """One difference.

    of, fact : where it stands in the facts.
    spread : half of the range that holds 95 of 100, mm.  allowed : what it may be, mm, where each has its own limit.
    accused : it is told as wrong, as too far off.
    """

    label: str
    of: str
    fact: str
    mm: float
    spread: float = 0.0
    allowed: float | None = None
    accused: bool = False


def signed(
    words: Words, about: tuple[str, str, str], rows: Sequence[Row], ends: tuple[str, str], band: float = 0.0
) -> Drawing | None:
    """Rows as dots with ranges about 0; None for none.

    about : name, title and description of the picture.
    ends : what it means to lie left and right of 0.
    band : a tolerance common to all, mm, shaded.
    """
    if not rows:
        return None
    shown = sorted(rows, key=lambda r: -abs(r.mm) / (r.allowed or 1.0))[:ROWS] if len(rows) > ROWS else rows
    bottom = TOP + ROW * len(shown)
    sheet = Drawing(*about, WIDTH, bottom + (60 if len(rows) > ROWS else 42))
    reach = _reach(shown, band)
    scale = (RIGHT - LEFT) / 2 / reach
    _axis(sheet, words, reach, scale, bottom, ends, band)
    for number, row in enumerate(shown):
        _row(sheet, words, row, TOP + ROW * (number + 0.5), reach, scale)
    note = "Dot: the difference. Heavy bar: 95 of 100 such." if any(r.spread for r in shown) else "Dot: the difference."
    if band:
        note += f" Shaded: the tolerance, {words.limit}."
    if any(r.allowed for r in shown):
        note += " Upright ticks: what it may be."
    sheet.text(12, bottom + 36, note)
    if len(rows) > ROWS:
        sheet.text(12, bottom + 54, f"The {ROWS} worst; {len(rows) - ROWS:,} more in the table.")
    return sheet


def _reach(rows: Sequence[Row], band: float) -> float:
    """Half of the width of the picture, mm."""
    limits = sorted(r.allowed or r.spread for r in rows)
    usual = max(limits[len(limits) // 2], band, 0.1)
    return 1.08 * max(usual, *(min(max(abs(r.mm) + r.spread, r.allowed or 0.0), FAR * usual) for r in rows))


def _axis(
    sheet: Drawing, words: Words, reach: float, scale: float, bottom: float, ends: tuple[str, str], band: float
) -> None:
    middle, unit = (LEFT + RIGHT) / 2, words.lengths.in_small_units(1.0) or 1.0
    if band:
        wide = min(band, reach) * scale
        sheet.box(middle - wide, TOP, 2 * wide, bottom - TOP, "band")
    step = nice_step(reach * unit, 3)
    for number in range(-int(reach * unit / step), int(reach * unit / step) + 1):
        x = middle + number * step / unit * scale
        sheet.line([(x, TOP), (x, bottom)], "axis" if number == 0 else "grid")
        sheet.text(x, bottom + 16, f"{number * step:g}".replace("-", "−"), anchor="middle")
    sheet.text(middle - 8, TOP - 10, f"◂ {ends[0]}", anchor="end")
    sheet.text(middle + 8, TOP - 10, f"{ends[1]} ▸")
    sheet.text(12, bottom + 16, words.lengths.small_name)


def _row(sheet: Drawing, words: Words, row: Row, y: float, reach: float, scale: float) -> None:
    middle = (LEFT + RIGHT) / 2

    def at(mm: float) -> float:
        return middle + max(-reach, min(reach, mm)) * scale

    sheet.text(12, y + 4, cut(row.label, LEFT - 20), "accused-name" if row.accused else "name")
    size = f"{words.lengths.column(row.mm)} {words.lengths.small_short}"
    sheet.text(RIGHT + 12, y + 4, claim(row.of, row.fact, row.mm, size), "accused-name" if row.accused else "name")
    if row.allowed is not None:
        for side in (-1, 1):
            sheet.line([(at(side * row.allowed), y - 7), (at(side * row.allowed), y + 7)], "range")
        sheet.line([(at(-row.allowed), y), (at(row.allowed), y)], "far-range")
    if abs(row.mm) > reach:
        side = 1 if row.mm > 0 else -1
        tip = at(side * reach)
        arrow = [(tip, y), (tip - side * 11, y - 5), (tip - side * 11, y + 5)]
        sheet.area(arrow, "accused" if row.accused else "solid")
        return
    if row.spread:
        style = "spread-accused" if row.accused else "spread"
        sheet.line([(at(row.mm - row.spread), y), (at(row.mm + row.spread), y)], style)
    sheet.sign("suspect" if row.accused else "found", at(row.mm), y, 3.6 if row.accused else 5.5)


def cut(text: str, width: float) -> str:
    """A name, cut to fit."""
    text = name(text)
    if text_width(text) <= width:
        return text
    return f"{text[: max(3, int(width / text_width('n')) - 1)].rstrip()}…"


# ---- prove ----


def proof(words: Words) -> Drawing | None:
    """What each check shot of a set-up says, and the tape, against what all the marks give together."""
    facts = words.facts
    pooled = facts["together"]
    key = "height" if facts["over_known"] and pooled and pooled["height_m"] is not None else "axis"
    rows = [
        Row(f"{shot['mark']} (row {shot['row']})", f"by_shot:{i}", "apart_mm", shot["apart_mm"],
            INTERVAL * (shot[f"{key}_sd_mm"] or 0.0))
        for i, shot in enumerate(facts["by_shot"], start=1)
        if shot["apart_mm"] is not None
    ]  # fmt: skip
    tape = facts["tape"]
    if tape and tape["error_mm"] is not None:
        spread = INTERVAL * (tape["error_sd_mm"] or 0.0)
        accused = facts["verdict"] == "reject"
        rows.append(Row("the tape", "tape", "error_mm", tape["error_mm"], spread, accused=accused))
    about = ("proof", "Check shots and tape", "What each check shot and the tape differ from what all marks give.")
    return signed(words, about, rows, ("too low", "too high"), words.tolerance_mm)


def check_shots(words: Words) -> Drawing | None:
    """Every check shot: listed less found, against what it may be and the tolerance."""
    rows = [
        Row(f"{shot['setup']} to {shot['mark']} (row {shot['row']})", f"check_shots:{i}", "difference_mm",
            shot["difference_mm"], INTERVAL * (shot["sd_mm"] or 0.0), accused=shot["verdict"] == "reject")
        for i, shot in enumerate(words.facts["check_shots"], start=1)
        if shot["difference_mm"] is not None
    ]  # fmt: skip
    about = ("check-shots", "Check shots", "By how much each check shot finds its known mark off.")
    return signed(words, about, rows, ("found lower", "found higher"), words.tolerance_mm)


# ---- bust ----


def runs(words: Words) -> Drawing | None:
    """Runs against the known marks, else loops: what each misses, and what it may miss."""
    facts = words.facts

    def rows(table: str, numbered: str, label: str) -> list[Row]:
        found = [(i, one) for i, one in enumerate(facts[table], start=1) if one["misclosure_mm"] is not None]
        return [
            Row(_label(one, label), f"{numbered}{i}", "misclosure_mm", one["misclosure_mm"], allowed=one["allowed_mm"],
                accused=one["closes"] is False)
            for i, one in found
        ]  # fmt: skip

    about = ("runs", "What the runs and loops miss", "The misclosure of each against what it may be.")
    return signed(
        words, about, rows("book", "book:", "run") or rows("loops", "loop:", "loop"), ("misses low", "misses high")
    )


def _label(one: Record, kind: str) -> str:
    if kind == "loop":
        return " – ".join(one["marks"])
    return f"{one['from_mark']} to {one['to_mark']}{f', {run}' if (run := one['run']) else ''}"
