"""A fault of this program: kept as a bundle that can be sent to whoever mends it, and told in one plain sentence.

Names, paths and values of the job are left out of a bundle unless it is asked for with the job.  So are the words of
the error, which may quote any of them; what stays is the kind of error and the lines of this program it came through.
"""

from __future__ import annotations

import hashlib
import linecache
import os
import platform
import sys
import sysconfig
import tempfile
import traceback
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from types import TracebackType

LIBRARIES = ("numpy", "scipy", "pandas", "matplotlib", "click", "rich")
MOST = 20  # faults of one archive that are kept; the rest are counted
MOST_LINKS = 20  # of a chain of errors


@dataclass(frozen=True)
class Asked:
    """What the command at work was asked to do: without what may hold a name, and in full.

    reads : it reads a job, or many.  job : where the one it reads is.  with_job : that may go into a bundle.
    """

    shown: str = ""
    full: str = ""
    reads: bool = False
    job: Path | None = None
    with_job: bool = False


at_work = Asked()
"""Set by each command as it begins."""


@dataclass(frozen=True)
class Fault:
    """One fault: where it happened, without the error's words and with them; the settings at work, as lines."""

    where: str
    words: str
    settings: str

    @classmethod
    def of(cls, error: BaseException) -> Fault:
        settings = ""
        with suppress(Exception):
            settings = _settings(error.__traceback__)
        return cls("\n".join(_where(error)), "".join(traceback.format_exception(error)), settings)


def tell(faults: Sequence[Fault], jobs: Iterable[tuple[str, Path]] | None = None, at: str = "") -> str:
    """Write the bundle; a sentence that names it and says what to do.

    jobs : name and path of each job that goes in if the bundle is asked for with the job; by default the one at work.
    at : where it failed, in words.
    """
    if jobs is None:
        jobs = [("job", at_work.job)] if at_work.job else []
    failed = f"heightnet itself failed{at}; this is its own fault, not one of the job"
    try:
        path, left = _bundle(faults, list(jobs))
    except Exception as error:  # a full disk, or one fault more
        kind = error.strerror if isinstance(error, OSError) and error.strerror else type(error).__name__
        return f"{failed}, and no bundle could be written that says what happened ({kind}): please report it."
    holds = "it holds no name and no value of yours" + (", which --with-job would put in" if at_work.reads else "")
    if at_work.with_job:
        holds = "it holds the job as well"
    earlier = ", left by an earlier run that failed alike," if left else ""
    return f"{failed}: please send {path}{earlier} to whoever looks after heightnet for you ({holds})."


def _bundle(faults: Sequence[Fault], jobs: list[tuple[str, Path]]) -> tuple[Path, bool]:
    """The bundle in the working folder, or in the temporary one where that cannot be written to.

    Whether it was there already: a command that is tried again and again leaves one of them, not many.
    """
    name = f"heightnet-fault-{_same(faults, jobs)}.zip"
    try:
        return _kept(Path(name), faults, jobs)
    except OSError:
        return _kept(Path(tempfile.gettempdir(), name), faults, jobs)


def _kept(path: Path, faults: Sequence[Fault], jobs: list[tuple[str, Path]]) -> tuple[Path, bool]:
    left = zipfile.is_zipfile(path)
    if not left:
        _write(path, faults, jobs)
    return path, left


def _same(faults: Sequence[Fault], jobs: list[tuple[str, Path]]) -> str:
    """Letters that are the same for the same faults of the same version; with the job, for the same files of it."""
    import heightnet

    user = str(getattr(os, "getuid", int)())  # who share a temporary folder cannot write over one another's
    parts = [_bytes(text) for text in (heightnet.__version__, user, *sorted(fault.where for fault in faults))]
    for _, job in jobs if at_work.with_job else ():
        parts += [inside.read_bytes() for inside in _files(job)]
    return hashlib.sha256(b"".join(hashlib.sha256(part).digest() for part in parts)).hexdigest()[:12]


def _write(path: Path, faults: Sequence[Fault], jobs: list[tuple[str, Path]]) -> None:
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        # for nobody else's eyes, wherever it lies
        handle = os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600)
        with os.fdopen(handle, "w+b") as file, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as bundle:
            bundle.writestr("about.txt", _bytes("\n".join(_about(faults))))
            for number, fault in enumerate(faults[:MOST], start=1):
                of = "" if len(faults) == 1 else f"-{number}"
                text = fault.words if at_work.with_job else f"{fault.where}\n"
                bundle.writestr(f"traceback{of}.txt", _bytes(text))
                bundle.writestr(f"settings{of}.txt", fault.settings or "They were not read yet.\n")
            for name, job in jobs[:MOST] if at_work.with_job else ():
                for inside in _files(job):
                    bundle.write(inside, _bytes(f"{name}/{inside.name}").decode("utf-8"))
        os.replace(part, path)
    except BaseException:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise


def _bytes(text: str) -> bytes:
    """A path may hold bytes that are no text."""
    return text.encode("utf-8", "backslashreplace")


def _about(faults: Sequence[Fault]) -> Iterator[str]:
    import heightnet

    yield f"heightnet {heightnet.__version__}"
    yield f"Python {platform.python_version()} ({platform.python_implementation()}) on {platform.platform()}"
    for library in LIBRARIES:
        with suppress(PackageNotFoundError):
            yield f"{library} {version(library)}"
    command = at_work.full if at_work.with_job else at_work.shown
    yield f"Command: heightnet {command}" if command else "No command was at work yet."
    yield f"stdout {getattr(sys.stdout, 'encoding', None)}, stderr {getattr(sys.stderr, 'encoding', None)}"
    if len(faults) > 1:
        yield f"{len(faults)} faults" + (f", the first {MOST} of them here" if len(faults) > MOST else "")
    yield ""


def _where(error: BaseException, seen: tuple[int, ...] = ()) -> list[str]:
    """A traceback without the words of the errors, the paths of this machine and the code of other programs."""
    lines: list[str] = []
    before = error.__cause__ or (None if error.__suppress_context__ else error.__context__)
    if before is not None and id(before) not in seen and len(seen) < MOST_LINKS:
        lines += [*_where(before, (*seen, id(error))), "", "and from that", ""]
    for frame, line in traceback.walk_tb(error.__traceback__):
        file, ours = _short(frame.f_code.co_filename)
        lines.append(f"  {file}, line {line}, in {frame.f_code.co_name}")
        if ours and (code := linecache.getline(frame.f_code.co_filename, line).strip()):
            lines.append(f"    {code}")
    return [*lines, f"{type(error).__module__}.{type(error).__qualname__}"]


def _short(file: str) -> tuple[str, bool]:
    """A file of code without the folders it is installed in; whether it is one of a library or of this program."""
    here = os.path.dirname(os.path.abspath(__file__)) + os.sep
    library = sysconfig.get_paths()["stdlib"] + os.sep
    packages = f"{os.sep}site-packages{os.sep}"
    if file.startswith(here):
        return f"heightnet{os.sep}{file.removeprefix(here)}", True
    if packages in file:
        return file.rpartition(packages)[2], True
    if file.startswith(library):
        return file.removeprefix(library), True
    return (file if file.startswith("<") else os.path.basename(file)), False


def _settings(at: TracebackType | None) -> str:
    """The numbers and units among the settings of the job that was being worked at where it happened."""
    if "heightnet.job.settings" not in sys.modules:
        return ""
    from heightnet.job.model import Job
    from heightnet.ledger.settings import SETTINGS, Settings, value_of

    for frame, _ in reversed(list(traceback.walk_tb(at))):
        for value in reversed(list(frame.f_locals.values())):  # what was made last of them is what counts
            found = value.settings if isinstance(value, Job) else value
            if isinstance(found, Settings):
                known = [(s.name, value_of(found, s.name)) for s in SETTINGS if s.name != "title"]
                return "".join(f"{name} = {value}\n" for name, value in known)
    return ""


def _files(job: Path) -> Iterator[Path]:
    """The files of a job that reading it looks at."""
    from heightnet.errors import InputErrors
    from heightnet.job.readers.registry import claimed

    try:
        reader, home = claimed(job)
    except InputErrors:  # not a job: the file itself, if there is one
        yield from filter(Path.is_file, [job])
    else:
        yield from (file for file in reader.files(home) if not reader.inside() or not file.is_symlink())
