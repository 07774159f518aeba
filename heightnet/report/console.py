"""All that reaches a terminal or a pipe goes through here, whatever its encoding, its width and the names in it.

Three things are kept up in this one place:

- What a terminal would obey instead of showing (control characters, marks of writing direction, characters without
  width) becomes ``?``: a name of a mark may hold anything.
- What the encoding lacks becomes something readable, ``+-`` for a plus-minus sign, and ``?`` where there is nothing.
- Lines wider than the terminal, or for a pipe than COLUMNS says, are wrapped at blanks, and nothing is cut.

A reader that has seen enough (``heightnet show JOB | head``) changes nothing of what the command does and how it ends.
"""

from __future__ import annotations

import codecs
import contextlib
import errno
import os
import re
import sys
import unicodedata
from collections.abc import Iterable
from functools import lru_cache
from typing import IO, TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress, ProgressColumn

READABLE = {
    "±": "+-", "−": "-", "–": "-", "—": "-", "‑": "-", "‐": "-", "′": "'", "″": '"', "‘": "'", "’": "'", "“": '"',
    "”": '"', "√": "root ", "²": "2", "³": "3", "°": " deg", "º": " deg", "·": ".", "•": "*", "×": "x", "÷": "/",
    "⁄": "/", "µ": "u", "μ": "u", "σ": "sigma", "Δ": "Delta", "δ": "delta", "≤": "<=", "≥": ">=", "≈": "~", "≠": "!=",
    "→": "->", "←": "<-", "…": "...", "ß": "ss", "æ": "ae", "Æ": "AE", "ø": "o", "Ø": "O", "å": "a", "Å": "A",
    "œ": "oe", "Œ": "OE", "ł": "l", "Ł": "L", "đ": "d", "Đ": "D", "ð": "d", "Ð": "D", "þ": "th", "Þ": "Th", "ı": "i",
    "━": "-", "─": "-", "╸": "-", "╺": "-", "│": "|", "▸": ">", "◂": "<", "█": "#",
}  # fmt: skip
"""What stands for a character that an encoding lacks; others lose their accents (``é`` becomes ``e``), or become a
``?``."""

NARROWEST = 20  # less than this is not believed
UNSAID = 80  # columns where neither a terminal nor COLUMNS says how many
_ERRORS = "heightnet-readable"
_UNUSUAL = re.compile(r"[^\n\x20-\x7e]")
_BEYOND_ASCII = re.compile(r"[^\x00-\x7e]")


def clean(text: str) -> str:
    """A text in which every character is one that is shown; lines and blanks stay.

    >>> clean("BM1\\x1b[2J\\u202etxt"), clean("5 mm\\nHöhe\\t日")
    ('BM1?[2J?txt', '5 mm\\nHöhe 日')
    """
    return _UNUSUAL.sub(lambda found: _shown(found[0]), text)


def one_line(text: object) -> str:
    r"""A path or a name as part of a line.

    >>> one_line("a\nb\x1b")
    'a?b?'
    """
    return clean(str(text)).replace("\n", "?")


def _shown(char: str) -> str:
    if char.isprintable() or unicodedata.category(char) == "Zs":
        return char
    return " " if char == "\t" else "?"


def readable(char: str) -> str:
    """What stands for a character, in plain ASCII.

    >>> [readable(char) for char in "±é½日"]
    ['+-', 'e', '1/2', '?']
    """
    if char in READABLE:
        return READABLE[char]
    plain = unicodedata.normalize("NFKD", char).replace("⁄", "/")
    return "".join(c for c in plain if c.isascii() and c.isprintable()) or "?"


def _replace(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(map(readable, error.object[error.start : error.end])), error.end


codecs.register_error(_ERRORS, _replace)


class Stream:
    """stdout or stderr, which no text and no reader can make fail.

    styled : what is written has been cleaned, and holds the signs that colour it and move the cursor.
    There is no ``buffer``: nobody writes past this.
    """

    def __init__(self, stream: IO[str], styled: bool = False) -> None:
        self._stream, self._styled = stream, styled
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors=_ERRORS)

    def __getattr__(self, name: str) -> Any:
        if name == "buffer":
            raise AttributeError(name)
        return getattr(self._stream, name)

    def write(self, text: str) -> int:
        if text != "":  # writing nothing is how a library tries whether it may write
            with self._leaving_is_fine():
                self._stream.write(text if self._styled else clean(text))
        return len(text)

    def writelines(self, lines: Iterable[str]) -> None:
        for line in lines:
            self.write(line)

    def flush(self) -> None:
        with self._leaving_is_fine():
            self._stream.flush()

    def styled(self) -> Stream:
        return Stream(self._stream, styled=True)

    @contextlib.contextmanager
    def _leaving_is_fine(self) -> Any:
        """Nobody reads any more: what else is written goes nowhere.  A full disk is said once, and then as well."""
        try:
            yield
        except OSError as error:
            with contextlib.suppress(OSError, ValueError):
                nowhere = os.open(os.devnull, os.O_WRONLY)
                os.dup2(nowhere, self._stream.fileno())
                os.close(nowhere)
            if not isinstance(error, BrokenPipeError) and not (os.name == "nt" and error.errno == errno.EINVAL):
                raise


def guard() -> None:
    """From here on stdout and stderr are such streams, for whoever writes to them."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:  # it was closed before this program began
            stream = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
        if not isinstance(stream, Stream):
            setattr(sys, name, Stream(stream))


def console(err: bool = False) -> Console:
    """A console for text with colours; everything but `put` and bars of progress is written with `say`."""
    from rich.console import Console

    stream = sys.stderr if err else sys.stdout
    file: Any = stream.styled() if isinstance(stream, Stream) else stream
    return Console(file=file, width=width(err))


def put(to: Console, text: str, style: str = "") -> None:
    """Print text on a console, cleaned and not wider than it is."""
    from rich.text import Text

    for line in fitted(text, to.file, width_of(to)):
        if to.is_terminal:
            to.print(Text(line, style=style), soft_wrap=True)
        else:
            to.file.write(f"{line}\n")


def width_of(to: Console) -> int:
    """Columns of a console."""
    return max(to.width, NARROWEST)


def say(text: str = "", err: bool = False) -> None:
    """Print text on stdout or stderr, cleaned and not wider than its `width`."""
    stream = sys.stderr if err else sys.stdout
    stream.write("\n".join(fitted(text, stream, width(err))) + "\n")
    if err:
        stream.flush()


def say_json(text: str) -> None:
    """Print JSON as it is; what would be obeyed instead of shown, or what the encoding lacks, as ``\\u202e``."""
    encoding = getattr(sys.stdout, "encoding", None) or "utf-8"

    def safe(found: re.Match[str]) -> str:
        char = found[0]
        return char if _shown(char) == char and not lacks(char, encoding) else _escaped(char)

    sys.stdout.write(_BEYOND_ASCII.sub(safe, text))


def _escaped(char: str) -> str:
    units = char.encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{units[i]:02x}{units[i + 1]:02x}" for i in range(0, len(units), 2))


@lru_cache(maxsize=4096)
def lacks(char: str, encoding: str) -> bool:
    """Whether an encoding has no such character, or makes another one of it, as cp932 of a minus sign."""
    try:
        return char.encode(encoding).decode(encoding) != char
    except UnicodeError:
        return True
    except LookupError:
        return False


def progress(*columns: str | ProgressColumn, to: Console | None = None) -> Progress:
    """A bar of progress on a terminal, gone when it is done; what it says are this program's words and numbers."""
    from rich.progress import Progress

    to = to or console(err=True)
    return Progress(*columns, console=to, transient=True, disable=not to.is_terminal)


def width(err: bool = False) -> int:
    """Columns that text may take: as many as the terminal has; for a pipe or a file what COLUMNS says, or else 80."""
    stream = sys.stderr if err else sys.stdout
    columns = 0
    with contextlib.suppress(AttributeError, OSError, ValueError):
        if stream.isatty():
            columns = os.get_terminal_size(stream.fileno()).columns
    if columns <= 0:
        with contextlib.suppress(ValueError):
            columns = int(os.environ.get("COLUMNS", ""))
    return max(columns, NARROWEST) if columns > 0 else UNSAID


def fitted(text: str, stream: Any, columns: int) -> list[str]:
    """The lines of a text as a stream can show them: wrapped, what hangs over set under its own beginning."""
    text = clean(text)
    encoding = getattr(stream, "encoding", None)
    if encoding and not text.isascii():
        text = _BEYOND_ASCII.sub(lambda found: readable(found[0]) if lacks(found[0], encoding) else found[0], text)
    out = []
    for line in text.split("\n"):
        indent = len(line) - len(line.lstrip(" "))
        out += wrapped(line, columns, min(indent + 2, columns // 3))
    return out


def wrapped(text: str, columns: int, hanging: int = 0) -> list[str]:
    """A line in pieces no wider than so many columns, broken at blanks only; a longer word stays whole.

    >>> wrapped("  nothing tests 3 heights", 14, 4)
    ['  nothing', '    tests 3', '    heights']
    """
    if cells(text) <= columns:
        return [text]
    lead = text[: len(text) - len(text.lstrip(" "))]
    out, line, at = [], lead, cells(lead)
    for blanks, word in re.findall(r"( *)([^ ]+)", text[len(lead) :]):
        size = cells(word)
        if at + len(blanks) + size > columns and line.strip():
            out.append(line)
            line, at, blanks = " " * hanging, hanging, ""
        line, at = line + blanks + word, at + len(blanks) + size
    return [*out, line]


def cells(text: str) -> int:
    """Columns that a text takes: two for each character of Chinese, Japanese or Korean."""
    if text.isascii():
        return len(text)
    from rich.cells import cell_len

    return cell_len(text)
