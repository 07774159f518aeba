"""Running the command as a user does: in a process of its own, into pipes or on a terminal of some width."""

import io
import multiprocessing
import os
import re
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from unittest import mock

from heightnet.cli import main

ROOT = Path(__file__).resolve().parents[2]
DATA = ROOT / "data"
COMMAND = [sys.executable, "-m", "heightnet"]
STYLES = re.compile(r"\x1b\[[0-9;]*m")

SITE = '''
"""Found by Python as it starts: one function of the program fails, without the program knowing of any of this."""
import importlib.abc, importlib.machinery, os, sys

MODULE, _, NAME = os.environ["BREAK"].partition(":")


class Breaker(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path, target=None):
        if name != MODULE:
            return None
        sys.meta_path.remove(self)
        spec = importlib.machinery.PathFinder.find_spec(name, path)
        load = spec.loader.exec_module

        def exec_module(module):
            load(module)
            right = getattr(module, NAME)

            def broken(*args, **kwargs):
                said = " ".join(map(str, args))
                if os.environ.get("ONLY", "") in said:
                    raise ZeroDivisionError("it was " + said)
                return right(*args, **kwargs)

            setattr(module, NAME, broken)

        spec.loader.exec_module = exec_module
        return spec


sys.meta_path.insert(0, Breaker())
'''


def environment(*folders, **more):
    """Of this tree, whatever else is installed; folders are looked into first."""
    return {
        **os.environ,
        "PYTHONPATH": os.pathsep.join([*map(str, folders), str(ROOT)]),
        "OMP_NUM_THREADS": "1",
        **more,
    }


def run(*arguments, cwd=None, env=None, raw=False):
    """Exit status, stdout and stderr of the command.

    The process it runs in is forked from one that has loaded the libraries already, which spares a second a run. Where
    more than encoding and width is asked of the environment, and for what starts processes itself, Python is started
    anew; `test_a_forked_process_says_what_a_started_one_says` compares the two.
    """
    env, arguments = env or environment(), [*map(os.fspath, arguments)]
    plain = environment()
    other = {name for name in {*env, *plain} if env.get(name) != plain.get(name)}
    forked = hasattr(os, "fork") and other <= {"COLUMNS", "PYTHONIOENCODING"} and arguments[:1] != ["archive"]
    done = (fork if forked else start)(arguments, cwd, env)
    if not raw:
        done.stdout, done.stderr = done.stdout.decode("utf-8"), done.stderr.decode("utf-8")
    assert b"Traceback" not in done.stderr if raw else "Traceback" not in done.stderr, done.stderr
    return done


def start(arguments, cwd, env):
    return subprocess.run([*COMMAND, *arguments], capture_output=True, cwd=cwd, env=env, timeout=180)


def fork(arguments, cwd, env):
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["heightnet.commands.check", "heightnet.tasks.check", "heightnet.report.page"])
    with tempfile.TemporaryDirectory() as folder:
        paths = [os.path.join(folder, name) for name in ("out", "err")]
        process = context.Process(target=_forked, args=(arguments, cwd or os.getcwd(), env, paths))
        with mock.patch.dict(os.environ, environment()):  # the first starts the one that loads: of this tree
            process.start()
        process.join(180)
        assert process.exitcode is not None, arguments
        return subprocess.CompletedProcess(arguments, process.exitcode, *(Path(path).read_bytes() for path in paths))


def _forked(arguments, cwd, env, paths):
    """What Python does as it starts, as far as the command sees any of it."""
    for number, path in enumerate([os.devnull, *paths]):
        opened = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
        os.dup2(opened, number)
        os.close(opened)
    os.environ.clear()
    os.environ.update(env)
    encoding, _, errors = env.get("PYTHONIOENCODING", "").partition(":")
    sys.stdout = io.TextIOWrapper(io.FileIO(1, "w"), encoding or "utf-8", errors or "strict", write_through=True)
    sys.stderr = io.TextIOWrapper(io.FileIO(2, "w"), encoding or "utf-8", "backslashreplace", write_through=True)
    os.chdir(cwd)
    sys.argv = ["heightnet", *arguments]
    main()


def broken(tmp_path, what, only=""):
    """An environment in which one function of the program fails, ``module:function``, at what holds ``only``."""
    site = tmp_path / "site"
    site.mkdir(exist_ok=True)
    (site / "sitecustomize.py").write_text(SITE)
    return environment(site, BREAK=what, ONLY=only)


def on_terminal(columns, *arguments, cwd=None):
    """Exit status and all that a terminal of so many columns got, its line ends as ``\\n``."""
    import fcntl
    import pty
    import termios

    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    env = environment(TERM="xterm", COLUMNS="")
    begun = subprocess.Popen(
        [*COMMAND, *map(os.fspath, arguments)], stdin=subprocess.DEVNULL, stdout=theirs, stderr=theirs, cwd=cwd, env=env
    )
    os.close(theirs)
    out, until = b"", time.monotonic() + 180
    while time.monotonic() < until:
        try:
            read = os.read(ours, 1 << 16)
        except OSError:  # nobody holds the other end any more
            break
        if not read:
            break
        out += read
    os.close(ours)
    return begun.wait(timeout=30), out.decode("utf-8").replace("\r\n", "\n")
