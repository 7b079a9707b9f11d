"""Schedules in the queue file: what recurs, and turning what is due into queued runs.

A schedule never piles up. It queues nothing while an earlier run of its own still waits, runs or is
parked, and it does not make up for what was missed; both are told as ``schedule_skipped`` events.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from acquire.daemon import schedule as when
from acquire.daemon.queue import Queue, Submission
from acquire.errors import BadInputError, RefusedError


@dataclass(frozen=True, slots=True)
class Schedule:
    """One row. ``next_at`` None = it has ended; ``remaining`` None = without end."""

    id: int
    recipe_name: str
    recipe_text: str
    bench: str
    priority: int
    kind: when.Kind
    rule: str
    zone: str
    next_at: float | None
    remaining: int | None
    created_at: float
    created_by: str
    hands: int | None

    @property
    def as_rule(self) -> when.Rule:
        """The rule alone."""
        return when.Rule(self.kind, self.rule, self.zone)


_COLUMNS = ", ".join(Schedule.__slots__)


def _schedule(row: Sequence[object]) -> Schedule:
    return Schedule(*row)  # type: ignore[arg-type]  # the STRICT table vouches for the types


def add(queue: Queue, wanted: Submission, rule: when.Rule, count: int | None = None) -> Schedule:
    """Store a schedule.

    Raises
    ------
    BadInputError
        If its moment has passed, or ``count`` is below 1.
    """
    if count is not None and count < 1:
        raise BadInputError(f"--count: {count} runs; write 1 or more, or leave it out")
    next_at = when.first(rule, queue.clock())
    if next_at is None:
        raise BadInputError(f"--at: {rule.text} has passed; give a moment still to come")
    with queue.change():
        cursor = queue.db.execute(
            "INSERT INTO schedule (recipe_name, recipe_text, bench, priority, kind, rule, zone,"
            " next_at, remaining, created_at, created_by, hands)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                wanted.recipe_name,
                wanted.recipe_text,
                wanted.bench,
                wanted.priority,
                rule.kind,
                rule.text,
                rule.zone,
                next_at,
                count,
                queue.clock(),
                wanted.submitted_by,
                wanted.hands,
            ),
        )
        number = int(cursor.lastrowid or 0)
        queue.note(
            "schedule_added",
            None,
            {"schedule": number, "kind": rule.kind, "rule": rule.text, "bench": wanted.bench},
        )
        return get(queue, number)


def get(queue: Queue, number: int) -> Schedule:
    """Return one schedule.

    Raises
    ------
    BadInputError
        If there is none of that number.
    """
    row = queue.db.execute(f"SELECT {_COLUMNS} FROM schedule WHERE id = ?", (number,)).fetchone()  # noqa: S608 - column names of our own class
    if row is None:
        raise BadInputError(f"schedule {number}: there is no such schedule in {queue.path}")
    return _schedule(row)


def active(queue: Queue) -> tuple[Schedule, ...]:
    """Return the schedules that still have a time to come, soonest first."""
    rows = queue.db.execute(
        f"SELECT {_COLUMNS} FROM schedule WHERE next_at IS NOT NULL ORDER BY next_at, id"  # noqa: S608 - column names of our own class
    )
    return tuple(_schedule(row) for row in rows)


def end(queue: Queue, number: int, who: str) -> None:
    """End a schedule; runs that it has queued stay."""
    with queue.change():
        if get(queue, number).next_at is None:
            raise BadInputError(f"schedule {number}: it has ended already")
        queue.db.execute("UPDATE schedule SET next_at = NULL WHERE id = ?", (number,))
        queue.note("schedule_ended", None, {"schedule": number, "by": who})


def fire(queue: Queue) -> int:
    """Queue a run for every schedule that is due; return how many were queued."""
    queued = 0
    for due in [s for s in active(queue) if s.next_at is not None and s.next_at <= queue.clock()]:
        with queue.change():
            queued += _fire_one(queue, get(queue, due.id))
    return queued


def _fire_one(queue: Queue, due: Schedule) -> bool:
    """Serve one due time inside the caller's transaction; another daemon may have been faster."""
    now = queue.clock()
    if due.next_at is None or due.next_at > now:
        return False
    next_at, missed = when.following(due.as_rule, due.next_at, now)
    if missed:
        _skip(queue, due, missed, "the daemon did not run, or was busy, when they were due")
    blocking = queue.db.execute(
        "SELECT id FROM run WHERE schedule = ? AND state IN ('queued', 'running', 'parked')",
        (due.id,),
    ).fetchone()
    queued = False
    if blocking:
        _skip(queue, due, 1, f"run {blocking[0]} of this schedule has not ended")
    else:
        queued = _submit(queue, due)
    remaining = due.remaining if due.remaining is None else due.remaining - queued
    if remaining == 0 or next_at is None:
        next_at = None
        queue.note("schedule_ended", None, {"schedule": due.id, "by": "its own rule"})
    queue.db.execute(
        "UPDATE schedule SET next_at = ?, remaining = ? WHERE id = ?", (next_at, remaining, due.id)
    )
    return queued


def _submit(queue: Queue, due: Schedule) -> bool:
    wanted = Submission(
        recipe_name=due.recipe_name,
        recipe_text=due.recipe_text,
        bench=due.bench,
        priority=due.priority,
        submitted_by=due.created_by,
        hands=due.hands,
    )
    try:
        queue.submit_within(wanted, due.id)
    except RefusedError as why:
        _skip(queue, due, 1, str(why))
        return False
    return True


def _skip(queue: Queue, due: Schedule, count: int, why: str) -> None:
    queue.note("schedule_skipped", None, {"schedule": due.id, "count": count, "why": why})


def clock_stepped(queue: Queue, step: float) -> None:
    """Move what counts real time with a stepped clock, and tell of the step. [s]

    That are ``every`` schedules, and runs that were put off for a while.
    """
    with queue.change():
        queue.db.execute(
            "UPDATE run SET not_before = not_before + ? WHERE state = 'queued' AND not_before > 0",
            (step,),
        )
        for one in active(queue):
            if one.next_at is not None:
                moved = when.stepped(one.as_rule, one.next_at, step)
                queue.db.execute("UPDATE schedule SET next_at = ? WHERE id = ?", (moved, one.id))
        queue.note("clock_stepped", None, {"seconds": round(step, 3)})
