"""The field sheet: what to look up in the field book and what to observe again, where and why, with boxes."""

from __future__ import annotations

from math import hypot, sqrt
from typing import NamedTuple

from heightnet.kinds.registry import of_blunder
from heightnet.ledger.thing import TAPED, TOGETHER, Thing
from heightnet.report.claims import capital, claim
from heightnet.report.document import Step
from heightnet.report.findings import place_of, stretch, would_show
from heightnet.report.keys import Keys
from heightnet.report.listings import IN_100, Column, Listing
from heightnet.report.measurements import BOXES, LEVELLED, SIGHT, gain, instruction
from heightnet.report.namer import SIGHTS, words_of
from heightnet.report.numbers import NONE, in_100, listing
from heightnet.report.words import Words
from heightnet.rows import Record

FIELD_BOOK = ["booked", "which point, which scale", "who, when"]
BOXES_OF = {
    "moved": SIGHT,
    "misnamed": ("booked", "in the sketch", *SIGHT),
    "source": ("list", "year, system", "from whom"),
}


def steps(words: Words) -> list[Step]:
    """The steps in the order to take them; first the field book, where one thing is named."""
    found = []
    findings = words.facts["findings"]
    for one in findings:
        of = f"finding:{one['order']}"
        if one["named"]:
            error = words.error(one["id"], one["error_mm"], one["error_sd_mm"], of)
            if shows := would_show(words, one):
                boxes = list(BOXES_OF.get(Thing.of(one["id"]).kind, ("read", "by, time")))
                found.append(Step(shows[0], f"{capital(error)}.", boxes))
                continue
            found.append(
                Step(f"Look up in the field book: {words.label(one['id'])}.", f"{capital(error)}.", FIELD_BOOK)
            )
    for one in findings:
        if along := stretch(words, one):
            found.append(Step(f"Level {along} again.", "Its heights are not used before.", LEVELLED))
        elif one["parted_by"]:
            found.append(Step(f"{capital(one['parted_by'])} would tell which of them it is.", "", ["read", "by, time"]))
    return found + [
        Step(instruction(words, step), gain(words, step), BOXES[step["kind"]])
        for step in words.facts["next_measurements"]
    ]


# ---- what to look up, of a finding that is not one thing ----


def lookups(words: Words, keys: Keys) -> list[Listing]:
    """For each finding that is not one thing a table of what it may be, likeliest first."""
    return [_table(words, keys, one) for one in words.facts["findings"] if len(one["members"]) > 1 and not one["named"]]


def _table(words: Words, keys: Keys, finding: Record) -> Listing:
    order, members = finding["order"], finding["members"]
    entries = [_entry(words, member["id"]) for member in members]
    files = {entry.file for entry in entries} - {""}
    several = len(files) > 1

    def row(r: Record) -> str:
        return f"{r['file']}, {r['row']}" if several and r["file"] else r["row"] or NONE

    unit = words.lengths.name
    columns = [
        Column("Set-up", lambda r: r["setup"] or NONE, "name"),
        Column("What", lambda r: r["what"], "text"),
        Column("Mark", lambda r: r["mark"] or NONE, "text"),
        Column("Run", lambda r: r["run"] or NONE, "text"),
        Column("Row", row, "text", "", f"row of {listing(sorted(files), 3)}" if files else ""),
        Column(f"Booked, {unit}", lambda r: r["booked"]),
        Column(f"Would be, {unit}", lambda r: words.lengths.rounded(r["would_be_m"], r["error_sd_mm"]), "number",
               "would_be_m", "what was booked less its error, if this is the one"),
        Column(f"Wrong, {IN_100}", lambda r: in_100(r["probability"]), "number", "probability",
               "how likely this is the one"),
    ]  # fmt: skip
    records = [_record(words, member, entry) for member, entry in zip(members, entries, strict=True)]
    said = [c for c in columns if c in (columns[0], columns[-1]) or any(c.show(r) != NONE for r in records)]
    table = Listing(
        f"lookup-{order}",
        "What to look up" if order == 1 else f"What to look up, {order}",
        f"{capital(place_of(words, finding))}: only the field book, or a new measurement, tells which.",
        said,
        total=finding["count"],
        order="the likeliest",
        kept_in="",
    )
    for number, record in enumerate(records):
        table.add(record, f"finding:{order}.members.{number}", "", keys.about(record["id"]))
    return table


def _record(words: Words, member: Record, entry: Entry) -> Record:
    """A member of a finding with its place in the field book, what was booked and what would be right."""
    booked, would, error = entry.booked, None, member["error_mm"]
    if booked is not None and booked.value is not None and error is not None:
        would = round(_less(words, booked, error / 1000), 6)
    told = NONE if booked is None else claim(*booked, words.lengths.height(booked.value))
    return member | entry._asdict() | {"booked": told, "would_be_m": would}


class Booked(NamedTuple):
    """What was booked: whose fact it is, and its value in metres."""

    of: str
    fact: str
    value: float | None


class Entry(NamedTuple):
    """Where a value stands in the field book."""

    what: str
    setup: str = ""
    mark: str = ""
    run: str = ""
    file: str = ""
    row: str = ""
    booked: Booked | None = None


def _less(words: Words, booked: Booked, error: float) -> float:
    """What would have been booked without the error; a slant reading is longer than the height it gives."""
    assert booked.value is not None
    reading = words.records.get(booked.of, {}) if Thing.of(booked.of).kind == "reading" else {}
    if reading.get("kind") != "slant":
        return booked.value - error
    radius = (reading["radius_mm"] or 0.0) / 1000
    return hypot(sqrt(max(booked.value**2 - radius**2, 0.0)) - error, radius)


def _entry(words: Words, id: str) -> Entry:
    """The place of one member of a finding in the field book; of what is not there its name alone."""
    kind, name, *_ = Thing.of(id)
    record = words.records.get(id)
    if record is None or kind in TOGETHER:
        return Entry(words.label(id))
    if kind in TAPED:
        return _stand(words, id, kind, name, record)
    return _row(id, kind, record)


def _stand(words: Words, id: str, kind: str, name: str, r: Record) -> Entry:
    """A height of a stand, or one reading of it."""
    if kind == "reading":
        of, stand = words.stand_of(id)
        what = "tape reading" if of == "setup" else f"tape reading at {words.short(str(Thing('target', stand[of])))}"
        setup = stand["setup"] if of == "setup" else ""
        return Entry(what, setup, stand["mark"] or "", "", *_place([r]), Booked(id, "value_m", r["value_m"]))
    if kind == "target":
        sights = words.sighted.get(name, [])
        setups = listing(list(dict.fromkeys(setup for setup, _ in sights)), 3)
        rows = listing([str(row) for _, row in sights], 3)
        booked = Booked(id, "recorded_m", r["recorded_m"])
        return Entry("target height", setups, r["mark"] or name, "", _file(words), rows, booked)
    what, setups = f"{words.thing(name)} height", name
    if kind == "tripod":
        what = f"shared {words.short(id)}"
        setups = listing([s["setup"] for s in words.facts["setups"] if s["hypothesis"] == id], 3)
    booked = Booked(words.key(r), "recorded_m", r["recorded_m"])
    return Entry(what, setups, r["mark"] or "", "", *_place(r["readings"][:1]), booked)


def _row(id: str, kind: str, r: Record) -> Entry:
    """A row of a file, or a known height or separation of a mark."""
    match kind:
        case "known":
            return Entry("known height", "", r["mark"], booked=Booked(id, "height_m", r["height_m"]))
        case "separation":
            return Entry("separation", "", r["mark"], booked=Booked(id, "separation_m", r["separation_m"]))
        case "shot":
            what, at, mark, run = "height difference of the sight", r["setup"], r["to_mark"] or r["target"], ""
        case "staff":
            what = SIGHTS.get(r["sight"] or "", "staff reading")
            at, mark, run = r["level_setup"], r["name"] or r["mark"], r["run"] or ""
        case "gnss":
            at = f"{r['from']} to {r['to']}" if r["from"] else r["to"]
            what, mark, run = "satellite height", r["to_mark"] or "", ""
        case _:
            words = words_of(kind)
            what, at, mark, run = words.noun, "", words.row.format_map(r), r.get("run") or ""
    fact = of_blunder(kind).value
    fact = fact if r[fact] is not None else "height_m"  # of one antenna
    return Entry(what, at, mark, run, r["file"], f"{r['row']}", Booked(id, fact, r[fact]))


def _place(readings: list[Record]) -> tuple[str, str]:
    """File and row of a reading."""
    return (readings[0]["file"], listing([str(row) for row in readings[0]["rows"]], 3)) if readings else ("", "")


def _file(words: Words) -> str:
    shots = words.facts["shots"]
    return str(shots[0]["file"]) if len(shots) else ""
