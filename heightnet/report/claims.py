"""Statements that know what they state: which thing, which fact of results.json, which value.

A claim is text with marks around it, so that it passes through sentences as text does.  On a page it becomes an element
with ``data-of``, ``data-fact`` and ``data-value``; in a terminal and in files the marks fall away.  Every verdict,
probability and error that a person reads is a claim, so that a test can hold each of them against results.json.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from html import escape
from typing import Any

OPEN, PART, SHUT = "\ue000", "\ue001", "\ue002"  # of the private use area; names cannot hold them, see `name`
LOUD, LOW = "\ue003", "\ue004"  # around what stands out on a page
DIRECTIONS = re.compile("[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_STRONG = re.compile(f"{LOUD}([^{LOUD}{LOW}]*){LOW}")
_CLAIM = re.compile(f"{OPEN}([^{PART}]*){PART}([^{PART}]*){PART}([^{PART}]*){PART}([^{SHUT}]*){SHUT}")


def claim(of: object, fact: str, value: Any, text: str) -> str:
    """Text that states a fact of a thing.

    Parameters
    ----------
    of : a thing or its id, of a mark ``mark:NAME``, ``finding:1``, ``finding:1.members.0``, ``explanation:1``,
        ``explanation:1/ID`` (what becomes of a thing under it), ``step:1``, ``cause:ID:KEY``, ``loop:1``, ``check:1``,
        ``own_precision:1``, ``traverse``, a table of results.json, or ``judgement``, ``fit``, ``settings``,
        ``vocabulary``.
    fact : the key of its record, with a path where it lies deeper (``heights.0.height_m``); of a table ``VERDICT``,
        how many of its records have that verdict.  What follows from several values has a name of its own.
    value : what stands there.

    >>> told = claim("setup:S4", "probability", 0.998, "almost certain")
    >>> plain(f"It is {told}."), html(f"It is {told}.")[:45]
    ('It is almost certain.', 'It is <span data-of="setup:S4" data-fact="pro')
    """
    shown = name(json.dumps(value, ensure_ascii=False))
    return f"{OPEN}{name(str(of))}{PART}{fact}{PART}{shown}{PART}{text}{SHUT}"


def name(text: str) -> str:
    """A name without the marks of claims."""
    return re.sub(f"[{OPEN}{PART}{SHUT}{LOUD}{LOW}]", "?", text)


def strong(text: str) -> str:
    """Text that stands out on a page; it may hold claims.

    >>> html(f"{strong('Caution.')} Wet paint."), plain(f"{strong('Caution.')} Wet paint.")
    ('<b>Caution.</b> Wet paint.', 'Caution. Wet paint.')
    """
    return f"{LOUD}{text}{LOW}"


def plain(text: str) -> str:
    """The text alone."""
    return _STRONG.sub(r"\1", _CLAIM.sub(lambda m: m[4], text))


def shown(text: str, change: Callable[[str], str]) -> str:
    """The text with what a person reads of it changed, what claims are about left as it is.

    >>> plain(shown(claim("setup:3 m", "error_mm", 3.0, "3 mm"), str.upper))
    '3 MM'
    """
    out, at = [], 0
    for m in _CLAIM.finditer(text):
        out += [change(text[at : m.start()]), OPEN, m[1], PART, m[2], PART, m[3], PART, change(m[4]), SHUT]
        at = m.end()
    return "".join([*out, change(text[at:])])


def html(text: str, tag: str = "span") -> str:
    """The text escaped for a page, claims as elements."""
    safe = isolated if tag == "span" else escape  # pictures know no element that isolates
    out: list[str] = []
    at = 0
    for m in _CLAIM.finditer(text):
        out += [safe(text[at : m.start()]), f"<{tag} {attributes(m[1], m[2], m[3])}>{safe(m[4])}</{tag}>"]
        at = m.end()
    return _STRONG.sub(r"<b>\1</b>", "".join([*out, safe(text[at:])]))


def isolated(text: str) -> str:
    """Text for HTML in which a name keeps the characters it has, but cannot turn the text around it.

    Each mark of writing direction stands in an element that isolates it: what it opens ends there.

    >>> isolated("P\\u202e1 & 2")
    'P<bdi>\\u202e</bdi>1 &amp; 2'
    """
    return DIRECTIONS.sub(r"<bdi>\g<0></bdi>", escape(text))


def attributes(of: str, fact: str, value: str) -> str:
    """The attributes of an element that states a fact; ``value`` as JSON."""
    return f'data-of="{escape(of)}" data-fact="{escape(fact)}" data-value="{escape(value)}"'


def only(text: str) -> tuple[str, str]:
    """Text and attributes of a text that holds one claim: for elements that hold nothing but text."""
    found = _CLAIM.search(text)
    return plain(text), attributes(found[1], found[2], found[3]) if found else ""


def is_claim(text: str) -> bool:
    """Whether a text holds a claim."""
    return OPEN in text


def is_one(text: str) -> bool:
    """Whether a text is one claim and nothing else."""
    return _CLAIM.fullmatch(text) is not None


def capital(text: str) -> str:
    """The text with its first letter large, be it in a claim or not.

    >>> plain(capital(claim("setup:S4", "verdict", "suspect", "probably wrong")))
    'Probably wrong'
    """
    at = text.rfind(PART, 0, text.find(SHUT)) + 1 if text.startswith(OPEN) else 0
    return text[:at] + text[at : at + 1].upper() + text[at + 1 :]
