"""The card of one height: readings and their reduction, verdict, causes, checks, and what could hide."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass

from heightnet.ledger.thing import Thing
from heightnet.report.claims import claim, is_claim
from heightnet.report.keys import Keys
from heightnet.report.method import Number
from heightnet.report.numbers import NONE, fixed, listing
from heightnet.report.spoilt import Spoilt
from heightnet.report.story import often
from heightnet.report.words import VERDICTS, Words
from heightnet.rows import Record

FULL = 60  # so many heights get a full card, those that need attention first; the others a short one
SHORT = 2000  # beyond, only full cards: results.json has the rest
SIGHTS = 24
LEAST_CAUSE = 0.01  # probability from which a cause is told
ASKING = ("suspect", "either", "unproved", "missing", "doubted", "weak")


@dataclass(frozen=True)
class ReadingLine:
    """One reading on a card."""

    name: str
    note: str
    reduction: str
    height: str
    difference: str


@dataclass(frozen=True)
class SightLine:
    to: str
    distance: str
    residual: str
    then: str
    about: str
    of: str
    verdict: str


@dataclass(frozen=True)
class Card:
    key: str
    about: str
    kind: str
    name: str
    verdict: str
    says: str
    when: str
    readings: list[ReadingLine]
    causes: list[str]
    checks: list[str]
    sights: list[SightLine]
    more_sights: int
    loops: list[str]
    statistics: list[Number]
    full: bool
    antenna: bool

    @property
    def open(self) -> bool:
        return self.verdict in ("suspect", "either")

    @property
    def then(self) -> bool:
        """Whether residuals change once what is wrong is left out."""
        return any(sight.then for sight in self.sights)


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
    key = keys.setup(stand["setup"]) if kind == "setup" else keys.target(stand["target"])
    word = "Set-up" if kind == "setup" else "Target"
    over = f" {'over' if kind == 'setup' else 'on'} {stand['mark']}" if stand["mark"] else ""
    thing = stand["instrument"] if kind == "setup" else stand["equipment"]
    shared = f"shared {words.short(str(Thing('tripod', stand['tripod'])))}" if stand["tripod"] else ""
    who = [thing, stand["observer"], stand["when"], shared]
    return Card(
        key=key,
        about=keys.join(key, keys.mark(stand["mark"])),
        kind=kind,
        name=f"{word} {stand[kind]}{over}",
        verdict=stand["verdict"],
        says=words.verdict(stand),
        when=", ".join(part for part in who if part),
        readings=[_reading(words, stand, reading) for reading in stand["readings"]] if full else [],
        causes=[_cause(words, stand, cause) for cause in stand["causes"] if cause["probability"] >= LEAST_CAUSE],
        checks=_checks(words, kind, stand) if full else [],
        sights=[_line(words, keys, spoilt, kind, stand, shot) for shot in shots[:SIGHTS]] if full else [],
        more_sights=max(0, len(shots) - SIGHTS) if full else 0,
        loops=[_loop(words, number, loop) for number, loop in loops[:6]] if full else [],
        statistics=_statistics(words, kind, stand) if full else [],
        full=full,
        antenna=kind == "setup" and stand["setup"] in words.antennas,
    )


def _cause(words: Words, stand: Record, cause: Record) -> str:
    of = f"cause:{stand['hypothesis']}:{cause['cause']}"
    return f"{words.cause(cause, stand['hypothesis'])}; {words.chance(of, cause['probability'])}"


def _reading(words: Words, stand: Record, reading: Record) -> ReadingLine:
    lengths, of = words.lengths, reading["id"]
    difference = reading["difference_mm"]
    if difference is None or stand["found_m"] is None:
        said = "nothing to compare it with"
    else:
        size = f"{lengths.small(difference, stand['error_sd_mm'])} {'higher' if difference > 0 else 'lower'}"
        said = f"{claim(of, 'difference_mm', difference, size)} than the rest of the job says"
    height = f"{lengths.height(reading['height_m'])} {lengths.name}"
    return ReadingLine(
        name=words.reading_name(reading),
        note=words.reading_note(reading),
        reduction=reduction(words, reading),
        height=claim(of, "height_m", reading["height_m"], height),
        difference=said,
    )


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


def _checks(words: Words, kind: str, stand: Record) -> list[str]:
    if stand["hypothesis"] is None:
        return []
    of = words.key(stand)
    lines = [words.checks(stand)]
    same = [words.label(id) for id in stand["same_as"]]
    if same:
        lines.append(f"Nothing in the job can tell an error here from one in {listing(same, 3, 'or')}.")
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


def _line(words: Words, keys: Keys, spoilt: Spoilt, kind: str, stand: Record, record: Record) -> SightLine:
    """A sight, or what an antenna observed."""
    lengths = words.lengths
    if "from" in record:
        if not record["from"]:
            to = "height by a service"
        else:
            to = f"from {record['from']}" if record["to"] == stand["setup"] else f"to {record['to']}"
        length, about = record["length_m"], keys.about(record["id"])
    else:
        to = f"to {record['to_mark'] or record['target']}" if kind == "setup" else f"from set-up {record['setup']}"
        length, about = record["horizontal_m"], keys.of(record)
    residual, then = spoilt.residual(record), spoilt.afterwards(record)
    if not is_claim(residual):
        residual = claim(record["id"], "residual_mm", record["residual_mm"], residual)
    return SightLine(
        to=f"{to}, row {record['row']}",
        distance="" if length is None else f"{lengths.distance(length)} {lengths.name}",
        residual=residual,
        then="" if then is None else claim(record["id"], "residual_then_mm", then, lengths.column(then)),
        about=about,
        of=record["id"],
        verdict=record["verdict"],
    )


def _loop(words: Words, number: int, loop: Record) -> str:
    names = listing(words.loop(loop), 5)
    return f"{names}: {words.loop_end(number, loop)} ({words.loop_size(number, loop)})"


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
