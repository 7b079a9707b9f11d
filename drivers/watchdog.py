"""A deadline for calls that may never return.

Some VISA sessions hang whatever time-out they were given (drivers/README.md lists when). `Watchdog`
runs calls one after another in a thread of its own; a call that overruns its deadline is
abandoned together with that thread, and its late result is handed to whoever must dispose of it.

The thread is a daemon: an abandoned call never keeps the program from ending.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from typing import Any, TypeVar

T = TypeVar("T")


class OverdueError(Exception):
    """The call did not return before its deadline; the watchdog that ran it is spent."""


def _nothing(_result: Any) -> None:
    """Dispose of a late result, or failure, that needs no disposal."""


class Watchdog:
    """Runs calls in one thread, in order, each with a deadline; for one owner thread."""

    def __init__(self, name: str) -> None:
        self._jobs: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()
        self._spent = False
        self._until = 0.0
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)
        self._thread.start()

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            job()

    def call(
        self,
        function: Callable[[], T],
        timeout: float,
        discard: Callable[[T], None] = _nothing,
        discard_failure: Callable[[BaseException], None] = _nothing,
    ) -> T:
        """Return what ``function`` returns, or raise what it raises, within ``timeout`` [s].

        Raises
        ------
        OverdueError
            If it does not return in time. ``discard`` is then called with a late result, or
            ``discard_failure`` with a late failure, in the abandoned thread.
        """
        if self._spent:
            raise OverdueError("an earlier call never returned")
        answers: queue.SimpleQueue[tuple[T | None, BaseException | None]] = queue.SimpleQueue()
        lock = threading.Lock()
        abandoned = False

        def job() -> None:
            result: T | None = None
            failure: BaseException | None = None
            try:
                result = function()
            except BaseException as error:  # noqa: BLE001 - handed over to the calling thread
                failure = error
            with lock:
                if not abandoned:
                    answers.put((result, failure))
                    return
            if failure is not None:
                discard_failure(failure)
            else:
                discard(result)  # type: ignore[arg-type] # function returned it, so it is a T

        self._until = time.monotonic() + timeout
        self._jobs.put(job)
        if not self._came(answers):
            with lock:
                abandoned = answers.empty()
            if abandoned:
                self._spent = True
                self._jobs.put(None)
                raise OverdueError
        result, failure = answers.get()
        if failure is not None:
            raise failure
        return result  # type: ignore[return-value] # no failure, so function returned a T

    def _came(self, answers: queue.SimpleQueue[tuple[T | None, BaseException | None]]) -> bool:
        """Wait for an answer until the deadline, which may move while we wait."""
        while (remaining := self._until - time.monotonic()) > 0:
            try:
                answers.put(answers.get(timeout=remaining))
            except queue.Empty:
                continue
            return True
        return False

    def prolong(self, timeout: float) -> None:
        """Let the call that runs end ``timeout`` from now instead; for the function itself. [s]"""
        self._until = time.monotonic() + timeout

    @property
    def thread_id(self) -> int | None:
        """The identifier of the thread, as ``sys._current_frames`` knows it."""
        return self._thread.ident

    def stop(self) -> None:
        """Let the thread end after what it is doing now."""
        self._spent = True
        self._jobs.put(None)
