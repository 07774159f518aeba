"""Running the command as a user does: in a process of its own, into pipes or on a terminal of some width."""

import os
import re
import struct
import subprocess
import sys
import time
from pathlib import Path

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
    command = [*COMMAND, *map(os.fspath, arguments)]
    env = env or environment()
    done = subprocess.run(command, capture_output=True, cwd=cwd, env=env, timeout=180)
    if not raw:
        done.stdout, done.stderr = done.stdout.decode("utf-8"), done.stderr.decode("utf-8")
    assert b"Traceback" not in done.stderr if raw else "Traceback" not in done.stderr, done.stderr
    return done


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
