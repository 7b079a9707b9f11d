"""``floorshot watch``: follow one run of the daemon live."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.cli import console
from acquire.cli.daemon_parts import opened, run_argument, say_who_acts, state_option
from acquire.errors import ExitCode

if TYPE_CHECKING:
    from acquire.daemon.queue import Queue, Run

POLL = 0.25
"""How often the queue file is asked for news. [s]"""


@click.command(
    short_help="Follow a run of the daemon live.",
    epilog="Exit codes: that of the run when it has ended; 3 it is parked; 2 no such run.",
)
@run_argument
@state_option
@click.option("--from-start", is_flag=True, help="Begin with the run's first event.")
def command(run: int, state: Path, from_start: bool) -> int:
    """Show what RUN does until it ends or is parked.

    On a terminal: step, shot, ranges, last peak, margin above the floor and time left, live; in a
    pipe, one line for each step and each thing worth keeping.

    Ctrl-C ends the watching, not the run.

    \b
    Example:
      floorshot watch 12
    """
    with opened(state) as (_folder, queue):
        queue.run(run)
        say_who_acts(queue)
        return _follow(queue, run, 0 if from_start else queue.last_event())


def _follow(queue: Queue, number: int, seen: int) -> int:
    from acquire.cli.live import Watcher

    with Watcher(number) as show:
        while True:
            news = queue.events(seen, run=number)
            for one in news:
                seen = one.id
                show(one)
            now = queue.run(number)
            if not news and now.state not in ("queued", "running"):
                break
            time.sleep(POLL)  # SQLite has no way to wait for another process's change
    return _ending(now)


def _ending(run: Run) -> int:
    if run.state == "parked":
        console.say(f"run {run.id} is parked: {run.reason}")
        return int(ExitCode.UNDECIDED)
    if run.path:
        console.say(f"run file: {run.path}")
    console.say(f"run {run.id} {run.state}{f': {run.reason}' if run.reason else ''}")
    return int(ExitCode.INTERRUPTED) if run.exit_code is None else run.exit_code
