"""A run file that comes piece by piece: on disk whole and as it was measured, or not at all."""

from __future__ import annotations

import errno
import os
import tempfile
from collections.abc import Iterable
from pathlib import Path

from acquire.errors import DamagedFileError
from acquire.runfile import verify
from acquire.runfile.durable import publish, writing

_DOING = "saving the run file"


def save(pieces: Iterable[bytes], path: Path) -> Path:
    """Write the pieces to a file beside ``path``, check it, and only then give it its name.

    A run file carries digests of all that is in it, made when it was measured; what is checked is
    therefore the whole way from there to here.

    Parameters
    ----------
    path : must not exist yet.

    Raises
    ------
    FileExistsError
        If ``path`` exists, before or after the pieces have come.
    DamagedFileError
        If what has come is not what was measured.
    StorageError
        If the disk does not take it.
    """
    if path.exists():
        raise FileExistsError(errno.EEXIST, "the name is taken; choose another", str(path))
    with writing(path, _DOING):
        descriptor, name = tempfile.mkstemp(".part", f".{path.name}.", path.parent)
    part = Path(name)
    try:
        with open(descriptor, "wb") as file:  # noqa: PTH123 - an open descriptor
            for piece in pieces:
                with writing(path, _DOING):
                    file.write(piece)
            with writing(path, _DOING):
                file.flush()
                os.fsync(file.fileno())
        damage = verify(part)
        if damage:
            raise DamagedFileError(
                f"{path}: not saved, it came damaged: {damage[0].place} {damage[0].found}; ask"
                " again, and try 'floorshot verify' on the daemon's own file if that does not help"
            )
        publish(part, path)
    finally:
        part.unlink(missing_ok=True)
    return path
