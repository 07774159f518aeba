"""The uses of a thing one after the other, where something began or ended on the way: when it probably was."""

from __future__ import annotations

from heightnet.kinds.sequence import READINGS
from heightnet.ledger.results import PERHAPS, SURE
from heightnet.report.claims import capital, claim, name
from heightnet.report.events import in_short, times
from heightnet.report.keys import Keys
from heightnet.report.pictures.drawing import Drawing
from heightnet.report.words import Words
from heightnet.rows import Record

WIDTH, ROW, HEAD = 690.0, 21.0, 52.0
ROWS = 40  # uses shown of each, those about the change
BY = {"times": "time", "rows": "order of the rows", READINGS: "reading"}
LINE, SAID = 150.0, 340.0  # where the line of time runs, where it is said what was wrong


def timeline(words: Words, keys: Keys) -> Drawing | None:
    """Every finding that says when something began or ended, one below the other; None where none does."""
    found = [f for f in words.facts["findings"] if f.get("event")]
    if not found:
        return None
    shown = [_about_the_change(one["event"]) for one in found]
    height = sum(HEAD + ROW * len(rows) + 34 for rows in shown)
    sheet = Drawing(
        "timeline",
        "What was wrong when",
        "The uses of what was wrong for a part of the job, in their order, and whether each of them is wrong by it.",
        WIDTH,
        height,
    )
    top = 0.0
    for one, rows in zip(found, shown, strict=True):
        top = _one(sheet, words, keys, one, rows, top)
    return sheet


def _one(sheet: Drawing, words: Words, keys: Keys, finding: Record, rows: list[int], top: float) -> float:
    """One finding from a height of the sheet on; where the next one begins."""
    event, first = finding["event"], top + HEAD
    uses, bottom = event["uses"], top + HEAD + ROW * len(rows)
    sheet.text(12, top + 18, capital(in_short(words, finding)), "strong")
    sheet.text(LINE, top + 38, BY[event["order"]], "tick", "middle")
    sheet.line([(LINE, first - 6), (LINE, bottom + 4)], "axis")
    hours = times([use["when"] for use in uses], words.several_days)
    for at, number in enumerate(rows):
        use, y = uses[number], first + ROW * (at + 0.5)
        if _perhaps(use):
            sheet.box(LINE - 40, y - ROW / 2, 80, ROW, "band")
        with sheet.group(about=keys.about(use["id"]), title=words.label(use["id"])):
            _row(sheet, words, f"finding:{finding['order']}.event.uses.{number}", use, hours, y)
    notes = ["Shaded: it may have begun or ended here."] if any(_perhaps(uses[number]) for number in rows) else []
    if left_out := len(uses) - len(rows):
        notes.append(f"{len(rows)} about the change are shown; {left_out:,} more are as those next to them.")
    sheet.text(12, bottom + 20, " ".join(notes), "tick")
    return bottom + 34


def _perhaps(use: Record) -> bool:
    return bool(PERHAPS <= use["probability"] < SURE)


def _row(sheet: Drawing, words: Words, of: str, use: Record, hours: dict[str, str], y: float) -> None:
    p = use["probability"]
    wrong, perhaps = p >= SURE, _perhaps(use)
    sheet.text(LINE - 46, y + 4, name(hours.get(use["when"] or "", "")), "tick", "end")
    if wrong or perhaps:
        sheet.sign("suspect" if wrong else "either", LINE, y, 4.2)
    else:
        sheet.sign("found", LINE, y, 6.0)
    sheet.text(LINE + 50, y + 4, words.short(use["id"]), "accused-name" if wrong else "name")
    if perhaps:
        said = f"perhaps wrong by it: {words.of_100(of, p)}"
    else:
        said = claim(of, "probability", p, "wrong by it" if wrong else "not touched by it")
    sheet.text(SAID, y + 4, said, "note")


def _about_the_change(event: Record) -> list[int]:
    """Positions of the uses to show, from top to bottom: all, or those nearest to where they change from sound to
    wrong; of a staff the highest reading first."""
    p = [use["probability"] for use in event["uses"]]
    rows = list(range(len(p)))
    if len(p) > ROWS:
        steps = [i for i in range(1, len(p)) if (p[i] >= SURE) != (p[i - 1] >= SURE)] or [0]
        rows = sorted(sorted(rows, key=lambda i: (min(abs(i - s) for s in steps), i))[:ROWS])
    return rows[::-1] if event["order"] == READINGS else rows
