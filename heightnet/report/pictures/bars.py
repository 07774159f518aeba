"""Pictures with one row a thing: errors of heights, what a suspect's readings say, loops."""

from __future__ import annotations

from typing import NamedTuple

from heightnet.ledger.field import METRES
from heightnet.report.claims import claim
from heightnet.report.keys import Keys
from heightnet.report.numbers import INTERVAL
from heightnet.report.pictures.culprits import ACCUSED, said
from heightnet.report.pictures.drawing import Drawing, nice_step, text_width
from heightnet.report.words import VERDICTS, Words
from heightnet.rows import Record

WIDTH = 690.0
PANELS = 3  # stands whose readings are shown
ROWS = 40  # a picture shows the rows that need attention first, no more than these
ROW = 21.0


def errors(words: Words, keys: Keys) -> Drawing | None:
    """Every set-up's estimated error with its range, against the size that would show and could be put down to it."""
    order = list(VERDICTS)
    rows = [s for s in words.facts["setups"] if s["verdict"] != "free"]
    shown = {setup["hypothesis"] for setup in words.facts["setups"]}  # a stand that both share once
    rows += [t for t in words.facts["targets"] if t["verdict"] in ACCUSED and t["hypothesis"] not in shown]
    if not rows:
        return None
    left_out = len(rows) - ROWS
    if left_out > 0:  # unproved ones have no estimate to show: the page names them in words
        rows.sort(key=lambda r: (r["error_mm"] is None, order.index(r["verdict"]), -abs(r["w"] or 0)))
        rows = rows[:ROWS]
    reach = _reach(rows, words.tolerance_mm)
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
    for number, record in enumerate(rows):
        y, key, name = top + ROW * (number + 0.5), keys.stand(record), words.stand(record)
        accused = record["verdict"] in ACCUSED
        title = said(name, words.key(record), record["verdict"])
        with sheet.group(key=key, href=f"#{key}", title=title, cls="setup row"):
            sheet.box(0, y - ROW / 2 + 1, WIDTH, ROW - 2, "hit")
            sheet.sign(record["verdict"], 12, y, 4.2)
            sheet.text(28, y + 4, _short(name, 118), "accused-name" if accused else "name")
            _error_row(sheet, record, middle, scale, reach, y)
            sheet.text(right + 12, y + 4, _size(words, record), "accused-name" if accused else "note")
    notes = [
        "Dot and heavy bar: the error and the range of 95 of 100. Thin line with ends: an error inside would not show.",
        f"Dotted, with ends: it would show, but could be laid on something else. Shaded: the tolerance, {words.limit}.",
    ]
    if left_out > 0:
        notes.append(f"The {ROWS} that need attention most; {left_out:,} more in the table.")
    for number, note in enumerate(notes):
        sheet.text(12, bottom + 36 + 14 * number, note, "tick")
    return sheet


def _reach(records: list[Record], tolerance: float) -> float:
    """Half the width of the picture in mm: errors far outside get an arrow, so that the others stay readable."""
    sizes = sorted(r["smallest_found_mm"] for r in records if r["smallest_found_mm"] is not None)
    if not sizes:
        return 20.0
    usual = sizes[len(sizes) // 2]
    reaching = [min(size, 4 * usual) for size in sizes]
    reaching += [1.1 * tolerance] if tolerance < 4 * usual else []
    reaching += [min(r["smallest_named_mm"] or 0, 4 * usual) for r in records]
    reaching += [
        far for r in records if (far := abs(r["error_mm"] or 0) + INTERVAL * (r["error_sd_mm"] or 0)) < 5 * usual
    ]
    return 1.08 * max(reaching)


def _error_row(sheet: Drawing, r: Record, middle: float, scale: float, reach: float, y: float) -> None:
    def at(mm: float) -> float:
        return middle + max(-reach, min(reach, mm)) * scale

    size, far, error = r["smallest_found_mm"], r["smallest_named_mm"], r["error_mm"]
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
    accused = r["verdict"] in ACCUSED
    if abs(error) > reach:
        side = 1 if error > 0 else -1
        tip = at(side * reach)
        sheet.area([(tip, y), (tip - side * 11, y - 5), (tip - side * 11, y + 5)], "accused" if accused else "solid")
        return
    spread = INTERVAL * (r["error_sd_mm"] or 0)
    sheet.line([(at(error - spread), y), (at(error + spread), y)], "spread-accused" if accused else "spread")
    sheet.sign("found", at(error), y, 5.5)


def _size(words: Words, record: Record) -> str:
    of, error = words.key(record), record["error_mm"]
    if error is None:
        return claim(of, "verdict", record["verdict"], VERDICTS[record["verdict"]])
    size = words.lengths.small(error, record["error_sd_mm"])
    if any(digit in size for digit in "123456789"):
        size += f" too {'high' if error > 0 else 'low'}"
    return claim(of, "error_mm", error, size)


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


def readings(words: Words, keys: Keys) -> Drawing | None:
    """What each reading of the accused stands says, on one scale with what the rest of the job says."""
    stands = _accused_stands(words)
    panels = [(stand, _reading_rows(words, stand)) for stand in stands[:PANELS]]
    if not panels:
        return None
    height = sum(58 + 32 * len(rows) for _, rows in panels)
    sheet = Drawing(
        "readings",
        "What the readings of a suspect say",
        "Each tape reading of the suspected height, and the height that the rest of the job gives.",
        WIDTH,
        height,
    )
    top = 0.0
    for stand, rows in panels:
        with sheet.group(about=keys.stand(stand)):
            _panel(sheet, words, stand, rows, top)
        top += 58 + 32 * len(rows)
    return sheet


def _accused_stands(words: Words) -> list[Record]:
    """Stands that are accused, those that are named first, a shared one once."""
    found: dict[str, Record] = {}
    for verdict in ACCUSED:
        for stand in (*words.facts["setups"], *words.facts["targets"]):
            if stand["verdict"] == verdict and stand["found_m"] is not None and stand["readings"]:
                found.setdefault(stand["hypothesis"], stand)
    return list(found.values())


class ReadingRow(NamedTuple):
    """One row of a panel: what says what; ``of`` and ``fact`` are where its height stands."""

    name: str
    note: str
    height: float
    sd: float
    kind: str
    of: str = ""
    fact: str = ""
    apart: float = 0.0


def _reading_rows(words: Words, stand: Record) -> list[ReadingRow]:
    own, found = words.key(stand), stand["found_m"]
    without = "without this stand's readings"
    rows = [ReadingRow("the rest of the job", without, found, stand["found_sd_mm"] or 0.0, "job", own, "found_m")]
    for r in stand["readings"]:
        if r["height_m"] is not None:
            rows.append(ReadingRow(words.reading_name(r), words.reading_note(r), r["height_m"], r["sd_mm"] or 0.0,
                                   "reading", r["id"], "height_m", r["difference_mm"] or 0.0))  # fmt: skip
    for cause in [c for c in stand["causes"] if c["expected_mm"] is not None][:2]:
        of = f"cause:{stand['hypothesis']}:{cause['cause']}"
        likely = f"would read here: {words.of_100(of, cause['probability'])}"
        rows.append(ReadingRow(cause["text"], likely, found + cause["expected_mm"] / 1000, 0.0,
                               "cause"))  # fmt: skip
    return rows


def _panel(sheet: Drawing, words: Words, stand: Record, rows: list[ReadingRow], top: float) -> None:
    lengths = words.lengths
    left, right = 262.0, WIDTH - 124.0
    sheet.text(6, top + 16, f"{'Set-up' if 'setup' in stand else 'Target'} {words.stand(stand)}", "strong")
    low = min(row.height - INTERVAL * row.sd / 1000 for row in rows)
    high = max(row.height + INTERVAL * row.sd / 1000 for row in rows)
    pad = max(0.06 * (high - low), 0.001)
    low, high = low - pad, high + pad
    scale = (right - left) / (high - low)

    def at(height: float) -> float:
        return left + (height - low) * scale

    first, bottom = top + 26, top + 26 + 32 * len(rows)
    _height_axis(sheet, words, low, high, left, scale, first, bottom)
    found, sd = stand["found_m"], stand["found_sd_mm"] or 0.0
    sheet.box(at(found - INTERVAL * sd / 1000), first, 2 * INTERVAL * sd / 1000 * scale, bottom - first, "band")
    for number, row in enumerate(rows):
        y, x, spread = first + 32 * number + 14, at(row.height), INTERVAL * row.sd / 1000 * scale
        sheet.text(6, y + 1, _short(row.name, left - 20, "name"), "strong" if row.kind == "job" else "name")
        sheet.text(6, y + 13, _short(row.note, left - 20, "note"), "note")
        if row.kind == "cause":
            sheet.sign("error", x, y, 4)
            continue
        sheet.line([(x - spread, y), (x + spread, y)], "spread" if row.kind == "job" else "spread-accused")
        sheet.sign("found", x, y, 6)
        height = claim(row.of, row.fact, row.height, f"{lengths.height(row.height)} {lengths.name}")
        sheet.text(right + 10, y + 1, height, "name")
        if row.kind == "reading":
            size = f"{lengths.small(row.apart, stand['error_sd_mm'])} {'higher' if row.apart > 0 else 'lower'}"
            sheet.text(right + 10, y + 13, claim(row.of, "difference_mm", row.apart, size), "accused-name")


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
    """Misclosures of the loops against what they may be, the worst first."""
    found = [one for one in words.numbered("loops") if one[1]["misclosure_mm"] is not None and one[1]["allowed_mm"]]
    if not found:
        return None
    found.sort(key=lambda one: (one[1]["closes"] is not False, -abs(one[1]["misclosure_mm"]) / one[1]["allowed_mm"]))
    rows, left_out = found[:ROWS], len(found) - ROWS
    left, right, top = 210.0, WIDTH - 190.0, 30.0
    bottom = top + ROW * len(rows)
    sheet = Drawing(
        "loops",
        "Loops",
        "The misclosure of each loop against what it may be.",
        WIDTH,
        bottom + (56 if left_out > 0 else 42),
    )
    usual = sorted(r["allowed_mm"] for _, r in rows)[len(rows) // 2]
    reach = 1.08 * max(max(min(r["allowed_mm"], 6 * usual), min(abs(r["misclosure_mm"]), 6 * usual)) for _, r in rows)
    middle, scale = (left + right) / 2, (right - left) / 2 / reach
    unit = words.lengths.in_small_units(1.0) or 1.0
    step = nice_step(reach * unit, 3)
    for tick in range(-int(reach * unit / step), int(reach * unit / step) + 1):
        x = middle + tick * step / unit * scale
        sheet.line([(x, top), (x, bottom)], "axis" if tick == 0 else "grid")
        sheet.text(x, bottom + 14, f"{tick * step:g}".replace("-", "−"), "tick", "middle")
    sheet.text(12, bottom + 14, f"misclosure, {words.lengths.small_name}", "tick")
    for place, (number, loop) in enumerate(rows):
        y = top + ROW * (place + 0.5)
        beyond = loop["closes"] is False
        names = " – ".join(words.loop(loop))
        size = words.lengths.small(loop["misclosure_mm"])
        told = {True: "within", False: "outside", None: ""}[loop["closes"]]
        with sheet.group(
            about=keys.join(*(keys.about(id) for id in loop["ids"])),
            title=f"Loop {names}: {words.loop_word(number, loop)}",
            cls="loop",
        ):
            sheet.text(12, y + 4, _short(names, left - 24), "accused-name" if beyond else "name")
            x = middle + max(-reach, min(reach, loop["misclosure_mm"])) * scale
            allowed = min(loop["allowed_mm"], reach) * scale
            for side in (-1, 1):
                sheet.line([(middle + side * allowed, y - 6), (middle + side * allowed, y + 6)], "range")
            sheet.line([(middle, y), (x, y)], "spread-accused" if beyond else "spread")
            sheet.sign("found", x, y, 5)
            misses = claim(f"loop:{number}", "misclosure_mm", loop["misclosure_mm"], size)
            end = claim(f"loop:{number}", "closes", loop["closes"], told)
            sheet.text(right + 12, y + 4, f"{misses}: {end}", "accused-name" if beyond else "note")
    sheet.text(12, 16, "Upright ticks: what the tolerance allows. Bar: the misclosure.", "tick")
    if left_out > 0:
        sheet.text(12, bottom + 30, f"The {ROWS} worst; {left_out:,} more in the table.", "tick")
    return sheet


def _short(text: str, width: float, letter: str = "name") -> str:
    """The text, cut to fit."""
    if text_width(text, letter) <= width:
        return text
    keep = max(3, int(width / text_width("n", letter)) - 1)
    return f"{text[:keep].rstrip()}…"
