"""What the check shots of a set-up prove, in words."""

from __future__ import annotations

from typing import Any

from heightnet.ledger.thing import Thing
from heightnet.report.check_words import often, state_word
from heightnet.report.claims import capital, claim, name
from heightnet.report.document import DOUBTFUL, SOUND, WRONG, Document, Picture, Section, Table
from heightnet.report.findings import is_wrong, size_of
from heightnet.report.numbers import NONE, chance, count, listing, of_100
from heightnet.report.pictures import signed
from heightnet.report.words import Words, read_with_doubt
from heightnet.rows import Record

TONES = {
    "accept": SOUND, "determined": SOUND, "reject": WRONG, "mark_wrong": WRONG, "marks_disagree": WRONG,
    "undecidable": WRONG,
}  # fmt: skip
MEMBERS_TOLD, MEMBERS_SHOWN = 4, 8
THE_TAPE = "the tape"  # as a finding is said to blame it


def prove_document(facts: Record) -> Document:
    """The facts as a short report."""
    words = Words(facts)
    over = f", over {facts['over']}" if facts["over"] else ", a free set-up"
    parts = [_picture(words), _shots(words), _marks(words), _tape(words)]
    return Document(
        title=name(f"{words.title}: set-up {facts['setup']}{over}"),
        tone=TONES.get(facts["verdict"], DOUBTFUL),
        doubted=read_with_doubt(facts),
        headline=_headline(words),
        says=capital(state_word(words)),
        blocks=[part for part in parts if part],
        invented=facts["job"]["invented"],
        foot="A range holds 95 of 100. Common practice: good check shots agree in 1 to 2 mm.",
    )


def _headline(words: Words) -> str:
    facts = words.facts
    tape, marks = facts["tape"], facts["known_marks"]
    by, setup = count(len(marks), "known mark"), name(facts["setup"])

    def stated(text: str) -> str:
        return claim("prove", "verdict", facts["verdict"], text)

    match facts["verdict"]:
        case "no_check_shots":
            told = [f for f in facts["findings"] if f["level"] > 0]
            if told:  # its readings against one another, or the marks
                odd = "; ".join(f"{is_wrong(words, f)}, {size_of(words, f)}" for f in told)
                return f"{stated(f'No shot from {setup} goes to a known mark')}; but {odd}. Shoot a known mark as well."
            said = stated(f"No shot from {setup} goes to a known mark: nothing here tests its height")
            return f"{said}. Shoot a pole of known height on one."
        case "untested":
            if not facts["over_known"]:
                said = stated(f"The tape is not tested: {name(facts['over'])} has no height but by this set-up")
                return f"{said}. The line of sight is known from {by} all the same."
            return f"{stated('The tape is not tested by these shots')}."
        case "determined":
            return _determined(words, stated, by)
        case "accept":
            return f"{stated('Accept the taped height')}: {by} {_agree(marks)} with it; {_risk(words, 'accepting')}."
        case "too_weak":
            said = stated("Too weak to decide on the taped height")
            return f"{said}: {_off(words)} against {by}; {_risk(words, 'accepting')}."
        case "mark_wrong":
            finding = next(f for f, who in zip(facts["findings"], facts["blamed"], strict=True) if who[0] in marks)
            return (
                f"{stated('Probably a mark, not the tape' if tape else 'One mark is wrong')}: {_odd(words, finding)}."
            )
        case "marks_disagree":
            said = stated("The known marks disagree among themselves, and these shots cannot tell which is wrong")
            return f"{said}. Shoot another known mark."
        case "undecidable":
            return f"{_undecided(words, stated, by)} Shoot another known mark."
    blamed = next((f for f, who in zip(facts["findings"], facts["blamed"], strict=True) if who == [THE_TAPE]), None)
    if blamed and (tape["error_mm"] is None or Thing.of(blamed["members"][0]["id"]).kind == "reading"):
        return f"{stated('Reject the taped height')}: {is_wrong(words, blamed)}, {size_of(words, blamed)}."
    others = [words.label(m["id"]) for m in facts["findings"][0]["members"] if m["id"] != tape["id"]]
    unless = f", unless it is {listing(others, MEMBERS_TOLD, 'or')}" if others else ""
    return f"{stated('Reject the taped height')}: it is {_off(words)} against {by}{unless}."


def _undecided(words: Words, stated: Any, by: str) -> str:
    tape, state = words.facts["tape"], words.facts["judgement"]["state"]
    off = "these values disagree"
    if tape and tape["error_mm"] is not None:
        off = f"the tape is {_off(words)} against {by}"
    if state == "unclear":
        wrong = claim("judgement", "probability", words.facts["judgement"]["probability"],
                      chance(words.facts["judgement"]["probability"]))  # fmt: skip
        said = stated("Neither accept nor reject the taped height")
        return f"{said}: {off}. That anything is wrong is {wrong}; else the readings scatter more than stated."
    said = stated("Something is wrong, and these shots cannot tell what")
    one = "with one mark nothing tells a wrong tape from a wrong mark"
    return f"{said}: {off}{f'; {one}' if len(words.facts['known_marks']) == 1 else ''}."


def _agree(marks: list[str]) -> str:
    return "agrees" if len(marks) == 1 else "agree"


def _determined(words: Words, stated: Any, by: str) -> str:
    pooled, spare = words.facts["together"], words.facts["fit"]["redundancy"]
    if not pooled:
        return f"{stated('No tape, and the marks do not give the height either')}."
    what, key = ("the instrument height is", "height") if pooled["height_m"] is not None else ("the axis is at", "axis")
    size = words.lengths.height_in_words(pooled[f"{key}_m"], pooled[f"{key}_sd_mm"])
    size = claim("together", f"{key}_m", pooled[f"{key}_m"], size)
    alone = "" if spare else "; nothing checks that one shot"
    return f"{stated('No tape needed')}: {what} {size} by {by}{alone}."


def _would_have_shown(words: Words) -> str:
    size = claim("tape", "smallest_found_mm", words.facts["tape"]["smallest_found_mm"],
                 words.lengths.about(words.facts["tape"]["smallest_found_mm"]))  # fmt: skip
    return f"an error of {size} would have shown, {often(words)}"


def _risk(words: Words, of: str) -> str:
    """ "that it is off by more than 5 mm: 12 in 100"."""
    risk = words.facts["tape"][f"risk_{of}"]
    side = "more" if of == "accepting" else "less"
    return f"that it is off by {side} than {words.limit} is {claim('tape', f'risk_{of}', risk, chance(risk))}"


WAYS = {
    "another_mark": "shoot another known mark",
    "both_ends": "set up over the marks too, and shoot both ways",
    "tape_again": "let another person read the tape again",
    "level_under": "level to the mark under it",
    "nearer": "shoot nearer marks",
}  # fmt: skip
COUNTS = ("", "one", "two", "three", "four", "five", "six")
DECIDES = {
    "tape": ("the tape", "read it again, in the other scale or in parts"),
    "under": ("the height of the mark under it", "level to that mark"),
    "sights": ("the sights", "shoot a nearer mark, in both faces, or one more"),
    "marks": ("the heights of the marks", "shoot another known mark"),
    "poles": ("the heights of the poles", "shoot a pole of known height"),
}  # fmt: skip


def _decides(words: Words) -> str:
    """What the doubt comes from, and what would lessen it."""
    most = words.facts["doubt"][0]
    of, what = DECIDES[most["of"]]
    size = claim("doubt:1", "sd_mm", most["sd_mm"], words.lengths.about(most["sd_mm"]))
    said = f"Most of the doubt is that of {of} ({size})"
    would = [
        f"{WAYS[one['way']]} (then {claim(f'remedy:{i}', 'risk', one['risk'], of_100(one['risk']))})"
        for i, one in enumerate(words.facts["remedies"], start=1) if one["decides"]
    ]  # fmt: skip
    if would:
        return f"{said}. Were the same difference found again, this would decide: {listing(would, 2, 'or')}."
    return f"{said}: {what}. No one measurement more would decide at this tolerance; two of these may."


def _off(words: Words) -> str:
    """How far the tape is from the marks: "20 mm too high (18 to 22)"."""
    mm, sd_mm = (words.facts["tape"][key] for key in ("error_mm", "error_sd_mm"))
    nothing = not words.lengths.small(mm, sd_mm).split(" ")[0].strip("0.")
    return words.sized("tape", mm, sd_mm, "", "" if nothing else f" too {'high' if mm > 0 else 'low'}")


def _odd(words: Words, finding: Record) -> str:
    """The mark that stands out, by how much, and by what."""
    mark, of = name(words.facts["blamed"][finding["order"] - 1][0]), f"finding:{finding['order']}"
    size = words.sized(of, finding["error_mm"], finding["error_sd_mm"])
    labels = [words.label(m["id"]) for m in finding["members"][:MEMBERS_TOLD]]
    sure = words.chance(of, finding["probability"])
    return f"{mark} stands out by {size}, {sure}: {listing(labels, MEMBERS_TOLD, 'or')}"


# ---- the picture and the tables ----


def _picture(words: Words) -> Picture | None:
    drawn = signed.proof(words)
    return Picture("The check shots and the tape against all the marks", drawn) if drawn else None


def _shots(words: Words) -> Section | None:
    facts, lengths = words.facts, words.lengths
    if not facts["by_shot"]:
        return None
    pooled = facts["together"]
    over_known = facts["over_known"] and pooled is not None and pooled["height_m"] is not None
    key = "height" if over_known else "axis"

    def apart(of: str, fact: str, value: float | None) -> str:
        return NONE if value is None else claim(of, fact, value, lengths.column(value))

    rows = [
        [
            name(shot["mark"]), str(shot["row"]), lengths.height(shot["mark_height_m"]),
            lengths.height(shot["target_height_m"]), lengths.height(shot["rise_m"]), lengths.height(shot["axis_m"]),
            lengths.height(shot["height_m"]), lengths.column(shot[f"{key}_sd_mm"]),
            apart(f"by_shot:{i}", "apart_mm", shot["apart_mm"]),
        ]
        for i, shot in enumerate(facts["by_shot"], start=1)
    ]  # fmt: skip
    if pooled:
        rows.append(
            [
                "together", "", "", "", "", lengths.height(pooled["axis_m"]), lengths.height(pooled["height_m"]),
                lengths.column(pooled[f"{key}_sd_mm"]), "",
            ]
        )  # fmt: skip
    if facts["taped_m"] is not None:
        rows.append(
            [
                "the tape", "", "", "", "", "", lengths.height(facts["taped_m"]), lengths.column(facts["taped_sd_mm"]),
                apart("prove", "taped_apart_mm", facts["taped_apart_mm"]),
            ]
        )  # fmt: skip
    small = lengths.small_short
    header = ["by ", "row", "mark", "+ target", "less rise", "= axis", "instr. height", f"sd, {small}",
              f"apart, {small}"]  # fmt: skip
    return Section("The height by each mark", [Table(header, rows)])


def _marks(words: Words) -> Section | None:
    facts = words.facts
    lines: list[str | Table] = []
    if agreement := facts["agreement"]:
        said = f"Without the tape the marks {'agree' if agreement['agree'] else 'disagree'} among themselves."
        lines.append(claim("agreement", "agree", agreement["agree"], said))
    elif facts["by_shot"]:
        lines.append("One shot: nothing says whether its mark is right.")
    if len(facts["known_marks"]) == 1:
        lines.append("From two known marks on, a wrong mark is told from a wrong tape; from three without any tape.")
    lines += _sides(words)
    alike = facts["sides"] and len({len(side["marks"]) + side["tape"] for side in facts["sides"]}) == 1
    for finding in facts["findings"] if not alike else []:
        lines.append(_who(words, finding))
    voices = len(facts["known_marks"]) + bool(facts["tape"] and facts["tape"]["error_mm"] is not None)
    if facts["verdict"] == "mark_wrong" and voices <= 3:
        lines.append("It is one against two: were these two wrong alike, it would look the same.")
    if members := _members(words):
        lines.append(members)
    return Section("Do the marks agree?", lines) if lines else None


def _sides(words: Words) -> list[str | Table]:
    """Who stands against whom, where the heights fall into two groups; and sights to one mark pooled."""
    facts, lengths = words.facts, words.lengths
    lines: list[str | Table] = []
    if facts["sides"]:
        told = []
        numbers = [len(side["marks"]) + side["tape"] for side in facts["sides"]]
        for i, side in enumerate(facts["sides"], start=1):
            who = listing([name(m) for m in side["marks"]] + (["the tape"] if side["tape"] else []), 4, "and")
            axis = claim(f"side:{i}", "axis_m", side["axis_m"], lengths.height(side["axis_m"]))
            told.append(f"{who} ({axis})")
        one, other = (COUNTS[n] if n < len(COUNTS) else str(n) for n in numbers)
        lines.append(f"{capital(one)} against {other}, by the axis they give: {told[0]}; {told[1]}.")
        if numbers[0] == numbers[1]:
            lines.append("As many say the one as the other: nothing here shows which. Shoot another known mark.")
    again = [one for one in facts["by_mark"] if one["shots"] > 1]
    if again:
        rows = [
            [name(one["mark"]), str(one["shots"]), lengths.height(one["axis_m"]), lengths.column(one["axis_sd_mm"]),
             lengths.column(one["spread_mm"])]
            for one in facts["by_mark"] if one["shots"] > 1
        ]  # fmt: skip
        small = lengths.small_short
        lines.append("Sights to one mark are pooled; they share its height and, where it stood, the pole.")
        lines.append(Table(["mark ", "sights", "axis", f"sd, {small}", f"spread, {small}"], rows))
    return lines


def _who(words: Words, finding: Record) -> str:
    """Whom a finding blames, and how sure that is."""
    who = [name(party) for party in words.facts["blamed"][finding["order"] - 1]]
    if words.facts["verdict"] in ("marks_disagree", "undecidable") and len(words.facts["findings"]) > 1:
        return f"In the likeliest explanation an error lies with {listing(who, MEMBERS_TOLD, 'or')}."
    sure = words.certainty(f"finding:{finding['order']}", finding["probability"])
    lies = "lies" if finding["level"] > 0 else "would lie"
    if who == ["the tape"]:
        return f"The error {lies} with the tape, or with what looks the same from here. {sure}"
    return f"The error {lies} with {listing(who, MEMBERS_TOLD, 'or')}. {sure}"


def _members(words: Words) -> Table | None:
    """What may be wrong: each with its size, its chance, and a usual slip that makes it."""
    causes = {s["id"]: s["cause_text"] for s in words.facts["suspects"] if s["cause"] != "none"}
    rows = []
    for finding in words.facts["findings"]:
        for i, m in enumerate(finding["members"][:MEMBERS_SHOWN]):
            of = f"finding:{finding['order']}.members.{i}"
            size = words.error(m["id"], m["error_mm"], m["error_sd_mm"], of)
            rows.append(
                [words.label(m["id"]), size, words.of_100(of, m["probability"]), name(causes.get(m["id"]) or NONE)]
            )
    return Table(["what may be wrong ", "it would be ", "chance", "which fits "], rows) if rows else None


def _tape(words: Words) -> Section | None:
    facts, tape = words.facts, words.facts["tape"]
    if tape is None or tape["error_mm"] is None:
        return None
    if facts["verdict"] in ("marks_disagree", "undecidable", "mark_wrong"):
        return None  # against marks of which one is wrong the tape says nothing by itself
    lines = [f"Taped less marks: {_off(words)}; the tolerance is {words.limit}."]
    if facts["verdict"] in ("accept", "reject", "too_weak"):
        lines.append(f"{capital(_would_have_shown(words))}." if tape["smallest_found_mm"] is not None else "")
        if facts["verdict"] != "reject":
            lines.append(f"To accept it risks: {_risk(words, 'accepting')}.")
        if facts["verdict"] != "accept":
            lines.append(f"To reject it risks: {_risk(words, 'rejecting')}.")
    same = [words.label(id_) for id_ in tape["same_as"]]
    if facts["verdict"] == "too_weak":
        lines.append(_decides(words))
    if same:
        lines.append(f"A wrong tape looks the same here as {listing(same, 3, 'or')}.")
    return Section("The tape against the marks", [line for line in lines if line])
