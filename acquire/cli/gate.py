"""The operator on a terminal: told what to set, with the cautions, and believed when it is typed.

The name of the condition has to be typed, not merely Enter: a key pressed by habit, or ahead of the
question, must not stand for a hand that did something.
"""

from __future__ import annotations

import getpass
import select
import sys
import termios
from collections.abc import Callable
from datetime import UTC, datetime
from typing import TYPE_CHECKING, TextIO

from acquire.cli import console
from acquire.errors import Interrupted

if TYPE_CHECKING:
    from acquire.run.fixture import Confirmation, GateRequest

_POLL = 0.2
"""How often a waiting gate looks whether the run was asked to stop. [s]"""


class TerminalGate:
    """Asks on the terminal and waits, for as long as it takes.

    Parameters
    ----------
    pause : called before each question, to take a progress bar away.
    stop_requested : ends the wait.
    keyboard : where the answer is typed; standard input by default.
    """

    def __init__(
        self,
        pause: Callable[[], None],
        stop_requested: Callable[[], bool],
        keyboard: TextIO | None = None,
    ) -> None:
        self._pause = pause
        self._stop_requested = stop_requested
        self._keyboard = keyboard or sys.stdin

    def __call__(self, request: GateRequest) -> Confirmation:
        """Ask for one condition.

        Raises
        ------
        Interrupted
            When a stop is requested, or the terminal goes away, before the answer.
        """
        from acquire.run.fixture import Confirmation

        self._pause()
        self._ask(request)
        _forget_what_was_typed_ahead(self._keyboard)
        while True:
            console.prompt(f"Type {request.condition} and press Enter when it stands: ")
            answer = self._line(request).strip()
            if answer == request.condition:
                return Confirmation(by=getpass.getuser(), at=datetime.now(UTC))
            if answer:
                console.note(f"'{answer}' is not {request.condition}: nothing is confirmed.")

    def _ask(self, request: GateRequest) -> None:
        console.note()
        console.caution(request.cautions)
        before = f" (now: {request.previous})" if request.previous else ""
        console.note(f"Hand {request.number} of {request.of}{before}. {request.instruction}")

    def _line(self, request: GateRequest) -> str:
        while not self._stop_requested():
            ready, _, _ = select.select([self._keyboard], [], [], _POLL)
            if not ready:
                continue
            line = self._keyboard.readline()
            if not line:
                raise Interrupted(
                    f"the terminal went away before the condition {request.condition} was confirmed"
                )
            return line
        raise Interrupted(f"stopped before the condition {request.condition} was confirmed")


def _forget_what_was_typed_ahead(keyboard: TextIO) -> None:
    if keyboard.isatty():
        termios.tcflush(keyboard.fileno(), termios.TCIFLUSH)
