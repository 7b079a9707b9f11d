"""How a run is asked to stop, and how it is made to.

The first SIGINT or SIGTERM raises a flag, which the runner asks between records, between polls and
at gates. Where it is inside a transfer that does not return, an alarm ends that transfer after
``GRACE`` seconds by an exception; a part of a shot is never stored, so nothing is lost by it. A
second signal ends the process at once: what is durable on disk is all that is kept, and it is all
that matters.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from acquire.errors import ExitCode

GRACE = 1.0
"""After the first signal, time for the flag to be seen. The whole has to end within 2 s. [s]"""

AGAIN = 0.6
"""Between further alarms, so that a second hung call (a dead relay unit) ends too. [s]"""


class StopNow(BaseException):
    """Ends a call that does not return. Not an Exception: no driver may take it for a fault."""


class StopFlag:
    """Whether, and why, the run was asked to stop. Safe to raise from any thread."""

    def __init__(self) -> None:
        self._event = threading.Event()
        self._shields = 0
        self.reason = ""

    def __call__(self) -> bool:
        """Return whether a stop was requested; drivers poll this."""
        return self._event.is_set()

    def request(self, reason: str) -> None:
        """Ask the run to stop; the first reason stands."""
        if not self._event.is_set():
            self.reason = reason
            self._event.set()

    def wait(self, seconds: float) -> bool:
        """Sleep, at most ``seconds``; return at once with True when a stop is requested."""
        return self._event.wait(seconds)

    @contextmanager
    def shielded(self) -> Iterator[None]:
        """Hold the alarm back: what is done here (a commit to disk) is short and must be whole."""
        self._shields += 1
        try:
            yield
        finally:
            self._shields -= 1

    def alarm(self) -> None:
        """Raise ``StopNow``, unless shielded: then come back in a moment."""
        if self._shields:
            signal.setitimer(signal.ITIMER_REAL, 0.02, AGAIN)
            return
        raise StopNow


@contextmanager
def signals_stop(stop: StopFlag, *, grace: float = GRACE) -> Iterator[None]:
    """Let SIGINT and SIGTERM raise ``stop``; call it in the main thread, around a whole run."""

    def on_alarm(_number: int, _frame: FrameType | None) -> None:
        stop.alarm()

    def on_signal(number: int, _frame: FrameType | None) -> None:
        name = signal.Signals(number).name
        if stop():
            os._exit(ExitCode.INTERRUPTED)
        stop.request(f"{name} at {time.strftime('%H:%M:%S')}")
        signal.setitimer(signal.ITIMER_REAL, grace, AGAIN)

    before = {
        number: signal.signal(number, on_signal) for number in (signal.SIGINT, signal.SIGTERM)
    }
    before[signal.SIGALRM] = signal.signal(signal.SIGALRM, on_alarm)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        for number, handler in before.items():
            signal.signal(number, handler)
