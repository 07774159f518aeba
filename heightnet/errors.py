"""What can go wrong with a job, said so that a person can mend it."""

from __future__ import annotations

from dataclasses import dataclass


class HeightnetError(Exception):
    """Base of every error this package raises on purpose; its text is meant for the person at the screen."""


class CannotAdjust(HeightnetError):
    """The job was read, but no least-squares solution exists for it; the text says which part and why."""


class WrongSettings(HeightnetError):
    """Settings asked for by options or from Python that keep no rule; the text says each with its rule."""


@dataclass(frozen=True)
class Question:
    """What a person who is there is asked, because the file leaves it open; the answer is kept in the mapping.

    part, key : where the answer stands in the mapping: a table and a heading, "file" and what holds of a file, or ""
        and what holds of the job.
    text : what is open, a sentence.  default : the answer that is proposed, "" where none is likelier.
    ask : the question itself.  choices : the answers that make sense; () of headings, where it is a column.
    """

    part: str
    key: str
    text: str
    default: str = ""
    ask: str = ""
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class InputProblem:
    """One thing that could not be understood, and where it stands.

    Parameters
    ----------
    file : file or sheet as the user knows it, ``shots.csv``.
    row : row as a spreadsheet numbers it (header = 1), or None for the whole file.
    column : column heading, or "" for the whole row.
    read : the text as read, "" where something is missing.
    expected : what would have been understood.
    cause : the likely cause, and the nearest name or the way out; may be "".
    counts : what ``row`` counts: "row", or "line" of a file that is no table.
    question : what a person could be asked that would mend it.
    """

    file: str
    row: int | None
    column: str
    read: str
    expected: str
    cause: str = ""
    counts: str = "row"
    question: Question | None = None

    def __str__(self) -> str:
        place = self.file
        if self.row is not None:
            place += f", {self.counts} {self.row}"
        if self.column:
            place += f", {'column ' if self.counts == 'row' else ''}{self.column}"
        shown = self.read if len(self.read) <= 60 else f"{self.read[:57]}... ({len(self.read)} characters)"
        text = f"{place}: read {shown!r}, expected {self.expected}"
        return f"{text}. {self.cause}" if self.cause else text


class InputErrors(HeightnetError):
    """Every problem of a job's input at once; ``problems`` holds them in file and row order.

    shown : where a command has shown them in their cells, as a sentence; "" where it has not.
    """

    shown = ""

    def __init__(self, problems: list[InputProblem]):
        self.problems = tuple(problems)
        count = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
        super().__init__("\n".join([f"The job could not be read: {count}.", *map(str, problems)]))
