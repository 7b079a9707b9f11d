"""What the daemon's commands share: its state folder, its queue, and whether anyone will act."""

from __future__ import annotations

import getpass
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.cli import console

if TYPE_CHECKING:
    from acquire.daemon.folder import StateFolder
    from acquire.daemon.queue import Queue

SIGN_OF_LIFE = 5.0
"""A daemon that lives says so several times a second; older than this, it is taken for dead. [s]"""


def _default_state() -> Path:
    base = os.environ.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    return Path(base) / "floorshot"


state_option = click.option(
    "--state",
    type=click.Path(path_type=Path, file_okay=False, resolve_path=True),  # workers run in it
    envvar="FLOORSHOT_STATE",
    default=_default_state,
    show_default="FLOORSHOT_STATE, or ~/.local/state/floorshot",
    help="The daemon's state folder, on a local disk.",
)

run_argument = click.argument("run", metavar="RUN", type=click.IntRange(min=1))

by_option = click.option(
    "--by", default=getpass.getuser, show_default="you", help="Who is recorded as having done it."
)


@contextmanager
def opened(state: Path) -> Iterator[tuple[StateFolder, Queue]]:
    """Open the state folder and its queue for one command."""
    from acquire.daemon.folder import StateFolder

    folder = StateFolder(state)
    queue = folder.queue()
    try:
        yield folder, queue
    finally:
        queue.close()


def say_who_acts(queue: Queue) -> None:
    """Say whether a daemon is alive to act on what was just written."""
    beat = queue.last_beat()
    # a beat from the future is one from before the clock was set back
    if beat is not None and abs(queue.clock() - beat[1]) <= SIGN_OF_LIFE:
        console.note(f"a daemon serves this queue (process {beat[0]})")
        return
    last = "never did" if beat is None else f"last one seen {queue.clock() - beat[1]:.0f} s ago"
    console.note(
        f"no daemon serves this queue now ({last}); 'floorshot serve --state {queue.path.parent}'"
        " starts one"
    )


def ago(seconds: float) -> str:
    """Return a span for people: ``45 s``, ``12 min``, ``3.5 h``, ``2.1 d``."""
    for limit, unit, size in ((120, "s", 1), (7200, "min", 60), (172800, "h", 3600)):
        if abs(seconds) < limit:
            return f"{seconds / size:.0f} {unit}" if size < 3600 else f"{seconds / size:.1f} {unit}"
    return f"{seconds / 86400:.1f} d"
