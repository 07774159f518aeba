"""The exit status of every command: what each number means, said here and nowhere else.

The commands end with these, ``--help`` and the page of docs are written from them, and the tests read them.
"""

from __future__ import annotations

from enum import IntEnum


class Exit(IntEnum):
    """How a command ends."""

    FINE = 0
    CONTRADICTED = 1
    REFUSED = 2
    FAULT = 3
    INTERRUPTED = 130

    @property
    def meaning(self) -> str:
        return MEANING[self]


MEANING = {
    Exit.FINE: "nothing contradicts",
    Exit.CONTRADICTED: "something contradicts",
    Exit.REFUSED: "refused: the input, a setting, an option or the machine, and the message says why",
    Exit.FAULT: "heightnet itself failed, and the message names a file to send",
    Exit.INTERRUPTED: "interrupted",
}

STRICT = (
    "the job scatters more than stated or nothing tests it, a height is untested, weakly tested, not cleared or not "
    "recorded, a sight or row is untested, or a levelled, staff or satellite row is weakly tested or not cleared"
)
"""When ``--strict`` makes a 1 of a 0: what `heightnet.gaps` finds, and two states."""

OF_COMMAND: dict[str, tuple[str, str]] = {
    "check": ("nothing contradicts the job", "something does, or --strict finds it not proved"),
    "bust": (
        "everything that can be compared closes, and nothing is suspected",
        "something does not close, is suspected, or the book is faulty",
    ),
    "prove": (
        "the taped height (every check shot, the mark) is accepted, or without any tape the marks give it and agree",
        "something is rejected, or the check is too weak to decide",
    ),
    "plan": ("after these steps every height is proved", "some height is not, or the job does not close"),
    "archive": (
        "nothing contradicts any job",
        "something does in one job at least, or --strict finds one not proved",
    ),
    "tape": ("the readings agree", "they do not"),
    "trust": ("done", ""),
    "show": ("done", ""),
    "new": ("done", ""),
    "import": ("done", ""),
    "demo": ("done", ""),
}
"""What 0 and 1 mean for each command; "" where it never ends so."""


def status_of(error: BaseException) -> Exit:
    """How a command ends that an error stopped.

    >>> status_of(KeyboardInterrupt()).name, status_of(ZeroDivisionError()).name, status_of(OSError()).name
    ('INTERRUPTED', 'FAULT', 'REFUSED')
    """
    from heightnet.errors import HeightnetError

    if isinstance(error, KeyboardInterrupt):
        return Exit.INTERRUPTED
    return Exit.REFUSED if isinstance(error, HeightnetError | OSError | MemoryError) else Exit.FAULT


def meanings(command: str) -> dict[Exit, str]:
    """Every status that a command can end with, and what it means there.

    >>> meanings("tape")[Exit.CONTRADICTED]
    'they do not'
    """
    told = dict(MEANING)
    told[Exit.FINE], told[Exit.CONTRADICTED] = OF_COMMAND[command]
    if command == "archive":
        told[Exit.REFUSED] = f"a job could not be read or adjusted, or {Exit.REFUSED.meaning}"
        told[Exit.FAULT] = f"{Exit.FAULT.meaning} (the other jobs are checked all the same)"
    return {status: means for status, means in told.items() if means}


def sentence(command: str) -> str:
    """The line of a command's ``--help``.

    >>> sentence("show").startswith("Exit status: 0 done; 2 refused: the input")
    True
    """
    return f"Exit status: {'; '.join(f'{status} {means}' for status, means in meanings(command).items())}."


def page() -> str:
    """The page of docs."""
    return _PAGE.format(
        statuses="\n".join(f"| {status} | {means} |" for status, means in MEANING.items()),
        commands="\n".join(f"| `{name}` | {fine} | {wrong or 'never'} |" for name, (fine, wrong) in OF_COMMAND.items()),
    )


_PAGE = """# Exit statuses

Every command ends with one of these, so that a script can go by them.

| status | means |
| --- | --- |
{statuses}

What 0 and 1 are about differs with the question a command answers:

| command | 0 | 1 |
| --- | --- | --- |
{commands}

`archive` ends with the highest that any of its jobs gives: 2 where one could not be read or adjusted, 3 where heightnet
itself failed at one; the others are checked all the same. A command whose output nobody reads to its end, as in
`heightnet show JOB | head`, ends as it would have without.

## What `--strict` counts

`check --strict` and `archive --strict` end in 1 too where nothing contradicts, but not all of a job is proved. Both
count the same:

| counts | of what |
| --- | --- |
| closes, but scatters more than stated (`scatters`) | the whole job |
| nothing tests it (`untested`) | the whole job |
| untested | heights of set-ups and targets, sights, rows |
| no height was recorded, over a mark | set-ups and targets |
| not cleared | heights of set-ups and targets, rows |
| weakly tested: an error of the tolerance could hide | heights of set-ups and targets, rows |

Rows are levelled differences, staff readings and satellite heights. A single sight that is weakly tested does not
count, nor one that is not cleared: the heights at its two ends are judged themselves. That there is no known mark is
said in the headline, and does not count either. The first line of a job that closes names all that counts, and
[archive.json](archive.md#what-is-said-of-a-job) has the worst of it for each job (`gap`).

## Numbers are refused by one rule

A setting, a column and an option have one rule each, wherever the number comes from: `job.toml`, a workbook's sheet
`job`, `--tolerance`, `--rates`, or `heightnet.check(job, test__tolerance_mm=5)`. What is outside ends in status 2 with
the rule in words ("expected a number from 0.01 to 1,000 mm"); [columns](columns.md) lists them all.

## Where a job cannot be read

Every problem is said at once on stderr, with file, row, column, what was read and what was expected, and the status is
2. A command that would have written a page then writes `not-read.html` in its place: `check` into `reports/`, in the
folder of the job's name, and every command into the folder of `--to`. It shows the rows as they stand in the file,
each problem in its cell, and the lines to write into `columns.toml`; the last line on stderr says where it is. With
`--no-page`, or where no page would have been written, there is none. A page of an earlier run that lies in that folder
stays, and page and stderr say that it is one; the next run takes `not-read.html` away.

## Where heightnet itself fails

What was not foreseen ends in status 3, one sentence, and a bundle `heightnet-fault-*.zip` in the working folder (in the
temporary one where that cannot be written to). A later run that fails alike leaves no second one there: its message
names the first. The bundle holds the versions of heightnet, Python and the libraries, the command with its options, the
settings of the job, and where in the program it happened. Names, paths, readings and heights are left out of it, and so
are the words of the error, which may quote them. With `--with-job`, which every command that reads a job takes, the
job's own files, the full command and the words of the error go in as well. It is a plain zip archive of text: look into
it before you send it.

## Lines

A terminal gets lines of its own width. A pipe or a file gets lines of as many columns as the environment variable
`COLUMNS` says, 80 where it says nothing; JSON is the same at every width.

This page is made from the list that the commands themselves go by.
"""
