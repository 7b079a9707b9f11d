"""A run whose file stands while its spool, or what is left of it, is still there."""

from __future__ import annotations

from pathlib import Path

from acquire.runfile.coding import read_checked
from acquire.runfile.consolidate import MARKER, prove, remove_spool, require_file, same_run, tidy
from acquire.runfile.durable import FolderLock
from acquire.runfile.spool import Spool


def finish_run(folder: Path) -> Path | None:
    """Return the run file of a run that is complete, and remove what is left of its spool.

    A process that was killed after it had named the run file leaves the whole spool, a part of it,
    or an empty folder. The run file is read back, wholly, before anything is removed. None: the run
    is not complete, and nothing was changed.

    Parameters
    ----------
    folder : the spool.

    Raises
    ------
    DamagedFileError
        Where the run file is not there any more, or is not what was written. The spool is kept.
    RefusedError
        Where another process writes there.
    """
    beside = folder.with_suffix(".h5")
    if (folder / "header.json").is_file():
        if not (folder / MARKER).is_file() and not beside.is_file():
            return None
        with Spool.open(folder) as spool:
            path = spool.found.consolidated
            if path is None and not same_run(spool, beside):
                return None
            return tidy(spool, path or beside)
    if (folder / MARKER).is_file():
        path = Path(read_checked(folder / MARKER, "marker"))
        require_file(folder, path)
    elif beside.is_file() and _is_all_but_gone(folder):
        path = beside
    else:
        return None
    prove(path)
    if folder.is_dir():
        lock = FolderLock(folder)
        lock.take()
        try:
            remove_spool(folder)
        finally:
            lock.release()
    return path


def _is_all_but_gone(folder: Path) -> bool:
    return not folder.exists() or (
        folder.is_dir() and {path.name for path in folder.iterdir()} <= {"lock"}
    )
