"""What the check shots of a set-up prove, in words."""

from __future__ import annotations

from typing import Any

from heightnet.report.document import Document, Part, Table
from heightnet.report.numbers import NONE, Lengths, chance, count, listing

Record = dict[str, Any]

TONES = {"accept": "sound", "determined": "sound", "reject": "wrong", "mark_wrong": "wrong"}
KINDS = {
    "setup": "the instrument height", "tripod": "the stand's height", "known": "the known height of",
    "target": "the target height", "shot": "the shot", "reading": "the tape reading",
    "level": "the levelled difference", "staff": "the staff reading",
    "gnss": "the satellite height", "separation": "the separation at",
    "swap": "instrument and target height exchanged at",
}  # fmt: skip
HARDLY = ("tape_scale", "slant_instrument", "slant_observer", "index", "refraction", "instrument", "equipment", "tape")


def prove_document(facts: Record) -> Document:
    """The facts as a short report."""
    lengths = Lengths(facts["job"]["length_unit"])
    title = (facts["job"]["title"] or facts["job"]["name"]).replace("(invented)", "").strip()
    over = f", over {facts['over']}" if facts["over"] else ", a free set-up"
    parts = [_shots(facts, lengths), _marks(facts, lengths), _tape(facts, lengths)]
    return Document(
        f"{title}: set-up {facts['setup']}{over}", TONES.get(facts["verdict"], "doubtful"),
        _headline(facts, lengths), [p for p in parts if p], facts["job"]["invented"],
        "± is one standard deviation. Common practice: good check shots agree in 1 to 2 mm.",
    )  # fmt: skip


def thing(id_: str) -> str:
    """``known:AB2`` -> "the known height of AB2"."""
    kind, _, name = id_.partition(":")
    if kind == "group":
        return f"something common ({name.replace(':', ' ').replace('_', ' ')})"
    if kind in ("setup", "tripod"):
        return f"{KINDS[kind]} {name}"
    return f"{KINDS.get(kind, kind)} {name}"


def _headline(facts: Record, lengths: Lengths) -> str:
    tape, marks = facts["tape"], facts["marks"]
    by = count(len(marks), "known mark")
    match facts["verdict"]:
        case "no_check_shots":
            return f"No shot from {facts['setup']} goes to a known mark: nothing here proves its height."
        case "untested":
            if not facts["over_known"]:
                return (
                    f"The tape is not tested: {facts['over']} has no height but by this set-up. The line of sight is "
                    f"known from {by} all the same."
                )
            return "The tape is not tested by these shots."
        case "determined":
            pooled = facts["together"]
            if pooled and pooled["height_m"] is not None:
                size = lengths.height_in_words(pooled["height_m"], pooled["height_sd_mm"])
                return f"No tape needed: the instrument height is {size} by {by}."
            size = lengths.height_in_words(pooled["axis_m"], pooled["axis_sd_mm"]) if pooled else NONE
            return f"No tape needed: the axis stands at {size} by {by}."
        case "accept":
            caught = lengths.about(tape["smallest_detectable_mm"])
            return f"Accept the taped height: {by} agree with it; an error of {caught} or more would have been caught."
        case "mark_wrong":
            odd = facts["odd_mark"]
            size = lengths.plus_minus(odd["error_mm"], odd["error_sd_mm"])
            what = listing([thing(id_) for id_ in odd["ids"]], 3, "or")
            return f"Not the tape: {odd['mark']} stands out by {size} ({chance(odd['probability'])}): {what}."
        case "marks_disagree":
            return "The known marks disagree among themselves, and these shots cannot tell which is wrong."
    size = lengths.plus_minus(tape["error_mm"], tape["error_sd_mm"])
    off = f"the tape is {size} too {'high' if tape['error_mm'] > 0 else 'low'} against {by}"
    if facts["verdict"] == "undecidable":
        return f"Something is wrong, {off}; with one mark nothing tells a wrong tape from a wrong mark. Shoot another."
    return f"Reject the taped height: {off}."


def _shots(facts: Record, lengths: Lengths) -> Part | None:
    if not facts["by_shot"]:
        return None
    pooled = facts["together"]
    over_known = facts["over_known"] and pooled is not None and pooled["height_m"] is not None
    key = "height" if over_known else "axis"
    rows = []
    reference = pooled[f"{key}_m"] if pooled else None
    for shot in facts["by_shot"]:
        apart = None if reference is None else (shot[f"{key}_m"] - reference) * 1000
        rows.append(
            [
                shot["mark"], str(shot["row"]), lengths.height(shot["mark_height_m"]),
                lengths.height(shot["target_height_m"]), lengths.height(shot["rise_m"]), lengths.height(shot["axis_m"]),
                lengths.height(shot["height_m"]), lengths.column(shot[f"{key}_sd_mm"]), lengths.column(apart),
            ]
        )  # fmt: skip
    if pooled:
        rows.append(
            [
                "together", "", "", "", "", lengths.height(pooled["axis_m"]), lengths.height(pooled["height_m"]),
                lengths.column(pooled[f"{key}_sd_mm"]), "",
            ]
        )  # fmt: skip
    if facts["taped_m"] is not None:
        apart = None if reference is None or not over_known else (facts["taped_m"] - reference) * 1000
        rows.append(
            [
                "the tape", "", "", "", "", "", lengths.height(facts["taped_m"]), lengths.column(facts["taped_sd_mm"]),
                lengths.column(apart),
            ]
        )  # fmt: skip
    small = lengths.small_short
    header = ["by ", "row", "mark", "+ target", "less rise", "= axis", "instr. height", f"sd {small}", f"apart {small}"]
    return Part("The height by each mark", [], Table(header, rows))


def _marks(facts: Record, lengths: Lengths) -> Part | None:
    lines = []
    agreement = facts["agreement"]
    if agreement:
        lines.append(
            "Without the tape the marks agree among themselves."
            if agreement["agree"]
            else f"Without the tape the marks disagree; the largest test is on {thing(agreement['largest_w_id'])}."
        )
    elif facts["by_shot"]:
        lines.append("One shot: nothing says whether its mark is right.")
    if facts["by_shot"] and not facts["can_tell_mark_from_tape"]:
        lines.append("From three known marks on, a wrong mark is told from a wrong tape.")
    for suspect in facts["suspects"][:4]:
        size = lengths.plus_minus(suspect["error_mm"], suspect["error_sd_mm"])
        high = "high" if suspect["error_mm"] > 0 else "low"
        why = f": {suspect['cause_text']}" if suspect["cause_text"] else ""
        lines.append(f"{chance(suspect['probability'])}: {thing(suspect['id'])}, {size} too {high}{why}.")
    return Part("Do the marks agree?", lines) if lines else None


def _tape(facts: Record, lengths: Lengths) -> Part | None:
    tape = facts["tape"]
    if tape is None or tape["error_mm"] is None:
        return None
    limit = lengths.about(facts["tolerance_mm"])
    lines = [
        f"Taped less marks: {lengths.plus_minus(tape['error_mm'], tape['error_sd_mm'])} too "
        f"{'high' if tape['error_mm'] > 0 else 'low'}; the tolerance is {limit}.",
        f"The smallest error that this check would have caught: {lengths.about(tape['smallest_detectable_mm'])}.",
        f"{'Accepted' if tape['accept'] else 'Rejected'}. Chance that the tape is wrong by more than {limit}: "
        f"{chance(tape['risk_accepting'])}; that it is not: {chance(tape['risk_rejecting'])}.",
        f"Before shooting: a right height would be rejected with {chance(tape['false_rejection'])}; an error of more "
        f"than {lengths.about(tape['accepted_at_most_mm'])} would be accepted in fewer than 5 of 100.",
    ]
    same = [thing(id_) for id_ in tape["same_as"] if not _is_group(id_)]
    if same:
        lines.append(f"A wrong tape looks the same here as {listing(same, 3, 'or')}.")
    return Part("The tape against the marks", lines)


def _is_group(id_: str) -> bool:
    return id_.startswith("group:") and id_.split(":")[1] in HARDLY
