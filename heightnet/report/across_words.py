"""What many jobs tell together, in words and tables: for the index page of an archive, a terminal, and rates.toml."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from heightnet.judge.causes import NONE as NO_USUAL_CAUSE
from heightnet.kinds import height
from heightnet.report.claims import capital
from heightnet.report.document import Block, Fold, Section, Table
from heightnet.report.namer import shared
from heightnet.report.numbers import INTERVAL, NONE, Lengths, count, fixed, listing
from heightnet.rows import Record

ROWS_SHOWN = 60
NAMED_AT_MOST = 12
LEAST_EXPECTED = 0.05  # number of wrong heights from which a cause has a row
VERDICTS = {
    "wrong": "wrong",
    "together": "not told apart",
    "unseen": "seen by no job",
    "weak": "weakly known",
    "slight": "slightly off",
    "right": "as it should be",
}
"""The word for each verdict of a thing, worst first."""
RATES = {
    "setup": "an instrument height",
    "target": "a target height",
    "reading": "one tape reading of several",
    "shot": "a sight",
    "known": "a known height",
    "level": "a levelled difference",
    "gnss": "a satellite rise or height",
    "separation": "a mark's separation",
    "group": "a thing, in all of one job",
}
CAUSES = {
    "swap": "instrument and target height in each other's place",
    "other_point": "the tape held to another point",
    "tripod_head": "the tape held to the tripod head, not to the axis",
    NO_USUAL_CAUSE: "none of the usual causes",
}


def across_blocks(facts: Record, unit: str = "m") -> list[Block]:
    """The facts of `heightnet.archives.across.across_jobs` as headings and sentences, tables one click below.

    Parameters
    ----------
    unit : of small lengths, "m" (millimetres), "ft" or "ftUS".
    """
    lengths = Lengths(unit)
    blocks = [*_things(facts, lengths), *_changed(facts, lengths), *_scales(facts), *_rates(facts)]
    for key, heading, column in (
        ("observers", "Wrong heights by observer", "Observer "),
        ("methods", "Wrong heights by how they were read", "Readings "),
        ("equipment", "Wrong heights by instrument and equipment", "Instrument or equipment "),
    ):
        blocks += _by(facts, key, heading, column)
    return [*blocks, *_causes(facts)]


def _part(heading: str, lines: list[str], table: Table | None = None) -> list[Block]:
    """Sentences under a heading with their table folded; where nothing is to be said, the table alone."""
    rows = [table] if table and table.rows else []
    if not lines:
        return [Fold(heading, rows)] if rows else []
    return [Section(heading, [*lines, *(Fold("The numbers", [table]) for table in rows)])]


def day(iso: str | None) -> str:
    """
    >>> day("2024-05-03")
    '3 May 2024'
    """
    if iso is None:
        return NONE
    at = date.fromisoformat(iso)
    return f"{at.day} {at:%B %Y}"


# ---- offsets ----


def _things(facts: Record, lengths: Lengths) -> list[Block]:
    things = facts["offsets"]
    changed = {(c["kind"], c["name"]) for c in facts["changes"]}
    lines = [_offset(t, lengths) for t in things if t["verdict"] == "wrong" and (t["kind"], t["name"]) not in changed]
    hidden = len(lines) - NAMED_AT_MOST
    lines = lines[:NAMED_AT_MOST] + ([f"And {hidden:,} more, in the table and in archive.json."] if hidden > 0 else [])
    if things and not lines:
        lines.append("No instrument, prism, pole, tape or person is wrong by more than chance explains.")
    lines += _together(facts)
    lines += _let_go(things, lengths)
    if things:
        lines.append(
            "An offset is against the mean of all things of its kind that were used together: an error that every "
            "tape, or everything at an office, has in common shows in no archive. A tape's offset is its error at "
            "1.5 m."
        )
    if facts["newly_mm"]:
        lines.append(
            "The jobs scatter as if each thing had a new error of about "
            f"{lengths.about(facts['newly_mm'])} in every job; the uncertainties below allow for it."
        )
    mm = lengths.small_short
    header = ["Thing ", "Jobs", "Heights", f"Error, {mm}", f"Sd, {mm}", f"Would show, {mm}", "From ", "To ", "Verdict "]
    rows = [
        [
            shared(t["kind"], t["name"]), f"{t['jobs']:,}", f"{t['heights']:,}", lengths.column(t["error_mm"]),
            lengths.column(t["error_sd_mm"]), lengths.column(t["smallest_detectable_mm"]),
            t["since"] or "", t["until"] or "", VERDICTS[t["verdict"]],
        ]
        for t in _worst_first(things)[:ROWS_SHOWN]
    ]  # fmt: skip
    return _part("Instruments, equipment, tapes and people over all jobs", lines, Table(header, rows))


def _worst_first(things: list[Record]) -> list[Record]:
    order = list(VERDICTS)
    return sorted(things, key=lambda t: (order.index(t["verdict"]), -abs(t["w"] or 0.0), t["thing"]))


def _offset(t: Record, lengths: Lengths) -> str:
    size = _size(t["error_mm"], t["error_sd_mm"], "mm", lengths)
    where = f"{count(t['jobs'], 'job')}, {count(t['heights'], 'height')}"
    return f"{capital(shared(t['kind'], t['name']))}: recorded {size} in all its jobs ({where})."


def _together(facts: Record) -> list[str]:
    """What cannot be told apart, each pair or group once."""
    every = [*facts["offsets"], *facts["scales"], *facts["indexes"]]
    named = {t["thing"]: shared(t["kind"], t["name"]) for t in every}
    said: set[frozenset[str]] = set()
    lines = []
    for t in every:
        if t["verdict"] != "together":
            continue
        group = frozenset([t["thing"], *(p["thing"] for p in t["together"])])
        if group in said:
            continue
        said.add(group)
        others = listing([named[p["thing"]] for p in t["together"]])
        seen = {p["seen"] for p in t["together"]}
        what = f"the {seen.pop()}" if len(seen) == 1 else "a mixture"
        lines.append(
            f"{capital(named[t['thing']])} cannot be told from {others}: over all jobs only {what} of their errors is "
            "seen. One job that uses one of them without the other would settle it."
        )
    unseen = [named[t["thing"]] for t in every if t["verdict"] == "unseen"]
    if unseen:
        lines.append(
            f"No job shows whether all heights of {listing(unseen)} are equally wrong: each job either cancels such an "
            "error or does not test it."
        )
    return lines


def _let_go(things: Iterable[Record], lengths: Lengths) -> list[str]:
    lines = []
    for t in things:
        gone = t["let_go"]
        if gone and gone["agree"] and not t["since"]:
            size = _size(gone["error_mm"], gone["error_sd_mm"], "mm", lengths)
            lines.append(
                f"In {count(gone['jobs'], 'job')} the only heights of {shared(t['kind'], t['name'])} were taken for "
                f"blunders, and all of them are about {size}: look at the thing itself."
            )
    return lines


def _changed(facts: Record, lengths: Lengths) -> list[Block]:
    lines = [_change(c, lengths) for c in facts["changes"][:NAMED_AT_MOST]]
    more = len(facts["changes"]) - len(lines)
    return _part("What changed", lines + ([f"And {more:,} more, in archive.json."] if more > 0 else []))


def _change(c: Record, lengths: Lengths) -> str:
    when = f"between {day(c['from_day'])} and {day(c['to_day'])}"
    by = f"by {_size(c['change'], c['change_sd'], c['unit'], lengths, way=False)}"
    sides = ""
    if c["before"] is not None and c["after"] is not None:
        before = _size(c["before"], c["before_sd"], c["unit"], lengths)
        after = _size(c["after"], c["after_sd"], c["unit"], lengths)
        sides = f" Before: {before}; since: {after}."
    jobs = f"{count(c['jobs_before'], 'job')} before, {c['jobs_after']:,} after"
    return f"{capital(shared(c['kind'], c['name']))} changed {when}, {by} ({jobs}).{sides}"


def _size(value: float, sd: float, unit: str, lengths: Lengths, way: bool = True) -> str:
    """A size with the range that holds 95 of 100: "24 mm too high (20 to 28)"."""
    high = f" too {'high' if value > 0 else 'low'}" if way else ""
    if unit == "mm":
        span = lengths.span(value, sd)
        return f"{lengths.small(value, sd)}{high} ({span if way else _bare(span)})"
    low, most = (abs(value) + side * INTERVAL * sd for side in (-1, 1))
    name = "mm a metre" if unit == "mm_per_m" else "seconds of arc"
    return f"{abs(value):.1f} {name}{high} ({fixed(low, 1)} to {fixed(most, 1)})"


def _bare(span: str) -> str:
    """A range of a change, which is neither too high nor too low."""
    return span.replace(" too low", "").replace(" too high", "")


def _scales(facts: Record) -> list[Block]:
    """Tapes and poles that are too long or too short, and index errors."""
    lines, rows = [], []
    for t in _worst_first([*facts["scales"], *facts["indexes"]]):
        unit = "mm_per_m" if t["kind"] != "index" else "sec"
        error, sd = t[f"error_{unit}"], t[f"error_sd_{unit}"]
        name = shared(t["kind"], t["name"])
        shown = "mm a metre" if unit == "mm_per_m" else "seconds of arc"
        if t["verdict"] == "wrong":
            lines.append(f"{capital(name)}: {_size(error, sd, unit, Lengths())} ({count(t['jobs'], 'job')}).")
        size = [fixed(error, 1), fixed(sd, 1), fixed(t[f"smallest_detectable_{unit}"], 1)]
        rows.append([name, shown, f"{t['jobs']:,}", *size, VERDICTS[t["verdict"]]])
    header = ["Thing ", "Unit ", "Jobs", "Error", "Sd", "Would show", "Verdict "]
    return _part(
        "Graduations and vertical indexes over all jobs", lines[:NAMED_AT_MOST], Table(header, rows[:ROWS_SHOWN])
    )


# ---- blunders ----


def _rates(facts: Record) -> list[Block]:
    rates = facts["rates"]
    header = ["Goes wrong ", "Of a thousand", "From", "To", "Assumed so far", "Tested", "Expected wrong"]
    rows = [
        [
            RATES[kind], _per_thousand(r["rate"]), _per_thousand(r["low"]), _per_thousand(r["high"]),
            _per_thousand(r["assumed"]), f"{r['hypotheses']:,}", fixed(r["expected"], 1),
        ]
        for kind in RATES
        if (r := rates.get(kind))
    ]  # fmt: skip
    lines = []
    if rows:
        lines.append(
            "From this archive's own history; what nothing tests is not counted. In 95 of 100 cases a rate lies "
            "between the two given. rates.toml beside this page holds them: heightnet check JOB --rates rates.toml "
            "judges with them."
        )
    return _part("How often something goes wrong", lines, Table(header, rows))


def _by(facts: Record, key: str, heading: str, column: str) -> list[Block]:
    found = facts[key]
    lines = [
        f"{capital(r['name'])}: {_per_thousand(r['rate'])} of a thousand heights are wrong "
        f"({_per_thousand(r['low'])} to {_per_thousand(r['high'])}), against "
        f"{_per_thousand(facts['rate_of_heights'])} of all."
        for r in found
        if r["stands_out"]
    ]
    header = [column, "Heights", "Tested", "Expected wrong", "Of a thousand", "From", "To"]
    rows = [
        [r["name"], _number(r["heights"]), _number(r["tested"]), fixed(r["expected"], 1), _per_thousand(r["rate"]),
         _per_thousand(r["low"]), _per_thousand(r["high"])]
        for r in found[:ROWS_SHOWN]
    ]  # fmt: skip
    return _part(heading, lines[:NAMED_AT_MOST], Table(header, rows))


def _causes(facts: Record) -> list[Block]:
    header = ["Cause ", "Expected", "Share, of 100", "Of a thousand", "From", "To"]
    rows = [
        [cause_text(c["cause"]), fixed(c["expected"], 1), fixed(100 * c["share"], 0), fixed(c["per_thousand"], 2),
         fixed(c["low"], 2), fixed(c["high"], 2)]
        for c in facts["causes"]
        if c["expected"] >= LEAST_EXPECTED
    ]  # fmt: skip
    return _part("Why heights were wrong", [], Table(header, rows))


def cause_text(key: str) -> str:
    """
    >>> cause_text("misread_1dm"), cause_text("swap")
    ('a reading one decimetre off', "instrument and target height in each other's place")
    """
    texts = {cause.key: cause.text for cause in height.CAUSES} | CAUSES
    return texts.get(key, key)


def _per_thousand(rate: float) -> str:
    return fixed(1000 * rate, 1)


def _number(heights: float) -> str:
    """A number of heights; one that two people read is half of each's."""
    return f"{heights:,.0f}" if heights == round(heights) else f"{heights:,.1f}"


def rates_toml(facts: Record) -> str:
    """A file for ``heightnet check JOB --rates FILE``: the rates of this archive, with what they rest on."""
    dated = "" if facts["first_day"] is None else f" {day(facts['first_day'])} to {day(facts['last_day'])}."
    lines = [
        f"# How often things were wrong in {count(facts['jobs'], 'job')} of this archive.{dated}",
        "# Prior chances of a blunder for jobs like these:",
        "#   heightnet check JOB --rates rates.toml",
        "# Behind each: where it lies in 95 of 100 cases, from how many that something tests, what was assumed.",
        "[rates]",
    ]
    for kind in RATES:
        if r := facts["rates"].get(kind):
            value = f"{kind} = {_toml(r['rate'])}"
            span = f"{_toml(r['low'])} to {_toml(r['high'])}, from {r['hypotheses']:,}"
            lines.append(f"{value:<20} # {span}; assumed {_toml(r['assumed'])}")
    return "\n".join(lines) + "\n"


def _toml(rate: float) -> str:
    return f"{min(max(rate, 1e-6), 0.5):.6f}".rstrip("0")
