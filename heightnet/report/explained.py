"""The explanations of a job as the findings tell them: what nothing tells apart is one part, with one name."""

from __future__ import annotations

from typing import NamedTuple

from heightnet.ledger.thing import Thing
from heightnet.report.claims import claim
from heightnet.report.findings import place_of
from heightnet.report.numbers import listing
from heightnet.report.words import Words
from heightnet.rows import Record

CHOICES = 6  # explanations that can be chosen on the page


class Part(NamedTuple):
    """One member of an explanation, or all those that nothing tells from it.

    id : of the one it is; "" where nothing tells which.
    finding : that tells of it, if one does.
    """

    id: str
    name: str
    finding: Record | None


def part_of(words: Words, id: str, also: list[str]) -> Part:
    """What a member of an explanation is; ``also`` are those that nothing tells from it."""
    ids = [id, *also]
    findings = words.facts["findings"]
    for finding in findings:
        if finding["named"] and finding["id"] in ids:
            return Part(finding["id"], words.label(finding["id"]), finding)
    if not also:
        return Part(id, words.label(id), None)
    for finding in findings:
        if finding["count"] == len(ids) and {m["id"] for m in finding["members"]} == set(ids):
            return Part("", place_of(words, finding), finding)
        if len(ids) > 3 and set(ids) <= {m["id"] for m in finding["members"]}:
            count = claim(f"finding:{finding['order']}", "count", finding["count"], f"{finding['count']:,}")
            return Part("", f"one of {len(ids):,} of those {count} values", None)
    if len(ids) <= 3:
        return Part("", f"either {listing(ids, 3, 'or', called=words.label)}", None)
    kinds = {words.plural(Thing.of(i).kind) for i in ids}
    return Part("", f"one of {len(ids):,} {kinds.pop() if len(kinds) == 1 else 'values'}", None)


def parts(words: Words, explanation: Record) -> list[Part]:
    members = zip(explanation["members"], explanation["also"], strict=True)
    return [part_of(words, member["id"], also) for member, also in members]


def settled(words: Words, explanation: Record) -> bool:
    """Whether every part of an explanation is one thing, so that heights follow from it."""
    found = parts(words, explanation)
    return all(part.id == m["id"] for part, m in zip(found, explanation["members"], strict=True))
