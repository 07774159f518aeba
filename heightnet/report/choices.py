"""The explanations a reader can choose between, and what heights and residuals become under each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from heightnet.report.keys import Keys
from heightnet.report.numbers import chance, fixed, listing
from heightnet.report.pictures.section import CHOICES
from heightnet.report.words import Words

Record = dict[str, Any]

MARKS, RESIDUALS = 40, 10
FELT_MM = 0.05  # a smaller change rounds to nothing


@dataclass(frozen=True)
class Choice:
    """One explanation in words, with the rows of its three small tables."""

    number: int
    name: str
    chance: str
    lines: list[str]
    heights: list[tuple[str, str, str, str]]  # set-up, recorded, corrected, key
    marks: list[tuple[str, str, str, str, str, str]]  # mark, as recorded, under it, change, sd, key
    more_marks: int
    residuals: list[tuple[str, str, str, str]]  # what, as recorded, under it, key


def choices(words: Words, keys: Keys) -> list[Choice]:
    """The explanations, likeliest first, no more than the page can show."""
    facts = words.facts
    worst = _worst(facts)
    return [_choice(words, keys, number, e, worst) for number, e in enumerate(facts["explanations"][:CHOICES])]


def _worst(facts: Record) -> list[Record]:
    """The observations that fit worst with nothing left out, or under any explanation."""
    observations = [r for table in ("shots", "levels", "staff", "gnss", "known") for r in facts.get(table, [])]
    found: dict[str, Record] = {}
    ways = [lambda r: r["residual_mm"]]
    ways += [lambda r, e=e: e["residuals_mm"].get(r["id"]) for e in facts["explanations"][:CHOICES]]  # type: ignore[misc]
    for residual in ways:
        ranked = sorted(observations, key=lambda r: -abs(residual(r) or 0) / (r["sd_mm"] or 1))
        for record in ranked[: RESIDUALS // 2]:
            found.setdefault(record["id"], record)
    return list(found.values())[: 2 * RESIDUALS]


def _choice(words: Words, keys: Keys, number: int, explanation: Record, worst: list[Record]) -> Choice:
    lengths = words.lengths
    lines = []
    for member, also in zip(explanation["members"], explanation["also"], strict=True):
        line = f"{words.label(member['id'])}: {words.error(member['id'], member['error_mm'], member['error_sd_mm'])}"
        if also:
            line += f" (or {listing([words.label(id) for id in also], 3, 'or')}; the job cannot tell)"
        lines.append(line[0].upper() + line[1:] + ".")
    names = [words.short(member["id"]) for member in explanation["members"]]
    name = f"{listing(names, 4)} {'is' if len(names) == 1 else 'are'} wrong" if names else "Nothing is wrong"
    name = name[0].upper() + name[1:]
    recorded = {m["mark"]: m for m in words.facts["marks"]}
    changes = []
    for mark in explanation["marks"]:
        before = recorded.get(mark["mark"], {}).get("height_m")
        if before is not None and mark["height_m"] is not None:
            changes.append((abs(mark["height_m"] - before) * 1000, before, mark))
    felt = [change for change in changes if change[0] >= FELT_MM]
    shown = felt if len(felt) <= MARKS else sorted(felt, key=lambda change: -change[0])[:MARKS]
    return Choice(
        number=number,
        name=name,
        chance=chance(explanation["probability"]),
        lines=lines,
        heights=[
            (s["setup"], lengths.height(r["recorded_m"]), lengths.height(s["corrected_m"]), keys.setup(s["setup"]))
            for s in explanation["setups"]
            if (r := words.setups.get(s["setup"])) and _differs(r["recorded_m"], s["corrected_m"])
        ],
        marks=[
            (
                mark["mark"],
                lengths.height(before),
                lengths.height(mark["height_m"]),
                _signed(lengths.column((mark["height_m"] - before) * 1000)),
                lengths.column(mark["sd_mm"]),
                keys.mark(mark["mark"]),
            )
            for _, before, mark in shown
        ],
        more_marks=len(felt) - len(shown),
        residuals=[
            (
                words.label(r["id"]),
                lengths.column(r["residual_mm"]),
                lengths.column(explanation["residuals_mm"].get(r["id"])),
                keys.about(r["id"]),
            )
            for r in worst
        ],
    )


def _differs(a: float | None, b: float | None) -> bool:
    return a is not None and b is not None and abs(a - b) * 1000 >= FELT_MM


def _signed(text: str) -> str:
    return text if text.startswith(("−", "–")) or text == fixed(0.0, 1) else f"+{text}"
