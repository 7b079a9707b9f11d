"""Faults on demand: named, counted, the same on every transport.

Each fault has a kind of opportunity (a connection, a message, a reply, a block, an arming).
Every time such an opportunity comes, `Faults.take` is asked; a fault lets ``after`` of them pass
and then strikes ``count`` times. What struck is kept in `Faults.struck`, so that a test can
tell.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from simulated_instruments.scpi import Block, Buffer, Response

FAULTS = {
    "no_trigger": "arming: the trigger never comes",
    "late_trigger": "arming: the trigger comes `seconds` (0.3) later",
    "stall_mid_block": "block: half of it, then silence for `seconds` (30), then the rest",
    "close_mid_block": "block: half of it, then the link is closed (`reset`: by RST)",
    "short_block": "block: the header promises more than comes",
    "wrong_length_header": "block: the header's length is wrong by `by` (-16) bytes",
    "garbage": "block: random bytes in the place of the whole reply",
    "garbage_reply": "reply without a block: random bytes in its place",
    "error_queue_entries": "message: `entries` [(-310, ...)] appear in the error queue",
    "wrong_identity_after_reconnect": "connection: another serial number answers",
    "settings_do_not_stick": "message that gives a setting a value: nothing is set",
    "reboot": "message: the link closes, settings are lost, nothing listens for `seconds` (0.3)",
    "slow_link": "reply: sent at `rate` (100 kB/s) bytes per second",
    "busy_second_client": "connection: refused with a text, as if another client were connected",
    "relay_stuck_open": "a relay that is told to close does not, though it says so",
    "relay_stuck_closed": "a relay that is told to open does not, though it says so",
}


@dataclass
class Fault:
    """One injected fault. ``after`` and ``count`` go down as opportunities come."""

    name: str
    instrument: str
    after: int
    count: int
    parameters: dict[str, object] = field(default_factory=dict)

    def number(self, key: str, default: float) -> float:
        """Return a numeric parameter."""
        value = self.parameters.get(key, default)
        if not isinstance(value, (int, float)):
            raise TypeError(f"fault {self.name}: {key} must be a number, found {value!r}")
        return float(value)


class Faults:
    """The faults of one bench. Thread-safe."""

    def __init__(self, seed: int = 0) -> None:
        self._lock = threading.Lock()
        self._waiting: list[Fault] = []
        self.struck: list[tuple[str, str]] = []
        self.random = np.random.default_rng((seed, 991))

    def inject(
        self,
        name: str,
        instrument: str = "scope",
        after: int = 0,
        count: int = 1,
        **parameters: object,
    ) -> None:
        """Let a fault strike ``count`` times after ``after`` opportunities have passed.

        Raises
        ------
        ValueError
            If there is no fault of that name.
        """
        if name not in FAULTS:
            raise ValueError(f"no fault is called {name!r}; there are: {', '.join(FAULTS)}")
        with self._lock:
            self._waiting.append(Fault(name, instrument, after, count, parameters))

    def clear(self) -> None:
        """Take every fault back that has not struck yet."""
        with self._lock:
            self._waiting.clear()

    def take(self, name: str, instrument: str) -> Fault | None:
        """Count one opportunity; return the fault if it strikes now."""
        with self._lock:
            strikes = None
            for fault in self._waiting:
                if (fault.name, fault.instrument) != (name, instrument):
                    continue
                if fault.after > 0:
                    fault.after -= 1
                elif strikes is None:
                    fault.count -= 1
                    strikes = fault
            self._waiting = [f for f in self._waiting if f.count > 0]
            if strikes is not None:
                self.struck.append((name, instrument))
            return strikes


@dataclass(frozen=True, slots=True)
class Stall:
    """Send nothing for a while. [s]"""

    seconds: float


@dataclass(frozen=True, slots=True)
class Close:
    """Close the link, by RST or by FIN."""

    reset: bool = False


Step = Buffer | Stall | Close


def outgoing(response: Response, faults: Faults, instrument: str) -> Iterator[Step]:
    """Yield what a transport has to do to send a response, faults included."""
    steps: Iterator[Step] = _blocks(response, faults, instrument)
    slow = faults.take("slow_link", instrument)
    return _paced(steps, slow.number("rate", 100e3)) if slow else steps


def _blocks(response: Response, faults: Faults, instrument: str) -> Iterator[Step]:
    block = response.block
    if faults.take("garbage" if block else "garbage_reply", instrument):
        yield _noise(faults, block.length if block else 16)
        yield response.terminator
        return
    if block is None:
        yield from response
        return
    steps = _damaged(response, block, faults, instrument)
    yield from steps


def _damaged(response: Response, block: Block, faults: Faults, instrument: str) -> Iterator[Step]:
    """Yield a response that holds a block, with the block faults that strike now."""
    wrong = faults.take("wrong_length_header", instrument)
    if wrong:
        told = Block(
            max(0, block.length + int(wrong.number("by", -16))), (), block.digits, block.prefix
        )
        yield told.header()
        yield from block.pieces
        yield response.terminator
        return
    half = block.length // 2
    short = faults.take("short_block", instrument)
    if short:
        yield block.header()
        yield from _first(block, half)
        yield response.terminator
        return
    stall = faults.take("stall_mid_block", instrument)
    close = faults.take("close_mid_block", instrument)
    if not (stall or close):
        yield from response
        return
    pause = Close(bool(close.parameters.get("reset"))) if close else None
    if stall and pause is None:
        yield from _interrupted(response, half, Stall(stall.number("seconds", 30.0)))
    elif pause is not None:
        yield from _interrupted(response, half, pause)


def _first(block: Block, count: int) -> Iterator[Buffer]:
    """Yield the first ``count`` bytes of a block's payload."""
    for piece in block.pieces:
        view = memoryview(piece).cast("B")[:count]
        yield view
        count -= len(view)
        if count <= 0:
            return


def _interrupted(response: Response, place: int, step: Step) -> Iterator[Step]:
    """Yield a response with one step put in after ``place`` bytes."""
    sent = 0
    for buffer in response:
        view = memoryview(buffer).cast("B")
        if sent <= place < sent + len(view):
            yield view[: place - sent]
            yield step
            yield view[place - sent :]
        else:
            yield view
        sent += len(view)


def _paced(steps: Iterator[Step], rate: float) -> Iterator[Step]:
    """Yield the same bytes in slices of 20 ms with pauses between them."""
    size = max(1, int(rate * 0.02))
    for step in steps:
        if isinstance(step, (Stall, Close)):
            yield step
            continue
        view = memoryview(step).cast("B")
        for start in range(0, len(view), size):
            piece = view[start : start + size]
            yield piece
            yield Stall(len(piece) / rate)


def _noise(faults: Faults, length: int) -> bytes:
    """Return random bytes that do not begin like a block."""
    return b"?" + faults.random.bytes(max(1, min(length, 1 << 20)) - 1)
