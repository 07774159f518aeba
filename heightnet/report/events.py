"""What happened in the field, in words: what moved between which sights, what was wrong from when on and until when."""

from __future__ import annotations

from collections.abc import Iterable

from heightnet.kinds.sequence import READINGS
from heightnet.ledger.thing import MISNAMED, NOT_NAMED, Thing
from heightnet.reduce.moments import moment
from heightnet.report.claims import capital, name
from heightnet.report.numbers import listing
from heightnet.report.words import Words
from heightnet.rows import Record

UNNAMED = {"staff_joint": "the staff", "index": "the instrument", "equipment": "the target equipment"}
BY_ROWS = "in the order of the rows, as no times tell it"


def told(words: Words, finding: Record) -> str:
    """What a sentence about an event begins with: "every target height of pole 1, from a moment between 13:40 (target
    P4) and 14:25 (target P5) on,".  ``BY_ROWS`` where there is an order in time, and no times."""
    what, when = _parts(words, finding, named=True)
    rows = f", {BY_ROWS}" if finding["event"]["order"] == "rows" else ""
    return f"{what}, {when}{rows}," if when else what


def in_short(words: Words, finding: Record) -> str:
    """The same among other things: "set-up S4 (over P4), which moved between 10:20 and 10:26"."""
    what, when = _parts(words, finding, named=False)
    if Thing.of(finding["id"]).kind == "moved":
        return f"{what}, which moved {when}"
    return f"{what} {when}" if when else what


def _parts(words: Words, finding: Record, named: bool) -> tuple[str, str]:
    """What it was, and when; named : the uses are told as well as their times."""
    thing, event = Thing.of(finding["id"]), finding["event"]
    began, ended = event["began"], event["ended"]
    hours = times([use["when"] for use in event["uses"]], words.several_days)
    if thing.kind == "moved":
        at = began or ended
        if all(thing.names[2:4]):  # all the while, not between two of its sights
            at = {"after": event["uses"][0], "before": event["uses"][-1]}
        return words.stood_at(*thing.names[:2]), _range(*_ends(words, thing, at, event, hours, named))
    what = words.called(str(Thing.both("group", *thing.common))).told
    if event["order"] == READINGS:
        return what, f"above a joint {_range(*_ends(words, thing, began, event, hours, named))}"
    when = [f"from {_moment(*_ends(words, thing, began, event, hours, named), 'start')}"] if began else []
    if ended:
        when.append(f"until {_moment(*_ends(words, thing, ended, event, hours, named), 'end')}")
    elif began:
        when.append("on")
    return what, " ".join(when)


def _ends(
    words: Words, thing: Thing, between: Record, event: Record, hours: dict[str, str], named: bool
) -> tuple[str, str]:
    """The uses before and after what happened, "" where it was before the first or after the last."""
    sides = [between["after"], between["before"]]
    whens = [hours.get(use["when"] or "", "") if use else "" for use in sides]
    if event["order"] != "rows" and whens[0] != whens[1]:
        told = [
            name(f"{when} ({_use(words, thing, use['id'])})" if named else when) if use else ""
            for use, when in zip(sides, whens, strict=True)
        ]
    else:
        told = [_use(words, thing, use["id"], alone=True) if use else "" for use in sides]
    return told[0], told[1]


def _range(after: str, before: str) -> str:
    if after and before:
        return f"between {after} and {before}"
    return f"after {after}" if after else f"before {before}"


def _moment(after: str, before: str, end: str) -> str:
    """ "a moment between 13:40 and 14:25"; where it may have been so all along, that too."""
    possibly = "" if after and before else f"the {end}, or from " if end == "start" else f"the {end}, or until "
    return f"{possibly}a moment {_range(after, before)}"


def _use(words: Words, thing: Thing, id: str, alone: bool = False) -> str:
    """A use of a thing: "target P4", "sight to P9, row 18"; which stand moved is said already.

    alone : it stands in a sentence by itself, not in brackets: "the sight to P9 (row 18)".
    """
    of = Thing.of(id)
    if of.kind == "shot" and thing.kind == "moved":
        r = words.records[id]
        where = f"to {r['to_mark'] or r['target']}" if thing.names[0] == "setup" else f"from {r['setup']}"
        row = words.at(of.file, of.row)
        return name(f"the sight {where} ({row})" if alone else f"sight {where}, {row}")
    if of.kind == "shot":
        return name(f"set-up {words.records[id]['setup']}")
    short = words.short(id)
    noun = {"setup": "set-up", "target": "target"}.get(of.kind, "")
    return name(f"{noun} {short}") if noun and short == of.name else short


def times(whens: Iterable[str | None], several_days: bool = False) -> dict[str, str]:
    """Each time as it is told: of one day the hour alone, of several days, or in a job of several, day and hour, else
    as it was recorded.

    >>> times(["2026-05-19T11:39", "2026-05-19T12:55:30", None])
    {'2026-05-19T11:39': '11:39', '2026-05-19T12:55:30': '12:55:30'}
    >>> times(["2026-05-19T11:39", "2026-05-20T08:00"]), times(["9.40 h"])
    ({'2026-05-19T11:39': '2026-05-19 11:39', '2026-05-20T08:00': '2026-05-20 08:00'}, {'9.40 h': '9.40 h'})
    """
    recorded = [when for when in dict.fromkeys(whens) if when]
    found = [(moment(when) or ("", when)) for when in recorded]
    if any(kind != "date" or "T" not in at for kind, at in found):
        return {when: when for when in recorded}
    hours = [at.removesuffix(":00") if at.count(":") == 2 else at for _, at in found]
    one_day = len({at.partition("T")[0] for at in hours}) == 1 and not several_days
    return {
        when: at.partition("T")[2] if one_day else at.replace("T", " ")
        for when, at in zip(recorded, hours, strict=True)
    }


def still_right(finding: Record) -> str:
    """For which sights the recorded height of a stand that moved is right."""
    thing = Thing.of(finding["id"])
    if thing.kind != "moved":
        return ""
    if all(thing.names[2:4]):
        return "Its recorded height is right for its first sight alone."
    when = "before" if thing.names[2] else "after"
    return f"Its recorded height is right for the sights {when} that."


# ---- what to do about it ----


def advice(words: Words, finding: Record) -> list[str]:
    """What to do about a named finding of this kind; nothing where it is of another kind."""
    thing = Thing.of(finding["members"][0]["id"])
    match thing.kind:
        case "moved":
            return [_sight_again(words, thing, finding["event"])]
        case "spell":
            return [_ask(words, thing, finding)]
        case "source":
            whose = "without a source" if thing.name == NOT_NAMED else f"of {name(thing.name)}"
            return [
                f"Look up both lists of heights: of what year and in what system those {whose} are, and those of the "
                "other known marks."
            ]
        case kind if kind == MISNAMED:
            return [_look_up_name(words, thing)]
    return []


def _sight_again(words: Words, thing: Thing, event: Record) -> str:
    """Sight the first target again, and if that cannot be done, what was seen wrong."""
    first = _use(words, thing, event["uses"][0]["id"])
    wrong = [use["id"] for use in event["uses"] if use["probability"] >= 0.5]
    rows = words.rows(wrong, "and") or listing(wrong, 4, called=words.label)
    again = f"repeat its first sight ({first}): another height difference shows that it moved"
    return f"{capital(words.stood_at(*thing.names[:2]))}: if it still stands, {again}. If not, observe again {rows}."


def _ask(words: Words, thing: Thing, finding: Record) -> str:
    """Measure what is wrong now, and ask what was done to it when."""
    group, member = thing.common
    event = finding["event"]
    hours = times([use["when"] for use in event["uses"]], words.several_days)
    when = " and ".join(
        _range(*_ends(words, thing, event[side], event, hours, named=False))
        for side in ("began", "ended")
        if event[side]
    )
    of = name(UNNAMED[group] if member == NOT_NAMED and group in UNNAMED else member)
    if group == "staff_joint":
        return f"Measure {of} with a steel tape across the joint {when}, and look whether it locks."
    if group == "index":
        return f"Observe one target in both faces now, and ask what was done to {of} {when}."
    if group == "equipment":
        return f"Measure {of} now, in parts, and ask what was done to it {when}."
    whose = "the instrument" if group == "instrument" else "the way of taping"
    return f"Ask what was changed in {whose} {when}, and tape one of these heights again in another way."


def _look_up_name(words: Words, thing: Thing) -> str:
    kind, *of, instead = thing.names
    if kind == "shot":
        what, again = f"to which target the sight in {words.at(of[0], int(of[1]))} of {of[0]} went", "that target"
    elif kind == "known":
        what, again = f"which mark was taken for {of[0]} in the field", "that mark"
    else:
        what, again = f"on which mark {'set-up' if kind == 'setup' else 'target'} {of[0]} stood", "that mark"
    return name(f"Look up in sketch and field book {what} ({instead} fits), and sight {again} again.")
