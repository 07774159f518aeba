"""What was read, as text for a terminal: one section after another, nothing left out that was not asked to be."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from heightnet.judge.screening import RULES
from heightnet.ledger.thing import Thing
from heightnet.report.document import Block, Document, Section, Table
from heightnet.report.namer import called_after
from heightnet.report.numbers import Lengths, count, fixed, listing
from heightnet.report.words import VERDICTS, noted_at
from heightnet.rows import Record

Row = str | Sequence[str]

SHORT = 30  # rows of a section, unless all are asked for
CHECKED = {
    "own": "tested on its own",
    "shared": "tested: an error would show, but could be laid on something else",
    "unproved": VERDICTS["unproved"].upper(),
    "none": VERDICTS["missing"],
    "free": VERDICTS["free"],
}
SHOT_RULES = {
    "steep": "the sight is far from level and long",
    "not_the_coordinates": "the distance is not that of the marks' coordinates",
    "recorded_twice": "the same shot stands twice, digit for digit",
}
Unnamed = dict[tuple[str, str], str]
NOTES = {"understood": "Understood", "filled": "Filled in", "doubt": "In doubt"}


def show_document(facts: Record, most: int | None = SHORT) -> Document:
    """The facts of `heightnet.tasks.show`; most : rows of each section, None for all."""
    lengths, units = Lengths(facts["units"]["length"]), facts["units"]
    unnamed = _unnamed(facts)
    stands = ((Thing(k, s[k]), s["check"]) for k in ("setup", "target") for s in facts[f"{k}s"])
    unproved = [_called(unnamed, stand) for stand, check in stands if check == "unproved"]
    other = [s for s in facts["settings"] if not s["default"] and s["setting"] != "title"]
    sections: dict[str, Iterable[Row]] = {
        "Tables": ((t["table"], t["file"], count(t["rows"], "row")) for t in facts["tables"] if t["rows"]),
        **{heading: [f"{noted_at(n)}{n['text']}" for n in facts["notes"] if n["kind"] == kind]
           for kind, heading in NOTES.items()},
        "Precision and settings other than usual": [f"{s['setting']} = {s['value']}   {s['about']}" for s in other],
        "Points of the equipment": _equipment(facts, lengths),
        "Known heights": _known(facts, lengths),
        "How each height was reduced": _heights(facts, lengths),
        "Set-ups": _stands(facts, "setup", "target", lengths),
        "Targets": _stands(facts, "target", "setup", lengths),
        "Sights": _shots(facts, lengths),
        "Levelled differences": _levels(facts, lengths),
        "Level set-ups": _level_setups(facts, lengths),
        "Satellite heights": _gnss(facts, lengths),
        "Odd values": _warnings(facts, lengths),
        f"{VERDICTS['unproved'].capitalize()}: nothing in this job tests these heights":
            [listing(unproved, 12)] if unproved else [],
    }  # fmt: skip
    parts = [_section(heading, list(rows), most) for heading, rows in sections.items()]
    parts.insert(-2, _section("What ties to what", list(_ties(facts, lengths)), None))
    said = f"Lengths in {lengths.name}, angles in {units['angle']}; small lengths in {lengths.small_name}."
    return Document(
        title=f"{facts['title'] or facts['job']}: what was read, before any adjustment",
        blocks=[said, *(part for part in parts if part)],
    )


def _section(heading: str, rows: list[Row], most: int | None) -> Section | None:
    """Sentences, or cells to be set under one another."""
    if not rows:
        return None
    shown = rows[:most]
    cells = [row for row in shown if not isinstance(row, str)]
    blocks: list[Block] = [Table((), cells)] if cells else [row for row in shown if isinstance(row, str)]
    if len(shown) < len(rows):
        blocks.append(f"... and {len(rows) - len(shown):,} more (--all lists them)")
    return Section(heading, blocks)


def _called(unnamed: Unnamed, thing: Thing) -> str:
    """As a field person would say it: "setup S4", "target on M2 from S3" where the file gave it no name."""
    if thing.row:
        return f"{thing.file}, row {thing.row}"
    return f"{thing.kind} {unnamed.get((thing.kind, thing.name), thing.name)}"


def _unnamed(facts: Record) -> Unnamed:
    """Where they stand, "on M2 from S3", of the targets that are called after their mark."""
    out = {}
    for t in facts["targets"]:
        if t["mark"] and called_after(t["target"], t["mark"]):
            setups = listing(list(dict.fromkeys(e["setup"] for e in t["sights"])), 2)
            out["target", t["target"]] = f"on {t['mark']}" + (f" from {setups}" if setups else "")
    return out


def _equipment(facts: Record, lengths: Lengths) -> Iterator[tuple[str, ...]]:
    for e in facts["equipment"]:
        yield (
            e["equipment"], e["point"], f"radius {lengths.column(e['radius_mm'])}",
            f"offset {lengths.column(e['offset_mm'])}",
            "usual" if e["usual"] else "", e["carries"],
        )  # fmt: skip


def _known(facts: Record, lengths: Lengths) -> Iterator[tuple[str, ...]]:
    for k in facts["known"]:
        sd = f"sd {lengths.column(k['sd_mm'])}" if k["sd_mm"] else "held exactly"
        yield k["mark"], lengths.height(k["height_m"]), sd


def _shots(facts: Record, lengths: Lengths) -> Iterator[tuple[str, ...]]:
    unnamed = _unnamed(facts)
    for s in facts["shots"]:
        target = unnamed.get(("target", s["target"])) or f"to {s['target']}"
        face = f"face {s['face']}" if s["face"] else ""
        yield f"from {s['setup']}", target, lengths.as_read(s["slope_distance_m"]), s["zenith"], face, f"row {s['row']}"


def _levels(facts: Record, lengths: Lengths) -> Iterator[tuple[str, ...]]:
    for d in facts["levels"]:
        run = f"run {d['run']}" if d["run"] else ""
        yield f"{d['from']} to {d['to']}", lengths.height(d["rise_m"]), f"sd {lengths.column(d['sd_mm'])}", run


def _gnss(facts: Record, lengths: Lengths) -> Iterator[tuple[str, ...]]:
    for g in facts["gnss"]:
        what = f"{g['from']} to {g['to']}" if g["from"] else g["to"]
        value = g["height_m"] if g["rise_m"] is None else g["rise_m"]
        session = f"session {g['session']}" if g["session"] else ""
        less = f"less separation {lengths.height(g['separation_m'])}"
        yield what, lengths.height(value), less, f"sd {lengths.column(g['sd_mm'])}", session


def _level_setups(facts: Record, lengths: Lengths) -> Iterator[tuple[str, ...]]:
    for s in facts["level_setups"]:
        read = [f"{r['mark']} {r['sight']} {lengths.as_read(r['reading_m'])}".replace("  ", " ") for r in s["readings"]]
        yield s["level_setup"], f"run {s['run']}" if s["run"] else "", listing(read, 6)


def _heights(facts: Record, lengths: Lengths) -> Iterator[tuple[str, ...]]:
    unnamed = _unnamed(facts)
    for h in facts["heights"]:
        how = {"booked": "as booked", "parts": "sum of parts"}.get(h["kind"], h["kind"])
        if h["point"]:
            how += f" to {h['point']}"
        if h["radius_mm"] or h["kind"] == "slant":
            how += f", radius {lengths.column(h['radius_mm'])}"
        if h["offset_mm"]:
            how += f", offset {lengths.column(h['offset_mm'])}"
        rows = f"row{'s' if len(h['rows']) > 1 else ''} {', '.join(map(str, h['rows']))}"
        read = f"{h['text']} {h['scale']}".strip()
        over = f"over {h['mark']}" if h["mark"] else "over no mark"
        yield (
            _called(unnamed, Thing(h["stand_kind"], h["stand"])),
            over,
            read,
            how,
            f"= {lengths.height(h['height_m'])}",
            f"{h['file']}, {rows}",
        )


def _stands(facts: Record, kind: str, other: str, lengths: Lengths) -> Iterator[tuple[str, ...]]:
    stands: list[Record] = facts[f"{kind}s"]
    unnamed = _unnamed(facts)
    verb = "sights" if kind == "setup" else "seen from"
    satellites = Counter(g[end] for g in facts["gnss"] for end in ("from", "to"))
    for s in stands:
        seen = satellites[s[kind]] if kind == "setup" else 0
        ends = [_end(e[other], e["mark"]) for e in s["sights"]]
        yield (
            unnamed.get((kind, s[kind])) or s[kind],
            f"over {s['mark']}" if s["mark"] else "free",
            lengths.height(s["height_m"]),
            count(seen, "satellite height") if seen else count(s["shots"], "shot"),
            CHECKED[s["check"] if s["mark"] else "free"],
            f"{verb} {listing(ends, 6)}" if ends else "an antenna" if seen else "no shot names it",
        )


def _end(name: str, mark: str) -> str:
    """A set-up or target with its mark; the mark alone where it is called after it."""
    if not mark:
        return name
    return mark if called_after(name, mark) else f"{name} ({mark})"


def _ties(facts: Record, lengths: Lengths) -> list[str]:
    out = []
    for i, piece in enumerate(facts["pieces"], start=1):
        datum = (
            "hangs on known heights" if piece["tied"] else f"hangs on nothing known; {piece['datum_mark']} stands for 0"
        )
        out.append(f"Piece {i}: {count(len(piece['marks']), 'mark')} ({listing(piece['marks'], 8)}), "
                   f"{count(len(piece['setups']), 'set-up')}; {datum}")  # fmt: skip
    alone = [f"{u['kind']} {u['name']}" for u in facts["undetermined"]]
    if alone:
        out.append(f"Tied to nothing: {listing(alone, 8)}")
    loops = facts["loops"]
    of = f" of the {loops['looked_at']:,} shortest" if loops["looked_at"] < loops["count"] else ""
    out.append(f"{count(loops['count'], 'loop')}; {loops['wide']:,}{of} wider than {loops['rule']}")
    for loop in loops["worst"]:
        if abs(loop["misclosure_mm"]) > loop["allowed_mm"]:
            walk = listing(loop["marks"], 8, "then")
            out.append(
                f"  {walk}: {fixed(loop['length_km'], 3)} km, misses {lengths.small(loop['misclosure_mm'])}, "
                f"allowed {lengths.small(loop['allowed_mm'])}"
            )
    return out


def _warnings(facts: Record, lengths: Lengths) -> Iterator[str]:
    rules, unnamed = RULES | SHOT_RULES, _unnamed(facts)
    for w in facts["warnings"]:
        text = f"{_called(unnamed, Thing.of(w['id']))}: {rules[w['rule']]} ({lengths.height(w['value_m'])}"
        if w["other_value_m"] is not None:
            other = w["other_id"] and Thing.of(w["other_id"])
            where = f" at {_called({}, other) if other.row else other.name}" if other else ""
            text += f", against {lengths.height(w['other_value_m'])}{where}"
        yield text + ")"
