"""What is accused beside set-ups, and where a picture shows it: targets, sights, levelled rows, known marks."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from heightnet.kinds.registry import KINDS
from heightnet.ledger.results import SURE
from heightnet.report.claims import claim
from heightnet.report.keys import Keys
from heightnet.report.pictures.layout import node_of
from heightnet.report.words import VERDICTS, Words
from heightnet.rows import Record

ACCUSED = ("suspect", "either")
LIKELY = 0.5  # probability of a thing from which it is shown with the event that made it wrong
SPELT_OUT = 3  # members of a finding up to which each is named by itself


class Culprit(NamedTuple):
    """Something accused: a stand or mark at one place, or a line between two.

    ends : nodes of the plan, one or two.
    name : short, with the word for its verdict; "" where another part of the same finding has it.
    """

    id: str
    verdict: str
    ends: tuple[str, ...]
    name: str
    title: str
    key: str
    about: str
    href: str


class Leg(NamedTuple):
    """A levelled difference, a step of a levelling book or a satellite rise."""

    start: str
    end: str
    about: str
    rows: tuple[Record, ...]

    @property
    def accused(self) -> Record | None:
        """The row that is accused, the named one first."""
        found = [row for row in self.rows if row["verdict"] in ACCUSED]
        return min(found, key=lambda row: ACCUSED.index(row["verdict"])) if found else None


def legs(facts: Record, keys: Keys) -> Iterator[Leg]:
    """Every line of the job that is no sight."""
    for kind in KINDS.values():
        for row in facts.get(kind.table, []) if kind.line else ():
            start, end = (row[key] for key in kind.line[:2])
            if start:
                yield Leg(node_of(start), node_of(end), keys.about(row["id"]), (row,))
    last: dict[str, Record] = {}
    for staff in facts["staff"]:
        if before := last.get(staff["level_setup"]):
            about = keys.join(keys.mark(before["mark"]), keys.mark(staff["mark"]))
            yield Leg(node_of(before["mark"]), node_of(staff["mark"]), about, (before, staff))
        last[staff["level_setup"]] = staff


def culprits(words: Words, keys: Keys) -> list[Culprit]:
    """Everything accused that is not a set-up, those that are named first."""
    facts = words.facts
    events = _of_events(facts)
    found = [*_targets(words, keys, events), *_sights(words, keys, events), *_at_marks(words, keys)]
    told: set[int] = set()
    for leg in legs(facts, keys):
        if row := leg.accused:
            found.append(_of_leg(words, leg, row, told, events.get(row["id"])))
    return sorted(found, key=lambda one: ACCUSED.index(one.verdict))


def _of_events(facts: Record) -> dict[str, tuple[str, int]]:
    """What events made wrong: the event's id by that of each thing, and the thing's number among those."""
    out: dict[str, tuple[str, int]] = {}
    for finding in facts["findings"]:
        uses = (finding.get("event") or {}).get("uses", [])
        by_it = sorted(uses, key=lambda use: use["probability"] < SURE)  # one that is surely wrong says it
        wrong = [use["id"] for use in by_it if use["probability"] >= LIKELY]
        out |= {id: (finding["id"], number) for number, id in enumerate(wrong) if len(wrong) > 1}
    return out


def said(name: str, id: str, verdict: str) -> str:
    """ "target on P4 from S3: probably wrong"."""
    return f"{name}: {claim(id, 'verdict', verdict, VERDICTS[verdict])}"


def _targets(words: Words, keys: Keys, events: dict[str, tuple[str, int]]) -> Iterator[Culprit]:
    """Targets, but for those on a stand that a set-up shares, whose sign says it; of an event the first says it."""
    of_setups = {setup["hypothesis"] for setup in words.facts["setups"]}
    for target in words.facts["targets"]:
        if target["verdict"] in ACCUSED and target["mark"] and target["hypothesis"] not in of_setups:
            key = keys.target(target["target"])
            id = words.key(target)
            title = said(words.target(target["target"]), id, target["verdict"])
            name = words.short(id) if events.get(id, ("", 0))[1] else said(words.short(id), id, target["verdict"])
            about = keys.join(key, keys.mark(target["mark"]))
            yield Culprit(id, target["verdict"], (node_of(target["mark"]),), name, title, key, about, f"#{key}")


def _sights(words: Words, keys: Keys, events: dict[str, tuple[str, int]]) -> Iterator[Culprit]:
    """Sights; of a stand that moved the first says so."""
    for shot in words.facts["shots"]:
        if shot["verdict"] in ACCUSED:
            ends = node_of(shot["from_mark"], shot["setup"]), node_of(shot["to_mark"])
            name, title = (said(told, shot["id"], shot["verdict"]) for told in _names(words, shot["id"]))
            if event := events.get(shot["id"]):
                name = said(words.short(event[0]), shot["id"], shot["verdict"]) if not event[1] else ""
            yield Culprit(shot["id"], shot["verdict"], ends, name, title, "", keys.of(shot), "")


def _at_marks(words: Words, keys: Keys) -> Iterator[Culprit]:
    """Known heights, separations, and heights of one antenna by a service."""
    facts = words.facts
    there = [(r["mark"], r) for table in ("known", "separations") for r in facts.get(table, [])]
    there += [(r["to_mark"], r) for r in facts.get("gnss", []) if not r["from_mark"] and r["to_mark"]]
    for mark, r in there:
        if r["verdict"] in ACCUSED:
            name, title = (said(told, r["id"], r["verdict"]) for told in _names(words, r["id"]))
            yield Culprit(r["id"], r["verdict"], (node_of(mark),), name, title, "", keys.about(r["id"]), "")


def _of_leg(words: Words, leg: Leg, row: Record, told: set[int], event: tuple[str, int] | None) -> Culprit:
    """An accused line; of a finding that is not one thing, and of an event, the first line has its name."""
    id, verdict = row["id"], row["verdict"]
    short, label = _names(words, id)
    finding = next((f for f in words.facts["findings"] if any(m["id"] == id for m in f["members"])), None)
    name = said(short, id, verdict)
    if event:
        name = "" if event[1] else said(words.short(event[0]), id, verdict)
    if verdict == "either" and finding is not None and finding["count"] > SPELT_OUT:
        order = finding["order"]
        name = "" if order in told else said(f"one of {finding['count']:,}", id, verdict)
        told.add(order)
    return Culprit(id, verdict, (leg.start, leg.end), name, said(label, id, verdict), "", leg.about, "")


def _names(words: Words, id: str) -> tuple[str, str]:
    return words.short(id), words.label(id)
