"""What can go wrong between us and an instrument, by whose fault it is.

    DriverError
    ├── RequestError        we asked for something this instrument cannot do
    ├── AnswerError         the instrument answered something its own rules forbid
    ├── LinkLostError       the connection is gone, or could not be made
    ├── TimedOutError       nothing (more) came before our own deadline
    └── ComplaintError      the instrument reports an error in its own error queue

No exception of pyvisa, of a socket or of a parser leaves this package: `drivers.link` and the
dialects translate each into one of these. ``instrument`` names the instrument in the user's terms
(role and resource), so that a message can stand alone.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class InstrumentError:
    """One entry of an instrument's error queue; ``code`` is None where a family has no numbers."""

    code: int | None
    text: str

    def __str__(self) -> str:
        return self.text if self.code is None else f"{self.code} {self.text}"


class DriverError(Exception):
    """The base; never raised itself."""

    def __init__(self, message: str, *, instrument: str = "") -> None:
        super().__init__(f"{instrument}: {message}" if instrument else message)
        self.message = message
        self.instrument = instrument


class RequestError(DriverError):
    """We asked for something this instrument cannot do; asking again will not help."""


class AnswerError(DriverError):
    """The instrument's answer breaks the rules of its own dialect (bad block, number, preamble)."""


class LinkLostError(DriverError):
    """The connection could not be made, or broke."""


class TimedOutError(DriverError):
    """No (complete) answer came before the deadline."""


class ComplaintError(DriverError):
    """The instrument's error queue holds entries after something we sent."""

    def __init__(
        self, message: str, errors: tuple[InstrumentError, ...] = (), *, instrument: str = ""
    ) -> None:
        super().__init__(message, instrument=instrument)
        self.errors = errors
