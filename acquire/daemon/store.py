"""The daemon's SQLite file: opening it, changing it in whole transactions, telling what changed.

Local disk only: SQLite's write-ahead log does not work on a network share, so such a folder is
refused before the file is made.
"""

from __future__ import annotations

import json
import os
import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from acquire.errors import RefusedError

VERSION = 2

_FROM_OLDER = {
    1: ("ALTER TABLE run ADD COLUMN hands INTEGER", "ALTER TABLE schedule ADD COLUMN hands INTEGER")
}
"""What turns a file of a version into one of the next."""


@dataclass(frozen=True, slots=True)
class StoredEvent:
    """One event; numbers grow and never repeat."""

    id: int
    run: int | None
    at: float
    name: str
    data: Mapping[str, object]


def _schema() -> list[str]:
    """Return the statements that make a new file."""
    script = resources.files("acquire.daemon").joinpath("schema.sql").read_text("utf-8")
    comments_gone = "\n".join(line for line in script.splitlines() if not line.startswith("--"))
    return [statement for statement in comments_gone.split(";") if statement.strip()]


def _steps_from(version: int) -> list[str]:
    """Return the statements that bring an older file up to date."""
    return [one for step in range(version, VERSION) for one in _FROM_OLDER[step]]


class Store:
    """One connection to the file. One object per thread.

    Parameters
    ----------
    path : of the SQLite file; made when missing.
    clock : seconds since the epoch; replaced in tests. [s]
    patience : how long a change waits for another process's change. [s]
    """

    def __init__(
        self, path: Path, *, clock: Callable[[], float] = time.time, patience: float = 10.0
    ) -> None:
        self.path = path
        self.clock = clock
        self.db = sqlite3.connect(path, isolation_level=None, timeout=patience)
        self.db.execute("PRAGMA journal_mode = WAL")
        self.db.execute("PRAGMA synchronous = FULL")
        self.db.execute("PRAGMA foreign_keys = ON")
        self._migrate()

    def close(self) -> None:
        """Close the file; the object is of no further use."""
        self.db.close()

    def _migrate(self) -> None:
        with self.change():
            (version,) = self.db.execute("PRAGMA user_version").fetchone()
            if version == VERSION:
                return
            if version not in range(VERSION):
                raise RefusedError(
                    f"{self.path}: queue version {version}, this floorshot knows {VERSION}; "
                    "use the floorshot that made it, or another state folder"
                )
            for statement in _schema() if version == 0 else _steps_from(version):
                self.db.execute(statement)
            self.db.execute(f"PRAGMA user_version = {VERSION}")

    @contextmanager
    def change(self) -> Iterator[None]:
        """One transaction that takes the write lock at once, so that no view in it is stale."""
        self.db.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self.db.execute("ROLLBACK")
            raise
        self.db.execute("COMMIT")

    # -- events ----------------------------------------------------------------------------------
    def note(self, name: str, run: int | None, data: Mapping[str, object]) -> int:
        """Store one event inside the caller's transaction; return its number."""
        cursor = self.db.execute(
            "INSERT INTO event (run, at, name, data) VALUES (?, ?, ?, ?)",
            (run, self.clock(), name, json.dumps(dict(data), allow_nan=False)),
        )
        return int(cursor.lastrowid or 0)

    def tell(self, name: str, run: int | None = None, **data: object) -> int:
        """Store one event in a transaction of its own; return its number."""
        with self.change():
            return self.note(name, run, data)

    def events(
        self, after: int = 0, *, run: int | None = None, limit: int = 1000
    ) -> tuple[StoredEvent, ...]:
        """Return up to ``limit`` events with a number above ``after``, oldest first."""
        rows = self.db.execute(
            "SELECT id, run, at, name, data FROM event"
            " WHERE id > ?1 AND (?2 IS NULL OR run = ?2) ORDER BY id LIMIT ?3",
            (after, run, limit),
        )
        return tuple(StoredEvent(i, r, at, name, json.loads(d)) for i, r, at, name, d in rows)

    def last_event(self) -> int:
        """Return the number of the newest event, 0 when there is none."""
        (number,) = self.db.execute("SELECT coalesce(max(id), 0) FROM event").fetchone()
        return int(number)

    # -- the daemon's own sign of life -----------------------------------------------------------
    def beat(self, address: str = "") -> None:
        """Note that a daemon lives; commands read it to say whether anyone will act."""
        self.db.execute(
            "INSERT INTO beat (one, pid, at, address) VALUES (1, ?, ?, ?)"
            " ON CONFLICT (one) DO UPDATE SET pid = excluded.pid, at = excluded.at,"
            " address = excluded.address",
            (os.getpid(), self.clock(), address),
        )

    def last_beat(self) -> tuple[int, float, str] | None:
        """Return (pid, time, address) of the last sign of life, or None."""
        row = self.db.execute("SELECT pid, at, address FROM beat").fetchone()
        return None if row is None else (int(row[0]), float(row[1]), str(row[2]))
