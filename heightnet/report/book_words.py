"""What only a levelling book has, in words: its arithmetic, tests of the level, sets of busts, what could hide."""

from __future__ import annotations

from heightnet.report.claims import capital, claim, name
from heightnet.report.document import Block, Section, Table
from heightnet.report.numbers import NONE, count, listing
from heightnet.report.words import Words
from heightnet.rows import Record

SLIPS_SHOWN = 20
FIGURES = {
    "rise": "rise", "fall": "fall", "reduced_level": "reduced level", "line_of_sight": "line of sight",
    "known": "reduced level",
}  # fmt: skip
"""What the figures of a book are called."""


def between(record: Record) -> str:
    return name(f"{record['from_mark']} to {record['to_mark']}")


def sets_of_busts(words: Words) -> Section | None:
    """Sets of one, two and three busts, each with its sections; nothing where there is but one of one."""
    sets = words.facts["sets"]
    if not sets or (len(sets) == 1 and sets[0]["number"] == 1):
        return None
    rows = []
    for one in sets:
        of = f"set:{one['order']}"
        told = [_bust(words, f"{of}.busts.{i}", bust) for i, bust in enumerate(one["busts"])]
        rows.append([str(one["number"]), "; ".join(told), words.of_100(of, one["probability"])])
    lines = ["What explains the book, by how many busts there would be; those of one section are one set."]
    if all(one["number"] > 1 for one in sets):
        lines.append("No single bust explains it a twentieth as well as the first of these.")
    if all(one["number"] == 1 for one in sets):
        lines.append("No two busts together explain it a twentieth as well as the first of these.")
    return Section("One bust, two or three?", [*lines, Table(["busts", "where and how large ", "chance"], rows)])


def _bust(words: Words, of: str, bust: Record) -> str:
    size = claim(of, "error_mm", bust["error_mm"], words.lengths.small(abs(bust["error_mm"]), bust["error_sd_mm"]))
    if bust["like_it"] == 0:
        at = f", {between(bust)}" if bust["from_mark"] else ""
        return f"{words.bare(bust['id'])}{at}: {size}"
    where = between(bust) if bust["from_mark"] else f"{words.bare(bust['id'])} or its like"
    rows = words.rows(bust["ids"]) if bust["like_it"] < len(bust["ids"]) else ""
    return f"{where}, one of {rows or count(bust['like_it'] + 1, 'value')}: {size}"


def slips(words: Words) -> list[str]:
    """Slips of arithmetic in the book, each where it was made; or that there is none."""
    arithmetic, lengths = words.facts["arithmetic"], words.lengths
    if not arithmetic["re_added"]:
        return []
    found = arithmetic["slips"]
    if not found:
        return [f"Re-added: {count(arithmetic['re_added'], 'booked figure')}, no slip of arithmetic."]
    lines = []
    for i, slip in enumerate(found[:SLIPS_SHOWN]):
        what = FIGURES[slip["what"]]
        figure, makes = (lengths.height(slip[key]) for key in ("booked_m", "makes_m"))
        off = claim(
            "arithmetic", f"slips.{i}.difference_mm", slip["difference_mm"], lengths.small(abs(slip["difference_mm"]))
        )
        if slip["what"] == "known":
            run = f"run {slip['run']} begins" if slip["run"] else "the book begins"
            at = name(f"{words.at(slip['file'], slip['row'])}, {slip['mark']}")
            lines.append(f"{capital(at)}: {run} at {figure}, marks has {makes}: {off} apart.")
            continue
        should = f"what stands before it makes {makes}"
        run = f", run {slip['run']}" if slip["run"] else ""
        at = name(f"{words.at(slip['file'], slip['row'])}, {slip['mark']}{run}")
        lines.append(f"{capital(at)}: {what} {figure} is booked, {should}: a slip of {off}.")
    if len(found) > SLIPS_SHOWN:
        lines.append(f"And {len(found) - SLIPS_SHOWN:,} more; all are in bust.json.")
    re_added = count(arithmetic["re_added"], "booked figure")
    return [*lines, f"{re_added} re-added. Heights here come from the readings, not from these."]


def level_tests(words: Words) -> Section | None:
    """The collimation error of the level, an error of the instrument, by two pegs."""
    tests, lengths = words.facts["level_tests"], words.lengths
    if not tests:
        return None
    rows, lines = [], []
    for i, test in enumerate(tests, start=1):
        of, per, sd = f"level_test:{i}", test["collimation_mm_per_10m"], test["sd_mm_per_10m"]
        called = test["test"] or test["when"] or "the one test"
        if per is None:
            rows.append([name(called), NONE, NONE, NONE, str(test["spare"])])
            why = "its distances are alike or not recorded, so that it says nothing of the level"
            lines.append(f"{capital(name(called))}: {why}.")
            continue
        high = "too high" if per > 0 else "too low"
        size = claim(of, "collimation_mm_per_10m", per, f"{abs(per):.2f} mm {high} at 10 m")
        rows.append([
            name(called), size, claim(of, "sd_mm_per_10m", sd, f"{sd:.2f}"), f"{test['collimation_sec']:.0f}",
            str(test["spare"]),
        ])  # fmt: skip
        moved = [m for m in test["moves"] if abs(m["rise_mm"]) >= 0.05]
        for m in moved[:SLIPS_SHOWN]:
            run = f"run {m['run']}" if m["run"] else between(m)
            lines.append(
                f"By its unequal sights it makes the rise of {name(run)} {lengths.small(abs(m['rise_mm']))} too "
                f"{'large' if m['rise_mm'] > 0 else 'small'}."
            )
    lines.append("Nothing here is corrected by it; equal back and fore sights take it out.")
    header = ["test ", "reads ", "sd, mm", "seconds", "spare"]
    return Section("The level: its collimation error by two pegs", [Table(header, rows), *lines])


def hides(words: Words) -> Section | None:
    """What a book that closes cannot show."""
    sections, lengths = words.facts["hides"], words.lengths
    if not sections:
        return None
    rows = [
        [
            between(one), f"{one['levelled']}",
            "any size" if one["found_mm"] is None
            else claim(f"hides:{i}", "found_mm", one["found_mm"], lengths.about(one["found_mm"])),
        ]
        for i, one in enumerate(sections, start=1)
    ]  # fmt: skip
    lines: list[Block] = [
        "An error below this size in one reading could be there and not show:",
        Table(["section ", "levelled", "hides below"], rows[:SLIPS_SHOWN]),
        "Of no size do these show: two errors in one section that cancel; a staff, a level or a turning point that "
        "does the same wrong both ways; known marks that moved together.",
    ]
    if len(rows) > SLIPS_SHOWN:
        lines.append(f"The first {SLIPS_SHOWN} of {len(rows):,} sections; all are in bust.json.")
    once = [between(one) for one in sections if one["found_mm"] is None]
    if once:
        lines.append(f"Level back, or tie to a second mark: {listing(once, 4)}.")
    return Section("What could hide in this book", lines)
