"""Reads the finished page of a short report and holds every statement on it against the facts it was made of.

A statement is an element that says of which thing, which fact and which value it speaks.  A verdict, a chance, a `%` or
a `±` outside such an element is a fault, and so is an element whose value or text is not that of the facts.
"""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser

from heightnet.report.numbers import of_100
from heightnet.report.words import STATES, VERDICTS

SAID_ONLY_BY_STATEMENTS = re.compile(
    "|".join([*(rf"\b{re.escape(word)}\b" for word in (*VERDICTS.values(), *STATES.values())), "in 100", "%", "±"]),
    re.IGNORECASE,
)


STATING = ("span", "text", "tspan")  # in a sentence, in a picture


class Page(HTMLParser):
    """``statements``: (of, fact, value, text) of each; ``loose``: all other text."""

    def __init__(self, text):
        super().__init__()
        self.statements, self.loose, self._open, self._skip = [], [], None, ""
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        found = dict(attributes)
        if tag in ("style", "title", "header"):  # a job may be called anything
            self._skip = tag
        if "data-of" in found:
            assert tag in STATING and self._open is None, "statements do not nest"
            self._open = [found["data-of"], found["data-fact"], json.loads(found["data-value"]), ""]

    def handle_endtag(self, tag):
        if tag == self._skip:
            self._skip = ""
        if self._open is not None and tag in STATING:
            self.statements.append(tuple(self._open))
            self.loose.append(" … ")
            self._open = None
        elif tag in ("p", "td", "th", "h1", "h2"):
            self.loose.append("\n")

    def handle_data(self, data):
        if self._skip:
            return
        if self._open is not None:
            self._open[3] += data
        else:
            self.loose.append(data)


def record(facts, of):
    """The record that ``of`` names."""
    kind, _, name = of.partition(":")
    lists = {
        "finding": "findings", "rival": "rivals", "loop": "loops", "book": "book", "section": "sections",
        "by_shot": "by_shot", "remedy": "remedies", "side": "sides", "doubt": "doubt", "set": "sets",
        "level_test": "level_tests", "hides": "hides", "check_shots": "check_shots",
        "let_go": "let_go", "by_setup": "by_setup",
    }  # fmt: skip
    if kind == "step":
        steps = facts["plan"]["steps"] if "plan" in facts else facts["steps"]
        return walk(steps[int(name.partition(".")[0]) - 1], name.partition(".")[2])
    if kind in lists:
        number, _, rest = name.partition(".")
        return walk(facts[lists[kind]][int(number) - 1], rest)
    if kind == "cause":
        id_, _, key = name.rpartition(":")
        of_thing = next(r for r in (*facts.get("rivals", ()), *facts.get("suspects", ())) if r["id"] == id_)
        return next(c for c in of_thing["causes"] if c["cause"] == key)
    if kind == "settings":
        return facts["settings"]["test"]
    if "untested" in facts and of != "bust" and (found := untested(facts["untested"], of)):
        return found
    if kind in facts and not name:
        return facts[kind]
    if kind in ("bust", "prove", "plan") and not name:
        return facts
    return next(r for table in ("heights", "suspects", "rivals") for r in facts.get(table, ()) if r["id"] == of)


def untested(listed, of):
    """What nothing tests, as the verdicts of results.json would say it."""
    rows, bare = listed["rows"], listed["heights"]
    missing = sum(id_.startswith(of.removesuffix("s")) for id_ in listed["without_height"])
    return {
        "heights": {"unproved": len(bare)}, "setups": {"missing": missing}, "targets": {"missing": missing},
        **{table: {"unproved": len(ids)} for table, ids in rows.items()},
        **{id_: {"verdict": "unproved"} for ids in rows.values() for id_ in ids},
    }.get(of)  # fmt: skip


def walk(value, path):
    for step in filter(None, path.split(".")):
        value = value[int(step)] if step.isdigit() else value[step]
    return value


def shows(fact, value, text):
    """Whether a text can be what a value is told as."""
    text = text.replace("\N{NO-BREAK SPACE}", " ").replace("\N{MINUS SIGN}", "-")
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return bool(text)
    if fact == "power":
        return {"four times in five": 0.8, "nine times in ten": 0.9}.get(text, -1) == value
    if fact == "probability" or fact.endswith(("probability", "outside")) or fact.startswith("risk"):
        return of_100(value) in text
    if fact == "level":
        return bool(re.search("wrong|moved", text)) and ("probably" in text) == (value < 0.9)
    told = [n.replace(",", "") for n in re.findall(r"-?\d[\d,]*\.?\d*", text)]
    if fact.endswith("_sd_mm"):
        return (len(told) == 2 and float(told[0]) <= float(told[1])) or "too" in text
    near = (abs(abs(float(n)) - abs(value)) <= 0.5001 * 10 ** -len(n.partition(".")[2]) for n in told)
    feet = (abs(abs(float(n)) * unit - abs(value)) <= 0.16 for n in told for unit in (304.8, 0.3048))
    return any(near) or any(feet) or (fact == "count" and bool(told))


def faults(page, facts):
    """Everything on a page that is not what the facts say."""
    read, out = Page(page), []
    loose = "".join(read.loose)
    out += [f"outside a statement: {m[0]!r}: {loose[max(0, m.start() - 60) : m.end() + 20]!r}"
            for m in SAID_ONLY_BY_STATEMENTS.finditer(loose)]  # fmt: skip
    for of, fact, value, text in read.statements:
        if (of, fact) == ("findings", "count"):
            if value != len(facts["findings"]) or str(value) not in text:
                out.append(f"{text!r} of {len(facts['findings'])} findings")
            continue
        if of == "vocabulary":
            if text.lower() not in (VERDICTS | STATES)[value].lower():
                out.append(f"{text!r} is no word for {value}")
            continue
        try:
            there = walk(record(facts, of), fact)
        except (KeyError, IndexError, StopIteration, TypeError, ValueError) as error:
            out.append(f"nothing is called {of} {fact} ({text!r}): {error!r}")
            continue
        if there != value:
            out.append(f"{of} {fact}: {value} on the page, {there} in the facts")
        elif not shows(fact, value, text):
            out.append(f"{of} {fact}: {text!r} does not show {value}")
    return out, len(read.statements)


def altered(page, number):
    """The page with the value of one statement altered."""
    values = list(re.finditer(r'data-value="([^"]*)"', page))
    at = values[number % len(values)]
    value = json.loads(at[1].replace("&quot;", '"').replace("&#x27;", "'").replace("&amp;", "&"))
    new = (not value) if isinstance(value, bool) else f"{value}x" if isinstance(value, str) else (value or 0) + 1.5
    shown = json.dumps(new).replace('"', "&quot;")
    return f"{page[: at.start(1)]}{shown}{page[at.end(1) :]}"
