"""A 4-wire ohmmeter as the continuity check sees it."""

from __future__ import annotations

from abc import ABC, abstractmethod

from drivers.errors import InstrumentError
from drivers.scope import Identity


class Ohmmeter(ABC):
    """One ohmmeter on one link."""

    identity: Identity

    @abstractmethod
    def close(self) -> None:
        """Close the link. Never raises."""

    @abstractmethod
    def recover(self) -> None:
        """Close, reopen, prove identity."""

    @abstractmethod
    def resistance_4_wire(self, range_ohm: float | None = None) -> float:
        """Measure once. ``inf`` where the instrument reports overload (an open lead). [ohm]"""

    @abstractmethod
    def errors(self) -> tuple[InstrumentError, ...]:
        """Drain the error queue."""
