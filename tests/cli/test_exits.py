"""How commands end, each in a process of its own; and that help and docs say the same."""

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest
from command_help import COMMAND, DATA, ROOT, environment, run

from heightnet import exits
from heightnet.commands.overview import COMMANDS
from heightnet.exits import Exit

QUARRY, BRIDGE, MILL = (DATA / name for name in ("quarry-traverse", "bridge-check-shots", "mill-levels"))
needs_posix = pytest.mark.skipif(sys.platform == "win32", reason="signals and devices of POSIX")


# ---- 0 and 1: what was found ----


@pytest.mark.parametrize(
    ("status", "arguments"),
    [
        (0, ("check", BRIDGE, "--no-page")),
        (1, ("check", BRIDGE, "--no-page", "--strict")),
        (1, ("check", QUARRY, "--no-page")),
        (0, ("bust", BRIDGE)),
        (1, ("bust", MILL)),
        (0, ("prove", BRIDGE, "--setup", "B1")),
        (1, ("prove", QUARRY, "--setup", "S4")),
        (0, ("plan", BRIDGE)),
        (1, ("plan", BRIDGE, "--budget", "0")),
        (0, ("tape", "1.586", "5.203ft")),
        (1, ("tape", "1.586", "1.686")),
        (0, ("archive", BRIDGE, "--output", "out", "--no-page")),
        (1, ("archive", QUARRY, "--output", "out", "--no-page")),
        (0, ("trust", BRIDGE, "--runs", "2")),
        (0, ("show", QUARRY)),
        (0, ("demo",)),
        (0, ("new", "job")),
        (0, ("--version",)),
        (0, ("--help",)),
        (0, ("check", "--help")),
    ],
    ids=lambda value: " ".join(os.path.basename(v) for v in value) if isinstance(value, tuple) else str(value),
)
def test_what_was_found(tmp_path, status, arguments):
    done = run(*arguments, cwd=tmp_path)
    assert done.returncode == status, done.stdout + done.stderr


# ---- 2: refused, with the reason ----


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), "Usage: heightnet"),
        (("chekc", QUARRY), "No such command 'chekc'"),
        (("check",), "Missing argument 'JOB'"),
        (("check", QUARRY, "--tolerence", "5"), "No such option"),
        (("check", "nowhere"), "There is no such file or folder"),
        (("check", QUARRY, "--rates", "nowhere.toml"), "nowhere.toml: No such file"),
        (("check", QUARRY, "--to", "a file/report"), "a file/report: Not a directory"),
        (("prove", QUARRY, "--setup", "S44"), "no such set-up"),
        (("tape", "1586"), "1586mm"),
        (("archive", "nowhere"), "is no folder"),
        (("import", "nowhere.xml", "job"), "There is no such file"),
        (("demo", "nowhere"), "No demo job"),
        (("new", "a file"), "is there already"),
    ],
    ids=lambda value: " ".join(os.path.basename(v) for v in value) if isinstance(value, tuple) else "",
)
def test_refused(tmp_path, arguments, says):
    (tmp_path / "a file").write_text("x")
    done = run(*arguments, cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "") and says in done.stderr, done.stderr


NUMBERS = [  # an option's argument that is no number of its range, and the range in words
    (("check", QUARRY, "--tolerance", "-5"), "read -5, expected a number from 0.01 to 1,000 mm"),
    (("check", QUARRY, "--tolerance", "nan"), "read nan, expected a number from 0.01 to 1,000 mm"),
    (("prove", QUARRY, "--setup", "S4", "--tolerance", "inf"), "expected a number from 0.01 to 1,000 mm"),
    (("plan", QUARRY, "--tolerance", "1e5"), "expected a number from 0.01 to 1,000 mm"),
    (("archive", BRIDGE, "--tolerance", "0"), "expected a number from 0.01 to 1,000 mm"),
    (("bust", MILL, "--closing", "-5"), "a number from 0.01 to 10,000 mm per root km"),
    (("bust", MILL, "--closing-setups", "nan"), "a number from 0.01 to 10,000 mm per root set-up"),
    (("plan", QUARRY, "--budget", "nan"), "expected a number from 0 to 100,000 minutes"),
    (("plan", QUARRY, "--level-tie", "0"), "expected a number from 0.01 to 10,000 minutes"),
    (("trust", QUARRY, "--seed", "-5"), "expected a whole number from 0 to 4,294,967,295"),
    (("trust", QUARRY, "--runs", "1"), "expected a whole number from 2 to 1,000,000"),
    (("trust", QUARRY, "--runs", "2.5"), "expected a whole number from 2 to 1,000,000"),
    *(
        (("check", QUARRY, "--seconds", text), f"read {text}, expected a number from 0.01 to 1,000,000 seconds")
        for text in ("-5", "0", "nan", "inf")
    ),
    (("archive", BRIDGE, "--seconds", "-5"), "read -5, expected a number from 0.01 to 1,000,000 seconds"),
    (("archive", BRIDGE, "--workers", "0"), "expected a whole number from 1 to 1,024"),
    (("tape", "1.5", "--sd", "-1"), "expected 0, or a number from 0.001 to 100 mm"),
    (("tape", "1.5", "--work", "nan"), "expected a number from 0.1 to 1,000 mm"),
    (("tape", "1.5", "--offset", "21m"), "expected an offset from -20,000 to 20,000 mm"),
]


@pytest.mark.parametrize(("arguments", "says"), NUMBERS, ids=lambda value: str(value[0]) + " " + str(value[-1]))
def test_a_number_out_of_range_is_refused_with_the_rule(tmp_path, arguments, says):
    done = run(*arguments, cwd=tmp_path)
    assert done.returncode == 2 and says in done.stderr, done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("file", "text", "place", "rule"),
    [
        ("job.toml", "[test]\nfalse_alarm = 1e-300\n", "row 2, column test.false_alarm", "a number from 0.001 to 0.2"),
        ("job.toml", "[test]\npower = 1e-9\n", "row 2, column test.power", "a number from 0.5 to 0.99"),
        ("job.toml", "[precision]\ntape_mm = 1e-308\n", "row 2, column precision.tape_mm",
         "a number from 0.001 to 1,000,000 mm"),
        ("marks.csv", "mark,height\nK1,1e9\n", "row 2, column height", "a number from -12,000 to 100,000 m"),
        ("marks.csv", "mark,height,sd_mm\nK1,100,1e-308\n", "row 2, column sd_mm",
         "0, or a number from 0.001 to 1,000,000 mm"),
        ("setups.csv", "setup,mark,height,sd_mm\nS1,K1,1.5,1e-308\n", "row 2, column sd_mm",
         "a number from 0.001 to 1,000,000 mm"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("command", ["check", "show", "plan", "bust", "trust"])
def test_a_number_of_a_file_out_of_range_is_refused_with_the_rule(tmp_path, command, file, text, place, rule):
    job = tmp_path / "job"
    shutil.copytree(BRIDGE, job)
    (job / file).write_text(text)
    done = run(command, job, cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert f"{file}, {place}: read " in done.stderr and f"expected {rule}" in done.stderr, done.stderr
    beside = [path.name for path in tmp_path.rglob("*") if path.is_file() and job not in path.parents]
    assert beside == (["not-read.html"] if command == "check" else [])


@needs_posix
@pytest.mark.slow
@pytest.mark.parametrize("arguments", [("show", QUARRY), ("check", BRIDGE, "--json"), ("--help",), ("bust", "--help")])
def test_a_full_disk_is_refused(arguments):
    with open("/dev/full", "wb") as full:
        command = [*COMMAND, *map(str, arguments)]
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, env=environment(), timeout=120)
    assert (done.returncode, done.stderr.decode()) == (2, "Could not read or write: No space left on device.\n")


@pytest.fixture
def read_only():
    """A working folder that cannot be written to, with a job in it, and how a command is run that keeps to that."""
    folder = Path(tempfile.mkdtemp())  # pytest's own are closed to other users
    shutil.copytree(BRIDGE, folder / "job")
    as_other = []
    if os.geteuid() == 0:  # root may write everywhere
        as_other = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"]
        starts = [*as_other, sys.executable, "-c", "import heightnet.cli"]
        if not shutil.which("setpriv") or subprocess.run(starts, cwd="/", env=environment()).returncode:
            pytest.skip("as root it needs setpriv, and a Python and a heightnet that other users can read")
    folder.chmod(0o555)
    yield folder, as_other
    folder.chmod(0o755)
    shutil.rmtree(folder)


@needs_posix
@pytest.mark.slow
@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("check", "job"), "reports: Permission denied."),
        (("check", "job", "--to", "out", "--no-page"), "out: Permission denied."),
        (("bust", "job", "--to", "."), "bust.json: Permission denied."),
        (("archive", "job", "--workers", "1"), "reports: Permission denied."),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_a_folder_that_cannot_be_written_to_is_refused(read_only, arguments, says):
    folder, as_other = read_only
    env = environment(HOME="/nonexistent")  # as of many a user that runs services
    done = subprocess.run(
        [*as_other, *COMMAND, *arguments], cwd=folder, env=env, capture_output=True, text=True, timeout=120
    )
    assert (done.returncode, done.stdout) == (2, "")
    (sentence,) = [line for line in done.stderr.splitlines() if " s  " not in line]  # stages are told if it takes long
    assert sentence.startswith("Could not read or write ") and sentence.endswith(says)
    assert [path.name for path in folder.iterdir()] == ["job"]


# ---- 130: interrupted ----


@needs_posix
@pytest.mark.slow
def test_interrupted():
    begun = subprocess.Popen(
        [*COMMAND, "trust", str(QUARRY), "--runs", "1000000"], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        env=environment(), preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    time.sleep(3)
    for _ in range(2):  # an impatient person presses it twice
        begun.send_signal(signal.SIGINT)
        time.sleep(0.01)
    out, err = begun.communicate(timeout=60)
    assert begun.returncode == 130, err
    assert out == b"" and err.decode().strip() == "Interrupted; nothing was left half-written."


# ---- a reader that leaves ----


@needs_posix
@pytest.mark.slow
@pytest.mark.parametrize(
    ("status", "arguments"),
    [(0, ("show", QUARRY, "--all")), (1, ("check", QUARRY, "--json")), (1, ("bust", MILL)), (0, ("--help",))],
)
def test_a_reader_that_leaves_changes_nothing(status, arguments):
    begun = subprocess.Popen(
        [*COMMAND, *map(str, arguments)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment()
    )
    begun.stdout.close()
    err = begun.stderr.read()
    begun.stderr.close()
    assert (begun.wait(timeout=120), err) == (status, b"")


@needs_posix
@pytest.mark.slow
@pytest.mark.parametrize("closed", [">&-", "2>&-", ">&- 2>&-"])
def test_without_anywhere_to_write_it_ends_as_it_would(tmp_path, closed):
    for arguments, status in (((str(BRIDGE),), 0), (("nowhere",), 2)):
        command = f"{' '.join([*COMMAND, 'show', *arguments])} {closed}"
        done = subprocess.run(
            ["bash", "-c", command], env=environment(), cwd=tmp_path, timeout=120, capture_output=True
        )
        assert done.returncode == status and b"Traceback" not in done.stderr


# ---- told alike ----


def words(text):
    return " ".join(text.split())


@pytest.mark.parametrize("command", COMMANDS)
def test_help_says_how_each_command_ends(command):
    done = run(command, "--help")
    assert exits.sentence(command) in words(done.stdout)
    for status, means in exits.meanings(command).items():
        assert f"{status.value} {means}" in words(done.stdout)


def test_help_of_all_says_it_too():
    told = words(run("--help").stdout)
    assert all(f"{status.value} {status.meaning}" in told for status in Exit)


def test_every_command_has_its_meanings():
    assert list(exits.OF_COMMAND) and set(exits.OF_COMMAND) == set(COMMANDS)


def test_docs_say_the_same():
    docs = ROOT / "heightnet" / "docs"
    assert (docs / "exits.md").read_text(encoding="utf-8") == exits.page(), "run: python -m tests.make_descriptions"
    for name in ("archive", "bust", "plan", "prove", "results", "tape"):
        assert "(exits.md)" in (docs / f"{name}.md").read_text(encoding="utf-8")
    readme = words((ROOT / "README.md").read_text(encoding="utf-8"))
    paragraph = readme.partition("Every command ends in the same exit statuses")[2].partition("##")[0]
    at = [paragraph.index(f" {status.value} ") for status in Exit]
    assert at == sorted(at) and "docs/exits.md" in paragraph
