"""The seal: the last lines of a finished file, by which every one of its bytes can be checked.

HDF5 in its most widely readable format has no checksum on its own structure, and a parser in C
that is fed flipped bytes may do anything. A finished file therefore ends in a short text that HDF5
ignores (it knows where its own part ends) with the SHA-256 of every block of the HDF5 part, and of
itself.
`SealedFile` hands HDF5 only bytes that were checked.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from acquire.errors import DamagedFileError
from acquire.runfile.durable import write_all

BLOCK = 1 << 18
"""Bytes per checksum."""
_LAST = re.compile(rb"end ([0-9a-f]{64}) ([0-9]{12})\n\Z")
_LAST_LENGTH = 82
_HEAD = re.compile(rb"\nfloorshot-seal 1\nsize ([0-9]{1,15})\nblock ([0-9]{1,10})\n")
_LARGEST = 1 << 28
"""Bytes of the largest seal that is read: a file of 1 TB."""


@dataclass(frozen=True, slots=True)
class Seal:
    """What the last lines of a file say: the HDF5 part's size and the digest of each block."""

    size: int
    digests: bytes

    def digest(self, block: int) -> bytes:
        """Return the SHA-256 of one block."""
        return self.digests[32 * block : 32 * block + 32]

    @property
    def blocks(self) -> int:
        """How many blocks there are."""
        return len(self.digests) // 32


def write_seal(fd: int) -> None:
    """Append the seal to a file that is otherwise finished. It is not synced here."""
    size = os.fstat(fd).st_size
    lines = [b"\nfloorshot-seal 1\nsize %d\nblock %d\n" % (size, BLOCK)]
    buffer = bytearray(BLOCK)
    for start in range(0, size, BLOCK):
        view = memoryview(buffer)[: min(BLOCK, size - start)]
        _read_exactly(fd, view, start)
        lines.append(hashlib.sha256(view).hexdigest().encode() + b"\n")
    body = b"".join(lines)
    last = b"end %s %012d\n" % (
        hashlib.sha256(body).hexdigest().encode(),
        len(body) + _LAST_LENGTH,
    )
    write_all(fd, body + last, size)


def read_seal(fd: int, path: Path) -> Seal:
    """Read and check the seal itself.

    Raises
    ------
    DamagedFileError
        Where there is none, or it does not agree with itself.
    """
    total = os.fstat(fd).st_size
    last = os.pread(fd, _LAST_LENGTH, max(0, total - _LAST_LENGTH))
    match = _LAST.fullmatch(last)
    if match is None:
        raise DamagedFileError(_unsealed(fd, path, total))
    length = int(match[2])
    if not _LAST_LENGTH < length <= min(total, _LARGEST):
        raise DamagedFileError(f"{path}: the seal at its end is damaged (length {length})")
    body = os.pread(fd, length - _LAST_LENGTH, total - length)
    head = _HEAD.match(body)
    if head is None or hashlib.sha256(body).hexdigest().encode() != match[1]:
        raise DamagedFileError(f"{path}: the seal at its end is damaged")
    size, block = int(head[1]), int(head[2])
    lines = body[head.end() :].split()
    if block != BLOCK or size != total - length or len(lines) != -(-size // BLOCK):
        raise DamagedFileError(f"{path}: the seal at its end does not fit the file")
    try:
        return Seal(size, bytes.fromhex(b"".join(lines).decode("ascii")))
    except ValueError:
        raise DamagedFileError(f"{path}: the seal at its end is damaged") from None


def _unsealed(fd: int, path: Path, total: int) -> str:
    if total == 0:
        return f"{path}: the file is empty; expected a floorshot run file"
    if os.pread(fd, 8, 0) != b"\x89HDF\r\n\x1a\n":
        return f"{path}: not an HDF5 file; expected a floorshot run file"
    return (
        f"{path}: the seal at its end is missing: the file is cut short, damaged at its end, was "
        "changed by another program after it was finished, or is not a floorshot run file; "
        "use an unchanged copy"
    )


def _read_exactly(fd: int, view: memoryview, position: int) -> None:
    while view:
        got = os.preadv(fd, [view], position)
        if got == 0:
            raise OSError("the file ended too early")
        view, position = view[got:], position + got


class SealedFile(io.RawIOBase):
    """The HDF5 part of a sealed file, read-only; no unchecked byte leaves it.

    A block is checked the first time that it is touched. It is what ``h5py.File`` is given.
    ``on_read`` is called whenever a block was read.
    """

    def __init__(self, path: Path, on_read: Callable[[], None] | None = None) -> None:
        super().__init__()
        self.path, self._fd, self._on_read = path, -1, on_read
        try:
            self._fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK)  # a FIFO must not hang us
        except OSError as error:
            raise DamagedFileError(f"{path}: cannot be opened: {error.strerror}") from error
        try:
            self.seal = read_seal(self._fd, path)
        except OSError as error:
            self.close()
            raise DamagedFileError(f"{path}: cannot be read: {error.strerror}") from error
        except DamagedFileError:
            self.close()
            raise
        self._checked = bytearray(self.seal.blocks)
        self._buffer = bytearray(min(BLOCK, max(1, self.seal.size)))
        self._position = 0
        self.damaged: int | None = None
        """The first block that failed its check, once one did."""

    def close(self) -> None:
        """Close the file; twice is harmless."""
        fd, self._fd = self._fd, -1
        if fd >= 0:  # never twice: the number may be another file's by then
            os.close(fd)
        super().close()

    def readable(self) -> bool:
        """Return True."""
        return True

    def seekable(self) -> bool:
        """Return True."""
        return True

    def seek(self, offset: int, whence: int = 0, /) -> int:
        """Move, relative to the start, the position or the end of the HDF5 part."""
        base = (0, self._position, self.seal.size)[whence]
        self._position = base + offset
        return self._position

    def tell(self) -> int:
        """Return the position. [byte]"""
        return self._position

    def readinto(self, buffer: Any, /) -> int:
        """Fill ``buffer`` with checked bytes; past the end it is filled with zeros.

        Raises
        ------
        OSError
            Where a block is not what was sealed (h5py passes it on).
        """
        view = memoryview(buffer).cast("B")
        if len(view) == 0:
            return 0
        inside = max(0, min(len(view), self.seal.size - self._position))
        view[inside:] = bytes(len(view) - inside)
        if inside:
            first, last = self._position // BLOCK, (self._position + inside - 1) // BLOCK
            for block in range(first, last + 1):
                self._check(block)
            _read_exactly(self._fd, view[:inside], self._position)
        self._position += inside
        return len(view)

    def _check(self, block: int) -> None:
        if self._checked[block]:
            return
        if not self._holds(block):
            self.damaged = block if self.damaged is None else self.damaged
            raise OSError(f"{self.path}: {span(block, self.seal.size)} are not what was written")
        self._checked[block] = 1

    def _holds(self, block: int) -> bool:
        start = block * BLOCK
        view = memoryview(self._buffer)[: min(BLOCK, self.seal.size - start)]
        _read_exactly(self._fd, view, start)
        if self._on_read is not None:
            self._on_read()
        return hashlib.sha256(view).digest() == self.seal.digest(block)

    def damaged_blocks(self) -> Iterator[int]:
        """Read the whole file and yield the number of each block that is not what was sealed."""
        for block in range(self.seal.blocks):
            try:
                good = self._holds(block)
            except OSError:
                good = False
            if not good:
                yield block


def span(block: int, size: int) -> str:
    """Name a block for people."""
    return f"bytes {block * BLOCK} to {min(size, (block + 1) * BLOCK) - 1}"
