"""The event log: JSON lines while a run is going on.

One line is one event::

    {"at":"2025-03-04T09:15:00.000000Z","name":"shot_started","data":{...},"sum":"<16 hex digits>"}

``sum`` is over the line before it and the sum of the previous line, so that a changed, missing or
moved line is found. A last line that was cut short is what a crash leaves, and is tolerated.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from acquire.runfile.coding import compact, utc
from acquire.runfile.durable import sync_folder, write_all, writing
from acquire.runfile.records import Event

NAME = re.compile(r"[a-z][a-z0-9_]{0,59}")
LONGEST_DATA = 16_384
"""Characters of one event's data; more is cut, and says so."""
_LONGEST_LINE = 8 * LONGEST_DATA
_TAIL = re.compile(rb',"sum":"([0-9a-f]{16})"\}\n\Z')
DAMAGED = "log_damaged"
"""The name under which a line that cannot be trusted is handed on."""


def _sum(previous: bytes, body: bytes) -> bytes:
    return hashlib.sha256(previous + body).hexdigest()[:16].encode()


def data_text(event: Event) -> str:
    """Return an event's data as JSON, no longer than `LONGEST_DATA`."""
    text = compact(dict(event.data))
    if len(text) <= LONGEST_DATA:
        return text
    return compact({"cut_at": LONGEST_DATA // 4, "text": text[: LONGEST_DATA // 4]})


class EventLog:
    """Append to, and read, the log of one run.

    Parameters
    ----------
    path : the file; made if it is missing and ``writable``.
    writable : whether `append` will be used; then a torn last line is removed.
    """

    def __init__(self, path: Path, *, writable: bool) -> None:
        self.path = path
        self.torn = False
        self._fd = -1
        self._sum, whole = b"", 0
        if path.exists():
            for _, total, line_sum in _lines(path):
                self._sum, whole = line_sum, total
            self.torn = path.stat().st_size > whole
        if writable:
            with writing(path, "opening the event log"):
                self._fd = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
                if self.torn:
                    os.ftruncate(self._fd, whole)
                sync_folder(path.parent)
        self._end = whole
        self._ragged = False

    def append(self, event: Event) -> None:
        """Write one event; it survives the process at once, and the machine after `sync`."""
        if not NAME.fullmatch(event.name):
            raise ValueError(f"event name {event.name!r}: expected lower case, digits, underscore")
        at = utc(event.at)
        body = f'{{"at":"{at}","name":"{event.name}","data":{data_text(event)}'.encode()
        total = _sum(self._sum, body)
        line = body + b',"sum":"' + total + b'"}\n'
        with writing(self.path, "writing the event log", len(line)):
            if self._ragged:
                os.ftruncate(self._fd, self._end)
            self._ragged = True  # until the line is whole
            write_all(self._fd, line, self._end)
            self._ragged = False
        self._sum, self._end = total, self._end + len(line)

    def sync(self) -> None:
        """Make everything appended so far durable."""
        with writing(self.path, "syncing the event log"):
            os.fsync(self._fd)

    def read(self) -> list[Event]:
        """Return all events, in order.

        A line that cannot be trusted comes back as an event named ``log_damaged`` with its number,
        so that one bad line never keeps a run's data from its owner.
        """
        return list(self.stream())

    def stream(self) -> Iterator[Event]:
        """Yield the events one by one."""
        at = datetime.fromtimestamp(0, UTC)
        if not self.path.exists():
            return
        for number, (event, _, _) in enumerate(_lines(self.path), 1):
            if event is None:
                yield Event(DAMAGED, at, {"line": number})
            else:
                at = event.at
                yield event

    def close(self) -> None:
        """Close the file; twice is harmless."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1


def _lines(path: Path) -> Iterator[tuple[Event | None, int, bytes]]:
    """Yield each whole line's event (None = not to be trusted), the bytes so far and its sum."""
    total, previous = 0, b""
    with path.open("rb") as stream:
        while line := stream.readline(_LONGEST_LINE):
            if not line.endswith(b"\n") and len(line) < _LONGEST_LINE:
                return
            total += len(line)
            tail = _TAIL.search(line)
            good = tail is not None and _sum(previous, line[: tail.start()]) == tail[1]
            previous = tail[1] if tail else previous
            yield (_event(line) if good else None), total, previous


def _event(line: bytes) -> Event | None:
    try:
        found = json.loads(line)
        return Event(str(found["name"]), datetime.fromisoformat(found["at"]), dict(found["data"]))
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
