"""The one place that all output goes through, its rules one by one."""

import ast
import json
import sys
import unicodedata
from pathlib import Path

import pytest

import heightnet
from heightnet.report.columns import table_lines
from heightnet.report.console import cells, clean, fitted, one_line, readable, say_json, wrapped
from heightnet.report.document import Document, Section, Table
from heightnet.report.html import html

HOME = Path(heightnet.__file__).parent
OBEYED = (
    "Cc",
    "Cf",
    "Cs",
    "Zl",
    "Zp",
)  # controls, formats (direction, no width), stray halves, line and paragraph ends


def test_no_character_that_is_obeyed_gets_through_and_all_others_do():
    """By the categories of Unicode's own data, as the standard library has them."""
    for point in range(sys.maxunicode + 1):
        char = chr(point)
        if unicodedata.category(char) in OBEYED:
            assert clean(char) in ("?", "\n" if char == "\n" else "?", " " if char == "\t" else "?"), hex(point)
        elif unicodedata.category(char) not in ("Co", "Cn"):
            assert clean(char) == char, hex(point)
    assert one_line("a\nb") == "a?b"


def test_nobody_writes_past_it():
    """No print, no echo of a library and no console of one's own anywhere else in the package."""
    for path in HOME.rglob("*.py"):
        if path.name == "console.py":
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        calls = [node.func for node in ast.walk(tree) if isinstance(node, ast.Call)]
        called = {getattr(call, "id", "") or getattr(call, "attr", "") for call in calls}
        assert called.isdisjoint({"print", "echo", "secho", "Console", "Progress"}), path.relative_to(HOME)


def test_what_stands_for_a_character_is_plain():
    for point in range(0x80, 0x3000):
        assert readable(chr(point)) and all(c.isascii() and (c.isprintable()) for c in readable(chr(point)))


def test_json_is_the_same_json(capsys):
    names = ["Höhe", "日本", "a\u202eb", "\x9b2J", "\x7f", "\U000e0041", "\u2028", "😀", "\x1b"]
    say_json(json.dumps(names, ensure_ascii=False))
    text = capsys.readouterr().out
    assert json.loads(text) == names and "Höhe" in text and text.isprintable()


def test_lines_are_wrapped_at_blanks_and_nothing_is_lost():
    text = "   one two  three-four " + "x" * 30 + " five"
    for columns in range(8, 60):
        lines = wrapped(text, columns, 5)
        assert " ".join(" ".join(lines).split()) == " ".join(text.split())
        assert all(cells(line) <= columns or len(line.split()) == 1 for line in lines)
        assert all(line.startswith("   ") for line in lines)
    assert fitted("a\nb", None, 40) == ["a", "b"]


ROWS = [
    ("set-up S1", "over a mark with a long name", "1.4835", "tested, but an error could also be another's"),
    ("set-up S12", "over QB1", "−12.5000", "nothing tests it"),
]
HEADER = ("height", "where", "recorded, m", "")
LEFT = (True, True, False, True)


@pytest.mark.parametrize("header", [None, HEADER])
def test_tables_shrink_before_they_break_up_and_nothing_is_lost(header):
    as_wide = table_lines(ROWS, LEFT, None, header)
    assert len(as_wide) == 2 + bool(header) and len(set(map(cells, as_wide[-1:]))) == 1
    for columns in range(30, 120):
        lines = table_lines(ROWS, LEFT, columns, header)
        assert max(map(cells, lines)) <= columns
        said = " ".join(lines).replace(";", "").replace(":", "").split()
        wanted = [w for row in ROWS for cell in row for w in cell.split()] + " ".join(header or ()).split()
        assert all(said.count(word) >= wanted.count(word) for word in wanted)
        assert any("−12.5000" in line for line in lines), "a number stays whole"
    narrow = table_lines(ROWS, LEFT, 70, header)
    assert len(narrow) > len(as_wide) and narrow[-1].startswith("set-up S12")
    assert table_lines(ROWS, LEFT, cells(max(as_wide, key=cells)), header) == as_wide


def test_a_name_keeps_its_characters_on_a_page_and_turns_nothing(browser, tmp_path):
    """A right-to-left override in a name, looked at where a browser puts the words behind it."""
    name = "P\u2067x\u2069\u200f\u202e7y"
    page = html(
        Document("t", "sound", "ok", "", [Section("h", [f"mark {name} first second", Table(["a "], [[name]])])])
    )
    loose = page.replace("<bdi>", "").replace("</bdi>", "")
    assert loose != page and loose.count(name) == 2
    for text, turned in ((page, False), (loose, True)):
        (tmp_path / "page.html").write_text(text, encoding="utf-8")
        browser.get((tmp_path / "page.html").as_uri())
        first, second = browser.execute_script("""
            const p = document.querySelector(".says p"), at = [];
            const walker = document.createTreeWalker(p, NodeFilter.SHOW_TEXT);
            for (let node; (node = walker.nextNode()); )
              for (const word of ["first", "second"]) {
                const i = node.data.indexOf(word);
                if (i < 0) continue;
                const range = document.createRange();
                range.setStart(node, i); range.setEnd(node, i + word.length);
                at.push(range.getBoundingClientRect().left);
              }
            return at;
        """)
        assert (first > second) == turned
        assert browser.execute_script('return document.querySelector(".says p").textContent') == (
            f"mark {name} first second"
        )


@pytest.mark.parametrize("header", [None, ()])
def test_a_narrow_table_without_a_heading_is_told_row_by_row(header):
    rows = [("theodolite 4", "side-mark"), ("prism", "bubble")]
    assert table_lines(rows, (True, True), 16, header) == ["theodolite 4", "  side-mark", "prism  bubble"]
