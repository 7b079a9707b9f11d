"""The operator's gate, on a real pseudo-terminal."""

import os
import pty
from contextlib import contextmanager
from pathlib import Path

import pytest

from acquire.cli.gate import TerminalGate
from acquire.errors import Interrupted
from acquire.run.fixture import GateRequest

REQUEST = GateRequest(
    number=2,
    of=5,
    condition="damped_choke",
    instruction="Set the condition damped_choke: the damped choke in the lead",
    cautions=("Treat the conductor as live.",),
    previous="bare",
)


@contextmanager
def terminal():
    """Yield (writing end, text file of the terminal)."""
    master, slave = pty.openpty()
    with os.fdopen(slave, "r") as keyboard:
        try:
            yield master, keyboard
        finally:
            os.close(master)


class Hand:
    """Types only after the question stands: the gate forgets what was typed ahead."""

    def __init__(self, master, *lines):
        self.master, self.lines, self.asked = master, list(lines), 0

    def __call__(self):
        self.asked += 1
        assert self.asked < 50, "the gate did not come to an end"
        if self.lines:
            os.write(self.master, self.lines.pop(0).encode())
        return False


def test_only_the_name_of_the_condition_confirms_it(capfd):
    with terminal() as (master, keyboard):
        paused = []
        hand = Hand(master, "\n", "yes\n", "bare\n", "damped_choke\n")

        answer = TerminalGate(lambda: paused.append(True), hand, keyboard)(REQUEST)

    shown = capfd.readouterr().err
    assert hand.lines == []
    assert answer.by
    assert answer.at.tzinfo is not None
    assert paused == [True]
    assert "CAUTION Treat the conductor as live." in shown
    assert "Hand 2 of 5 (now: bare). Set the condition damped_choke: the damped" in shown
    assert "'yes' is not damped_choke" in shown
    assert "'bare' is not damped_choke" in shown


def test_what_was_typed_before_the_question_confirms_nothing():
    with terminal() as (master, keyboard):
        os.write(master, b"damped_choke\n")
        stops = iter([False, True])

        with pytest.raises(Interrupted, match="stopped before the condition damped_choke"):
            TerminalGate(lambda: None, lambda: next(stops), keyboard)(REQUEST)


def test_a_terminal_that_goes_away_is_no_confirmation():
    with Path(os.devnull).open() as keyboard, pytest.raises(Interrupted, match="went away"):
        TerminalGate(lambda: None, lambda: False, keyboard)(REQUEST)
