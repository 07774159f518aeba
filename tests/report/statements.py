"""Holds every statement of a finished page against the facts it was made of.

A statement is an element that says of which thing (``data-of``), which fact and which value it speaks.  What a value
may look like in words is written down here anew, from README and docs, and not taken from what is tested.
"""

from __future__ import annotations

import json
import re
from collections import defaultdict
from dataclasses import dataclass

from lxml import html

VERDICTS = {
    "suspect": "probably wrong", "either": "in question", "unproved": "untested", "missing": "no height",
    "doubted": "not cleared", "weak": "weakly tested", "proved": "proved", "free": "free set-up",
}  # fmt: skip
STATES = {
    "closes": "closes", "scatters": "closes, but scatters more than stated", "unclear": "contradicted, cause not shown",
    "wrong": "something is wrong", "many": "many things are wrong", "unexplained": "not explained",
    "untested": "nothing tests it",
}  # fmt: skip
SAID_OF_STATES = {
    "closes": r"closes(?!, but)", "scatters": "closes, but.* scatter", "unclear": "contradict.*show",
    "wrong": "(?<!things )(is|are) (probably )?wrong|^(probably )?moved$", "many": "many things are wrong",
    "unexplained": "not explained|contradicts itself$", "untested": "nothing tests",
}  # fmt: skip
CHANCES = (  # README: the words for chances
    (0.99, "almost certain"), (0.9, "very likely"), (0.5, "likely"), (0.1, "possible"), (0.01, "unlikely"),
    (0.0, "very unlikely"),
)  # fmt: skip
TIMES = {0.5: "every other time", 0.75: "three times in four", 0.8: "four times in five", 0.9: "nine times in ten"}
LOOPS = {True: "within", False: "outside"}
UNIT_M = {"m": 1.0, "ft": 0.3048, "ftUS": 1200 / 3937}
INTERVAL = 1.96
TABLES = ("shots", "levels", "staff", "gnss", "separations", "known", "groups")
HEIGHTS = ("setups", "targets")
OF_STANDS = {  # facts of the hypothesis about a stand, one for all that share the stand
    "verdict", "probability", "error_mm", "error_sd_mm", "w", "redundancy", "smallest_found_mm", "smallest_named_mm",
}  # fmt: skip
OF_FINDINGS = {"probability", "error_mm", "error_sd_mm"}  # of a named one: those of the thing it names

ONLY_IN_STATEMENTS = re.compile(
    "|".join([*(rf"\b{re.escape(word)}\b" for word in (*VERDICTS.values(), *STATES.values())), "in 100", "%", "±"]),
    re.IGNORECASE,
)
CLAIM = re.compile("\ue000([^\ue001]*)\ue001([^\ue001]*)\ue001([^\ue001]*)\ue001([^\ue002]*)\ue002")
MARKS = re.compile("[\ue000-\ue002]")
NUMBER = re.compile(r"(?<![\w.,/])[-+]?\d[\d,]*(?:\.\d+)?")


@dataclass(frozen=True)
class Statement:
    """cell : it stands in a table or among the numbers of the statistics, where every digit is shown."""

    of: str
    fact: str
    value: object
    text: str
    cell: bool


# ---- reading a page ----


def plain(text):
    """Text with single blanks and a minus that is a hyphen."""
    return " ".join(text.replace("\N{MINUS SIGN}", "-").split())


def statements(page):
    """Every statement of a page, those that a script would show included."""
    for part in page.iter():
        if isinstance(part.tag, str) and "data-of" in part.attrib:
            cell = any(p.tag in ("td", "dd") for p in (part, *part.iterancestors()))
            text = part.text_content() if part.tag != "title" else _of_title(part)[1]
            yield _statement(part.get("data-of"), part.get("data-fact"), part.get("data-value"), text, cell)
    yield from _further(page)


def _of_title(part):
    """Name and statement of a title in a picture: "Set-up S4 over P4: probably wrong"."""
    name, _, said = part.text.rpartition(": ")
    return name, said


def _statement(of, fact, value, text, cell):
    return Statement(of, fact, json.loads(value), plain(text or ""), cell)


def _further(page):
    """Statements of the rows that a script makes."""
    (script,) = [s for s in page.iter("script") if s.get("id") == "more-rows"]
    for name, rows in json.loads(script.text).items():
        (table,) = page.xpath(f"//table[@id='table-{name}']")
        heads = [
            [head.get(f"data-{key}") for key in ("kind", "column", "digits", "divisor")]
            for head in table.xpath("./thead/tr/th")
        ]
        for row in rows:
            cells, (_, _, of, values) = row[: len(heads)], row[len(heads) :]
            of = of or f"{table.get('data-start')}{cells[0]}"
            left = iter(values)
            for text, (kind, fact, digits, divisor) in zip(cells, heads, strict=True):
                if fact is None:
                    value = None
                elif kind == "verdict":
                    yield Statement(of, fact, text, VERDICTS[text], True)
                    continue
                else:
                    value = next(left)
                if text == 0:  # the script writes what stands there
                    text = "\N{EN DASH}" if value is None else f"{value / float(divisor):.{digits}f}"
                found = CLAIM.findall(text)
                yield from (_statement(*claim, True) for claim in found)
                if fact is not None and not found:
                    yield Statement(of, fact, value, plain(text), True)


def loose(page, title=""):
    """All text of a page outside statements, texts in attributes too; ``title`` of the job may say anything."""
    pieces = []

    def walk(part):
        if not isinstance(part.tag, str) or part.tag in ("script", "style"):
            return
        if part.tag == "head":
            return
        stating = "data-of" in part.attrib
        pieces.extend(part.get(name) for name in ("title", "aria-label", "alt") if part.get(name))
        if part.text and (not stating or part.tag == "title"):
            pieces.append(_of_title(part)[0] if stating else part.text)
        for inner in part:
            if not stating:
                walk(inner)
                if inner.tail:
                    pieces.append(inner.tail)
        pieces.append("\n")

    walk(page)
    (script,) = [s for s in page.iter("script") if s.get("id") == "more-rows"]
    heads = {table.get("id"): len(table.xpath("./thead/tr/th")) for table in page.iter("table") if table.get("id")}
    for table, rows in json.loads(script.text).items():
        kinds = page.xpath(f"//table[@id='table-{table}']/thead/tr/th/@data-kind")
        facts = page.xpath(f"//table[@id='table-{table}']/thead/tr/th")
        for row in rows:
            for text, kind, head in zip(row[: heads[f"table-{table}"]], kinds, facts, strict=True):
                if kind != "verdict" and head.get("data-column") is None:
                    pieces += [CLAIM.sub("", text), "\n"]
    text = plain(" ".join(pieces))
    return text.replace(title, "…") if title else text


# ---- what the facts say ----


class Facts:
    """results.json, asked for the value of a fact of a thing."""

    def __init__(self, facts):
        self.facts = facts
        self.unit = facts["job"]["length_unit"]
        self.title = plain(facts["job"]["title"].replace("(invented)", ""))
        self.stands = {f"{t[:-1]}:{r[t[:-1]]}": r for t in HEIGHTS for r in facts[t]}
        self.records = {r["id"]: r for t in TABLES for r in facts.get(t, [])}
        self.records |= {reading["id"]: reading for r in self.stands.values() for reading in r["readings"]}
        for r in reversed(list(self.stands.values())):  # of a shared stand the set-up speaks
            if r["hypothesis"]:
                self.records[r["hypothesis"]] = r
        self.records |= self.stands
        self.marks = {r["mark"]: r for r in facts["marks"]}

    def value(self, of, fact):
        kind, _, name = of.partition(":")
        facts = self.facts
        if of == "settings":
            return facts["settings"]["test"][fact]
        if of == "fit" and fact == "needed":
            return facts["fit"]["observations"] - facts["fit"]["redundancy"]
        if of in ("fit", "judgement", "traverse"):
            return facts[of][fact]
        if of == "findings" and fact == "count":
            return len(facts["findings"])
        if of == "heights":
            return len({r["hypothesis"] for r in self.stands.values() if r["hypothesis"] and r["verdict"] == fact})
        if of == "rows":
            return sum(r["verdict"] == fact for t in ("shots", "levels", "staff", "gnss") for r in facts.get(t, []))
        if of == "proved":
            return max(r[fact] for t in (*HEIGHTS, "levels", "staff", "gnss") for r in facts.get(t, [])
                       if r["verdict"] == "proved" and r[fact] is not None)  # fmt: skip
        if not name:
            return sum(r["verdict"] == fact for r in facts[of])
        if kind == "explanation":
            return self._under(name, fact)
        if kind == "finding":
            number, _, path = name.partition(".")
            found = walk(facts["findings"][int(number) - 1], path)
            return self._would_be(found) if fact == "would_be_m" else walk(found, fact)
        if kind == "mark":
            return walk(self.marks[name], fact)
        if kind in ("step", "loop", "check", "proof_kinds", "own_precision"):
            table = {"step": "next_measurements", "loop": "loops", "check": "reading_checks"}.get(kind, kind)
            return walk(facts[table][int(name) - 1], fact)
        if kind == "cause":
            id_, _, key = name.rpartition(":")
            return next(c for c in self.records[id_]["causes"] if c["cause"] == key)[fact]
        return self._of_record(of, fact)

    def _of_record(self, of, fact):
        record = self.records[of]
        if fact == "residual_then_mm":
            return self.facts["explanations"][0]["residuals_mm"][of]
        if fact == "booked_off_mm":
            return (record["booked_m"] - record["recorded_m"]) * 1000
        if fact.startswith("moves.") and fact.endswith(".found_mm"):
            return record["moves"][int(fact.split(".")[1])]["per_mm"] * record["smallest_found_mm"]
        return walk(record, fact)

    def _under(self, name, fact):
        """What an explanation says, of itself or of a thing under it."""
        number, slash, thing = name.partition("/")
        number, _, path = number.partition(".")
        explanation = self.facts["explanations"][int(number) - 1]
        if not slash:
            return walk(walk(explanation, path), fact)
        kind, _, of = thing.partition(":")
        if fact == "residual_mm":
            return explanation["residuals_mm"].get(thing)
        found = next(r for r in explanation[f"{kind}s"] if r[kind] == of)
        return (found["height_m"] - self.marks[of]["height_m"]) * 1000 if fact == "change_mm" else found[fact]

    def _would_be(self, member):
        """What would have been booked without the error."""
        record, kind = self.records.get(member["id"]), member["id"].partition(":")[0]
        if record is None or kind == "group" or member["error_mm"] is None:
            return None
        key = {"staff": "reading_m", "known": "height_m", "separation": "separation_m", "shot": "rise_m",
               "level": "rise_m", "reading": "value_m"}.get(kind, "recorded_m")  # fmt: skip
        if kind == "gnss":
            key = "height_m" if record["rise_m"] is None else "rise_m"
        booked, error = record[key], member["error_mm"] / 1000
        if booked is None or record.get("kind") != "slant":
            return None if booked is None else booked - error
        radius = (record["radius_mm"] or 0.0) / 1000
        return ((max(0.0, booked**2 - radius**2) ** 0.5 - error) ** 2 + radius**2) ** 0.5

    def same(self, of, fact):
        """The thing a statement is about, one name for what has several."""
        kind, _, name = of.partition(":")
        if kind == "finding" and fact in OF_FINDINGS:
            number, _, path = name.partition(".")
            if path.startswith("event"):  # given the event: another chance than that of the thing
                return of
            finding = self.facts["findings"][int(number) - 1]
            of = walk(finding, path)["id"] if path else finding["id"] or of
        if of in self.stands and fact in OF_STANDS:
            return self.stands[of]["hypothesis"] or of
        return of


def walk(value, path):
    for step in filter(None, path.split(".")):
        value = value[int(step)] if isinstance(value, list) else value[step]
    return value


# ---- what a text may say of a value ----


def shows(facts, one):
    """Whether the text of a statement says its value, rounded at the digits that it shows."""
    of, fact, value, text = one.of, one.fact, one.value, one.text
    said = text.lower()
    last = fact.rpartition(".")[2]
    if of == "vocabulary":
        return said == value if fact == "unit" else said == VERDICTS[value]
    if fact == "state":
        return re.search(SAID_OF_STATES[value], said) is not None
    if fact == "verdict":
        return _verdicts_in(said) == [VERDICTS[value]] or (value == "unproved" and said.startswith("nothing tests"))
    if fact == "level":
        return ("wrong" in said or "moved" in said) and ("probably" in said) == (value < 0.9)
    if fact in VERDICTS:
        word = VERDICTS[fact]
        return _numbers(text)[:1] == [f"{value}"] and _verdicts_in(said) in ([], [word])
    if fact in ("stopped", "second_search"):
        return said == (value or "no")
    if fact == "closes":
        return (
            said.startswith(LOOPS[value]) if value is not None else said in ("nothing to compare with", "\N{EN DASH}")
        )
    if fact == "relative":
        return value is True and "no known mark" in said
    if fact == "power":
        return said == (TIMES.get(round(value, 3)) or f"{100 * value:.0f} times in 100")
    if fact == "false_alarm":
        return said == f"{100 * value:.10g} in 100"
    if ".event.uses." in of and not _numbers(text):
        return said == ("wrong by it" if value >= 0.98 else "not touched by it" if value < 0.02 else None)
    if last in ("probability", "searched"):
        return _chance(value, said)
    if value is None:
        return not _numbers(text)
    if last == "error_sd_mm" and " to " in text:
        return _span(facts, one)
    if last == "expected_mm" and len(_numbers(text)) == 2:
        id_, _, key = of.partition(":")[2].rpartition(":")
        cause = next(c for c in facts.records[id_]["causes"] if c["cause"] == key)
        spread = cause["spread_mm"]
        return _between(facts, text, max(abs(value) - spread, 0.0), abs(value) + spread)
    return _number(facts, last, value, text)


def _verdicts_in(said):
    found = [word for word in VERDICTS.values() if re.search(rf"\b{word}\b", said)]
    return found


def _numbers(text):
    return [n.replace(",", "") for n in NUMBER.findall(text)]


def _chance(value, said):
    if value is None:
        return said in ("unknown", "\N{EN DASH}")
    if re.fullmatch(r"[01]\.\d{4}", said):  # among the statistics
        return said == f"{value:.4f}"
    many = ">99" if value > 0.99 else "<1" if value < 0.01 else f"{100 * value:.0f}"
    if said == many:  # in a table
        return True
    words = [word for _, word in CHANCES if re.search(rf"(?<!very )\b{word}\b", said)]
    as_told = 0.5 if abs(value - 0.5) <= 0.005 else value  # the word is that of the number beside it
    if words and words != [next(word for least, word in CHANCES if round(as_told, 6) >= least)]:
        return False
    told = f"{many.replace('>', 'more than ').replace('<', 'less than ')} in 100"
    return re.search(rf"(^|[(:] ?){told}\b", said) is not None and len(_numbers(said)) == 2


def _scaled(facts, fact, value, text):
    """A value in the unit in which a text shows it."""
    if facts.unit == "m":
        return value
    if fact.endswith("_mm"):
        return value / UNIT_M[facts.unit] / (1000 if re.search(r" ft(?!/)|US survey", text) else 1)
    return value / UNIT_M[facts.unit] if fact.endswith("_m") else value


def _number(facts, fact, value, text):
    shown = _numbers(text)
    if len(shown) != 1:
        return False
    (number,) = shown
    if fact.endswith(("_mm", "_m")):
        unit = re.search(r"\d (mm|m|ft|US survey ft)\b", text)
        metric = unit is None or unit[1] in (("mm", "m") if facts.unit == "m" else ("ft", "US survey ft"))
        if not metric or (unit and facts.unit == "m" and (unit[1] == "mm") != fact.endswith("_mm")):
            return False
    value = float(_scaled(facts, fact, value, text))
    if re.search(r"\b(too low|lower)\b", text) and value > 0:
        return False
    if re.search(r"\b(too high|higher)\b", text) and value < 0:
        return False
    decimals = len(number.partition(".")[2])
    exact = f"{abs(value):.{decimals}f}"
    if number[0] in "+-" and exact.strip("0.") and (number[0] == "-") != (value < 0):
        return False
    return number.lstrip("+-") == exact


def _between(facts, text, low, high):
    shown = _numbers(text)
    decimals = {len(n.partition(".")[2]) for n in shown}
    if len(shown) != 2 or len(decimals) != 1:
        return False
    unit = 1.0 if facts.unit == "m" else UNIT_M[facts.unit] * 1000
    return shown == [f"{abs(v / unit):.{decimals.pop()}f}" if i else f"{abs(v / unit):.{max(decimals)}f}"
                     for i, v in enumerate((low, high))]  # fmt: skip


def _span(facts, one):
    """ "243 to 248": sizes that hold 95 of 100 such errors; where both signs are possible each has its word."""
    error = facts.value(one.of, one.fact.replace("error_sd_mm", "error_mm"))
    low, high = abs(error) - INTERVAL * one.value, abs(error) + INTERVAL * one.value
    words = re.findall("too low|too high", one.text)
    if not words:
        return _between(facts, one.text, low, high) and (low >= 0 or not _numbers(one.text)[0].strip("0."))
    first, last = (low, high) if error > 0 else (high, low)
    return low < 0 and words == ["too low", "too high"] and _between(facts, one.text, abs(first), abs(last))


# ---- the check ----


def faults(page, results):
    """Everything on a page that is not what results.json says.

    Parameters
    ----------
    page : the parsed page.
    results : the facts, as `Facts`.
    """
    out = [f"outside a statement: {m[0]!r} in {text[max(0, m.start() - 60) : m.end() + 30]!r}"
           for text in [loose(page, results.title)] for m in ONLY_IN_STATEMENTS.finditer(text)]  # fmt: skip
    bare = "".join(page.xpath("//text()[not(ancestor::script)]") + page.xpath("//@title | //@aria-label"))
    out += [f"the marks of a claim: {bare[max(0, m.start() - 60) : m.end() + 60]!r}" for m in MARKS.finditer(bare)]
    found = list(statements(page))
    values, numbers = defaultdict(dict), defaultdict(set)
    for one in found:
        where = f"{one.of} {one.fact}"
        if one.of == "vocabulary":
            if (one.fact, one.value) != ("unit", "in 100") and (one.fact != "verdict" or one.value not in VERDICTS):
                out.append(f"{where}: no such word as {one.value}")
            elif not shows(results, one):
                out.append(f"{where}: {one.text!r} is no word for {one.value}")
            continue
        try:
            there = results.value(one.of, one.fact)
        except (KeyError, IndexError, StopIteration, TypeError, ValueError) as error:
            out.append(f"{where}: nothing is called so ({one.text!r}): {error!r}")
            continue
        if not _same(there, one.value):
            out.append(f"{where}: {one.value} on the page, {there} in results.json")
        elif not shows(results, one):
            out.append(f"{where}: {one.text!r} does not show {one.value}")
        thing = results.same(one.of, one.fact)
        number = isinstance(one.value, int | float) and not isinstance(one.value, bool)
        values[thing, one.fact].setdefault(json.dumps(float(one.value) if number else one.value), one)
        if not one.cell and one.fact.endswith(("_mm", "_m")) and one.fact != "error_sd_mm":
            numbers[thing, one.fact].update(n.lstrip("+-") for n in _numbers(one.text)[:1])
    out += [f"{thing} {fact}: different values {[o.value for o in several.values()]}"
            for (thing, fact), several in values.items() if len(several) > 1]  # fmt: skip
    out += [f"{thing} {fact}: rounded differently in sentences {several}"
            for (thing, fact), several in numbers.items() if len(several) > 1]  # fmt: skip
    return out, len(found)


def _same(there, shown):
    if isinstance(there, float) and isinstance(shown, float | int) and not isinstance(shown, bool):
        return abs(there - shown) <= 6e-5  # what follows from several values is rounded once more
    return there == shown


def parse(text):
    return html.document_fromstring(text.encode())
