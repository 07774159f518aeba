"""The plan of measurements as a field sheet, in words."""

from __future__ import annotations

from heightnet.ledger.thing import TAPED, Thing
from heightnet.report.check_words import headline, state_word
from heightnet.report.claims import capital, claim, name
from heightnet.report.document import DOUBTFUL, SOUND, WRONG, Block, Document, Section, Step, Steps, Table
from heightnet.report.findings import about, look_up, would_show
from heightnet.report.measurements import BOXES, instruction
from heightnet.report.numbers import count, listing, minutes
from heightnet.report.pictures.next_steps import plan_picture
from heightnet.report.words import VERDICTS, Words
from heightnet.rows import Record
from heightnet.tasks.measurements import AT_THE_STAND, BY_TAPE

HEIGHTS_SHOWN = 40
NAMES_SHOWN = 8
RIVALS_SHOWN = 3
CHECKED_SHOWN = 4
AGAINST = {
    "misreading": "a misreading",
    "wrong_point": "a wrong point",
    "equipment": "what its equipment has wrong everywhere",
    "mark": "the mark under it",
    "movement": "a movement",
}
STILL_THERE = (
    "This counts on the stands that are sighted from or taped still being there; else plan with --gone, or with "
    "--stands and the names of those that do stand."
)


def plan_document(facts: Record) -> Document:
    """The facts as a field sheet."""
    words = Words(facts)
    contradicted = bool(facts["findings"]) or _unexplained(facts)
    tone = WRONG if contradicted else SOUND if facts["reached"] and facts["heights"] else DOUBTFUL
    parts = [
        p
        for p in (_route(words), _sheet(words), _waits(words), _left(words), _check_marks(words), _heights(words))
        if p
    ]
    takes = {**facts["minutes"], "walking a kilometre": facts["walking_min_km"]}
    foot = "Minutes are settings: " + ", ".join(f"{k.replace('_', ' ')} {v:g}" for k, v in takes.items())
    says = "What to measure" if facts["steps"] else "Nothing to measure"
    if contradicted:
        says = capital(state_word(words))
    blocks: list[Block] = [*plan_picture(words), *parts]
    return Document(words.title, tone, _headline(words), says, blocks, facts["job"]["invented"], f"{foot}.")


def _unexplained(facts: Record) -> bool:
    return facts["judgement"]["state"] in ("unclear", "unexplained")


def _headline(words: Words) -> str:
    facts = words.facts
    heights, steps, findings = facts["heights"], facts["steps"], facts["findings"]
    limit = words.limit
    done = _done(words)
    if findings and facts["judgement"]["state"] != "unexplained":
        measure = f": {done}" if steps else "" if facts["needs"] else ", in the field book"
        return f"First find out about {about(words, findings)}{measure}. Planning the rest waits for it."
    if findings or _unexplained(facts):
        return f"{headline(words, [])} Planning measurements waits for it."  # the gaps are what is planned for
    if not heights:
        return "There is no taped height in this job: nothing to plan for."

    def stated(text: str) -> str:
        return claim("plan", "reached", facts["reached"], text)

    left = [h for h in heights if not h["proved_after"]]
    if not steps and not left:
        return f"{stated('Every height is proved already')}, to {limit}: no more measurements are needed."
    if not steps and (budget := _too_small(facts)):
        return f"{stated(budget)}."
    if not steps:
        said = stated(f"{count(len(left), 'height')} cannot be proved")
        return f"{said} to {limit} by any measurement that this job allows."
    if (
        left
        and facts["budget_min"] is not None
        and not any(h["proved_after"] and not h["proved_before"] for h in heights)
    ):
        return f"{done}: {stated('they prove no height yet')}, to {limit}; the minutes are too few for that."
    if left:
        number = len(heights) - len(left)
        then = stated(f"then {count(number, 'height')} of {len(heights)} {'is' if number == 1 else 'are'} proved")
        return f"{done}: {then} to {limit}."
    return f"{done}: {stated('then every height is proved')} to {limit}."


def _too_small(facts: Record) -> str:
    """That no measurement fits into the minutes there are; "" where one would."""
    least, budget = facts["least_min"], facts["budget_min"]
    if least is None or budget is None or least <= budget:
        return ""
    return f"The budget of {budget:g} min is too small: the quickest measurement that helps takes {minutes(least)}"


def _done(words: Words) -> str:
    facts = words.facts
    total, walking = facts["total_min"], facts["walking_min"]
    told = claim("plan", "total_min", total, f"{minutes(total)} minute{'' if total == 1 else 's'}")
    way = f", {claim('plan', 'walking_min', walking, minutes(walking))} of them walking" if walking else ""
    desk = sum(step["kind"] == "look_up" for step in facts["steps"])
    parts = [
        *([f"{count(desk, 'height')} to look up"] if desk else []),
        *([count(len(facts["steps"]) - desk, "measurement")] if len(facts["steps"]) > desk else []),
    ]
    return f"{listing(parts)}, {told}{way}"


def _route(words: Words) -> Section | None:
    """The stops in the order of the walk, and what of the way is not known."""
    facts, lengths = words.facts, words.lengths
    route, unplaced = facts["route"], facts["unplaced"]
    lines: list[str | Table] = []
    if facts["walking_min"] is not None and (len(route) > 1 or facts["start"]):
        rows = []
        for stop in route:
            steps = [str(number) for number in stop["steps"]]
            far = stop["metres"]
            way = ["", ""] if far is None else [lengths.distance(far), minutes(stop["minutes"])]
            rows.append([name(stop["mark"]), listing(steps, len(steps)), *way])
        begins = f"From {name(facts['start'])}, in straight" if facts["start"] else "Straight"
        lines += [
            f"{begins} lines between the marks; the way back, and the pole's way to its mark, are not in it.",
            Table(["stop ", "steps ", f"walk, {lengths.name}", "walk, min"], rows),
        ]
    if unplaced and (len(route) > 1 or facts["start"]):
        whom = listing([name(mark) for mark in unplaced], NAMES_SHOWN) if len(unplaced) < len(route) else "the stops"
        lines.append(f"The way to {whom} is not counted: the table marks has no east and north of them.")
    return Section("Route", lines) if lines else None


def _sheet(words: Words) -> Section | None:
    facts = words.facts
    if not facts["steps"]:
        return None
    steps = []
    for step in facts["steps"]:
        takes = f"{minutes(step['minutes'])} min ({minutes(step['minutes_so_far'])})."
        steps.append(Step(f"{instruction(words, step, sure=True)} {takes}", _gain(words, step), BOXES[step["kind"]]))
    unsaid = not facts["gone"] and facts["stands"] is None and not facts["planned"]
    counts_on = unsaid and any(s["kind"] in AT_THE_STAND for s in facts["steps"])
    why = dict.fromkeys(f"Why: {step['why']}." for step in facts["steps"] if step["kind"] in BY_TAPE)
    return Section("Field sheet", [Steps(steps), *([STILL_THERE] if counts_on else []), *why])


def _gain(words: Words, step: Record) -> str:
    """What a step brings: which of several is wrong, and what it proves."""
    before = words.facts["steps"][: step["order"] - 1]
    told = {one["finding"] for other in before for one in other["separates"]}  # once is enough
    parted = [_parted(words, step, i) for i, one in enumerate(step["separates"]) if one["finding"] not in told]
    return " ".join(filter(None, [*parted, _proves(words, step)]))


def _parted(words: Words, step: Record, i: int) -> str:
    """Which members of a finding a step tells from which."""
    one = step["separates"][i]
    groups = [outcome["ids"] for outcome in one["outcomes"]]
    apart = claim(
        f"step:{step['order']}", f"separates.{i}.apart_mm", one["apart_mm"], words.lengths.about(one["apart_mm"])
    )
    if not all(groups):
        (id_,) = [id_ for ids in groups for id_ in ids]
        return f"It shows whether {words.label(id_)} is as listed: if not, it comes out {apart} off."

    def some(ids: list[str]) -> str:
        return listing(ids, RIVALS_SHOWN, "or", called=words.label)

    told = f"{some(groups[0])} from {some(groups[1])}" if len(groups) == 2 else listing([some(ids) for ids in groups])
    more = "" if len(groups) == 2 else " apart"
    return f"It tells {told}{more}: what comes out differs by {apart}{' at least' if more else ''}."


def _proves(words: Words, step: Record) -> str:
    """What a step proves."""
    of = f"step:{step['order']}"
    if step["kind"] == "look_up":
        return "A wrong figure, another list or another mark shows at the desk."
    if step["kind"] == "relevel":
        return f"The error lies there with a chance of {words.of_100(of, step['probability'])}."

    def size(i: int, fact: str, nothing: str) -> str:
        mm = step["improves"][i][fact]
        return claim(of, f"improves.{i}.{fact}", mm, nothing if mm is None else words.lengths.about(mm))

    kinds = {one["id"]: listing([AGAINST[kind] for kind in one["kinds"]]) for one in step["proves_kinds"]}
    proved = [i for i, gain in enumerate(step["improves"]) if gain["id"] in step["proves"]]
    told = proved or list(range(min(2, len(step["improves"]))))
    says = []
    for i in told:
        id_ = step["improves"][i]["id"]
        against = f" against {kinds.pop(id_)}" if id_ in kinds else ""
        sizes = f"{size(i, 'before_mm', 'an error of any size')} could hide, then {size(i, 'after_mm', 'any size')}"
        says.append(f"{words.called(id_).noun}{against} ({sizes})")
    beside = [f"{words.called(id_).noun} against {against}" for id_, against in kinds.items()]
    shown = f"{'It proves besides' if says else 'Proves'} {listing(beside, 3)}." if beside else ""
    if not says and step["separates"]:
        return shown
    if not says:
        return shown or "It is another way to that height, whatever was taped."
    return f"{'Proves' if step['proves'] else 'A step towards proving'} {listing(says, 3)}. {shown}".strip()


def _waits(words: Words) -> Section | None:
    """What a contradiction asks for that is no measurement of the plan."""
    facts = words.facts
    needs = {need["finding"]: need["what"] for need in facts["needs"]}
    told = {step["finding"] for step in facts["steps"]} | needs.keys()
    lines = [line for finding in facts["findings"] if finding["order"] in needs for line in would_show(words, finding)]
    for finding in facts["findings"]:
        members = [m["id"] for m in finding["members"]]
        planned = finding["order"] in told or (facts["steps"] and any(Thing.of(id_).kind in TAPED for id_ in members))
        if not planned:
            lines += look_up(words, finding, NAMES_SHOWN)
        elif finding["order"] in facts["unparted"]:
            lines += _unparted(words, finding)
    return Section("Before any measurement", lines) if lines else None


def _unparted(words: Words, finding: Record) -> list[str]:
    """That no measurement tells which of several it is."""
    ids = [m["id"] for m in (*finding["members"], *finding["mates"])]
    known = all(Thing.of(id_).kind == "known" for id_ in ids)
    third = "; a sight or levelling from one more known mark would" if known else ""
    which = listing(list(dict.fromkeys(ids)), RIVALS_SHOWN, "or", called=words.label)
    said = f"Nothing that can be measured between the marks and stands of this job tells which it is, {which}{third}."
    return [said, *([] if known else look_up(words, finding, NAMES_SHOWN))]


def _left(words: Words) -> Section | None:
    facts = words.facts
    left = [h for h in facts["heights"] if not h["proved_after"]]
    if not left or facts["findings"] or _unexplained(facts):
        return None
    lines = []

    def names(some: list[Record]) -> str:
        return listing([words.called(h["id"]).noun for h in some], NAMES_SHOWN)

    short, never = [h for h in left if h["reachable"]], [h for h in left if not h["reachable"]]
    if short:
        lines.append(f"For lack of minutes: {names(short)}.")
    if facts["dropped"]:
        number = count(len(facts["dropped"]), "measurement")
        there = listing(list(dict.fromkeys(name(one["from_mark"]) for one in facts["dropped"])), NAMES_SHOWN)
        lines.append(f"Left out because the way there leaves no minutes for them: {number}, at {there}.")
    again = [h for h in never if h["accused"] and words.is_antenna(h["id"])]
    if again:
        lines.append(f"A repeat occupation of its mark, the height taped anew, takes the place of {names(again)}.")
    if never:
        lines.append(f"No measurement between marks and stands of this job proves: {names(never)}.")
    if facts["cut"]:
        many = f"{facts['candidates']:,}"
        lines.append(
            f"Only {many} candidates were weighed, those of the heights with most to hide: plan again after these."
        )
    return Section("What these do not prove", lines)


def _check_marks(words: Words) -> Section | None:
    """Known marks worth a sight, before going out."""
    marks = words.facts["check_marks"]
    if not marks:
        return None
    rows = []
    for i, one in enumerate(marks):
        number, of = len(one["proves"]), f"check_marks.{i}.count"
        names = listing([words.called(id_).noun for id_ in one["proves"]], CHECKED_SHOWN)
        proved = claim("plan", of, number, f"{number}: {names}")
        rows.append(
            [name(one["mark"]), listing([name(s) for s in one["setups"]], NAMES_SHOWN), minutes(one["minutes"]), proved]
        )
    said = (
        "A pole of known height on one of these known marks, sighted from the set-ups named, would prove heights that "
        "the job as it is designed leaves open; each mark by itself, without the steps above."
    )
    return Section(
        "Check marks worth carrying", [said, Table(["mark ", "sighted from ", "minutes", "heights it proves "], rows)]
    )


def _heights(words: Words) -> Section | None:
    facts, lengths = words.facts, words.lengths
    heights = facts["heights"]
    if not heights:
        return None

    def size(h: Record, fact: str) -> str:
        return claim(h["id"], fact, h[fact], "no limit" if h[fact] is None else lengths.column(h[fact]))

    order = sorted(heights, key=lambda h: (h["proved_before"], not h["accused"], -(h["before_mm"] or 1e9)))
    waits = bool(facts["findings"]) or _unexplained(facts)
    rows = [
        [
            words.called(h["id"]).noun, claim(h["id"], "verdict", h["verdict"], VERDICTS[h["verdict"]]),
            size(h, "before_mm"), size(h, "after_mm"), lengths.column(h["goal_mm"]),
            "waits" if waits and not h["proved_after"] else
            claim(h["id"], "proved_after", h["proved_after"], "proved" if h["proved_after"] else "NOT PROVED"),
        ]
        for h in order[:HEIGHTS_SHOWN]
    ]  # fmt: skip
    small = lengths.small_short
    lines = ["The smallest error that would show, now and after these steps."]
    if len(heights) > len(rows):
        lines.append(f"{HEIGHTS_SHOWN} of {len(heights):,}; all are in plan.json.")
    header = ["height ", "is now ", f"now, {small}", f"then, {small}", f"goal, {small}", "then "]
    return Section("Heights", [*lines, Table(header, rows)])
