"""The command line: names the commands and loads only the one that is called.

``heightnet --help`` must answer at once, so the list below is plain text, and neither numerics nor the library that
parses options is imported for it; each command lives in a module of ``heightnet.commands``.
"""

import os
import sys

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
    "Was a set-up height wrong? Reads height observations, adjusts them and says what is probably wrong,",
    "what could be wrong without showing, and what one more shot would prove.",
)


def overview() -> str:
    """The text of ``heightnet --help``."""
    width = max(map(len, (*COMMANDS, "--version"))) + 2
    commands = [f"  {name:{width}}{text}" for name, (_, text) in COMMANDS.items()]
    return "\n".join(
        [
            "Usage: heightnet COMMAND [OPTIONS] ...",
            "",
            *(f"  {line}" for line in ABOUT),
            "",
            "Commands:",
            *commands,
            "",
            f"  {'--version':{width}}Say which version this is.",
            "  heightnet COMMAND --help says what a command takes.",
        ]
    )


def main() -> None:
    """Run a command; errors meant for people end in one clear text on stderr and exit status 2."""
    if sys.argv[1:] in (["--help"], ["-h"]):
        print(overview())
        return
    # the matrices are sparse or small: threads of the linear algebra would only get in one another's way
    for library in ("OMP", "OPENBLAS", "MKL"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")
    from heightnet.errors import HeightnetError

    try:
        from heightnet.commands.group import run

        sys.exit(run())
    except HeightnetError as error:
        stop(str(error))
    except OSError as error:  # a full disk, no permission, a file where a folder should be
        place = f"{error.filename}: " if error.filename else ""
        stop(f"Could not read or write {place}{error.strerror or error}.")
    except MemoryError:
        stop(
            "Not enough memory for this job; nothing was left half-written. Check it in parts, or on a larger machine."
        )
    except KeyboardInterrupt:
        stop("Interrupted; nothing was left half-written.", status=130)


def stop(text: str, status: int = 2) -> None:
    """Say why, and end."""
    print(text, file=sys.stderr)
    sys.exit(status)
