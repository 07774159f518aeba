"""The answers of a check in plain sentences, in the order in which a person asks them.

Everything is said from the judgement's facts; nothing is decided here.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from heightnet.gaps import HEIGHTS, not_proved, row_tables
from heightnet.ledger.thing import MISNAMED, TAPED, Thing, kind_of
from heightnet.report.claims import capital, claim, plain
from heightnet.report.document import DOUBTFUL, SOUND, WRONG, Bullets, Document, Section
from heightnet.report.events import still_right
from heightnet.report.findings import (
    SPELT_OUT,
    about,
    exchanged,
    how_sure,
    is_wrong,
    look_up,
    place_of,
    size_of,
    slip_of,
    stretch,
    subject_of,
    would_show,
)
from heightnet.report.measurements import gain, instruction
from heightnet.report.namer import counted
from heightnet.report.numbers import count, listing, of_100
from heightnet.report.repeats_words import precision_lines, traverse_line
from heightnet.report.words import IN_DOUBT, SCREENING, STATES, VERDICTS, Words, doubts, read_with_doubt, unused
from heightnet.rows import Record, column

SETTLES_MM = 15.0  # a tripod that sinks further than this was kicked; another slip is likelier
TONES = {
    "closes": SOUND, "scatters": DOUBTFUL, "unclear": WRONG, "wrong": WRONG, "many": WRONG, "unexplained": WRONG,
    "untested": DOUBTFUL,
}  # fmt: skip
TOLD = 3  # findings told in full
ORDINALS = ("the first", "the second", "the third")
SHORT_LIST = 6
WITHOUT = {"setup": "set-up", "target": "target"}


def check_document(facts: Record) -> Document:
    """The whole story of a job."""
    words = Words(facts)
    findings, state = words.facts["findings"], words.facts["judgement"]["state"]
    answers = [("Is something wrong?", _is_something_wrong(words))]
    if state not in ("closes", "untested") and (lines := doubts(words.facts)):
        answers.append((IN_DOUBT, lines))
    if findings and state != "unexplained":
        answers.append(("Why?", _why(words)))
        answers.append(("What did it do to the marks?", _what_it_did(words)))
    answers.append(("What to do in the field", what_to_do(words)))
    answers.append(("What was tested", [*_tested(words), *unused(words.facts["notes"])]))
    answers.append(("What nothing here can prove", _cannot_prove(words)))
    tone = TONES[state]
    if tone == SOUND and _gaps(words):
        tone = DOUBTFUL
    return Document(
        title=words.title,
        tone=tone,
        doubted=read_with_doubt(words.facts),
        headline=headline(words),
        says=capital(state_word(words)),
        blocks=[*traverse_line(words), *(Section(question, [Bullets(lines)]) for question, lines in answers)],
        invented=words.facts["job"]["invented"],
    )


# ---- what was not tested ----


def _heights(words: Words, *names: str) -> Iterator[tuple[Any, ...]]:
    """Some values of every height, set-ups first; where a name differs between the tables, "setup/target"."""
    for number, table in enumerate(HEIGHTS):
        of_table = [name.split("/")[min(number, name.count("/"))] for name in names]
        yield from zip(*(column(words.facts[table], name) for name in of_table), strict=True)


def with_verdict(words: Words, verdict: str) -> list[str]:
    """Ids of the heights of one verdict, a shared stand once."""
    return list(dict.fromkeys(id for id, one in _heights(words, "hypothesis", "verdict") if one == verdict and id))


def untested_rows(words: Words) -> dict[str, list[str]]:
    """Ids of the sights, levelled rows and satellite heights that nothing tests, by table."""
    return _rows_with(words, "unproved")


def weak_rows(words: Words) -> dict[str, list[str]]:
    """Ids of the levelled rows and satellite heights in which an error of the tolerance could hide, by table."""
    return _rows_with(words, "weak")


def _rows_with(words: Words, verdict: str) -> dict[str, list[str]]:
    out = {}
    for table in (table for table in not_proved()[verdict] if table not in HEIGHTS):
        records = words.facts.get(table, [])
        if len(records):
            rows = zip(column(records, "id"), column(records, "verdict"), strict=True)
            if ids := [id for id, one in rows if one == verdict]:
                out[table] = ids
    return out


def without_height(words: Words) -> list[str]:
    """Ids of set-ups over a mark, and of targets on one, for which no height was recorded."""
    return [
        str(Thing(kind, stand))
        for kind in ("setup", "target")
        for stand, verdict in zip(*(column(words.facts[f"{kind}s"], n) for n in (kind, "verdict")), strict=True)
        if verdict == "missing"
    ]


def _gaps(words: Words) -> list[str]:
    """What is not tested, or not well, as loud as what is: phrases for the headline."""
    out = _untested(words)
    for verdict, said in (("weak", f"tested only for errors above {words.limit}"), ("doubted", _word("doubted"))):
        for table, ids in ({"heights": with_verdict(words, verdict)} | _rows_with(words, verdict)).items():
            if ids:
                number = claim(table, verdict, len(ids), count(len(ids), counted(table)))
                out.append(f"{number} {_are(len(ids))} {said}")
    return out + relative(words)


def _untested(words: Words) -> list[str]:
    return untested_phrases(words, with_verdict(words, "unproved"), untested_rows(words), without_height(words))


def untested_phrases(words: Words, bare: list[str], rows: dict[str, list[str]], missing: list[str]) -> list[str]:
    """What nothing tests: heights, rows of each table, and stands without any height."""
    out = []
    if bare:
        names = listing(bare, 4, called=words.short)
        number = claim("heights", "unproved", len(bare), count(len(bare), "height"))
        out.append(f"{number} {_are(len(bare))} {_word('unproved')}: {names}")
    for table, ids in rows.items():
        if len(ids) == 1:
            out.append(f"{claim(ids[0], 'verdict', 'unproved', 'nothing tests')} {words.label(ids[0])}")
            continue
        said = claim(table, "unproved", len(ids), f"nothing tests {count(len(ids), counted(table))}")
        out.append(f"{said}: {rows_told(words, ids)}")
    for kind, where in (("setup", "at {} over a mark"), ("target", "of {} on a mark")):
        if of_kind := [id for id in missing if kind_of(id) == kind]:
            said = f"no height was recorded {where.format(count(len(of_kind), WITHOUT[kind]))}"
            names = listing(of_kind, 4, called=words.short)
            out.append(f"{claim(f'{kind}s', 'missing', len(of_kind), said)}: {names}")
    return out


def rows_told(words: Words, ids: list[str]) -> str:
    """Some rows of a table in few words."""
    return words.rows(ids) if len(ids) > TOLD and words.rows(ids) else listing(ids, TOLD, called=words.short)


def relative(words: Words) -> list[str]:
    """That there is no known mark, as a phrase."""
    if not words.facts["judgement"]["relative"]:
        return []
    return [claim("judgement", "relative", True, "there is no known mark, so all heights are relative")]


def _word(verdict: str) -> str:
    return claim("vocabulary", "verdict", verdict, VERDICTS[verdict])


def _are(number: int) -> str:
    return "is" if number == 1 else "are"


# ---- the headline ----


def headline(words: Words, untested: list[str] | None = None) -> str:
    """The state of the job, what is wrong in it, and what was not tested.

    untested : phrases for what nothing tests, by default from the tables of results.json.
    """
    facts = words.facts
    judgement, findings = facts["judgement"], facts["findings"]
    state = judgement["state"]

    def stated(text: str) -> str:
        return claim("judgement", "state", state, text)

    gaps = _gaps(words) if state in ("closes", "scatters", "untested") else []
    if state == "closes":
        if gaps:
            return f"{stated('It closes')}, but {_joined(gaps)}."
        if not (len(facts["setups"]) or len(facts["targets"])):
            return f"{stated('It closes')}."
        return f"{stated('It closes')}: an error of {words.limit} in any height would have shown."
    if state not in ("closes", "scatters", "untested"):  # beside what is wrong only what nothing tests at all
        gaps = (_untested(words) + relative(words)) if untested is None else untested
    tail = f" {capital(_joined(gaps))}." if gaps else ""
    if state == "untested":
        said = stated("Nothing tests this job: no measurement is more than needed, so none contradicts another")
        return f"{said}.{tail}"
    if state == "scatters":
        said = stated("It closes, but its readings scatter")
        return f"{said} about {_times(words)} as stated: check the stated precision.{tail}"
    if state == "unclear":
        first = _most_likely(words, findings)
        wrong = words.of_100("judgement", judgement["probability"])
        return (
            f"{stated('This job contradicts itself, and does not show where')}: either a value is wrong ({wrong}"
            f"{first}), or its readings scatter {_times(words)} as stated.{tail}"
        )
    if state == "unexplained":
        few = claim("judgement", "blunders", judgement["blunders"], count(judgement["blunders"], "error"))
        said = f"{stated('This job contradicts itself')}, and {few} would not explain it"
        return f"{said}: look at it part by part.{tail}"
    if state == "many":
        return f"{stated('Many things are wrong in this job')}, probably {about(words, findings)}.{tail}"
    if len(findings) > 1:
        number = claim("findings", "count", len(findings), f"{len(findings)} things")
        return f"{number} {stated('are wrong in this job')}: {about(words, findings)}.{tail}"
    subject, size = capital(subject_of(words, findings[0])), size_of(words, findings[0])
    return f"{subject} {stated(how_sure(findings[0]))}: {size}.{tail}"


def _joined(parts: list[str]) -> str:
    return "; ".join(parts)


def _times(words: Words) -> str:
    """How much more than stated the readings scatter: "1.6 times as much"."""
    key, _, factor = max(words.scatter(), key=lambda one: one[2])
    return claim("fit", key, factor, f"{factor:.1f} times as much")


def _most_likely(words: Words, findings: list[Record]) -> str:
    if not findings:
        return ""
    named = [words.short(m["id"]) for m in findings[0]["members"][:3]]
    return f"; most likely {', then '.join(named)}"


# ---- is something wrong? ----


def _is_something_wrong(words: Words) -> list[str]:
    facts = words.facts
    fit, judgement, findings = facts["fit"], facts["judgement"], facts["findings"]
    state = judgement["state"]
    if state == "untested":
        return ["Nothing can be said: every measurement is needed, so none contradicts another."]
    if state in ("closes", "scatters"):
        needed = fit["observations"] - fit["redundancy"]
        total = claim("fit", "observations", fit["observations"], count(fit["observations"], "measurement"))
        would_do = claim("fit", "needed", needed, f"{needed:,} would do")
        spare = claim("fit", "redundancy", fit["redundancy"], f"{fit['redundancy']:,} spare")
        agree = "agrees" if fit["redundancy"] == 1 else "agree"
        if state == "closes":
            return [f"{total} where {would_do}; the {spare} {agree}.", *_not_looked_at(words)]
        fewer = words.of_100("judgement", judgement["probability"])
        return [
            f"{total} where {would_do}; the {spare} ones disagree by more than the stated "
            f"precision allows, but everywhere alike: that any value is wrong is no likelier than {fewer}.",
            *_not_looked_at(words),
        ]
    if state == "unexplained":
        return _nothing_explains(words)
    lines = [line for finding in findings[:TOLD] for line in _told(words, finding)]
    if len(findings) > TOLD:
        lines.append(f"Also: {listing([place_of(words, f) for f in findings[TOLD:]], 4)}.")
    if state == "many":
        lines.append("So many at once can hardly be told apart: believe none of them before it is measured again.")
        lines += _bears(words)
    lines += _sets(words)
    if not facts["cross_check"]["agrees"] and judgement["second_search"] == "made" and state == "wrong":
        other = listing(facts["cross_check"]["best_subset"], 3, called=words.label) or "nothing"
        lines.append(f"A second way of searching blames {other}: read the other explanations before deciding.")
    return lines + _not_looked_at(words)


def _nothing_explains(words: Words) -> list[str]:
    """Of a job that no few errors explain: what would explain most of it, as a lead."""
    findings = words.facts["findings"]
    lines = [
        "No few errors explain it: with the likeliest left out the rest still contradicts itself, or they are more "
        "than so few spare measurements can bear. Nothing in it is cleared, and nothing is accused."
    ]
    if findings:
        leads = listing([words.short(f["members"][0]["id"]) for f in findings], 6)
        lines.append(f"Begin where most would be explained: {leads}.")
    return lines + _bears(words) + _not_looked_at(words)


def _bears(words: Words) -> list[str]:
    judgement = words.facts["judgement"]
    if judgement["bears"] is None:
        return []
    bears = claim("judgement", "bears", judgement["bears"], count(judgement["bears"], "error"))
    return [f"A job with so few spare measurements bears no more than {bears}."]


def _told(words: Words, finding: Record) -> list[str]:
    """One finding: the verdict, the size, how sure."""
    of = f"finding:{finding['order']}"
    certainty = words.certainty(of, finding["probability"])
    if finding["named"]:
        said = f"{capital(is_wrong(words, finding))}: {size_of(words, finding)}. {certainty} {still_right(finding)}"
        mates = [
            f"{words.label(m['id'])} ({words.of_100(f'{of}.mates.{i}', m['probability'])})"
            for i, m in enumerate(finding.get("mates") or [])
        ]
        return [said.strip(), *([f"Nothing in the job parts it from {listing(mates, 2)}."] if mates else [])]
    ids = [m["id"] for m in finding["members"]]
    if finding["count"] > SPELT_OUT:
        told = [f"{capital(is_wrong(words, finding))}: {size_of(words, finding)}. {certainty}"]
        if finding["level"] == 0:  # the chance is that of being wrong at all, so that no "if" may stand before it
            told = [f"Of what may be wrong the likeliest is {place_of(words, finding)}. {certainty}"]
        return [*told, *_of_large_classes(finding)]
    parts = [
        f"{words.label(m['id'])}, {words.error(m['id'], m['error_mm'], m['error_sd_mm'], f'{of}.members.{i}')}, "
        f"{words.chance(f'{of}.members.{i}', m['probability'])}"
        for i, m in enumerate(finding["members"])
    ]
    if len(ids) == 1:
        return [f"{capital(parts[0])}."]
    if finding["level"] == 0:
        return [f"Of what may be wrong the likeliest is {'; or '.join(parts)}."]
    sure = claim(of, "level", finding["level"], how_sure(finding))
    return [f"One of these {sure}, and nothing in the job tells which: {'; or '.join(parts)}."]


def _of_large_classes(finding: Record) -> list[str]:
    if finding["count"] <= 10:
        return []
    return ["Two errors among them show only their sum, and two that are equal and opposite do not show at all."]


def _sets(words: Words) -> list[str]:
    """Sets as sets, where what is wrong overlaps or none of them is likely by itself."""
    explanations, findings = words.facts["explanations"], words.facts["findings"]
    several = [e for e in explanations[:SPELT_OUT] if len(e["members"]) > 1]
    ways = any(f["place"]["kind"] == "thing" and not f["named"] for f in findings)
    if not several or not (ways or (explanations[0]["probability"] < 0.5 and len(findings) > 1)):
        return []
    told = []
    for number, e in enumerate(explanations[:SPELT_OUT], start=1):
        names = listing([words.short(m["id"]) for m in e["members"]], 4) or "nothing"
        told.append(f"{names} ({words.of_100(f'explanation:{number}', e['probability'])})")
    return [f"As sets: {'; or '.join(told)}."]


def _not_looked_at(words: Words) -> list[str]:
    judgement = words.facts["judgement"]
    if judgement["searched"] >= 0.99 and judgement["stopped"] != "seconds":
        return []
    number = of_100(judgement["searched"])
    roughly = "" if "than" in number else "about "
    share = claim("judgement", "searched", judgement["searched"], number)
    why = {"seconds": "the search was stopped after the seconds asked for", "budget": "the search came to its budget"}
    said = why.get(judgement["stopped"], "not every combination was tried")
    return [f"Of the probability {roughly}{share} was looked at: {said}."]


# ---- why? ----


def _why(words: Words) -> list[str]:
    lines: list[str] = []
    findings = words.facts["findings"]
    for finding in findings[:TOLD]:
        if not finding["named"]:
            lines += _why_one_of(words, finding)
        elif said := _why_named(words, finding):
            lines.append(f"{words.lead(finding['id'])}{said}" if len(findings) > 1 else capital(said))
    lines += _given_away(words, findings[:TOLD])
    wrong_readings = [c for c in words.facts["reading_checks"] if not c["agrees"]]
    lines += [reading_check(words, check) for check in wrong_readings[:2]]
    once = {plain(line): line for line in lines}
    return list(once.values()) or ["The size gives no hint. Look at the field book for these rows."]


def _given_away(words: Words, findings: list[Record]) -> Iterator[str]:
    """What the record itself shows of what is told, where that is not its likeliest cause."""
    told = [m["id"] for finding in findings for m in finding["members"][:SPELT_OUT]]
    likely = {id: next((c["cause"] for c in _causes(words, id)), "") for id in told}
    for record in words.facts["screening"]:
        thing = Thing.of(record["id"])
        stand = words.stand_of(record["id"])[1]["hypothesis"] if thing.kind == "reading" else record["id"]
        about = next((id for id in (record["id"], stand) if id in likely), None)
        if about and record["rule"] not in ("readings_disagree", likely[about]):
            yield screening(words, record)


def _why_named(words: Words, finding: Record) -> str:
    """What would make one wrong thing so; "" where nothing is known to."""
    id = finding["id"]
    causes = _causes(words, id)
    suspect = next((s for s in words.facts["suspects"] if s["id"] == id), None)
    if causes and causes[0]["cause"] != "none":
        return f"{_likely_cause(words, id, [c for c in causes if c['cause'] != 'none'])}."
    if suspect and suspect["cause_text"] and suspect["cause"] != "none":
        return f"{suspect['cause_text'].rstrip('.')}."
    if Thing.of(id).kind == MISNAMED:
        return "with the other name it agrees with the rest of the job."
    if exchanged(finding):
        return "booked the other way round, the two values agree with the rest."
    if slip := finding["slip"]:
        return f"{slip['text']} has this size."
    if Thing.of(id).kind == "spell":
        return "no usual slip has this size."
    if Thing.of(id).kind in TAPED:
        return "no usual slip has this size. Look at the field book, and ask who taped it."
    return ""


def _causes(words: Words, id: str) -> list[Record]:
    return words.records.get(id, {}).get("causes") or []


def _likely_cause(words: Words, id: str, causes: list[Record]) -> str:
    def told(cause: Record) -> str:
        of = f"cause:{id}:{cause['cause']}"
        return f"{words.cause(cause, id)}; {words.chance(of, cause['probability'])}"

    rivals = [c for c in causes[1:3] if c["probability"] and c["probability"] >= 0.1]
    return "; or ".join(told(c) for c in (causes[0], *rivals))


def _why_one_of(words: Words, finding: Record) -> list[str]:
    """A slip that would fit some of several, and that nothing but it tells them apart."""
    said, findings = slip_of(words, finding), words.facts["findings"]
    if finding["slip"] is None:
        said += " Look at the field book for these rows."
    elif finding["slip"]["count"] == finding["count"] and _one_class(words, finding):
        said += " Each would leave exactly these misclosures."
    if len(findings) > 1:
        said = f"Of {ORDINALS[findings.index(finding)]}: {said[0].lower()}{said[1:]}"
    return [said]


def _one_class(words: Words, finding: Record) -> bool:
    """Whether nothing in the job tells the members of a finding from one another."""
    ids = {m["id"] for m in finding["members"]}
    parts = (
        {m["id"], *also} for e in words.facts["explanations"] for m, also in zip(e["members"], e["also"], strict=True)
    )
    return any(ids <= part for part in parts)


def screening(words: Words, record: Record) -> str:
    """A hard check of a value itself."""
    kind = words.records.get(record["id"], {}).get("kind") or ""
    said = str(SCREENING.get(record["rule"], record["rule"])).format(
        value=words.lengths.height_in_words(record["value_m"]),
        other=words.label(record["other_id"]) if record["other_id"] else "another one",
        other_value=words.lengths.height_in_words(record["other_value_m"]),
        kind=kind,
        other_kind={"slant": "vertical"}.get(kind, "slant"),
    )
    return capital(f"{words.label(record['id'])} {said}.")


def reading_check(words: Words, check: Record) -> str:
    """Two readings of one stand against each other."""
    of = f"check:{_number(words, check)}"
    size = claim(of, "difference_mm", check["difference_mm"], words.lengths.small(check["difference_mm"]))
    change = check.get("change_mm")
    where = f"set-up {check['stand']}" if check["what"] == "setup" else check["stand"]
    if check["what"] == "target":
        where = words.target(check["stand"])
    if check["agrees"]:
        pair = "two readings" if change is None else "readings before and after"
        return f"The {pair} at {where} agree: {size} apart."
    slip = check["slip_text"].rstrip(".") if check["slip_text"] else ""
    if change is None:
        said = f"The readings at {where} disagree by {size}{f': {slip}' if slip else ''}"
    else:
        said = _before_and_after(words, of, change, where)
        said += f"; {slip}" if slip and not -SETTLES_MM < change < 0 else ""
    side = check.get("sides_with")
    if side in ("first", "second"):
        said += f"; the rest of the job sides with {words.reading_name(words.records[check[side]])}"
    elif side == "neither" and change is None:
        said += "; the rest of the job sides with neither"
    return f"{said}."


def _number(words: Words, check: Record) -> int:
    """The place of a comparison of two readings in results.json."""
    readings = check["first"], check["second"]
    found = (n for n, other in words.numbered("reading_checks") if (other["first"], other["second"]) == readings)
    return next(found, 0)


def _before_and_after(words: Words, of: str, change: float, where: str) -> str:
    """Two readings at different times that disagree."""
    size = f"{words.lengths.small(abs(change))} {'lower' if change < 0 else 'higher'}"
    why = "the stand settled, or one of them is wrong" if change < 0 else "a stand does not rise, so one is wrong"
    return f"At {where} the height read after is {claim(of, 'change_mm', change, size)} than the one before: {why}"


# ---- what did it do? ----


def _what_it_did(words: Words) -> list[str]:
    lines = []
    findings = words.facts["findings"]
    for finding in findings[:TOLD]:
        if finding["named"]:
            moved = words.moved(finding["moved"], f"finding:{finding['order']}")
            lines.append(f"{words.lead(finding['id'])}i{moved[1:]}" if len(findings) > 1 else moved)
    divided = [m for m in words.facts["marks"] if m["corrected_height_m"] is None and len(m["heights"]) > 1]
    if divided:
        lines.append(f"{'; '.join(words.two_minds(m) for m in divided[:SHORT_LIST])}.")
        if len(divided) > SHORT_LIST:
            more = len(divided) - SHORT_LIST
            lines.append(f"So {_are(more)} {count(more, 'more mark')}: see the table of marks.")
        if shot := _deciding(words):
            lines.append(shot)
    elif not lines:
        lines.append("How far it moved which marks depends on which of them is wrong.")
    named = any(f["named"] for f in findings)
    lines.append(
        "The corrected heights are computed without what is named. Your files are as they were."
        if named and not divided
        else "Heights that hang on it have no single number. Your files are as they were."
        if divided
        else "Your files are as they were."
    )
    return lines


def _deciding(words: Words) -> str:
    """The measurement that would decide between two heights: it proves the one thing in doubt, or one of two."""
    doubtful = {m["id"] for f in words.facts["findings"] if f["count"] <= 2 for m in f["members"]}
    steps = (s for s in words.facts["next_measurements"] if doubtful & {s["tests"], *s["proves"]})
    if (step := next(steps, None)) is None:
        return ""
    match step["kind"]:
        case "second_tape":
            return f"A second taping of {words.short(step['tests'])} would decide."
        case "reoccupation" | "antenna_reoccupation":
            return f"Another occupation of {step['from_mark']} would decide."
    what = "A line levelled" if step["kind"] == "level_tie" else "A sight"
    return f"{what} from {step['from_mark']} to {step['mark']} would decide."


# ---- what to do ----


def what_to_do(words: Words) -> list[str]:
    facts = words.facts
    steps, findings = facts["next_measurements"], facts["findings"]
    lines = []
    for finding in findings[:TOLD] if facts["judgement"]["state"] != "unexplained" else []:
        if along := stretch(words, finding):
            lines.append(f"Level {along} again before its heights are used.")
        elif finding["parted_by"]:
            lines.append(f"{capital(finding['parted_by'])} would tell which of them it is.")
        elif not finding["named"] and finding["count"] > 1:
            lines += look_up(words, finding)
        elif finding["named"] and (shows := would_show(words, finding)):
            lines += shows
        elif finding["named"] and (again := _again(words, finding["id"])):
            lines.append(again)
    lines += [f"{instruction(words, step)} {gain(words, step)}".strip() for step in steps[:3]]
    if lines:
        return lines
    if findings:
        return ["Look these rows up in the field book, and observe them again before their heights are used."]
    if facts["judgement"]["state"] == "unexplained":
        return ["Measure it again in parts that close by themselves, each part checked before the next one is begun."]
    if facts["judgement"]["state"] == "scatters":
        return ["Find out how well these readings really agree: the precision stated for them is too good."]
    if bare := [id for ids in untested_rows(words).values() for id in ids]:
        told = listing(bare, SPELT_OUT, called=words.label)
        return [f"Observe once more, from another set-up where that can be: {told}."]
    if weak_rows(words):
        return [
            "Where an error of that size matters: level another line between marks that stay, to test each part alone."
        ]
    if facts["judgement"]["relative"]:
        return ["Tie the job to a known mark, and to a second one that proves the first."]
    return ["Nothing needs to be observed again for the blunders this check looks for."]


def _again(words: Words, id: str) -> str:
    """What to do about one wrong thing that none of the next measurements is about; "" where one is."""
    thing = Thing.of(id)
    if thing.kind == "reading":
        id = words.stand_of(id)[1]["hypothesis"]
    if any(id in (step["tests"], *step["proves"]) for step in words.facts["next_measurements"]):
        return ""
    if thing.kind == "setup" and thing.name in words.antennas:
        over = words.setups[thing.name]["mark"]
        return (
            f"Put the antenna up again over {over}, tape it anew to another point, before and after, and observe "
            "again: a repeat occupation is the proof."
        )
    if thing.kind in ("shot", "gnss"):
        return f"Look up in the field book, and observe again: {words.label(id)}."
    return f"Look up in the field book: {words.label(id)}."


# ---- what was proved, and what cannot be ----


def _tested(words: Words) -> list[str]:
    tables = [t for t in (*HEIGHTS, *row_tables()) if len(words.facts.get(t, []))]
    lines = [f"{capital(words.counts(table))}." for table in tables]
    sizes = [
        size
        for table in tables
        for verdict, size in zip(
            *(column(words.facts[table], n) for n in ("verdict", "smallest_found_mm")), strict=True
        )
        if verdict == "proved" and size is not None
    ]
    if sizes:
        most = claim("proved", "smallest_found_mm", max(sizes), words.lengths.about(max(sizes)))
        each = "" if max(sizes) - min(sizes) < 0.1 else " Each has its own size in its list."
        lines.append(
            f"{capital(_word('proved'))} means here: an error of {most} would have shown, {often(words)}.{each}"
        )
    if sizes and (others := _others_proved(words)):
        lines.append(others)
    for key, of, factor in words.scatter():
        if factor >= 1.35:
            times = claim("fit", key, factor, f"{factor:.1f} times")
            lines.append(f"The {of} scatter about {times} as much as stated: check the stated precision.")
    return [*lines, *precision_lines(words)] or ["Nothing: the job holds no height to test."]


BESIDE = {
    "equipment": "of what equipment has wrong everywhere",
    "mark": "of the mark under a stand",
    "movement": "of a stand that moved between two sights",
}


def _others_proved(words: Words) -> str:
    """Of how many heights errors of other kinds than a misreading or a wrong point would show."""
    parts = []
    for n, one in words.numbered("proof_kinds"):
        if one["kind"] in BESIDE and one["heights"]:
            proved, of = (claim(f"proof_kinds:{n}", fact, one[fact], str(one[fact])) for fact in ("proved", "heights"))
            parts.append(f"{BESIDE[one['kind']]} ({proved} of {of})")
    said = "That is one misreading, or a wrong point. So much would have shown, too,"
    return f"{said} {listing(parts)}." if parts else ""


def often(words: Words) -> str:
    """How often what would have shown does: "four times in five" for a power of .8."""
    power = words.facts["settings"]["test"]["power"]
    usual = {0.5: "every other time", 0.75: "three times in four", 0.8: "four times in five", 0.9: "nine times in ten"}
    return claim("settings", "power", power, usual.get(round(power, 3), f"{100 * power:.0f} times in 100"))


def _cannot_prove(words: Words) -> list[str]:
    facts = words.facts
    lines = []
    bare = with_verdict(words, "unproved")
    for kind, one, plural in (
        ("setup", f"the {words.stood} height of", f"the {words.stood} heights of"),
        ("target", "the height of", "the heights of"),
        ("tripod", "the height of the shared", "the heights of the shared"),
    ):
        if of_kind := [id for id in bare if kind_of(id) == kind]:
            names = f"{one if len(of_kind) == 1 else plural} {listing(of_kind, 6, called=words.short)}"
            lines.append(f"Nothing tests {names}: an error of any size there would not show.")
    for table, ids in untested_rows(words).items():
        names = words.rows(ids) or listing(ids, 6, called=words.short)
        told = f"the {counted(table)}s in {names}" if len(ids) > 1 else words.label(ids[0])
        lines.append(f"Nothing tests {told}.")
    for id in without_height(words)[:3]:
        said = claim(id, "verdict", "missing", "no height was recorded for it")
        thing = Thing.of(id)
        stands = f"set-up {thing.name} stands over" if thing.kind == "setup" else f"{words.short(id)} is on"
        lines.append(f"{capital(stands)} a mark, and {said}.")
    heights = _heights(words, "hypothesis", "verdict", "smallest_found_mm")
    weak = {id: size for id, verdict, size in heights if verdict == "weak"}
    if weak:
        worst = max(weak, key=lambda id: weak[id] or 0.0)
        names = listing(list(weak), 6, called=words.short)
        size = words.size(worst, "smallest_found_mm", weak[worst]) if weak[worst] is not None else "any size"
        lines.append(f"Up to {size} could hide in {names}.")
    for table, ids in weak_rows(words).items():
        found = dict(zip(column(facts[table], "id"), column(facts[table], "smallest_found_mm"), strict=True))
        sizes = {id: float(found[id] or 0.0) for id in ids}
        worst = max(sizes, key=lambda id: sizes[id])
        size, where = words.size(worst, "smallest_found_mm", sizes[worst]), words.short(worst)
        if len(ids) > 1:
            alike = sizes[worst] - min(sizes.values()) < 0.1
            all_of_them = count(len(ids), counted(table))
            where = f"each of {all_of_them}" if alike else f"{where}, tested least of {all_of_them}"
        lines.append(f"Up to {size} could hide in {where}.")
    lines += [common_error(words, error) for error in facts["common_errors"] if not error["harmless"]][:3]
    lines += _like_separations(words)
    harmless = [words.label(e["id"]) for e in facts["common_errors"] if e["harmless"]]
    if harmless:
        lines.append(f"An error common to {listing(harmless, 2)} does not show, and does no harm: it cancels.")
    for lost in facts["undetermined"][:3]:
        kind = {"mark": "mark", "setup": "set-up", "target": "target"}[lost["kind"]]
        lines.append(f"The height of {kind} {lost['name']} is not known: {lost['reason'].rstrip('.')}.")
    loose = [p for p in facts["pieces"] if not p["tied"]]
    for piece in loose[:2]:
        lines.append(
            f"The heights of {listing(piece['marks'], 3)} are relative: no known mark is tied to them"
            + (f" ({piece['datum_mark']} was held at 0)." if piece["datum_mark"] else ".")
        )
    lines.append("This check cannot see: errors smaller than these, two that cancel, and one that every height shares.")
    return lines


def _like_separations(words: Words) -> list[str]:
    """What looks the same as separations that are all wrong alike."""
    model = words.facts.get("separation_model")
    same = model["same_as"] if model else []
    if not same:
        return []
    labels = listing(same, 3, "or", called=words.label)
    return [
        f"An error common to {labels} looks the same in this job as one common to all separations: nothing here tells "
        "one from the other. An antenna of another model on a known mark, or a level read to an antenna's reference "
        "point, would."
    ]


def common_error(words: Words, error: Record) -> str:
    """An error of one kind alike that nothing in the job can show."""
    label = words.label(error["id"])
    if error["harmless"]:
        return f"An error common to {label} would not show, and does no harm: it cancels."
    marks = listing([m["mark"] for m in error["moves"]], 4)
    said = f"An error common to {label} would not show" + (f", and would move {marks}" if marks else "")
    shot = error["shot_that_would_show"]
    return f"{said}. {capital(shot.rstrip('.'))} would show it." if shot else f"{said}."


def state_word(words: Words) -> str:
    """The word for the job's state, as a claim."""
    state = words.facts["judgement"]["state"]
    return claim("judgement", "state", state, STATES[state])
