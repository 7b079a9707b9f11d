"""The daemon: holds the state folder, gives every run a process, and lets no run hang it.

One loop, a few times a second: serve schedules, look after the workers, start what is due. Nothing
in the loop waits for an instrument, a client or a worker; what it does fits between two petted
watchdogs.
"""

from __future__ import annotations

import contextlib
import logging
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from acquire.daemon import schedules
from acquire.daemon.folder import StateFolder
from acquire.daemon.notify import ServiceManager
from acquire.daemon.queue import Queue, Run
from acquire.daemon.schedule import ClockWatch
from acquire.errors import ExitCode

_LOG = logging.getLogger(__name__)

TICK = 0.2
"""Between two rounds of the loop. [s]"""

PATIENCE = 2.0
"""How long the loop waits for another process's change of the queue file. [s]"""

START_ALLOWANCE = 60.0
"""On top of the stall limit, until a worker has told that it started. [s]"""

GRACE = 5.0
"""Between SIGTERM and SIGKILL to a worker that does not end. [s]"""


@dataclass(slots=True)
class Worker:
    """A child process and what is known of its progress.

    Attributes
    ----------
    heard : when it last told something. [monotonic s]
    event : number of the last event read of it.
    stall_limit : silence that is taken for a hang. [s]
    kill_at : when SIGKILL follows an ignored SIGTERM; None = none was sent. [monotonic s]
    why : why it was told to end.
    stalled : whether it was for its silence.
    """

    process: subprocess.Popen[bytes]
    heard: float
    stall_limit: float
    event: int = 0
    kill_at: float | None = None
    why: str = ""
    stalled: bool = False


@dataclass
class Service:
    """The loop of one state folder, whose lock the caller holds."""

    folder: StateFolder
    manager: ServiceManager = field(default_factory=ServiceManager)
    address: str = ""
    monotonic: Callable[[], float] = time.monotonic
    _workers: dict[int, Worker] = field(default_factory=dict, init=False)
    _stopping: threading.Event = field(default_factory=threading.Event, init=False)

    def stop(self) -> None:
        """Ask the loop to end by the configured policy; safe from a signal handler."""
        self._stopping.set()

    def run(self) -> None:
        """Serve until asked to stop, then drain or park; returns when every worker has ended."""
        queue = self.folder.queue(patience=PATIENCE)
        try:
            self._recover(queue)
            queue.tell("daemon_started", pid=os.getpid(), address=self.address)
            self.manager.ready(f"serving {self.folder.root}")
            watch = ClockWatch(queue.clock(), self.monotonic())
            while not self._stopping.wait(TICK):
                self._round(queue, watch)
            self._wind_down(queue)
            queue.tell("daemon_stopped", pid=os.getpid())
        finally:
            for worker in self._workers.values():
                _end(worker.process, signal.SIGKILL)
            queue.close()

    # -- one round -------------------------------------------------------------------------------
    def _round(self, queue: Queue, watch: ClockWatch) -> None:
        """Do what is due.

        A worker that hangs inside a change of the queue file locks it: the round is then given up,
        and the worker's silence ends it, which needs no write.
        """
        self.manager.alive()
        self._end_the_silent(queue)
        try:
            self._serve(queue, watch)
        except sqlite3.OperationalError as why:
            _LOG.warning("queue file: %s; trying again", why)

    def _serve(self, queue: Queue, watch: ClockWatch) -> None:
        queue.beat(self.address)
        step = watch.step(queue.clock(), self.monotonic())
        if step:
            schedules.clock_stepped(queue, step)
        schedules.fire(queue)
        self._look_after(queue)
        self._adopt(queue)
        while (run := queue.claim(self.folder.bench_names())) is not None:
            self._start(run.id)

    def _start(self, number: int) -> None:
        process = subprocess.Popen(  # noqa: S603 - our own module, with a path and a number
            [sys.executable, "-m", "acquire.daemon.worker", str(self.folder.root), str(number)],
            stdin=subprocess.DEVNULL,
            cwd=self.folder.root,
            start_new_session=True,  # a Ctrl-C meant for the daemon is passed on by policy only
        )
        allowance = self.folder.config.stall_limit + START_ALLOWANCE
        self._workers[number] = Worker(process, self.monotonic(), allowance)

    def _end_the_silent(self, queue: Queue) -> None:
        """Read what the workers told, end those that told nothing for too long. Writes nothing."""
        for number, worker in self._workers.items():
            self._hear(queue, number, worker)
            if self._silent(queue, number, worker):
                worker.stalled = True
                self._tell_to_end(worker, f"it told nothing for {worker.stall_limit:g} s")
            if worker.kill_at is not None and self.monotonic() > worker.kill_at:
                _end(worker.process, signal.SIGKILL)

    def _look_after(self, queue: Queue) -> None:
        for number, worker in list(self._workers.items()):
            if queue.run(number).cancel_requested:
                self._tell_to_end(worker, "cancelled")
            if worker.process.poll() is not None:
                self._bury(queue, number, worker)
                del self._workers[number]

    def _hear(self, queue: Queue, number: int, worker: Worker) -> None:
        for event in queue.events(worker.event, run=number):
            worker.event, worker.heard = event.id, self.monotonic()
            if event.name == "worker_started":
                worker.stall_limit = float(str(event.data["stall_limit"]))

    def _silent(self, queue: Queue, number: int, worker: Worker) -> bool:
        if worker.kill_at is not None or queue.gate(number) is not None:
            return False  # it is ending already, or waits for a hand and ends that wait itself
        return self.monotonic() - worker.heard > worker.stall_limit

    def _tell_to_end(self, worker: Worker, why: str) -> None:
        if worker.kill_at is None:
            worker.why = why
            worker.kill_at = self.monotonic() + GRACE
            _end(worker.process, signal.SIGTERM)

    def _bury(self, queue: Queue, number: int, worker: Worker) -> None:
        """Settle a run whose process ended without settling it."""
        if worker.stalled:
            queue.tell("worker_stalled", number, seconds=worker.stall_limit)
        run = queue.run(number)
        if run.state != "running":
            return
        code = worker.process.returncode
        how = f"its process ended with {code}; the daemon's own output holds its last words"
        if code < 0:
            how = f"its process ended by signal {-code}"
        self._after_death(queue, run, f"{how} ({worker.why})" if worker.why else how)

    def _after_death(self, queue: Queue, run: Run, how: str) -> None:
        if run.cancel_requested:
            queue.cancelled(run.id, "request")
        elif run.attempts < self.folder.config.attempts:
            queue.give_back(run.id, how)
        else:
            reason = f"{how}; given up after {run.attempts} attempts"
            queue.finish(run.id, ExitCode.FAULT, path=None, document=None, reason=reason)

    # -- runs of an earlier daemon -----------------------------------------------------------------
    def _adopt(self, queue: Queue) -> None:
        """Settle running runs that are not children of ours, once their process is gone."""
        for run in queue.runs(["running"]):
            if run.id in self._workers:
                continue
            lock = self.folder.hold_run(run.id)
            if lock is None:
                if run.cancel_requested and run.worker_pid:
                    with contextlib.suppress(ProcessLookupError, PermissionError):
                        os.kill(run.worker_pid, signal.SIGTERM)
                continue
            lock.release()
            self._after_death(queue, run, "its process died with an earlier daemon")

    def _recover(self, queue: Queue) -> None:
        """Take over what an earlier daemon left, by policy."""
        resume = self.folder.config.on_start == "resume"
        for run in queue.runs(["running"]):
            lock = self.folder.hold_run(run.id)
            if lock is None:
                continue  # its process lives on; _adopt looks after it
            lock.release()
            if resume:
                self._after_death(queue, run, "its process died with an earlier daemon")
            else:
                queue.park(run.id, "its process died with an earlier daemon")
        if resume:
            for run in queue.runs(["parked"]):
                if run.reason.startswith("set aside: "):
                    queue.unpark(run.id, "the daemon is back")

    # -- the end -----------------------------------------------------------------------------------
    def _wind_down(self, queue: Queue) -> None:
        drain = self.folder.config.on_stop == "drain"
        self.manager.stopping("letting runs end" if drain else "setting runs aside")
        while self._workers:
            if not drain:
                for worker in self._workers.values():
                    self._tell_to_end(worker, "the daemon stops")
            self._end_the_silent(queue)
            with contextlib.suppress(sqlite3.OperationalError):  # locked by a worker that hangs
                self._look_after(queue)
                queue.beat(self.address)
            self.manager.alive()
            time.sleep(TICK)  # nothing wakes us: children and the queue file are only polled


def _end(process: subprocess.Popen[bytes], number: signal.Signals) -> None:
    """Send a signal to a child that may just have ended."""
    with contextlib.suppress(ProcessLookupError):
        process.send_signal(number)
