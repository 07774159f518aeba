"""The commands as one group, each imported when it is called."""

from __future__ import annotations

import sys
from importlib import import_module

import click

import heightnet
from heightnet.commands.command import with_job
from heightnet.commands.overview import ABOUT, COMMANDS, RENAMED, overview
from heightnet.exits import Exit
from heightnet.report.console import say, width

HELP = 78  # columns of help, where there are as many


class LazyCommands(click.Group):
    """A command group that imports a command only to run it; ``--help`` imports none."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name in RENAMED:
            now = RENAMED[cmd_name]
            raise click.UsageError(f"{cmd_name} is called {now}: heightnet {now}.", ctx)
        if cmd_name not in COMMANDS:
            return None
        return import_module(f"heightnet.commands.{COMMANDS[cmd_name][0]}").command

    def get_help(self, ctx: click.Context) -> str:
        return overview(width())


@click.group(
    cls=LazyCommands, params=[with_job()], help=ABOUT,
    context_settings={"help_option_names": ["-h", "--help"], "terminal_width": min(width(), HELP)},
)  # fmt: skip
@click.version_option(heightnet.__version__, prog_name="heightnet")
def cli() -> None:
    pass


def run() -> int:
    """Run the command that the arguments name; returns its exit status.

    Raises KeyboardInterrupt where it was interrupted, and the errors of the command itself.
    """
    if len(sys.argv) == 1:  # click itself ends this in 0 or in 2, by its version
        say(overview(width(err=True)), err=True)
        return Exit.REFUSED
    try:
        done = cli.main(prog_name="heightnet", standalone_mode=False)
    except click.ClickException as error:  # arguments that make no sense
        context = getattr(error, "ctx", None)
        if context is not None and error.format_message() != context.get_help():
            say(context.get_usage(), err=True)
            say(f"{context.command_path} --help says what it takes.", err=True)
        say(error.format_message(), err=True)
        return Exit.REFUSED
    except click.Abort:
        raise KeyboardInterrupt from None
    return done if isinstance(done, int) else Exit.FINE
