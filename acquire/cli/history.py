"""``floorshot history``: runs that have ended."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from acquire.cli import console
from acquire.cli.daemon_parts import opened, state_option


@click.command(
    short_help="List runs that have ended.",
    epilog="Exit codes: 0 done; 2 no such state folder.",
)
@state_option
@click.option("--last", type=click.IntRange(1, 10_000), default=20, show_default=True, metavar="N")
def command(state: Path, last: int) -> int:
    """List the last runs of the daemon that have ended, newest first, with their run files.

    \b
    Example:
      floorshot history --last 5
    """
    from rich.table import Table

    from acquire.daemon.queue import ENDED

    table = Table("run", "ended", "bench", "recipe", "exit", "verdict or reason", box=None)
    table.add_column("file", overflow="fold")  # a path is for copying
    with opened(state) as (_folder, queue):
        for run in queue.runs(ENDED, limit=last):
            ended = datetime.fromtimestamp(run.ended_at or 0).astimezone()
            code = "" if run.exit_code is None else str(run.exit_code)
            table.add_row(
                str(run.id), f"{ended:%Y-%m-%d %H:%M}", run.bench, run.recipe_name, code,
                _words(run.exit_code, run.reason), run.path or "",
            )  # fmt: skip
    if table.row_count:
        console.show(table)
    else:
        console.say("no run has ended yet")
    return 0


def _words(code: int | None, reason: str) -> str:
    meaning = {0: "every limit met", 1: "a limit not met", 3: "undecided, or only a bound"}
    return meaning.get(-1 if code is None else code, reason)
