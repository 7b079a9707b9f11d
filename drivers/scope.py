"""The oscilloscope as the runner sees it, in vendor-neutral standard terms.

The rules of this file:

* Every ``configure_*`` writes, reads back and returns what the *instrument* says, never the
  request. It then drains the error queue and raises ``ComplaintError`` if that was not empty.
* The trigger sweep is never automatic: a record without an event would look valid.
* Completion is polled with short queries against our own deadline; nothing here blocks on ``*OPC?``
  while a trigger may be missing.
* No driver chooses a range, retries a capture or repairs a record: the runner decides that.
* ``vertical_range`` is full scale, not per division; ``vertical_offset`` is the level at the centre
  of the range; ``acquisition_start_time`` is the time of the first sample relative to the trigger.
"""

from __future__ import annotations

import enum
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from drivers.errors import InstrumentError, RequestError
from drivers.profile import ScopeProfile
from drivers.trace import Trace

Coupling = Literal["DC", "AC"]
Slope = Literal["positive", "negative"]
TriggerSource = int | Literal["external"]


@dataclass(frozen=True, slots=True)
class Identity:
    """The four fields of ``*IDN?``, and the answer as it came but for an echoed header."""

    maker: str
    model: str
    serial: str
    firmware: str
    raw: str

    def same_unit(self, other: Identity) -> bool:
        """Whether both are one physical instrument (a firmware update does not change that)."""
        mine, theirs = (
            (i.maker.casefold(), i.model.casefold(), i.serial.casefold()) for i in (self, other)
        )
        return mine == theirs


@dataclass(frozen=True, slots=True)
class ChannelSettings:
    """One input, as asked for and as read back.

    Attributes
    ----------
    channel : input number, from 1.
    vertical_range : full scale. [V]
    vertical_offset : level at the centre of the range. [V]
    coupling : "DC" or "AC".
    input_impedance : 50.0 or 1e6. [ohm] 50 ohm is set only because a bench profile asks for it.
    bandwidth_limit : None = full bandwidth. [Hz]
    enabled : whether the input is acquired.
    """

    channel: int
    vertical_range: float
    vertical_offset: float = 0.0
    coupling: Coupling = "DC"
    input_impedance: float = 1e6
    bandwidth_limit: float | None = None
    enabled: bool = True


@dataclass(frozen=True, slots=True)
class AcquisitionRequest:
    """What the record must at least offer.

    Attributes
    ----------
    time_per_record : the span that must be covered. [s]
    acquisition_start_time : first sample relative to the trigger; negative = pre-trigger. [s]
    minimum_sample_rate : [Sa/s]
    segments : records to take in one arming (1 = one by one).
    """

    time_per_record: float
    acquisition_start_time: float
    minimum_sample_rate: float
    segments: int = 1


@dataclass(frozen=True, slots=True)
class AcquisitionState:
    """What the instrument says that it will record (it may exceed the request)."""

    record_length: int
    sample_rate: float
    time_per_record: float
    acquisition_start_time: float
    segments: int = 1


@dataclass(frozen=True, slots=True)
class TriggerSettings:
    """An edge trigger; ``level`` is in volts at the scope's input. [V]"""

    source: TriggerSource
    level: float
    slope: Slope


class AcquisitionStatus(enum.Enum):
    """Where one arming stands. UNKNOWN is honest: some families cannot tell right after arming."""

    IDLE = "idle"
    ARMING = "arming"
    WAITING = "waiting for a trigger"
    TRIGGERED = "triggered"
    COMPLETE = "complete"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class ArmInfo:
    """When arming was sent (host monotonic clock [s]) and whether the instrument confirmed it."""

    at: float
    confirmed: bool


@dataclass(frozen=True, slots=True)
class TriggerTimes:
    """When each segment of one arming triggered.

    Attributes
    ----------
    seconds : one per segment, oldest first, relative to the first. [s]
    kind : "instrument" (its own time stamps), "host clock" (ours, coarse) or "none".
    """

    seconds: tuple[float, ...]
    kind: Literal["instrument", "host clock", "none"]


class Scope(ABC):
    """One oscilloscope on one link, owned by one thread."""

    identity: Identity
    profile: ScopeProfile

    # -- session ---------------------------------------------------------------------------------
    @abstractmethod
    def close(self) -> None:
        """Close the link. Never raises; may be called twice."""

    @abstractmethod
    def recover(self) -> None:
        """Close, reopen and prove that the same unit answers; clear its status.

        The instrument's settings are not assumed to have survived: the runner configures again.

        Raises
        ------
        LinkLostError
            If it cannot be reopened within the link's policy.
        AnswerError
            If another unit answers.
        """

    @abstractmethod
    def reset(self) -> None:
        """Bring the instrument to its documented default state, headers off, error queue empty."""

    @abstractmethod
    def errors(self) -> tuple[InstrumentError, ...]:
        """Drain the error queue; empty when there is none."""

    # -- configuration ---------------------------------------------------------------------------
    @abstractmethod
    def configure_channel(self, wanted: ChannelSettings) -> ChannelSettings:
        """Set up one input and return what was read back."""

    @abstractmethod
    def configure_acquisition(self, wanted: AcquisitionRequest) -> AcquisitionState:
        """Set up the record and return what was read back."""

    @abstractmethod
    def configure_edge_trigger(self, wanted: TriggerSettings) -> TriggerSettings:
        """Set up a normal-sweep edge trigger and return what was read back."""

    @abstractmethod
    def settings(self) -> Mapping[str, str]:
        """Return every setting that matters, as the instrument words it, for the run file."""

    # -- one arming ------------------------------------------------------------------------------
    @abstractmethod
    def initiate(self) -> ArmInfo:
        """Arm one acquisition (of ``segments`` records) in normal sweep."""

    @abstractmethod
    def acquisition_status(self) -> AcquisitionStatus:
        """Ask once, briefly, where the acquisition stands."""

    @abstractmethod
    def wait_complete(
        self, timeout: float, stop_requested: Callable[[], bool] = lambda: False
    ) -> AcquisitionStatus:
        """Poll until complete, at most ``timeout`` seconds or until asked to stop.

        Returns
        -------
        The last status seen: COMPLETE, or whatever stood when time ran out. The caller aborts.
        """

    @abstractmethod
    def abort(self) -> bool:
        """Stop the acquisition; return whether the instrument confirmed that it stopped."""

    def record_untriggered(self, timeout: float) -> AcquisitionStatus:
        """Take one record now, whatever the trigger says: a look at the inputs, never data.

        The sweep is normal before and after.

        Returns
        -------
        COMPLETE, or what stood after ``timeout`` [s]; the acquisition is then aborted.

        Raises
        ------
        RequestError
            If this instrument cannot, or is set up for several segments.
        """
        raise RequestError(f"{type(self).__name__} cannot record without a trigger ({timeout:g} s)")

    @abstractmethod
    def acquired_segments(self) -> int:
        """Return how many records the last arming took."""

    # -- data ------------------------------------------------------------------------------------
    @abstractmethod
    def fetch(self, channel: int, segment: int = 0) -> Trace:
        """Read one channel of one segment (0 = oldest), whole or not at all.

        Raises
        ------
        TimedOutError, LinkLostError, AnswerError
            After any of these the link is in an unknown state: ``recover`` before anything else.
        """

    @abstractmethod
    def trigger_times(self) -> TriggerTimes:
        """Return the trigger times of the last arming."""
