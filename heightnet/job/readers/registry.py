"""Who reads what: each reader of field files declares itself once, and everybody asks here.

`check`, `show`, `import`, an archive's walk and its fingerprints, the bundle of a fault: all of them know only this.
"""

from __future__ import annotations

import inspect
import pickle
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from heightnet.errors import InputErrors, InputProblem
from heightnet.job.mapping import kept
from heightnet.job.problems import nearest, printable

if TYPE_CHECKING:
    from heightnet.job.intake import Intake

BUILT_IN = ("folder", "workbook", "landxml", "export")  # modules beside this one, each with a READER


def itself(path: Path) -> Iterable[Path]:
    """The files of a job that is one file: with it the mapping it is read with."""
    return (path, *(file for file in [kept(path)] if file.is_file()))


def any_such(path: Path) -> str | None:
    """A look at a file of a kind whose suffix says enough."""
    return ""


@dataclass(frozen=True)
class Reader:
    """One kind of field files.  Its functions stand in a module, so that an archive's workers can be sent the reader.

    Parameters
    ----------
    name : one word; stands in the records of archives.
    called : what such a job is, in words: "workbook".
    expects : what would have been understood, for the error where nobody claims a path: "a workbook (.xlsx)".
    read : called with the path of the job and an `Intake`, which is given the settings and then each table as text.
        What is wrong goes to ``Intake.problems``; an `OSError` is said by the caller.
    suffixes : of the files it claims, lower case: ".xlsx".
    inside : names of files, lower case, that make the folder they are in a job; asked anew, as tables may be declared.
    look : a quick look whether a file of these suffixes is a job: "" it is, None it is something else entirely, or why
        it is none.  Damage is no reason: reading will say what is the matter.
    files : every file that reading a job looks at, for fingerprints and bundles.
    label : what a table is called in messages and results, of ``file`` and ``table``.
    turned_away : suffixes of files that are near to these and are not read, and what such a file is and to do with it.
    """

    name: str
    called: str
    expects: str
    read: Callable[[Path, Intake], None]
    suffixes: tuple[str, ...] = ()
    inside: Callable[[], frozenset[str]] = frozenset
    look: Callable[[Path], str | None] = any_such
    files: Callable[[Path], Iterable[Path]] = itself
    label: str = "{file}"
    turned_away: Mapping[str, str] = field(default_factory=dict)

    @property
    def claims(self) -> frozenset[str]:
        """Suffixes and names that belong to this reader alone."""
        return self.inside().union(self.suffixes, self.turned_away)


def readers() -> tuple[Reader, ...]:
    """Every reader, in the order in which they were registered."""
    return tuple(_registered().values())


def named(name: str) -> Reader:
    return _registered()[name]


def added() -> tuple[Reader, ...]:
    """Those that do not come with this program; another process has to be told of them."""
    return tuple(reader for reader in readers() if reader.name not in BUILT_IN)


def register(reader: Reader) -> None:
    """Add a reader, once; raises ValueError with all that is wrong with its declaration."""
    if reader not in readers():
        _add(_registered(), reader)


def unregister(name: str) -> None:
    """Take a reader away again."""
    del _registered()[name]


@cache
def _registered() -> dict[str, Reader]:
    known: dict[str, Reader] = {}
    for module in BUILT_IN:
        _add(known, import_module(f"heightnet.job.readers.{module}").READER)
    return known


def _add(known: dict[str, Reader], reader: Reader) -> None:
    if wrong := list(_faults(known, reader)):
        raise ValueError(f"The reader {reader.name!r} cannot be registered: {'; '.join(wrong)}.")
    known[reader.name] = reader


def _faults(known: Mapping[str, Reader], reader: Reader) -> Iterator[str]:
    if not reader.name.isidentifier():
        yield "its name is not one word"
    if reader.name in known:
        yield "there is one of this name"
    for what in ("called", "expects", "label"):
        if not getattr(reader, what).strip():
            yield f"it lacks `{what}`"
    for what, arguments in (("read", 2), ("look", 1), ("files", 1)):
        function = getattr(reader, what)
        if not callable(function):
            yield f"its `{what}` is no function"
        elif len(inspect.signature(function).parameters) != arguments:
            yield f"its `{what}` must take {arguments} argument{'s' * (arguments > 1)}"
    try:
        pickle.dumps(reader)
    except Exception:  # pickle and the objects themselves have many ways to refuse
        yield "it cannot be sent to another process: its functions must stand in a module"
    if not reader.suffixes and not reader.inside():
        yield "it claims nothing: neither suffixes nor names inside a folder"
    for claim in sorted(reader.claims):
        if claim != claim.casefold() or (claim not in reader.inside() and not claim.startswith(".")):
            yield f"{claim!r} is no suffix in lower case with its point"
        for other in known.values():
            if claim in other.claims:
                yield f"{claim} belongs to the reader {other.name!r} already"


def claimed(path: Path) -> tuple[Reader, Path]:
    """The reader of a path, and the path of the job it stands for: one of a folder's files stands for that folder.

    Raises `InputErrors` where there is nothing, or nothing that any reader claims.
    """
    if path.is_dir():
        names = {entry.name.casefold() for entry in path.iterdir()}
        of_folders = [reader for reader in readers() if reader.inside()]
        return next((reader for reader in of_folders if names & reader.inside()), of_folders[0]), path
    if not path.exists():
        raise not_a_job(path, "", _similar(path))
    if not path.is_file():
        raise not_a_job(path, "no ordinary file", "")
    name, suffix = path.name.casefold(), path.suffix.casefold()
    for reader in readers():
        if name in reader.inside():
            return reader, path.parent
    for reader in readers():
        if suffix in reader.suffixes:
            return reader, path
    advice = next((f"It is {r.turned_away[suffix]}." for r in readers() if suffix in r.turned_away), "")
    tables = {Path(name).stem for r in readers() for name in r.inside() if name.endswith(suffix)} if suffix else set()
    raise not_a_job(path, path.name, advice or nearest(path.stem, sorted(tables), "nearest table"))


def not_a_job(path: Path, read: str, cause: str) -> InputErrors:
    """The error that says what would have been a job."""
    expected = "a job: " + ", or ".join(reader.expects for reader in readers())
    return InputErrors([InputProblem(printable(str(path)), None, "", read, expected, printable(cause))])


def _similar(path: Path) -> str:
    if not path.parent.is_dir():
        return f"There is no folder {path.parent}."
    return "There is no such file or folder. " + nearest(path.name, [p.name for p in path.parent.iterdir()])
