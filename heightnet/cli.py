"""The command line: runs the command that is called, and ends with a status of `heightnet.exits` whatever happens."""

import atexit
import os
import sys
from collections.abc import Callable
from contextlib import suppress


def main() -> None:
    """Run a command, and end with a status of `heightnet.exits`, whatever happens."""
    try:
        try:
            status = _run()
        except SystemExit as end:
            status = end.code if isinstance(end.code, int) else 0 if end.code is None else 1
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
    except BaseException as error:
        status = _stopped(error)
    atexit.register(_hear_no_interrupt)
    sys.exit(status)


def _hear_no_interrupt() -> Callable[[], object]:
    """An impatient second Ctrl-C must not undo what the first one gets to say; returns what hears again."""
    import signal

    try:
        before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    except ValueError:  # not in the main thread
        return lambda: None
    return lambda: signal.signal(signal.SIGINT, before or signal.SIG_DFL)


def _run() -> int:
    from heightnet.report.console import guard, say, width

    guard()
    if sys.argv[1:] in (["--help"], ["-h"]):
        from heightnet.commands.overview import overview

        say(overview(width()))
        return 0
    # the matrices are sparse or small: threads of the linear algebra would only get in one another's way
    for library in ("OMP", "OPENBLAS", "MKL"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")
    from heightnet.commands.group import run

    return run()


def _stopped(error: BaseException) -> int:
    """Say what stopped the command: in words for people, and where it is a fault with a bundle; never a traceback."""
    hear_again = _hear_no_interrupt()
    status = 3
    try:
        from heightnet.exits import status_of
        from heightnet.report.console import say

        status = status_of(error)
        text = _words(error)
        with suppress(OSError):  # where nobody can be told, the status still says it
            say(text, err=True)
            sys.stdout.flush()
    except BaseException:  # not even that: as a last word what needs nothing
        with suppress(OSError):
            os.write(2, b"heightnet failed, and could not even write down why. This is a fault of heightnet.\n")
    hear_again()
    return status


def _words(error: BaseException) -> str:
    from heightnet.errors import HeightnetError, InputErrors
    from heightnet.report.console import one_line

    if isinstance(error, InputErrors) and error.shown:
        return f"{error}\n{error.shown}"
    if isinstance(error, HeightnetError):
        return str(error)
    if isinstance(error, OSError):  # a full disk, no permission, a file where a folder should be
        place = f" {one_line(error.filename)}" if error.filename else ""
        return f"Could not read or write{place}: {error.strerror or error}."
    if isinstance(error, MemoryError):
        return (
            "Not enough memory for this job; nothing was left half-written. Check it in parts, or on a larger machine."
        )
    if isinstance(error, KeyboardInterrupt):
        return "Interrupted; nothing was left half-written."
    from heightnet.faults import Fault, tell

    return tell([Fault.of(error)])
