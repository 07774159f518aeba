"""The command line: names the commands and loads only the one that is called.

``heightnet --help`` must answer at once, so the list below is plain text, and neither numerics nor the library that
parses options is imported for it; each command lives in a module of ``heightnet.commands``.
"""

import atexit
import os
import sys
from collections.abc import Callable
from contextlib import suppress

# command: (module in heightnet.commands holding a click command called `command`, one line for --help)
COMMANDS = {
    "check": ("check", "Read a job, adjust it, test every height and write the report."),
    "bust": ("bust", "A level run or loop does not close: where is it, and what to level again."),
    "prove": ("prove", "Check shots: is the instrument height of one set-up right?"),
    "plan": ("plan", "Which measurements prove every height for the fewest minutes; a field sheet."),
    "selftest": ("selftest", "Say how far a job's verdicts can be trusted, by simulating it."),
    "archive": ("archive", "Check every job below a folder; one index page of them all."),
    "show": ("show", "Print what was read: values, reductions, ties, oddities."),
    "new": ("new", "Write an empty job to fill in: a folder of CSV tables, or a workbook."),
    "import": ("import_", "Make a job folder of a LandXML file."),
    "demo": ("demo", "List the shipped demo jobs, or copy one."),
    "tape": ("tape", "One height at the tripod: reduce its readings, compare them, say what to book."),
}

ABOUT = (
    "Was a set-up height wrong? Reads height observations, adjusts them and says what is probably wrong, "
    "what could be wrong without showing, and what one more shot would prove."
)


def overview(columns: int) -> str:
    """The text of ``heightnet --help``, its lines no wider than so many columns."""
    from heightnet.exits import MEANING
    from heightnet.report.console import wrapped

    width = max(map(len, (*COMMANDS, "--version"))) + 2

    def entry(name: object, text: str) -> list[str]:
        return wrapped(f"  {name:<{width}}{text}", columns, width + 2)

    return "\n".join(
        [
            "Usage: heightnet COMMAND [OPTIONS] ...",
            "",
            *wrapped(f"  {ABOUT}", columns, 2),
            "",
            "Commands:",
            *(line for name, (_, text) in COMMANDS.items() for line in entry(name, text)),
            "",
            *entry("--version", "Say which version this is."),
            *wrapped("  heightnet COMMAND --help says what a command takes.", columns, 2),
            "",
            "Exit status:",
            *(line for status, means in MEANING.items() for line in entry(int(status), means)),
        ]
    )


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
    from heightnet.errors import HeightnetError
    from heightnet.report.console import one_line

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
