"""The state folder of one daemon: where everything of it lies, and who may hold it.

    daemon.yaml          the administrator's decisions (may be missing)
    benches/NAME.yaml    the bench profiles that may be used; a submission names one by NAME
    recipes/NAME.yaml    recipes that a client may name instead of sending the text
    runs/                run files, and the spools of runs that are not finished
    queue.sqlite         queue, gates, schedules and events
    daemon.lock          held by the one daemon that serves this folder
    locks/RUN.lock       held by the process that carries a run out

Locks are ``flock``: the kernel drops them when their holder ends, however it ends.
"""

from __future__ import annotations

import fcntl
import os
import re
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from acquire import textfile
from acquire.daemon.config import DaemonConfig
from acquire.daemon.queue import Queue
from acquire.errors import BadInputError, RefusedError

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,99}")

_NETWORK_FILE_SYSTEMS = frozenset(
    {
        "nfs",
        "nfs4",
        "cifs",
        "smb3",
        "smbfs",
        "9p",
        "afs",
        "ceph",
        "glusterfs",
        "fuse.sshfs",
        "ncpfs",
    }
)


@dataclass(frozen=True)
class StateFolder:
    """Paths and locks of one state folder. Nothing is made before ``prepare``."""

    root: Path

    def prepare(self) -> None:
        """Make the folder and its parts, for this user only.

        Raises
        ------
        RefusedError
            If it cannot be made, or lies on a network file system.
        """
        try:
            for path in (self.root, self.benches, self.recipes, self.runs, self.locks):
                path.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError as why:
            raise RefusedError(
                f"{self.root}: the state folder cannot be made ({why.strerror}); choose one that"
                " this user may write, with --state"
            ) from why
        kind = file_system(self.root)
        if kind in _NETWORK_FILE_SYSTEMS:
            raise RefusedError(
                f"{self.root}: lies on a network file system ({kind}), where neither the queue's"
                " write-ahead log nor locks are safe; choose a folder on a local disk, with --state"
            )

    @property
    def benches(self) -> Path:
        """Bench profiles that may be used."""
        return self.root / "benches"

    @property
    def recipes(self) -> Path:
        """Recipes that may be named."""
        return self.root / "recipes"

    @property
    def runs(self) -> Path:
        """Run files and spools."""
        return self.root / "runs"

    @property
    def locks(self) -> Path:
        """One lock file for each run that was carried out."""
        return self.root / "locks"

    @property
    def token(self) -> Path:
        """The bearer token of the API over TCP."""
        return self.root / "token"

    @property
    def notified(self) -> Path:
        """The number of the last event that was told to the outside."""
        return self.root / "notified"

    @property
    def socket(self) -> Path:
        """The Unix socket of the API."""
        return self.root / "api.sock"

    @cached_property
    def config(self) -> DaemonConfig:
        """The administrator's decisions.

        Raises
        ------
        BadInputError
            With every mistake in ``daemon.yaml``.
        """
        path = self.root / "daemon.yaml"
        if not path.exists():
            return DaemonConfig()
        return textfile.validated(textfile.load(path), DaemonConfig)

    def queue(self, *, patience: float = 10.0) -> Queue:
        """Open the queue; the caller closes it.

        Parameters
        ----------
        patience : how long a change waits for another process's change. [s]
        """
        if not self.root.is_dir():
            raise RefusedError(
                f"{self.root}: there is no state folder; 'floorshot serve --state {self.root}'"
                " makes one"
            )
        return Queue(
            self.root / "queue.sqlite", capacity=self.config.queue_length, patience=patience
        )

    def bench_names(self) -> tuple[str, ...]:
        """Return the names of all bench profiles, sorted."""
        return tuple(sorted(path.stem for path in self.benches.glob("*.yaml")))

    def bench(self, name: str) -> Path:
        """Return the path of a bench profile by its name.

        Raises
        ------
        BadInputError
            If there is none of that name here.
        """
        if name not in self.bench_names():
            if not self.bench_names():
                hint = f"; it has no bench: put a bench profile into {self.benches}"
            else:
                hint = textfile.did_you_mean(name, self.bench_names()).rstrip("?")
            raise BadInputError(f"bench {name!r}: not known to this daemon{hint}")
        return self.benches / f"{name}.yaml"

    def recipe(self, name: str) -> Path:
        """Return the path of a recipe in the recipe folder by its name, never by a path.

        Raises
        ------
        BadInputError
            If the name is not one, or there is no such recipe.
        """
        stem = name.removesuffix(".yaml")
        path = self.recipes / f"{stem}.yaml"
        if not _NAME.fullmatch(stem) or not path.is_file():
            raise BadInputError(
                f"recipe {name!r}: there is no recipe of that name in the daemon's recipe folder;"
                " give a name from there, or send the recipe's text"
            )
        return path

    def hold(self) -> HeldLock:
        """Become the one daemon of this folder.

        Raises
        ------
        RefusedError
            If another daemon serves it.
        """
        lock = HeldLock.take(self.root / "daemon.lock")
        if lock is None:
            raise RefusedError(
                f"{self.root}: another daemon serves this state folder; stop that one, or choose"
                " another folder with --state"
            )
        return lock

    def hold_run(self, number: int) -> HeldLock | None:
        """Become the process that carries a run out; None where another process is it."""
        return HeldLock.take(self.locks / f"{number}.lock")


class HeldLock:
    """A held ``flock``; ends with ``release`` or with the process."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor

    @classmethod
    def take(cls, path: Path) -> HeldLock | None:
        """Take the lock without waiting; None where another process holds it."""
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(descriptor)
            return None
        return cls(descriptor)

    def release(self) -> None:
        """Give the lock back."""
        os.close(self._descriptor)


def file_system(path: Path, mounts: Path = Path("/proc/self/mountinfo")) -> str:
    """Return the type of the file system that ``path`` lies on, "" where it cannot be told."""
    try:
        lines = mounts.read_text("utf-8", "replace").splitlines()
    except OSError:
        return ""
    best, kind = -1, ""
    resolved = path.resolve()
    for line in lines:
        before, _, after = line.partition(" - ")
        fields, tail = before.split(), after.split()
        if len(fields) < 5 or not tail:
            continue
        mount = Path(fields[4].replace("\\040", " "))
        if (resolved == mount or mount in resolved.parents) and len(mount.parts) >= best:
            best, kind = len(mount.parts), tail[0]
    return kind
