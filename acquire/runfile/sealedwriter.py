"""An HDF5 file that appears under its name whole, sealed and durable, or not at all."""

from __future__ import annotations

import contextlib
import io
import os
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import h5py

from acquire.errors import RefusedError
from acquire.runfile.durable import publish, storage_error, sync_folder, write_all, writing
from acquire.runfile.seal import write_seal

_BLOCK = 1 << 20


class _Sink(io.RawIOBase):
    """Where HDF5 writes. It keeps the first error and swallows what follows.

    An error inside HDF5's own close leaves the library with a file that it can neither finish nor
    forget (measured: a segmentation fault at exit). So HDF5 is never told; `SealedWriter` looks at
    ``error`` after every step instead.
    """

    def __init__(self, fd: int) -> None:
        super().__init__()
        self._fd = fd
        self._position = 0
        self.error: OSError | None = None

    def readable(self) -> bool:
        return True

    def writable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = 0, /) -> int:
        base = (0, self._position, os.fstat(self._fd).st_size if whence == 2 else 0)[whence]
        self._position = base + offset
        return self._position

    def tell(self) -> int:
        return self._position

    def write(self, data: Any, /) -> int:
        size = len(memoryview(data).cast("B"))
        self._guard(lambda: write_all(self._fd, data, self._position))
        self._position += size
        return size

    def readinto(self, buffer: Any, /) -> int:
        view = memoryview(buffer).cast("B")
        got = 0
        with contextlib.suppress(OSError):
            got = os.preadv(self._fd, [view], self._position)
        view[got:] = bytes(len(view) - got)
        self._position += len(view)
        return len(view)

    def truncate(self, size: int | None = None, /) -> int:
        length = self._position if size is None else size
        self._guard(lambda: os.ftruncate(self._fd, length))
        return length

    def _guard(self, action: Callable[[], object]) -> None:
        if self.error is None:
            try:
                action()
            except OSError as error:
                self.error = error


class SealedWriter:
    """Write under a temp name; `commit` seals, syncs and gives the file its name.

    Leaving the ``with`` block without `commit` removes the temp file.

    Parameters
    ----------
    path : the final name; the temp name is ``.<name>.tmp`` beside it.
    doing : for messages: "writing the shot".
    needed : about how much will be written, for messages. [byte]
    source, source_size : an existing file to start from, without its seal, instead of an empty one.
    """

    def __init__(
        self,
        path: Path,
        doing: str,
        needed: int = 0,
        source: Path | None = None,
        source_size: int = 0,
    ) -> None:
        self.path, self.temp = path, path.with_name(f".{path.name}.tmp")
        self._doing, self._needed = doing, needed
        with writing(path, doing, needed):
            # Unlinked first: after a crash the old temp name may be a second name of a good file.
            self.temp.unlink(missing_ok=True)
            self._fd = os.open(self.temp, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o644)
        self._sink = _Sink(self._fd)
        try:
            if source is not None:
                self._copy(source, source_size)
            self.file = h5py.File(self._sink, "w" if source is None else "r+")
            self.check()
        except BaseException:
            self.discard()
            raise

    def _copy(self, source: Path, size: int) -> None:
        with writing(self.path, self._doing, self._needed), source.open("rb") as stream:
            for position in range(0, size, _BLOCK):
                block = stream.read(min(_BLOCK, size - position))
                write_all(self._fd, block, position)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.discard()

    def check(self) -> None:
        """Raise the disk's first error, if there was one."""
        if self._sink.error is not None:
            raise storage_error(self._sink.error, self.path, self._doing, self._needed)

    def commit(self, *, replace: bool = False, proof: Callable[[Path], None] | None = None) -> None:
        """Seal, sync, let ``proof`` read the temp file back, and give it its name.

        Raises
        ------
        StorageError
            Where the disk would not take it. Nothing is left under either name.
        RefusedError
            Where the name is taken and ``replace`` is not set.
        """
        self._close()
        self.check()
        with writing(self.path, self._doing, self._needed):
            write_seal(self._fd)
            os.fsync(self._fd)
            if proof is not None:
                # So that the proof reads the disk, not our own memory, as far as the system obeys.
                os.posix_fadvise(self._fd, 0, 0, os.POSIX_FADV_DONTNEED)
                proof(self.temp)
            if replace:
                self.temp.replace(self.path)
                sync_folder(self.path.parent)
                return
            try:
                publish(self.temp, self.path)
            except FileExistsError:
                raise RefusedError(
                    f"{self.path}: a file of this name exists and is never overwritten; "
                    "move it away or choose another name"
                ) from None

    def _close(self) -> None:
        try:
            if getattr(self, "file", None):
                self.file.close()
        except (OSError, RuntimeError):
            self.check()
            raise

    def discard(self) -> None:
        """Close, and remove the temp file if it still has its temp name."""
        if self._fd < 0:
            return
        with contextlib.suppress(OSError, RuntimeError):
            if getattr(self, "file", None):
                self.file.close()
        os.close(self._fd)
        self._fd = -1
        with contextlib.suppress(OSError):
            self.temp.unlink(missing_ok=True)
