"""What a run tells while it goes on: stable event names, and the one place that emits them.

The rules of this file:

* A name is used once it stands in ``EVENTS``; the table is what README.md documents, and a test
  compares the two. Names and keys are only ever added.
* Every event but the ``LIVE_ONLY`` ones is stored in the run before anybody is shown it.
* ``data`` is JSON-able: no infinity, no NaN, no array.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

from acquire.errors import StorageError
from acquire.runfile.records import Event

EVENTS: Mapping[str, str] = {
    "run_started": "run_id, title, steps, hands, estimated_seconds, estimated_bytes",
    "run_resumed": "run_id, break_seconds, stored_shots, decision",
    "finding": "level, subject, text: one line of the checks before a run",
    "instrument_identified": "role, resource, idn",
    "step_started": "step, steps, kind, text, seconds_left",
    "caution": "text: shown at the start and at every change that relays make",
    "gate_waiting": "condition, instruction, cautions: a hand is needed",
    "gate_confirmed": "condition, by, at: a person says that the condition is set",
    "condition_set": "condition, by, closed: channels that the relay unit reads back as closed",
    "continuity_measured": "condition, ohms (null = open), limit, passed",
    "range_tried": "quantity, vertical_range, peak, fill, clipped, attempt",
    "range_chosen": "quantity, vertical_range, fill, reason",
    "shot_started": "shot, role, condition, repeats, ranges, attempt",
    "record_taken": "shot, repeat, repeats, peaks, floor_margin_db, seconds_left (live only)",
    "record_retaken": "shot, repeat, reason",
    "shot_retaken": "shot, attempt, reason",
    "shot_stored": "shot, role, condition, ranges, peaks, remarks, faults, seconds",
    "shot_gone": "shot: it was stored, its file is not there any more, and it is taken again",
    "floor_skipped": "reason",
    "instrument_failed": "instrument, error, doing",
    "link_recovered": "instrument, attempt, changed: settings that are worded otherwise now",
    "level_suspect": "shot, against, quantity, db, text",
    "clock_jumped": "seconds: wall clock against the monotonic clock",
    "fixture_parked": "condition, verified: the state that a run leaves behind",
    "fixture_unknown": "error: the relay unit could not be brought to its parked state",
    "analysed": "verdict, remarks",
    "run_stored": "file, state",
    "run_interrupted": "reason, how_to_resume",
    "run_faulted": "error, how_to_resume",
}
"""Every event name, with the keys of its data."""

LIVE_ONLY = frozenset({"record_taken"})
"""Shown but not stored: the records themselves are stored, and a shot may have 100 000 of them."""

Listener = Callable[[Event], None]
"""Is given every event, in order. It must not raise: what it shows never decides a run."""


def plain(value: object) -> object:
    """Return ``value`` as JSON can hold it: numbers become int or float, a NaN or infinity null."""
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        items = sorted(value) if isinstance(value, set | frozenset) else value
        return [plain(item) for item in items]
    if isinstance(value, datetime):
        return value.isoformat(timespec="milliseconds")
    if isinstance(value, int):
        return int(value)
    number = float(value)  # type: ignore[arg-type]  # anything else is a mistake of ours: let it raise
    return number if math.isfinite(number) else None


@dataclass(slots=True)
class Emitter:
    """Stores an event, then shows it.

    Attributes
    ----------
    store : appends to the run's own log; None before there is one, and events wait in ``early``.
    show : the listener.
    utc : the clock. [UTC]
    tolerant : a disk that takes no event is no reason to stop (while a fixture is parked, say).
    """

    show: Listener = lambda _event: None
    store: Callable[[Event], None] | None = None
    utc: Callable[[], datetime] = lambda: datetime.now(UTC)
    early: list[Event] = field(default_factory=list)
    tolerant: bool = False

    def emit(self, name: str, **data: object) -> None:
        """Tell that something happened. A name that is not in ``EVENTS`` is a mistake of ours.

        Raises
        ------
        KeyError
            If ``name`` is not documented.
        """
        if name not in EVENTS:
            raise KeyError(f"event {name!r} is not in acquire.run.events.EVENTS")
        event = Event(name, self.utc(), {key: plain(value) for key, value in data.items()})
        if name not in LIVE_ONLY:
            self._keep(event)
        self.show(event)

    def _keep(self, event: Event) -> None:
        if self.store is None:
            self.early.append(event)
            return
        try:
            self.store(event)
        except StorageError:
            if not self.tolerant:
                raise

    def attach(self, store: Callable[[Event], None]) -> None:
        """Give the events a home, beginning with those that came before it."""
        for event in self.early:
            store(event)
        self.early.clear()
        self.store = store
