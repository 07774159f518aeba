"""``heightnet trust JOB``"""

from __future__ import annotations

from pathlib import Path

import click

from heightnet.commands.command import Command, Number, columns_asked, outputs, recorded
from heightnet.ledger.arguments import RUNS, SEED


@click.command(name="trust", cls=Command)
@click.argument("job", type=click.Path(path_type=Path))
@columns_asked
@click.option("-n", "--runs", type=Number(RUNS), default=2000, show_default=True, help=RUNS.meaning)
@click.option("--seed", type=Number(SEED), default=1, show_default=True, help=SEED.meaning)
@outputs("Folder for trust.html and trust.json.", "trust")
def command(
    job: Path, columns: Path | None, hidden: str | None, runs: int, seed: int, to: Path | None, pdf: bool, as_json: bool
) -> None:
    """Simulate the job's own network with known blunders and say how far its verdicts can be trusted.

    How often it says something of a sound job, what it finds, how often the place it tells holds the blunder and what
    it names alone was wrong, and whether its chances mean what they say.
    """
    from heightnet.answers import Answer
    from heightnet.report.console import progress
    from heightnet.report.task_output import give
    from heightnet.report.trust_words import trust_document
    from heightnet.tasks.trust import trust

    read = recorded(job, columns, hidden)
    with progress() as bar:
        line = bar.add_task("observing anew", total=runs)
        facts = trust(read, runs, seed, progress=lambda done: bar.update(line, completed=done))
    give(Answer("trust", facts, 0, trust_document), as_json, to, pdf)
