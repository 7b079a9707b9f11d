"""What ``run``, ``resume`` and ``demo`` share: carry it out, show it, say where it is."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING

from acquire.cli import console
from acquire.cli.gate import TerminalGate

if TYPE_CHECKING:
    from pathlib import Path

    from acquire.run.events import Listener
    from acquire.run.fixture import Gate
    from acquire.run.session import RunOutcome
    from acquire.run.stop import StopFlag

Work = Callable[["Listener", "Gate | None", "StopFlag"], "RunOutcome"]
"""Given what shows events, asks a person and stops: carry something out."""


def carry_out(work: Work) -> int:
    """Carry ``work`` out with everything that a person at a terminal needs; return the exit code.

    SIGINT and SIGTERM end it with what was taken kept; without a terminal there is no gate.
    """
    from acquire.cli.progress import Reporter
    from acquire.run.stop import StopFlag, signals_stop

    stop = StopFlag()
    signals: AbstractContextManager[None] = signals_stop(stop)
    with Reporter() as reporter, signals:
        gate = TerminalGate(reporter.pause, stop) if console.is_attended() else None
        outcome = work(reporter, gate, stop)
    show(outcome)
    return int(outcome.exit_code)


def show(outcome: RunOutcome) -> None:
    """Show how a run ended."""
    if outcome.document is not None:
        console.show_result(outcome.document, equipment=equipment_in(outcome.path))
    if outcome.path is not None:
        console.say(f"\nRun file: {outcome.path}")
        console.say(f"Again:    floorshot show {shlex.quote(str(outcome.path))}")
    if outcome.reason:
        console.complain(outcome.reason)


def equipment_in(path: Path | None) -> list[tuple[str, str]]:
    """Return what was measured with, from the run file; its damage must not hide the result."""
    from acquire.cli.equipment import equipment_of
    from acquire.errors import FloorshotError
    from acquire.runfile import RunFile

    if path is None:
        return []
    try:
        with RunFile.open(path, trusted=True) as run:
            return equipment_of(run)
    except FloorshotError as error:
        console.complain(f"{error}; 'floorshot verify {path}' says what is damaged")
        return []
