"""Figures for a monitoring system, as OpenMetrics text (openmetrics.io, version 1.0.0)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import get_args

from acquire.daemon.queue import Queue, RunState

MEDIA_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"

Sample = tuple[str, float]
"""Suffix and labels as text, and the value."""


def text(queue: Queue, *, listeners: int, cut_off: int) -> str:
    """Return all figures.

    Parameters
    ----------
    listeners : clients that follow the events now.
    cut_off : listeners that were cut off since the server began, because they took nothing.
    """
    families = [*_of_queue(queue), *_of_server(listeners, cut_off)]
    return "\n".join([*families, "# EOF", ""])


def _of_queue(queue: Queue) -> Iterator[str]:
    states = counts(queue)
    yield from _family(
        "floorshot_runs", "gauge", "Runs by state.",
        [(f'{{state="{state}"}}', number) for state, number in states.items()],
    )  # fmt: skip
    yield from _family(
        "floorshot_runs_ended", "gauge", "Finished runs in the history, by exit code.",
        [(f'{{exit_code="{code}"}}', number) for code, number in _by_exit_code(queue)],
    )  # fmt: skip
    yield from _family(
        "floorshot_queue_capacity", "gauge", "Runs that may wait at once.", [("", queue.capacity)]
    )
    yield from _family(
        "floorshot_gates_waiting", "gauge", "Gates that wait for a hand.",
        [("", _one(queue, "SELECT count(*) FROM gate"
                          " WHERE closed_at IS NULL AND confirmed_at IS NULL"))],
    )  # fmt: skip
    yield from _family(
        "floorshot_schedules", "gauge", "Schedules with a time to come.",
        [("", _one(queue, "SELECT count(*) FROM schedule WHERE next_at IS NOT NULL"))],
    )  # fmt: skip
    yield from _family(
        "floorshot_events", "counter", "Events that were stored.", [("_total", queue.last_event())]
    )
    beat = queue.last_beat()
    if beat is not None:
        yield from _family(
            "floorshot_last_beat_seconds", "gauge", "Unix time of the loop's last sign of life.",
            [("", beat[1])], unit="seconds",
        )  # fmt: skip


def _of_server(listeners: int, cut_off: int) -> Iterator[str]:
    yield from _family(
        "floorshot_listeners", "gauge", "Clients that follow the events.", [("", listeners)]
    )
    yield from _family(
        "floorshot_listeners_cut_off", "counter", "Listeners that took nothing and were cut off.",
        [("_total", cut_off)],
    )  # fmt: skip


def counts(queue: Queue) -> dict[str, int]:
    """Return how many runs are in each state, 0 included."""
    found = dict(queue.db.execute("SELECT state, count(*) FROM run GROUP BY state"))
    return {state: int(found.get(state, 0)) for state in get_args(RunState)}


def _by_exit_code(queue: Queue) -> list[tuple[int, int]]:
    return queue.db.execute(
        "SELECT exit_code, count(*) FROM run WHERE exit_code IS NOT NULL GROUP BY exit_code"
    ).fetchall()


def _one(queue: Queue, question: str) -> int:
    (number,) = queue.db.execute(question).fetchone()
    return int(number)


def _family(
    name: str, kind: str, words: str, samples: Iterable[Sample], *, unit: str = ""
) -> Iterator[str]:
    yield f"# TYPE {name} {kind}"
    if unit:
        yield f"# UNIT {name} {unit}"
    yield f"# HELP {name} {words}"
    for suffix, value in samples:
        yield f"{name}{suffix} {value:.15g}"
