"""One run in a process of its own: whatever hangs or crashes here takes nothing else with it.

Started by the service as ``python -m acquire.daemon.worker STATE RUN``. It talks to the service
through the queue file only. SIGTERM sets the run aside (or cancels it, where that was asked for).

What becomes of the run is decided here, from how it ended:

* all shots taken: ``finished`` with the exit code of its verdict;
* bad input or a refusal: ``finished`` with exit code 2;
* instruments in use by a run outside this daemon: back into the queue, for a while later;
* an instrument fault: ``parked``, resumable after a person has looked at it;
* nobody came to a gate, or the daemon stops: ``parked``.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from acquire.bench import load_bench
from acquire.daemon.folder import HeldLock, StateFolder
from acquire.daemon.queue import Queue, Run
from acquire.errors import (
    BusyError,
    ExitCode,
    FloorshotError,
    Interrupted,
)
from acquire.recipe import parse_recipe
from acquire.run import runner
from acquire.run.fixture import Confirmation, GateRequest
from acquire.run.resume import resume
from acquire.run.stop import StopFlag, signals_stop
from acquire.runfile.records import Event

LIVE_INTERVAL = 0.25
"""At most one live event in this time: a shot may have 100 000 records. [s]"""

POLL = 0.25
"""How often a gate looks whether it was confirmed. [s]"""

LOCK_PATIENCE = 10.0
"""How long a worker waits for an earlier process of its run to end. [s]"""

BUSY_PAUSE = 30.0
"""How long a run waits in the queue whose instruments were in use. [s]"""


@dataclass(slots=True)
class Reporter:
    """Writes a run's events into the queue file, live ones at a bounded rate."""

    queue: Queue
    number: int
    monotonic: Callable[[], float] = time.monotonic
    _last_live: float = field(default=-1e9, init=False)

    def __call__(self, event: Event) -> None:
        """Store one event."""
        if event.name == "record_taken":
            now = self.monotonic()
            last_of_shot = event.data.get("repeat") == event.data.get("repeats")
            if now - self._last_live < LIVE_INTERVAL and not last_of_shot:
                return
            self._last_live = now
        self.queue.tell(event.name, self.number, **event.data)


@dataclass(slots=True)
class QueueGate:
    """A gate that a person confirms through the queue file.

    Attributes
    ----------
    timeout : how long it waits before the run is set aside. [s]
    timed_out : whether it did.
    """

    queue: Queue
    number: int
    timeout: float
    stop: StopFlag
    timed_out: bool = False

    def __call__(self, request: GateRequest) -> Confirmation:
        """Wait for a person.

        Raises
        ------
        Interrupted
            If nobody came in time, or the run was asked to stop.
        """
        gate = self.queue.open_gate(
            self.number, request.condition, request.instruction, request.cautions
        )
        end = time.monotonic() + self.timeout
        while gate.confirmed_at is None:
            if self.stop.wait(POLL):
                raise Interrupted(f"stopped at the gate {request.condition}: {self.stop.reason}")
            if time.monotonic() > end:
                self.timed_out = True
                raise Interrupted(
                    f"nobody set the condition {request.condition} within {self.timeout:g} s"
                )
            standing = self.queue.gate(self.number)
            if standing is None or standing.id != gate.id:
                raise Interrupted(f"the gate {request.condition} was closed by someone else")
            gate = standing
        self.queue.close_gate(self.number)
        return Confirmation(
            gate.confirmed_by or "unknown", datetime.fromtimestamp(gate.confirmed_at, UTC)
        )


def carry_out(folder: StateFolder, number: int) -> int:
    """Carry a claimed run out, to whatever end; return the exit code of the process."""
    lock = _hold(folder, number)
    if lock is None:
        return ExitCode.BAD_INPUT
    queue = folder.queue()
    try:
        if not queue.take(number, os.getpid()):
            return ExitCode.BAD_INPUT
        return _carry_out(folder, queue, queue.run(number))
    finally:
        queue.close()
        lock.release()


def _hold(folder: StateFolder, number: int) -> HeldLock | None:
    """Take the run's lock; an earlier process of the same run may be just about to end."""
    end = time.monotonic() + LOCK_PATIENCE
    while (lock := folder.hold_run(number)) is None and time.monotonic() < end:
        time.sleep(POLL)  # an flock cannot be waited for with a deadline
    return lock


def _carry_out(folder: StateFolder, queue: Queue, run: Run) -> int:
    stop = StopFlag()
    gate = QueueGate(queue, run.id, folder.config.gate_timeout, stop)
    try:
        with signals_stop(stop):
            outcome = _measure(folder, queue, run, gate, stop)
    except BusyError as why:
        queue.postpone(run.id, BUSY_PAUSE, str(why))
        return ExitCode.BAD_INPUT
    except FloorshotError as why:
        outcome = runner.RunOutcome(why.exit_code, "partial", reason=str(why))
    return _settle(queue, run.id, outcome, gate, stop)


def _measure(
    folder: StateFolder, queue: Queue, run: Run, gate: QueueGate, stop: StopFlag
) -> runner.RunOutcome:
    """Begin the run, or go on from the shots, or the run file, that an earlier process stored."""
    recipe = parse_recipe(run.recipe_text, run.recipe_name)
    bench = load_bench(folder.bench(run.bench))
    stall = folder.config.stall_limit + recipe.recipe.acquisition.trigger.timeout
    queue.tell("worker_started", run.id, pid=os.getpid(), stall_limit=stall)
    tell = Reporter(queue, run.id)
    spool = None if run.spool is None else Path(run.spool)
    if spool is not None and (spool.is_dir() or spool.with_suffix(".h5").is_file()):
        return resume(spool, bench=bench, gate=gate, on_event=tell, stop=stop)
    return runner.run(
        recipe,
        bench,
        folder.runs,
        gate=gate,
        on_event=tell,
        stop=stop,
        on_spool=lambda path: queue.set_spool(run.id, path),
    )


def _settle(
    queue: Queue, number: int, outcome: runner.RunOutcome, gate: QueueGate, stop: StopFlag
) -> int:
    """Write down how the run ended."""
    code = int(outcome.exit_code)
    if code == ExitCode.INTERRUPTED:
        if queue.run(number).cancel_requested:
            queue.cancelled(number, "request")
        elif gate.timed_out:
            queue.park(number, f"nobody came to the gate within {gate.timeout:g} s")
        else:
            queue.park(number, f"set aside: {stop.reason or outcome.reason}")
    elif code == ExitCode.FAULT:
        queue.park(number, f"instrument fault: {outcome.reason}")
    else:
        queue.finish(
            number, code, path=outcome.path, document=outcome.document_json, reason=outcome.reason
        )
    return code


def main() -> None:
    """Entry of the worker process."""
    state, number = sys.argv[1:3]
    sys.exit(carry_out(StateFolder(Path(state)), int(number)))


if __name__ == "__main__":
    main()
