"""The explanations a reader can choose between, and what heights and residuals become under each.

What nothing tells apart is one explanation: it is named as the finding names it, and heights that depend on which of
its members it is are not given.
"""

from __future__ import annotations

from collections.abc import Iterator

from heightnet.ledger.thing import OBSERVED, TABLES, Thing
from heightnet.report.claims import capital, claim
from heightnet.report.document import Block, Bullets, Choice, Choices, Columns, Section, Table
from heightnet.report.explained import CHOICES, Part, parts, settled
from heightnet.report.findings import size_of
from heightnet.report.keys import Keys
from heightnet.report.numbers import fixed, listing
from heightnet.report.words import Words
from heightnet.rows import Record

MARKS, RESIDUALS = 40, 10
FELT_MM = 0.05  # a smaller change rounds to nothing


Line = tuple[str, list[str]]  # a row of a small table: the key that lights it up, and cells


def choices(words: Words, keys: Keys) -> list[Choice]:
    """The explanations, likeliest first, no more than the page can show; none where there is nothing to explain."""
    facts = words.facts
    shown = facts["explanations"][:CHOICES]
    if not any(e["members"] for e in shown):
        return []
    worst = _worst(facts)
    return [_choice(words, keys, number, e, worst) for number, e in enumerate(shown, start=1)]


def choices_section(words: Words, keys: Keys) -> Section | None:
    """The explanations under a heading; None where there is nothing to explain."""
    told = choices(words, keys)
    if not told:
        return None
    title = "The explanation" if len(told) == 1 else "Other explanations"
    lines = [] if words.facts["judgement"]["explained"] else [
        "None of these explains the job: each would leave contradictions."
    ]  # fmt: skip
    lines.append(
        "No other explanation comes near this one. Nothing is changed in the job."
        if len(told) == 1
        else "Choose an explanation: the tables below and the long section show what heights and residuals become "
        "under it. Nothing is changed in the job."
    )
    chosen = Choices("If this, and nothing else, is what happened", told)
    return Section(title, [*lines, chosen], "explanations", "Explanations")


def _worst(facts: Record) -> list[Record]:
    """The observations that fit worst with nothing left out, or under any explanation."""
    observations = [r for table in (TABLES[kind] for kind in OBSERVED) for r in facts.get(table, [])]
    found: dict[str, Record] = {}
    ways = [lambda r: r["residual_mm"]]
    ways += [lambda r, e=e: e["residuals_mm"].get(r["id"]) for e in facts["explanations"][:CHOICES]]  # type: ignore[misc]
    for residual in ways:
        ranked = sorted(observations, key=lambda r: -abs(residual(r) or 0) / (r["sd_mm"] or 1))
        for record in ranked[: RESIDUALS // 2]:
            found.setdefault(record["id"], record)
    return list(found.values())[: 2 * RESIDUALS]


def _choice(words: Words, keys: Keys, number: int, explanation: Record, worst: list[Record]) -> Choice:
    of = f"explanation:{number}"
    told = parts(words, explanation)
    names = [part.name for part in told]
    are = "is" if len(names) == 1 else "are"
    name = f"Only {listing(names, 4)} {are} wrong" if names else "Nothing that would show is wrong"
    lines = [
        _line(words, f"{of}.members.{i}", member, part)
        for i, (member, part) in enumerate(zip(explanation["members"], told, strict=True))
    ]
    likely = words.chance(of, explanation["probability"])
    residuals = [_residual(words, keys, of, explanation, r) for r in worst]
    tables = [*_becomes(words, keys, of, explanation)]
    if residuals:
        heading = f"What fits worst: residuals in {words.lengths.small_name}"
        tables.append(_table(heading, ["Observation ", "As recorded", "Then"], residuals))
    said = Bullets(lines) if lines else "All heights stay as recorded, and the misfits are chance."
    return Choice(name, likely, [said, Columns(tables)])


def _becomes(words: Words, keys: Keys, of: str, explanation: Record) -> Iterator[Block]:
    """The heights that an explanation changes; they follow only where each of its members is one thing."""
    if not settled(words, explanation):
        yield (
            "Which heights it moves depends on which of them it is: the table of marks has each height that a mark may "
            "have."
        )
        return
    lengths = words.lengths
    if heights := _heights(words, keys, of, explanation):
        title = f"{words.stood.capitalize()} heights, {lengths.name}"
        yield _table(title, ["Set-up ", "Recorded", "Corrected"], heights)
    marks, more = _marks(words, keys, of, explanation)
    if marks:
        title = f"Marks that move: heights in {lengths.name}, changes in {lengths.small_name}"
        yield _table(title, ["Mark ", "As recorded", "Then", "Change", "sd"], marks)
    if more:
        yield f"{more:,} further marks move less."
    if not marks:
        yield "No mark moves."


def _table(title: str, header: list[str], lines: list[Line]) -> Table:
    return Table(header, [cells for _, cells in lines], title, [key for key, _ in lines])


def _line(words: Words, of: str, member: Record, part: Part) -> str:
    """How wrong a member of an explanation would be."""
    if part.id == member["id"]:
        said = words.error(part.id, member["error_mm"], member["error_sd_mm"], of)
    elif part.id and part.finding:
        told = part.finding
        said = words.error(part.id, told["error_mm"], told["error_sd_mm"], f"finding:{told['order']}")
    elif part.finding:
        said = size_of(words, part.finding)
    else:
        size = claim(of, "error_mm", member["error_mm"], words.lengths.about(member["error_mm"]))
        said = f"by {size} if it is {words.label(member['id'])}; nothing here tells which"
    return capital(f"{part.name}: {said}.")


def _heights(words: Words, keys: Keys, of: str, explanation: Record) -> list[Line]:
    lengths, out = words.lengths, []
    for s in explanation["setups"]:
        name, then, thing = s["setup"], s["corrected_m"], Thing("setup", s["setup"])
        now = (words.setups.get(name) or {}).get("recorded_m")
        if now is None or then is None or abs(now - then) * 1000 < FELT_MM:
            continue
        cells = [
            name,
            claim(thing, "recorded_m", now, lengths.height(now)),
            claim(f"{of}/{thing}", "corrected_m", then, lengths.height(then)),
        ]
        out.append((keys.setup(name), cells))
    return out


def _marks(words: Words, keys: Keys, of: str, explanation: Record) -> tuple[list[Line], int]:
    """The marks that move, those that move most where there are many, and how many more there are."""
    lengths = words.lengths
    recorded = {m["mark"]: m["height_m"] for m in words.facts["marks"]}
    felt = []
    for mark in explanation["marks"]:
        before, then = recorded.get(mark["mark"]), mark["height_m"]
        if before is not None and then is not None and abs(then - before) * 1000 >= FELT_MM:
            felt.append((round((then - before) * 1000, 4), before, mark))
    shown = felt if len(felt) <= MARKS else sorted(felt, key=lambda change: -abs(change[0]))[:MARKS]
    out = []
    for change, before, mark in shown:
        name, thing = mark["mark"], Thing("mark", mark["mark"])
        under = f"{of}/{thing}"
        cells = [
            name,
            claim(thing, "height_m", before, lengths.height(before)),
            claim(under, "height_m", mark["height_m"], lengths.height(mark["height_m"])),
            claim(under, "change_mm", change, _signed(lengths.column(change))),
            claim(under, "sd_mm", mark["sd_mm"], lengths.column(mark["sd_mm"])),
        ]
        out.append((keys.mark(name), cells))
    return out, len(felt) - len(shown)


def _residual(words: Words, keys: Keys, of: str, explanation: Record, r: Record) -> Line:
    column, then = words.lengths.column, explanation["residuals_mm"].get(r["id"])
    cells = [
        words.label(r["id"]),
        claim(r["id"], "residual_mm", r["residual_mm"], column(r["residual_mm"])),
        claim(f"{of}/{r['id']}", "residual_mm", then, column(then)),
    ]
    return keys.about(r["id"]), cells


def _signed(text: str) -> str:
    return text if text.startswith(("−", "–")) or text == fixed(0.0, 1) else f"+{text}"
