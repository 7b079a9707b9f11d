"""``floorshot cancel``: take a run out of the queue, or stop it."""

from __future__ import annotations

from pathlib import Path

import click

from acquire.cli import console
from acquire.cli.daemon_parts import by_option, opened, run_argument, say_who_acts, state_option


@click.command(
    short_help="Take a run out of the queue, or stop it.",
    epilog="Exit codes: 0 cancelled, or asked to stop; 2 no such run, or it has ended.",
)
@run_argument
@state_option
@by_option
def command(run: int, state: Path, by: str) -> int:
    """Cancel RUN. Shots that a running one has stored stay in its spool in the folder 'runs'.

    \b
    Example:
      floorshot cancel 12
    """
    with opened(state) as (_folder, queue):
        if queue.cancel(run, by) == "cancelled":
            console.say(f"run {run} is cancelled")
        else:
            console.say(f"run {run} is asked to stop; what it has stored is kept")
            say_who_acts(queue)
    return 0
