"""The commands by name, and the text that lists them.

``heightnet --help`` must answer at once, so the list is plain text, and neither numerics nor the library that parses
options is imported for it; each command lives in a module beside this one, which is loaded when it is called.
"""

# command: (module in heightnet.commands holding a click command called `command`, one line for --help)
COMMANDS = {
    "check": ("check", "Read a job, adjust it, test every height and write the report."),
    "bust": ("bust", "A level run or loop does not close: where is it, and what to level again."),
    "prove": ("prove", "Check shots: is the instrument height of one set-up right?"),
    "plan": ("plan", "Which measurements prove every height for the fewest minutes; a field sheet."),
    "trust": ("trust", "Say how far a job's verdicts can be trusted, by simulating it."),
    "archive": ("archive", "Check every job below a folder; one index page of them all."),
    "show": ("show", "Print what was read: values, reductions, ties, oddities."),
    "new": ("new", "Write an empty job to fill in: a folder of CSV tables, or a workbook."),
    "import": ("import_", "Make a job folder of a LandXML file or a workbook."),
    "demo": ("demo", "List the shipped demo jobs, or copy one."),
    "tape": ("tape", "One height at the tripod: reduce its readings, compare them, say what to book."),
}

RENAMED = {"selftest": "trust"}
"""Commands that had another name, by that."""

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
