"""The spool: a folder in which a run grows, one durable file per shot.

::

    <folder>/lock               who writes here
             header.json        the texts and the identity of the run
             instruments.json   the instruments as they were met
             events.jsonl       what happened
             shots/<name>.h5    one file per committed shot; .<name>.h5.tmp while it is taken
             consolidated.json  only while a finished spool is being tidied away
"""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from acquire.analysis.inputs import Capture, Transducer
from acquire.errors import BadInputError, DamagedFileError, RefusedError
from acquire.runfile.coding import from_json, read_checked, to_json, write_checked
from acquire.runfile.consolidate import MARKER, consolidate, remove_spool
from acquire.runfile.durable import FolderLock, sync_folder, writing
from acquire.runfile.eventlog import EventLog
from acquire.runfile.records import (
    Findings,
    InstrumentRecord,
    RunHeader,
    RunState,
    ShotEntry,
    ShotHeader,
)
from acquire.runfile.sealedreader import SealedReader
from acquire.runfile.shotgroup import RESERVED, ShotGroup
from acquire.runfile.shotwriter import ShotWriter

SHOT_NAME = re.compile(r"[0-9]{2,6}_[a-z][a-z0-9_]{0,99}")
_Instruments = list[InstrumentRecord]


class Spool:
    """One run while it is being taken. Make one with `create` or `open`; close it, or use ``with``.

    Attributes
    ----------
    folder : where it is.
    header : what was known before the first shot.
    events : the event log.
    found : what `open` came upon.
    """

    def __init__(self, folder: Path, header: RunHeader, lock: FolderLock | None) -> None:
        self.folder, self.header = folder, header
        self._lock = lock
        self.events = EventLog(folder / "events.jsonl", writable=lock is not None)
        self._entries: dict[str, ShotEntry] = {}
        self.found = Findings()

    @classmethod
    def create(cls, folder: Path, header: RunHeader) -> Self:
        """Begin a new spool in a folder that does not exist yet, or is empty.

        Raises
        ------
        RefusedError
            Where the folder holds something, or another process writes there.
        StorageError
            Where the disk would not take it.
        """
        from_json(RunHeader, to_json(header), "the run's header")  # what is written can be read
        is_new = not folder.exists()
        with writing(folder, "making the spool folder"):
            (folder / "shots").mkdir(parents=True, exist_ok=True)
            lock = FolderLock(folder)
            lock.take()
        try:
            with writing(folder, "making the spool folder"):
                held = {p.name for p in folder.iterdir()} | {
                    p.name for p in (folder / "shots").iterdir()
                }
            if held - {"lock", "shots", ".header.json.tmp"}:  # what a crash just here leaves
                raise RefusedError(
                    f"{folder}: not empty; resume the run in it, or choose another folder"
                )
            write_checked(folder / "header.json", "header", to_json(header), "writing the header")
            with writing(folder, "making the spool folder"):
                sync_folder(folder)
                sync_folder(folder.parent)
            return cls(folder, header, lock)
        except BaseException as error:
            if is_new and not isinstance(error, RefusedError):
                _discard_empty(folder)
            lock.release()
            raise

    @classmethod
    def open(cls, folder: Path, *, writable: bool = True) -> Self:
        """Open an existing spool: to go on with it, or only to read (``writable=False``).

        A writable spool is locked, and what was never committed is removed; `found` tells.

        Raises
        ------
        DamagedFileError
            Where the folder is no spool, or a committed part is not what was written.
        RefusedError
            Where another process writes there.
        """
        if not (folder / "header.json").is_file():
            if writable and (folder / MARKER).is_file():
                _finish_tidying(folder)
            raise DamagedFileError(f"{folder}: not a spooled run (no header.json in it)")
        lock = FolderLock(folder) if writable else None
        if lock:
            lock.take()
        try:
            where = str(folder / "header.json")
            header = from_json(RunHeader, read_checked(folder / "header.json", "header"), where)
            spool = cls(folder, header, lock)
            spool._recover()
        except BaseException:
            if lock:
                lock.release()
            raise
        return spool

    def _recover(self) -> None:
        discarded = []
        if self._lock:
            with writing(self.folder, "removing what was never committed"):
                for stray in sorted([*self.folder.glob(".*.tmp"), *self._shots.glob(".*.tmp")]):
                    stray.unlink()
                    discarded.append(stray.name)
        for path in sorted(self._shots.glob("*.h5")):
            if SHOT_NAME.fullmatch(path.stem) is None:
                raise DamagedFileError(f"{path}: not the name of a shot")
            with SealedReader(path, "floorshot-shot") as reader:
                group = ShotGroup(reader.group(f"/shots/{path.stem}"), path.stem, path)
            self._entries[path.stem] = group.entry
        marker = self.folder / MARKER
        done = Path(read_checked(marker, "marker")) if marker.exists() else None
        self.found = Findings(len(self._entries), tuple(discarded), self.events.torn, done)

    @property
    def _shots(self) -> Path:
        return self.folder / "shots"

    def shot_path(self, name: str) -> Path:
        """Return the file of a committed shot."""
        return self._shots / f"{name}.h5"

    def shots(self) -> tuple[ShotEntry, ...]:
        """Return the committed shots, in order."""
        return tuple(sorted(self._entries.values(), key=lambda e: (e.order, e.name)))

    def begin_shot(self, header: ShotHeader) -> ShotWriter:
        """Begin a shot; use the writer in a ``with`` block.

        Raises
        ------
        RefusedError
            Where a shot of that name is committed already, or this spool was opened to read only.
        BadInputError
            Where the name or a quantity's name cannot stand in a run file.
        """
        if self._lock is None:
            raise RefusedError(f"{self.folder}: opened to read only")
        if self.found.consolidated:
            raise RefusedError(f"{self.folder}: already written to {self.found.consolidated}")
        if header.name in self._entries:
            raise RefusedError(
                f"{self.shot_path(header.name)}: this shot is committed and is never overwritten; "
                "a retake needs a number of its own"
            )
        _check_shot(header)
        return ShotWriter(self.shot_path(header.name), header, self._register)

    def _register(self, entry: ShotEntry) -> None:
        self._entries[entry.name] = entry
        self.events.sync()

    def set_instruments(self, instruments: list[InstrumentRecord]) -> None:
        """Store the instruments as they were met, durably, in place of what was stored before."""
        path = self.folder / "instruments.json"
        text = to_json(instruments, _Instruments)
        write_checked(path, "instruments", text, "writing the instruments")

    @property
    def instruments(self) -> list[InstrumentRecord]:
        """The instruments as stored; empty before `set_instruments`."""
        path = self.folder / "instruments.json"
        if not path.exists():
            return []
        return from_json(_Instruments, read_checked(path, "instruments"), str(path))

    def captures(self, transducers: Mapping[str, Transducer]) -> list[Capture]:
        """Return every committed shot as the analysis wants it, for the quantities named."""
        found: list[Capture] = []
        for entry in self.shots():
            path = self.shot_path(entry.name)
            with SealedReader(path, "floorshot-shot") as reader:
                group = ShotGroup(reader.group(f"/shots/{entry.name}"), entry.name, path)
                found += group.captures(transducers)
        return found

    def consolidate(
        self, path: Path, *, document_json: str | None, state: RunState, ended: datetime
    ) -> Path:
        """Write the run file, prove it, and only then remove the spool.

        Raises
        ------
        RefusedError
            Where ``path`` exists and is not this very run.
        StorageError, DamagedFileError
            The spool is kept.
        """
        if self._lock is None:
            raise RefusedError(f"{self.folder}: opened to read only")
        return consolidate(self, path, document_json=document_json, state=state, ended=ended)

    def close(self) -> None:
        """Let go of the folder; twice is harmless."""
        self.events.close()
        if self._lock:
            self._lock.release()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _discard_empty(folder: Path) -> None:
    """Remove a new spool that never became one: nobody should be asked to resume it."""
    with contextlib.suppress(OSError):
        (folder / "header.json").unlink(missing_ok=True)
        (folder / ".header.json.tmp").unlink(missing_ok=True)
        (folder / "shots").rmdir()
        (folder / "lock").unlink(missing_ok=True)
        folder.rmdir()


def _finish_tidying(folder: Path) -> None:
    path = read_checked(folder / MARKER, "marker")
    lock = FolderLock(folder)
    lock.take()
    remove_spool(folder)
    lock.release()
    raise RefusedError(f"{folder}: this run is finished, and its run file is {path}")


def _check_shot(header: ShotHeader) -> None:
    if SHOT_NAME.fullmatch(header.name) is None:
        raise BadInputError(
            f"shot name {header.name!r}: expected a number, the role and the condition, "
            "as in 03_target_choke"
        )
    names = [c.quantity for c in header.channels]
    for name in names:
        if name in RESERVED or not re.fullmatch(r"[a-z][a-z0-9_]{0,39}", name):
            raise BadInputError(
                f"shot {header.name}: a quantity cannot be called {name!r}: a run file uses "
                f"{', '.join(sorted(RESERVED))} itself; other lower-case names are free"
            )
    if len(set(names)) != len(names) or not names or header.repeats < 1:
        raise BadInputError(
            f"shot {header.name}: {header.repeats} repeats of {names}; expected at least one "
            "repeat of distinct quantities"
        )
    for channel in header.channels:
        if not all(map(math.isfinite, (channel.vertical_range, channel.vertical_offset))):
            raise BadInputError(
                f"shot {header.name}: range or offset of {channel.quantity} is not finite"
            )
    from_json(ShotHeader, to_json(header), f"shot {header.name}")
