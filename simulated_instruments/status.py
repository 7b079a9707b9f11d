"""Status reporting of a simulated instrument: the error queue and the IEEE 488.2 registers.

Sources: SCPI-99 volume 2 chapter 21.8 for numbers and texts; IEEE 488.2 chapter 11 for the
registers (both as collected in the project's check values).
"""

from __future__ import annotations

from collections import deque

ERROR_TEXTS = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -128: "Numeric data not allowed",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -148: "Character data not allowed",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -168: "Block data not allowed",
    -171: "Invalid expression",
    -178: "Expression data not allowed",
    -200: "Execution error",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -240: "Hardware error",
    -300: "Device-specific error",
    -310: "System error",
    -350: "Queue overflow",
    -360: "Communication error",
    -363: "Input buffer overrun",
    -400: "Query error",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
}

OPERATION_COMPLETE = 1
QUERY_ERROR = 4
DEVICE_ERROR = 8
EXECUTION_ERROR = 16
COMMAND_ERROR = 32
POWER_ON = 128


class ScpiError(Exception):
    """Something a program message did wrong; it ends in the error queue, never in a traceback."""

    def __init__(self, code: int, detail: str = "") -> None:
        super().__init__(code, detail)
        self.code = code
        self.detail = detail


def event_bit(code: int) -> int:
    """Return the standard-event-status bit that an error number sets (SCPI-99 21.8)."""
    if -199 <= code <= -100:
        return COMMAND_ERROR
    if -299 <= code <= -200:
        return EXECUTION_ERROR
    if -499 <= code <= -400:
        return QUERY_ERROR
    return DEVICE_ERROR


class Status:
    """The error queue and the registers of one instrument.

    Parameters
    ----------
    capacity : entries that the queue holds; the newest is replaced by -350 when it overflows.
    texts : texts of device-specific numbers beside the standard ones.
    """

    def __init__(self, capacity: int = 20, texts: dict[int, str] | None = None) -> None:
        self._capacity = capacity
        self._texts = ERROR_TEXTS | (texts or {})
        self._queue: deque[tuple[int, str]] = deque()
        self.event_status = POWER_ON
        self.event_enable = 0
        self.service_enable = 0

    def __len__(self) -> int:
        return len(self._queue)

    def push(self, code: int, detail: str = "") -> None:
        """Add one error and set its bit of the standard event register."""
        self.event_status |= event_bit(code)
        text = self._texts.get(code, "Device-specific error")
        if len(self._queue) >= self._capacity:
            self._queue[-1] = (-350, ERROR_TEXTS[-350])
            self.event_status |= DEVICE_ERROR
            return
        self._queue.append((code, f"{text};{detail}" if detail else text))

    def pop(self) -> tuple[int, str]:
        """Remove and return the oldest error, or (0, "No error")."""
        return self._queue.popleft() if self._queue else (0, ERROR_TEXTS[0])

    def entries(self) -> tuple[tuple[int, str], ...]:
        """Return the queue without removing anything, oldest first."""
        return tuple(self._queue)

    def clear(self) -> None:
        """Do what ``*CLS`` does."""
        self._queue.clear()
        self.event_status = 0

    def read_event_status(self) -> int:
        """Return the standard event register and clear it, as ``*ESR?`` does."""
        value, self.event_status = self.event_status, 0
        return value

    def status_byte(self, message_available: bool) -> int:
        """Return the status byte: bit 2 error queue, 4 MAV, 5 ESB, 6 MSS."""
        byte = 4 if self._queue else 0
        byte |= 16 if message_available else 0
        byte |= 32 if self.event_status & self.event_enable else 0
        return byte | (64 if byte & self.service_enable & ~64 else 0)
