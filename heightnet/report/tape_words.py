"""One height at the tripod, in words: do the readings agree, what to book, may a slant be left as it is."""

from __future__ import annotations

from collections.abc import Sequence

from heightnet.judge.readings import Slip
from heightnet.reduce.reading import Reading
from heightnet.report.document import DOUBTFUL, SOUND, WRONG, Block, Bullets, Document, Section, Table
from heightnet.report.numbers import METRES, chance
from heightnet.tasks.tape import Pair, TapeFacts

RIVALS = 4  # slips shown
HOW_OFTEN = "How often each slip is usually made is assumed here: no job's own rates are in these chances."
LEAST_CHANCE = 0.02  # of a slip that is shown


def tape_document(facts: TapeFacts) -> Document:
    """The facts for the person at the tripod."""
    headline, lines = _agreement(facts)
    rows = [
        [_as_read(reading), _how(reading), f"height {height:.4f} m"]
        for reading, height in zip(facts.readings, facts.heights, strict=True)
    ]
    blocks: list[Block] = [Table((), rows), *lines, *_doubts(facts)]
    if facts.neglect:
        blocks.append(_neglect(facts))
    if facts.agree and facts.unusual:
        return Document("One height at the tripod", DOUBTFUL, headline, "Look at the tape again", blocks)
    says = "Book it" if facts.agree else "Book nothing yet"
    return Document("One height at the tripod", SOUND if facts.agree else WRONG, headline, says, blocks)


def _doubts(facts: TapeFacts) -> list[str]:
    """What was typed as if it meant something else."""
    odd = dict.fromkeys(_as_read(facts.readings[i]) for i in facts.unusual)
    lines = [f"{name}: instruments are seldom at this height." for name in odd] if not facts.agree else []
    if any(r.radius for r in facts.readings) and all(r.kind != "slant" for r in facts.readings):
        lines.append("The radius was not used: no reading is slant. If the tape was held aside, say --slant.")
    return lines


def _as_read(reading: Reading) -> str:
    return reading.text if reading.scale == "ftin" else f"{reading.text} {reading.scale}"


def _how(reading: Reading) -> str:
    how = {"slant": f"slant, radius {_mm(reading.radius)}", "parts": "in parts"}.get(reading.kind, "upright")
    if not reading.offset:
        return how
    return f"{how}, point {_mm(abs(reading.offset))} {'below' if reading.offset > 0 else 'above'} the axis"


def _agreement(facts: TapeFacts) -> tuple[str, list[Block]]:
    """The headline, and what explains it."""
    if facts.agree:
        assert facts.book is not None
        book = f"Book {_height(facts.book)}."
        if facts.unusual:
            book = f"Look again before you book {_height(facts.book)}: instruments are seldom at this height."
        if not facts.pairs:
            alone = "One reading: nothing checks it. Read the tape a second time, in the other scale."
            return f"{book} {alone}", []
        apart = _apart(max(facts.pairs, key=lambda pair: abs(pair.difference)))
        return f"{book} The readings agree: {'at most ' if len(facts.pairs) > 1 else ''}{apart}.", []
    again = "Book nothing yet: hold the tape to the mark again and read both scales."
    if facts.odd is not None:
        return again, _odd(facts, facts.odd)
    return again, [line for pair in facts.pairs if not pair.agrees for line in _disagreement(facts, pair)]


def _apart(pair: Pair) -> str:
    return f"{_mm(abs(pair.difference))} apart, and rounding and scatter allow {_mm(pair.allowed)}"


def _disagreement(facts: TapeFacts, pair: Pair) -> list[Block]:
    first, second = (_as_read(facts.readings[i]) for i in (pair.first, pair.second))
    return [f"{first} and {second} disagree: {_apart(pair)}.", _slips(pair.slips, first, second)]


def _odd(facts: TapeFacts, odd: int) -> list[Block]:
    """One reading against all the others, which agree."""
    name = _as_read(facts.readings[odd])
    nearest = min((p for p in facts.pairs if odd in (p.first, p.second)), key=lambda pair: abs(pair.difference))
    said = f"{name} disagrees with all the others, and these agree with each other: at least {_apart(nearest)}."
    return [said, _slips(facts.odd_slips, name, "all the others alike"), f"Look at {name} first."]


def _slips(slips: Sequence[Slip], first: str, second: str) -> Block:
    """The likeliest slips, with the reading or readings that each would be in."""
    likely = [slip for slip in slips if slip.probability >= LEAST_CHANCE][:RIVALS]
    told = [_slip(slip, first if slip.which == "first" else second) for slip in likely]
    return Bullets([*told, HOW_OFTEN] if told else ["No usual slip makes this difference."])


def _slip(slip: Slip, reading: str) -> str:
    exactly = "exactly" if abs(slip.miss) < 0.0005 else f"within {_mm(abs(slip.miss))}"
    if slip.assumed:
        size = abs(slip.expected + slip.miss)
        exactly = f"of no fixed size, {_mm(abs(slip.expected))} as a rule and {_mm(size)} here"
    return (
        f"It fits {slip.text}, in {reading}: {exactly}; {chance(slip.probability)}. "
        f"The height is then {slip.height:.3f} m."
    )


def _neglect(facts: TapeFacts) -> Section:
    rows = [
        [f"work to {one.work_mm:g} mm:", "may be neglected" if one.may else "reduce it",
         f"up to {_mm(one.limit)} may be left out"]
        for one in facts.neglect
    ]  # fmt: skip
    height, left, kept = facts.low[-1]
    cancels = (
        "Neglected alike at every set-up it cancels in differences of height, but not where set-ups are low (at "
        f"{height:g} m it is {_mm(left)}: {_mm(kept)} stays in the difference to here), where radii differ, or where a "
        "height is mixed with a levelled mark (all of it stays)."
    )
    return Section(f"Not reduced, the slant would be {_mm(max(facts.neglected))} too high", [Table((), rows), cancels])


def _height(metres: float) -> str:
    """In every scale that a book may be kept in."""
    foot = METRES["ft"]
    feet, sixteenths = divmod(round(metres / foot * 192), 192)
    inches, part = divmod(sixteenths, 16)
    whole = 16
    while part and part % 2 == 0:
        part, whole = part // 2, whole // 2
    fraction = f" {part}/{whole}" if part else ""
    return f"{metres:.3f} m ({metres / foot:.3f} ft, {feet}' {inches}{fraction}\")"


def _mm(metres: float) -> str:
    return f"{metres * 1000:.1f} mm"
