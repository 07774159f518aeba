"""The command line: names the commands and loads only the one that is called.

``heightnet --help`` must answer at once, so the list below is plain text; each command lives in a module of
``heightnet.commands`` and imports numerics only when it runs.
"""

from __future__ import annotations

import os
import sys
from importlib import import_module

import click

import heightnet

# command: (module in heightnet.commands holding a click command called `command`, one line for --help)
COMMANDS = {
    "check": ("check", "Read a job, adjust it, test every height and write the report."),
    "bust": ("bust", "A level run or loop does not close: where is it, and what to level again."),
    "prove": ("prove", "Check shots: is the instrument height of one set-up right?"),
    "plan": ("plan", "Which measurements prove every height for the fewest minutes; a field sheet."),
    "selftest": ("selftest", "Say how far a job's verdicts can be trusted, by simulating it."),
    "show": ("show", "Print what was read: values, reductions, ties, oddities."),
    "new": ("new", "Write an empty job to fill in: a folder of CSV tables, or a workbook."),
    "import": ("import_", "Make a job folder of a LandXML file."),
    "demo": ("demo", "List the shipped demo jobs, or copy one."),
    "tape": ("tape", "One height at the tripod: reduce its readings, compare them, say what to book."),
}


class LazyCommands(click.Group):
    """A command group whose commands are imported when called; ``--help`` imports none of them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        return import_module(f"heightnet.commands.{COMMANDS[cmd_name][0]}").command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.group(cls=LazyCommands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(heightnet.__version__, prog_name="heightnet")
def cli() -> None:
    """Was a set-up height wrong? Reads height observations, adjusts them and says what is probably wrong,
    what could be wrong without showing, and what one more shot would prove."""


def main() -> None:
    """Run a command; errors meant for people end in one clear text on stderr and exit status 2."""
    from heightnet.errors import HeightnetError

    # the matrices are sparse or small: threads of the linear algebra would only get in one another's way
    for library in ("OMP", "OPENBLAS", "MKL"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")
    try:
        cli.main(standalone_mode=True)
    except HeightnetError as error:
        click.echo(str(error), err=True)
        sys.exit(2)
    except OSError as error:  # a full disk, no permission, a file where a folder should be
        place = f"{error.filename}: " if error.filename else ""
        click.echo(f"Could not read or write {place}{error.strerror or error}.", err=True)
        sys.exit(2)
    except KeyboardInterrupt:
        click.echo("Interrupted; nothing was left half-written.", err=True)
        sys.exit(130)
