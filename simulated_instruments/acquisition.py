"""The acquisition engine behind every simulated oscilloscope: inputs, trigger, memory, states.

Two clocks are kept apart. *What* is recorded depends only on the sequence of operations: each
arming takes the next source events, so that a repeated run gives the same codes. *When* the
states change is wall time, much shortened (`Pace`), so that a driver meets the same races as on
a bench: a stale "stopped" right after arming, a pre-trigger that must fill, a trigger that does
not come.
"""

from __future__ import annotations

import enum
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from simulated_instruments.circuit import Circuit, Snapshot, Volts
from simulated_instruments.digitiser import Channel, Digitiser, Record, Timing
from simulated_instruments.models import ScopeModel
from simulated_instruments.status import ScpiError

SEARCH = 4
"""Events that one look for a trigger examines beyond those that it needs."""


class State(enum.Enum):
    """Where the acquisition stands."""

    STOPPED = "stopped"
    ARMING = "filling the pre-trigger"
    WAITING = "waiting for a trigger"
    TRIGGERED = "recording"


@dataclass(frozen=True, slots=True)
class Pace:
    """Wall times of one arming. [s]

    Attributes
    ----------
    stale : after arming, during which the state of the acquisition before is still reported.
    fill : of the pre-trigger. record : from the trigger to the end.
    auto : wait after which an automatic sweep fires without an event.
    """

    stale: float = 1.0e-3
    fill: float = 0.5e-3
    record: float = 0.5e-3
    auto: float = 50e-3


@dataclass(frozen=True, slots=True)
class Trigger:
    """An edge trigger. ``source`` 0 is the external input, where nothing is connected. [V]"""

    source: int = 1
    level: float = 0.0
    rising: bool = True
    auto: bool = True


class Acquisition(Digitiser):
    """Inputs, trigger, time base and the state machine of one oscilloscope.

    Parameters
    ----------
    model, circuit : what it is and what is connected to it.
    pace : wall times.
    clock : [s]; monotonic.
    late : called at each arming; returns extra seconds before a trigger is seen (faults).
    """

    def __init__(
        self,
        model: ScopeModel,
        circuit: Circuit,
        pace: Pace = Pace(),
        clock: Callable[[], float] = time.monotonic,
        late: Callable[[], float] = lambda: 0.0,
    ) -> None:
        super().__init__(model, circuit)
        self.pace = pace
        self._clock, self._late = clock, late
        self._stale = pace.stale if model.lags else 0.0
        self.reset()

    def reset(self) -> None:
        """Return to the state after ``*RST``; nothing is recorded, the sweep is automatic."""
        full = self.model.ranges[-1] / 5
        nearest = min(self.model.ranges, key=lambda r: abs(r - full))
        self.channels = [Channel(nearest, enabled=n == 0) for n in range(self.model.channels)]
        self.trigger = Trigger()
        self.timing = Timing(1000, 1e-6, -500e-6)
        self.wanted = 1
        self.forget()
        self._taken: list[Record] = []
        self._coming: list[Snapshot] = []
        self.triggers = 0
        self.arms = 0
        self._ready_told = False
        self._armed_at: float | None = None
        self._recorded_at = 0.0
        self._delay = 0.0
        self._continuous = False
        self.retimed = False

    # -- settings ----------------------------------------------------------------------------------
    def channel(self, number: int) -> Channel:
        """Return one input."""
        if not 1 <= number <= self.model.channels:
            raise ScpiError(-114, f"input {number}")
        return self.channels[number - 1]

    def set_channel(self, number: int, **changes: object) -> None:
        """Change one input; an acquisition that runs begins anew."""
        self.channels[number - 1] = replace(self.channel(number), **changes)  # type: ignore[arg-type]  # checked by the callers' parameter types
        self.touch()

    def set_trigger(self, **changes: object) -> None:
        """Change the trigger; an acquisition that runs begins anew."""
        self.trigger = replace(self.trigger, **changes)  # type: ignore[arg-type]  # as above
        self.touch()

    def set_timing(self, timing: Timing) -> None:
        """Change the record; an acquisition that runs begins anew."""
        self.retimed |= timing != self.timing
        self.timing = timing
        self.touch()

    def nearest_range(self, volts: float) -> float:
        """Return the smallest range that holds ``volts``, else the largest. [V]"""
        return next(
            (r for r in self.model.ranges if r >= volts * (1 - 1e-6)), self.model.ranges[-1]
        )

    def touch(self) -> None:
        """Begin a running acquisition anew, as a changed setting does."""
        if self._armed_at is not None:
            self._begin()

    def _begin(self) -> None:
        """Start to acquire. The events are laid aside now, however soon it is stopped."""
        self._armed_at, self._taken = self._clock(), []
        self._coming = [self.circuit.next_event() for _ in range(self.wanted)]

    def _event(self) -> Snapshot:
        return self._coming.pop(0) if self._coming else self.circuit.next_event()

    # -- state -------------------------------------------------------------------------------------
    def arm(self, segments: int = 1, continuous: bool = False) -> None:
        """Start an acquisition of ``segments`` records."""
        self.state()
        self.wanted = segments
        self._continuous = continuous
        self.forget_codes()
        self._begin()
        self._delay = self._late()
        self._ready_told = self.retimed = False

    def stop(self) -> None:
        """Stop; segments that were complete are kept, a record that was not is lost."""
        self.state()
        if self._armed_at is not None and self._taken:
            self.records = self._taken
        self._armed_at = None

    def force(self) -> None:
        """Record now, whatever the trigger says; ignored until the pre-trigger is full.

        So for Tektronix (TDS5000B programmer guide p650: ignored unless READy); for the other
        families no page says so, and a driver must live with it.
        """
        if self.state() is State.WAITING:
            self._capture_untriggered()

    @property
    def stale(self) -> bool:
        """Whether a status query right now still answers for the acquisition before."""
        return self._armed_at is not None and self._clock() - self._armed_at < self._stale

    def state(self) -> State:
        """Bring the state up to now and return it."""
        if self._armed_at is None:
            return State.STOPPED
        elapsed = self._clock() - self._armed_at
        if elapsed < self._stale + self.pace.fill:
            return State.ARMING
        self.arms += not self._ready_told
        self._ready_told = True
        if len(self._taken) < self.wanted:
            if elapsed >= self._stale + self.pace.fill + self._delay:
                self._look()
            if len(self._taken) < self.wanted and self.trigger.auto and elapsed > self.pace.auto:
                self._capture_untriggered()
            if len(self._taken) < self.wanted:
                return State.WAITING
        if self._clock() - self._recorded_at < self.pace.record:
            return State.TRIGGERED
        self.records = self._taken
        if self._continuous:
            self._taken = []
            return State.WAITING
        self._armed_at = None
        return State.STOPPED

    def stopped(self) -> bool:
        """Whether nothing is being acquired."""
        return self.state() is State.STOPPED

    def over(self) -> bool:
        """Whether an acquisition has ended and, where they follow each other, none records."""
        state = self.state()
        return state is State.STOPPED or (self._continuous and state is State.WAITING)

    def told_timing(self) -> Timing:
        """Return the timing of what is recorded, or of what will be once settings have changed."""
        if self.records and self.stopped() and not self.retimed:
            return self.records[0].timing
        return self.timing

    # -- trigger -----------------------------------------------------------------------------------
    def _look(self) -> None:
        """Go through the next events until enough of them have triggered."""
        for _ in range(SEARCH + self.wanted):
            if len(self._taken) >= self.wanted:
                break
            snapshot = self._event()
            instant = self._crossing(snapshot)
            if instant is not None:
                self._take(snapshot, instant)

    def _crossing(self, snapshot: Snapshot) -> float | None:
        """Return when the trigger input crosses the level, from the event; None = never. [s]"""
        trigger = self.trigger
        if not 1 <= trigger.source <= self.model.channels:
            return None
        channel = self.channels[trigger.source - 1]
        period = 1 / self.circuit.scenario.edge_rate
        for start, step, samples in ((-0.2e-6, 2e-9, 3000), (-1e-6, 5e-9, int(period / 5e-9))):
            volts = self.circuit.signal_volts(
                trigger.source, snapshot, start, step, samples, channel.bandwidth
            )
            quiet = float(volts[0])
            if abs(trigger.level - quiet) < 3 * self._noise(trigger.source):
                return float(self._random(snapshot, 99).uniform(0, period))  # fires on noise
            place = self._first_crossing(volts, channel)
            if place is not None:
                jitter = float(self._random(snapshot, 98).standard_normal())
                return start + place * step + jitter * self.circuit.scenario.trigger_jitter
        return None

    def _first_crossing(self, volts: Volts, channel: Channel) -> float | None:
        """Return the fractional index of the first crossing in the right direction."""
        reach = 0.75 * channel.range  # the trigger path saturates beyond the screen
        seen = np.clip(volts, channel.offset - reach, channel.offset + reach) - self.trigger.level
        if not self.trigger.rising:
            seen = -seen
        places = np.flatnonzero((seen[:-1] < 0) & (seen[1:] >= 0))
        if not len(places):
            return None
        first = int(places[0])
        return first + float(-seen[first] / (seen[first + 1] - seen[first]))

    def _take(self, snapshot: Snapshot, instant: float) -> None:
        timing = self.timing
        lag = 0.0  # where a model does not report it, its interpolator moves the samples
        if self.model.reports_subsample:
            lag = float(self._random(snapshot, 97).uniform(0, timing.step))
        when = snapshot.event / self.circuit.scenario.edge_rate + instant
        self._taken.append(Record(snapshot, timing, instant, lag, when, tuple(self.channels)))
        self._recorded_at = self._clock()
        self.triggers += 1

    def _capture_untriggered(self) -> None:
        while len(self._taken) < self.wanted:
            snapshot = self._event()
            period = 1 / self.circuit.scenario.edge_rate
            self._take(snapshot, float(self._random(snapshot, 96).uniform(0, period)))

    def _noise(self, number: int) -> float:
        """Return the rms of everything that is not synchronous at one input. [V]"""
        inputs = self.circuit.scenario.inputs
        there = inputs[number - 1] if number <= len(inputs) else None
        ambient = there.ambient_noise if there else 0.0
        carriers = sum(a * a / 2 for _, a in there.carriers) if there else 0.0
        front = self._front_end_noise(self.channels[number - 1])
        return float(np.sqrt(ambient**2 + carriers + front**2))
