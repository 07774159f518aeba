"""What ``heightnet bust`` found, in words."""

from __future__ import annotations

from heightnet.ledger.thing import LEVELLED, Thing
from heightnet.report import book_words
from heightnet.report.book_words import between as _between
from heightnet.report.check_words import TONES, headline, relative, state_word, untested_phrases
from heightnet.report.claims import capital, claim, name
from heightnet.report.document import DOUBTFUL, SOUND, Document, Section, Table
from heightnet.report.findings import is_wrong, place_of, size_of, slip_of
from heightnet.report.namer import SIGHTS
from heightnet.report.numbers import NONE, count, fixed, listing
from heightnet.report.pictures.levelled import bust_picture
from heightnet.report.words import IN_DOUBT, LIMIT, Words, doubts, read_with_doubt, unused
from heightnet.rows import Record

RIVALS_SHOWN = 12
LOOPS_SHOWN = 12
MISSES_SHOWN = 8
STEPS_SHOWN = 20
LIKELY_CAUSE = 0.3  # probability from which a cause is told of a reading
UNBALANCED_M = 20.0
TWO_PEGS = (
    "Test the level by two pegs and adjust it; until then keep back and fore sights equal. A new levelling with "
    "unequal sights would miss alike."
)
TESTED = (
    "The job's own test by two pegs stands below: adjust the level by it; until then keep back and fore sights equal, "
    "and level what had unequal ones again."
)
FAULTS = {
    "no_backsight": "has no backsight",
    "no_foresight": "has no foresight",
    "several_backsights": "has more than one backsight",
    "several_foresights": "has more than one foresight",
    "gap": "does not begin on the point where the set-up before it ended",
}


def bust_document(facts: Record) -> Document:
    """The facts as a short report."""
    words = Words(facts)
    tone = TONES[facts["judgement"]["state"]]
    if tone == SOUND and (facts["faults"] or facts["arithmetic"]["slips"] or facts["misclosed"] or _gaps(words)):
        tone = DOUBTFUL
    parts: list[Section | None] = []
    not_read = [Section("What was read", lines)] if (lines := unused(facts["notes"])) else []
    if (facts["findings"] or facts["misclosed"]) and (lines := doubts(facts)):
        parts.append(Section(IN_DOUBT, lines))
    parts += [_misses(words), *(_rivals(words, finding) for finding in facts["findings"])]
    parts += [book_words.sets_of_busts(words), _plan(words), _book(words), book_words.level_tests(words)]
    parts += [_sections(words), _loops(words), book_words.hides(words), *not_read]
    return Document(
        title=words.title,
        tone=tone,
        doubted=read_with_doubt(facts),
        headline=_headline(words),
        says=capital(state_word(words)),
        blocks=[*bust_picture(words), *(part for part in parts if part)],
        invented=facts["job"]["invented"],
        foot=f"What may be missed: {facts['closing']['name']}.",
    )


def _headline(words: Words) -> str:
    facts = words.facts

    def stated(text: str) -> str:
        return claim("bust", "verdict", facts["verdict"], text)

    match facts["verdict"]:
        case "untested":
            said = stated("Nothing closes on anything: no bust in this job could show")
            return f"{said}. Level back, or tie to a second mark."
        case "closes":
            every = (*facts["book"], *facts["sections"], *facts["loops"])
            outside = sum((one["closes"] is False) for one in every)
            said = stated(
                "No reading is accused, though something misses by a little more than its limit"
                if outside
                else "Everything that can be compared closes, and no reading is accused"
            )
            return f"{said}.{_faulty(facts)}{_but(words)}"
        case "misses":
            more = stated("It misses by more than the limit")
            said = f"{more}, but by no more than the stated precision lets expect: no reading is accused."
            return f"{said}{_faulty(facts)}{_but(words)}"
    findings, steps, said = facts["findings"], facts["plan"]["steps"], headline(words, _gaps(words))
    if (
        len(findings) == 1
        and (r := _of(words, findings[0])[0])["collimation_mm_per_10m"] is not None
        and r["id"] == (findings[0]["id"])
    ):
        return f"{stated('The level is out of adjustment')}: its line of sight {_slope(r)}."
    if facts["verdict"] == "narrowed" and len(findings) == 1 and steps:
        return f"{said} {stated('Level')} from {_stretch(steps[0])} again ({_setups(steps[0]['setups'])})."
    return said


def _gaps(words: Words) -> list[str]:
    """What nothing tests: as loud as that the rest closes, or does not."""
    of = words.facts["untested"]
    return [*untested_phrases(words, of["heights"], of["rows"], of["without_height"]), *relative(words)]


def _but(words: Words) -> str:
    gaps = _gaps(words)
    return f" But {'; '.join(gaps)}." if gaps else ""


def _faulty(facts: Record) -> str:
    """That the form of the book, or its arithmetic, is at fault is as loud as that it closes."""
    said = []
    if facts["faults"]:
        said.append(f" But {count(len(facts['faults']), 'fault')} of its form must be mended first.")
    if slips := facts["arithmetic"]["slips"]:
        said.append(f" The book's own arithmetic has {count(len(slips), 'slip')}.")
    return "".join(said)


def _of(words: Words, finding: Record) -> list[Record]:
    """The members of a finding, as rivals."""
    return [r for r in words.facts["rivals"] if r["finding"] == finding["order"]]


def _slope(r: Record) -> str:
    per = r["collimation_mm_per_10m"]
    said = f"reads {abs(per):.1f} mm too {'high' if per > 0 else 'low'} at 10 m"
    return claim(f"rival:{r['order']}", "collimation_mm_per_10m", per, said)


def error(words: Words, r: Record) -> str:
    """How wrong one member of a finding would be."""
    if r["collimation_mm_per_10m"] is not None:
        return _slope(r)
    return words.error(r["id"], r["error_mm"], r["error_sd_mm"], f"rival:{r['order']}")


# ---- does it close ----


def _misses(words: Words) -> Section | None:
    """The misclosures that a book is judged by: between known marks, and of what was levelled more than once."""
    facts, lengths = words.facts, words.lengths
    records = [
        *((f"book:{i}", "misclosure_mm", one, _run_name(one)) for i, one in enumerate(facts["book"], start=1)
          if one["misclosure_mm"] is not None),
        *((f"section:{i}", "difference_mm", one, f"{_between(one)}, {_name(one['first'])} and {_name(one['second'])}")
          for i, one in enumerate(facts["sections"], start=1)),
    ]  # fmt: skip
    outside = [one for one in records if one[2]["closes"] is False]
    lines = []
    for of, fact, one, called in outside[:MISSES_SHOWN]:
        size = claim(of, fact, one[fact], lengths.small(abs(one[fact])))
        said = claim(of, "closes", one["closes"], LIMIT[False])
        lines.append(f"{capital(called)}: {size}, may {lengths.small(one['allowed_mm'])}: {said}.")
    if within := len(records) - len(outside):
        lines.append(f"{count(within, 'other' if outside else 'misclosure')} within the limit.")
    loops = [(i, loop) for i, loop in enumerate(facts["loops"], start=1) if loop["closes"] is False]
    if loops:
        worst, loop = max(loops, key=lambda one: abs(one[1]["misclosure_mm"]))
        size = claim(f"loop:{worst}", "misclosure_mm", loop["misclosure_mm"], lengths.small(abs(loop["misclosure_mm"])))
        lines.append(f"{count(len(loops), 'loop')} of {len(facts['loops']):,} outside the limit, the worst by {size}.")
    return Section(f"Does it close? The limit is {facts['closing']['name']}", lines) if lines else None


def _run_name(run: Record) -> str:
    return f"run {name(run['run'])}, {_between(run)}" if run["run"] else _between(run)


# ---- what explains it ----


def _rivals(words: Words, finding: Record) -> Section:
    rivals, of = _of(words, finding), f"finding:{finding['order']}"
    if finding["named"]:
        r = rivals[0]
        joined = ": it" if r["collimation_mm_per_10m"] is not None else ","
        told = f"{capital(words.label(r['id']))}{joined} {error(words, r)}."
        if finding["event"]:
            told = f"{capital(is_wrong(words, finding))}: {size_of(words, finding)}."
        return Section(
            "What explains it",
            [f"{told} {words.certainty(of, finding['probability'])}", *_why(words, r, finding["slip"])],
        )
    sure = words.certainty(of, finding["probability"])
    lines = [f"{capital(place_of(words, finding))}. {sure}"]
    if finding["level"] == 0:
        lines = [f"Of what may be wrong the likeliest is {place_of(words, finding)}. {sure}"]
    lines.append(slip_of(words, finding))
    if finding["count"] > 1 and len({r["class"] for r in rivals}) == 1:
        lines.append("Each of them would leave exactly these misclosures; the book alone cannot tell which.")
    if finding["count"] > 10:
        lines.append("Two errors among them show only their sum, and two that are equal and opposite do not show.")
    if finding["count"] > len(rivals[:RIVALS_SHOWN]):
        number = claim(of, "count", finding["count"], f"{finding['count']:,}")
        told = "all are" if finding["count"] == len(rivals) else f"the first {len(rivals):,} are"
        lines.append(f"The table has the first {len(rivals[:RIVALS_SHOWN])} of {number}; {told} in bust.json.")
    return Section("What would explain it", [*lines, _table(words, rivals[:RIVALS_SHOWN])])


def _why(words: Words, r: Record, slip: Record | None) -> list[str]:
    """The usual slips that would make such an error, likeliest first."""
    told: list[str] = []
    if r["collimation_mm_per_10m"] is not None:
        return told  # it says so itself
    for cause in r["causes"][:2]:
        if cause["cause"] != "none" and cause["probability"] >= LIKELY_CAUSE:
            likely = words.chance(f"cause:{r['id']}:{cause['cause']}", cause["probability"])
            told.append(f"{words.cause(cause, r['id'])}; {likely}")
    if told:
        return [f"{capital('; or '.join(told))}."]
    if slip:
        return [f"{capital(name(slip['text'].rstrip('.')))} has this size."]
    return ["No usual slip has this size."] if r["causes"] else []


def _table(words: Words, rivals: list[Record]) -> Table:
    """The readings in question as they stand in the book, and what each would be."""
    lengths, rows = words.lengths, []
    all_staff = all(Thing.of(r["id"]).kind == "staff" for r in rivals)
    for r in rivals:
        of = f"rival:{r['order']}"
        likely = words.of_100(of, r["probability"])
        booked = lengths.height(r["recorded_m"])
        would = NONE if r["would_be_m"] is None else claim(of, "would_be_m", r["would_be_m"], _height(words, r))
        if all_staff:
            at = words.records[r["id"]]
            sight, mark = SIGHTS.get(at["sight"] or "", "staff reading"), at["name"] or at["mark"]
            page = [name(words.page_of(at["file"], [at["row"]]) or NONE)] if words.pages else []
            where = [name(at["level_setup"]), name(at["run"] or NONE), sight, name(mark), str(at["row"])]
            rows.append([*page, *where, booked, would, likely])
        else:
            rows.append([words.label(r["id"]), booked, would, error(words, r), likely])
    if all_staff:
        page = ["in the book "] if words.pages else []
        return Table([*page, "set-up ", "run ", "sight ", "on ", "row", "booked", "would be", "chance"], rows)
    return Table(["what ", "booked", "would be", "that is ", "chance"], rows)


def _height(words: Words, r: Record) -> str:
    """What a reading would be, as fine as it is known."""
    return words.lengths.height_in_words(r["would_be_m"], r["error_sd_mm"]).partition(" ")[0]


# ---- what to level again ----


def _stretch(step: Record) -> str:
    run = name(f", run {listing(step['runs'])},") if step["runs"] else ""
    return f"{_between(step)}{run}"


def _setups(number: float) -> str:
    return count(round(number), "set-up")


def _plan(words: Words) -> Section | None:
    facts = words.facts
    plan, findings = facts["plan"], facts["findings"]
    steps = plan["steps"]
    if findings and all(f["named"] for f in findings):
        if all(Thing.of(f["id"]).pair[0] == "collimation" for f in findings):
            tests = [t for t in facts["level_tests"] if t["collimation_mm_per_10m"] is not None]
            return Section("What to do", [TESTED if tests else TWO_PEGS])
        if not {Thing.of(f["id"]).kind for f in findings} & {*LEVELLED, "shot"}:
            return Section("What to do", ["No levelling mends it: `heightnet check` says what to measure instead."])
    if not findings or not steps:
        return None
    rows = [
        [
            _between(s), name(listing(s["runs"], 3)) or NONE, f"{s['setups']:g}",
            words.of_100(f"step:{s['order']}", s["probability"]),
            f"{s['setups_so_far']:g}",
        ]
        for s in steps[:STEPS_SHOWN]
    ]  # fmt: skip
    several = len(findings) > 1
    until = f"until it has differed from the old {count(len(findings), 'time')}: so many busts there are"
    lines = [
        f"In this order, {until if several else 'until the new levelling differs from the old'}; it compares at every "
        "mark it passes."
    ]
    if len(steps) > STEPS_SHOWN:
        lines.append(f"The table has the first {STEPS_SHOWN} of {len(steps):,} sections; all are in bust.json.")
    if len(steps) > 1 and not several:
        mean = claim("plan", "expected_setups", plan["expected_setups"], f"{plan['expected_setups']:.0f} set-ups")
        lines.append(f"On average that takes {mean}; all of it would be {plan['all_setups']:,g}.")
    if (split := plan["split"]) and not several:
        likely = words.of_100("plan", split["probability"], "split.probability")
        sections = f"first {split['steps']} sections" if split["steps"] > 1 else "first section"
        lines.append(
            f"If it is in one of these, it is in the {sections}, {_setups(split['setups'])}, in {likely} cases."
        )
    lines += _if_it_agrees(words, steps)
    if len(steps) == 1 and steps[0]["setups"] > 3:
        lines.append("No mark that can be found again lies between: leave pegs on the way, and halves can be compared.")
    if round(plan["outside"], 2) > 0:
        likely = words.of_100("plan", plan["outside"], "outside")
        lines.append(
            f"That it is no reading, but a known height or the level itself, has a chance of {likely}. Then every "
            "section agrees with the old levelling: tie to another known mark, and test the level by two pegs."
        )
    table = Table(["section ", "run ", "set-ups", "chance", "so far"], rows)
    return Section("What to level again", [*lines, table])


def _if_it_agrees(words: Words, steps: list[Record]) -> list[str]:
    """What to do where the new levelling of the first section agrees with the old one."""
    first = _between(steps[0])
    if len(steps) > 1 and len(words.facts["findings"]) > 1:
        return [f"If {first} agrees with the old levelling, none of its readings was wrong: go on all the same."]
    if len(steps) > 1:
        return [
            f"If {first} agrees with the old levelling, it was none of its readings: go on with {_between(steps[1])}."
        ]
    return [
        f"If {first} agrees with the old levelling, what is wrong is not in it: check the known heights against their "
        "list, and level on from another mark."
    ]


# ---- what closes and what does not ----


def _book(words: Words) -> Section | None:
    facts, lengths = words.facts, words.lengths
    if not facts["book"]:
        return None
    lines = []
    for fault in facts["faults"]:
        of = f" of run {fault['run']}" if fault["run"] else ""
        at = name(f"Set-up {fault['level_setup']}{of}")
        lines.append(f"{at} {FAULTS[fault['kind']]} ({fault['file']}, {words.at(fault['file'], fault['row'])}).")
    lines += book_words.slips(words)
    rows = [
        [
            name(run["run"]) or NONE, _between(run), f"{run['setups']:g}",
            lengths.height(run["backsights_m"]), lengths.height(run["foresights_m"]), lengths.height(run["rise_m"]),
            lengths.height(run["expected_m"]), *_missed(words, f"book:{i}", "misclosure_mm", run),
        ]
        for i, run in enumerate(facts["book"], start=1)
    ]  # fmt: skip
    for run in facts["book"]:
        if run["imbalance_m"] is not None and abs(run["imbalance_m"]) > UNBALANCED_M:
            where = name(f"Run {run['run']}") if run["run"] else f"From {_between(run)}"
            lines.append(
                f"{where}: backsights and foresights differ by {fixed(abs(run['imbalance_m']), 0)} m in all; a level "
                "whose line of sight is not level shows in that."
            )
    small = lengths.small_short
    header = ["run ", "from, to ", "set-ups", "sum BS", "sum FS", "rise", "should be", f"misses, {small}", "may", " "]
    return Section("Does the arithmetic of the book close?", [*lines, Table(header, rows)])


def _missed(words: Words, of: str, fact: str, record: Record) -> list[str]:
    """What something misses, what it may miss, and whether it keeps that."""
    missed, closes = record[fact], record["closes"]
    said = "not tested" if missed is None else LIMIT[closes]
    size = NONE if missed is None else claim(of, fact, missed, words.lengths.column(missed))
    return [size, words.lengths.column(record["allowed_mm"]), claim(of, "closes", closes, said)]


def _sections(words: Words) -> Section | None:
    lengths = words.lengths
    rows = [
        [
            _between(s), f"{_name(s['first'])} / {_name(s['second'])}",
            lengths.height(s["first"]["rise_m"]), lengths.height(s["second"]["rise_m"]),
            *_missed(words, f"section:{i}", "difference_mm", s),
        ]
        for i, s in enumerate(words.facts["sections"], start=1)
    ]  # fmt: skip
    if not rows:
        return None
    header = ["section ", "runs ", "rise", "and", f"differ, {lengths.small_short}", "may", " "]
    return Section("Sections levelled more than once", [Table(header, rows)])


def _name(levelling: Record) -> str:
    return name(levelling["run"]) or {"trig": "sights", "levels": "levelled", "staff": "levelled"}[levelling["kind"]]


def _loops(words: Words) -> Section | None:
    facts, lengths = words.facts, words.lengths
    loops = sorted(
        enumerate(facts["loops"], start=1), key=lambda one: (one[1]["closes"], one[1]["length_km"] or 0)
    )  # fmt: skip
    if not loops:
        return None
    rows = [
        [
            name(listing(words.loop(loop), 5, "and")), fixed(loop["length_km"], 3),
            *_missed(words, f"loop:{i}", "misclosure_mm", loop),
        ]
        for i, loop in loops[:LOOPS_SHOWN]
    ]  # fmt: skip
    lines = [] if len(loops) <= LOOPS_SHOWN else [f"{LOOPS_SHOWN} of {len(loops):,}; all are in bust.json."]
    if facts["closing"]["stated"] and any("expected" in loop["by"] for _, loop in loops):
        lines.append("Where no length or count is recorded, three times what the job expects is allowed.")
    header = ["loop ", "km", f"misses, {lengths.small_short}", "may", " "]
    return Section("Loops, and known marks against each other", [*lines, Table(header, rows)])
