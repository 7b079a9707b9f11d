"""What ``floorshot watch`` shows: the lines of a run, and where it stands, live on a terminal."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from acquire.cli import console
from acquire.cli.numbers import engineering
from acquire.cli.progress import Reporter
from acquire.runfile.records import Event

if TYPE_CHECKING:
    from rich.live import Live

    from acquire.daemon.store import StoredEvent

Data = Mapping[str, Any]


class Watcher:
    """Shows one run of the daemon; use it as a context, and give it each event.

    Lines worth keeping are printed as by ``floorshot run``. Below them, on a terminal: the step,
    the shot with its ranges, the last peaks, the margin above the floor and the time left. Without
    a terminal, one line says each step.
    """

    def __init__(self, number: int, *, animated: bool | None = None) -> None:
        self._number = number
        self._console = console.rich_console()
        wanted = self._console.is_terminal if animated is None else animated
        self._lines = Reporter(animated=False, on=self._console)
        self._live: Live | None = self._new_live() if wanted else None
        self._step: Data = {}
        self._ranges: Mapping[str, float] = {}
        self._record: Data = {}

    def _new_live(self) -> Live:
        from rich.live import Live

        return Live(console=self._console, transient=True, auto_refresh=False)

    def __enter__(self) -> Self:
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._live is not None:
            self._live.stop()

    def __call__(self, event: StoredEvent) -> None:
        """Show one event."""
        data = event.data
        if self._live is not None or event.name != "step_started":  # else said below
            self._lines(Event(event.name, datetime.fromtimestamp(event.at, UTC), data))
        match event.name:
            case "step_started":
                self._step, self._record = data, {}
                if self._live is None:
                    self._say(step_words(data))
            case "shot_started":
                self._ranges, self._record = dict(_mapping(data.get("ranges"))), {}
            case "record_taken":
                self._record = data
            case "gate_opened":
                command = f"'floorshot confirm {self._number}'"
                self._say(f"waits for a hand: set {data['condition']}, then {command}")
        if self._live is not None:
            self._live.update(self._standing(), refresh=True)

    def _say(self, text: str) -> None:
        self._console.print(text, soft_wrap=True)

    def _standing(self) -> str:
        lines = [step_words(self._step)] if self._step else []
        if self._record:
            lines += live_lines(self._record, self._ranges)
        return "\n".join(lines)


def step_words(step: Data) -> str:
    """Return a ``step_started`` event as a line."""
    return f"step {step['step']} of {step['steps']}: {step['text']}"


def live_lines(record: Data, ranges: Mapping[str, float]) -> list[str]:
    """Return where a shot stands: its record and the time left, then a line a quantity.

    Parameters
    ----------
    record : data of a ``record_taken`` event.
    ranges : of the shot, by quantity. [V]
    """
    first = f"{record['shot']}: record {record['repeat']} of {record['repeats']}"
    if record.get("seconds_left") is not None:
        first += f"; about {span(record['seconds_left'])} left"
    lines, margins = [first], _mapping(record.get("floor_margin_db"))
    for quantity, peak in _mapping(record.get("peaks")).items():
        text = f"{quantity}: peak {engineering(peak, 'V')}"
        if quantity in ranges:
            text += f", range {engineering(ranges[quantity], 'V')}"
        if margins.get(quantity) is not None:
            text += f", {margins[quantity]:.1f} dB above the floor"
        lines.append(text)
    return lines


def span(seconds: float) -> str:
    """Return a span of time for people: ``45 s``, ``12 min``, ``3.5 h``."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


def _mapping(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}
