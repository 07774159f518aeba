"""Pictures with one row a thing: errors of heights, what a suspect's readings say, loops."""

from __future__ import annotations

from typing import Any

from heightnet.report.keys import Keys
from heightnet.report.numbers import METRES, chance
from heightnet.report.pictures.drawing import Drawing, nice_step, text_width
from heightnet.report.story import Accusation
from heightnet.report.words import VERDICTS, Words

Record = dict[str, Any]

WIDTH = 690.0
ROWS = 40  # a picture shows the rows that need attention first, no more than these
RANGE = 2.0  # a bar reaches so many standard deviations either way: about 95 %
ROW = 21.0


def errors(words: Words, keys: Keys) -> Drawing | None:
    """Every set-up's estimated error with its range, against the size that would show and could be put down to it."""
    lengths, order = words.lengths, list(VERDICTS)
    rows: list[tuple[str, Record]] = [("setup", s) for s in words.facts["setups"] if s["verdict"] != "free"]
    rows += [("target", t) for t in words.facts["targets"] if t["verdict"] in ("suspect", "either")]
    if not rows:
        return None
    left_out = len(rows) - ROWS
    if left_out > 0:  # unproved ones have no estimate to show: the page names them in words
        rows.sort(key=lambda row: (row[1]["error_mm"] is None, order.index(row[1]["verdict"]), -abs(row[1]["w"] or 0)))
        rows = rows[:ROWS]
    reach = _reach([record for _, record in rows], words.tolerance_mm)
    left, right, top = 150.0, WIDTH - 170.0, 34.0
    height = top + ROW * len(rows) + 72
    sheet = Drawing(
        "errors",
        f"Errors of the {words.stood} heights",
        "For each set-up the estimated error of its height with its range, and the smallest error that would show.",
        WIDTH,
        height,
    )
    middle, scale = (left + right) / 2, (right - left) / 2 / reach
    bottom = top + ROW * len(rows)
    _mm_axis(sheet, words, middle, scale, reach, top, bottom, "recorded too low", "recorded too high")
    for number, (kind, record) in enumerate(rows):
        y = top + ROW * (number + 0.5)
        key = keys.setup(record["setup"]) if kind == "setup" else keys.target(record["target"])
        name = record[kind] + (f" {'over' if kind == 'setup' else 'on'} {record['mark']}" if record["mark"] else "")
        accused = record["verdict"] in ("suspect", "either")
        with sheet.group(key=key, href=f"#{key}", title=f"{name}: {words.verdict(record)}", cls="setup row"):
            sheet.box(0, y - ROW / 2 + 1, WIDTH, ROW - 2, "hit")
            sheet.sign(record["verdict"], 12, y, 4.2)
            sheet.text(28, y + 4, _short(name, 118), "accused-name" if accused else "name")
            _error_row(sheet, record, middle, scale, reach, y)
            said = _size(words, record)
            sheet.text(right + 12, y + 4, said, "accused-name" if accused else "note")
    notes = [
        "Dot and heavy bar: estimate and its 95 % range. Thin line with ends: an error inside it would not show.",
        "Dotted, with ends: it shows, but could as well be an error elsewhere. Shaded: the tolerance, "
        f"{lengths.about(words.tolerance_mm)} either way.",
    ]
    if left_out > 0:
        notes.append(f"The {ROWS} that need attention most; {left_out:,} more in the table.")
    for number, note in enumerate(notes):
        sheet.text(12, bottom + 36 + 14 * number, note, "tick")
    return sheet


def _reach(records: list[Record], tolerance: float) -> float:
    """Half the width of the picture in mm: errors far outside get an arrow, so that the others stay readable."""
    sizes = sorted(r["smallest_detectable_mm"] for r in records if r["smallest_detectable_mm"] is not None)
    if not sizes:
        return 20.0
    usual = sizes[len(sizes) // 2]
    reaching = [min(size, 4 * usual) for size in sizes]
    reaching += [1.1 * tolerance] if tolerance < 4 * usual else []
    reaching += [min(r["smallest_attributable_mm"] or 0, 4 * usual) for r in records]
    reaching += [far for r in records if (far := abs(r["error_mm"] or 0) + RANGE * (r["error_sd_mm"] or 0)) < 5 * usual]
    return 1.08 * max(reaching)


def _error_row(sheet: Drawing, r: Record, middle: float, scale: float, reach: float, y: float) -> None:
    def at(mm: float) -> float:
        return middle + max(-reach, min(reach, mm)) * scale

    size, far, error = r["smallest_detectable_mm"], r["smallest_attributable_mm"], r["error_mm"]
    if size is None:
        for side in (-1, 1):
            sheet.line([(middle + side * 66, y), (at(side * reach), y)], "far-range")
        sheet.text(middle, y + 4, "nothing tests this height", "note", "middle")
        return
    for side in (-1, 1):
        if far is not None and far > size:
            sheet.line([(at(side * size), y), (at(side * far), y)], "far-range")
            if far <= reach:
                sheet.line([(at(side * far), y - 3), (at(side * far), y + 3)], "range")
        if size <= reach:
            sheet.line([(at(side * size), y - 5), (at(side * size), y + 5)], "range")
    sheet.line([(at(-size), y), (at(size), y)], "range")
    if error is None:
        return
    accused = r["verdict"] in ("suspect", "either")
    if abs(error) > reach:
        side = 1 if error > 0 else -1
        tip = at(side * reach)
        sheet.area([(tip, y), (tip - side * 11, y - 5), (tip - side * 11, y + 5)], "accused" if accused else "solid")
        return
    spread = RANGE * (r["error_sd_mm"] or 0)
    sheet.line([(at(error - spread), y), (at(error + spread), y)], "spread-accused" if accused else "spread")
    sheet.sign("found", at(error), y, 5.5)


def _size(words: Words, record: Record) -> str:
    if record["error_mm"] is None:
        return "unproved"
    said = words.lengths.plus_minus(record["error_mm"], record["error_sd_mm"])
    if record["verdict"] in ("suspect", "either"):
        return f"{said} too {'high' if record['error_mm'] > 0 else 'low'}"
    zero = not any(digit in said.split(" ±")[0] for digit in "123456789")
    return said if zero else f"{'+' if record['error_mm'] > 0 else '−'}{said}"


def _mm_axis(
    sheet: Drawing, words: Words, middle: float, scale: float, reach: float, top: float, bottom: float, low: str,
    high: str,
) -> None:  # fmt: skip
    lengths = words.lengths
    tolerance = min(words.tolerance_mm, reach) * scale
    sheet.box(middle - tolerance, top, 2 * tolerance, bottom - top, "band")
    unit = lengths.in_small_units(1.0) or 1.0
    step = nice_step(reach * unit, 3)
    number = -int(reach * unit / step)
    while number * step <= reach * unit:
        x = middle + number * step / unit * scale
        sheet.line([(x, top), (x, bottom)], "axis" if number == 0 else "grid")
        sheet.text(x, bottom + 14, f"{abs(number) * step:g}", "tick", "middle")
        number += 1
    sheet.text(middle - 8, top - 8, f"◂ {low}", "tick", "end")
    sheet.text(middle + 8, top - 8, f"{high} ▸", "tick")
    sheet.text(12, bottom + 14, lengths.small_name, "tick")


def readings(words: Words, keys: Keys, accused: list[Accusation]) -> Drawing | None:
    """What each reading of the suspected stands says, on one scale with what the rest of the job says."""
    stands = _suspect_stands(words, accused)
    panels = [(kind, stand, _reading_rows(words, stand)) for kind, stand in stands[:3]]
    if not panels:
        return None
    height = sum(58 + 32 * len(rows) for _, _, rows in panels)
    sheet = Drawing(
        "readings",
        "What the readings of a suspect say",
        "Each tape reading of the suspected height, and the height that the rest of the job gives.",
        WIDTH,
        height,
    )
    top = 0.0
    for kind, stand, rows in panels:
        key = keys.setup(stand["setup"]) if kind == "setup" else keys.target(stand["target"])
        with sheet.group(about=key):
            _panel(sheet, words, kind, stand, rows, top)
        top += 58 + 32 * len(rows)
    return sheet


def _suspect_stands(words: Words, accused: list[Accusation]) -> list[tuple[str, Record]]:
    ids = {id for one in accused for id in one.ids}
    return [
        (kind, stand)
        for kind in ("setup", "target")
        for stand in words.facts[f"{kind}s"]
        if (stand["hypothesis"] in ids or ids & {r["id"] for r in stand["readings"]})
        and stand["found_m"] is not None
        and stand["readings"]
    ]


def _reading_rows(words: Words, stand: Record) -> list[tuple[str, str, float, float, str]]:
    """Name, note, height, its standard deviation and kind of each row."""
    rows = [
        ("the rest of the job", "without this stand's readings", stand["found_m"], stand["found_sd_mm"] or 0.0, "job")
    ]
    for reading in stand["readings"]:
        name = words.reading_name(reading)
        note = words.reading_note(reading)
        rows.append((name, note, reading["height_m"], reading["sd_mm"] or 0.0, "reading"))
    for cause in [c for c in stand["causes"] if c["expected_mm"] is not None][:2]:
        height = stand["found_m"] + cause["expected_mm"] / 1000
        rows.append((cause["text"], f"would read here (chance {chance(cause['probability'])})", height, 0.0, "cause"))
    return [row for row in rows if row[2] is not None]


def _panel(
    sheet: Drawing, words: Words, kind: str, stand: Record, rows: list[tuple[str, str, float, float, str]], top: float
) -> None:
    lengths = words.lengths
    left, right = 262.0, WIDTH - 124.0
    over = f" {'over' if kind == 'setup' else 'on'} {stand['mark']}" if stand["mark"] else ""
    name = f"{'Set-up' if kind == 'setup' else 'Target'} {stand[kind]}{over}"
    sheet.text(6, top + 16, name, "strong")
    lows = [h - RANGE * sd / 1000 for _, _, h, sd, _ in rows]
    highs = [h + RANGE * sd / 1000 for _, _, h, sd, _ in rows]
    low, high = min(lows), max(highs)
    pad = max(0.06 * (high - low), 0.001)
    low, high = low - pad, high + pad
    scale = (right - left) / (high - low)

    def at(height: float) -> float:
        return left + (height - low) * scale

    first, bottom = top + 26, top + 26 + 32 * len(rows)
    _height_axis(sheet, words, low, high, left, scale, first, bottom)
    found, sd = stand["found_m"], stand["found_sd_mm"] or 0.0
    sheet.box(at(found - RANGE * sd / 1000), first, 2 * RANGE * sd / 1000 * scale, bottom - first, "band")
    for number, (text, note, height, spread, of) in enumerate(rows):
        y = first + 32 * number + 14
        sheet.text(6, y + 1, _short(text, left - 20, "name"), "strong" if of == "job" else "name")
        sheet.text(6, y + 13, _short(note, left - 20, "note"), "note")
        if of == "cause":
            x = at(height)
            sheet.line([(x - 4, y - 4), (x + 4, y + 4)], "range")
            sheet.line([(x - 4, y + 4), (x + 4, y - 4)], "range")
            continue
        style = "spread" if of == "job" else "spread-accused"
        sheet.line([(at(height - RANGE * spread / 1000), y), (at(height + RANGE * spread / 1000), y)], style)
        sheet.sign("found", at(height), y, 6)
        sheet.text(right + 10, y + 1, f"{lengths.height(height)} {lengths.name}", "name")
        if of == "reading":
            apart = (height - found) * 1000
            said = f"{lengths.small(apart, spread)} {'higher' if apart > 0 else 'lower'}"
            sheet.text(right + 10, y + 13, said, "accused-name")


def _height_axis(
    sheet: Drawing, words: Words, low: float, high: float, left: float, scale: float, top: float, bottom: float
) -> None:
    unit = METRES[words.lengths.unit]
    step = nice_step((high - low) / unit, 4)
    decimals = max(0, -int(f"{step:e}".split("e")[1]))
    tick = step * -(-low / unit // step)
    while tick * unit <= high:
        x = left + (tick * unit - low) * scale
        sheet.line([(x, top), (x, bottom)], "grid")
        sheet.text(x, bottom + 13, f"{tick:.{decimals}f}", "tick", "middle")
        tick += step
    sheet.text(6, bottom + 13, f"height of the stand, {words.lengths.name}", "tick")


def loops(words: Words, keys: Keys) -> Drawing | None:
    """Misclosures of the loops against what is allowed, the worst first."""
    found = [r for r in words.facts["loops"] if r["misclosure_mm"] is not None and r["allowed_mm"]]
    if not found:
        return None
    found.sort(key=lambda r: (r["closes"] is not False, -abs(r["misclosure_mm"]) / r["allowed_mm"]))
    rows, left_out = found[:ROWS], len(found) - ROWS
    left, right, top = 210.0, WIDTH - 170.0, 30.0
    bottom = top + ROW * len(rows)
    sheet = Drawing(
        "loops",
        "Loops",
        "The misclosure of each loop against what is allowed.",
        WIDTH,
        bottom + (56 if left_out > 0 else 42),
    )
    usual = sorted(r["allowed_mm"] for r in rows)[len(rows) // 2]
    reach = 1.08 * max(max(min(r["allowed_mm"], 6 * usual), min(abs(r["misclosure_mm"]), 6 * usual)) for r in rows)
    middle, scale = (left + right) / 2, (right - left) / 2 / reach
    unit = words.lengths.in_small_units(1.0) or 1.0
    step = nice_step(reach * unit, 3)
    for number in range(-int(reach * unit / step), int(reach * unit / step) + 1):
        x = middle + number * step / unit * scale
        sheet.line([(x, top), (x, bottom)], "axis" if number == 0 else "grid")
        sheet.text(x, bottom + 14, f"{number * step:g}".replace("-", "−"), "tick", "middle")
    sheet.text(12, bottom + 14, f"misclosure, {words.lengths.small_name}", "tick")
    for number, loop in enumerate(rows):
        y = top + ROW * (number + 0.5)
        open_ = loop["closes"] is False
        names = " – ".join(words.loop(loop))
        about = keys.join(*(keys.about(id) for id in loop["ids"]))
        said = f"{words.lengths.small(loop['misclosure_mm'])}, allowed {words.lengths.small(loop['allowed_mm'])}"
        with sheet.group(about=about, title=f"Loop {names}: {said}", cls="loop"):
            sheet.text(12, y + 4, _short(names, left - 24), "accused-name" if open_ else "name")
            x = middle + max(-reach, min(reach, loop["misclosure_mm"])) * scale
            allowed = min(loop["allowed_mm"], reach) * scale
            for side in (-1, 1):
                sheet.line([(middle + side * allowed, y - 6), (middle + side * allowed, y + 6)], "range")
            sheet.line([(middle, y), (x, y)], "spread-accused" if open_ else "spread")
            sheet.sign("found", x, y, 5)
            end = "does not close" if open_ else "closes"
            size = words.lengths.small(loop["misclosure_mm"])
            sheet.text(right + 12, y + 4, f"{size}: {end}", "accused-name" if open_ else "note")
    sheet.text(12, 16, "Upright ticks: what is allowed. Bar: the misclosure.", "tick")
    if left_out > 0:
        sheet.text(12, bottom + 30, f"The {ROWS} worst; {left_out:,} more in the table.", "tick")
    return sheet


def _short(text: str, width: float, letter: str = "name") -> str:
    """The text, cut to fit."""
    if text_width(text, letter) <= width:
        return text
    keep = max(3, int(width / text_width("n", letter)) - 1)
    return f"{text[:keep].rstrip()}…"
