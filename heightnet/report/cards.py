"""The card of one height: readings and their reduction, verdict, causes, checks, and what could hide."""

from __future__ import annotations

import math
from collections import defaultdict

from heightnet.ledger.thing import Thing
from heightnet.report.check_words import often
from heightnet.report.claims import claim, is_claim, strong
from heightnet.report.document import Block, Bullets, Card, Note, Number, Numbers, Section, Table, Verdict
from heightnet.report.keys import Keys
from heightnet.report.numbers import NONE, fixed, listing
from heightnet.report.spoilt import Spoilt
from heightnet.report.words import VERDICTS, Words
from heightnet.rows import Record

FULL = 60  # so many heights get a full card, those that need attention first; the others a short one
SHORT = 2000  # beyond, only full cards: results.json has the rest
SIGHTS, LOOPS = 24, 6  # shown of each
LEAST_CAUSE = 0.01  # probability from which a cause is told
ASKING = ("suspect", "either", "unproved", "missing", "doubted", "weak")


def cards(words: Words, keys: Keys) -> list[Card]:
    """Cards of the set-ups in the order of the job, then of the targets that need attention."""
    order = list(VERDICTS)
    setups, targets = words.facts["setups"], words.facts["targets"]
    asking = [t for t in targets if t["verdict"] in ASKING]
    stands = [("setup", s) for s in setups] + [
        ("target", t) for t in sorted(asking, key=lambda t: order.index(t["verdict"]))[:FULL]
    ]
    ranked = sorted(range(len(stands)), key=lambda i: (order.index(stands[i][1]["verdict"]), i))
    full = set(ranked[:FULL])
    if len(stands) > SHORT:
        stands = [stand for i, stand in enumerate(stands) if i in full]
        full = set(range(len(stands)))
    shots = defaultdict(list)
    for shot in words.facts["shots"]:
        shots["setup", shot["setup"]].append(shot)
        shots["target", shot["target"]].append(shot)
    for satellite in words.facts.get("gnss", []):
        for end in ("from", "to"):
            if satellite[end]:
                shots["setup", satellite[end]].append(satellite)
    loops, spoilt = _loops_of(words), Spoilt(words, keys)
    return [
        _card(words, keys, spoilt, kind, stand, shots[kind, stand[kind]], loops.get((kind, stand[kind]), []), i in full)
        for i, (kind, stand) in enumerate(stands)
    ]


def _loops_of(words: Words) -> dict[tuple[str, str], list[tuple[int, Record]]]:
    """Which loops run through each set-up and target, by the sights and satellite heights in them."""
    found: dict[tuple[str, str], list[tuple[int, Record]]] = defaultdict(list)
    for number, loop in words.numbered("loops"):
        through: set[tuple[str, str]] = set()
        for id in loop["ids"]:
            kind, record = Thing.of(id).kind, words.records.get(id) or {}
            if kind in ("shot", "gnss"):
                ends = (("setup", "setup"), ("target", "target"), ("setup", "from"), ("setup", "to"))
                through |= {(stand, record[end]) for stand, end in ends if record.get(end)}
        for stand in through:
            found[stand].append((number, loop))
    return found


def _card(
    words: Words, keys: Keys, spoilt: Spoilt, kind: str, stand: Record, shots: list[Record],
    loops: list[tuple[int, Record]], full: bool,
) -> Card:  # fmt: skip
    key = keys.stand(stand)
    thing = stand["instrument"] if kind == "setup" else stand["equipment"]
    shared = f"shared {words.short(str(Thing('tripod', stand['tripod'])))}" if stand["tripod"] else ""
    who = ", ".join(part for part in (thing, stand["observer"], stand["when"], shared) if part)
    causes = [_cause(words, stand, cause) for cause in stand["causes"] if cause["probability"] >= LEAST_CAUSE]
    blocks: list[Block] = [Note(who, "when")] if who else []
    if full and stand["readings"]:
        blocks.append(Section("Readings", [Bullets([_reading(words, stand, r) for r in stand["readings"]])]))
    if causes:
        blocks.append(Section("What may have happened", [Bullets(causes, numbered=True)]))
    if full:
        blocks += _tested(words, keys, spoilt, kind, stand, shots, loops)
    return Card(
        key=key,
        about=keys.join(key, keys.mark(stand["mark"])),
        name=f"{'Set-up' if kind == 'setup' else 'Target'} {words.stand(stand)}",
        verdict=stand["verdict"],
        says=words.verdict(stand),
        blocks=blocks,
    )


def _tested(
    words: Words, keys: Keys, spoilt: Spoilt, kind: str, stand: Record, shots: list[Record],
    loops: list[tuple[int, Record]],
) -> list[Block]:  # fmt: skip
    """What tests a height: sights, loops, numbers."""
    blocks: list[Block] = []
    if checks := _checks(words, kind, stand):
        blocks.append(Section("What tests it, and what could hide", [Bullets(checks)]))
    if shots:
        blocks.append(_sights(words, keys, spoilt, kind, stand, shots))
    if loops:
        lines = [_loop(words, number, loop) for number, loop in loops[:LOOPS]]
        blocks.append(Section("Loops through it", [Bullets(lines)]))
    if statistics := _statistics(words, kind, stand):
        blocks.append(Numbers("Statistics", statistics))
    return blocks


def _cause(words: Words, stand: Record, cause: Record) -> str:
    of = f"cause:{stand['hypothesis']}:{cause['cause']}"
    return f"{words.cause(cause, stand['hypothesis'])}; {words.chance(of, cause['probability'])}"


def _reading(words: Words, stand: Record, reading: Record) -> str:
    """One reading: how it was taken, its reduction, and how it compares."""
    lengths, of = words.lengths, reading["id"]
    difference = reading["difference_mm"]
    if difference is None or stand["found_m"] is None:
        said = "nothing to compare it with"
    else:
        size = f"{lengths.small(difference, stand['error_sd_mm'])} {'higher' if difference > 0 else 'lower'}"
        said = f"{claim(of, 'difference_mm', difference, size)} than the rest of the job says"
    height = claim(of, "height_m", reading["height_m"], f"{lengths.height(reading['height_m'])} {lengths.name}")
    reduced = reduction(words, reading)
    how = f"{words.reading_note(reading)}{f': {reduced}' if reduced else ''}"
    return f"{strong(words.reading_name(reading))}, {how}. {strong(height)}; {said}."


def reduction(words: Words, reading: Record) -> str:
    """The reduction of a reading with its numbers, in the job's unit, "√(1.674² − 0.100²) = 1.6710"; "" of none."""
    lengths = words.lengths
    value, radius, offset = reading["value_m"], (reading["radius_mm"] or 0) / 1000, (reading["offset_mm"] or 0) / 1000
    if value is None or reading["height_m"] is None:
        return ""
    text = lengths.height(value)
    if reading["kind"] == "slant":
        text = f"√({text}² − {lengths.height(radius)}²)"
    if offset:
        text += f" {'+' if offset > 0 else '−'} {lengths.height(math.fabs(offset))}"
    same = reading["kind"] != "slant" and not offset
    return "" if same else f"{text} = {lengths.height(reading['height_m'])}"


PROVED_AGAINST = {
    "misreading": "A reading misread",
    "wrong_point": "The tape held to another point, or a slant taken for upright",
    "equipment": "Its pole, tape or observer wrong everywhere",
    "mark": "The mark under it wrong, or all that stood over it",
    "movement": "Moved between sights",
}
MISREAD_OR_WRONG = "Misread, held to another point, or a slant taken for upright"


def _proofs(words: Words, of: str, proofs: list[Record]) -> list[str]:
    """What each kind of error would show; a misreading and a wrong point are one where there is one reading."""
    one = len(proofs) > 1 and proofs[0]["least"] == proofs[1]["least"] is not None
    whats = [PROVED_AGAINST[proof["kind"]] for proof in proofs]
    if one:
        whats[1] = MISREAD_OR_WRONG
    return [_proof(words, of, i, proofs[i], whats[i]) for i in range(int(one), len(proofs))]


def _proof(words: Words, of: str, i: int, proof: Record, what: str) -> str:
    """From what size on an error of one kind shows, and where."""
    found = proof["found_mm"]
    if found is None:
        return f"{what}: nothing shows it."
    size = claim(of, f"proofs.{i}.found_mm", found, words.lengths.about(found))
    shown = listing([words.short(id) for id in proof["shown_in"]], 3)
    where = f", most in {shown}" if shown else ""
    least = f" ({words.label(proof['least'])})" if proof["kind"] == "equipment" and proof["least"] else ""
    of_marks = " at a mark" if proof["kind"] == "equipment" else ""
    enough = "" if proof["proved"] else ", beyond the tolerance"
    return f"{what}{least}: shows from {size}{of_marks}{enough}{where}."


def _checks(words: Words, kind: str, stand: Record) -> list[str]:
    if stand["hypothesis"] is None:
        return []
    of = words.key(stand)
    lines = [words.checks(stand)]
    same = [words.label(id) for id in stand["same_as"]]
    if same:
        lines.append(f"Nothing in the job can tell an error here from one in {listing(same, 3, 'or')}.")
    lines += _proofs(words, of, stand["proofs"])
    size = stand["smallest_found_mm"]
    moves = [(i, m) for i, m in enumerate(stand["moves"]) if m["per_mm"]][:4]
    if moves and size is not None:
        felt = [(i, m["mark"], round(m["per_mm"] * size, 4)) for i, m in moves]
        parts = [f"{mark} by {claim(of, f'moves.{i}.found_mm', mm, words.lengths.about(mm))}" for i, mark, mm in felt]
        shown = claim(of, "smallest_found_mm", size, words.lengths.about(size))
        lines.append(f"An error just too small to show ({shown}) would move {listing(parts)}.")
    elif moves:
        each = [(m["mark"], claim(of, f"moves.{i}.per_mm", m["per_mm"], f"{abs(m['per_mm']):.2f}")) for i, m in moves]
        parts = [f"{mark} by {part} of it" for mark, part in each]
        lines.append(f"An error here would move {listing(parts)}, and nothing would show it.")
    if stand["booked_m"] is not None and stand["recorded_m"] is not None and stand["readings"]:
        apart = round((stand["booked_m"] - stand["recorded_m"]) * 1000, 4)
        if abs(apart) >= 0.5:
            booked = f"{words.lengths.height(stand['booked_m'])} {words.lengths.name}"
            told = claim(of, "booked_m", stand["booked_m"], booked)
            off = claim(of, "booked_off_mm", apart, words.lengths.small(apart))
            lines.append(f"Booked as {told}, {off} off what its readings give.")
    return lines


def _sights(words: Words, keys: Keys, spoilt: Spoilt, kind: str, stand: Record, shots: list[Record]) -> Section:
    """The sights of a stand, or what an antenna observed, in a table."""
    antenna = kind == "setup" and stand["setup"] in words.antennas
    shown = shots[:SIGHTS]
    then = any(spoilt.afterwards(record) is not None for record in shown)
    rows: list[list[str | Verdict]] = []
    for record in shown:
        of, residual, after = record["id"], spoilt.residual(record), spoilt.afterwards(record)
        if not is_claim(residual):
            residual = claim(of, "residual_mm", record["residual_mm"], residual)
        row: list[str | Verdict] = [*_end(words, kind, stand, record), residual]
        if then:
            row.append("" if after is None else claim(of, "residual_then_mm", after, words.lengths.column(after)))
        rows.append([*row, Verdict(of, record["verdict"])])
    header = ["From or to " if antenna else "Sight ", "Distance", f"Residual, {words.lengths.small_short}"]
    header += [*(["Then"] if then else []), "Verdict "]
    lines = ["Then: the residual once what is likeliest wrong is left out."] if then else []
    what = "satellite heights" if antenna else "sights"
    if len(shots) > SIGHTS:
        lines.append(f"And {len(shots) - SIGHTS} more in the table of {what}.")
    return Section(what.capitalize(), [Table(header, rows, "", [keys.about(r["id"]) for r in shown]), *lines])


def _end(words: Words, kind: str, stand: Record, record: Record) -> tuple[str, str]:
    """Where a sight, or what an antenna observed, leads, and how far."""
    lengths = words.lengths
    if "from" in record:
        to, length = f"from {record['from']}" if record["to"] == stand["setup"] else f"to {record['to']}", "length_m"
        to = to if record["from"] else "height by a service"
    else:
        to = f"to {record['to_mark'] or record['target']}" if kind == "setup" else f"from set-up {record['setup']}"
        length = "horizontal_m"
    far = "" if record[length] is None else f"{lengths.distance(record[length])} {lengths.name}"
    return f"{to}, {words.at(record['file'], record['row'])}", far


def _loop(words: Words, number: int, loop: Record) -> str:
    names = listing(words.loop(loop), 5)
    return f"{names}: {words.loop_word(number, loop)} ({words.loop_size(number, loop)})"


def _statistics(words: Words, kind: str, stand: Record) -> list[Number]:
    lengths, m, of = words.lengths, words.lengths.small_short, words.key(stand)

    def one(name: str, fact: str, shown: str, meaning: str) -> Number:
        return Number(name, claim(of, fact, stand[fact], shown), meaning)

    if stand["hypothesis"] is None:
        return []
    column = lengths.column
    named = stand["smallest_named_mm"]
    never = named is None and words.facts["judgement"]["named_sizes"] and stand["smallest_found_mm"] is not None
    return [
        one(f"Estimated error, {m}", "error_mm", column(stand["error_mm"]),
            "recorded too high by so much, as the rest of the job has it (minus: too low)"),
        one(f"Its sd, {m}", "error_sd_mm", column(stand["error_sd_mm"]),
            "standard deviation of that error: 95 of 100 lie within 1.96 of them"),
        one("Error over its sd (w)", "w", fixed(stand["w"], 2),
            "at the stated precision; without any error it lies between −2 and 2 nineteen times in twenty"),
        one("Share that shows (redundancy number)", "redundancy", fixed(stand["redundancy"], 3),
            "the part of an error that the residuals show; 0: none"),
        one(f"Shows from, {m}", "smallest_found_mm", column(stand["smallest_found_mm"]),
            f"an error of this size is spoken of {often(words)}"),
        one(f"Named from, {m}", "smallest_named_mm", "never" if never else column(named),
            "an error of this size is laid on this height alone, nineteen times in twenty"),
        one("Chance that it is wrong", "probability",
            NONE if stand["probability"] is None else f"{stand['probability']:.4f}",
            "from the search over everything that could explain the job; 1 is certain"),
        one(f"Height from the rest of the job, {lengths.name}", "found_m", lengths.height(stand["found_m"]),
            "without any reading of this height"),
    ]  # fmt: skip
