"""What a run tells while it goes on: one line for each thing worth keeping, a bar on a terminal.

``LINES`` has every event of ``acquire.run.events.EVENTS`` (a test compares the two): how it reads
as a line, or None where a line would only be noise. Nothing is animated unless standard error is a
terminal.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from acquire.cli import console
from acquire.cli.numbers import counted, engineering

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress, TaskID

    from acquire.runfile.records import Event

Data = Mapping[str, Any]
Line = Callable[[Data], str | None]

_FIRST_SENTENCE = re.compile(r"(?<=[.;])\s")


def _levels(values: Mapping[str, float] | None, unit: str = "V") -> str:
    return ", ".join(f"{name} {engineering(value, unit)}" for name, value in (values or {}).items())


def _shot_stored(data: Data) -> str:
    remarks = [*(data.get("remarks") or ()), *(data.get("faults") or ())]
    tail = f"; {'; '.join(map(str, remarks))}" if remarks else ""
    return (
        f"shot {data['shot']} stored: range {_levels(data.get('ranges'))}, "
        f"{data.get('seconds') or 0:.1f} s{tail}"
    )


def _continuity(data: Data) -> str:
    found = "open" if data["ohms"] is None else engineering(data["ohms"], "Ω")
    verdict = "ok" if data["passed"] else "FAILED"
    limit = engineering(data["limit"], "Ω")
    return f"continuity of {data['condition']}: {found} (limit {limit}): {verdict}"


def _range_chosen(data: Data) -> str:
    full_scale, fill = engineering(data["vertical_range"], "V"), data.get("fill")
    filled = "" if fill is None else f", {100 * fill:.0f} % filled"
    return f"range of {data['quantity']}: {full_scale} full scale{filled}"


def _finding(data: Data) -> str | None:
    """Only what is not as it should be; ``floorshot check`` shows all of it."""
    return None if data["level"] == "ok" else f"{data['level']}: {data['subject']}: {data['text']}"


def _started(data: Data) -> str:
    minutes = (data.get("estimated_seconds") or 0) / 60
    return f"run {data['run_id']}: {data['title']} ({data['steps']} steps, about {minutes:.1f} min)"


_LONG_STEPS = {
    "analyse": "computing the result (a minute or more where records are long)",
    "store": "verifying and storing the run file",
}
"""Steps that take long and tell nothing of their own."""


def _step(data: Data) -> str | None:
    return _LONG_STEPS.get(str(data.get("kind")))


def _recovered(data: Data) -> str:
    changed = data.get("changed")
    settings = f"worded otherwise now: {changed}" if changed else "settings proven again"
    return f"{data['instrument']}: link recovered at try {data['attempt']}; {settings}"


def _resumed(data: Data) -> str:
    gone = f"{data['break_seconds']:.0f} s" if data.get("break_seconds") is not None else "a break"
    shots = counted(data["stored_shots"], "shot")
    return f"run {data['run_id']} goes on after {gone}: {shots} kept; {data['decision']}"


LINES: Mapping[str, Line | None] = {
    "run_started": _started,
    "run_resumed": _resumed,
    "finding": _finding,
    "instrument_identified": lambda d: f"{d['role']}: {d['idn']} at {d['resource']}",
    "step_started": _step,
    "caution": None,  # shown as a caution, not as a line
    "gate_waiting": None,  # the gate itself asks
    "gate_confirmed": None,  # said with the condition that is set then
    "condition_set": lambda d: f"condition {d['condition']} set by {d['by']}",
    "continuity_measured": _continuity,
    "range_tried": None,
    "range_chosen": _range_chosen,
    "shot_started": None,
    "record_taken": None,
    "record_retaken": lambda d: f"record {d['repeat']} of {d['shot']} again: {d['reason']}",
    "shot_retaken": lambda d: f"shot again, try {d['attempt']}: {d['reason']}",
    "shot_stored": _shot_stored,
    "shot_gone": lambda d: f"shot {d['shot']} was stored, but its file is gone: it is taken again",
    "floor_skipped": lambda d: f"floor not taken: {d['reason']}",
    "instrument_failed": lambda d: f"{d['instrument']} failed at {d['doing']}: {d['error']}",
    "link_recovered": _recovered,
    "level_suspect": lambda d: f"level suspect: {d['text']}",
    "clock_jumped": lambda d: f"the clock of this computer jumped by {d['seconds']:+.1f} s",
    "fixture_parked": lambda d: f"fixture left in condition {d['condition']}",
    "fixture_unknown": lambda d: f"the fixture could not be parked: {d['error']}",
    "analysed": None,  # the table follows
    "run_stored": None,  # said with the table
    "run_interrupted": lambda d: f"interrupted: {d['reason']}",
    "run_faulted": lambda d: f"stopped by a fault: {d['error']}",
}
"""Every event, and how it reads as one line; None = no line."""


def line_of(event: Event) -> str | None:
    """Return the event as one line, or None where it has none."""
    line = LINES.get(event.name)
    return None if line is None else line(event.data)


class Reporter:
    """Shows the events of one run. Call it with each event; use it as a context.

    Parameters
    ----------
    animated : whether to draw a bar; by default only on a terminal.
    on : where to write; by default on standard error.
    """

    def __init__(self, *, animated: bool | None = None, on: Console | None = None) -> None:
        self._console = on or console.rich_console(to_stderr=True)
        wanted = self._console.is_terminal if animated is None else animated
        self._bar: Progress | None = _new_bar(self._console) if wanted else None
        self._task: TaskID | None = None
        self._cautioned: set[str] = set()

    def __enter__(self) -> Self:
        if self._bar is not None:
            self._task = self._bar.add_task("starting", total=None)
            self._bar.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.pause()

    def pause(self) -> None:
        """Take the bar away, so that a question can be asked; it returns with the next event."""
        if self._bar is not None:
            self._bar.stop()

    def __call__(self, event: Event) -> None:
        """Show one event."""
        if event.name == "caution":
            self._caution(str(event.data["text"]))
            return
        line = line_of(event)
        if line is not None:
            self._write(f"{event.at.astimezone():%H:%M:%S}  {line}")
        if self._bar is not None:
            self._move_bar(self._bar, event)

    def _caution(self, text: str) -> None:
        """Show a caution: whole the first time, by its first sentence at every further change."""
        if text in self._cautioned:
            text = f"(as above) {_FIRST_SENTENCE.split(text, maxsplit=1)[0]}"
        self._cautioned.add(text)
        self._write(f"CAUTION   {text}", style="bold yellow")

    def _write(self, text: str, style: str = "") -> None:
        self._console.print(text, style=style, soft_wrap=True)

    def _move_bar(self, bar: Progress, event: Event) -> None:
        assert self._task is not None
        data: Data = event.data
        if event.name == "step_started":
            bar.start()
            bar.update(
                self._task,
                completed=data["step"],
                total=data["steps"],
                description=str(data["text"]),
            )
        elif event.name == "record_taken":
            bar.update(
                self._task, description=f"{data['shot']}: record {data['repeat']}/{data['repeats']}"
            )


def _new_bar(on: Any) -> Progress:
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    return Progress(
        TextColumn("{task.description}"),
        BarColumn(bar_width=24),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=on,
        transient=True,
    )
