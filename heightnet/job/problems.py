"""Gathering what is wrong with a job's input: all of it, in order, and never a million lines of it."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import islice

from heightnet.errors import InputErrors, InputProblem, Question
from heightnet.job.alike import told_apart

_UNSHOWABLE = re.compile(r"[\x00-\x1f\x7f-\x9f\ud800-\udfff]")
_STRAY = re.compile(r"[\udc80-\udcff]")
COMPARED = 3000  # names compared in search of the nearest; a job with more is not worth minutes of it
SAME_KIND_SHOWN = 20  # of one column and one expectation; the rest are counted


@dataclass(frozen=True)
class Note:
    """Something that reading understood, filled in or doubts, and the user should know.

    kind is "understood", "filled" or "doubt"; file and row say where, row None for a whole file.
    """

    kind: str
    text: str
    file: str = ""
    row: int | None = None


class Problems:
    """Problems and notes of one job while it is being read; of one kind the first few are kept, the rest counted."""

    def __init__(self) -> None:
        self._found: list[InputProblem] = []
        self._seen: Counter[tuple[str, str, str]] = Counter()
        self._rows: defaultdict[str, set[int | None]] = defaultdict(set)
        self._notes: dict[Note, None] = {}
        self._noted: Counter[tuple[str, str, str]] = Counter()
        self._spoken: dict[str, tuple[str, Mapping[str, str]]] = {}
        self._causes: defaultdict[tuple[str, int], dict[str, str]] = defaultdict(dict)
        self._left_out: dict[str, str] = {}

    def speak(self, file: str, counts: str, called: Mapping[str, str]) -> None:
        """Speak of a file in its own words: what its rows count, and what it calls a column."""
        self._spoken[printable(file)] = counts, called

    def called(self, file: str, column: str) -> str:
        """What a file itself calls a column."""
        return self._spoken.get(printable(file), ("row", {}))[1].get(column, column)

    def because(self, file: str, row: int, column: str, cause: str) -> None:
        """Say beforehand why nothing stands in a place; whoever misses something there says so."""
        self._causes[printable(file), row][printable(column)] = cause

    def left_out(self, name: str, why: str) -> None:
        """Say beforehand that a row with this name is not read, and why; whoever looks for the name says so."""
        self._left_out.setdefault(name, why)

    def __bool__(self) -> bool:
        return bool(self._found)

    def add(
        self, file: str, row: int | None, column: str, read: str, expected: str,
        cause: str | Callable[[], str] = "", like: str = "", question: Question | None = None,
    ) -> None:  # fmt: skip
        """Keep one problem.

        cause : may be a function, called only for problems that are shown.
        like : what problems of this kind have in common, where ``expected`` differs from row to row.
        """
        file = printable(file)
        counts, called = self._spoken.get(file, ("row", {}))
        column = printable(called.get(column, column))
        key = (file, column, like or expected)
        self._seen[key] += 1
        self._rows[file].add(row)
        if self._seen[key] <= SAME_KIND_SHOWN:
            said = cause if isinstance(cause, str) else cause()
            if not read and row is not None and (known := self._causes.get((file, row))):
                why = known.get(column) or " ".join(f"{place}: {reason}" for place, reason in known.items())
                said = f"{why} {said}".strip()
            elif gone := self._left_out.get(read):
                said = f"{read} {gone}. {said}".strip()
            told = decoded(read), printable(expected), printable(said)
            self._found.append(InputProblem(file, row, column, *told, counts=counts, question=question))

    def again(self, problem: InputProblem) -> None:
        """Keep one that was found elsewhere, as it stands."""
        self._found.append(problem)

    @property
    def found(self) -> tuple[InputProblem, ...]:
        return tuple(self._found)

    def place(self, file: str, row: int, column: str) -> str:
        """A place in the file's own words."""
        counts, called = self._spoken.get(printable(file), ("row", {}))
        return f"{printable(file)}, {counts} {row}, {printable(called.get(column, column))}"

    def in_row(self, file: str, row: int) -> bool:
        """Something in this row is wrong already; what only follows from it need not be said as well."""
        return row in self._rows[file]

    def note(self, kind: str, text: str, file: str = "", row: int | None = None, like: str = "") -> None:
        """Keep one note, once; ``like`` as for problems, for notes that may be many."""
        note = Note(kind, printable(text), printable(file), row)
        if note in self._notes:
            return
        key = (kind, note.file, like or note.text)
        self._noted[key] += 1
        if self._noted[key] <= SAME_KIND_SHOWN:
            self._notes[note] = None

    @property
    def notes(self) -> list[Note]:
        """Every note in the order it came, then how many more of a kind there were."""
        more = [
            Note(kind, f"{count - SAME_KIND_SHOWN} more like these: {printable(like)}", file)
            for (kind, file, like), count in self._noted.items()
            if count > SAME_KIND_SHOWN
        ]
        return [*self._notes, *more]

    def raise_if_any(self, order: Iterable[str]) -> None:
        """Raise `InputErrors` with everything found, files in the order given, rows in order within a file."""
        if not self._found:
            return
        rank = {printable(file): i for i, file in enumerate(order)}
        found = list(self._found)
        for (file, column, expected), count in self._seen.items():
            if count > SAME_KIND_SHOWN:
                more = count - SAME_KIND_SHOWN
                found.append(InputProblem(file, None, column, f"{more} more rows like these", expected))
        last = float("inf")
        found.sort(key=lambda p: (rank.get(p.file, -1), p.file, last if _is_count(p) else p.row or 0))
        raise InputErrors(found)


def decoded(text: str) -> str:
    """Stray bytes (kept as lone surrogates) as the Western European characters they probably were.

    >>> decoded("Stra\\udcdfe")
    'Straße'
    """
    return _STRAY.sub(lambda m: bytes([ord(m[0]) - 0xDC00]).decode("cp1252", errors="replace"), text)


def printable(text: str) -> str:
    """A text that any terminal and file can show: stray bytes decoded, what moves a cursor as ``?``.

    >>> printable("h\\udcf6he\\x1b[2J")
    'höhe?[2J'
    """
    return _UNSHOWABLE.sub("?", decoded(text))


def _is_count(problem: InputProblem) -> bool:
    return problem.row is None and problem.read.endswith(" more rows like these")


def nearest(name: str, known: Iterable[str], what: str = "nearest") -> str:
    """A sentence that names the nearest known name, "" where none is near.

    >>> nearest("S01", ["S1", "S2", "T9"])
    "The nearest is 'S1'."
    """
    if not 0 < len(name) <= 200:
        return ""
    alike = (k for k in known if k and abs(len(k) - len(name)) <= max(2, len(name) // 2))
    names = {k.casefold(): k for k in islice(alike, COMPARED)}
    cutoff = 0.5 if len(name) <= 3 else 0.6  # S2 and S1 share one letter of two
    close = get_close_matches(name.casefold(), names, n=1, cutoff=cutoff)
    if not close:
        return ""
    found = names[close[0]]
    return f"The {what} is {found!r}. {told_apart(name, found)}".strip()
