"""The shape of the house: imports go down the road, functions fit on a screen, what a person can type is in the docs.

The counts are printed with ``pytest -s``; they may only fall.  Whoever needs more says why in the commit that
raises them.
"""

from __future__ import annotations

import ast
import io
import re
import tokenize
from collections import Counter
from functools import cache
from pathlib import Path

import click
import networkx as nx
import pytest

from heightnet.commands.group import cli
from heightnet.commands.overview import COMMANDS
from heightnet.judge.judgement import STATES
from heightnet.ledger.thing import AT_MARKS, EXCHANGED, OBSERVED, TAPED
from heightnet.report.words import VERDICTS

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "heightnet"
MODULES = {".".join(path.relative_to(ROOT).with_suffix("").parts): path for path in PACKAGE.rglob("*.py")}
TREES = {name.removesuffix(".__init__"): ast.parse(path.read_text(encoding="utf-8")) for name, path in MODULES.items()}
DOCS = "\n".join(path.read_text(encoding="utf-8") for path in [ROOT / "README.md", *(PACKAGE / "docs").glob("*.md")])
ROAD = ("ledger", "job", "reduce", "kinds", "network", "judge", "tasks", "report", "archives", "commands")
FUNCTION_LINES = 60
KINDS = {*TAPED, *OBSERVED, *AT_MARKS, *EXCHANGED, "group", "mark"}
NO_IDS = {  # counts, "shot:2 target:1", and hours of the day
    "heightnet.archives.evidence", "heightnet.archives.across", "heightnet.reduce.moments",
}  # fmt: skip
MOST = {"lines of Python": 35_000, "dict[str, Any]": 80, "templates and scripts": 472}


def imports(name: str, tree: ast.Module) -> set[str]:
    """Modules that a module imports, at once or late; not those that only types are taken from."""
    typing = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
        for inner in ast.walk(node)
    }
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and id(node) not in typing:
            inside = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= {full if full in TREES else str(node.module) for full in inside}
    return found & set(TREES) - {name, "heightnet"}


IMPORTS = {name: imports(name, tree) for name, tree in TREES.items()}


def room(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


@cache
def code_lines(text: str) -> int:
    """Lines that hold code: no blank ones, comments or docstrings."""
    lines: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type not in (
            tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER,
        ):  # fmt: skip
            lines |= set(range(token.start[0], token.end[0] + 1))
    for node in ast.walk(ast.parse(text)):
        documented = isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        if documented and ast.get_docstring(node, clean=False) is not None:
            lines -= set(range(node.body[0].lineno, (node.body[0].end_lineno or 0) + 1))
    return len(lines)


def test_no_modules_import_each_other():
    circles = [sorted(part) for part in nx.strongly_connected_components(nx.DiGraph(IMPORTS)) if len(part) > 1]
    assert circles == []


@pytest.mark.parametrize("name", ROAD)
def test_no_import_runs_back_up_the_road(name):
    above = set(ROAD[ROAD.index(name) + 1 :])
    assert [(m, i) for m, found in IMPORTS.items() if room(m) == name for i in found if room(i) in above] == []


def test_the_core_knows_nothing_of_surveying():
    """`adjust` stands beside the road: whoever has a graph or a matrix may use it."""
    assert {room(i) for m, found in IMPORTS.items() if room(m) == "adjust" for i in found} <= {
        "adjust",
        "arrays",
        "errors",
    }


def takes_apart_or_puts_together(node: ast.AST) -> bool:
    """Whether code does with a text what is `Thing`'s to do with an id."""
    if isinstance(node, ast.JoinedStr):
        text = "".join(str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values)
        return re.search(rf"^{{}}:{{}}$|\b({'|'.join(KINDS)}):{{}}", text) is not None
    if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
        return False
    given = {str(c.value) for a in node.args for c in ast.walk(a) if isinstance(c, ast.Constant)}
    if node.func.attr in ("partition", "rpartition", "split", "rsplit"):
        return ":" in given
    begins = node.func.attr in ("startswith", "removeprefix")
    return begins and any(text.startswith(f"{kind}:") for text in given for kind in KINDS)


def test_only_a_thing_takes_ids_apart_or_puts_them_together():
    found = [
        name
        for name, tree in TREES.items()
        for node in ast.walk(tree)
        if name != "heightnet.ledger.thing" and takes_apart_or_puts_together(node)
    ]
    assert set(found) <= NO_IDS, found


def test_every_function_fits_on_a_screen():
    long = [
        (name, node.name)
        for name, tree in TREES.items()
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and (node.end_lineno or 0) - node.lineno >= FUNCTION_LINES
    ]
    assert long == []


def test_the_house_does_not_grow_unsaid():
    texts = [path.read_text(encoding="utf-8") for path in MODULES.values()]
    templates = [path for path in PACKAGE.rglob("templates/*") if path.is_file()]
    counts = {
        "lines of Python": sum(map(code_lines, texts)),
        "dict[str, Any]": sum(text.count("dict[str, Any]") for text in texts),
        "templates and scripts": sum(len(path.read_text(encoding="utf-8").splitlines()) for path in templates),
    }
    rooms = Counter()
    for name, path in MODULES.items():
        rooms[room(name) or "heightnet"] += code_lines(path.read_text(encoding="utf-8"))
    print("", *(f"{count:7,} {what}" for what, count in [*counts.items(), *rooms.most_common()]), sep="\n")
    assert {what: count for what, count in counts.items() if count > MOST[what]} == {}


@pytest.mark.parametrize("name", COMMANDS)
def test_every_option_is_in_the_docs(name):
    command = cli.get_command(click.Context(cli), name)
    options = [o for p in command.params if isinstance(p, click.Option) for o in p.opts if o.startswith("--")]
    assert [option for option in options if not re.search(rf"[ `\[]{option}\b", DOCS)] == []


def test_every_state_and_verdict_is_in_the_docs():
    assert [state for state in (*STATES, *VERDICTS) if f"`{state}`" not in DOCS] == []
