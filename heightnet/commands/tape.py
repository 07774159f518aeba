"""``heightnet tape READING...``"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from heightnet.commands.command import Command, Number
from heightnet.exits import Exit
from heightnet.ledger.ranges import TAPE_SD_MM, WORK_MM

if TYPE_CHECKING:
    from heightnet.judge.readings import Slip
    from heightnet.reduce.reading import Reading
    from heightnet.tasks.tape import Pair, TapeFacts

RIVALS = 4  # slips shown
LEAST_CHANCE = 0.02  # of a slip that is shown


@click.command(name="tape", cls=Command)
@click.argument("readings", nargs=-1, required=True, metavar="READING...")
@click.option("--slant", is_flag=True, help="The readings are slant: from the mark to a point beside the axis.")
@click.option("--radius", default="", metavar="LENGTH", help="Horizontal distance from the axis to that point: 100mm.")
@click.option("--offset", default="", metavar="LENGTH", help="From that point up to the axis, down negative: 52mm.")
@click.option(
    "--scale", type=click.Choice(["m", "mm", "ft", "ftUS", "ftin"]), default=None, help="Of numbers without a unit."
)
@click.option(
    "--sd", "sd_mm", type=Number(TAPE_SD_MM), default=1.0, metavar="MM",
    help="Standard deviation of one reading; 1 if not given.",
)  # fmt: skip
@click.option(
    "--work", "work_mm", type=Number(WORK_MM), multiple=True, metavar="MM",
    help="May the slant reduction be left out in work to so many millimetres? Default: 1, 3 and 10.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the facts as JSON.")
def command(
    readings: tuple[str, ...],
    slant: bool,
    radius: str,
    offset: str,
    scale: str | None,
    sd_mm: float,
    work_mm: tuple[float, ...],
    as_json: bool,
) -> None:
    """Reduce the tape readings of one height, say whether they agree, and what to book.

    \b
    heightnet tape 1.586 "5' 2 7/16\\""
        metres, and feet and inches
    heightnet tape 1.592 5.222ft --slant --radius 100mm
        two slants to a side mark
    heightnet tape "1.592, slant, radius 100mm" 1.589
        a slant, and one upright
    heightnet tape "1.343 + 0.243" 1.586
        two parts, and one length
    """
    from heightnet.errors import InputErrors
    from heightnet.report.console import say, say_json, width
    from heightnet.tasks.tape import WORK_MM as USUAL_MM
    from heightnet.tasks.tape import weigh_readings
    from heightnet.tasks.tape_arguments import read_arguments

    try:
        read = read_arguments(readings, slant=slant, radius=radius, offset=offset, scale=scale or "")
    except InputErrors as errors:
        say("\n".join(str(problem) for problem in errors.problems), err=True)
        sys.exit(Exit.REFUSED)
    facts = weigh_readings(read, sd_mm / 1000, sorted(work_mm) or USUAL_MM)
    if as_json:
        say_json(json.dumps(facts.as_dict(), indent=2, ensure_ascii=False, allow_nan=False) + "\n")
    else:
        say("\n".join(words(facts, width())))
    sys.exit(Exit.FINE if facts.agree else Exit.CONTRADICTED)


def words(facts: TapeFacts, width: int | None = None) -> list[str]:
    """The facts in lines for the person at the tripod; width : columns of the terminal."""
    lines = [*_table(facts, width), *_doubts(facts), *_agreement(facts)]
    if facts.book is not None:
        lines.append(f"Book {_height(facts.book)}.")
    if facts.neglect:
        lines += ["", *_neglect(facts)]
    return lines


def _table(facts: TapeFacts, width: int | None) -> list[str]:
    from heightnet.report.columns import table_lines

    rows = [
        (_as_read(reading), _how(reading), f"height {height:.4f} m")
        for reading, height in zip(facts.readings, facts.heights, strict=True)
    ]
    return table_lines(rows, (True, True, True), width)


def _doubts(facts: TapeFacts) -> list[str]:
    """What was typed as if it meant something else."""
    odd = dict.fromkeys(_as_read(facts.readings[i]) for i in facts.unusual)
    lines = [f"{name}: instruments are seldom at this height." for name in odd]
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


def _agreement(facts: TapeFacts) -> list[str]:
    if not facts.pairs:
        return ["One reading: nothing checks it. Read the tape a second time, in the other scale."]
    if facts.agree:
        widest = max(facts.pairs, key=lambda pair: abs(pair.difference))
        apart = f"{_mm(abs(widest.difference))} apart, and rounding and scatter allow {_mm(widest.allowed)}"
        return [f"The readings agree: {'at most ' if len(facts.pairs) > 1 else ''}{apart}."]
    lines = _odd(facts, facts.odd) if facts.odd is not None else []
    for pair in facts.pairs:
        if not pair.agrees and facts.odd is None:
            lines += _disagreement(facts, pair)
    lines.append("Book nothing yet: hold the tape to the mark again and read both scales.")
    return lines


def _disagreement(facts: TapeFacts, pair: Pair) -> list[str]:
    first, second = (_as_read(facts.readings[i]) for i in (pair.first, pair.second))
    size = f"{_mm(abs(pair.difference))} apart, and rounding and scatter allow {_mm(pair.allowed)}"
    return [f"{first} and {second} disagree: {size}.", *_slips(pair.slips, first, second)]


def _odd(facts: TapeFacts, odd: int) -> list[str]:
    """One reading against all the others, which agree."""
    name = _as_read(facts.readings[odd])
    pairs = [pair for pair in facts.pairs if odd in (pair.first, pair.second)]
    nearest = min(pairs, key=lambda pair: abs(pair.difference))
    size = f"at least {_mm(abs(nearest.difference))} apart, and rounding and scatter allow {_mm(nearest.allowed)}"
    lines = [f"{name} disagrees with all the others, and these agree with each other: {size}."]
    return [*lines, *_slips(facts.odd_slips, name, "all the others alike"), f"Look at {name} first."]


def _slips(slips: Sequence[Slip], first: str, second: str) -> list[str]:
    """The likeliest slips, with the reading or readings that each would be in."""
    likely = [slip for slip in slips if slip.probability >= LEAST_CHANCE][:RIVALS]
    if not likely:
        return ["  No usual slip makes this difference."]
    return [_slip(slip, first if slip.which == "first" else second) for slip in likely]


def _slip(slip: Slip, reading: str) -> str:
    from heightnet.report.numbers import chance

    exactly = "exactly" if abs(slip.miss) < 0.0005 else f"within {_mm(abs(slip.miss))}"
    if slip.assumed:
        exactly = f"about ({_mm(abs(slip.expected))} is usual)"
    return (
        f"  It fits {slip.text}, in {reading}: {exactly}; {chance(slip.probability)}. "
        f"The height is then {slip.height:.3f} m."
    )


def _neglect(facts: TapeFacts) -> list[str]:
    most = max(facts.neglected)
    lines = [f"Not reduced, the slant would be {_mm(most)} too high:"]
    for one in facts.neglect:
        answer = "may be neglected" if one.may else "reduce it"
        lines.append(f"  work to {one.work_mm:g} mm: {answer} (up to {_mm(one.limit)} may be left out)")
    height, left, kept = facts.low[-1]
    return [
        *lines,
        "Neglected alike at every set-up it cancels in differences of height, but not where set-ups are low (at",
        f"{height:g} m it is {_mm(left)}: {_mm(kept)} stays in the difference to here), where radii differ, or where a",
        "height is mixed with a levelled mark (all of it stays).",
    ]


def _height(metres: float) -> str:
    """In every scale that a book may be kept in."""
    feet, sixteenths = divmod(round(metres / 0.3048 * 192), 192)
    inches, part = divmod(sixteenths, 16)
    whole = 16
    while part and part % 2 == 0:
        part, whole = part // 2, whole // 2
    fraction = f" {part}/{whole}" if part else ""
    return f"{metres:.3f} m ({metres / 0.3048:.3f} ft, {feet}' {inches}{fraction}\")"


def _mm(metres: float) -> str:
    return f"{metres * 1000:.1f} mm"
