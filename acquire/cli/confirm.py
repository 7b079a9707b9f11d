"""``floorshot confirm``: a person says that a condition is set."""

from __future__ import annotations

from pathlib import Path

import click

from acquire.cli import console
from acquire.cli.daemon_parts import by_option, opened, run_argument, say_who_acts, state_option
from acquire.errors import BadInputError


@click.command(
    short_help="Say that you have set the condition a run waits for.",
    epilog="Exit codes: 0 confirmed; 2 the run waits at no gate, or at another one.",
)
@run_argument
@state_option
@click.option(
    "--condition",
    metavar="NAME",
    help="The condition that you have set; refused if the run waits for another one.",
)
@by_option
def command(run: int, state: Path, condition: str | None, by: str) -> int:
    """Confirm the condition that RUN waits for, or let a parked RUN go on.

    Without --condition the instruction and its cautions are shown, and nothing is confirmed: a
    hand at a conductor deserves that somebody has read what it is about. Who confirmed, and when,
    goes into the run file.

    \b
    Example:
      floorshot confirm 12
      floorshot confirm 12 --condition damped_choke --by 'R. Field'
    """
    with opened(state) as (_folder, queue):
        gate = queue.gate(run)
        if gate is None:
            if queue.run(run).state != "parked":
                raise BadInputError(f"run {run}: it waits at no gate; nothing to confirm")
            queue.unpark(run, f"let go on by {by}")
            console.say(f"run {run} goes on from its stored shots")
        elif condition is None:
            console.caution(gate.cautions)
            console.say(gate.instruction)
            console.say(f"Then: floorshot confirm {run} --condition {gate.condition}")
            return 0
        else:
            queue.confirm(run, by, condition=condition)
            console.say(f"run {run}: {gate.condition} confirmed by {by}")
        say_who_acts(queue)
    return 0
