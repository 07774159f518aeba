"""report.html: one file that needs nothing else, no network and, if it must be, no scripts.

The style sheet and the script are named by their hashes in the page's Content-Security-Policy, so that nothing else
runs in it, whatever a mark is called.
"""

from __future__ import annotations

import base64
import hashlib
import json
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from heightnet.report import claims, fieldsheet
from heightnet.report.cards import cards
from heightnet.report.choices import choices
from heightnet.report.excerpt import excerpt
from heightnet.report.facts import written_chunks
from heightnet.report.keys import Keys
from heightnet.report.listings import Listing, Tables
from heightnet.report.method import method
from heightnet.report.numbers import count, tie
from heightnet.report.pictures import bars, drawing, plan, section
from heightnet.report.story import SOUND, TO_DO, WRONG, Story, state_word, tell
from heightnet.report.words import CAUTION, MEANINGS, VERDICTS, Words

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

EMBEDDED_BYTES = 1_000_000  # results up to this size are embedded whole; of larger ones the page says where they are
SCRIPTS = ("pointing.js", "tables.js", "page.js")


def page(facts: dict[str, Any]) -> str:
    """The text of report.html."""
    whole, shown = Words(facts), excerpt(facts)
    story = tell(whole)
    words, keys = (whole if shown is facts else Words(shown)), Keys(shown)
    tables, lookups = Tables(words, keys).all(), fieldsheet.lookups(whole, keys)
    style, script = style_sheet(), "".join(map(template, SCRIPTS))
    return environment().get_template("page.html.j2").render(
        words=words,
        job=facts["job"],
        version=facts["heightnet"]["version"],
        size=_size(facts),
        story=story,
        tone_sign=_sign(whole, story),
        state=claims.capital(state_word(whole)),
        verdicts=VERDICTS,
        meanings=MEANINGS,
        excerpt=_excerpt_says(facts, shown),
        caution=CAUTION,
        plan=_picture(plan.plan(words, keys)),
        pictures=[
            _figure("section", "The job in long section", section.section(words, keys)),
            _figure("errors", f"How wrong could each {words.stood} height be?", bars.errors(words, keys)),
            _figure("readings", "What the readings of what is accused say", bars.readings(words, keys)),
            _figure("loops", "The loops against the tolerance", bars.loops(words, keys)),
        ],
        choices=choices(words, keys),
        explained=facts["judgement"]["explained"],
        cards=cards(words, keys),
        tables=tables,
        lookups=lookups,
        taped=len(facts["setups"]) + len(facts["targets"]) > 0,
        sheet=fieldsheet.steps(whole),
        to_do=next(answer.lines for answer in story.answers if answer.question == TO_DO),
        method=method(words),
        style=style,
        script=script,
        csp=(
            f"default-src 'none'; style-src {hash_of(style)}; script-src {hash_of(script)}; img-src data:; "
            "base-uri 'none'; form-action 'none'"
        ),
        more_rows=_script_json({t.id: _more(t) for t in (*tables, *lookups) if t.more}),
        results=script_json_text(_embedded(facts)),
        signs={name: drawing.sign_svg(name) for name in (*VERDICTS, "known", "found")},
    )  # fmt: skip


def snippet(facts: dict[str, Any]) -> str:
    """A few lines of HTML for a notebook."""
    story = tell(Words(facts))
    return environment().get_template("snippet.html.j2").render(story=story, job=facts["job"])


def _sign(words: Words, story: Story) -> str:
    """The sign beside the state: of the worst verdict on what is told, else of the worst that was left open."""
    if story.tone == SOUND:
        return "proved"
    findings = words.facts["findings"]
    if story.tone == WRONG:
        return "suspect" if any(f["named"] for f in findings) else "either"
    counted = {v for table in ("setups", "targets", "levels", "staff", "shots", "gnss")
               for v, _ in words.verdict_counts(table)}  # fmt: skip
    return next((v for v in VERDICTS if v in counted - {"proved", "free"}), "doubted")


def _more(table: Listing) -> list[list[Any]]:
    """The rows that a script fetches: cells, then key, keys that light it up, its thing, and the values it states."""
    return [[*row.cells, row.key, row.about, row.of, row.values] for row in table.more]


def _picture(made: drawing.Drawing | None) -> str:
    return drawing.svg(made) if made else ""


def _figure(name: str, title: str, made: drawing.Drawing | None) -> dict[str, str]:
    return {"name": name, "title": title, "svg": _picture(made)}


def _size(facts: dict[str, Any]) -> str:
    things = {
        "setups": "set-up",
        "targets": "target",
        "marks": "mark",
        "shots": "sight",
        "levels": "levelled difference",
        "staff": "staff reading",
        "gnss": "satellite height",
    }
    return ", ".join(count(len(facts[table]), name) for table, name in things.items() if facts.get(table))


def _excerpt_says(facts: dict[str, Any], shown: dict[str, Any]) -> str:
    """What of a large job the page leaves out."""
    if shown is facts:
        return ""
    parts = [
        f"{len(shown[table]):,} of {count(len(facts[table]), name)}"
        for table, name in (("setups", "set-up"), ("targets", "target"), ("shots", "sight"))
        if len(shown[table]) < len(facts[table])
    ]
    return (
        f"A large job: pictures, tables and cards show what is accused, what touches it and what is tested least "
        f"({', '.join(parts)}). The answers above speak of all of it; setups.csv, targets.csv, marks.csv and "
        "results.json hold all of it."
    )


def _embedded(facts: dict[str, Any]) -> str:
    """The facts as JSON if they are small; otherwise what they are called and where they lie."""
    pieces, size = [], 0
    for piece in written_chunks(facts):
        pieces.append(piece)
        size += len(piece)
        if size > EMBEDDED_BYTES:
            return json.dumps({"schema": facts["schema"], "job": facts["job"], "all_of_it": "results.json"})
    return "".join(pieces)


def _script_json(value: Any) -> str:
    return script_json_text(json.dumps(value, ensure_ascii=False, separators=(",", ":")))


def script_json_text(text: str) -> str:
    """JSON that cannot end the script element it stands in."""
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def hash_of(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


@cache
def template(name: str) -> str:
    return files("heightnet.report").joinpath("templates", name).read_text(encoding="utf-8")


@cache
def style_sheet() -> str:
    return f"{template('page.css')}\n{drawing.style_sheet()}\n"


@cache
def environment() -> Environment:
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    environment = Environment(
        loader=FunctionLoader(template),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["tie"] = tie
    environment.filters["told"] = told
    environment.filters["plain"] = claims.plain
    environment.globals["states"] = states
    return environment


def told(text: str) -> Markup:
    """Text for a page: escaped, numbers tied to their units, its claims as elements."""
    from markupsafe import Markup

    return Markup(claims.html(claims.shown(text, tie)))


def states(of: str, fact: str, value: Any) -> Markup:
    """Attributes of an element that states a fact."""
    from markupsafe import Markup

    return Markup(" " + claims.attributes(of, fact, json.dumps(value, ensure_ascii=False)))
