"""Hiding who observed: every observer of a job under a code or initials, before anything is made of the job."""

from __future__ import annotations

import hmac
import re
from base64 import b32encode
from collections.abc import Callable

from heightnet.job.model import Job

COLUMNS = (("setups", "observer"), ("targets", "observer"), ("tape", "by"))


def hide_observers(job: Job, way: str, key: bytes = b"") -> Job:
    """The job with its observers' names replaced in every table.

    Parameters
    ----------
    way : "codes" or "initials".
    key : what the codes are made with; who has it can try names against them.
    """
    shown: Callable[[str], str] = initials if way == "initials" else lambda name: code(name, key)
    frames = {table: job.tables[table] for table, _ in COLUMNS}
    for table, column in COLUMNS:
        frame = frames[table]
        frames[table] = frame.assign(**{column: [shown(name) for name in frame[column]]})
    return job.with_tables(**frames)


def code(name: str, key: bytes) -> str:
    """A code that is the same wherever this name is met with this key; case and spacing do not count.

    >>> code("Anna  Berg", b"k") == code("anna berg", b"k"), code("anna berg", b"k") == code("anna berg", b"other")
    (True, False)
    >>> len(code("anna berg", b"k")), code("", b"k")
    (17, '')
    """
    plain = " ".join(name.casefold().split())
    if not plain:
        return ""
    digest = hmac.digest(key, plain.encode("utf-8"), "sha256")
    return f"observer {b32encode(digest).decode('ascii')[:8]}"


def initials(name: str) -> str:
    """The first letters of a name's parts; what is initials already stays. Two people may share them.

    >>> [initials(name) for name in ("Anna Berg", "a.berg", "AB", "Jean-Luc de Vries", "")]
    ['AB', 'AB', 'AB', 'JLDV', '']
    """
    parts = re.findall(r"[^\W\d_]+", name)
    if len(parts) == 1 and len(parts[0]) <= 3 and parts[0].isupper():
        return parts[0]
    return "".join(part[0] for part in parts).upper() or ("?" if name.strip() else "")
