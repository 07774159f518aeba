"""What an archive run knows, kept in one file beside what it writes, so that a second run does only what is new.

The file is an SQLite database: a run that is killed leaves the last second's jobs undone and nothing half done.  Texts
in it are JSON.  Records are read one at a time, so that memory does not grow with the number of jobs.
"""

from __future__ import annotations

import json
import sqlite3
import time
import zlib
from collections.abc import Iterator
from itertools import starmap
from pathlib import Path
from types import TracebackType
from typing import Any

from heightnet.archives.find import STORE_FILE, Found, PassedOver
from heightnet.errors import HeightnetError
from heightnet.gaps import not_proved
from heightnet.ledger.archive import STATES

LAYOUT = 1
COMMIT_AFTER_S = 1.0
GAPS = (*not_proved(), None)
"""The worst verdict that leaves something unproved, by which jobs of one state are told apart."""

UNCONTRADICTED = ("untested", "scatters", "closes")

TABLES = """
CREATE TABLE meta (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE jobs (
  path TEXT PRIMARY KEY, kind TEXT NOT NULL, size INTEGER NOT NULL, seen INTEGER NOT NULL,
  key TEXT, record TEXT, reduced BLOB, severity INTEGER, error_mm REAL
) WITHOUT ROWID;
CREATE INDEX worst_first ON jobs (severity, error_mm DESC, path);
CREATE TABLE passed_over (path TEXT PRIMARY KEY, reason TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE dropped (path TEXT PRIMARY KEY) WITHOUT ROWID;
"""


class Store:
    """The state of one archive's output folder; a context manager.

    A job's row holds the ``key`` of what its record was made of (`heightnet.archives.one.key_of`), NULL as long as it
    was never checked.
    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.path = folder / STORE_FILE
        is_new = not self.path.exists()
        self._db = sqlite3.connect(self.path, isolation_level=None, timeout=5.0)
        try:
            if is_new:
                self._db.executescript(f"BEGIN EXCLUSIVE; {TABLES}; PRAGMA user_version = {LAYOUT}; COMMIT;")
            layout = self._db.execute("PRAGMA user_version").fetchone()[0]
            self._db.execute("BEGIN IMMEDIATE")  # two runs at once into one folder would undo each other
        except sqlite3.DatabaseError as error:
            self._db.close()
            said = f"is no store of an archive run: {error}. Move it away, or give another --output."
            if isinstance(error, sqlite3.OperationalError):
                said = f"cannot be used: {error}. Is another run at work in {folder}?"
            raise HeightnetError(f"{self.path} {said}") from error
        if layout != LAYOUT:
            self._db.close()
            raise HeightnetError(f"{self.path} was written by another version of heightnet; give another --output.")
        self._committed = time.monotonic()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        try:
            self._db.execute("COMMIT")
        except sqlite3.OperationalError as failed:
            error = failed
        finally:
            self._db.close()
        if isinstance(error, sqlite3.OperationalError):  # a full disk, or one that was taken away
            raise HeightnetError(f"{self.path} cannot be written to: {error}. What was kept before is kept.") from error

    def commit(self, at_once: bool = False) -> None:
        """Make what was kept safe; of many calls a second one does it."""
        now = time.monotonic()
        if at_once or now - self._committed > COMMIT_AFTER_S:
            self._db.execute("COMMIT")
            self._db.execute("BEGIN IMMEDIATE")
            self._committed = now

    # ---- what a run is ----

    def meta(self, name: str) -> Any:
        row = self._db.execute("SELECT value FROM meta WHERE name = ?", (name,)).fetchone()
        return json.loads(row[0]) if row else None

    def set_meta(self, name: str, value: Any) -> None:
        self._db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (name, json.dumps(value)))

    def made_with(self, what: str) -> None:
        """Forget what was made with anything else, a version of this program say: it may not be understood."""
        if self.meta("made_with") != what:
            self._db.execute("UPDATE jobs SET key = NULL, record = NULL, reduced = NULL, severity = NULL")
            self.set_meta("made_with", what)

    # ---- what was found ----

    def begin_finding(self) -> None:
        """From here on jobs are found anew; what is not found again is dropped by `end_finding`."""
        self.run = int(self.meta("run") or 0) + 1
        self.set_meta("run", self.run)
        self._db.execute("DELETE FROM passed_over")
        self._db.execute("DELETE FROM dropped")

    def add(self, found: Found | PassedOver) -> None:
        if isinstance(found, PassedOver):
            self._db.execute("INSERT OR REPLACE INTO passed_over VALUES (?, ?)", (found.path, found.reason))
            return
        self._db.execute(
            "INSERT INTO jobs (path, kind, size, seen) VALUES (?, ?, ?, ?) ON CONFLICT (path) DO UPDATE "
            "SET kind = excluded.kind, size = excluded.size, seen = excluded.seen",
            (found.path, found.kind, found.size, self.run),
        )

    def end_finding(self) -> None:
        """Drop the jobs that are no longer there, keeping their names for this run's index."""
        self._db.execute("INSERT INTO dropped SELECT path FROM jobs WHERE seen < ?", (self.run,))
        self._db.execute("DELETE FROM jobs WHERE seen < ?", (self.run,))
        self.commit(at_once=True)

    def jobs(self) -> Iterator[tuple[Found, str | None]]:
        """Every job with the key it was last checked under, in the order of paths; may be changed meanwhile."""
        last = ""
        while rows := self._db.execute(
            "SELECT path, kind, size, key FROM jobs WHERE path > ? ORDER BY path LIMIT 1000", (last,)
        ).fetchall():
            for path, kind, size, key in rows:
                yield Found(path, kind, size), key
            last = rows[-1][0]

    # ---- what was made of them ----

    def keep(self, path: str, key: str, record: dict[str, Any], reduced: dict[str, Any] | None) -> None:
        """Keep what one check gave, in place of what an earlier one did."""
        packed = None if reduced is None else zlib.compress(json.dumps(reduced).encode("utf-8"))
        size = (record["worst"] or {}).get("error_mm")
        self._db.execute(
            "UPDATE jobs SET key = ?, record = ?, reduced = ?, severity = ?, error_mm = ? WHERE path = ?",
            (
                key, json.dumps(record, ensure_ascii=False), packed, _severity(record),
                None if size is None else abs(size), path,
            ),
        )  # fmt: skip
        self.commit()

    def records(self, worst_first: bool = False) -> Iterator[dict[str, Any]]:
        """The records of the jobs checked, by path or worst first."""
        order = "severity, error_mm DESC, path" if worst_first else "path"
        found = self._db.execute(f"SELECT record FROM jobs WHERE record IS NOT NULL ORDER BY {order}")
        return (json.loads(text) for (text,) in found)

    def reduced(self) -> Iterator[dict[str, Any]]:
        """What the jobs tell together, by path."""
        found = self._db.execute("SELECT reduced FROM jobs WHERE reduced IS NOT NULL ORDER BY path")
        return (json.loads(zlib.decompress(packed)) for (packed,) in found)

    def passed_over(self) -> Iterator[PassedOver]:
        return starmap(PassedOver, self._db.execute("SELECT path, reason FROM passed_over ORDER BY path"))

    def dropped(self) -> Iterator[str]:
        return (path for (path,) in self._db.execute("SELECT path FROM dropped ORDER BY path"))

    def counts(self) -> dict[str, int]:
        """Numbers of jobs: "found", "checked", "waiting", of each state, "gaps": of those that nothing contradicts the
        jobs in which something is not proved; "passed_over", "dropped"."""

        def number(query: str) -> int:
            return int(self._db.execute(f"SELECT count(*) FROM {query}").fetchone()[0])

        found, checked = number("jobs"), number("jobs WHERE record IS NOT NULL")
        severities = "SELECT severity, count(*) FROM jobs WHERE record IS NOT NULL GROUP BY severity"
        states, gaps = dict.fromkeys(STATES, 0), 0
        for severity, count in self._db.execute(severities):
            state, gap = divmod(severity, len(GAPS))
            states[STATES[state]] += count
            gaps += count if GAPS[gap] is not None and STATES[state] in UNCONTRADICTED else 0
        return {
            "found": found,
            "checked": checked,
            "waiting": found - checked,
            **states,
            "gaps": gaps,
            "passed_over": number("passed_over"),
            "dropped": number("dropped"),
        }


def _severity(record: dict[str, Any]) -> int:
    """One number for state and gap, the lowest first."""
    return STATES.index(record["state"]) * len(GAPS) + GAPS.index(record["gap"])
