"""The card of one height: readings and their reduction, verdict, causes, checks, and what could hide."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import Any

from heightnet.report.keys import Keys
from heightnet.report.numbers import chance, fixed, listing
from heightnet.report.words import VERDICTS, Words

Record = dict[str, Any]

FULL = 60  # so many heights get a full card, those that need attention first; the others a short one
SHORT = 2000  # beyond, only full cards: results.json has the rest
SIGHTS = 24


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
    about: str
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
    statistics: list[tuple[str, str]]
    full: bool
    antenna: bool

    @property
    def open(self) -> bool:
        return self.verdict in ("suspect", "either")


def cards(words: Words, keys: Keys) -> list[Card]:
    """Cards of the set-ups in the order of the job, then of the targets that need attention."""
    order = list(VERDICTS)
    setups, targets = words.facts["setups"], words.facts["targets"]
    asking = [t for t in targets if t["verdict"] in ("suspect", "either", "unproved", "weak")]
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
    loops = _loops_of(words)
    return [
        _card(words, keys, kind, stand, shots[kind, stand[kind]], loops.get((kind, stand[kind]), []), i in full)
        for i, (kind, stand) in enumerate(stands)
    ]


def _loops_of(words: Words) -> dict[tuple[str, str], list[Record]]:
    """Which loops run through each set-up and target, by the sights and satellite heights in them."""
    found: dict[tuple[str, str], list[Record]] = defaultdict(list)
    for loop in words.facts["loops"]:
        through: set[tuple[str, str]] = set()
        for id in loop["ids"]:
            if not id.startswith(("shot:", "gnss:")) or (record := words.records.get(id)) is None:
                continue
            if id.startswith("shot:"):
                through |= {("setup", record["setup"]), ("target", record["target"])}
            else:
                through |= {("setup", record[end]) for end in ("from", "to") if record[end]}
        for stand in through:
            found[stand].append(loop)
    return found


def _card(
    words: Words, keys: Keys, kind: str, stand: Record, shots: list[Record], loops: list[Record], full: bool
) -> Card:
    key = keys.setup(stand["setup"]) if kind == "setup" else keys.target(stand["target"])
    word = "Set-up" if kind == "setup" else "Target"
    over = f" {'over' if kind == 'setup' else 'on'} {stand['mark']}" if stand["mark"] else ""
    thing = stand["instrument"] if kind == "setup" else stand["equipment"]
    who = [thing, stand["observer"], stand["when"], f"shared stand {stand['tripod']}" if stand["tripod"] else ""]
    return Card(
        key=key,
        about=keys.join(key, keys.mark(stand["mark"])),
        kind=kind,
        name=f"{word} {stand[kind]}{over}",
        verdict=stand["verdict"],
        says=words.verdict(stand),
        when=", ".join(part for part in who if part),
        readings=[_reading(words, stand, reading) for reading in stand["readings"]] if full else [],
        causes=[f"{words.cause(cause)} (chance {chance(cause['probability'])})" for cause in stand["causes"]],
        checks=_checks(words, stand) if full else [],
        sights=[_line(words, keys, kind, stand, shot) for shot in shots[:SIGHTS]] if full else [],
        more_sights=max(0, len(shots) - SIGHTS) if full else 0,
        loops=[_loop(words, loop) for loop in loops[:6]] if full else [],
        statistics=_statistics(words, stand) if full else [],
        full=full,
        antenna=kind == "setup" and stand["setup"] in words.antennas,
    )


def _reading(words: Words, stand: Record, reading: Record) -> ReadingLine:
    lengths = words.lengths
    difference = reading["difference_mm"]
    if difference is None or stand["found_m"] is None:
        said = "nothing to compare it with"
    else:
        size = lengths.small(difference, reading["sd_mm"])
        said = f"{size} {'higher' if difference > 0 else 'lower'} than the rest of the job says"
    return ReadingLine(
        name=words.reading_name(reading),
        note=words.reading_note(reading),
        reduction=reduction(words, reading),
        height=f"{lengths.height(reading['height_m'])} {lengths.name}",
        difference=said,
    )


def reduction(words: Words, reading: Record) -> str:
    """The reduction of a reading with its numbers, in the job's unit: √(1.674² − 0.100²) = 1.6710."""
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
    return text if same else f"{text} = {lengths.height(reading['height_m'])}"


def _checks(words: Words, stand: Record) -> list[str]:
    if stand["verdict"] == "free":
        return []
    lines = [words.checks(stand)]
    same = [words.label(id) for id in stand["same_as"]]
    if same:
        lines.append(f"Nothing in the job can tell an error here from one in {listing(same, 3, 'or')}.")
    moves = [m for m in stand["moves"] if m["per_mm"]]
    size = stand["smallest_detectable_mm"]
    if moves and size is not None:
        parts = [f"{m['mark']} by {words.lengths.about(m['per_mm'] * size)}" for m in moves[:4]]
        lines.append(f"An error just too small to show ({words.lengths.about(size)}) would move {listing(parts)}.")
    elif moves:
        parts = [f"{m['mark']} by {abs(m['per_mm']):.0%} of it" for m in moves[:4]]
        lines.append(f"An error here would move {listing(parts)}, and nothing would show it.")
    if stand["booked_m"] is not None and stand["recorded_m"] is not None and stand["readings"]:
        apart = (stand["booked_m"] - stand["recorded_m"]) * 1000
        if abs(apart) >= 0.5:
            booked = f"{words.lengths.height(stand['booked_m'])} {words.lengths.name}"
            lines.append(f"Booked as {booked}, {words.lengths.small(apart)} off what its readings give.")
    return lines


def _line(words: Words, keys: Keys, kind: str, stand: Record, record: Record) -> SightLine:
    """A sight, or what an antenna observed."""
    return _satellite(words, keys, stand, record) if "from" in record else _sight(words, keys, kind, record)


def _satellite(words: Words, keys: Keys, stand: Record, record: Record) -> SightLine:
    lengths = words.lengths
    if not record["from"]:
        to = "height by a service"
    else:
        to = f"from {record['from']}" if record["to"] == stand["setup"] else f"to {record['to']}"
    distance = "" if record["length_m"] is None else f"{lengths.distance(record['length_m'])} {lengths.name}"
    return SightLine(
        to=f"{to}, row {record['row']}",
        distance=distance,
        residual=f"{lengths.column(record['residual_mm'])} {lengths.small_short}",
        about=keys.about(record["id"]),
        verdict=record["verdict"],
    )


def _sight(words: Words, keys: Keys, kind: str, shot: Record) -> SightLine:
    other = f"to {shot['to_mark'] or shot['target']}" if kind == "setup" else f"from set-up {shot['setup']}"
    return SightLine(
        to=f"{other}, row {shot['row']}",
        distance=f"{words.lengths.distance(shot['horizontal_m'])} {words.lengths.name}",
        residual=f"{words.lengths.column(shot['residual_mm'])} {words.lengths.small_short}",
        about=keys.shot(shot),
        verdict=shot["verdict"],
    )


def _loop(words: Words, loop: Record) -> str:
    size, allowed = words.lengths.small(loop["misclosure_mm"]), words.lengths.small(loop["allowed_mm"])
    end = {True: "closes", False: "does not close", None: "no tolerance"}[loop["closes"]]
    return f"{listing(words.loop(loop), 5)}: {end} ({size}, allowed {allowed})"


def _statistics(words: Words, stand: Record) -> list[tuple[str, str]]:
    column, m = words.lengths.column, words.lengths.small_short
    return [
        (f"Estimated error, {m}", f"{column(stand['error_mm'])} ± {column(stand['error_sd_mm'])}"),
        ("Error over its standard deviation (w)", fixed(stand["w"], 2)),
        ("Redundancy number", fixed(stand["redundancy"], 3)),
        (f"Smallest error that would show, {m}", column(stand["smallest_detectable_mm"])),
        (f"Smallest error put down to it, {m}", column(stand["smallest_attributable_mm"])),
        ("Chance that it is wrong", chance(stand["probability"])),
        (f"Height from the rest of the job, {words.lengths.name}", words.lengths.height(stand["found_m"])),
    ]
