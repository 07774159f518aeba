"""The story on a terminal: coloured there, plain in a pipe, the same words in both."""

import io

import sample_facts
from rich.console import Console

from heightnet.report.check_words import check_document
from heightnet.report.text import plain, show


def shown(**console):
    out = io.StringIO()
    show(check_document(sample_facts.suspect()), Console(file=out, width=100, **console))
    return out.getvalue()


def test_a_pipe_gets_plain_text():
    assert shown() == plain(check_document(sample_facts.suspect())) + "\n"
    assert "\x1b" not in shown()


def test_a_terminal_gets_colour_and_the_same_words():
    text = shown(force_terminal=True, color_system="standard")
    assert "\x1b[" in text
    import re

    assert re.sub(r"\x1b\[[0-9;]*m", "", text) == shown()


def test_no_line_is_wider_than_the_terminal():
    out = io.StringIO()
    show(check_document(sample_facts.unproved()), Console(file=out, width=60, force_terminal=True, color_system=None))
    assert max(map(len, out.getvalue().splitlines())) <= 60
