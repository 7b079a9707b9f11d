"""One run at a time on one bench: a lock that dies with whoever holds it.

The kernel drops an ``flock`` when the process that holds it ends, however it ends, so a lock is
never stale. The file itself stays, and says nothing by being there. There is one lock for each
instrument, named after its resource, so two bench profiles that share an oscilloscope exclude each
other too.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import json
import os
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType

from acquire.errors import BusyError, RefusedError

_SHARED = Path("/run/lock")
_LONGEST_NOTE = 512


def lock_folder() -> Path:
    """Return where locks of this machine lie: a folder that every user may write."""
    if os.access(_SHARED, os.W_OK | os.X_OK):
        return _SHARED
    return Path(tempfile.gettempdir())


class BenchLock:
    """Holds the locks of some instruments, from ``acquire`` until ``release`` or process end."""

    def __init__(self, resources: Iterable[str], folder: Path | None = None) -> None:
        unique = {"".join(resource.split()).upper(): resource for resource in resources}
        where = folder or lock_folder()
        # always in one order, so that two runs cannot hold half each and wait for ever
        self._files = {
            where / f"floorshot-{hashlib.sha256(key.encode()).hexdigest()[:24]}.lock": resource
            for key, resource in sorted(unique.items())
        }
        self._held: list[int] = []

    def acquire(self, note: str = "") -> None:
        """Take every lock, or none.

        Raises
        ------
        BusyError
            If another process holds one of them.
        RefusedError
            If a lock file cannot be opened.
        """
        try:
            for path, resource in self._files.items():
                self._take(path, resource, note)
        except RefusedError:
            self.release()
            raise

    def _take(self, path: Path, resource: str, note: str) -> None:
        descriptor = _open(path)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = _read_note(descriptor)
            os.close(descriptor)
            raise BusyError(
                f"{resource} is in use by another run{holder}; wait until it has ended, or stop it"
            ) from None
        self._held.append(descriptor)
        with contextlib.suppress(OSError):  # a courtesy; another user's file is not ours
            os.ftruncate(descriptor, 0)
            text = json.dumps({"pid": os.getpid(), "note": note[:200]})
            os.pwrite(descriptor, text.encode(), 0)

    def release(self) -> None:
        """Give the locks back. May be called twice."""
        while self._held:
            os.close(self._held.pop())

    def __enter__(self) -> BenchLock:
        self.acquire()
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self.release()


@contextlib.contextmanager
def held(lock: BenchLock, note: str) -> Iterator[None]:
    """Hold ``lock`` for a block."""
    lock.acquire(note)
    try:
        yield
    finally:
        lock.release()


def _open(path: Path) -> int:
    flags = os.O_CLOEXEC | os.O_NOFOLLOW
    try:
        for attempt in (os.O_RDWR, os.O_RDWR | os.O_CREAT | os.O_EXCL, os.O_RDONLY):
            with contextlib.suppress(FileNotFoundError, FileExistsError, PermissionError):
                return os.open(path, flags | attempt, 0o644)
        return os.open(path, flags | os.O_RDONLY)
    except OSError as error:
        raise RefusedError(
            f"{path}: the bench lock cannot be opened ({error.strerror}); make that folder writable"
        ) from error


def _read_note(descriptor: int) -> str:
    """Return `` (process 123, run x)`` as the holder left it, or an empty text."""
    try:
        note = json.loads(os.pread(descriptor, _LONGEST_NOTE, 0))
        said = f", {note['note']}" if note.get("note") else ""
        return f" (process {int(note['pid'])}{said})"
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return ""
