"""report.html: what is said of a job, its pictures beside it, and everything it rests on below."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

from heightnet.gaps import not_proved
from heightnet.ledger.thing import ROWS, TABLES
from heightnet.report import caution, fieldsheet
from heightnet.report import document as doc
from heightnet.report.cards import cards
from heightnet.report.check_words import check_document, what_to_do
from heightnet.report.choices import choices_section
from heightnet.report.claims import strong
from heightnet.report.excerpt import excerpt
from heightnet.report.facts import written_chunks
from heightnet.report.figures import pictures
from heightnet.report.html import blocks, element, html
from heightnet.report.keys import Keys
from heightnet.report.listings import Listing, Tables
from heightnet.report.method import method
from heightnet.report.namer import words_of
from heightnet.report.numbers import count
from heightnet.report.words import MEANINGS, VERDICTS, Words

EMBEDDED_BYTES = 1_000_000  # results up to this size are embedded whole; of larger ones the page says where they are
OPEN, OPEN_ROWS = 3, 20  # tables that stand open: the first ones, and short ones
SIZES = {"setups": "set-up", "targets": "target", "marks": "mark"}
TAPE_TWICE = (
    "Tape every height twice, in two scales, by two people, and write down the point that the tape was held to and "
    "whether it was vertical or slant. Book before comparing."
)
HOW_TO_READ = (
    "Too high and too low always speak of the recorded value. A range, “245 mm too low (242 to 249)”, and a heavy bar "
    "in a picture hold 95 of 100 such errors. “sd” is one standard deviation. A tolerance is what a loop may miss by; "
    "whether something contradicts is another question, answered at the top."
)


def page(facts: dict[str, Any], story: doc.Document | None = None) -> str:
    """The text of report.html; story : of these facts, where it was told already."""
    return html(page_document(facts, story or check_document(facts)))


def snippet(facts: dict[str, Any]) -> str:
    """A few lines of HTML for a notebook."""
    story = check_document(facts)
    return element("div", blocks(story.doubted), element("p", strong(story.headline)), blocks(story.blocks, 4))


def page_document(facts: dict[str, Any], story: doc.Document) -> doc.Document:
    """The story with all that a page shows besides."""
    whole, shown = Words(facts), excerpt(facts)
    words, keys = (whole if shown is facts else Words(shown)), Keys(shown)
    made = cards(words, keys)
    tables, lookups = Tables(words, keys).all(), fieldsheet.lookups(whole, keys)
    for table in tables:
        table.linked = {card.key for card in made}
    left_out, drawn = _left_out(facts, shown), pictures(words, keys)
    version = facts["heightnet"]["version"]
    return replace(
        story,
        sign=_sign(whole, story),
        size=", ".join(count(len(facts[table]), name) for table, name in _sizes().items() if facts.get(table)),
        beside=[
            *(picture for picture in drawn if not picture.wide),
            caution.NOTE,
        ],
        below=[
            *([doc.Note(left_out, "excerpt")] if left_out else []),
            doc.Section("Pictures", [picture for picture in drawn if picture.wide], "pictures", "Pictures"),
            *([explanations] if (explanations := choices_section(words, keys)) else []),
            *([doc.Section("Height by height", made, "cards", "Height by height")] if made else []),
            _tables(tables),
            _sheet(whole, lookups),
            doc.Section("How it was tested", method(words), "method", "How it was tested"),
            _signs(),
        ],
        foot=f"heightnet {version}. The same numbers, all of them, are in results.json beside this page.",
        scripts=("pointing.js", "tables.js", "page.js"),
        data={
            "more-rows": [_packed({t.id: t.packed() for t in (*tables, *lookups) if t.more})],
            "results": [_embedded(facts)],
        },
    )


def _sizes() -> dict[str, str]:
    """What the records of each table are that makes a job large or small."""
    return SIZES | {TABLES[kind]: words_of(kind).noun for kind in ROWS}


def _sign(words: Words, story: doc.Document) -> str:
    """The sign beside the state: of the worst verdict on what is told, else of the worst that was left open."""
    if story.tone == doc.SOUND:
        return "proved"
    findings = words.facts["findings"]
    if story.tone == doc.WRONG:
        return "suspect" if any(f["named"] for f in findings) else "either"
    counted = {v for table in not_proved()["unproved"] for v, _ in words.verdict_counts(table)}
    return next((v for v in VERDICTS if v in counted - {"proved", "free"}), "doubted")


def _left_out(facts: dict[str, Any], shown: dict[str, Any]) -> str:
    """What of a large job the page leaves out."""
    if shown is facts:
        return ""
    parts = [
        f"{len(shown[table]):,} of {count(len(facts[table]), _sizes()[table])}"
        for table in ("setups", "targets", "shots")
        if len(shown[table]) < len(facts[table])
    ]
    return (
        f"{strong('Part of the job.')} A large job: pictures, tables and cards show what is accused, what touches it "
        f"and what is tested least ({', '.join(parts)}). The answers above speak of all of it; setups.csv, "
        "targets.csv, marks.csv, sights.csv and results.json hold all of it."
    )


def _tables(tables: list[Listing]) -> doc.Section:
    folds: list[doc.Block] = [doc.Switch("Show the statistics in every table")]
    for number, table in enumerate(tables):
        told = ((c.heading, f"{c.meaning}{' (statistics)' if c.stat else ''}") for c in table.columns if c.meaning)
        meanings = [doc.Number(heading, "", meaning) for heading, meaning in told]
        is_open = number < OPEN or len(table.rows) <= OPEN_ROWS
        inner: list[doc.Block] = [table, doc.Numbers("What the columns mean", meanings)]
        folds.append(doc.Fold(table.title, inner, "listing", is_open, table.total))
    return doc.Section("Tables", folds, "tables", "Tables")


def _sheet(words: Words, lookups: list[Listing]) -> doc.Section:
    steps = fieldsheet.steps(words)
    taped = len(words.facts["setups"]) + len(words.facts["targets"]) > 0
    looked: list[doc.Block] = [doc.Section(table.title, [table]) for table in lookups]
    done: list[doc.Block] = [*what_to_do(words)]
    if steps:
        done = [doc.Steps(steps), *([TAPE_TWICE] if taped else [])]
    return doc.Section(f"Field sheet: {words.title}", looked + done, "sheet", "Field sheet")


def _signs() -> doc.Section:
    signs = [doc.Sign(verdict, VERDICTS[verdict], MEANINGS[verdict]) for verdict in VERDICTS]
    signs.append(doc.Sign("known", "known mark", "its height is given", verdict=False))
    signs.append(doc.Sign("found", "mark to be found", "its height comes from this job", verdict=False))
    return doc.Section("Signs and words", [doc.Legend(signs), HOW_TO_READ], "signs", "Signs")


def _packed(rows: dict[str, Any]) -> str:
    return json.dumps(rows, ensure_ascii=False, separators=(",", ":"))


def _embedded(facts: dict[str, Any]) -> str:
    """The facts as JSON if they are small; otherwise what they are called and where they lie."""
    pieces, size = [], 0
    for piece in written_chunks(facts):
        pieces.append(piece)
        size += len(piece)
        if size > EMBEDDED_BYTES:
            return json.dumps({"schema": facts["schema"], "job": facts["job"], "all_of_it": "results.json"})
    return "".join(pieces)
