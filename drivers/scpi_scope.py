"""What every scope dialect has in common, once: sessions, readback, error queue, polling.

A dialect subclasses `ScpiScope` and adds its words; drivers/BRING_YOUR_SCOPE.md tells how. The
order in which a caller configures is channels, acquisition, trigger: on many models the sample
rate depends on which inputs are on.
"""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import ClassVar

import numpy as np

from drivers import scpi
from drivers.decode import CodeReader, SeenCodes
from drivers.errors import (
    AnswerError,
    ComplaintError,
    DriverError,
    InstrumentError,
)
from drivers.instrument import drain, recover
from drivers.link import Bytes, Link
from drivers.profile import ScopeProfile
from drivers.refusals import Refusals
from drivers.scope import (
    AcquisitionRequest,
    AcquisitionState,
    AcquisitionStatus,
    ArmInfo,
    ChannelSettings,
    Identity,
    Scope,
    TriggerTimes,
)
from drivers.trace import Trace

_FIRST_PAUSE, _LONGEST_PAUSE = 0.002, 0.05  # seconds between two polls
_FORCE_EVERY = 0.1  # seconds from one forced trigger to the next
_LENGTH_ROOM = 0.02  # relative; some families add points at the end, or round the rate they tell
_SHORTFALL = 1e-3  # relative; readbacks are rounded to three or four digits


class ScpiScope(Refusals, Scope):
    """Base of the dialects. It holds the link; only the owner thread may call it."""

    #: Every query whose answer belongs in the run file; ``{n}`` stands for each input in use.
    SETTINGS: ClassVar[tuple[str, ...]] = ()
    #: Bits of a code on the wire that the dialect can send.
    CODE_BITS: ClassVar[tuple[int, ...]] = (8, 16)
    #: Whether the number of segments may be asked for before all of them are taken.
    COUNTS_WHILE_RUNNING: ClassVar[bool] = False
    #: What forces a trigger, unless `FREE_SWEEP` does it.
    FORCE: ClassVar[str] = ":TRIGger:FORCe"
    #: Header and words of a free sweep and of the normal one, where no word that forces is known.
    FREE_SWEEP: ClassVar[tuple[str, str, str] | None] = None
    RESET_TIME: ClassVar[float] = 15.0  # seconds that *RST may take

    def __init__(self, link: Link, identity: Identity, profile: ScopeProfile) -> None:
        self.link = link
        self.identity = identity
        self.profile = profile
        if profile.code_bits not in self.CODE_BITS:
            known = " or ".join(str(bits) for bits in self.CODE_BITS)
            raise self.refuse(
                f"the profile {profile.name} asks for codes of {profile.code_bits} bits; "
                f"the dialect {profile.dialect} sends {known}"
            )
        self._enabled: set[int] = set()
        self._armed = False
        self._confirmed = False
        self._triggered = False
        self._segments = 1
        self._stale_count: int | None = None
        self._record_time = 0.0
        self._configured: AcquisitionState | None = None

    # -- session ---------------------------------------------------------------------------------
    def prepare(self) -> None:
        """Bring the wire into the state that this dialect reads (headers off). May be repeated."""

    def close(self) -> None:
        """Close the link."""
        self.link.close()

    def recover(self) -> None:
        """Close, reopen, prove that the same unit answers, clear its status."""
        self._armed = False
        recover(self.link, self.identity)
        self.prepare()

    def reset(self) -> None:
        """Bring the instrument to its default state, headers off, error queue empty."""
        self._armed = False
        self._configured = None
        self._enabled.clear()
        self.link.write("*RST")
        self.prepare()  # before any answer: a reset turns headers on again
        self.link.ask("*OPC?", scpi.integer, timeout=self.RESET_TIME)
        self.link.write("*CLS")
        self.after_reset()
        self.complain("the reset")

    def after_reset(self) -> None:
        """Leave the default state where it is unsafe for us: stop, and never sweep by itself."""

    def errors(self) -> tuple[InstrumentError, ...]:
        """Drain the error queue."""
        return drain(self.link)

    def complain(self, after: str) -> None:
        """Raise `ComplaintError` if the instrument holds errors."""
        found = self.errors()
        if found:
            entries = "; ".join(str(entry) for entry in found)
            raise ComplaintError(
                f"it reports after {after}: {entries}", found, instrument=self.link.label
            )

    # -- configuration ---------------------------------------------------------------------------
    def settings(self) -> Mapping[str, str]:
        """Return every query of ``SETTINGS`` with the instrument's answer."""
        queries: list[str] = []
        for query in self.SETTINGS:
            inputs: Iterable[int] = sorted(self._enabled) if "{n}" in query else (0,)
            queries += [query.replace("{n}", str(n)) for n in inputs]
        return {query: self.link.query(query) for query in queries}

    @contextlib.contextmanager
    def configuring(self, what: str) -> Iterator[None]:
        """Check the error queue after the body; a driver error in it comes first."""
        yield
        time.sleep(self.profile.settling_time)
        self.complain(what)

    def set_all(self, *commands: str) -> None:
        """Send commands, each in a message of its own."""
        for command in commands:
            self.link.write(command)

    def choose(self, header: str, value: str) -> None:
        """Set what decides which data come, and prove it; other data would look just as good.

        Raises
        ------
        AnswerError
            If it reads back otherwise.
        """
        self.link.write(f"{header} {value}")
        answer = self.link.query(f"{header}?")
        if not scpi.same_value(answer, value):
            raise AnswerError(
                f"{header} reads back as {scpi.shown(answer)} after {value} was set; other data "
                "than those that were asked for would come",
                instrument=self.link.label,
            )

    def as_configured(self, trace: Trace) -> Trace:
        """Return a trace that has the length and the step of the record that was configured.

        Raises
        ------
        AnswerError
            If it has not: part of the record, every n-th sample, or another record came.
        """
        state = self._configured
        if state is None:
            return trace
        samples, rate = trace.codes.size, 1 / trace.step
        if abs(samples - state.record_length) > _LENGTH_ROOM * state.record_length + 2 or not (
            math.isclose(rate, state.sample_rate, rel_tol=_LENGTH_ROOM)
        ):
            raise AnswerError(
                f"{samples} samples at {rate:g} per second came; the record was set up with "
                f"{state.record_length} at {state.sample_rate:g}",
                instrument=self.link.label,
            )
        return trace

    def check_acquisition(self, wanted: AcquisitionRequest, got: AcquisitionState) -> None:
        """Refuse when what was read back falls short of the request."""
        if got.sample_rate < wanted.minimum_sample_rate * (1 - _SHORTFALL):
            raise self.refuse(
                f"at least {wanted.minimum_sample_rate:g} samples per second were asked for over "
                f"{wanted.time_per_record:g} s; the instrument settles at {got.sample_rate:g} "
                f"with {got.record_length} samples: shorten the record, use fewer inputs, or ask "
                "for less"
            )
        if got.time_per_record < wanted.time_per_record * (1 - _SHORTFALL):
            raise self.refuse(
                f"a record of {wanted.time_per_record:g} s was asked for; the instrument settles "
                f"at {got.time_per_record:g} s"
            )
        self._configured = got
        self._segments = got.segments
        self._record_time = got.time_per_record

    def enable(self, got: ChannelSettings) -> ChannelSettings:
        """Remember whether an input is in use, and return what was read back of it."""
        (self._enabled.add if got.enabled else self._enabled.discard)(got.channel)
        return got

    def set_at_least(
        self,
        wanted: float,
        write: str,
        query: str,
        parse: Callable[[str], float] = scpi.number,
    ) -> float:
        """Set a value with ``write`` (``{}`` stands for it), step up if it reads back short.

        Return what was read back last.
        """
        self.link.write(write.format(f"{wanted:.6E}"))
        got = self.link.ask(query, parse)
        if got < wanted * (1 - _SHORTFALL):
            self.link.write(write.format(f"{scpi.step_125(wanted):.6E}"))
            got = self.link.ask(query, parse)
        return got

    # -- one arming ------------------------------------------------------------------------------
    def initiate(self) -> ArmInfo:
        """Arm one acquisition; ``confirmed`` when the instrument said that it was armed."""
        return self._initiate(self.arm)

    def _initiate(self, arm: Callable[[], None]) -> ArmInfo:
        self._armed = self._confirmed = self._triggered = False
        self.before_arming()
        if self._segments > 1 and self.COUNTS_WHILE_RUNNING:
            self._stale_count = self.count_segments()
        at = time.monotonic()
        arm()
        self._armed = True
        patience = self.link.policy.timeout + self._record_time
        self._confirmed = poll(self.arming_confirmed, patience)
        return ArmInfo(at, self._confirmed)

    def before_arming(self) -> None:
        """Stop, and clear what a previous arming latched."""

    def arm(self) -> None:
        """Send what starts one single acquisition."""
        raise NotImplementedError

    def arm_free(self) -> None:
        """Send what starts an acquisition under the sweep that needs no trigger."""
        self.arm()

    def arming_confirmed(self) -> bool:
        """Ask once whether the instrument has taken the arming."""
        raise NotImplementedError

    def wait_complete(
        self, timeout: float, stop_requested: Callable[[], bool] = lambda: False
    ) -> AcquisitionStatus:
        """Poll with growing pauses until complete, out of time or asked to stop."""
        end = time.monotonic() + timeout
        pause = _FIRST_PAUSE
        while True:
            status = self.acquisition_status()
            remaining = end - time.monotonic()
            if status is AcquisitionStatus.COMPLETE or remaining <= 0 or stop_requested():
                return status
            time.sleep(min(pause, remaining))
            pause = min(pause * 1.5, _LONGEST_PAUSE)

    def record_untriggered(self, timeout: float) -> AcquisitionStatus:
        """Arm, and force the trigger until the record is complete."""
        if self._segments > 1:
            raise self.refuse("one record without a trigger needs a set-up of one segment")
        if self.FREE_SWEEP is None:
            self.initiate()
            status = self._force_until(time.monotonic() + timeout)
        else:
            with self._sweeping_freely(*self.FREE_SWEEP):
                self._initiate(self.arm_free)
                status = self.wait_complete(timeout)
                self.stop()
        if status is not AcquisitionStatus.COMPLETE:
            self.abort()
        return status

    @contextlib.contextmanager
    def _sweeping_freely(self, header: str, free: str, normal: str) -> Iterator[None]:
        """Let the sweep be automatic for the body, and normal again however the body ends."""
        try:
            self.choose(header, free)
            yield
            self.choose(header, normal)
        except BaseException:
            with contextlib.suppress(DriverError):  # the error that is on its way says more
                if not self.link.usable:
                    self.recover()
                self.stop()
                self.choose(header, normal)
            raise

    def _force_until(self, end: float) -> AcquisitionStatus:
        """Force again and again: what comes before the pre-trigger is full may be ignored."""
        while True:
            self.link.write(self.FORCE)
            left = end - time.monotonic()
            status = self.wait_complete(max(0.0, min(_FORCE_EVERY + self._record_time, left)))
            if status is AcquisitionStatus.COMPLETE or left <= 0:
                return status

    def abort(self) -> bool:
        """Stop, and return whether the instrument confirmed it within the link's time-out."""
        self._armed = False
        self.stop()
        return poll(self.stopped, self.link.policy.timeout)

    def stop(self) -> None:
        """Send what stops an acquisition."""
        raise NotImplementedError

    def stopped(self) -> bool:
        """Ask once whether nothing is being acquired."""
        raise NotImplementedError

    def acquired_segments(self) -> int:
        """Return how many records the last arming took."""
        complete = self._armed and self.acquisition_status() is AcquisitionStatus.COMPLETE
        if self._segments == 1:
            return int(complete)
        if complete:
            return self.count_segments()
        return self._count_so_far() if self.COUNTS_WHILE_RUNNING else 0

    def _count_so_far(self) -> int:
        """Return the count of an arming that is not complete; one that stands still is stale.

        Until the first record is taken, a unit may tell the count of the arming before.
        """
        count = self.count_segments()
        if count == self._stale_count:
            return 0
        self._stale_count = None
        return count

    def count_segments(self) -> int:
        """Ask for the number of segments that the last arming took."""
        raise NotImplementedError

    def trigger_times(self) -> TriggerTimes:
        """Return the time stamps of the segments; one record alone needs none."""
        if self._segments == 1:
            return TriggerTimes((0.0,), "none")
        return self.segment_times()

    def read_codes(self, command: str, points: int, *, width: int, unsigned: bool) -> SeenCodes:
        """Read a block that must hold exactly so many codes, low byte first where they have two.

        Raises
        ------
        AnswerError
            If another number of bytes comes, or more points are announced than a unit with twice
            the memory of the profile has; no memory is taken for those.
        """
        most = 2 * self.profile.maximum_record_length
        if not 0 <= points <= most:
            raise AnswerError(
                f"{points} points are announced; 0 to {most} were expected",
                instrument=self.link.label,
            )
        data = np.empty(points * width // 8, np.uint8)
        self.read_into(command, data, reader := CodeReader(width=width, unsigned=unsigned))
        return reader.codes(data)

    def read_into(self, command: str, data: Bytes, reader: CodeReader) -> None:
        """Read a block that must fill ``data`` exactly, through ``reader``."""
        got = self.link.query_block_into(command, data, arrived=reader)
        if got != data.size:
            raise AnswerError(
                f"{data.size} bytes of {command!r} follow from the preamble, {got} came",
                instrument=self.link.label,
            )

    def segment_times(self) -> TriggerTimes:
        """Ask for the segments' time stamps."""
        raise NotImplementedError


# -- helpers ---------------------------------------------------------------------------------------
def poll(condition: Callable[[], bool], timeout: float) -> bool:
    """Return whether ``condition`` became true within ``timeout`` [s]; asked at least once."""
    end = time.monotonic() + timeout
    pause = _FIRST_PAUSE
    while not condition():
        if time.monotonic() >= end:
            return False
        time.sleep(pause)
        pause = min(pause * 1.5, _LONGEST_PAUSE)
    return True
