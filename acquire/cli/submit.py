"""``floorshot submit``: put a run, or a schedule of runs, into a daemon's queue."""

from __future__ import annotations

from pathlib import Path

import click

from acquire.cli import console, names
from acquire.cli.daemon_parts import by_option, opened, say_who_acts, state_option
from acquire.cli.options import recipe_argument
from acquire.errors import BadInputError


@click.command(
    short_help="Queue a run, now, later or again and again.",
    epilog="Exit codes: 0 queued; 2 bad input, an unknown bench, or a full queue.",
)
@recipe_argument
@click.option(
    "--bench",
    "-b",
    required=True,
    metavar="NAME",
    help="Name of a bench profile in the daemon's folder 'benches'.",
)
@state_option
@click.option("--at", metavar="TIME", help="Once, such as 2026-11-25T22:30 (local time).")
@click.option("--every", metavar="SPAN", help="Again and again, such as '30 min', '6 h' or '1 d'.")
@click.option("--cron", metavar="EXPR", help="By five cron fields, such as '30 6 * * 1-5'.")
@click.option(
    "--zone", metavar="NAME", help="Time zone of --at and --cron; default: this machine's."
)
@click.option(
    "--priority", type=click.IntRange(-100, 100), default=0, show_default=True,
    help="Higher ones run first.",
)  # fmt: skip
@click.option("--count", type=int, metavar="N", help="End the schedule after N runs.")
@by_option
def command(
    recipe: str,
    bench: str,
    state: Path,
    at: str | None,
    every: str | None,
    cron: str | None,
    zone: str | None,
    priority: int,
    count: int | None,
    by: str,
) -> int:
    """Queue RECIPE (a YAML file, or the name of a shipped one) on a bench of the daemon.

    Recipe and bench are checked first, as by 'floorshot plan'; a wrong one is not queued. This
    works with the daemon down, too: the run waits, and you are told that nobody acts on it yet.

    \b
    Examples:
      floorshot submit bonding_lead --bench tunnel
      floorshot submit my.yaml --bench tunnel --cron '0 3 * * 6' --count 10
    """
    from acquire.daemon import admission, schedule, schedules
    from acquire.daemon.queue import Submission
    from acquire.textfile.reader import read_text

    path = names.locate("recipe", recipe)
    rule = admission.rule(at, every, cron, zone)
    if count is not None and rule is None:
        raise BadInputError("--count needs --every or --cron; one run needs no count")
    with opened(state) as (folder, queue):
        text = read_text(path)
        plan = admission.check(text, str(path), folder.bench(bench))
        assert plan is not None
        wanted = Submission(path.name, text, bench, priority, submitted_by=by, hands=plan.hands)
        if rule is None:
            console.say(f"run {queue.submit(wanted).id}")
        else:
            added = schedules.add(queue, wanted, rule, count)
            assert added.next_at is not None
            console.say(
                f"schedule {added.id}, next run {schedule.people(added.next_at, added.zone)}"
            )
        console.note(plan.summary)
        for note in plan.notes:
            console.note(note)
        say_who_acts(queue)
    return 0
