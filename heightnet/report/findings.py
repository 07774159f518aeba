"""What a finding is called and what is said of it, by every story: where it lies, how large, what would tell."""

from __future__ import annotations

from heightnet.ledger.thing import EXCHANGED, TOGETHER, Thing
from heightnet.report import events
from heightnet.report.claims import capital, claim, name, plain
from heightnet.report.numbers import count, listing
from heightnet.report.words import Words
from heightnet.rows import Record

CERTAIN = 0.9
SPELT_OUT = 3  # members of a place that are told one by one; more stand in a table


def is_wrong(words: Words, finding: Record) -> str:
    """ "the instrument height of set-up S4 (over H3) is wrong"; of several, where it lies."""
    sure = claim(f"finding:{finding['order']}", "level", finding["level"], how_sure(finding))
    return f"{subject_of(words, finding)} {sure}"


def how_sure(finding: Record) -> str:
    if moved(finding):
        return "moved" if finding["level"] >= CERTAIN else "probably moved"
    are = "are" if exchanged(finding) else "is"
    return f"{are} wrong" if finding["level"] >= CERTAIN else f"{are} probably wrong"


def exchanged(finding: Record) -> bool:
    """Whether what is named are two values in each other's place."""
    return bool(finding["named"] and Thing.of(finding["id"]).kind in EXCHANGED)


def moved(finding: Record) -> bool:
    """Whether what is named is a stand that moved."""
    return bool(finding["named"] and Thing.of(finding["id"]).kind == "moved")


def subject_of(words: Words, finding: Record) -> str:
    """What a sentence about a finding begins with: "backsight and foresight at L5" of two that were exchanged."""
    if finding.get("event"):
        return events.told(words, finding)
    if not exchanged(finding):
        return place_of(words, finding)
    subject = words.called(finding["id"]).told
    return f"{subject}," if "," in subject else subject


def size_of(words: Words, finding: Record) -> str:
    of = f"finding:{finding['order']}"
    if finding["named"]:
        said = words.error(finding["id"], finding["error_mm"], finding["error_sd_mm"], of)
        return f"in each other's place, {said}" if exchanged(finding) else said
    if _one_size(finding):
        ids = [m["id"] for m in finding["members"]]
        said = claim(of, "error_mm", finding["error_mm"], words.lengths.about(finding["error_mm"]))
        high = f" too {'high' if finding['error_mm'] > 0 else 'low'}" if finding["same_sign"] else ""
        tells = "nothing here tells which" if len(ids) > 1 else "nothing here tells how"
        return f"by {said}{high}; {tells}"
    return "by how much depends on which it is"


def _one_size(finding: Record) -> bool:
    """Whether every member would be off by as much."""
    sizes = [abs(m["error_mm"]) for m in finding["members"]]
    return max(sizes) - min(sizes) <= 0.02 * max(sizes)


def place_of(words: Words, finding: Record) -> str:
    """What is told: the thing, or one of several in a place."""
    if finding["named"]:
        return events.in_short(words, finding) if finding.get("event") else words.label(finding["id"])
    ids = [m["id"] for m in finding["members"]]
    number = finding["count"]
    if number == 1:
        return words.label(ids[0])
    where = where_is(words, finding)
    if number <= SPELT_OUT and finding["place"]["kind"] != "section":
        return f"either {listing(ids, SPELT_OUT, 'or', called=words.label)}"
    rows = words.rows(ids) if number == len(ids) else ""
    listed = f" ({rows})" if rows else ""
    several = words.several(finding)
    if several.startswith("every "):
        return f"either {several}{where}{listed}"
    return f"one of {several}{where}{listed}"


def about(words: Words, findings: list[Record]) -> str:
    """What some findings are about, in a sentence."""
    told: dict[str, list[str]] = {}
    for finding in findings:
        place = place_of(words, finding)
        told.setdefault(plain(place), []).append(place)
    return listing([f"{count(len(of), 'time')} {of[0]}" if len(of) > 1 else of[0] for of in told.values()], 4)


def where_is(words: Words, finding: Record) -> str:
    """The place of a finding: " between W2 and W3, run out"; "" for a class or a list."""
    place = finding["place"]
    match place["kind"]:
        case "section":
            run = f", run {place['run']}" if place["run"] else ""
            return f" between {place['from_mark']} and {place['to_mark']}{run}"
        case "setup":
            return f" at set-up {place['setup']}"
        case "target":
            return f" of {words.target(place['target'])}"
        case "mark":
            return f" at mark {place['mark']}"
    return ""


def slip_of(words: Words, finding: Record) -> str:
    """The usual slip that would have made it, and how many of those it could be one of that slip fits."""
    slip, total, known = finding["slip"], finding["count"], len(finding["members"])
    if slip is None:
        return f"No usual slip has the size that {'any of them' if total > 1 else 'it'} would need."
    fits, of = slip["count"], f"finding:{finding['order']}"
    if fits == total:
        whom = ("it", "either of them")[total - 1] if total <= 2 else "each of them"
    elif fits == 1:
        whom = f"{words.label(slip['id'])} alone"
    else:
        of_whom = "of them" if known == total else f"of the first {known:,}"
        whom = f"{claim(of, 'slip.count', fits, f'{fits:,}')} {of_whom}"
    return f"A usual slip has the size that {whom} would need: {name(slip['text'])}."


def look_up(words: Words, finding: Record, most: int = SPELT_OUT) -> list[str]:
    """Where to look for one of several: the field book, or what would show a common error, which stands in no book."""
    ids = [m["id"] for m in finding["members"] if Thing.of(m["id"]).kind not in TOGETHER]
    rows = words.rows(ids) or listing(ids, most, called=words.label) if ids else ""
    return [*([f"Look up in the field book: {rows}."] if rows else []), *would_show(words, finding)]


def would_show(words: Words, finding: Record) -> list[str]:
    """What would show the common errors of a finding; of what is named what to do about it."""
    if finding["named"] and (said := events.advice(words, finding)):
        return said
    shows: dict[str, list[str]] = {}
    for one in finding["shown_by"]:
        shows.setdefault(one["what"], []).append(words.bare(one["id"]))
    return [
        f"{capital(what)} would show {'it' if finding['named'] else 'whether it is ' + listing(of, SPELT_OUT, 'or')}."
        for what, of in shows.items()
    ]


def stretch(words: Words, finding: Record) -> str:
    """The stretch of levelling that a finding lies in, between marks that last; "" where it is no such thing."""
    place = finding["place"]
    if place["kind"] == "section":
        setups = count(round(place["setups"]), "set-up") if place["setups"] else ""
        return f"from {place['from_mark']} to {place['to_mark']}{f' ({setups})' if setups else ''}"
    ids = [m["id"] for m in finding["members"]]
    if not {Thing.of(id).kind for id in ids} <= {"staff", "level"}:
        return ""
    marks: dict[str, None] = {}
    for r in (words.records[id] for id in ids if id in words.records):
        if "from_mark" in r:
            marks.update({r["from_mark"]: None, r["to_mark"]: None})
        elif r["name"] == r["mark"]:  # a change point is named by its run as well
            marks[r["mark"]] = None
    if len(marks) < 2:
        return ""
    ends = list(marks)
    return f"from {ends[0]} to {ends[-1]}" if len(ends) == 2 else f"between {listing(ends, 5)}"
