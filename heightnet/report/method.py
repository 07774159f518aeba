"""How a job was tested, in plain sentences; the numbers behind each are folded under it, each with a line about it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from heightnet.report.check_words import common_error, reading_check, screening, state_word
from heightnet.report.claims import capital, claim
from heightnet.report.document import Block, Bullets, Number, Numbers, Section
from heightnet.report.numbers import NONE, count, fixed, listing, of_100
from heightnet.report.repeats_words import own_precision
from heightnet.report.words import Words
from heightnet.rows import Record

LIMITS = {
    "simulation": "found by simulation",
    "formula": "found by a formula",
    "none": "there is none: nothing can contradict anything",
}
"""How the limits of what is said were found."""


def method(words: Words) -> list[Section]:
    """The passages that have something to say."""
    passages = (_fit, own_precision, _decided, _search, _readings, _common, _pieces, _notes, _settings)
    return [section for passage in passages if (section := passage(words))]


def _section(title: str, lines: list[str], numbers: Sequence[Number] = ()) -> Section | None:
    """Sentences, and numbers folded under them."""
    folded: list[Block] = [Numbers("The numbers", numbers)] if numbers else []
    return Section(title, [Bullets(lines), *folded]) if lines else None


def _of(table: str, record: Record) -> Any:
    """Makes a number of the statistics of a fact of one record."""

    def one(name: str, fact: str, meaning: str, shown: str = "", decimals: int = 2) -> Number:
        value = record[fact]
        told = shown or (f"{value:,}" if isinstance(value, int) else fixed(value, decimals))
        return Number(name, claim(table, fact, value, told), meaning)

    return one


def _fit(words: Words) -> Section | None:
    fit = words.facts["fit"]

    def counted(fact: str, one: str) -> str:
        return claim("fit", fact, fit[fact], count(fit[fact], one))

    spare = fit["redundancy"]
    lines = [
        f"{counted('observations', 'measurement')} for {counted('unknowns', 'unknown')}; "
        f"{claim('fit', 'redundancy', spare, f'{spare:,}')} more than needed.",
    ]
    if fit["passed"] is True:
        lines.append("Taken all together they fit the stated precision.")
    elif fit["passed"] is False:
        lines.append("Taken all together they fit worse than the stated precision lets expect; nothing rests on this.")
    for key, name, factor in words.scatter():
        times = claim("fit", key, factor, f"{factor:.1f} times")
        lines.append(f"{capital(name)} scatter about {times} as much as stated, as far as the job can tell.")
    one = _of("fit", fit)
    return _section(
        "How well it fits",
        lines,
        [
            one("Variance factor", "variance_factor", "squared misfits against the stated precision; 1 is expected",
                decimals=3),
            one("Sum of squared misfits", "chi2", "each over its stated standard deviation"),
            one("Its limit", "chi2_limit", "a sound job exceeds it no more often than the false alarm allows"),
            one("Largest test against the job's own scatter", "largest_tau",
                "the largest w over the root of the variance factor, for a job that does not trust its precision",
                NONE if fit["largest_tau"] is None else fixed(abs(fit["largest_tau"]), 2)),
            one("Its limit", "critical_tau", "exceeded by that test in a sound job no more often than allowed"),
        ],
    )  # fmt: skip


def _decided(words: Words) -> Section | None:
    """Whether the job contradicts itself, and by what that was decided."""
    facts = words.facts
    fit, judgement, false_alarm = facts["fit"], facts["judgement"], facts["settings"]["test"]["false_alarm"]
    shown = f"{100 * false_alarm:.10g} in 100"
    lines = [
        f"This job: {state_word(words)}.",
        f"Of sound jobs {claim('settings', 'false_alarm', false_alarm, shown)} would be said to contradict themselves.",
    ]
    id, w = fit["largest_w_id"], fit["largest_w"]
    if id is not None:
        lines.append(f"The largest test of one value is that of {words.label(id)}.")
    one, of_judgement = _of("fit", fit), _of("judgement", judgement)
    numbers = [
        one("Largest test (w)", "largest_w",
            "an error over its standard deviation; beyond the limit the job contradicts itself",
            NONE if w is None else fixed(abs(w), 2)),
        one("Its limit", "critical_w", f"for one test in each class; {LIMITS[fit['critical_by']]}"),
        one("Log odds of the likeliest error", "log_odds",
            "for one class being wrong against none; beyond the limit the job contradicts itself"),
        one("Its limit", "critical_log_odds", "found together with the other limit, so that both keep the false alarm"),
        of_judgement("Chance that anything is wrong", "probability", "from the search over sets of errors", decimals=4),
    ]  # fmt: skip
    if judgement["bears"] is not None:
        numbers.append(of_judgement("Errors it bears", "bears", "so few spare measurements cannot part more of them"))
    if judgement["survives"] is not None:
        survives = "so many at once could not hide one: half of the fewest independent ways"
        numbers.append(of_judgement("Errors every height survives", "survives", survives))
    numbers += [
        of_judgement("Heights with fewer than 2 independent ways", "checked_under_two",
                     "an error in them shows, if at all, only together with what checks them"),
        of_judgement("Heights with fewer than 4 independent ways", "checked_under_four",
                     "two errors at once could hide in them"),
    ]  # fmt: skip
    return _section("How it was decided", lines, numbers)


def _search(words: Words) -> Section | None:
    facts = words.facts
    fit, judgement, cross = facts["fit"], facts["judgement"], facts["cross_check"]
    tried = claim("fit", "hypotheses", fit["hypotheses"], count(fit["hypotheses"], "possible error"))
    apart = claim("fit", "classes", fit["classes"], f"{fit['classes']:,}")
    lines = [
        f"{tried} were considered: each height, reading, sight and known mark, and each tape, target and instrument as "
        f"a whole. {apart} of them can be told apart; what cannot be is told together.",
    ]
    if judgement["second_search"] == "not made":
        lines.append("No second way of searching was tried: nothing was there to be searched.")
    elif cross["agrees"]:
        lines.append("A second way of searching comes to the same result.")
    else:
        best = listing(cross["best_subset"], 4, called=words.label) or "nothing"
        lines.append(f"A second way of searching differs: it blames {best}.")
    if judgement["events"] == "not weighed":
        lines.append(
            "Not asked in a job of this size: whether something began at a moment of the day, moved between two sights "
            "or had another name than booked."
        )
    one = _of("judgement", judgement)
    searched = judgement["searched"]
    return _section(
        "How errors were searched for",
        lines,
        [
            one("Parts searched", "neighbourhoods", "1: the whole job; of a large one those around what stands out"),
            one("Share looked at", "searched", "about so much of all probability; no chance is shown above it",
                NONE if searched is None else of_100(searched)),
            one("Stopped early", "stopped", "by the budget of a search, or by the seconds asked for",
                judgement["stopped"] or "no"),
            one("Second search", "second_search", "the set that removes most misfit for its number of errors",
                judgement["second_search"]),
            one("Errors in the likeliest set", "blunders", "an error that many values share counts once"),
        ],
    )  # fmt: skip


def _readings(words: Words) -> Section | None:
    facts = words.facts
    lines = [screening(words, record) for record in facts["screening"][:20]]
    checks = sorted(facts["reading_checks"], key=lambda c: c["agrees"])
    lines += [reading_check(words, check) for check in checks[:20]]
    if len(checks) > 20:
        lines.append(f"And {len(checks) - 20:,} more pairs of readings; all of them are in results.json.")
    return _section("Readings looked at by themselves, before any sight", lines)


def _common(words: Words) -> Section | None:
    return _section(
        "Errors that everything would share",
        [common_error(words, error) for error in words.facts["common_errors"][:20]],
    )


def _pieces(words: Words) -> Section | None:
    pieces = words.facts["pieces"]
    if len(pieces) < 2 and all(piece["tied"] for piece in pieces):
        return None
    lines = []
    for piece in pieces[:20]:
        marks = listing(piece["marks"], 6)
        if piece["tied"]:
            lines.append(f"Piece {piece['piece']}: {marks}; tied to known marks.")
        else:
            held = f"; {piece['datum_mark']} was held at 0" if piece["datum_mark"] else ""
            lines.append(f"Piece {piece['piece']}: {marks}; tied to no known mark, so its heights are relative{held}.")
    return _section("Pieces of the job", lines)


def _notes(words: Words) -> Section | None:
    lines = []
    for note in sorted(words.facts["notes"], key=lambda n: ("doubt", "filled", "understood").index(n["kind"]))[:40]:
        place = ", ".join(part for part in (note["file"] or "", f"row {note['row']}" if note["row"] else "") if part)
        start = {"doubt": "Doubtful", "filled": "Filled in", "understood": "Understood"}[note["kind"]]
        lines.append(f"{start}: {note['text'].rstrip('.')}{f' ({place})' if place else ''}.")
    return _section("What reading the files understood", lines)


def _settings(words: Words) -> Section | None:
    settings = words.facts["settings"]
    pairs = [
        Number(f"{part}.{name}", NONE if value is None else f"{value:.10g}" if isinstance(value, float) else f"{value}")
        for part, values in settings.items()
        if isinstance(values, dict)
        for name, value in values.items()
    ]
    return _section(
        "Settings of this job", [f"An error of {words.limit} must not be able to hide (test.tolerance_mm)."], pairs
    )
