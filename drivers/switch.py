"""A relay unit as the fixture sees it: channels that close and open, and what readback is worth."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from typing import Literal

from drivers.errors import InstrumentError
from drivers.scope import Identity


class Switch(ABC):
    """One relay unit on one link. Channels are the unit's own numbers, as in ``(@101,203)``."""

    identity: Identity
    readback: Literal["contact", "software state"]

    @abstractmethod
    def close(self) -> None:
        """Close the *link* (not a relay). Never raises."""

    @abstractmethod
    def recover(self) -> None:
        """Close, reopen, prove identity; the relays' state is read anew, never assumed."""

    @abstractmethod
    def close_channels(self, channels: Sequence[int]) -> None:
        """Close these relays, then check the readback and the error queue."""

    @abstractmethod
    def open_channels(self, channels: Sequence[int]) -> None:
        """Open these relays, then check the readback and the error queue."""

    @abstractmethod
    def closed_channels(self, among: Sequence[int]) -> frozenset[int]:
        """Return which of these the unit says are closed."""

    @abstractmethod
    def errors(self) -> tuple[InstrumentError, ...]:
        """Drain the error queue."""
