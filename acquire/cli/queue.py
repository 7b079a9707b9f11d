"""``floorshot queue``: what waits, runs or is parked, and the schedules."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.cli import console
from acquire.cli.daemon_parts import ago, by_option, opened, say_who_acts, state_option

if TYPE_CHECKING:
    from acquire.daemon.queue import Queue, Run, RunState


@click.command(
    short_help="List what waits, runs or is parked, and the schedules.",
    epilog="Exit codes: 0 done; 2 no such state folder or schedule.",
)
@state_option
@click.option(
    "--end-schedule", type=click.IntRange(min=1), metavar="N",
    help="End schedule N instead; runs that it has queued stay.",
)  # fmt: skip
@by_option
def command(state: Path, end_schedule: int | None, by: str) -> int:
    """List the daemon's runs that have not ended, by turn, and the schedules by their next time.

    \b
    Examples:
      floorshot queue
      floorshot queue --end-schedule 3
    """
    from acquire.daemon import schedules

    with opened(state) as (_folder, queue):
        if end_schedule is not None:
            schedules.end(queue, end_schedule, by)
            console.say(f"schedule {end_schedule} has ended")
            return 0
        _show_runs(queue)
        _show_schedules(queue)
        say_who_acts(queue)
    return 0


def _show_runs(queue: Queue) -> None:
    from rich.table import Table

    table = Table("run", "state", "bench", "recipe", "priority", "hands", "since", "what", box=None)
    order: tuple[RunState, ...] = ("running", "parked", "queued")
    for run in sorted(queue.runs(order), key=lambda r: (order.index(r.state), -r.priority)):
        since = ago(queue.clock() - (run.started_at or run.submitted_at))
        table.add_row(
            str(run.id), run.state, run.bench, run.recipe_name, str(run.priority),
            "" if run.hands is None else str(run.hands), since, what(queue, run),
        )  # fmt: skip
    if table.row_count:
        console.show(table)
    else:
        console.say("no run waits, runs or is parked")


def what(queue: Queue, run: Run) -> str:
    """Return in a few words what a run is at, or why it is where it is."""
    gate = queue.gate(run.id)
    if gate is not None and gate.confirmed_at is None:
        return f"waits for a hand: set {gate.condition} ('floorshot confirm {run.id}')"
    if run.state == "queued" and run.not_before > queue.clock():
        return f"not before {ago(run.not_before - queue.clock())} from now; {run.reason}".rstrip(
            "; "
        )
    return run.reason


def _show_schedules(queue: Queue) -> None:
    from rich.table import Table

    from acquire.daemon import schedule, schedules

    table = Table("schedule", "bench", "recipe", "rule", "next", "runs left", box=None)
    for one in schedules.active(queue):
        assert one.next_at is not None
        left = "no end" if one.remaining is None else str(one.remaining)
        rule = f"every {ago(float(one.rule))}" if one.kind == "every" else f"{one.kind} {one.rule}"
        table.add_row(
            str(one.id), one.bench, one.recipe_name, rule,
            schedule.people(one.next_at, one.zone), left,
        )  # fmt: skip
    if table.row_count:
        console.say()
        console.show(table)
