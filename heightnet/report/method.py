"""How a job was tested, in plain sentences; the numbers behind each are folded under it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from heightnet.report.numbers import chance, count, fixed, listing
from heightnet.report.story import common_error, reading_check
from heightnet.report.words import SCREENING, Words

Record = dict[str, Any]


@dataclass(frozen=True)
class Passage:
    """A heading, sentences, and name-value pairs folded under them."""

    title: str
    lines: list[str]
    numbers: list[tuple[str, str]] = field(default_factory=list)


def method(words: Words) -> list[Passage]:
    """The passages that have something to say."""
    passages = [
        _fit(words),
        _search(words),
        _readings(words),
        _common(words),
        _pieces(words),
        _notes(words),
        _settings(words),
    ]
    return [passage for passage in passages if passage.lines]


def _fit(words: Words) -> Passage:
    fit = words.facts["fit"]
    lines = [
        f"{count(fit['observations'], 'observation')} determine {count(fit['unknowns'], 'unknown')}; "
        f"{fit['redundancy']:,} more than needed test them.",
    ]
    if fit["passed"] is True:
        lines.append("Taken all together they fit the stated precision.")
    elif fit["passed"] is False:
        lines.append(
            "Taken all together they do not fit the stated precision; the search for blunders does not rest on this."
        )
    for key, name in (("tape_factor", "Tape readings"), ("sight_factor", "Sights and levels")):
        factor = fit[key]
        if factor is not None:
            lines.append(
                f"{name} scatter {factor:.1f} times as much as their stated precision, as far as the job can tell."
            )
    return Passage(
        "How well it fits",
        lines,
        [
            ("Variance factor (1 expected)", fixed(fit["variance_factor"], 3)),
            ("Sum of weighted squared residuals", fixed(fit["chi2"], 2)),
            ("Limit (chi-square)", fixed(fit["chi2_limit"], 2)),
        ],
    )


def _search(words: Words) -> Passage:
    facts = words.facts
    fit, test = facts["fit"], facts["settings"]["test"]
    false_alarm = chance(test["false_alarm"]) if test["false_alarm"] >= 0.01 else f"{test['false_alarm']:.2%}"
    lines = [
        f"{count(fit['hypotheses'], 'possible blunder')} were considered: each height, reading, sight and known mark, "
        f"and each tape, target and instrument as a whole. {fit['classes']:,} of them can be told apart.",
        f"A job without any blunder gets a first alarm in {false_alarm} of cases.",
    ]
    cross = facts["cross_check"]
    if cross["agrees"]:
        lines.append("A second way of searching comes to the same result.")
    else:
        best = listing([words.label(id) for id in cross["best_subset"]], 4) or "nothing"
        lines.append(f"A second way of searching differs: it blames {best}.")
    lines.append("Each explanation that is not far less likely than the best one is listed above with its chance.")
    return Passage(
        "How blunders were searched for",
        lines,
        [
            ("Largest error over its standard deviation", fixed(fit["largest_w"], 2)),
            ("found in", words.label(fit["largest_w_id"]) if fit["largest_w_id"] else "–"),
            ("Critical value", f"{fixed(fit['critical_w'], 2)} (by {fit['critical_by'] or 'none'})"),
            ("Standard deviations of an error that just shows", fixed(fit["delta0"], 2)),
        ],
    )


def _readings(words: Words) -> Passage:
    facts = words.facts
    lines = [screening(words, record) for record in facts["screening"][:20]]
    checks = sorted(facts["reading_checks"], key=lambda c: c["agrees"])
    lines += [reading_check(words, check) for check in checks[:20]]
    if len(checks) > 20:
        lines.append(f"And {len(checks) - 20:,} more pairs of readings; all of them are in results.json.")
    return Passage("Readings looked at by themselves, before any sight", lines)


def screening(words: Words, record: Record) -> str:
    """A hard check of a value itself."""
    said = str(SCREENING.get(record["rule"], record["rule"])).format(
        value=words.lengths.height_in_words(record["value_m"]),
        other=words.label(record["other_id"]) if record["other_id"] else "another one",
        other_value=words.lengths.height_in_words(record["other_value_m"]),
    )
    label = words.label(record["id"])
    return f"{label[0].upper()}{label[1:]} {said}."


def _common(words: Words) -> Passage:
    return Passage(
        "Errors that everything would share",
        [common_error(words, error) for error in words.facts["common_errors"][:20]],
    )


def _pieces(words: Words) -> Passage:
    pieces = words.facts["pieces"]
    if len(pieces) < 2 and all(piece["tied"] for piece in pieces):
        return Passage("", [])
    lines = []
    for piece in pieces[:20]:
        marks = listing(piece["marks"], 6)
        if piece["tied"]:
            lines.append(f"Piece {piece['piece']}: {marks}; tied to known marks.")
        else:
            held = f"; {piece['datum_mark']} was held at 0" if piece["datum_mark"] else ""
            lines.append(f"Piece {piece['piece']}: {marks}; tied to no known mark, so its heights are relative{held}.")
    return Passage("Pieces of the job", lines)


def _notes(words: Words) -> Passage:
    lines = []
    for note in sorted(words.facts["notes"], key=lambda n: ("doubt", "filled", "understood").index(n["kind"]))[:40]:
        place = ", ".join(part for part in (note["file"] or "", f"row {note['row']}" if note["row"] else "") if part)
        start = {"doubt": "Doubtful", "filled": "Filled in", "understood": "Understood"}[note["kind"]]
        lines.append(f"{start}: {note['text'].rstrip('.')}{f' ({place})' if place else ''}.")
    return Passage("What reading the files understood", lines)


def _settings(words: Words) -> Passage:
    settings = words.facts["settings"]
    pairs = [
        (f"{part}.{name}", "–" if value is None else f"{value:.10g}" if isinstance(value, float) else str(value))
        for part, values in settings.items()
        if isinstance(values, dict)
        for name, value in values.items()
    ]
    tolerance = words.lengths.about(words.tolerance_mm)
    return Passage(
        "Settings of this job", [f"An error of {tolerance} must not be able to hide (test.tolerance_mm)."], pairs
    )
