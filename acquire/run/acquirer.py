"""Arm, wait, fetch; and what happens when the link fails while doing so.

The rules of this file:

* All waiting ends at our own deadline, or when a stop is requested.
* A missed trigger condemns nothing: there was no event. The arming is repeated, boundedly.
* After any error in a transfer the link is closed and reopened, the unit proven, every setting
  written again and read back. Then whoever asked takes everything again, from its beginning.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TypeVar

from acquire.bench.schema import Retry
from acquire.errors import InstrumentFault, Interrupted
from acquire.quantities import format_quantity
from acquire.run.clock import RunClock
from acquire.run.events import Emitter
from acquire.run.setup import ScopeSetup
from acquire.run.stop import StopFlag
from drivers.errors import DriverError, RequestError
from drivers.scope import AcquisitionStatus
from drivers.trace import Trace

T = TypeVar("T")


class Retake(Exception):  # noqa: N818 - says what to do
    """What was taken is no data; take it again from its beginning."""


@dataclass(frozen=True, slots=True)
class Record:
    """One triggered acquisition, all quantities, and when it came since the run's zero. [s]"""

    traces: dict[str, Trace]
    trigger_time: float


@dataclass(slots=True)
class Acquirer:
    """Takes records with one scope for one run.

    Attributes
    ----------
    setup : the configured scope.
    events, clock, stop, retry : of the run.
    """

    setup: ScopeSetup
    events: Emitter
    clock: RunClock
    stop: StopFlag
    retry: Retry

    def records(self, count: int, doing: str) -> Iterator[Record]:
        """Yield ``count`` records, in as few armings as the scope's segments allow.

        Raises
        ------
        InstrumentFault
            If no event came in as many armings as the bench allows tries.
        Interrupted
            When a stop is requested.
        """
        done = 0
        while done < count:
            for segment, at in enumerate(self._arm(doing, done)[: count - done]):
                self.require_going()
                traces = {
                    quantity: self.setup.scope.fetch(settings.channel, segment)
                    for quantity, settings in self.setup.channels.items()
                }
                yield Record(traces, at)
                done += 1

    def require_going(self) -> None:
        """Raise ``Interrupted`` when a stop is requested."""
        if self.stop():
            raise Interrupted(self.stop.reason)

    def _arm(self, doing: str, done: int) -> list[float]:
        """Arm, wait, and return the trigger time of each record taken, since the run's zero. [s]"""
        tries = self.retry.shot_tries
        for attempt in range(1, tries + 1):
            self.require_going()
            times = self._arm_once()
            if times:
                return times
            timeout = format_quantity(self.setup.recipe.acquisition.trigger.timeout, "s")
            self.events.emit(
                "record_retaken",
                shot=doing,
                repeat=done + 1,
                reason=f"no trigger within {timeout} (try {attempt} of {tries})",
            )
        raise InstrumentFault(self._no_trigger(doing))

    def _arm_once(self) -> list[float]:
        scope, timeout = self.setup.scope, self.setup.recipe.acquisition.trigger.timeout
        armed = scope.initiate().at
        taken, segments = 0, self.setup.segments
        while True:
            status = scope.wait_complete(timeout, self.stop)
            if status is AcquisitionStatus.COMPLETE:
                return self._times(armed, segments)
            if self.stop():
                scope.abort()
                self.require_going()
            seen = scope.acquired_segments() if segments > 1 else 0
            if seen <= taken:
                scope.abort()
                return []
            taken = seen  # events come, but slowly: the time-out is for each event

    def _times(self, armed: float, segments: int) -> list[float]:
        now = self.clock.since_zero()
        if segments == 1:
            return [now]
        told = self.setup.scope.trigger_times()
        if told.kind == "none" or len(told.seconds) != segments:
            # between arming and now, evenly: better than nothing, and never out of order
            start = self.clock.since_zero(armed)
            return [start + (now - start) * (i + 1) / segments for i in range(segments)]
        return [now - told.seconds[-1] + seconds for seconds in told.seconds]

    def _no_trigger(self, doing: str) -> str:
        asked = self.setup.recipe.acquisition.trigger
        advice = "check the trigger's source, level and slope, and that the source of noise runs"
        if asked.source in self.setup.bound:
            advice += (
                f". {asked.source} is itself measured: where no current flows, or behind a good "
                "candidate, it may never reach the level; trigger on the source or externally"
            )
        return (
            f"{doing}: no trigger on {asked.source} at {asked.level} ({asked.slope} slope) in "
            f"{self.retry.shot_tries} tries of {format_quantity(asked.timeout, 's')}; {advice}"
        )

    # -- faults ----------------------------------------------------------------------------------
    def retrying(self, doing: str, action: Callable[[], T]) -> T:
        """Carry out something that stores nothing; again where the link fails.

        Raises
        ------
        InstrumentFault
            If it failed as often as the bench allows tries.
        """
        for _ in range(self.retry.shot_tries - 1):
            try:
                return self.once(doing, action)
            except Retake:
                continue
        try:
            return self.once(doing, action)
        except Retake as last:
            raise InstrumentFault(f"{doing}: {last}") from last

    def once(self, doing: str, action: Callable[[], T]) -> T:
        """Carry out something; where the link fails, recover it and raise ``Retake``."""
        try:
            return action()
        except RequestError as error:
            raise InstrumentFault(f"{error} (while {doing})") from error
        except DriverError as error:
            self.events.emit("instrument_failed", instrument="scope", error=str(error), doing=doing)
            self.require_going()
            self._recover()
            raise Retake(str(error)) from error

    def _recover(self) -> None:
        """Reopen the link, prove the unit, write the settings again and prove them."""
        for attempt in range(1, self.retry.shot_tries + 1):
            try:
                self.setup.scope.recover()
                changed = self.setup.reapply()
            except DriverError as error:
                self.require_going()
                if attempt == self.retry.shot_tries:
                    raise InstrumentFault(
                        f"{error}; it could not be brought back. What was taken is kept"
                    ) from error
            else:
                self.events.emit(
                    "link_recovered", instrument="scope", attempt=attempt, changed=changed
                )
                return
