"""What ``heightnet bust`` found, in words."""

from __future__ import annotations

from typing import Any

from heightnet.report.document import Document, Part, Table
from heightnet.report.numbers import NONE, Lengths, chance, count, fixed, listing

Record = dict[str, Any]

RIVALS_SHOWN = 12
LOOPS_SHOWN = 12
FAULTS = {
    "no_backsight": "has no backsight",
    "no_foresight": "has no foresight",
    "several_backsights": "has more than one backsight",
    "several_foresights": "has more than one foresight",
    "gap": "does not begin on the point where the set-up before it ended",
}


def bust_document(facts: Record) -> Document:
    """The facts as a short report."""
    lengths = Lengths(facts["job"]["length_unit"])
    title = (facts["job"]["title"] or facts["job"]["name"]).replace("(invented)", "").strip()
    tone = {"closes": "sound", "untested": "doubtful", "unexplained": "doubtful"}.get(facts["verdict"], "wrong")
    if facts["faults"] and tone == "sound":
        tone = "doubtful"
    parts = [_book(facts, lengths), _sections(facts, lengths), _loops(facts, lengths)]
    parts += [_rivals(facts, lengths), _plan(facts)]
    return Document(
        title, tone, _headline(facts, lengths), [p for p in parts if p], facts["job"]["invented"],
        f"Tolerance: {facts['tolerance']['name']}.",
    )  # fmt: skip


def _headline(facts: Record, lengths: Lengths) -> str:
    rivals, plan = facts["rivals"], facts["plan"]
    match facts["verdict"]:
        case "untested":
            return "Nothing closes on anything: no bust in this job could show. Level back, or tie to a second mark."
        case "closes":
            return "Everything that can be compared closes, and no reading is suspected."
        case "unexplained":
            return "Something does not close, and no single reading or section explains it: look for small errors."
        case "located":
            first = rivals[0]
            return (
                f"{_capital(rival(first))} is probably wrong ({chance(first['probability'])}), {error(first, lengths)}."
            )
        case "narrowed":
            step = plan["steps"][0]
            size = lengths.small(rivals[0]["error_mm"], rivals[0]["error_sd_mm"])
            return (
                f"A bust of {size} lies between {step['from_mark']} and {step['to_mark']}{_on(step)}. "
                f"Which reading there, nothing in the book can tell; level that section again "
                f"({count(round(step['setups']), 'set-up')})."
            )
    size = lengths.small(rivals[0]["error_mm"], rivals[0]["error_sd_mm"])
    return f"A bust of {size}, and the job cannot tell where: {count(len(rivals), 'place')} would explain it."


def _on(step: Record) -> str:
    return f" on run {listing(step['runs'])}" if step["runs"] else ""


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def rival(r: Record) -> str:
    """What may be wrong."""
    run = f", run {r['run']}" if r["run"] else ""
    match r["kind"]:
        case "staff":
            sight = {"BS": "backsight", "FS": "foresight"}.get(r["sight"], "intermediate sight")
            return f"the {sight} on {r['mark']} at {r['level_setup']}{run}, row {r['row']}"
        case "level":
            return f"the levelled difference {r['mark']}{run}, row {r['row']}"
        case "known":
            return f"the known height of {r['mark']}"
        case "exchange":
            return f"backsight and foresight of {r['level_setup']}{run}, in each other's place"
        case "group" if r["id"].startswith("group:collimation"):
            return "the level's line of sight, not level"
    kind, _, name = r["id"].partition(":")
    thing = "antenna" if r.get("of_antenna") else "instrument"
    words = {
        "setup": f"the {thing} height of set-up", "target": "the target height", "tripod": "the height of stand",
        "shot": "the sight", "reading": "the tape reading", "swap": "instrument and target height exchanged at",
        "group": "everything of", "gnss": "the satellite height", "separation": "the separation at",
    }  # fmt: skip
    return f"{words.get(kind, kind)} {name}"


def error(r: Record, lengths: Lengths) -> str:
    if r["collimation_mm_per_10m"] is not None:
        per = r["collimation_mm_per_10m"]
        return f"reading {abs(per):.1f} mm too {'high' if per > 0 else 'low'} at 10 m"
    if r["error_mm"] is None:
        return "by an unknown amount"
    size = lengths.plus_minus(r["error_mm"], r["error_sd_mm"])
    verb = "read" if r["kind"] == "staff" else "recorded"
    return f"{verb} {size} {'too high' if r['error_mm'] > 0 else 'too low'}"


def _book(facts: Record, lengths: Lengths) -> Part | None:
    if not facts["book"]:
        return None
    lines = []
    for fault in facts["faults"]:
        of = f" of run {fault['run']}" if fault["run"] else ""
        lines.append(
            f"Set-up {fault['level_setup']}{of} {FAULTS[fault['kind']]} ({fault['file']}, row {fault['row']})."
        )
    rows = []
    for run in facts["book"]:
        back = lengths.height(run["backsights_m"])
        rows.append(
            [
                run["run"] or NONE, f"{run['from_mark']} to {run['to_mark']}", f"{run['setups']:g}",
                back, lengths.height(run["foresights_m"]), lengths.height(run["rise_m"]),
                lengths.height(run["expected_m"]), lengths.column(run["misclosure_mm"]),
                lengths.column(run["allowed_mm"]), _closes(run["closes"]),
            ]
        )  # fmt: skip
    unbalanced = [r for r in facts["book"] if r["imbalance_m"] is not None and abs(r["imbalance_m"]) > 20]
    for run in unbalanced:
        lines.append(
            f"Run {run['run'] or NONE}: backsights and foresights differ by {fixed(run['imbalance_m'], 0)} m in all; a "
            "level whose line of sight is not level shows in that."
        )
    header = ["run ", "from, to ", "set-ups", "sum BS", "sum FS", "rise", "should be", lengths.small_short, "may", " "]
    return Part("Does the arithmetic of the book close?", lines, Table(header, rows))


def _closes(closes: bool | None) -> str:
    return {True: "closes", False: "DOES NOT CLOSE", None: "not tested"}[closes]


def _sections(facts: Record, lengths: Lengths) -> Part | None:
    rows = [
        [
            f"{s['from_mark']} to {s['to_mark']}", f"{_name(s['first'])} / {_name(s['second'])}",
            lengths.height(s["first"]["rise_m"]), lengths.height(s["second"]["rise_m"]),
            lengths.column(s["difference_mm"]), lengths.column(s["allowed_mm"]), _closes(s["closes"]),
        ]
        for s in facts["sections"]
    ]  # fmt: skip
    if not rows:
        return None
    header = ["section ", "runs ", "rise", "and", lengths.small_short, "may", " "]
    return Part("Sections levelled more than once", [], Table(header, rows))


def _name(levelling: Record) -> str:
    return levelling["run"] or levelling["kind"]


def _loops(facts: Record, lengths: Lengths) -> Part | None:
    loops = sorted(facts["loops"], key=lambda loop: (loop["closes"], loop["length_km"] or 0))
    if not loops:
        return None
    rows = [
        [
            listing(loop["marks"], 5, "and"), fixed(loop["length_km"], 3), lengths.column(loop["misclosure_mm"]),
            lengths.column(loop["allowed_mm"]), _closes(loop["closes"]),
        ]
        for loop in loops[:LOOPS_SHOWN]
    ]  # fmt: skip
    lines = [] if len(loops) <= LOOPS_SHOWN else [f"{LOOPS_SHOWN} of {len(loops)}; all are in bust.json."]
    if any(not loop["by_length"] for loop in loops):
        lines.append("Where no length is recorded, three times the scatter that the job expects is allowed.")
    header = ["loop ", "km", lengths.small_short, "may", " "]
    return Part("Loops, and known marks against each other", lines, Table(header, rows))


def _rivals(facts: Record, lengths: Lengths) -> Part | None:
    if not facts["rivals"]:
        return None
    shown = facts["rivals"][:RIVALS_SHOWN]
    lines = []
    for r in shown:
        causes = [c for c in r["causes"] if c["probability"] >= 0.05][:2]
        why = f" Fits {listing([c['text'] for c in causes], joined='or')}." if causes else ""
        lines.append(f"{chance(r['probability'])}: {rival(r)}, {error(r, lengths)}.{why}")
    if len(facts["rivals"]) > len(shown):
        lines.append(f"And {len(facts['rivals']) - len(shown)} more; all are in bust.json.")
    classes = {r["class"] for r in facts["rivals"]}
    if len(classes) < len(facts["rivals"]):
        lines.append(
            "Those that would be equally wrong make the same misclosures: only how well a usual slip explains the size "
            "parts them."
        )
    return Part("What would explain it", lines)


def _plan(facts: Record) -> Part | None:
    steps = facts["plan"]["steps"]
    if facts["verdict"] not in ("narrowed", "open", "located") or not steps:
        return None
    if facts["verdict"] == "located" and facts["rivals"][0]["kind"] not in ("staff", "level", "exchange", "shot"):
        return None  # no levelling mends it
    rows = [
        [f"{s['from_mark']} to {s['to_mark']}", f"{s['setups']:g}", chance(s["probability"]), f"{s['setups_so_far']:g}"]
        for s in steps
    ]
    lines = ["In this order, until the new levelling differs from the old; it compares at every mark it passes."]
    expected, whole = facts["plan"]["expected_setups"], facts["plan"]["all_setups"]
    lines.append(f"Expected: {expected:.1f} set-ups, against {whole:g} for all of it.")
    split = facts["plan"]["split"]
    if split:
        lines.append(
            f"First half: the first {count(split['steps'], 'section')}, {split['setups']:g} set-ups, hold it with "
            f"{chance(split['probability'])}."
        )
    if len(steps) == 1 and steps[0]["setups"] > 3:
        lines.append("No mark that can be found again lies between: leave pegs on the way, and halves can be compared.")
    if facts["plan"]["outside"] >= 0.02:
        lines.append(
            f"With {chance(facts['plan']['outside'])} it is no reading: a known height or the level itself. Then every "
            "section agrees with the old levelling; tie to another known mark, and test the level by two pegs."
        )
    return Part("What to level again", lines, Table(["section ", "set-ups", "chance", "so far"], rows))
