"""What all commands share: numbers with a rule, the line on exit statuses, and what a fault is told by."""

from __future__ import annotations

import getpass
import re
import shlex
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click
from click.core import ParameterSource

from heightnet import exits, faults
from heightnet.errors import InputErrors, Question
from heightnet.ledger.arguments import HIDDEN, TOLERANCE
from heightnet.ledger.field import Field
from heightnet.ledger.ranges import Range
from heightnet.report.console import fitted, one_line, say
from heightnet.report.numbers import NO_BREAK

if TYPE_CHECKING:
    from heightnet.job.model import Job

T = TypeVar("T")
READS = ("job", "folder", "file")
"""Names of the argument that is a job, a folder of jobs, or a file that becomes one."""
WITH_JOB = "heightnet.with_job"


class Number(click.ParamType):
    """A number within a range; any other is refused with the rule in words."""

    def __init__(self, rule: Range | Field) -> None:
        within = rule.within if isinstance(rule, Field) else rule
        assert within, "a number has a range"
        self.within = within
        self.name = "integer" if within.whole else "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        number = self.within.read(str(value))
        if number is None:
            self.fail(f"read {value}, expected {self.within}.", param, ctx)
        return number


def with_job() -> click.Option:
    """The option that puts the job into the bundle of a fault; it may stand before the command or behind it."""

    def keep(ctx: click.Context, param: click.Parameter, value: bool) -> None:
        if value:
            ctx.meta[WITH_JOB] = True

    return click.Option(
        ["--with-job"], is_flag=True, expose_value=False, callback=keep,
        help="Should heightnet itself fail: put the job's files into the bundle to send.",
    )  # fmt: skip


def outputs(to: str, page: str, *names: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """The options of what a command gives, which mean the same everywhere: ``--to``, ``--pdf`` and ``--json``.

    to : what goes into the folder.  page : the page that is printed, without its ending.  names : further ones of --to.
    """

    def with_options(function: Callable[..., None]) -> Callable[..., None]:
        for option in (
            click.option("--json", "as_json", is_flag=True, help="Print the facts as JSON instead of the summary."),
            click.option(
                "--pdf", is_flag=True, help=f"Print the page to {page}.pdf as well; needs a Chromium or Chrome browser."
            ),
            click.option("--to", *names, "to", type=click.Path(path_type=Path), help=to),
        ):
            function = option(function)
        return function

    return with_options


def tolerance_asked(function: Callable[..., None]) -> Callable[..., None]:
    """The option ``--tolerance``, which means the same everywhere."""
    return click.option(
        "--tolerance", type=Number(TOLERANCE), metavar="MM",
        help="An error of a height this large must not be able to hide; default: the job's.",
    )(function)  # fmt: skip


def hidden_asked(function: Callable[..., None]) -> Callable[..., None]:
    """The option ``--hidden``, which means the same everywhere."""
    return click.option(
        "--hidden", type=click.Choice(HIDDEN.choices),
        help="Read or leave out the hidden and filtered rows, columns and sheets of a workbook.",
    )(function)  # fmt: skip


def columns_asked(function: Callable[..., None]) -> Callable[..., None]:
    """The options ``--columns`` and ``--hidden``, which mean the same everywhere."""
    function = hidden_asked(function)
    return click.option(
        "--columns", type=click.Path(path_type=Path, exists=True, dir_okay=False), metavar="FILE",
        help="What headings mean, an office's own, instead of the columns.toml beside the job.",
    )(function)  # fmt: skip


def recorded(job: Path, columns: Path | None, hidden: str | None = None) -> Job:
    """The job as read.  At a terminal a person is asked what the files leave open, and what becomes of what a workbook
    does not show; the answers are kept."""
    from heightnet.job.read import read_job

    ask = ask_hidden(job, columns)
    return asking(lambda: read_job(job, columns, hidden or "", ask), job, columns)


def asking(read: Callable[[], T], job: Path, columns: Path | None) -> T:
    """What reading gives; at a terminal what is open is asked, and it is read again with the answers."""
    while True:
        try:
            return read()
        except InputErrors as error:
            asked = [problem.question for problem in error.problems if problem.question]
            if not asked or not _is_asked():
                raise
            _ask(list(dict.fromkeys(asked)), job, columns)


def _is_asked() -> bool:
    """A person is at a terminal."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def ask_hidden(job: Path, columns: Path | None) -> Callable[[str], str] | None:
    """What asks, once, what becomes of what a workbook does not show; None where nobody is there.

    The answer holds of this job alone: it is kept beside it, with what the mapping of its folder says, and is not
    written into an office's own.
    """
    if not _is_asked():
        return None

    @cache
    def ask(found: str) -> str:
        from heightnet.job.mapping import beside, kept
        from heightnet.job.readers.registry import claimed

        answer = _answer(Question(
            "", HIDDEN.name, f"Hidden in {one_line(job.name)}: {found}.", HIDDEN.choices[0],
            "Enter to read them like the others, skip to leave them out", HIDDEN.choices,
        ))  # fmt: skip
        if columns is None:
            home = claimed(job)[1]
            _keep(kept(home), beside(home), [("", HIDDEN.name, answer)])
        return answer

    return ask


def _ask(questions: Sequence[Question], job: Path, columns: Path | None) -> None:
    """Ask, and write the answers into the mapping."""
    from heightnet.job.mapping import to_keep
    from heightnet.job.readers.registry import claimed

    mapping = columns or to_keep(*claimed(job))
    _keep(mapping, mapping, [(one.part, one.key, _answer(one)) for one in questions])


def _keep(mapping: Path, to: Path, answers: Sequence[tuple[str, str, str]]) -> None:
    """Write what a mapping says, and answers with it."""
    from heightnet.job.mapping import with_answers
    from heightnet.report.writing import write_text

    text = mapping.read_text(encoding="utf-8-sig") if mapping.is_file() else ""
    write_text(to, [with_answers(text, answers, getpass.getuser(), date.today().isoformat())])
    say(f"Kept in {one_line(to)}; change that file to have them read otherwise.", err=True)


def _answer(question: Question) -> str:
    """One answer, asked for until it makes sense."""
    from heightnet.ledger.recorded import TABLES

    say(question.text, err=True)
    if question.choices:
        ask = f"{question.ask} ({', '.join(question.choices)})"
        known = click.Choice(question.choices)
    elif question.part in TABLES:
        ask, known = question.ask, click.Choice(["-", question.default, *TABLES[question.part].names])
    else:
        return str(click.prompt(question.ask, default=question.default or None, err=True))
    answer = click.prompt(ask, default=question.default or None, type=known, show_choices=False, err=True)
    return "" if answer == "-" else str(answer)


def settings_asked(tolerance_mm: float | None, rates: Path | None) -> dict[str, Any]:
    """The settings that options give in place of the job's: its tolerance, and rates from a file."""
    settings: dict[str, Any] = {} if tolerance_mm is None else {"test__tolerance_mm": tolerance_mm}
    if rates:
        from heightnet.job.settings import read_rates

        settings |= read_rates(rates)
    return settings


class Help(click.HelpFormatter):
    """Help whose lines end between words: at no hyphen, and not between a number and what it counts or means."""

    _TOGETHER = re.compile(r"(?<=\d) (?=(?:mm|minutes|seconds)\b)|(?<=\[default:) |(?<=[:;] \d) |(?<=; 130) ")
    _HYPHEN = "\N{NON-BREAKING HYPHEN}"

    def _tied(self, text: str) -> str:
        return self._TOGETHER.sub(NO_BREAK, text.replace("-", self._HYPHEN))

    def write_text(self, text: str) -> None:
        super().write_text(self._tied(text))

    def write_dl(self, rows: Iterable[tuple[str, str]], col_max: int = 30, col_spacing: int = 2) -> None:
        tied = [(option, self._tied(text)) for option, text in rows]
        super().write_dl(tied, min(col_max, self.width // 3), col_spacing)

    def getvalue(self) -> str:
        text = super().getvalue().replace(NO_BREAK, " ").replace(self._HYPHEN, "-")
        return "\n".join(fitted(text, sys.stdout, self.width))


class Context(click.Context):
    formatter_class = Help


class Command(click.Command):
    """A command that says how it ends, and whose faults are told with what it was asked to do."""

    context_class = Context

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for param in self.params:
            if isinstance(param, click.Option) and isinstance(param.type, Number) and param.help:
                param.help = f"{param.help.rstrip('.')} ({param.type.within.span})."
        self.epilog = exits.sentence(str(self.name))
        self.reads = any(isinstance(p, click.Argument) and p.name in READS for p in self.params)
        if self.reads:
            self.params.append(with_job())

    def invoke(self, ctx: click.Context) -> Any:
        faults.at_work = faults.Asked(
            self._called(ctx, in_full=False), self._called(ctx, in_full=True), self.reads,
            ctx.params.get("file") or ctx.params.get("job"), bool(ctx.meta.get(WITH_JOB)),
        )  # fmt: skip
        self._refuse_print_to_nowhere(ctx.params)
        from heightnet.commands.not_read import forget, show_in_place

        forget(str(self.name), ctx.params)
        try:
            return super().invoke(ctx)
        except InputErrors as error:
            show_in_place(error, str(self.name), ctx.params)
            raise

    def _refuse_print_to_nowhere(self, given: Mapping[str, Any]) -> None:
        """Raises UsageError, before any work, where a page is to be printed and there is no folder for it."""
        writes = self.name == "archive" or (self.name == "check" and not given["as_json"])
        if given.get("pdf") and given["to"] is None and not writes:
            raise click.UsageError("--pdf needs a folder to print into: --to FOLDER.")

    def _called(self, ctx: click.Context, in_full: bool) -> str:
        """The command as it was called; unless in full, ``JOB`` for what may hold a name or a value of a job."""
        words = [str(self.name)]
        for param in self.params:
            name = str(param.name)
            if ctx.get_parameter_source(name) not in (ParameterSource.COMMANDLINE, ParameterSource.ENVIRONMENT):
                continue
            value = ctx.params.get(name)
            if isinstance(param, click.Option):
                words.append((param.secondary_opts if value is False else param.opts)[-1])
                if param.is_flag:
                    continue
            harmless = in_full or isinstance(param.type, Number | click.Choice)
            values = value if isinstance(value, tuple) else (value,)
            words += [shlex.quote(str(v)) if harmless else name.upper() for v in values]
        return " ".join(words)
