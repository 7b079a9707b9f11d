"""Bytes that stay: fsync, atomic names, one writer, and a full disk told in plain words."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

from acquire.errors import DamagedFileError, RefusedError, StorageError

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_WORDS = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk quota is used up",
    errno.EFBIG: "the file would grow beyond the allowed file size",
    errno.EIO: "the disk reports an input/output error",
    errno.EROFS: "the file system is read-only",
    errno.EACCES: "writing there is not permitted",
    errno.EPERM: "writing there is not permitted",
}


def free_space(folder: Path) -> int:
    """Return what an ordinary user can still write where ``folder`` is or will be. [byte]"""
    place = folder.absolute()
    while not place.exists() and place != place.parent:
        place = place.parent
    return shutil.disk_usage(place).free


def human(size: int) -> str:
    """Return a size for people: ``3.2 MB``."""
    value, unit = float(size), "byte"
    for unit in ("byte", "kB", "MB", "GB", "TB"):
        if value < 1000 or unit == "TB":
            break
        value /= 1000
    return f"{size} byte" if unit == "byte" else f"{value:.1f} {unit}"


def storage_error(error: OSError, path: Path, doing: str, needed: int = 0) -> StorageError:
    """Say what went wrong with the disk, where, how much was needed, and what to do."""
    what = _WORDS.get(error.errno or 0, error.strerror or str(error))
    text = f"{path}: {doing} failed: {what} (errno {error.errno})"
    if error.errno in _FULL:
        with contextlib.suppress(OSError):
            text += f"; {human(free_space(path.parent))} free"
        if needed:
            text += f", about {human(needed)} needed"
        text += ". Free some space or choose another folder, then resume: committed shots are kept"
    else:
        text += ". Check the disk and the folder's permissions; committed shots are kept"
    return StorageError(text)


@contextlib.contextmanager
def writing(path: Path, doing: str, needed: int = 0) -> Iterator[None]:
    """Turn an ``OSError`` of the block into a `StorageError` about ``path``."""
    try:
        yield
    except OSError as error:
        raise storage_error(error, path, doing, needed) from error


def sync_folder(folder: Path) -> None:
    """Make the names in ``folder`` durable.

    A file system that cannot sync a folder says EINVAL, which is let pass; EIO is not.
    """
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(fd)
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise
    finally:
        os.close(fd)


def write_all(fd: int, data: bytes | memoryview, position: int) -> None:
    """Write every byte at ``position``; a short write is carried on with."""
    view = memoryview(data).cast("B")
    while view:
        done = os.pwrite(fd, view, position)
        view, position = view[done:], position + done


def replace_text(path: Path, text: str, doing: str) -> None:
    """Write a small file so that it is there whole, old or new, whatever happens."""
    data = text.encode()
    temp = path.with_name(f".{path.name}.tmp")
    with writing(path, doing, len(data)):
        try:
            temp.unlink(missing_ok=True)
            fd = os.open(temp, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
            try:
                write_all(fd, data, 0)
                os.fsync(fd)
            finally:
                os.close(fd)
            temp.replace(path)
            sync_folder(path.parent)
        except OSError:
            with contextlib.suppress(OSError):
                temp.unlink(missing_ok=True)
            raise


def publish(temp: Path, final: Path) -> None:
    """Give a synced file its final name, never over an existing one, and make the name durable.

    Raises
    ------
    FileExistsError
        Where ``final`` exists.
    """
    try:
        os.link(temp, final)  # fails if the name is taken, which a rename would not
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        if final.exists():
            raise FileExistsError(errno.EEXIST, "the name is taken", str(final)) from None
        temp.rename(final)
    else:
        temp.unlink()
    sync_folder(final.parent)


def read_bounded(path: Path, limit: int) -> bytes:
    """Return a small file's bytes; refuse one that is larger than ``limit``. [byte]"""
    try:
        with path.open("rb") as stream:
            data = stream.read(limit + 1)
    except OSError as error:
        raise DamagedFileError(f"{path}: cannot be read: {error.strerror or error}") from error
    if len(data) > limit:
        raise DamagedFileError(f"{path}: larger than {human(limit)}, which no such file can be")
    return data


class FolderLock:
    """The right to write in one folder, held by one process.

    The kernel drops the lock when the process ends, however it ends, so it never goes stale.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / "lock"
        self._fd: int | None = None

    def take(self) -> None:
        """Take the lock, or refuse and say who holds it."""
        with writing(self._path, "opening the lock"):
            fd = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.pread(fd, 32, 0).decode("ascii", "replace").strip()
            os.close(fd)
            if error.errno not in (errno.EWOULDBLOCK, errno.EACCES):
                raise storage_error(error, self._path, "locking") from error
            by = f"process {holder}" if holder.isdigit() else "another process"
            raise RefusedError(
                f"{self._path.parent}: {by} is writing to this run; wait for it to end, or end it"
            ) from None
        self._fd = fd
        with contextlib.suppress(OSError):  # the number is a courtesy; a full disk must not matter
            os.ftruncate(fd, 0)
            os.pwrite(fd, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Give the lock back; harmless if it is not held."""
        if self._fd is not None:
            os.close(self._fd)
            self._fd = None
