"""What a job says twice: the misclosure from known mark to known mark, and how far its own repeats lie apart."""

from __future__ import annotations

from heightnet.report.claims import claim, name
from heightnet.report.document import Block, Bullets, Section, Table
from heightnet.report.numbers import count, fixed, listing
from heightnet.report.words import Words
from heightnet.rows import Record

REPEATED = {
    "zenith": ("Zenith angles", "in both faces and in rounds, index errors taken off"),
    "distance": ("Slope distances", "of one target from one set-up"),
    "tape": ("Taped heights", "of one stand"),
    "target": ("Target heights", "of one stand"),
    "rise": ("Rises from mark to mark", "forward and back, with the heights of both stands"),
}
"""What each kind is called, and what was repeated."""


def traverse_line(words: Words) -> list[str]:
    """The misclosure in height between known marks, where sights join two, or come back to the only one."""
    found = words.facts.get("traverse")
    if not found:
        return []
    number = found["loop"]
    loop = next(one for n, one in words.numbered("loops") if n == number)

    def told(fact: str) -> str:
        return claim(f"loop:{number}", fact, loop[fact], words.lengths.small(loop[fact]))

    start, end = name(found["from_mark"]), name(found["to_mark"])
    sights = claim("traverse", "sights", found["sights"], count(found["sights"], "sight"))
    among = claim("traverse", "ways", found["ways"], f"the worst of {found['ways']:,} such ways")
    back = "back " if start == end else ""
    worst = f", {among}" if found["ways"] > 1 and not back else ""
    return [
        f"{start} {back}to {end} by {sights}{worst}: misses {told('misclosure_mm')}, the stated precision lets expect "
        f"{told('expected_sd_mm')}: {words.loop_word(number, loop)} of {told('allowed_mm')}."
    ]


def precision_lines(words: Words) -> list[str]:
    """Of what scatters otherwise than stated one sentence each, with the line for job.toml."""
    out = []
    for number, one in _numbered(words):
        if one["differs"]:
            stated, own = (_told(words, number, one, fact) for fact in ("stated", "own"))
            what = REPEATED[one["kind"]][0].lower()
            out.append(f"By their own repeats {what} scatter by {own}, not by {stated} as stated{_offered(one)}.")
    return out


def own_precision(words: Words) -> Section | None:
    """Each kind of what was measured more than once, beside what is stated."""
    rows, lines = [], []
    for number, one in _numbered(words):
        what, how = REPEATED[one["kind"]]
        rows.append([
            f"{what}, {how}", _told(words, number, one, "own"), _between(words, number, one),
            _told(words, number, one, "stated"), _count(number, one, "dof"), _count(number, one, "left_out"),
            _count(number, one, "wrong"),
        ])  # fmt: skip
        if one["alike"]:
            lines.append(f"{what}: most repeats are the same to the last digit, so that nothing can be estimated.")
    if not rows:
        return None
    lines += precision_lines(words)
    lines.append(
        "Repeats show what changes between them. What stays, such as refraction, a prism's height or the scale of a "
        "distance, they do not show: a stated precision above theirs may be right."
    )
    head = ["Repeated ", "Own sd", "Between", "Stated sd", "Degrees of freedom", "Sets left out", "Told as wrong"]
    blocks: list[Block] = [Table(head, rows), Bullets(lines)]
    return Section("What its own repeats show", blocks)


def _numbered(words: Words) -> list[tuple[int, Record]]:
    return list(enumerate(words.facts.get("own_precision", []), start=1))


def _told(words: Words, number: int, one: Record, fact: str) -> str:
    unit = "sec" if one["kind"] == "zenith" else "mm"
    value = one[f"{fact}_{unit}"]
    return claim(f"own_precision:{number}", f"{fact}_{unit}", value, _size(words, value, unit))


def _size(words: Words, value: float | None, unit: str) -> str:
    if value is None or unit == "mm":
        return words.lengths.about(value) if value is not None else words.lengths.small(None)
    return f"{fixed(value, 1)} arc-seconds"


def _between(words: Words, number: int, one: Record) -> str:
    if one["own_sec"] is None and one["own_mm"] is None:
        return words.lengths.small(None)
    return f"{_told(words, number, one, 'low')} and {_told(words, number, one, 'high')}"


def _count(number: int, one: Record, fact: str) -> str:
    return claim(f"own_precision:{number}", fact, one[fact], f"{one[fact]:,}")


def _offered(one: Record) -> str:
    """The lines for job.toml."""
    if not one["lines"]:
        return ""
    return f"; in job.toml, below [precision]: {listing([line.partition('  #')[0] for line in one['lines']])}"
