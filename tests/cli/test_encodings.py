"""What reaches a terminal or a pipe: in its encoding, at its width, and nothing in it that it would obey."""

import json
import os
import re
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from command_help import COMMAND, DATA, ROOT, STYLES, environment, fork, on_terminal, run, start

from heightnet.commands.overview import COMMANDS as CLI
from heightnet.report.console import cells, readable

pytestmark = pytest.mark.slow

ENCODINGS = ("cp1252", "cp437", "ascii", "cp932")
QUARRY, BRIDGE, MILL, MARSH = (
    DATA / name for name in ("quarry-traverse", "bridge-check-shots", "mill-levels", "saltmarsh-antennas")
)
FERRY = ROOT / "tests" / "job" / "landxml" / "ferry-landing.xml"
COMMANDS = [
    ("check", QUARRY, "--no-page", "--to", "out"),
    ("bust", MILL),
    ("prove", BRIDGE, "--setup", "B1"),
    ("plan", BRIDGE),
    ("show", MARSH),
    ("trust", BRIDGE, "--runs", "2"),
    ("tape", "1.586", "5' 2 7/16\"", "--slant", "--radius", "100mm"),
    ("check", "±′″√²–"),
    ("--help",),
]
needs_terminals = pytest.mark.skipif(sys.platform == "win32", reason="needs the terminals of POSIX")


def named(value):
    return " ".join(str(v).rpartition("/")[2] for v in value) if isinstance(value, tuple) else ""


def lacking(text, encoding):
    """The text as an encoding can hold it, by the rule: what it lacks is replaced, the rest stays."""
    out = []
    for char in text:
        try:
            kept = char.encode(encoding).decode(encoding) == char
        except UnicodeEncodeError:
            kept = False
        out.append(char if kept else readable(char))
    return "".join(out)


@pytest.fixture(scope="module")
def plainly(tmp_path_factory):
    """The same command into a pipe of UTF-8: its exit status, stdout and stderr; each is run once."""
    done = {}

    def of(arguments):
        if arguments not in done:
            folder = tmp_path_factory.mktemp("plain")
            ended = run(*arguments, cwd=folder, env=environment(PYTHONIOENCODING="utf-8"))
            done[arguments] = ended.returncode, ended.stdout, ended.stderr
        return done[arguments]

    return of


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
@pytest.mark.parametrize("arguments", [COMMANDS[1], COMMANDS[-2], COMMANDS[-1]], ids=named)
def test_a_forked_process_says_what_a_started_one_says(tmp_path, arguments, encoding):
    env = environment(PYTHONIOENCODING=encoding, COLUMNS="70")
    forked, started = (way([*map(str, arguments)], tmp_path, env) for way in (fork, start))
    assert forked.returncode == started.returncode
    assert forked.stdout == started.stdout
    assert untimed(forked.stderr.decode(encoding)) == untimed(started.stderr.decode(encoding))


def untimed(progress):
    """Without the steps that are told only because they took long."""
    return re.sub(r"(?m)^ *\d+\.\d s  .*\n?", "", progress)


@pytest.mark.parametrize("encoding", ENCODINGS)
@pytest.mark.parametrize("arguments", COMMANDS, ids=named)
def test_in_any_encoding_the_same_is_said(tmp_path, plainly, arguments, encoding):
    done = run(*arguments, cwd=tmp_path, env=environment(PYTHONIOENCODING=encoding), raw=True)
    status, out, err = plainly(arguments)
    assert done.returncode == status
    assert done.stdout.decode(encoding) == lacking(out, encoding)
    assert untimed(done.stderr.decode(encoding)) == untimed(lacking(err, encoding))


def test_in_the_locale_c(plainly):
    """Python itself takes this for UTF-8 where it can; told not to, it is ASCII."""
    for more in ({}, {"PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}):
        done = run("bust", MILL, env=environment(LC_ALL="C", LANG="C", **more), raw=True)
        status, out, _ = plainly(("bust", MILL))
        assert done.returncode == status
        assert done.stdout.decode("ascii" if more else "utf-8") == (lacking(out, "ascii") if more else out)
    assert "\N{MINUS SIGN}102.0" in out and b" -102.0" in done.stdout


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("±−–—", "+----"),
        ("′″√²", "'\"root 2"),
        ("½ × 90°", "1/2 x 90 deg"),
        ("Höhe é Ł ß", "Hohe e L ss"),
        ("日本", "??"),
    ],
)  # fmt: skip
def test_what_stands_for_a_character(text, plain):
    assert "".join(char if char.isascii() else readable(char) for char in text) == plain


@pytest.fixture
def job(tmp_path):
    """A job whose names hold what terminals obey and encodings lack."""
    bad = f"P{HOSTILE}"
    folder = tmp_path / f"job{HOSTILE}"
    folder.mkdir()
    (folder / "job.toml").write_text('title = "T\\u001b[31m\\u009b2J\\u202ered\\u0007"\n', encoding="utf-8")
    (folder / "marks.csv").write_text(f"mark,height\n{bad},50.000\nBM2,51.250\nS1,\n", encoding="utf-8")
    (folder / "shots.csv").write_text(
        "setup,at,instrument_height,mark,target_height,slope_distance,zenith_angle\n"
        f"1{HOSTILE},S1,1.543,{bad},1.600,50.990,90-20-00\n1{HOSTILE},S1,1.543,BM2,1.600,50.990,88-55-50\n"
        f"1{HOSTILE},S1,1.543,BM2,1.600,50.990,88-45-50\n",
        encoding="utf-8",
    )
    return folder


# C1 as a control sequence; right-to-left override, isolates, mark; zero-width space, joiner; byte order mark, a tag
HOSTILE = "\x9b2J\u202e\u2066\u2067\u200f\u200b\u200d\ufeff\U000e0041"
HOSTILE_COMMANDS = [
    ("check", "JOB", "--no-page", "--to", "out\x1b[2J"),
    ("bust", "JOB", "--to", "out\u202e"),
    ("prove", "JOB", "--setup", f"1{HOSTILE}"),
    ("prove", "JOB", "--setup", "none\x1b]0;title\x07"),
    ("plan", "JOB"),
    ("show", "JOB", "--all"),
    ("trust", "JOB", "--runs", "2"),
    ("archive", "JOB", "--output", "out\x1b[2J", "--no-page"),
    ("check", "nowhere\x1b[2J\u202e"),
    ("check", "JOB", "--bad\x1b[2J"),
    ("bust", "JOB", "--closing", "\x1b[2J"),
    ("tape", "1.5\x1b[2J\u202e"),
    ("new", "new\x1b[2J\u202e"),
    ("demo", "none\x1b[2J"),
    ("import", "none\x1b[2J.xml", "y"),
    ("none\x1b[2J",),
]


# where any character may stand: in what is typed, and in tables that are refused for it
REFUSED = "\u202e\u2066\x9b\u200f\x07\x1b[31m"
REFUSED_COMMANDS = [
    *((name, "REFUSED") for name in ("check", "bust", "plan", "show", "trust")),
    ("prove", "REFUSED", "--setup", f"1{REFUSED}"),
    ("archive", "REFUSED", "--output", "out", "--no-page"),
    ("check", "JOB", "--to", f"out{REFUSED}", "--no-page"),
    ("prove", "JOB", "--setup", f"1{REFUSED}"),
    ("import", "XML", f"new{REFUSED}"),
    ("new", f"new{REFUSED}"),
    ("demo", f"none{REFUSED}"),
    ("tape", f"1.5{REFUSED}"),
    (f"none{REFUSED}",),
]


def obeyed(text):
    """Characters that a terminal does not show."""
    return {char for char in text if not char.isprintable() and char != "\n"}


@pytest.fixture
def refused(tmp_path, job):
    """The same job, its names with what a table may not hold as well."""
    folder = tmp_path / f"refused{REFUSED}"
    shutil.copytree(job, folder)
    for path in folder.glob("*.csv"):
        path.write_text(path.read_text(encoding="utf-8").replace(HOSTILE, REFUSED), encoding="utf-8")
    return folder


@pytest.fixture
def xml(tmp_path):
    """A LandXML file whose names hold what XML allows of it."""
    text = FERRY.read_text(encoding="utf-8")
    path = tmp_path / f"ferry{REFUSED}.xml"
    path.write_text(
        re.sub(r'(name|pntRef|setupID|id|stationName)="([^"]+)"', rf'\1="\2{HOSTILE}"', text), encoding="utf-8"
    )
    return path


ENCODINGS = ("utf-8", "ascii", "cp1252")
EVERY = [*HOSTILE_COMMANDS, *REFUSED_COMMANDS]
IN_TURN = [(arguments, ENCODINGS[i % 3]) for i, arguments in enumerate(EVERY)]
IN_ALL = [(c[i], e) for c in (HOSTILE_COMMANDS, REFUSED_COMMANDS) for i in (0, 1) for e in ENCODINGS]


@pytest.mark.parametrize(
    ("arguments", "encoding"), list(dict.fromkeys([*IN_TURN, *IN_ALL])), ids=lambda value: ascii(value)[-60:]
)
def test_nothing_in_a_name_is_obeyed_in_any_encoding(tmp_path, job, refused, xml, arguments, encoding):
    places = {"JOB": job, "REFUSED": refused, "XML": xml}
    script = Path(sys.executable).with_name("heightnet")
    command = [str(script)] if script.is_file() else COMMAND  # as it is installed, where it is
    done = subprocess.run(
        [*command, *(os.fspath(places.get(a, a)) for a in arguments)],
        cwd=tmp_path, env=environment(PYTHONIOENCODING=encoding), capture_output=True, timeout=180,
    )  # fmt: skip
    assert done.returncode in (0, 1, 2) and done.stdout + done.stderr
    for text in (done.stdout.decode(encoding), done.stderr.decode(encoding)):
        assert not obeyed(text) and "Traceback" not in text


@needs_terminals
@pytest.mark.parametrize("arguments", [a for a in HOSTILE_COMMANDS if a[0] not in ("trust", "archive")][:6])
def test_nothing_in_a_name_is_obeyed_where_there_are_colours(tmp_path, job, arguments):
    status, text = on_terminal(80, *(str(job) if a == "JOB" else a for a in arguments), cwd=tmp_path)
    assert status in (0, 1, 2) and not obeyed(STYLES.sub("", text))


def test_json_and_pages_keep_the_names(tmp_path, job):
    for encoding in ("utf-8", "cp932", "ascii"):
        done = run("check", job, "--json", env=environment(PYTHONIOENCODING=encoding), raw=True)
        text = done.stdout.decode(encoding)
        assert not obeyed(text)
        assert f"P{HOSTILE}" in {mark["mark"] for mark in json.loads(text)["marks"]}
    run("plan", job, "--to", tmp_path / "out")
    page = (tmp_path / "out" / "plan.html").read_text(encoding="utf-8")
    assert "<bdi>\u202e</bdi><bdi>\u2066</bdi><bdi>\u2067</bdi>" in page
    read = re.sub(r' data-of="[^"]*"', "", page)  # what a statement is about is an attribute, which nobody reads
    assert not re.search("(?<!<bdi>)[\u202e\u2066\u2067]", read)
    facts = json.loads((tmp_path / "out" / "plan.json").read_text(encoding="utf-8"))
    assert any(HOSTILE in height["id"] for height in facts["heights"])


# ---- width ----


@needs_terminals
@pytest.mark.parametrize("columns", [80, 40])
@pytest.mark.parametrize("arguments", [*COMMANDS[:-2], ("archive", BRIDGE, "--output", "out", "--no-page")], ids=named)
def test_at_any_width_nothing_is_wider_and_nothing_is_cut(tmp_path, plainly, arguments, columns):
    if arguments[0] in ("trust", "archive"):  # a bar of progress moves the cursor about: the last lines count
        status, text = on_terminal(columns, *arguments, cwd=tmp_path)
        text = text.rpartition("\x1b[2K")[2]
    else:
        status, text = on_terminal(columns, *arguments, cwd=tmp_path)
    lines = STYLES.sub("", text).split("\n")
    folder = str(tmp_path)
    assert max(cells(line) for line in lines if folder not in line) <= columns
    expected, out, _ = plainly(arguments)
    assert status == expected
    assert not missing(out, "\n".join(lines)), "words that the pipe has and the terminal has not"


PIPED = [*COMMANDS[:-1], ("show", QUARRY), ("archive", BRIDGE, "--output", "out", "--no-page"), ("demo",),
         ("bust", MILL, "--closing", "x")]  # fmt: skip
WIDE = [(arguments, ("60", "")[i % 2]) for i, arguments in enumerate(PIPED)]
WIDE += [(PIPED[0], columns) for columns in ("60", "80", "132", "")]


@pytest.mark.parametrize(("arguments", "columns"), list(dict.fromkeys(WIDE)), ids=lambda value: ascii(value)[-60:])
def test_a_pipe_is_as_wide_as_columns_says_or_else_80(tmp_path, plainly, arguments, columns):
    done = run(*arguments, cwd=tmp_path, env=environment(COLUMNS=columns))
    status, out, err = plainly(arguments)
    assert done.returncode == status
    for text, whole in ((done.stdout, out), (untimed(done.stderr), untimed(err))):
        lines = [line for line in text.split("\n") if str(tmp_path) not in line]
        assert max(map(cells, lines)) <= int(columns or 80)
        assert not missing(whole, text)


@pytest.mark.parametrize("columns", ["0", "-5", "wide", "9" * 5000])
def test_columns_that_say_nothing_are_80(columns):
    assert run("demo", env=environment(COLUMNS=columns)).stdout == run("demo", env=environment(COLUMNS="80")).stdout


@pytest.mark.parametrize("columns", [40, 60, 80, 132])
@pytest.mark.parametrize("command", ["", *CLI])
def test_help_is_not_wider_and_no_word_is_cut(command, columns):
    arguments = [*command.split(), "--help"]
    wide, text = (run(*arguments, env=environment(COLUMNS=str(c))).stdout for c in (132, columns))
    assert max(map(len, text.split("\n"))) <= columns
    assert text.split() == wide.split()
    assert not re.search(r"(\w-|\[default:|[:;] \d)$", text, re.MULTILINE)


def missing(whole, text):
    """Words of the whole that the text has not, paths apart."""
    return {word for word in Counter(words(whole)) - Counter(words(text)) if "/" not in word}


def words(text):
    """The words of a text, without the marks that a table set in records puts behind them."""
    return [word.strip(";:") for word in text.split()]


@needs_terminals
def test_help_and_errors_at_any_width(tmp_path):
    for arguments, status in ((("--help",), 0), (("plan", "--help"), 0), (("bust", MILL, "--closing", "x"), 2)):
        ended, text = on_terminal(40, *arguments, cwd=tmp_path)
        assert ended == status and max(map(len, text.split("\n"))) <= 40
        assert len(text.split("\n")) >= 7


@needs_terminals
def test_wide_characters_count_twice(tmp_path):
    folder = tmp_path / "job"
    shutil.copytree(BRIDGE, folder)
    for path in folder.glob("*.csv"):
        path.write_text(path.read_text(encoding="utf-8").replace("B1", "測量点一番" * 4), encoding="utf-8")
    status, text = on_terminal(60, "show", folder)
    assert status == 0 and "測量点" in text
    assert max(cells(line) for line in STYLES.sub("", text).split("\n")) <= 60
