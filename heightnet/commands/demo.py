"""``heightnet demo``"""

from __future__ import annotations

import shutil
from pathlib import Path

import click

from heightnet.commands.command import Command
from heightnet.errors import HeightnetError
from heightnet.report.console import one_line, say


def demo_folder() -> Path:
    """Where the shipped demo jobs are: inside the installed package, or beside it in a source tree."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "data", package.parent / "data"):
        if folder.is_dir():
            return folder
    raise HeightnetError("The demo jobs are missing from this installation; install heightnet again.")


def demos() -> dict[str, Path]:
    """Demo jobs by name."""
    return {p.name: p for p in sorted(demo_folder().iterdir()) if (p / "README.md").is_file()}


@click.command(name="demo", cls=Command)
@click.argument("name", required=False)
@click.option("--to", type=click.Path(path_type=Path), help="Folder to copy it to; default the demo's name, here.")
def command(name: str | None, to: Path | None) -> None:
    """List the shipped demo jobs, or copy one.

    Every demo is invented; its README.md says what happened in the field and what heightnet must say.
    """
    known = demos()
    if name is None:
        width = max(len(n) for n in known)
        for one, folder in known.items():
            heading = (folder / "README.md").read_text(encoding="utf-8").splitlines()[0].lstrip("# ")
            say(f"{one:<{width}}  {heading}")
        say("\nCopy one: heightnet demo NAME, then: heightnet check NAME")
        return
    if name not in known:
        raise HeightnetError(f"No demo job {name!r}. There are: {', '.join(known)}.")
    target = to or Path(name)
    if target.exists():
        raise HeightnetError(f"{target} exists already; nothing was copied. Choose another folder with --to.")
    beside = target.with_name(target.name + ".part")
    shutil.copytree(known[name], beside)
    beside.rename(target)
    say(f"Copied to {one_line(target)}. Now: heightnet check {one_line(target)}")
