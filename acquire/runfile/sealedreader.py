"""Open a sealed file for reading; anything strange is one `DamagedFileError`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import h5py

from acquire.errors import DamagedFileError
from acquire.runfile.manifest import Entry, read_manifest
from acquire.runfile.seal import SealedFile
from acquire.runfile.tree import trusting_nothing, walk

FORMATS = {"floorshot-run": 1, "floorshot-shot": 1}
"""Each format that is read here, with its newest known version."""


class SealedReader:
    """An HDF5 file of ours, its seal and structure checked.

    Parameters
    ----------
    path, kind : the file, and which of `FORMATS` it should be.
    on_read : called with each read.
    check : walk the structure now; unset where the caller walks all of it before anything else.

    Attributes
    ----------
    sealed : the byte source with the seal.
    file : the open ``h5py.File``.
    """

    def __init__(
        self,
        path: Path,
        kind: str,
        on_read: Callable[[], None] | None = None,
        *,
        check: bool = True,
    ) -> None:
        self.path = path
        self.sealed = SealedFile(path, on_read)
        try:
            with trusting_nothing(path, "/"):
                self.file = h5py.File(self.sealed, "r")
                self._check_format(kind)
            if check:
                for _ in walk(self.file, path):
                    pass
        except BaseException:
            self.close()
            raise

    def _check_format(self, kind: str) -> None:
        found = self.file.attrs.get("format")
        version = self.file.attrs.get("format_version")
        if found != kind:
            raise DamagedFileError(f"{self.path}: format {found!r}; expected {kind!r}")
        if not 1 <= int(version) <= FORMATS[kind]:
            raise DamagedFileError(
                f"{self.path}: format version {version}; this program reads up to "
                f"{FORMATS[kind]}: use a newer floorshot"
            )

    def manifest(self) -> dict[str, Entry]:
        """Return the stored manifest."""
        return read_manifest(self.file, self.path)

    def group(self, place: str) -> Any:
        """Return a group, or say that it is missing."""
        found = self.file.get(place)
        if not isinstance(found, h5py.Group):
            raise DamagedFileError(f"{self.path}: the group {place} is missing")
        return found

    def close(self) -> None:
        """Close the file; twice is harmless."""
        if getattr(self, "file", None):
            self.file.close()
        self.sealed.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
